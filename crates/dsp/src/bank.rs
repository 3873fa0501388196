//! Second-order sections for several signals side by side.
//!
//! One section alone waits for its own last result at every sample; independent ones do not
//! wait for each other, and a processor takes several at once.

use num_complex::Complex64;

use crate::biquad::Biquad;
use crate::wide::{Kernel, widest};

/// One sample of each of `L` signals.
pub type Frame<const L: usize> = [f64; L];

/// State below this is set to zero so that no subnormal numbers arise; it is far below
/// anything that survives the conversion to `f32`.
const FLUSH_BELOW: f64 = 1e-150;

/// How many sections a sample passes at once, their states kept in registers.
const AT_ONCE: usize = 4;

/// One section of each lane, transposed direct form II.
#[derive(Debug, Clone, Copy)]
struct Stage<const L: usize> {
    idle: bool,
    b0: Frame<L>,
    b1: Frame<L>,
    b2: Frame<L>,
    a1: Frame<L>,
    a2: Frame<L>,
    s1: Frame<L>,
    s2: Frame<L>,
}

impl<const L: usize> Stage<L> {
    const IDENTITY: Self = Self {
        idle: true,
        b0: [1.0; L],
        b1: [0.0; L],
        b2: [0.0; L],
        a1: [0.0; L],
        a2: [0.0; L],
        s1: [0.0; L],
        s2: [0.0; L],
    };

    #[inline(always)]
    fn process(&mut self, x: Frame<L>) -> Frame<L> {
        let mut out = [0.0; L];
        for lane in 0..L {
            let y = self.b0[lane] * x[lane] + self.s1[lane];
            // What waits for `y` comes last.
            self.s1[lane] = (self.b1[lane] * x[lane] + self.s2[lane]) - self.a1[lane] * y;
            self.s2[lane] = self.b2[lane] * x[lane] - self.a2[lane] * y;
            out[lane] = y;
        }
        out
    }

    fn flush(&mut self) {
        for state in self.s1.iter_mut().chain(&mut self.s2) {
            if state.abs() < FLUSH_BELOW {
                *state = 0.0;
            }
        }
    }
}

/// A fixed number of sections in series for each of `L` signals. A slot without a section
/// passes its signal on unchanged.
///
/// # Real-time
/// Running allocates nothing. Four lanes of four sections each take 14 ns a frame with 256-bit
/// vectors, eight take 15 with 512-bit ones; the same sections one after another take 12 a
/// lane.
#[derive(Debug, Clone)]
pub struct Bank<const L: usize> {
    stages: Vec<Stage<L>>,
}

impl<const L: usize> Bank<L> {
    /// From each lane's slots, of at most `L` lanes. All lanes should come with the same slots
    /// in the same order, so that a turned filter finds its own state again.
    ///
    /// # Panics
    /// When there are more lanes.
    #[must_use]
    pub fn new(lanes: &[Vec<Option<Biquad>>]) -> Self {
        assert!(lanes.len() <= L, "a lane for each signal");
        let slots = lanes.iter().map(Vec::len).max().unwrap_or(0);
        let mut stages = vec![Stage::IDENTITY; slots];
        for (lane, sections) in lanes.iter().enumerate() {
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
    pub fn inherit(&mut self, other: &Self) {
        for (stage, old) in self.stages.iter_mut().zip(&other.stages) {
            if !stage.idle {
                stage.s1 = old.s1;
                stage.s2 = old.s2;
            }
        }
    }

    /// Forgets everything that was fed.
    pub fn reset(&mut self) {
        for stage in &mut self.stages {
            (stage.s1, stage.s2) = ([0.0; L], [0.0; L]);
        }
    }

    /// Filters in place.
    pub fn run(&mut self, frames: &mut [Frame<L>]) {
        for stages in self.stages.chunk_by_mut(|a, b| a.idle == b.idle).filter(|stages| !stages[0].idle) {
            widest(Run { stages, frames: &mut *frames });
        }
    }

    /// Filters one signal in every lane and adds to `energy` the sum of the squares of each
    /// lane's result.
    pub fn add_energy(&mut self, samples: &[f64], energy: &mut Frame<L>) {
        widest(Energy { stages: &mut self.stages, samples, energy });
    }

    /// One lane's response; `z1` is `e^(−jω)`.
    #[must_use]
    pub fn response(&self, lane: usize, z1: Complex64) -> Complex64 {
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

/// Frames through sections, some sections at a time.
struct Run<'a, const L: usize> {
    stages: &'a mut [Stage<L>],
    frames: &'a mut [Frame<L>],
}

impl<const L: usize> Kernel for Run<'_, L> {
    type Output = ();

    #[inline(always)]
    fn run(self) {
        let (groups, rest) = self.stages.as_chunks_mut::<AT_ONCE>();
        for group in groups {
            through(group, self.frames);
        }
        for stage in rest {
            through(std::array::from_mut(stage), self.frames);
        }
    }
}

#[inline(always)]
fn through<const L: usize, const S: usize>(stages: &mut [Stage<L>; S], frames: &mut [Frame<L>]) {
    let mut running = *stages;
    for frame in frames {
        for stage in &mut running {
            *frame = stage.process(*frame);
        }
    }
    running.iter_mut().for_each(Stage::flush);
    *stages = running;
}

/// One signal through the sections of all lanes, and what passes.
struct Energy<'a, const L: usize> {
    stages: &'a mut [Stage<L>],
    samples: &'a [f64],
    energy: &'a mut Frame<L>,
}

impl<const L: usize> Kernel for Energy<'_, L> {
    type Output = ();

