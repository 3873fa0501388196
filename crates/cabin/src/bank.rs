//! Second-order sections for eight signals side by side.
//!
//! One section alone waits for its own last result at every sample; eight
//! independent ones do not wait for each other, and the compiler can pack them.

use dsp::biquad::Biquad;
use num_complex::Complex64;

/// How many signals run side by side.
pub(crate) const LANES: usize = 8;

/// One sample of each signal.
pub(crate) type Frame = [f64; LANES];

/// State below this is set to zero so that no subnormal numbers arise; it is
/// far below anything that survives the conversion to `f32`.
const FLUSH_BELOW: f64 = 1e-150;

/// One section of each lane.
#[derive(Debug, Clone)]
struct Stage {
    idle: bool,
    b0: Frame,
    b1: Frame,
    b2: Frame,
    a1: Frame,
    a2: Frame,
    s1: Frame,
    s2: Frame,
}

impl Stage {
    fn identity() -> Self {
        let zero = [0.0; LANES];
        Self { idle: true, b0: [1.0; LANES], b1: zero, b2: zero, a1: zero, a2: zero, s1: zero, s2: zero }
    }

    fn run(&mut self, frames: &mut [Frame]) {
        for frame in frames {
            for lane in 0..LANES {
                let x = frame[lane];
                let y = self.b0[lane] * x + self.s1[lane];
                self.s1[lane] = self.b1[lane] * x - self.a1[lane] * y + self.s2[lane];
                self.s2[lane] = self.b2[lane] * x - self.a2[lane] * y;
                frame[lane] = y;
            }
        }
        for state in self.s1.iter_mut().chain(&mut self.s2) {
            if state.abs() < FLUSH_BELOW {
                *state = 0.0;
            }
        }
    }
}

/// A fixed number of sections in series for each of eight signals. A slot
/// without a section passes its signal on unchanged.
#[derive(Debug, Clone)]
pub(crate) struct Bank {
    stages: Vec<Stage>,
}

impl Bank {
    /// From each lane's slots. All lanes should come with the same slots in the
    /// same order, so that a turned filter finds its own state again.
    pub(crate) fn new(lanes: &[Vec<Option<Biquad>>]) -> Self {
        let slots = lanes.iter().map(Vec::len).max().unwrap_or(0);
        let mut stages = vec![Stage::identity(); slots];
        for (lane, sections) in lanes.iter().enumerate().take(LANES) {
            for (stage, section) in stages.iter_mut().zip(sections) {
                if let Some(section) = section {
                    let (b, a) = (section.b(), section.a());
                    stage.idle = false;
                    (stage.b0[lane], stage.b1[lane], stage.b2[lane]) = (b[0], b[1], b[2]);
                    (stage.a1[lane], stage.a2[lane]) = (a[0], a[1]);
                }
            }
        }
        Self { stages }
    }

    /// Takes over the state of a bank with the same slots.
    pub(crate) fn inherit(&mut self, other: &Self) {
        for (stage, old) in self.stages.iter_mut().zip(&other.stages) {
            if !stage.idle {
                stage.s1 = old.s1;
                stage.s2 = old.s2;
            }
        }
    }

    /// Filters in place.
    pub(crate) fn run(&mut self, frames: &mut [Frame]) {
        for stage in self.stages.iter_mut().filter(|stage| !stage.idle) {
            stage.run(frames);
        }
    }

    /// One lane's response; `z1` is `e^(−jω)`.
    pub(crate) fn response(&self, lane: usize, z1: Complex64) -> Complex64 {
        self.stages
            .iter()
            .filter(|stage| !stage.idle)
            .map(|s| {
                let numerator = s.b0[lane] + z1 * (s.b1[lane] + z1 * s.b2[lane]);
                numerator / (1.0 + z1 * (s.a1[lane] + z1 * s.a2[lane]))
            })
            .product()
    }
}

#[cfg(test)]
mod tests {
    use testkit::all_near;

    use super::*;

    /// Source: the single section of `dsp`, itself checked against scipy.
    #[test]
    fn every_lane_runs_like_a_section_alone() {
        let section = |lane: u32| Biquad::peak(48_000.0, 100.0 * f64::from(lane + 1), 6.0, 2.0).unwrap();
        let lanes: Vec<Vec<Option<Biquad>>> = (0..8).map(|l| vec![None, Some(section(l))]).collect();
        let mut bank = Bank::new(&lanes);
        let mut frames: Vec<Frame> = (0..300).map(|n| [f64::from(n % 7) - 3.0; LANES]).collect();
        let input: Vec<f64> = frames.iter().map(|frame| frame[0]).collect();
        bank.run(&mut frames[..123]);
        bank.run(&mut frames[123..]);
        for lane in 0..8u32 {
            let mut alone = section(lane);
            let wanted: Vec<f64> = input.iter().map(|&x| alone.process(x)).collect();
            let got: Vec<f64> = frames.iter().map(|frame| frame[lane as usize]).collect();
            all_near("lane", &got, &wanted, 1e-12);
        }
    }
}
