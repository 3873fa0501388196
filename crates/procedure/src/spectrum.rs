//! The spectrum of what is heard at the moment, as a curve that follows.

use dsp::fft::rfft;
use dsp::smoothing::smooth_power;
use dsp::window::Window;
use tuning::Response;

/// How long a piece of sound is that is looked at, at least.
const PIECE_S: f64 = 0.6;
/// How slowly a curve that is looked at follows: the usual time constant for noise.
pub const SLOW_S: f64 = 1.5;
/// The curve's points and width, per octave.
const POINTS: f64 = 24.0;
const FRACTION: f64 = 6.0;
/// Where it is shown.
const RANGE_HZ: (f64, f64) = (30.0, 18_000.0);

/// Where a level counts: what can be heard.
const LEVEL_HZ: (f64, f64) = (20.0, 20_000.0);

/// Follows a stream of samples.
#[derive(Debug)]
pub struct Spectrum {
    rate_hz: f64,
    /// The time constant of the mean; infinite for that of all that was heard.
    slow_s: f64,
    piece: Vec<f64>,
    frames: usize,
    window: Vec<f64>,
    /// Mean squares of the bins.
    power: Vec<f64>,
    /// How much sound is in it.
    heard_s: f64,
}

impl Spectrum {
    /// For a stream of this rate; `slow_s` is the time constant of the mean, infinite for that of
    /// everything.
    pub fn new(rate_hz: f64, slow_s: f64) -> Self {
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a few thousand frames")]
        let frames = ((PIECE_S * rate_hz) as usize).next_power_of_two();
        Self {
            rate_hz,
            slow_s,
            piece: Vec::with_capacity(frames),
            frames,
            window: Window::Hann.fill(frames),
            power: vec![0.0; frames / 2 + 1],
            heard_s: 0.0,
        }
    }

    /// Takes what came in. Pieces overlap by half.
    pub fn hear(&mut self, samples: &[f32]) {
        for &sample in samples {
            self.piece.push(f64::from(sample));
            if self.piece.len() == self.frames {
                self.look();
                self.piece.drain(..self.frames / 2);
            }
        }
    }

    fn look(&mut self) {
        let windowed: Vec<f64> = self.piece.iter().zip(&self.window).map(|(x, w)| x * w).collect();
        let step_s = self.frames as f64 / 2.0 / self.rate_hz;
        self.heard_s += step_s;
        // A plain mean at first, which becomes an exponential one.
        let share = (step_s / self.heard_s).max(1.0 - (-step_s / self.slow_s).exp());
        for (mean, bin) in self.power.iter_mut().zip(rfft(&windowed, self.frames)) {
            *mean += share * (bin.norm_sqr() - *mean);
        }
    }

    /// Forgets what it has heard, so that a change shows at once.
    pub fn forget(&mut self) {
        self.interrupt();
        self.heard_s = 0.0;
    }

    /// What comes next does not follow on what came before.
    pub fn interrupt(&mut self) {
        self.piece.clear();
    }

    /// How much sound is in the mean.
    pub fn heard_s(&self) -> f64 {
        self.heard_s
    }

    /// The RMS of what can be heard, full scale being ±1, each frequency counted with a weight
    /// in dB; nothing before there is a mean.
    ///
    /// `Σ 2·|X[k]|²·10^(w/10) / (N·Σ h²)` over the bins of a piece of N samples under the window h.
    ///
    /// References: Parseval's theorem; Welch 1967 for the mean over pieces.
    pub fn weighted_rms(&self, weight_db: &dyn Fn(f64) -> f64) -> Option<f64> {
        if self.heard_s == 0.0 {
            return None;
        }
        let bin_hz = self.rate_hz / self.frames as f64;
        let heard = self.power.iter().enumerate().map(|(bin, power)| (bin as f64 * bin_hz, power));
        let heard = heard.filter(|(hz, _)| (LEVEL_HZ.0..=LEVEL_HZ.1).contains(hz));
        let sum: f64 = heard.map(|(hz, power)| power * units::power_from_db(weight_db(hz))).sum();
        let window: f64 = self.window.iter().map(|h| h * h).sum();
        Some((2.0 * sum / (self.frames as f64 * window)).sqrt())
    }

