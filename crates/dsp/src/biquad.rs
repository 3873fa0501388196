//! Second-order sections with the cookbook's designs, alone and in a cascade.

use std::f64::consts::PI;
use std::fmt;

use ::biquad::{Biquad as _, Coefficients, DirectForm2Transposed, Type};
use num_complex::Complex64;

/// The quality factor of a second-order Butterworth filter, `1/√2`.
pub const Q_BUTTERWORTH: f64 = std::f64::consts::FRAC_1_SQRT_2;

/// State values below this are set to zero: 3,000 dB under full scale, and far
/// above the subnormal numbers (2.2e-308) that make arithmetic slow.
const FLUSH_BELOW: f64 = 1e-150;

/// Why a filter cannot be designed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum DesignError {
    /// The sample rate is not a positive number.
    SampleRate(f64),
    /// The frequency does not lie between zero and half the sample rate.
    Frequency {
        /// What was asked for.
        frequency_hz: f64,
        /// At which sample rate.
        sample_rate_hz: f64,
    },
    /// The quality factor is not a positive number.
    Q(f64),
    /// The gain is not a number.
    Gain(f64),
    /// There is no filter of this kind with this order.
    Order {
        /// What was asked for.
        order: usize,
        /// What there is.
        expected: &'static str,
    },
}

impl fmt::Display for DesignError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::SampleRate(rate) => write!(f, "a sample rate of {rate} Hz; expected a positive number"),
            Self::Frequency { frequency_hz, sample_rate_hz } => write!(
                f,
                "a filter at {frequency_hz} Hz; at a sample rate of {sample_rate_hz} Hz it must lie between 0 and {} Hz",
                sample_rate_hz / 2.0
            ),
            Self::Q(q) => write!(f, "a Q of {q}; expected a positive number"),
            Self::Gain(gain_db) => write!(f, "a gain of {gain_db} dB; expected a number"),
            Self::Order { order, expected } => write!(f, "a filter of order {order}; expected {expected}"),
        }
    }
}

impl std::error::Error for DesignError {}

/// A second-order section that runs in `f64` as a transposed direct form II.
///
/// `H(z) = (b0 + b1·z⁻¹ + b2·z⁻²) / (1 + a1·z⁻¹ + a2·z⁻²)`
///
/// The second-order designs are those of the *Audio EQ Cookbook*; with
/// `w0 = 2π·f0/fs`, `alpha = sin(w0)/(2·Q)` and, for peak and shelves,
/// `A = 10^(gain_db/40)`. The `Q` is the cookbook's own: a peak's bandwidth is
/// taken between the points of half its gain in dB, and a shelf of
/// `Q = 1/√2` is the steepest without overshoot.
///
/// References: R. Bristow-Johnson, *Audio EQ Cookbook*, W3C Group Note, 8 June
/// 2021; the section itself is the `biquad` crate's.
///
/// Valid range: `0 < f0 < fs/2`, `Q > 0`; anything else is a [`DesignError`].
/// Accuracy: coefficients within 1e-9 of an independent computation, see
/// `tests/audio_eq_cookbook.rs`.
///
/// # Real-time
/// Running allocates nothing and costs 3–4 ns a sample; state that decays is
/// set to zero before it becomes subnormal.
#[derive(Debug, Clone)]
pub struct Biquad {
    sample_rate_hz: f64,
    coefficients: Coefficients<f64>,
    section: DirectForm2Transposed<f64>,
}

impl Biquad {
    /// A section from its coefficients: `b = [b0, b1, b2]` over
    /// `1, a = [a1, a2]`, already divided by `a0`.
    ///
    /// The coefficients are taken as they are; whether the section is stable is
    /// the caller's part.
    #[must_use]
    pub fn from_coefficients(sample_rate_hz: f64, b: [f64; 3], a: [f64; 2]) -> Self {
        Self::new(sample_rate_hz, Coefficients { b0: b[0], b1: b[1], b2: b[2], a1: a[0], a2: a[1] })
    }

