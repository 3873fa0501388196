//! What a signal processor can hold.

use serde::{Deserialize, Serialize};

use crate::grid::GridText;
use crate::{Band, BandKind, Equalizer, Grid, QDefinition, TextError, toml_text};

/// The equalizer, delays and crossovers of one channel of a processor.
#[derive(Debug, Clone, PartialEq)]
pub struct Profile {
    /// Its name.
    pub name: String,
    /// What a person should know about it.
    pub note: String,
    /// The rate at which it computes; it bends the bands near half of it.
    pub sample_rate_hz: f64,
    /// Which bands a channel has.
    pub bands: BandLayout,
    /// The gains that can be typed.
    pub gain_db: Grid,
    /// What it means by Q.
    pub q_definition: QDefinition,
    /// Bands boost nowhere by more than this, neither one by itself nor all together.
    pub max_boost_db: f64,
    /// Its delays, when it has any.
    pub delay: Option<DelayGrid>,
    /// Its crossover filters.
    pub crossovers: Vec<CrossoverChoice>,
    /// Where its bands can be: in each channel, linked for each side, or one equalizer for all. Never empty; the first is
    /// the usual one.
    pub equalizers: Vec<Equalizer>,
}

/// Which bands a channel has.
#[derive(Debug, Clone, PartialEq)]
pub enum BandLayout {
    /// Bands whose frequency and Q are chosen.
    Parametric {
        /// How many per channel.
        count: usize,
        /// The shapes that every band can take.
        kinds: Vec<BandKind>,
        /// The frequencies that can be typed.
        frequency_hz: Grid,
        /// The Qs of a peak that can be typed, in the profile's definition.
        q: Grid,
        /// The Qs of a shelf that can be typed.
        shelf_q: Grid,
    },
    /// Bands of which only the gain can be set: graphic equalizers and tone controls.
    Fixed(Vec<FixedBand>),
}

/// A band of which only the gain can be set.
#[derive(Debug, Clone, Copy, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FixedBand {
    /// Its shape.
    #[serde(rename = "type")]
    pub kind: BandKind,
    /// Its frequency.
    pub frequency_hz: f64,
    /// Its Q in the profile's definition.
    pub q: f64,
}

/// The delays that can be typed: from 0 in equal steps.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DelayGrid {
    /// One step.
    pub step_s: f64,
    /// The longest delay.
    pub max_s: f64,
}

impl DelayGrid {
    /// The delay on the grid that is nearest to the wanted one.
    #[must_use]
    pub fn nearest(&self, wanted_s: f64) -> f64 {
        let longest = (self.max_s / self.step_s + 1e-9).floor();
        (wanted_s / self.step_s).round().clamp(0.0, longest) * self.step_s
    }
}

/// One family of crossover filters and its slopes.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CrossoverChoice {
    /// The alignment.
    pub family: CrossoverFamily,
    /// Slopes in dB per octave; each a multiple of 6.
    pub slopes_db_per_octave: Vec<u32>,
}

/// The alignments of crossover filters.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum CrossoverFamily {
    /// Maximally flat; −3 dB at the crossover.
    Butterworth,
    /// Two equal Butterworth filters in a row; −6 dB at the crossover.
    LinkwitzRiley,
    /// Flat group delay.
    Bessel,
}

impl From<CrossoverFamily> for dsp::crossover::Family {
    fn from(family: CrossoverFamily) -> Self {
        match family {
            CrossoverFamily::Butterworth => Self::Butterworth,
            CrossoverFamily::LinkwitzRiley => Self::LinkwitzRiley,
            CrossoverFamily::Bessel => Self::Bessel,
        }
    }
}

/// A profile as it is written.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct ProfileText {
    name: String,
    #[serde(default)]
    note: String,
    sample_rate_hz: Option<f64>,
    bands: Option<usize>,
    types: Option<Vec<BandKind>>,
    frequency_hz: Option<GridText>,
    gain_db: GridText,
    q: Option<GridText>,
    shelf_q: Option<GridText>,
    #[serde(default)]
    q_definition: QDefinition,
    max_boost_db: Option<f64>,
    total_boost_db: Option<f64>,
    graphic: Option<GraphicText>,
    #[serde(default)]
    fixed: Vec<FixedBand>,
    delay_ms: Option<DelayText>,
    #[serde(default)]
    crossover: Vec<CrossoverChoice>,
    equalizers: Option<Vec<Equalizer>>,
}

