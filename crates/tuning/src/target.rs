//! The response that a tuning aims at.

use dsp::biquad::DesignError;
use serde::Deserialize;

use crate::{BandKind, CarFilter, Response, TextError, log_axis, toml_text};

/// A target: shelves and a tilt around an optional curve of points.
///
/// Only its shape matters, because the level of a tuning is free.
#[derive(Debug, Clone, PartialEq)]
pub struct Target {
    /// Its name.
    pub name: String,
    /// Where the shape comes from, or that there is no published source.
    pub source: String,
    /// Shelves, as analog filters.
    pub shelves: Vec<TargetShelf>,
    /// Straight slope over log frequency, 0 dB at [`Target::TILT_PIVOT_HZ`].
    pub tilt_db_per_octave: f64,
    /// Points joined by straight lines over log frequency; the ends hold.
    pub points: Vec<TargetPoint>,
    /// How far a result may stray from the target and still be called good.
    pub tolerance_db: f64,
}

/// One shelf of a target.
#[derive(Debug, Clone, Copy, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TargetShelf {
    /// `low-shelf` or `high-shelf`.
    #[serde(rename = "type")]
    pub kind: BandKind,
    /// Where it has half its gain.
    pub frequency_hz: f64,
    /// Its gain at the far end.
    pub gain_db: f64,
    /// Its Q; 0.7071 has no overshoot.
    #[serde(default = "plain_q")]
    pub q: f64,
}

/// One point of a target.
#[derive(Debug, Clone, Copy, PartialEq, Deserialize)]
#[serde(from = "(f64, f64)")]
pub struct TargetPoint {
    /// Its frequency.
    pub frequency_hz: f64,
    /// Its level.
    pub db: f64,
}

impl From<(f64, f64)> for TargetPoint {
    fn from((frequency_hz, db): (f64, f64)) -> Self {
        Self { frequency_hz, db }
    }
}

fn plain_q() -> f64 {
    std::f64::consts::FRAC_1_SQRT_2
}

/// A target as it is written.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct TargetText {
    name: String,
    #[serde(default)]
    source: String,
    #[serde(default)]
    tilt_db_per_octave: f64,
    tolerance_db: Option<f64>,
    #[serde(default)]
    shelf: Vec<TargetShelf>,
    #[serde(default)]
    points: Vec<TargetPoint>,
}

/// The tolerance when none is given (our choice, no published source).
const DEFAULT_TOLERANCE_DB: f64 = 3.0;

/// A filter asks for no less than this: what is lower is not heard.
const LOWEST_DB: f64 = -60.0;

impl Target {
    /// Where a tilt has 0 dB.
    pub const TILT_PIVOT_HZ: f64 = 1_000.0;

    /// The flat target.
    #[must_use]
    pub fn flat() -> Self {
        Self {
            name: "Flat".to_owned(),
            source: String::new(),
            shelves: Vec::new(),
            tilt_db_per_octave: 0.0,
            points: Vec::new(),
            tolerance_db: DEFAULT_TOLERANCE_DB,
        }
    }

    /// Reads a target: TOML with shelves, tilt and points, or a response as text
    /// (see [`Response::parse`]), whose points it then takes.
    ///
    /// # Errors
    /// The first key, line or value that cannot be used, and what to do.
    pub fn parse(text: &str, name: &str) -> Result<Self, TextError> {
        if looks_like_toml(text) {
            return Self::parse_toml(text, name);
        }
        let response = Response::parse(text, name)?;
        let points = response.frequency_hz.iter().zip(&response.magnitude_db);
        Ok(Self {
            name: name.to_owned(),
            source: "read from a response".to_owned(),
            points: points.map(|(&frequency_hz, &db)| TargetPoint { frequency_hz, db }).collect(),
            ..Self::flat()
        })
    }

    fn parse_toml(text: &str, name: &str) -> Result<Self, TextError> {
        let written: TargetText = toml_text::parse(text, name)?;
        let target = Self {
            name: written.name,
            source: written.source,
            shelves: written.shelf,
            tilt_db_per_octave: written.tilt_db_per_octave,
            points: written.points,
            tolerance_db: written.tolerance_db.unwrap_or(DEFAULT_TOLERANCE_DB),
        };
        target.check(name)?;
        Ok(target)
    }

