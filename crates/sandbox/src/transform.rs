//! The one piece of arithmetic that the host does for a plugin: a real Fourier
//! transform, which native code makes about twice as fast.

use std::sync::Arc;

use realfft::num_complex::Complex64;
use realfft::{RealFftPlanner, RealToComplex};

use crate::abi::MOST_TRANSFORM;

/// How many plans are kept. A plugin that asks for ever new lengths gets ever new
/// plans within its own time, and no more memory than this.
const MOST_PLANS: usize = 4;

/// Plans and buffers of one plugin.
#[derive(Default)]
pub(crate) struct Transforms {
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

    /// X\[k\] = Σ x\[i\]·exp(−2πj·i·k/n) for k = 0 … n/2, without scaling.
    ///
    /// `input` holds n numbers of eight bytes, little-endian; the answer is written
    /// by `write`, real part and imaginary part in turn.
    pub(crate) fn forward(&mut self, input: &[u8], length: usize, write: impl FnOnce(&[Complex64])) {
        let plan = self.plan(length);
        for (number, bytes) in plan.input.iter_mut().zip(input.chunks_exact(8)) {
            *number = bytes.try_into().map_or(0.0, f64::from_le_bytes);
        }
        // The lengths fit by construction, which is all that can be refused.
        if plan.forward.process_with_scratch(&mut plan.input, &mut plan.spectrum, &mut plan.scratch).is_ok() {
            write(&plan.spectrum);
        }
    }

    fn plan(&mut self, length: usize) -> &mut Plan {
        let place = self.plans.iter().position(|plan| plan.input.len() == length).unwrap_or_else(|| {
            if self.plans.len() >= MOST_PLANS {
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
}