/// Peaks at listed frequencies with one Q.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct GraphicText {
    frequency_hz: Vec<f64>,
    q: f64,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct DelayText {
    max: f64,
    step: f64,
}

/// 48 kHz is what most processors compute at (common practice, no source).
const DEFAULT_SAMPLE_RATE_HZ: f64 = 48_000.0;
/// The boost that a band may have when nobody says otherwise (common practice, no source).
const DEFAULT_MAX_BOOST_DB: f64 = 6.0;

impl Profile {
    /// Reads a profile in TOML; the presets show the keys.
    ///
    /// # Errors
    /// The first key or value that cannot be used, and what to do.
    pub fn parse(text: &str, name: &str) -> Result<Self, TextError> {
        let written: ProfileText = toml_text::parse(text, name)?;
        let sample_rate_hz = written.sample_rate_hz.unwrap_or(DEFAULT_SAMPLE_RATE_HZ);
        let max_boost_db = written.max_boost_db.unwrap_or(DEFAULT_MAX_BOOST_DB);
        // Older profiles limit the sum of all bands by a value of its own; the lesser one holds.
        let total_boost_db = written.total_boost_db.unwrap_or(max_boost_db);
        in_range(name, "sample_rate_hz", sample_rate_hz, 8_000.0, 768_000.0)?;
        in_range(name, "max_boost_db", max_boost_db, 0.0, 24.0)?;
        in_range(name, "total_boost_db", total_boost_db, 0.0, 48.0)?;
        let gain_db = written.gain_db.grid(name, "gain_db", -60.0, 24.0)?;
        let bands = written.layout(name, sample_rate_hz)?;
        let delay = written.delay_ms.as_ref().map(|delay| delay.grid(name)).transpose()?;
        check_crossovers(name, &written.crossover)?;
        // Who does not say otherwise has bands in every channel, and can type the same into several.
        let equalizers = written.equalizers.clone().unwrap_or_else(|| Equalizer::ALL.to_vec());
        if equalizers.is_empty() {
            return Err(TextError::whole(name, "`equalizers` is empty", "list channels, sides or one"));
        }
        Ok(Self {
            name: written.name,
            note: written.note,
            sample_rate_hz,
            bands,
            gain_db,
            q_definition: written.q_definition,
            max_boost_db: max_boost_db.min(total_boost_db),
            delay,
            crossovers: written.crossover,
            equalizers,
        })
    }

    /// The wished equalizer where there is such a one, else the usual one.
    #[must_use]
    pub fn equalizer(&self, wished: Option<Equalizer>) -> Equalizer {
        let has = |one: &Equalizer| self.equalizers.contains(one);
        wished.filter(has).or(self.equalizers.first().copied()).unwrap_or(Equalizer::Channels)
    }

    /// How many bands a channel has.
    #[must_use]
    pub fn band_count(&self) -> usize {
        match &self.bands {
            BandLayout::Parametric { count, .. } => *count,
            BandLayout::Fixed(fixed) => fixed.len(),
        }
    }

    /// The typed band (Q in this profile's definition) as the cookbook knows it.
    #[must_use]
    pub fn cookbook(&self, typed: &Band) -> Band {
        Band { q: self.q_definition.cookbook_q(typed, self.sample_rate_hz), ..*typed }
    }

    /// A band with the cookbook's Q as it is typed under this profile's definition.
    #[must_use]
    pub fn typed(&self, band: &Band) -> Band {
        Band { q: self.q_definition.typed_q(band, self.sample_rate_hz), ..*band }
    }

    /// Whether every value of the typed band can be typed into this processor.
    #[must_use]
    pub fn accepts(&self, typed: &Band) -> bool {
        let shape = match &self.bands {
            BandLayout::Parametric { kinds, frequency_hz, q, shelf_q, .. } => {
                let q = if typed.kind == BandKind::Peak { q } else { shelf_q };
                kinds.contains(&typed.kind)
                    && frequency_hz.contains(typed.frequency_hz)
                    && q.contains(typed.q)
            }
            BandLayout::Fixed(fixed) => fixed.iter().any(|band| {
                band.kind == typed.kind && band.frequency_hz == typed.frequency_hz && band.q == typed.q
            }),
        };
        shape && self.gain_db.contains(typed.gain_db)
    }
}