    fn check(&self, name: &str) -> Result<(), TextError> {
        let refuse = |problem: String, advice: &str| Err(TextError::whole(name, problem, advice));
        for shelf in &self.shelves {
            let sound = shelf.frequency_hz > 0.0
                && shelf.frequency_hz.is_finite()
                && shelf.gain_db.abs() <= 60.0
                && (0.1..=10.0).contains(&shelf.q);
            if shelf.kind == BandKind::Peak || !sound {
                return refuse(
                    format!(
                        "a {} at {} Hz, {} dB, Q {}",
                        shelf.kind, shelf.frequency_hz, shelf.gain_db, shelf.q
                    ),
                    "give low-shelf or high-shelf, a frequency above 0 Hz, up to ±60 dB, and Q from 0.1 to 10",
                );
            }
        }
        if !(-24.0..=24.0).contains(&self.tilt_db_per_octave) {
            let problem = format!("`tilt_db_per_octave` is {}", self.tilt_db_per_octave);
            return refuse(problem, "it must lie from -24 to 24");
        }
        if !(self.tolerance_db > 0.0 && self.tolerance_db <= 60.0) {
            return refuse(
                format!("`tolerance_db` is {}", self.tolerance_db),
                "it must lie above 0 and up to 60",
            );
        }
        for point in &self.points {
            let in_range = point.db.abs() <= Response::LARGEST_DB;
            if !(point.frequency_hz > 0.0 && point.frequency_hz.is_finite() && in_range) {
                let problem = format!("a point at {} Hz, {} dB", point.frequency_hz, point.db);
                return refuse(problem, "frequencies lie above 0 Hz and levels within ±1000 dB");
            }
        }
        match self.points.windows(2).find(|pair| pair[1].frequency_hz <= pair[0].frequency_hz) {
            Some(pair) => refuse(
                format!("a point at {} Hz after one at {} Hz", pair[1].frequency_hz, pair[0].frequency_hz),
                "sort the points by ascending frequency, each frequency once",
            ),
            None => Ok(()),
        }
    }

    /// The level of the target at a frequency.
    ///
    /// Shelves are the analog prototypes of the Audio EQ Cookbook, so that a target
    /// does not depend on a sample rate.
    #[must_use]
    pub fn db_at(&self, frequency_hz: f64) -> f64 {
        let shelves: f64 = self.shelves.iter().map(|shelf| shelf.db_at(frequency_hz)).sum();
        shelves
            + self.tilt_db_per_octave * (frequency_hz / Self::TILT_PIVOT_HZ).log2()
            + self.points_at(frequency_hz)
    }

    /// The part of the level that the points give.
    pub(crate) fn points_at(&self, frequency_hz: f64) -> f64 {
        let above = self.points.partition_point(|p| p.frequency_hz < frequency_hz);
        match (above.checked_sub(1).map(|i| self.points[i]), self.points.get(above)) {
            (None, None) => 0.0,
            (None, Some(only)) => only.db,
            (Some(only), None) => only.db,
            (Some(low), Some(high)) => {
                let part =
                    (frequency_hz / low.frequency_hz).ln() / (high.frequency_hz / low.frequency_hz).ln();
                low.db + part * (high.db - low.db)
            }
        }
    }

    /// What one driver is to do: this target times its crossover filters, as points from
    /// 10 Hz to just below half the sample rate.
    ///
    /// # Errors
    /// When a filter cannot be made.
    pub fn for_driver(
        &self,
        high_pass: Option<CarFilter>,
        low_pass: Option<CarFilter>,
        sample_rate_hz: f64,
    ) -> Result<Self, DesignError> {
        let filters = [
            high_pass.map(|filter| filter.high_pass(sample_rate_hz)).transpose()?,
            low_pass.map(|filter| filter.low_pass(sample_rate_hz)).transpose()?,
        ];
        let frequency_hz = log_axis::grid(10.0, 0.49 * sample_rate_hz, 24.0);
        let filtered = |hz: f64| filters.iter().flatten().map(|f| f.magnitude_db(hz)).sum::<f64>();
        let points = frequency_hz.into_iter().map(|frequency_hz| TargetPoint {
            frequency_hz,
            db: self.db_at(frequency_hz) + filtered(frequency_hz).max(LOWEST_DB),
        });
        Ok(Self {
            name: format!("{}, of one driver", self.name),
            source: self.source.clone(),
            points: points.collect(),
            tolerance_db: self.tolerance_db,
            ..Self::flat()
        })
    }

