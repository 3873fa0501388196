//! Kernels compiled for wider vectors than every processor has, chosen while running.

/// What computes in lanes.
pub(crate) trait Kernel {
    /// What it gives.
    type Output;

    /// Computes. It must be `#[inline(always)]`, and so must be what it calls: only then is it
    /// compiled anew for each kind of processor.
    fn run(self) -> Self::Output;
}

/// Whether the processor has vectors of 512 bits.
pub(crate) fn has_512_bits() -> bool {
    #[cfg(target_arch = "x86_64")]
    let has = is_x86_feature_detected!("avx512f") && is_x86_feature_detected!("avx512vl");
    #[cfg(not(target_arch = "x86_64"))]
    let has = false;
    has
}

/// Runs a kernel with the widest vectors that the processor has. The same numbers come out
/// with any: nothing is contracted or reordered.
pub(crate) fn widest<K: Kernel>(kernel: K) -> K::Output {
    #[cfg(target_arch = "x86_64")]
    {
        if has_512_bits() {
            #[expect(unsafe_code, reason = "the processor was asked in the line above")]
            // SAFETY: the function needs what the processor has just been found to have.
            return unsafe { with_avx512(kernel) };
        }
        if is_x86_feature_detected!("avx2") {
            #[expect(unsafe_code, reason = "the processor was asked in the line above")]
            // SAFETY: the function needs what the processor has just been found to have.
            return unsafe { with_avx2(kernel) };
        }
    }
    kernel.run()
}

#[cfg(target_arch = "x86_64")]
#[target_feature(enable = "avx512f,avx512vl")]
fn with_avx512<K: Kernel>(kernel: K) -> K::Output {
    kernel.run()
}

#[cfg(target_arch = "x86_64")]
#[target_feature(enable = "avx2")]
fn with_avx2<K: Kernel>(kernel: K) -> K::Output {
    kernel.run()
}