impl ProfileText {
    fn layout(&self, name: &str, sample_rate_hz: f64) -> Result<BandLayout, TextError> {
        let highest_hz = 0.49 * sample_rate_hz;
        let parametric = self.bands.is_some() || self.types.is_some() || self.frequency_hz.is_some();
        match (parametric, &self.graphic, self.fixed.is_empty()) {
            (true, None, true) => self.parametric(name, highest_hz),
            (false, Some(graphic), true) => {
                let fixed = |&frequency_hz| FixedBand { kind: BandKind::Peak, frequency_hz, q: graphic.q };
                fixed_layout(name, graphic.frequency_hz.iter().map(fixed).collect(), highest_hz)
            }
            (false, None, false) => fixed_layout(name, self.fixed.clone(), highest_hz),
            _ => Err(TextError::whole(
                name,
                "the profile must say which bands there are, in one way",
                "give `bands`, `types`, `frequency_hz` and `q`; or `graphic`; or `[[fixed]]` bands",
            )),
        }
    }

    fn parametric(&self, name: &str, highest_hz: f64) -> Result<BandLayout, TextError> {
        let missing = |key: &str| {
            TextError::whole(name, format!("the key `{key}` is missing"), "add it; the presets show how")
        };
        let count = self.bands.ok_or_else(|| missing("bands"))?;
        if !(1..=128).contains(&count) {
            let problem = format!("`bands` is {count}");
            return Err(TextError::whole(name, problem, "give 1 to 128 bands per channel"));
        }
        let kinds = self.types.clone().unwrap_or_else(|| BandKind::ALL.to_vec());
        if kinds.is_empty() {
            return Err(TextError::whole(name, "`types` is empty", "list peak, low-shelf or high-shelf"));
        }
        let frequency_hz = self.frequency_hz.as_ref().ok_or_else(|| missing("frequency_hz"))?.grid(
            name,
            "frequency_hz",
            1.0,
            highest_hz,
        )?;
        let q = self.q.as_ref().ok_or_else(|| missing("q"))?.grid(name, "q", 0.05, 100.0)?;
        // Without a grid of their own, shelves take the Qs up to 1: beyond, they overshoot.
        let shelf_q = match &self.shelf_q {
            Some(text) => text.grid(name, "shelf_q", 0.05, 10.0)?,
            None => q.within(0.4, 1.0).unwrap_or_else(|| q.clone()),
        };
        Ok(BandLayout::Parametric { count, kinds, frequency_hz, q, shelf_q })
    }
}

impl DelayText {
    fn grid(&self, name: &str) -> Result<DelayGrid, TextError> {
        in_range(name, "delay_ms.step", self.step, 1e-4, 100.0)?;
        in_range(name, "delay_ms.max", self.max, self.step, 10_000.0)?;
        Ok(DelayGrid { step_s: self.step / 1_000.0, max_s: self.max / 1_000.0 })
    }
}

fn fixed_layout(name: &str, fixed: Vec<FixedBand>, highest_hz: f64) -> Result<BandLayout, TextError> {
    if fixed.is_empty() || fixed.len() > 128 {
        let problem = format!("{} fixed bands", fixed.len());
        return Err(TextError::whole(name, problem, "give 1 to 128 bands per channel"));
    }
    for band in &fixed {
        in_range(name, "frequency_hz of a band", band.frequency_hz, 1.0, highest_hz)?;
        in_range(name, "q of a band", band.q, 0.05, 100.0)?;
    }
    Ok(BandLayout::Fixed(fixed))
}

fn check_crossovers(name: &str, choices: &[CrossoverChoice]) -> Result<(), TextError> {
    for slope in choices.iter().flat_map(|choice| &choice.slopes_db_per_octave) {
        if slope % 6 != 0 || !(6..=48).contains(slope) {
            let problem = format!("a crossover slope of {slope} dB per octave");
            return Err(TextError::whole(name, problem, "slopes are 6, 12, 18 … 48"));
        }
    }
    Ok(())
}

