//! What a channel should sound like, and how far what was captured is from that.

use std::f64::consts::{PI, TAU};

use num_complex::Complex64;

use super::{ChannelSetting, EntryChannel, EntryError};
use crate::{CarFilter, Profile, log_axis};

/// Levels are compared as power means over this part of an octave: what a microphone that stood a
/// little elsewhere changes in the treble is narrower.
const SMOOTHED: u32 = 6;
/// So many points are compared in an octave.
const POINTS_PER_OCTAVE: f64 = 12.0;
/// What lies so far below the loudest is noise, or may be (our choice, no published source).
const SPAN_DB: f64 = 36.0;
/// Phases are compared where a channel plays: so far below its loudest.
const PHASE_SPAN_DB: f64 = 20.0;
/// What levels differ by without any mistake: everywhere, and more above so many hertz, where a
/// microphone that stood 2 cm elsewhere hears other reflections.
const LEVEL_DB: f64 = 0.8;
const LEVEL_TREBLE_DB: f64 = 1.5;
const TREBLE_HZ: f64 = 2_000.0;
/// What phases differ by: everywhere, and by the way of 2 cm at most, 1.4 cm as a deviation.
const PHASE_RAD: f64 = 0.25;
const WAY_S: f64 = 40e-6;
/// No point counts for more variances than this.
const MOST_OF_ONE: f64 = 9.0;
/// Neighbouring points are not independent, so that each counts for a part of one.
const SHARE_OF_ONE: f64 = 0.5;

/// The points at which channels are compared.
#[derive(Debug, Clone)]
pub(super) struct Axis {
    pub(super) hz: Vec<f64>,
    rate_hz: f64,
}

/// One channel's captures on the axis.
#[derive(Debug, Clone)]
pub(super) struct Captured {
    /// Pressure before; nothing where nothing was captured.
    pub(super) before: Vec<Complex64>,
    /// Level and phase after.
    after_db: Vec<f64>,
    after_rad: Vec<f64>,
    /// Where both captures are.
    inside: Vec<bool>,
}

/// What a channel should sound like.
#[derive(Debug, Clone)]
pub(super) struct Expected {
    level_db: Vec<f64>,
    phase_rad: Vec<f64>,
}

/// A value beside what is expected of a whole channel.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Beside {
    pub(super) level_db: f64,
    pub(super) later_s: f64,
    pub(super) inverted: bool,
}

impl Axis {
    pub(super) fn new(channels: &[EntryChannel<'_>], profile: Option<&Profile>) -> Self {
        let rate_hz = profile.map_or(48_000.0, |profile| profile.sample_rate_hz);
        let lowest = channels.iter().map(|c| c.before.range_hz().0).fold(f64::INFINITY, f64::min);
        let highest = channels.iter().map(|c| c.before.range_hz().1).fold(0.0, f64::max);
        let hz = log_axis::grid(lowest, highest.min(0.49 * rate_hz).max(lowest * 1.1), POINTS_PER_OCTAVE);
        Self { hz, rate_hz }
    }

    pub(super) fn captured(&self, channel: &EntryChannel<'_>) -> Result<Captured, EntryError> {
        for (when, response) in [("before", channel.before), ("after", channel.after)] {
            let channel = || channel.channel.to_owned();
            response.check().map_err(|error| EntryError::Response { channel: channel(), when, error })?;
            if response.phase_deg.is_none() {
                return Err(EntryError::NoPhase { channel: channel(), when });
            }
        }
        let [before, after] = [channel.before, channel.after].map(|response| response.smoothed(SMOOTHED));
        let mut captured =
            Captured { before: Vec::new(), after_db: Vec::new(), after_rad: Vec::new(), inside: Vec::new() };
        for &hz in &self.hz {
            let pressure = |level: &crate::Response, raw: &crate::Response| {
                Some((level.db_at(hz)?, raw.phase_at(hz)?.to_radians()))
            };
            let both = pressure(&before, channel.before).zip(pressure(&after, channel.after));
            let ((before_db, before_rad), (after_db, after_rad)) = both.unwrap_or_default();
            captured.before.push(Complex64::from_polar(10f64.powf(before_db / 20.0), before_rad));
            captured.after_db.push(after_db);
            captured.after_rad.push(after_rad);
            captured.inside.push(both.is_some());
        }
        Ok(captured)
    }

    /// What a setting does at each point.
    ///
    /// # Errors
    /// A filter or band that cannot be, in words.
    pub(super) fn response(
        &self,
        setting: &ChannelSetting,
        profile: Option<&Profile>,
    ) -> Result<Vec<Complex64>, String> {
        Ok(self.hz.iter().copied().map(setting.response(profile, self.rate_hz)?).collect())
    }
}

impl ChannelSetting {
    /// What it does at a frequency; `profile` says what its bands' Q means.
    ///
    /// # Errors
    /// A filter or band that cannot be, in words.
    fn response(
        &self,
        profile: Option<&Profile>,
        sample_rate_hz: f64,
    ) -> Result<impl Fn(f64) -> Complex64 + use<>, String> {
        let filter = |filter: &Option<CarFilter>, is_high: bool| {
            let cascade = |filter: CarFilter| {
                if is_high { filter.high_pass(sample_rate_hz) } else { filter.low_pass(sample_rate_hz) }
            };
            filter.map(cascade).transpose().map_err(|error| error.to_string())
        };
        let (high, low) = (filter(&self.high_pass, true)?, filter(&self.low_pass, false)?);
        let mut bands = Vec::new();
        for typed in &self.bands {
            let band = profile.map_or(*typed, |profile| profile.cookbook(typed));
            bands.push(band.biquad(sample_rate_hz).map_err(|error| error.to_string())?);
        }
        let sign = if self.inverted { -1.0 } else { 1.0 };
        let gain = sign * 10f64.powf(self.gain_db / 20.0);
        let delay_s = self.delay_s;
        Ok(move |hz: f64| {
            let mut value = Complex64::from_polar(1.0, -TAU * hz * delay_s) * gain;
            for filter in [&high, &low].into_iter().flatten() {
                value *= filter.response(hz);
            }
            bands.iter().for_each(|band| value *= band.response(hz));
            value
        })
    }

