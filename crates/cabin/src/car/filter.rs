//! Filters as a description and as sections at a sample rate.

use dsp::biquad::Biquad;
use dsp::crossover::{self, Family, Side};
use dsp::equalizer::Band;
use serde::{Deserialize, Serialize};

/// The families of crossover filters.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum CrossoverKind {
    /// Maximally flat; −3.01 dB at the corner.
    #[default]
    Butterworth,
    /// Two Butterworth filters of half the order; −6.02 dB at the corner; even orders.
    LinkwitzRiley,
    /// Maximally flat delay; −3.01 dB at the corner.
    Bessel,
}

/// One edge of a band: the corner of a high-pass or a low-pass.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Edge {
    /// The corner.
    pub frequency_hz: f64,
    /// The order: 6 dB per octave each, 1 to 8.
    pub order: u32,
    /// The family.
    #[serde(default)]
    pub kind: CrossoverKind,
}

/// The highest corner that is realised, as a fraction of the sample rate: a
/// corner above it is left out, for there is nothing above it to filter.
const HIGHEST_CORNER: f64 = 0.49;

/// The section of a band, or nothing where it lies above the rate's range.
pub(crate) fn band_section(band: &Band, sample_rate_hz: f64) -> Option<Biquad> {
    band.biquad(sample_rate_hz).ok()
}

/// What is wrong with the numbers of a band, if anything.
pub(crate) fn band_fault(band: &Band) -> Option<String> {
    if !(band.frequency_hz > 0.0 && band.frequency_hz <= 96_000.0) {
        let hz = band.frequency_hz;
        Some(format!("a band's `frequency_hz` is {hz}; expected a number above 0, up to 96000"))
    } else if !(band.q > 0.0 && band.q <= 1000.0) {
        Some(format!("a band's `q` is {}; expected a number above 0, up to 1000", band.q))
    } else if band.gain_db.is_nan() || band.gain_db.abs() > 60.0 {
        Some(format!("a band's `gain_db` is {}; expected −60 to 60", band.gain_db))
    } else {
        None
    }
}

impl Edge {
    /// The sections of a high-pass with this corner.
    pub(crate) fn high_pass(&self, sample_rate_hz: f64) -> Vec<Biquad> {
        let corner_hz = self.frequency_hz.min(HIGHEST_CORNER * sample_rate_hz);
        self.sections(sample_rate_hz, Side::HighPass, corner_hz)
    }

    /// The sections of a low-pass with this corner; none where the corner lies
    /// above the rate's range.
    pub(crate) fn low_pass(&self, sample_rate_hz: f64) -> Vec<Biquad> {
        if self.frequency_hz > HIGHEST_CORNER * sample_rate_hz {
            return Vec::new();
        }
        self.sections(sample_rate_hz, Side::LowPass, self.frequency_hz)
    }

    /// Descriptions are checked before they are realised, so a design that
    /// fails can only be one that has nothing to filter.
    fn sections(&self, sample_rate_hz: f64, side: Side, corner_hz: f64) -> Vec<Biquad> {
        let family = match self.kind {
            CrossoverKind::Butterworth => Family::Butterworth,
            CrossoverKind::LinkwitzRiley => Family::LinkwitzRiley,
            CrossoverKind::Bessel => Family::Bessel,
        };
        crossover::design(sample_rate_hz, family, self.order as usize, side, corner_hz)
            .map_or_else(|_| Vec::new(), |cascade| cascade.sections().to_vec())
    }

    /// What is wrong with the numbers, if anything.
    pub(crate) fn fault(&self) -> Option<String> {
        if !(self.frequency_hz > 0.0 && self.frequency_hz <= 96_000.0) {
            Some(format!(
                "a corner's `frequency_hz` is {}; expected a number above 0, up to 96000",
                self.frequency_hz
            ))
        } else if !(1..=8).contains(&self.order) {
            Some(format!("a corner's `order` is {}; expected 1 to 8 (6 dB per octave each)", self.order))
        } else if self.kind == CrossoverKind::LinkwitzRiley && self.order % 2 == 1 {
            Some(format!("a Linkwitz-Riley corner of `order` {}; expected 2, 4, 6 or 8", self.order))
        } else {
            None
        }
    }
}
