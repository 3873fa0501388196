//! The three meanings that processors give to the Q of a peak.

use serde::{Deserialize, Serialize};

use crate::{Band, BandKind};

/// What a processor means by Q. A shelf's Q is the cookbook's in all three,
/// because a shelf has no bandwidth.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum QDefinition {
    /// The Audio EQ Cookbook's: `alpha = sin w0 / (2 Q)`. The analog prototype has
    /// half its gain (in dB) at the edges of a band that is `f0/Q` wide; the digital
    /// filter's band is narrower near half the sample rate.
    #[default]
    Cookbook,
    /// `Q = f0 / (f2 − f1)`, where the *digital* filter has half its gain in dB at
    /// the true frequencies `f1` and `f2`: the cookbook's bandwidth with the warping
    /// of the bilinear transform taken out.
    HalfGain,
    /// `Q = f0 / (f2 − f1)`, where `f1` and `f2` are the −3 dB points of the
    /// resonance that a boost adds to the straight signal (for a cut: that the
    /// opposite boost adds). The cookbook calls it "the classic EE Q": `A·Q`.
    #[serde(rename = "minus-3db")]
    Minus3Db,
}

impl QDefinition {
    /// All definitions.
    pub const ALL: [Self; 3] = [Self::Cookbook, Self::HalfGain, Self::Minus3Db];

    /// The word that profiles use.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Cookbook => "cookbook",
            Self::HalfGain => "half-gain",
            Self::Minus3Db => "minus-3db",
        }
    }

    /// The cookbook's Q of a band whose `q` is typed under this definition.
    ///
    /// Exact; with `w0 = 2π f0/fs` and `A = 10^(|gain|/40)`:
    /// half-gain: `sin w0 / (2 tan(w0 / 2Q))` (from the edges `tan θ1 tan θ2 = tan² θ0`,
    /// `θ2 − θ1 = θ0/Q`, `θ = π f/fs`); −3 dB: `Q/A`.
    ///
    /// References: R. Bristow-Johnson, Audio EQ Cookbook, W3C Note 2021-06-08 (notes
    /// on Q and BW). Proved by `each_definition_has_its_bandwidth`.
    #[must_use]
    pub fn cookbook_q(self, typed: &Band, sample_rate_hz: f64) -> f64 {
        if typed.kind != BandKind::Peak {
            return typed.q;
        }
        match self {
            Self::Cookbook => typed.q,
            Self::HalfGain => {
                let w0 = angle(typed.frequency_hz, sample_rate_hz);
                // Wider than the whole axis up to half the sample rate is not possible.
                let half_width = (w0 / (2.0 * typed.q)).min(1.57);
                w0.sin() / (2.0 * half_width.tan())
            }
            Self::Minus3Db => typed.q / amplitude(typed.gain_db),
        }
    }

    /// What is typed under this definition for a band whose `q` is the cookbook's:
    /// the inverse of [`QDefinition::cookbook_q`].
    #[must_use]
    pub fn typed_q(self, band: &Band, sample_rate_hz: f64) -> f64 {
        if band.kind != BandKind::Peak {
            return band.q;
        }
        match self {
            Self::Cookbook => band.q,
            Self::HalfGain => {
                let w0 = angle(band.frequency_hz, sample_rate_hz);
                w0 / (2.0 * (w0.sin() / (2.0 * band.q)).atan())
            }
            Self::Minus3Db => band.q * amplitude(band.gain_db),
        }
    }
}

fn angle(frequency_hz: f64, sample_rate_hz: f64) -> f64 {
    2.0 * std::f64::consts::PI * frequency_hz.min(0.4999 * sample_rate_hz) / sample_rate_hz
}

fn amplitude(gain_db: f64) -> f64 {
    10f64.powf(gain_db.abs() / 40.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use testkit::near;

    const RATE: f64 = 48_000.0;

    /// Where a falling or rising function crosses zero, by halving the interval.
    fn crossing(mut low: f64, mut high: f64, f: impl Fn(f64) -> f64) -> f64 {
        let rising = f(high) > f(low);
        for _ in 0..200 {
            let middle = 0.5 * (low + high);
            if (f(middle) > 0.0) == rising { high = middle } else { low = middle }
        }
        0.5 * (low + high)
    }

    /// Source: the definitions themselves, measured on the band's response.
    #[test]
    fn each_definition_has_its_bandwidth() {
        for (hz, gain_db, q) in [(1_000.0, 6.0, 2.0), (9_000.0, -9.0, 3.0), (15_000.0, 4.0, 1.5)] {
            let typed = Band::peak(hz, gain_db, q);
            // Half the gain in dB, at true frequencies.
            let band = Band { q: QDefinition::HalfGain.cookbook_q(&typed, RATE), ..typed };
            let excess = |f: f64| band.magnitude_db(f, RATE) - 0.5 * gain_db;
            let width = crossing(hz, 23_990.0, excess) - crossing(1.0, hz, excess);
            near("half-gain Q", hz / width, q, 1e-6);
            // The resonance alone: H − 1 of the boost. It is measured on the prototype's axis.
            let boost = Band::peak(hz, gain_db.abs(), QDefinition::Minus3Db.cookbook_q(&typed, RATE));
            let filter = boost.biquad(RATE).unwrap();
            let resonance = |f: f64| (filter.response(f) - 1.0).norm();
            let below = |f: f64| resonance(f) - resonance(hz) * std::f64::consts::FRAC_1_SQRT_2;
            let axis = |f: f64| (std::f64::consts::PI * f / RATE).tan();
            let width = axis(crossing(hz, 23_990.0, below)) - axis(crossing(1.0, hz, below));
            near("−3 dB Q", axis(hz) / width, q, 1e-6);
        }
    }

    /// Source: Audio EQ Cookbook: a band of 6 dB has A = 10^(6/40) = 1.41254.
    #[test]
    fn the_classic_q_is_a_times_the_cookbooks() {
        let typed = QDefinition::Minus3Db.typed_q(&Band::peak(1_000.0, -6.0, 2.0), RATE);
        near("typed", typed, 2.825_075_089_245_5, 1e-9);
    }

    proptest! {
        #[test]
        fn conversions_are_each_others_inverse(log_f in 3.0f64..9.9, gain in -15.0f64..15.0, q in 1.0f64..20.0) {
            let band = Band::peak(log_f.exp(), gain, q);
            for definition in QDefinition::ALL {
                let typed = Band { q: definition.typed_q(&band, RATE), ..band };
                prop_assert!((definition.cookbook_q(&typed, RATE) - q).abs() < 1e-9 * q);
            }
        }
    }
}