    /// What it does to the level at a frequency, in dB; `profile` says what its bands' Q means.
    ///
    /// # Errors
    /// A filter or band that cannot be, in words.
    pub fn levels_db(
        &self,
        profile: Option<&Profile>,
        sample_rate_hz: f64,
    ) -> Result<impl Fn(f64) -> f64 + use<>, String> {
        let response = self.response(profile, sample_rate_hz)?;
        Ok(move |hz| 20.0 * response(hz).norm().max(1e-9).log10())
    }
}

impl Expected {
    /// What was captured with one setting, as it should be with another.
    pub(super) fn new(before: &[Complex64], was: &[Complex64], meant: &[Complex64]) -> Self {
        let values: Vec<Complex64> = before
            .iter()
            .zip(was)
            .zip(meant)
            // Where the filters before let nothing through, nothing is known.
            .map(|((before, was), meant)| before * meant * was.conj() / was.norm_sqr().max(1e-6))
            .collect();
        Self {
            level_db: values.iter().map(|value| 20.0 * value.norm().max(1e-9).log10()).collect(),
            phase_rad: values.iter().map(|value| value.arg()).collect(),
        }
    }
}

impl Captured {
    /// The loudest level after.
    pub(super) fn loudest_db(&self) -> f64 {
        self.inside_of(|i| self.after_db[i]).fold(f64::NEG_INFINITY, f64::max)
    }

    fn inside_of<'a, T>(&'a self, value: impl Fn(usize) -> T + 'a) -> impl Iterator<Item = T> + 'a {
        (0..self.inside.len()).filter(|&i| self.inside[i]).map(value)
    }

    /// The loudest level that is expected.
    pub(super) fn loudest_expected_db(&self, expected: &Expected) -> f64 {
        self.inside_of(|i| expected.level_db[i]).fold(f64::NEG_INFINITY, f64::max)
    }