    fn new(sample_rate_hz: f64, coefficients: Coefficients<f64>) -> Self {
        Self { sample_rate_hz, coefficients, section: DirectForm2Transposed::new(coefficients) }
    }

    fn designed(
        kind: Type<f64>,
        sample_rate_hz: f64,
        frequency_hz: f64,
        q: f64,
    ) -> Result<Self, DesignError> {
        check(sample_rate_hz, frequency_hz)?;
        if !(q.is_finite() && q > 0.0) {
            return Err(DesignError::Q(q));
        }
        if let Type::PeakingEQ(gain_db) | Type::LowShelf(gain_db) | Type::HighShelf(gain_db) = kind
            && !gain_db.is_finite()
        {
            return Err(DesignError::Gain(gain_db));
        }
        Coefficients::from_normalized_params(kind, frequency_hz / (sample_rate_hz / 2.0), q)
            .map(|coefficients| Self::new(sample_rate_hz, coefficients))
            .map_err(|_| DesignError::Frequency { frequency_hz, sample_rate_hz })
    }

    /// A section that changes nothing but the level.
    #[must_use]
    pub fn gain(sample_rate_hz: f64, ratio: f64) -> Self {
        Self::from_coefficients(sample_rate_hz, [ratio, 0.0, 0.0], [0.0, 0.0])
    }

    /// A peak (or, with a negative gain, a dip).
    ///
    /// # Errors
    /// When frequency, gain or Q lie outside their range.
    pub fn peak(sample_rate_hz: f64, frequency_hz: f64, gain_db: f64, q: f64) -> Result<Self, DesignError> {
        Self::designed(Type::PeakingEQ(gain_db), sample_rate_hz, frequency_hz, q)
    }

    /// A low shelf; half of its gain (in dB) is reached at `frequency_hz`.
    ///
    /// # Errors
    /// When frequency, gain or Q lie outside their range.
    pub fn low_shelf(
        sample_rate_hz: f64,
        frequency_hz: f64,
        gain_db: f64,
        q: f64,
    ) -> Result<Self, DesignError> {
        Self::designed(Type::LowShelf(gain_db), sample_rate_hz, frequency_hz, q)
    }

    /// A high shelf; half of its gain (in dB) is reached at `frequency_hz`.
    ///
    /// # Errors
    /// When frequency, gain or Q lie outside their range.
    pub fn high_shelf(
        sample_rate_hz: f64,
        frequency_hz: f64,
        gain_db: f64,
        q: f64,
    ) -> Result<Self, DesignError> {
        Self::designed(Type::HighShelf(gain_db), sample_rate_hz, frequency_hz, q)
    }

    /// A second-order low-pass.
    ///
    /// # Errors
    /// When frequency or Q lie outside their range.
    pub fn low_pass(sample_rate_hz: f64, frequency_hz: f64, q: f64) -> Result<Self, DesignError> {
        Self::designed(Type::LowPass, sample_rate_hz, frequency_hz, q)
    }

    /// A second-order high-pass.
    ///
    /// # Errors
    /// When frequency or Q lie outside their range.
    pub fn high_pass(sample_rate_hz: f64, frequency_hz: f64, q: f64) -> Result<Self, DesignError> {
        Self::designed(Type::HighPass, sample_rate_hz, frequency_hz, q)
    }

    /// A band-pass with a gain of one at its centre.
    ///
    /// # Errors
    /// When frequency or Q lie outside their range.
    pub fn band_pass(sample_rate_hz: f64, frequency_hz: f64, q: f64) -> Result<Self, DesignError> {
        // The crate's band-pass is the cookbook's other form, whose gain at the
        // centre is Q; the one with a gain of one differs by that factor.
        let mut section = Self::designed(Type::BandPass, sample_rate_hz, frequency_hz, q)?;
        let c = &mut section.coefficients;
        c.b0 /= q;
        c.b2 /= q;
        Ok(Self::new(sample_rate_hz, section.coefficients))
    }

