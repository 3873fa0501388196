//! Filters as a description and as sections at a sample rate.

use dsp::biquad::Biquad;
use dsp::crossover::{self, Family, Side};
use serde::{Deserialize, Serialize};

/// The kinds of equalizer bands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum BandKind {
    /// A peak or dip.
    Peak,
    /// Everything below the frequency.
    LowShelf,
    /// Everything above the frequency.
    HighShelf,
}

/// One equalizer band. `q` is the Audio EQ Cookbook's.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Band {
    /// Its kind.
    #[serde(rename = "type")]
    pub kind: BandKind,
    /// The centre of a peak, the half-gain point of a shelf.
    pub frequency_hz: f64,
    /// The gain.
    pub gain_db: f64,
    /// The quality factor in the cookbook's definition.
    pub q: f64,
}

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

impl Band {
    /// The section of this band, or nothing where it lies above the rate's range.
    pub(crate) fn section(&self, sample_rate_hz: f64) -> Option<Biquad> {
        let (fs, f, gain, q) = (sample_rate_hz, self.frequency_hz, self.gain_db, self.q);
        match self.kind {
            BandKind::Peak => Biquad::peak(fs, f, gain, q),
            BandKind::LowShelf => Biquad::low_shelf(fs, f, gain, q),
            BandKind::HighShelf => Biquad::high_shelf(fs, f, gain, q),
        }
        .ok()
    }

    /// What is wrong with the numbers, if anything.
    pub(crate) fn fault(&self) -> Option<String> {
        if !(self.frequency_hz > 0.0 && self.frequency_hz <= 96_000.0) {
            Some(format!(
                "a band's `frequency_hz` is {}; expected a number above 0, up to 96000",
                self.frequency_hz
            ))
        } else if !(self.q > 0.0 && self.q <= 1000.0) {
            Some(format!("a band's `q` is {}; expected a number above 0, up to 1000", self.q))
        } else if self.gain_db.is_nan() || self.gain_db.abs() > 60.0 {
            Some(format!("a band's `gain_db` is {}; expected −60 to 60", self.gain_db))
        } else {
            None
        }
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