fn in_range(name: &str, key: &str, value: f64, least: f64, most: f64) -> Result<(), TextError> {
    if (least..=most).contains(&value) {
        return Ok(());
    }
    Err(TextError::whole(name, format!("`{key}` is {value}"), format!("it must lie from {least} to {most}")))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const PARAMETRIC: &str = "name = 'x'\nbands = 5\nfrequency_hz = { from = 20, to = 20000, per_octave = 3 }\n\
        gain_db = { from = -12, to = 6, step = 0.5 }\nq = { list = [0.7, 1, 2, 4] }\n";

    #[test]
    fn a_parametric_profile_is_read() {
        let profile = Profile::parse(PARAMETRIC, "x").unwrap();
        assert_eq!(profile.band_count(), 5);
        assert_eq!(profile.sample_rate_hz, 48_000.0);
        assert_eq!(profile.max_boost_db, 6.0);
        let older = Profile::parse(&format!("{PARAMETRIC}total_boost_db = 4\n"), "x").unwrap();
        assert_eq!(older.max_boost_db, 4.0);
        assert!(profile.accepts(&Band::peak(40.0, -3.5, 2.0)));
        assert!(!profile.accepts(&Band::peak(40.0, -3.4, 2.0)));
        assert!(!profile.accepts(&Band::peak(41.0, -3.5, 2.0)));
        assert!(!profile.accepts(&Band::low_shelf(40.0, -3.5, 2.0)), "a shelf's Q stays below 1");
    }

    #[test]
    fn mistakes_are_named() {
        for (text, wanted) in [
            (format!("{PARAMETRIC}gain_step = 1\n"), "line 6, column 1: there is no key `gain_step` here"),
            (PARAMETRIC.replace("bands", "band"), "did you mean `bands`?"),
            (PARAMETRIC.replace("bands = 5\n", ""), "the key `bands` is missing"),
            (PARAMETRIC.replace("= 5", "= 0"), "`bands` is 0"),
            (PARAMETRIC.replace("20000", "30000"), "`frequency_hz` holds"),
            (format!("{PARAMETRIC}max_boost_db = -1\n"), "`max_boost_db` is -1"),
            (format!("{PARAMETRIC}types = ['bell']\n"), "unknown variant `bell`"),
            (format!("{PARAMETRIC}[delay_ms]\nmax = 5\nstep = 0\n"), "`delay_ms.step` is 0"),
            (
                format!("{PARAMETRIC}[[crossover]]\nfamily = 'bessel'\nslopes_db_per_octave = [10]\n"),
                "a crossover slope of 10",
            ),
            ("name = 'x'\ngain_db = { list = [0] }".to_owned(), "in one way"),
        ] {
            let got = Profile::parse(&text, "p.toml").unwrap_err().to_string();
            assert!(got.starts_with("p.toml") && got.contains(wanted), "{text} gave {got}");
        }
    }

    #[test]
    fn an_equalizer_that_is_not_there_is_not_taken() {
        let all = Profile::parse(PARAMETRIC, "x").unwrap();
        assert_eq!(all.equalizers, Equalizer::ALL);
        assert_eq!(all.equalizer(None), Equalizer::Channels);
        let linked = Profile::parse(&format!("{PARAMETRIC}equalizers = ['sides', 'one']\n"), "x").unwrap();
        assert_eq!(linked.equalizer(Some(Equalizer::One)), Equalizer::One);
        assert_eq!(linked.equalizer(Some(Equalizer::Channels)), Equalizer::Sides);
        let none = Profile::parse(&format!("{PARAMETRIC}equalizers = []\n"), "x").unwrap_err().to_string();
        assert!(none.contains("list channels, sides or one"), "{none}");
        // Bass, middle and treble of a radio are there once.
        let radio = Profile::preset("tone-control-3").expect("it is built in");
        assert_eq!(radio.equalizers, [Equalizer::One]);
    }

    #[test]
    fn delays_are_rounded_to_the_grid() {
        let delay = DelayGrid { step_s: 0.000_02, max_s: 0.015 };
        assert!((delay.nearest(0.001_234) - 0.001_24).abs() < 1e-12);
        assert!((delay.nearest(1.0) - 0.015).abs() < 1e-12);
        assert!(delay.nearest(-1.0).abs() < 1e-12);
    }

    proptest! {
        #[test]
        fn reading_never_panics(text in "(?s).{0,150}", line in "[a-z_]{1,12} = [0-9.{}\\[\\]'a-z, =-]{0,30}") {
            let _ = Profile::parse(&text, "x");
            let _ = Profile::parse(&format!("{PARAMETRIC}{line}\n"), "x");
        }
    }
}