    /// The level per octave in dB, to any reference: pink noise is flat. Nothing before there
    /// is anything to show.
    pub fn response(&self) -> Option<Response> {
        if self.heard_s == 0.0 {
            return None;
        }
        let grid = dsp::response::log_grid(RANGE_HZ.0, RANGE_HZ.1.min(0.45 * self.rate_hz), POINTS);
        let bin_hz = self.rate_hz / self.frames as f64;
        let density = smooth_power(&self.power, bin_hz, FRACTION, &grid);
        let level = density.iter().zip(&grid).map(|(power, hz)| 10.0 * (power * hz).max(1e-30).log10());
        Response::new(grid.clone(), level.collect()).ok()
    }
}

#[cfg(test)]
mod tests {
    use testkit::{at_most, near};

    use super::*;

    /// Source: analytic: pink noise has the same power in every octave. 20 s of a sixth of an
    /// octave at 100 Hz (B = 11.6 Hz) scatter by 4.34/√(B·T) = 0.29 dB; three times that.
    #[test]
    fn pink_noise_is_flat_and_a_change_of_level_is_seen_at_once() {
        let rate_hz = 48_000.0;
        let frames = dsp::noise::periodic_len(20 * 48_000);
        let pink = dsp::noise::periodic_pink(frames, 20.0, 20_000.0, rate_hz, 1);
        let mut spectrum = Spectrum::new(rate_hz, SLOW_S);
        assert_eq!(spectrum.response(), None);
        let pink: Vec<f32> = pink.iter().map(|x| 0.05 * *x as f32).collect();
        pink.chunks(1_000).for_each(|block| spectrum.hear(block));
        let before = spectrum.response().expect("a curve");
        let mean = before.magnitude_db.iter().sum::<f64>() / before.magnitude_db.len() as f64;
        let worst = before.frequency_hz.iter().zip(&before.magnitude_db).filter(|(hz, _)| **hz > 300.0);
        at_most("off flat", worst.map(|(_, db)| (db - mean).abs()).fold(0.0, f64::max), 1.5);
        spectrum.forget();
        let louder: Vec<f32> = pink[..96_000].iter().map(|x| 2.0 * x).collect();
        spectrum.hear(&louder);
        let after = spectrum.response().expect("a curve");
        let mean_after = after.magnitude_db.iter().sum::<f64>() / after.magnitude_db.len() as f64;
        near("twice as loud", mean_after - mean, 6.02, 0.5);
    }

    /// Source: analytic: a sine of peak 0.5 has an RMS of 0.5/√2, and a weight of −6.0206 dB
    /// halves it. Sidelobes of the window below 20 Hz and the raggedness of its main lobe over a flat
    /// weight are under 1e-4 of it.
    #[test]
    fn the_level_of_a_sine_is_its_own_whatever_was_heard_in_between() {
        let rate_hz = 48_000.0;
        let sine: Vec<f32> = (0..96_000)
            .map(|n| (0.5 * (std::f64::consts::TAU * 997.0 * f64::from(n) / rate_hz).sin()) as f32)
            .collect();
        let mut spectrum = Spectrum::new(rate_hz, f64::INFINITY);
        assert_eq!(spectrum.weighted_rms(&|_| 0.0), None);
        spectrum.hear(&sine);
        spectrum.hear(&vec![0.9; 1_000]);
        // The piece that was begun holds both, and does not count.
        spectrum.interrupt();
        let before_s = spectrum.heard_s();
        spectrum.hear(&sine);
        near("sound in the mean", spectrum.heard_s(), 2.0 * before_s, 1e-9);
        let rms = |weight_db: f64| spectrum.weighted_rms(&|_| weight_db).expect("a level");
        near("RMS", rms(0.0), 0.5 / 2f64.sqrt(), 1e-4);
        near("half of it", rms(-6.020_599_913), 0.25 / 2f64.sqrt(), 1e-4);
    }
}