    /// The target as TOML that [`Target::parse`] reads again.
    #[must_use]
    pub fn to_toml(&self) -> String {
        let quoted = |text: &str| toml::Value::String(text.to_owned()).to_string();
        let mut text = format!(
            "name = {}\nsource = {}\ntilt_db_per_octave = {:?}\ntolerance_db = {:?}\n",
            quoted(&self.name),
            quoted(&self.source),
            self.tilt_db_per_octave,
            self.tolerance_db
        );
        if !self.points.is_empty() {
            let points: Vec<String> = self
                .points
                .iter()
                .map(|point| format!("[{:?}, {:?}]", point.frequency_hz, point.db))
                .collect();
            text.push_str(&format!("points = [{}]\n", points.join(", ")));
        }
        for shelf in &self.shelves {
            text.push_str(&format!(
                "\n[[shelf]]\ntype = \"{}\"\nfrequency_hz = {:?}\ngain_db = {:?}\nq = {:?}\n",
                shelf.kind, shelf.frequency_hz, shelf.gain_db, shelf.q
            ));
        }
        text
    }

    /// The target as a response, for drawing and for export.
    #[must_use]
    pub fn response(&self, from_hz: f64, to_hz: f64, points_per_octave: f64) -> Response {
        let frequency_hz = log_axis::grid(from_hz, to_hz, points_per_octave);
        let magnitude_db = frequency_hz.iter().map(|&f| self.db_at(f)).collect();
        Response { frequency_hz, magnitude_db, phase_deg: None, coherence: None, spread_db: None }
    }
}

impl TargetShelf {
    /// `|H(jΩ)|` of the cookbook's analog shelf with `Ω = f/f0`, in dB.
    fn db_at(&self, frequency_hz: f64) -> f64 {
        let amplitude = 10f64.powf(self.gain_db / 40.0);
        let u = (frequency_hz / self.frequency_hz).powi(2);
        let damping = u * amplitude / (self.q * self.q);
        let low = (amplitude - u).powi(2) + damping;
        let high = (1.0 - amplitude * u).powi(2) + damping;
        let tilt = 10.0 * (low / high).log10();
        0.5 * self.gain_db + if self.kind == BandKind::LowShelf { tilt } else { -tilt }
    }
}