    /// The points that count, each with what is captured and expected; what is faint counts as if
    /// it lay at the lower end of what can be told.
    fn levels<'a>(
        &'a self,
        expected: &'a Expected,
        beside: Beside,
    ) -> impl Iterator<Item = (usize, f64)> + 'a {
        let top = self.loudest_db().max(self.loudest_expected_db(expected) + beside.level_db);
        let least = top - SPAN_DB;
        let apart = move |i: usize| {
            let (after, expected) = (self.after_db[i], expected.level_db[i] + beside.level_db);
            (after > least || expected > least).then(|| (i, after.max(least) - expected.max(least)))
        };
        self.inside_of(apart).flatten()
    }

    /// The level that is left, as a median where the channel plays; none where it does not.
    pub(super) fn level_db(&self, expected: &Expected) -> Option<f64> {
        let top = self.loudest_expected_db(expected);
        let plays = |i: usize| {
            (expected.level_db[i] > top - PHASE_SPAN_DB).then(|| self.after_db[i] - expected.level_db[i])
        };
        let mut values: Vec<f64> = self.inside_of(plays).flatten().collect();
        values.sort_by(f64::total_cmp);
        values.get(values.len() / 2).copied()
    }

    /// How badly what was captured is explained: levels and phases, in variances of what differs
    /// without any mistake.
    pub(super) fn misfit(&self, axis: &Axis, expected: &Expected, beside: Beside) -> f64 {
        let levels: f64 = self
            .levels(expected, beside)
            .map(|(i, apart)| (apart / level_deviation_db(axis.hz[i])).powi(2).min(MOST_OF_ONE))
            .sum();
        SHARE_OF_ONE * (levels + self.phase_misfit(axis, expected, beside))
    }

    fn phase_misfit(&self, axis: &Axis, expected: &Expected, beside: Beside) -> f64 {
        let turn = if beside.inverted { PI } else { 0.0 };
        self.phased(expected)
            .map(|(i, apart)| {
                let apart = apart + TAU * axis.hz[i] * beside.later_s - turn;
                let apart = apart - TAU * (apart / TAU).round();
                (apart / phase_deviation_rad(axis.hz[i])).powi(2).min(MOST_OF_ONE)
            })
            .sum()
    }

    /// The points at which phases are compared, and how far they are apart.
    fn phased<'a>(&'a self, expected: &'a Expected) -> impl Iterator<Item = (usize, f64)> + 'a {
        let (top, top_after) = (self.loudest_expected_db(expected), self.loudest_db());
        let apart = move |i: usize| {
            let plays =
                expected.level_db[i] > top - PHASE_SPAN_DB && self.after_db[i] > top_after - PHASE_SPAN_DB;
            plays.then(|| (i, self.after_rad[i] - expected.phase_rad[i]))
        };
        self.inside_of(apart).flatten()
    }

    /// How much later than expected it sounds, with one polarity, by the best agreement of phases.
    pub(super) fn later_s(&self, axis: &Axis, expected: &Expected, inverted: bool) -> f64 {
        let points: Vec<(usize, f64)> = self.phased(expected).collect();
        let Some(highest_hz) = points.last().map(|(i, _)| axis.hz[*i].min(1.0 / (TAU * WAY_S))) else {
            return 0.0;
        };
        let misfit =
            |later_s: f64| self.phase_misfit(axis, expected, Beside { later_s, inverted, level_db: 0.0 });
        let step = 1.0 / (8.0 * highest_hz);
        #[expect(clippy::cast_possible_truncation, reason = "some thousands")]
        let steps = (MOST_LATER_S / step) as i32;
        let coarse = (-steps..=steps).map(|at| f64::from(at) * step);
        let best = coarse
            .map(|later| (misfit(later), later))
            .min_by(|one, other| one.0.total_cmp(&other.0).then(one.1.abs().total_cmp(&other.1.abs())));
        let Some((mut least, mut later)) = best else { return 0.0 };
        let mut step = 0.5 * step;
        for _ in 0..12 {
            for trial in [later - step, later + step] {
                let value = misfit(trial);
                if value < least {
                    (least, later) = (value, trial);
                }
            }
            step *= 0.5;
        }
        later
    }

    /// How many points count, as independent ones.
    pub(super) fn weight(&self, expected: &Expected) -> f64 {
        #[expect(clippy::cast_precision_loss, reason = "a few hundred points")]
        let count = self.levels(expected, Beside::default()).count() as f64;
        SHARE_OF_ONE * count
    }
}

/// Nothing is looked for that comes later or earlier than this: no processor delays more, and no car
/// is as large (our choice).
const MOST_LATER_S: f64 = 0.025;

fn level_deviation_db(hz: f64) -> f64 {
    let ratio = hz / TREBLE_HZ;
    LEVEL_DB.hypot(LEVEL_TREBLE_DB * ratio / (1.0 + ratio * ratio).sqrt())
}

fn phase_deviation_rad(hz: f64) -> f64 {
    PHASE_RAD.hypot(TAU * hz * WAY_S)
}
