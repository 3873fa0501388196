//! The one piece of arithmetic that the host does for a plugin: a real Fourier
//! transform, which native code makes about twice as fast.

use std::sync::Arc;

use realfft::num_complex::Complex64;
use realfft::{RealFftPlanner, RealToComplex};

use crate::abi::{MOST_PLAN_BYTES, MOST_TRANSFORM};

/// How many plans are kept. A plugin that asks for ever new lengths gets ever new
/// plans within its own time, and no more memory than [`MOST_PLAN_BYTES`].
const MOST_PLANS: usize = 4;

/// Plans and buffers of one plugin.
#[derive(Default)]
pub(crate) struct Transforms {
    /// The one that was made last stands last.
    plans: Vec<Plan>,
}

struct Plan {
    forward: Arc<dyn RealToComplex<f64>>,
    input: Vec<f64>,
    spectrum: Vec<Complex64>,
    scratch: Vec<Complex64>,
}

impl Transforms {
    /// Whether a transform of this length is offered.
    pub(crate) fn offers(length: usize) -> bool {
        (2..=MOST_TRANSFORM).contains(&length)
    }

    /// Whether its plan has room in the memory for plans. A long length with a large prime
    /// factor has not.
    pub(crate) fn fits(length: usize) -> bool {
        plan_bytes(length) <= MOST_PLAN_BYTES
    }

    /// X\[k\] = Σ x\[i\]·exp(−2πj·i·k/n) for k = 0 … n/2, without scaling.
    ///
    /// `input` holds n numbers of eight bytes, little-endian.
    pub(crate) fn forward(&mut self, input: &[u8], length: usize) -> &[Complex64] {
        let plan = self.plan(length);
        for (number, bytes) in plan.input.iter_mut().zip(input.chunks_exact(8)) {
            *number = bytes.try_into().map_or(0.0, f64::from_le_bytes);
        }
        match plan.forward.process_with_scratch(&mut plan.input, &mut plan.spectrum, &mut plan.scratch) {
            Ok(()) => &plan.spectrum,
            // The lengths fit by construction, which is all that can be refused.
            Err(_) => &[],
        }
    }

    fn plan(&mut self, length: usize) -> &mut Plan {
        let place = self.plans.iter().position(|plan| plan.input.len() == length).unwrap_or_else(|| {
            // Room is made before the new plan is, so that the most is never passed.
            while self.plans.len() >= MOST_PLANS || self.bytes() + plan_bytes(length) > MOST_PLAN_BYTES {
                if self.plans.is_empty() {
                    break;
                }
                self.plans.remove(0);
            }
            let forward = RealFftPlanner::new().plan_fft_forward(length);
            self.plans.push(Plan {
                input: forward.make_input_vec(),
                spectrum: forward.make_output_vec(),
                scratch: forward.make_scratch_vec(),
                forward,
            });
            self.plans.len() - 1
        });
        &mut self.plans[place]
    }

    fn bytes(&self) -> usize {
        self.plans.iter().map(|plan| plan_bytes(plan.input.len())).sum()
    }
}

/// What a plan takes at the most: input and spectrum (8 bytes a sample each), scratch,
/// twiddle factors. An even length needs a complex transform of half of it, an odd one of
/// all of it; one with a large prime factor is made by way of a power of two that is up to
/// four times as long.
fn plan_bytes(length: usize) -> usize {
    let bytes_per_sample = match (length.is_multiple_of(2), is_smooth(length)) {
        (true, true) => 56,
        (false, true) => 96,
        (true, false) => 180,
        (false, false) => 360,
    };
    length * bytes_per_sample
}

/// Whether no prime factor is above 7.
fn is_smooth(mut length: usize) -> bool {
    for factor in [2, 3, 5, 7] {
        while length.is_multiple_of(factor) {
            length /= factor;
        }
    }
    length == 1
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn usual_lengths_fit_and_a_long_prime_does_not() {
        for fits in
            [2, 4_801, 44_100, 48_000, 65_537, 131_071, 1 << 20, 1_000_000, 960_000, 3 * 7_usize.pow(6)]
        {
            assert!(Transforms::offers(fits) && Transforms::fits(fits), "{fits}");
        }
        for long in [1_048_573, 2 * 524_287] {
            assert!(Transforms::offers(long) && !Transforms::fits(long), "{long}");
        }
        assert!(![0, 1, (1 << 20) + 1, usize::MAX].into_iter().any(Transforms::offers));
    }

    #[test]
    fn the_plans_of_many_lengths_stay_within_their_memory() {
        let mut transforms = Transforms::default();
        for length in
            [1 << 20, 1_000_000, 960_000, 840_000, 131_071, 65_536, 65_537, 4_096, 4_095, 2, 1 << 20]
        {
            transforms.forward(&vec![0; 8 * length], length);
            assert!(transforms.bytes() <= MOST_PLAN_BYTES && !transforms.plans.is_empty());
            let held: usize = transforms
                .plans
                .iter()
                .map(|p| 8 * p.input.len() + 16 * (p.spectrum.len() + p.scratch.len()))
                .sum();
            assert!(held <= transforms.bytes(), "{length}: {held}");
        }
    }
}