/// A target in TOML has a `key = value` line before any line of numbers.
fn looks_like_toml(text: &str) -> bool {
    let first = crate::columns::numbered_lines(text)
        .map(|(_, line)| line)
        .find(|line| !line.is_empty() && !line.starts_with('#'));
    first.is_some_and(|line| line.contains('=') || line.starts_with('['))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use testkit::near;

    /// Source: straight arithmetic: −1 dB per octave from 20 Hz to 20 kHz is −9.9658 dB.
    #[test]
    fn a_tilt_falls_evenly() {
        let target = Target { tilt_db_per_octave: -1.0, ..Target::flat() };
        near("pivot", target.db_at(1_000.0), 0.0, 1e-12);
        near("fall", target.db_at(20_000.0) - target.db_at(20.0), -9.965_784_284_662_1, 1e-9);
    }

    /// Source: Audio EQ Cookbook low shelf 105 Hz, 6.6 dB, Q 0.7071: 3.3 dB at the
    /// corner; at 20 Hz the digital filter at 96 kHz has 6.590468 dB (independent script).
    #[test]
    fn a_shelf_is_the_cookbooks() {
        let text = "name = 'x'\n[[shelf]]\ntype = 'low-shelf'\nfrequency_hz = 105\ngain_db = 6.6\n";
        let target = Target::parse(text, "x").unwrap();
        near("corner", target.db_at(105.0), 3.3, 1e-9);
        near("below", target.db_at(20.0), 6.590_468, 1e-4);
        near("above", target.db_at(20_000.0), 0.0, 1e-4);
    }

    #[test]
    fn points_are_joined_and_their_ends_hold() {
        let target = Target::parse("name = 'x'\npoints = [[100, 6], [400, 0]]\n", "x").unwrap();
        for (hz, wanted) in [(20.0, 6.0), (100.0, 6.0), (200.0, 3.0), (400.0, 0.0), (9_000.0, 0.0)] {
            near("points", target.db_at(hz), wanted, 1e-9);
        }
        let target = Target::parse("100,6\n400,0\n", "own.txt").unwrap();
        near("from a response", target.db_at(200.0), 3.0, 1e-9);
    }

    /// Source: Linkwitz 1976: −6.02 dB at the corner, −24 dB per octave beyond.
    #[test]
    fn a_driver_gets_the_target_times_its_crossover() {
        let target = Target { tilt_db_per_octave: -1.0, ..Target::flat() };
        let filter = |frequency_hz| CarFilter {
            family: crate::CrossoverFamily::LinkwitzRiley,
            slope_db_per_octave: 24,
            frequency_hz,
        };
        let woofer = target.for_driver(Some(filter(80.0)), Some(filter(2_500.0)), 48_000.0).unwrap();
        near("at the lower corner", woofer.db_at(80.0), -6.0206 + target.db_at(80.0), 0.02);
        near("at the upper corner", woofer.db_at(2_500.0), -6.0206 + target.db_at(2_500.0), 0.02);
        near("between", woofer.db_at(450.0), target.db_at(450.0), 0.02);
        assert!(woofer.db_at(20.0) < -35.0 && woofer.db_at(15_000.0) < -55.0);
        assert!(target.for_driver(Some(filter(30_000.0)), None, 48_000.0).is_err());
    }

    #[test]
    fn what_is_exported_is_read_again() {
        for preset in Target::presets() {
            let target = Target::preset(preset.name).unwrap();
            assert_eq!(Target::parse(&target.to_toml(), "again").unwrap(), target);
        }
        let own = Target {
            name: "my \"own\"".to_owned(),
            points: vec![
                TargetPoint { frequency_hz: 20.0, db: 6.5 },
                TargetPoint { frequency_hz: 100.0, db: -0.25 },
            ],
            ..Target::flat()
        };
        assert_eq!(Target::parse(&own.to_toml(), "own").unwrap(), own);
    }

    #[test]
    fn mistakes_are_named() {
        for (text, wanted) in [
            ("", "no numbers"),
            ("name = 'x'\ntilt = 1\n", "line 2, column 1: there is no key `tilt` here"),
            ("name = 'x'\ntolerance = 1\n", "did you mean `tolerance_db`?"),
            ("name = 'x'\ntilt_db_per_octave = nan\n", "`tilt_db_per_octave` is NaN"),
            ("name = 'x'\ntolerance_db = 0\n", "`tolerance_db` is 0"),
            ("name = 'x'\npoints = [[100, 0], [50, 0]]\n", "a point at 50 Hz after one at 100 Hz"),
            ("name = 'x'\npoints = [[0, 0]]\n", "a point at 0 Hz"),
            ("name = 'x'\npoints = [[100, 1e9]]\n", "levels within ±1000 dB"),
            ("name = 'x'\n[[shelf]]\ntype = 'peak'\nfrequency_hz = 1\ngain_db = 1\n", "a peak at 1 Hz"),
            ("[shelf]\n", "t.toml"),
        ] {
            let got = Target::parse(text, "t.toml").unwrap_err().to_string();
            assert!(got.contains(wanted), "{text:?} gave {got:?}");
        }
    }

    proptest! {
        #[test]
        fn reading_never_panics(text in "(?s).{0,150}", line in "[a-z_]{1,12} = [0-9.{}\\[\\]'a-z, =-]{0,30}") {
            let _ = Target::parse(&text, "x");
            if let Ok(target) = Target::parse(&format!("name = 'x'\n{line}\n"), "x") {
                prop_assert!(target.db_at(1_000.0).is_finite());
            }
        }
    }
}