    /// A notch.
    ///
    /// # Errors
    /// When frequency or Q lie outside their range.
    pub fn notch(sample_rate_hz: f64, frequency_hz: f64, q: f64) -> Result<Self, DesignError> {
        Self::designed(Type::Notch, sample_rate_hz, frequency_hz, q)
    }

    /// A second-order all-pass: −180° at `frequency_hz`.
    ///
    /// # Errors
    /// When frequency or Q lie outside their range.
    pub fn all_pass(sample_rate_hz: f64, frequency_hz: f64, q: f64) -> Result<Self, DesignError> {
        Self::designed(Type::AllPass, sample_rate_hz, frequency_hz, q)
    }

    /// A first-order low-pass, −3.01 dB at `frequency_hz`: the bilinear
    /// transform of `1/(1 + s)`, corner prewarped.
    ///
    /// # Errors
    /// When the frequency lies outside its range.
    pub fn low_pass_first_order(sample_rate_hz: f64, frequency_hz: f64) -> Result<Self, DesignError> {
        check(sample_rate_hz, frequency_hz)?;
        let k = (PI * frequency_hz / sample_rate_hz).tan();
        let b = k / (1.0 + k);
        Ok(Self::from_coefficients(sample_rate_hz, [b, b, 0.0], [(k - 1.0) / (k + 1.0), 0.0]))
    }

    /// A first-order high-pass, −3.01 dB at `frequency_hz`: the bilinear
    /// transform of `s/(1 + s)`, corner prewarped.
    ///
    /// # Errors
    /// When the frequency lies outside its range.
    pub fn high_pass_first_order(sample_rate_hz: f64, frequency_hz: f64) -> Result<Self, DesignError> {
        check(sample_rate_hz, frequency_hz)?;
        let k = (PI * frequency_hz / sample_rate_hz).tan();
        let b = 1.0 / (1.0 + k);
        Ok(Self::from_coefficients(sample_rate_hz, [b, -b, 0.0], [(k - 1.0) / (k + 1.0), 0.0]))
    }

    /// A first-order all-pass: −90° at `frequency_hz`.
    ///
    /// # Errors
    /// When the frequency lies outside its range.
    pub fn all_pass_first_order(sample_rate_hz: f64, frequency_hz: f64) -> Result<Self, DesignError> {
        check(sample_rate_hz, frequency_hz)?;
        let k = (PI * frequency_hz / sample_rate_hz).tan();
        let a = (k - 1.0) / (k + 1.0);
        Ok(Self::from_coefficients(sample_rate_hz, [a, 1.0, 0.0], [a, 0.0]))
    }

    /// The numerator `[b0, b1, b2]`.
    #[must_use]
    pub fn b(&self) -> [f64; 3] {
        [self.coefficients.b0, self.coefficients.b1, self.coefficients.b2]
    }

    /// The denominator without its leading one, `[a1, a2]`.
    #[must_use]
    pub fn a(&self) -> [f64; 2] {
        [self.coefficients.a1, self.coefficients.a2]
    }

    /// The sample rate that it was designed for.
    #[must_use]
    pub fn sample_rate_hz(&self) -> f64 {
        self.sample_rate_hz
    }

    /// The complex response at a frequency, `H(e^(j·2π·f/fs))`.
    #[must_use]
    pub fn response(&self, frequency_hz: f64) -> Complex64 {
        let z1 = Complex64::from_polar(1.0, -2.0 * PI * frequency_hz / self.sample_rate_hz);
        let c = &self.coefficients;
        // Horner's form in z⁻¹.
        let numerator = c.b0 + z1 * (c.b1 + z1 * c.b2);
        let denominator = 1.0 + z1 * (c.a1 + z1 * c.a2);
        numerator / denominator
    }

    /// The magnitude of the response at a frequency in dB.
    #[must_use]
    pub fn magnitude_db(&self, frequency_hz: f64) -> f64 {
        10.0 * self.response(frequency_hz).norm_sqr().log10()
    }

