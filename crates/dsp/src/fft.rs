//! Fourier transforms, on `realfft` and `rustfft`.

use std::cell::RefCell;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::thread::LocalKey;

pub use num_complex::{Complex, Complex32, Complex64};
use realfft::{ComplexToReal, FftNum, RealFftPlanner, RealToComplex};
use rustfft::{Fft, FftPlanner};

/// What a transform computes in: `f64`, or `f32` where what was recorded is only looked for
/// (its rounding lies 135 dB below the loudest).
pub trait Precision: FftNum + Default {
    #[doc(hidden)]
    fn plans() -> MutexGuard<'static, Plans<Self>>;
    #[doc(hidden)]
    fn space() -> &'static LocalKey<Space<Self>>;
}

/// The working space that the last transform of a thread has left: fresh memory costs a fifth of
/// an analysis that makes a transform here and there.
pub type Space<T> = RefCell<Vec<Complex<T>>>;

/// The most values that are left so, 16 MB of double precision.
const MOST_LEFT: usize = 1 << 20;

impl Precision for f64 {
    fn plans() -> MutexGuard<'static, Plans<Self>> {
        static PLANS: Mutex<Plans<f64>> = Mutex::new(Plans::none());
        PLANS.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn space() -> &'static LocalKey<Space<Self>> {
        thread_local! {
            static SPACE: Space<f64> = const { RefCell::new(Vec::new()) };
        }
        &SPACE
    }
}

impl Precision for f32 {
    fn plans() -> MutexGuard<'static, Plans<Self>> {
        static PLANS: Mutex<Plans<f32>> = Mutex::new(Plans::none());
        PLANS.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn space() -> &'static LocalKey<Space<Self>> {
        thread_local! {
            static SPACE: Space<f32> = const { RefCell::new(Vec::new()) };
        }
        &SPACE
    }
}

/// The plans that a process keeps: to plan costs five times what a transform does.
pub struct Plans<T: FftNum> {
    forward: Kept<dyn RealToComplex<T>>,
    inverse: Kept<dyn ComplexToReal<T>>,
    complex: Kept<dyn Fft<T>>,
}

impl<T: FftNum> Plans<T> {
    const fn none() -> Self {
        Self { forward: Kept(Vec::new()), inverse: Kept(Vec::new()), complex: Kept(Vec::new()) }
    }

    fn forward(&mut self, n: usize) -> Arc<dyn RealToComplex<T>> {
        self.forward.of(n, || RealFftPlanner::new().plan_fft_forward(n))
    }

    fn inverse(&mut self, n: usize) -> Arc<dyn ComplexToReal<T>> {
        self.inverse.of(n, || RealFftPlanner::new().plan_fft_inverse(n))
    }

    fn complex(&mut self, n: usize) -> Arc<dyn Fft<T>> {
        self.complex.of(n, || FftPlanner::new().plan_fft_inverse(n))
    }
}

/// Plans of one kind by their lengths, the last used last.
struct Kept<P: ?Sized>(Vec<(usize, Arc<P>)>);

impl<P: ?Sized> Kept<P> {
    /// How many samples the plans that are kept may transform in all: a plan holds some 12
    /// bytes a sample.
    const SAMPLES: usize = 1 << 22;

    fn of(&mut self, n: usize, plan: impl FnOnce() -> Arc<P>) -> Arc<P> {
        let found = self.0.iter().position(|(length, _)| *length == n);
        let used = found.map_or_else(|| (n, plan()), |index| self.0.remove(index));
        let plan = Arc::clone(&used.1);
        self.0.push(used);
        while self.0.len() > 1 && self.0.iter().map(|(length, _)| length).sum::<usize>() > Self::SAMPLES {
            self.0.remove(0);
        }
        plan
    }
}

/// Real transforms of one length.
///
/// Forward: `X[k] = Σ x[i]·e^(−j2πki/n)` for `k = 0 ..= n/2`, not scaled.
/// Inverse: scaled by `1/n`, so that inverse after forward is the identity.
///
/// # Real-time
/// The first transform in each direction plans it, if the process has not planned that length
/// before, and allocates; those after it do neither. O(n log n): 1.1 ms for 2^18 samples of
/// double precision, 0.6 ms of single.
pub struct RealFft<T: Precision = f64> {
    n: usize,
    forward: Option<Arc<dyn RealToComplex<T>>>,
    inverse: Option<Arc<dyn ComplexToReal<T>>>,
    scratch: Vec<Complex<T>>,
}