    #[inline(always)]
    fn run(self) {
        // What most banks have, in registers.
        if let Ok(stages) = <&mut [Stage<L>; AT_ONCE]>::try_from(&mut *self.stages) {
            let mut running = *stages;
            *self.energy = passed(&mut running, self.samples, *self.energy);
            running.iter_mut().for_each(Stage::flush);
            *stages = running;
        } else {
            *self.energy = passed(self.stages, self.samples, *self.energy);
            self.stages.iter_mut().for_each(Stage::flush);
        }
    }
}

#[inline(always)]
fn passed<const L: usize>(stages: &mut [Stage<L>], samples: &[f64], mut energy: Frame<L>) -> Frame<L> {
    for sample in samples {
        let mut frame = [*sample; L];
        for stage in &mut *stages {
            frame = stage.process(frame);
        }
        for lane in 0..L {
            energy[lane] += frame[lane] * frame[lane];
        }
    }
    energy
}

#[cfg(test)]
mod tests {
    use testkit::{all_near, near};

    use super::*;
    use crate::biquad::Cascade;

    fn section(lane: usize, slot: usize) -> Biquad {
        Biquad::peak(48_000.0, 100.0 * (lane + 1) as f64, 6.0 - slot as f64, 2.0).unwrap()
    }

    /// Source: the sections one after another, themselves checked against scipy.
    fn lanes_run_as_cascades<const L: usize>(slots: usize) {
        let lanes: Vec<Vec<Option<Biquad>>> = (0..L)
            .map(|lane| (0..slots).map(|slot| (slot != 2).then(|| section(lane, slot))).collect())
            .collect();
        let mut bank = Bank::<L>::new(&lanes);
        let input: Vec<f64> = (0..300).map(|n| f64::from(n % 7) - 3.0).collect();
        let mut frames: Vec<Frame<L>> = input.iter().map(|x| [*x; L]).collect();
        bank.run(&mut frames[..123]);
        bank.run(&mut frames[123..]);
        let mut energy = [1.0; L];
        let mut again = Bank::<L>::new(&lanes);
        again.add_energy(&input[..123], &mut energy);
        again.add_energy(&input[123..], &mut energy);
        for lane in 0..L {
            let mut alone = Cascade::new(lanes[lane].iter().flatten().cloned().collect());
            let wanted: Vec<f64> = input.iter().map(|&x| alone.process(x)).collect();
            let got: Vec<f64> = frames.iter().map(|frame| frame[lane]).collect();
            all_near("lane", &got, &wanted, 1e-11);
            let sum: f64 = wanted.iter().map(|y| y * y).sum();
            near("energy", energy[lane], 1.0 + sum, 1e-11 * sum);
            let z1 = Complex64::from_polar(1.0, -0.1);
            let hz = 0.1 * 48_000.0 / std::f64::consts::TAU;
            near("response", (bank.response(lane, z1) - alone.response(hz)).norm(), 0.0, 1e-12);
        }
    }

    #[test]
    fn every_lane_runs_like_a_cascade_alone() {
        for slots in [0, 1, 2, 4, 5, 9] {
            lanes_run_as_cascades::<1>(slots);
            lanes_run_as_cascades::<2>(slots);
            lanes_run_as_cascades::<4>(slots);
            lanes_run_as_cascades::<8>(slots);
        }
    }

    #[test]
    fn a_bank_goes_on_from_anothers_state_or_from_none() {
        let lanes = vec![vec![Some(section(0, 0)), None, Some(section(3, 1))]; 2];
        let (mut one, mut other) = (Bank::<2>::new(&lanes), Bank::<2>::new(&lanes));
        let mut frames = vec![[1.0, -1.0]; 50];
        one.run(&mut frames);
        other.inherit(&one);
        let (mut a, mut b) = (vec![[0.0; 2]; 50], vec![[0.0; 2]; 50]);
        one.run(&mut a);
        other.run(&mut b);
        assert_eq!(a, b);
        one.reset();
        let mut silence = vec![[0.0; 2]; 10];
        one.run(&mut silence);
        assert_eq!(silence, vec![[0.0; 2]; 10]);
    }
}
