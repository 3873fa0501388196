//! Equalizer bands: what one is, the filter that it is, and what several do together.
//!
//! The one vocabulary of bands in the workspace: tuning, the simulated car and the job
//! speak of these.

pub mod curve;
mod kind;

use serde::{Deserialize, Serialize};

use crate::biquad::{Biquad, DesignError};
use curve::{Curve, warped};

pub use kind::BandKind;

/// One band. What `q` means, its holder says: the cookbook's Q wherever a
/// response is computed, the processor's own where a value is typed
/// (see `tuning::QDefinition`).
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Band {
    /// Its shape.
    #[serde(rename = "type")]
    pub kind: BandKind,
    /// Centre of a peak, half-gain point of a shelf.
    pub frequency_hz: f64,
    /// Gain at the centre of a peak or at the far end of a shelf.
    pub gain_db: f64,
    /// Quality factor.
    pub q: f64,
}

impl Band {
    /// As a sentence, in the processor's own numbers: "Cut 4.5 dB at 160 Hz, Q 3.2".
    #[must_use]
    pub fn sentence(&self) -> String {
        let verb = if self.gain_db < 0.0 { "Cut" } else { "Boost" };
        let place = match self.kind {
            BandKind::Peak => "at",
            BandKind::LowShelf => "below",
            BandKind::HighShelf => "above",
        };
        format!("{verb} {} dB {place} {} Hz, Q {}", self.gain_db.abs(), self.frequency_hz, self.q)
    }

    /// A peak; `q` by the cookbook.
    #[must_use]
    pub fn peak(frequency_hz: f64, gain_db: f64, q: f64) -> Self {
        Self { kind: BandKind::Peak, frequency_hz, gain_db, q }
    }

    /// A low shelf; `q` by the cookbook.
    #[must_use]
    pub fn low_shelf(frequency_hz: f64, gain_db: f64, q: f64) -> Self {
        Self { kind: BandKind::LowShelf, frequency_hz, gain_db, q }
    }

    /// A high shelf; `q` by the cookbook.
    #[must_use]
    pub fn high_shelf(frequency_hz: f64, gain_db: f64, q: f64) -> Self {
        Self { kind: BandKind::HighShelf, frequency_hz, gain_db, q }
    }

    /// The gain of the digital band (Audio EQ Cookbook) at a frequency, in dB.
    ///
    /// `q` is the cookbook's Q. Frequencies at and above half the sample rate
    /// give the value just below it. Equal to the magnitude of the filter that
    /// [`Biquad`] designs (test `a_band_sounds_as_its_biquad_does`).
    #[must_use]
    pub fn magnitude_db(&self, frequency_hz: f64, sample_rate_hz: f64) -> f64 {
        Curve::new(self.kind, self.frequency_hz, self.gain_db, self.q, sample_rate_hz)
            .db(warped(frequency_hz, sample_rate_hz))
    }

    /// The filter that this band is.
    ///
    /// # Errors
    /// When the frequency is not below half the sample rate or Q is not positive.
    pub fn biquad(&self, sample_rate_hz: f64) -> Result<Biquad, DesignError> {
        match self.kind {
            BandKind::Peak => Biquad::peak(sample_rate_hz, self.frequency_hz, self.gain_db, self.q),
            BandKind::LowShelf => Biquad::low_shelf(sample_rate_hz, self.frequency_hz, self.gain_db, self.q),
            BandKind::HighShelf => {
                Biquad::high_shelf(sample_rate_hz, self.frequency_hz, self.gain_db, self.q)
            }
        }
    }
}

/// What several bands do together at each frequency, in dB.
#[must_use]
pub fn bands_db(bands: &[Band], frequencies_hz: &[f64], sample_rate_hz: f64) -> Vec<f64> {
    let mut sum = vec![0.0; frequencies_hz.len()];
    for band in bands {
        let curve = Curve::new(band.kind, band.frequency_hz, band.gain_db, band.q, sample_rate_hz);
        for (total, &hz) in sum.iter_mut().zip(frequencies_hz) {
            *total += curve.db(warped(hz, sample_rate_hz));
        }
    }
    sum
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use testkit::near;

    /// Source: Audio EQ Cookbook (W3C Note 2021-06-08); magnitudes computed from
    /// its coefficients by an independent script and checked against
    /// `scipy.signal.bilinear` of the analog prototypes.
    #[test]
    fn cookbook_magnitudes() {
        for (band, rate, points) in [
            (
                Band::peak(1_000.0, 6.0, 1.0),
                44_100.0,
                [(20.0, 0.002_587_476_247_5), (500.0, 1.878_557_124_4), (10_000.0, 0.044_521_358_881_7)],
            ),
            (
                Band::peak(12_000.0, 4.0, 0.7),
                96_000.0,
                [(6_000.0, 1.775_528_099_02), (24_000.0, 1.361_428_912_79), (10_000.0, 3.700_047_509_62)],
            ),
            (
                Band::low_shelf(105.0, 6.6, std::f64::consts::FRAC_1_SQRT_2),
                44_100.0,
                [(20.0, 6.590_468_802_66), (52.5, 6.180_475_570_97), (210.0, 0.419_459_211_64)],
            ),
            (
                Band::high_shelf(10_000.0, -3.0, 0.5),
                44_100.0,
                [(20.0, -8.204_645_289e-6), (5_000.0, -0.470_937_059_79), (20_000.0, -2.952_130_460_29)],
            ),
        ] {
            for (hz, wanted) in points {
                near(&format!("{band:?} at {hz}"), band.magnitude_db(hz, rate), wanted, 1e-8);
            }
        }
    }

    proptest! {
        #[test]
        fn a_band_sounds_as_its_biquad_does(
            kind in prop_oneof![Just(BandKind::Peak), Just(BandKind::LowShelf), Just(BandKind::HighShelf)],
            log_f in 3.0f64..9.9, gain_db in -15.0f64..15.0, q in 0.3f64..12.0, log_at in 3.0f64..10.05,
        ) {
            let band = Band { kind, frequency_hz: log_f.exp(), gain_db, q };
            let wanted = band.biquad(48_000.0).unwrap().magnitude_db(log_at.exp());
            let got = band.magnitude_db(log_at.exp(), 48_000.0);
            prop_assert!((got - wanted).abs() < 1e-5, "got {got}, wanted {wanted}");
        }
    }
}