impl<T: Precision> RealFft<T> {
    /// Transforms of `n` samples.
    ///
    /// # Panics
    /// When `n` is zero.
    #[must_use]
    pub fn new(n: usize) -> Self {
        assert!(n > 0, "a transform needs at least one sample");
        Self { n, forward: None, inverse: None, scratch: Vec::new() }
    }

    /// How many samples one transform takes.
    #[must_use]
    pub fn len(&self) -> usize {
        self.n
    }

    /// Never: a transform has at least one sample.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        false
    }

    /// How many bins one transform gives: `n/2 + 1`.
    #[must_use]
    pub fn bins(&self) -> usize {
        self.n / 2 + 1
    }

    /// Samples to spectrum. The samples are used as working space and hold
    /// nothing meaningful afterwards.
    ///
    /// # Panics
    /// When a slice is not as long as [`RealFft::len`] and [`RealFft::bins`] say.
    pub fn forward(&mut self, samples: &mut [T], spectrum: &mut [Complex<T>]) {
        let plan = self.forward.get_or_insert_with(|| T::plans().forward(self.n));
        let scratch = working(&mut self.scratch, plan.get_scratch_len());
        plan.process_with_scratch(samples, spectrum, scratch)
            .expect("the lengths are those that were planned");
    }

    /// Spectrum to samples, scaled by `1/n`. The spectrum is used as working
    /// space. Imaginary parts at DC and, for an even `n`, at Nyquist are ignored:
    /// no real signal has them.
    ///
    /// # Panics
    /// When a slice is not as long as [`RealFft::bins`] and [`RealFft::len`] say.
    pub fn inverse(&mut self, spectrum: &mut [Complex<T>], samples: &mut [T]) {
        if let Some(first) = spectrum.first_mut() {
            first.im = T::zero();
        }
        if self.n.is_multiple_of(2)
            && let Some(last) = spectrum.last_mut()
        {
            last.im = T::zero();
        }
        let plan = self.inverse.get_or_insert_with(|| T::plans().inverse(self.n));
        let scratch = working(&mut self.scratch, plan.get_scratch_len());
        plan.process_with_scratch(spectrum, samples, scratch)
            .expect("the lengths are those that were planned");
        let scale = T::one() / T::from_usize(self.n).unwrap_or_else(T::one);
        for sample in samples {
            *sample = *sample * scale;
        }
    }
}

/// Leaves its working space to the next one.
impl<T: Precision> Drop for RealFft<T> {
    fn drop(&mut self) {
        let space = std::mem::take(&mut self.scratch);
        if space.len() <= MOST_LEFT {
            // A thread that is ending has none any more.
            let _ = T::space().try_with(|left| {
                if let Ok(mut left) = left.try_borrow_mut()
                    && left.len() < space.len()
                {
                    *left = space;
                }
            });
        }
    }
}

/// The inverse complex transform of one length: `x[i] = Σ X[k]·e^(j2πki/n)`, not scaled.
///
/// # Real-time
/// [`InverseFft::new`] plans it, if the process has not planned that length before, and the first transform makes its
/// working space; those after it allocate nothing.
pub struct InverseFft<T: Precision> {
    plan: Arc<dyn Fft<T>>,
    scratch: Vec<Complex<T>>,
}

impl<T: Precision> InverseFft<T> {
    /// Transforms of `n` values.
    #[must_use]
    pub fn new(n: usize) -> Self {
        Self { plan: T::plans().complex(n), scratch: Vec::new() }
    }

    /// How many values one transform takes.
    #[must_use]
    pub fn len(&self) -> usize {
        self.plan.len()
    }

    /// Whether it takes none.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.plan.len() == 0
    }

    /// Transforms in place.
    ///
    /// # Panics
    /// When there are not [`InverseFft::len`] values.
    pub fn process(&mut self, values: &mut [Complex<T>]) {
        let mut scratch = std::mem::take(&mut self.scratch);
        self.process_in(values, &mut scratch);
        self.scratch = scratch;
    }

    /// The same in a working space that several share; it grows to what is needed.
    ///
    /// # Panics
    /// As [`InverseFft::process`].
    pub fn process_in(&self, values: &mut [Complex<T>], scratch: &mut Vec<Complex<T>>) {
        assert_eq!(values.len(), self.plan.len(), "the length is the one that was planned");
        let count = self.plan.get_inplace_scratch_len();
        if scratch.len() < count {
            scratch.resize(count, Complex::default());
        }
        self.plan.process_with_scratch(values, &mut scratch[..count]);
    }
}