    /// Filters one sample.
    #[inline]
    pub fn process(&mut self, sample: f64) -> f64 {
        let out = self.section.run(sample);
        self.flush();
        out
    }

    /// Filters a block in place.
    pub fn process_in_place(&mut self, block: &mut [f64]) {
        for sample in block {
            *sample = self.section.run(*sample);
        }
        self.flush();
    }

    /// Forgets everything that was fed.
    pub fn reset(&mut self) {
        self.section.reset_state();
    }

    #[inline]
    fn flush(&mut self) {
        if self.section.s1.abs() < FLUSH_BELOW {
            self.section.s1 = 0.0;
        }
        if self.section.s2.abs() < FLUSH_BELOW {
            self.section.s2 = 0.0;
        }
    }
}

/// Second-order sections one after another.
///
/// # Real-time
/// Running allocates nothing; the cost is that of its sections.
#[derive(Debug, Clone, Default)]
pub struct Cascade {
    sections: Vec<Biquad>,
}

impl Cascade {
    /// These sections in this order; none at all is a straight wire.
    #[must_use]
    pub fn new(sections: Vec<Biquad>) -> Self {
        Self { sections }
    }

    /// Adds a section at the end.
    pub fn push(&mut self, section: Biquad) {
        self.sections.push(section);
    }

    /// Adds all sections of another cascade at the end.
    pub fn append(&mut self, mut other: Self) {
        self.sections.append(&mut other.sections);
    }

    /// The sections in order.
    #[must_use]
    pub fn sections(&self) -> &[Biquad] {
        &self.sections
    }

    /// The complex response at a frequency: the product of the sections'.
    #[must_use]
    pub fn response(&self, frequency_hz: f64) -> Complex64 {
        self.sections.iter().map(|section| section.response(frequency_hz)).product()
    }

    /// The magnitude of the response at a frequency in dB.
    #[must_use]
    pub fn magnitude_db(&self, frequency_hz: f64) -> f64 {
        self.sections.iter().map(|section| section.magnitude_db(frequency_hz)).sum()
    }

    /// Filters one sample.
    #[inline]
    pub fn process(&mut self, sample: f64) -> f64 {
        self.sections.iter_mut().fold(sample, |sample, section| section.process(sample))
    }

    /// Filters a block in place.
    pub fn process_in_place(&mut self, block: &mut [f64]) {
        for sample in block {
            *sample = self.sections.iter_mut().fold(*sample, |sample, section| section.section.run(sample));
        }
        self.sections.iter_mut().for_each(Biquad::flush);
    }

    /// Forgets everything that was fed.
    pub fn reset(&mut self) {
        self.sections.iter_mut().for_each(Biquad::reset);
    }
}

impl FromIterator<Biquad> for Cascade {
    fn from_iter<I: IntoIterator<Item = Biquad>>(sections: I) -> Self {
        Self::new(sections.into_iter().collect())
    }
}

