//! The last thing before the device: the fade of a stop, and the limiter.

/// The shortest fade of anything that starts or stops.
pub(crate) const FADE_S: f64 = 0.010;

/// How many frames a fade takes at this rate: 10 ms, rounded up.
pub(crate) fn fade_frames(rate_hz: u32) -> usize {
    (FADE_S * f64::from(rate_hz)).ceil() as usize
}

/// A raised cosine from 0 to 1: `(1 − cos(π·(n + ½)/N))/2`.
pub(crate) fn raised_cosine(frames: usize) -> Vec<f32> {
    let step = std::f64::consts::PI / frames as f64;
    (0..frames).map(|n| (0.5 * (1.0 - ((n as f64 + 0.5) * step).cos())) as f32).collect()
}

/// Fades to silence when told to stop, then lets nothing beyond the ceiling pass.
///
/// # Real-time
/// [`apply`](Self::apply) neither allocates nor locks.
#[derive(Debug)]
pub(crate) struct OutputStage {
    fade: Vec<f32>,
    /// How much of the fade is left once it has begun.
    fading: Option<usize>,
    ceiling: f32,
    channels: usize,
}

impl OutputStage {
    pub(crate) fn new(channels: usize, rate_hz: u32, ceiling_dbfs: f64) -> Self {
        Self {
            fade: raised_cosine(fade_frames(rate_hz)),
            fading: None,
            ceiling: 10_f64.powf(ceiling_dbfs / 20.0) as f32,
            channels,
        }
    }

    /// Treats one buffer, and tells how many samples the limiter held.
    pub(crate) fn apply(&mut self, data: &mut [f32], stop: bool) -> u64 {
        if stop {
            let left = self.fading.get_or_insert(self.fade.len());
            for frame in data.chunks_mut(self.channels) {
                *left = left.saturating_sub(1);
                let gain = if *left == 0 { 0.0 } else { self.fade[*left] };
                frame.iter_mut().for_each(|x| *x *= gain);
            }
        }
        let mut limited = 0;
        for x in data {
            let held = if x.is_nan() { 0.0 } else { x.clamp(-self.ceiling, self.ceiling) };
            limited += u64::from(held != *x);
            *x = held;
        }
        limited
    }

    /// Whether a stop has come to its end.
    pub(crate) fn is_silent(&self) -> bool {
        self.fading == Some(0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_stop_is_silent_after_one_usual_buffer_and_never_jumps() {
        let mut stage = OutputStage::new(2, 48_000, 0.0);
        let mut data = vec![0.8_f32; 2 * 1_024];
        assert_eq!(stage.apply(&mut data, true), 0);
        assert!(stage.is_silent());
        assert_eq!(data[2 * 480..], [0.0; 2 * (1_024 - 480)]);
        // Source: analytic: the steepest slope of the raised cosine is π/2N.
        let bound = f64::from(0.8_f32) * std::f64::consts::FRAC_PI_2 / 480.0 * 1.01;
        let mut before = 0.8;
        for frame in data.chunks(2) {
            assert_eq!(frame[0], frame[1]);
            testkit::at_most("step", f64::from((frame[0] - before).abs()), bound);
            before = frame[0];
        }
    }

    #[test]
    fn the_fade_goes_on_over_small_buffers() {
        let mut stage = OutputStage::new(1, 48_000, 0.0);
        let mut whole = vec![1.0_f32; 512];
        OutputStage::new(1, 48_000, 0.0).apply(&mut whole, true);
        let mut pieces = vec![1.0_f32; 512];
        for piece in pieces.chunks_mut(64) {
            stage.apply(piece, true);
        }
        assert_eq!(whole, pieces);
        assert!(stage.is_silent());
    }

    /// Source: analytic: −6.0206 dB is one half.
    #[test]
    fn nothing_passes_the_ceiling() {
        let mut stage = OutputStage::new(1, 48_000, -6.020_599_913_279_624);
        let mut data = [0.2, 0.6, -9.0, f32::NAN, f32::INFINITY];
        assert_eq!(stage.apply(&mut data, false), 4);
        assert_eq!(data, [0.2, 0.5, -0.5, 0.0, 0.5]);
    }
}