/// The first `count` places of a working space, which grows to that, or is the one that was left.
fn working<T: Precision>(scratch: &mut Vec<Complex<T>>, count: usize) -> &mut [Complex<T>] {
    if scratch.len() < count
        && let Ok(left) =
            T::space().try_with(|left| left.try_borrow_mut().map(|mut left| std::mem::take(&mut *left)))
        && let Ok(left) = left
        && left.len() > scratch.len()
    {
        *scratch = left;
    }
    if scratch.len() < count {
        scratch.resize(count, Complex::default());
    }
    &mut scratch[..count]
}

/// The spectrum of samples, padded with zeros or cut to `n`; `n/2 + 1` bins.
#[must_use]
pub fn rfft(samples: &[f64], n: usize) -> Vec<Complex64> {
    let mut fft = RealFft::new(n);
    let mut padded = Vec::with_capacity(n);
    padded.extend_from_slice(&samples[..samples.len().min(n)]);
    padded.resize(n, 0.0);
    let mut spectrum = vec![Complex64::default(); fft.bins()];
    fft.forward(&mut padded, &mut spectrum);
    spectrum
}

/// The `n` samples of a spectrum of `n/2 + 1` bins, which is used as working space.
///
/// # Panics
/// When the spectrum has another number of bins.
#[must_use]
pub fn irfft(mut spectrum: Vec<Complex64>, n: usize) -> Vec<f64> {
    let mut samples = vec![0.0; n];
    RealFft::new(n).inverse(&mut spectrum, &mut samples);
    samples
}

/// The next length at or above `n` that transforms fast: `2^a·3^b` with `b ≤ 2`.
#[must_use]
pub fn fast_len(n: usize) -> usize {
    let n = n.max(2);
    [1usize, 3, 9]
        .into_iter()
        .map(|odd| odd * n.div_ceil(odd).next_power_of_two())
        .filter(|length| length.is_multiple_of(2))
        .min()
        .unwrap_or_else(|| n.next_power_of_two())
}

#[cfg(test)]
mod tests {
    use std::f64::consts::PI;

    use testkit::{all_near, near};

    use super::*;

    /// Source: the definition of the discrete Fourier transform, summed directly.
    #[test]
    fn agrees_with_the_direct_sum_for_even_and_odd_lengths() {
        for n in [1usize, 2, 7, 16, 30] {
            let x: Vec<f64> = (0..n).map(|i| ((i * i * 7 + 3) % 11) as f64 - 5.0).collect();
            let fast = rfft(&x, n);
            assert_eq!(fast.len(), n / 2 + 1);
            for (k, bin) in fast.iter().enumerate() {
                let direct: Complex64 = x
                    .iter()
                    .enumerate()
                    .map(|(i, v)| Complex64::from_polar(*v, -2.0 * PI * (k * i) as f64 / n as f64))
                    .sum();
                near("real", bin.re, direct.re, 1e-12 * n as f64 * 10.0);
                near("imaginary", bin.im, direct.im, 1e-12 * n as f64 * 10.0);
            }
            all_near("round trip", &irfft(fast, n), &x, 1e-12);
        }
    }

    #[test]
    fn inverse_ignores_what_no_real_signal_has() {
        let with = [Complex64::new(1.0, 5.0), Complex64::new(0.5, 0.25), Complex64::new(2.0, -3.0)];
        let without = [Complex64::new(1.0, 0.0), Complex64::new(0.5, 0.25), Complex64::new(2.0, 0.0)];
        all_near("samples", &irfft(with.to_vec(), 4), &irfft(without.to_vec(), 4), 0.0);
    }

    #[test]
    fn fast_lengths_are_near_and_even() {
        for n in [1, 2, 5, 100, 1000, 4097, 500_000] {
            let fast = fast_len(n);
            assert!(
                fast >= n && fast.is_multiple_of(2) && fast <= (n * 4).div_ceil(3).max(4),
                "{n} -> {fast}"
            );
        }
    }
}