/// Checks that a corner lies between zero and half the sample rate.
pub(crate) fn check(sample_rate_hz: f64, frequency_hz: f64) -> Result<(), DesignError> {
    if !(sample_rate_hz.is_finite() && sample_rate_hz > 0.0) {
        return Err(DesignError::SampleRate(sample_rate_hz));
    }
    if !(frequency_hz > 0.0 && frequency_hz < sample_rate_hz / 2.0) {
        return Err(DesignError::Frequency { frequency_hz, sample_rate_hz });
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use testkit::{at_most, near};

    use super::*;

    /// Source: analytic; a peak has its gain at its centre, a shelf half of it.
    #[test]
    fn gains_stand_where_they_were_asked_for() {
        let peak = Biquad::peak(48_000.0, 125.0, -7.5, 3.0).unwrap();
        near("peak at its centre", peak.magnitude_db(125.0), -7.5, 1e-9);
        let shelf = Biquad::low_shelf(48_000.0, 125.0, 9.0, Q_BUTTERWORTH).unwrap();
        near("shelf at its corner", shelf.magnitude_db(125.0), 4.5, 1e-9);
        near("shelf at DC", shelf.magnitude_db(0.0), 9.0, 1e-9);
        let band = Biquad::band_pass(48_000.0, 1_000.0, 5.0).unwrap();
        near("band-pass at its centre", band.magnitude_db(1_000.0), 0.0, 1e-9);
    }

    /// Source: analytic; a first-order filter is −3.0103 dB at its corner.
    #[test]
    fn first_order_corners() {
        let low = Biquad::low_pass_first_order(44_100.0, 3_000.0).unwrap();
        let high = Biquad::high_pass_first_order(44_100.0, 3_000.0).unwrap();
        let all = Biquad::all_pass_first_order(44_100.0, 3_000.0).unwrap();
        near("low", low.magnitude_db(3_000.0), -3.010_299_956_639_812, 1e-9);
        near("high", high.magnitude_db(3_000.0), -3.010_299_956_639_812, 1e-9);
        near("all-pass magnitude", all.magnitude_db(700.0), 0.0, 1e-9);
        near("all-pass phase", all.response(3_000.0).arg().to_degrees(), -90.0, 1e-9);
    }

    /// The running section is compared with its own response: a slow truth.
    #[test]
    fn running_agrees_with_the_response() {
        let mut cascade = Cascade::new(vec![
            Biquad::peak(48_000.0, 500.0, 6.0, 1.0).unwrap(),
            Biquad::high_shelf(48_000.0, 4_000.0, -3.0, 0.7).unwrap(),
        ]);
        let mut impulse = vec![0.0; 48_000];
        impulse[0] = 1.0;
        let mut one_by_one = cascade.clone();
        let singles: Vec<f64> = impulse.iter().map(|&x| one_by_one.process(x)).collect();
        cascade.process_in_place(&mut impulse);
        // Whole blocks are flushed at their end, single samples at once: the
        // outputs may differ where both are as good as nothing.
        let apart = impulse.iter().zip(&singles).map(|(a, b)| (a - b).abs()).fold(0.0, f64::max);
        at_most("one by one against a block", apart, 1e-120);
        for frequency_hz in [50.0, 500.0, 4_000.0] {
            let sum: Complex64 = impulse
                .iter()
                .enumerate()
                .map(|(n, &x)| x * Complex64::from_polar(1.0, -2.0 * PI * frequency_hz * n as f64 / 48_000.0))
                .sum();
            near("difference", (sum - cascade.response(frequency_hz)).norm(), 0.0, 1e-9);
        }
    }

    #[test]
    fn a_decaying_tail_ends_in_zero_and_not_in_subnormals() {
        let mut section = Biquad::peak(48_000.0, 1_000.0, 12.0, 1.0).unwrap();
        section.process(1.0);
        let mut tail = vec![0.0; 48_000];
        section.process_in_place(&mut tail);
        assert!(!section.section.s1.is_subnormal() && !section.section.s2.is_subnormal());
        assert_eq!(section.process(0.0), 0.0);
    }

    #[test]
    fn what_cannot_be_designed_is_refused_with_the_range() {
        let message = Biquad::peak(48_000.0, 24_000.0, 1.0, 1.0).unwrap_err().to_string();
        assert!(message.contains("between 0 and 24000 Hz"), "{message}");
        assert_eq!(Biquad::peak(48_000.0, 100.0, 1.0, 0.0).unwrap_err(), DesignError::Q(0.0));
        for bad in [f64::NAN, f64::INFINITY] {
            assert!(Biquad::peak(48_000.0, 100.0, bad, 1.0).is_err());
            assert!(Biquad::low_pass(48_000.0, bad, 1.0).is_err());
            assert!(Biquad::low_pass(48_000.0, 100.0, bad).is_err());
            assert!(Biquad::low_pass(bad, 100.0, 1.0).is_err());
        }
    }
}
