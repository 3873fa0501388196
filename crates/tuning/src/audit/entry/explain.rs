//! The mistakes that are tried, and which is believed.

use num_complex::Complex64;

use super::drift::Drift;
use super::expected::{Axis, Beside, Captured, Expected};
use super::mistakes::{Belief, CHOSEN, Mistake, Swapped};
use super::words;
use super::{AuditedChannel, ChannelSetting, ChannelVerdict, EntryAudit, EntryError, EntryInput};
use crate::{CarFilter, CrossoverFamily};

/// An explanation must lower the misfit by so many variances, and leave no more than this share
/// of it.
const LEAST_LEAD: f64 = 12.0;
/// One of another kind that is no worse than this is as good.
const CLEAR_LEAD: f64 = 4.0;
/// Mistakes that the ear and the next listener would not tell: less is none (our choice).
const LEAST_LEVEL_DB: f64 = 1.25;
const LEAST_LATER_S: f64 = 1e-4;
/// So far below what it should be, a channel is silent.
const SILENT_DB: f64 = 30.0;
/// Without so many independent points, nothing can be told.
const FEWEST_POINTS: f64 = 4.0;
/// What is free in an explanation has to be paid for: nothing, one value, one of many.
const SIMPLE: f64 = 2.0;
const FREE: f64 = 4.0;
/// Corners are tried so many sixths of an octave up and down.
const SIXTHS: i32 = 20;
/// More mistakes of one channel than this are not looked for.
const MOST_MISTAKES: usize = 3;

/// All channels, and what they were captured as.
pub(super) struct Channels<'a> {
    input: &'a EntryInput<'a>,
    axis: Axis,
    captured: Vec<Captured>,
    was: Vec<Vec<Complex64>>,
    meant: Vec<Expected>,
}

impl<'a> Channels<'a> {
    pub(super) fn new(input: &'a EntryInput<'a>) -> Result<Self, EntryError> {
        let channels = input.channels;
        for (index, channel) in channels.iter().enumerate() {
            if channels[..index].iter().any(|other| other.channel == channel.channel) {
                return Err(EntryError::Twice(channel.channel.to_owned()));
            }
        }
        let axis = Axis::new(channels, input.profile);
        let captured =
            channels.iter().map(|channel| axis.captured(channel)).collect::<Result<Vec<_>, _>>()?;
        let (mut was, mut meant) = (Vec::new(), Vec::new());
        for (channel, captured) in channels.iter().zip(&captured) {
            let of = |when: &'static str, setting: &ChannelSetting| {
                axis.response(setting, input.profile).map_err(|problem| EntryError::Setting {
                    channel: channel.channel.to_owned(),
                    when,
                    problem,
                })
            };
            let before = of("was set", channel.was)?;
            meant.push(Expected::new(&captured.before, &before, &of("meant", channel.meant)?));
            was.push(before);
        }
        Ok(Self { input, axis, captured, was, meant })
    }

    /// The level and the time by which each channel that plays differs from what is meant, with
    /// whichever polarity fits better.
    pub(super) fn differ(&self) -> Vec<(f64, f64)> {
        let one = |index: usize| {
            let (captured, meant) = (&self.captured[index], &self.meant[index]);
            let level_db = captured.level_db(meant).filter(|_| !self.is_silent(index, 0.0))?;
            let times = [false, true].map(|inverted| {
                let later_s = captured.later_s(&self.axis, meant, inverted);
                let beside = Beside { level_db, later_s, inverted };
                (captured.misfit(&self.axis, meant, beside), later_s)
            });
            // A polarity may be wrong, but is rarely: it must fit clearly better.
            let [normal, inverted] = times;
            Some((level_db, if inverted.0 < normal.0 - LEAST_LEAD { inverted.1 } else { normal.1 }))
        };
        (0..self.captured.len()).filter_map(one).collect()
    }

    fn is_silent(&self, index: usize, level_db: f64) -> bool {
        let (captured, meant) = (&self.captured[index], &self.meant[index]);
        captured.loudest_db() < captured.loudest_expected_db(meant) + level_db - SILENT_DB
    }

    /// What is believed of every channel.
    pub(super) fn explained(&self, drift: Drift) -> EntryAudit {
        let common = Beside { level_db: drift.level_db, later_s: drift.later_s, inverted: false };
        let mut beliefs: Vec<Belief> =
            (0..self.captured.len()).map(|index| self.explain(index, common)).collect();
        self.explain_swapped(&mut beliefs, common);
        let channels = self.input.channels.iter().zip(&beliefs).map(|(channel, belief)| AuditedChannel {
            channel: channel.channel.to_owned(),
            verdict: belief.verdict(),
            found: belief.found.clone(),
            swapped_with: belief.swapped_with.map(|other| self.input.channels[other.with].channel.to_owned()),
            text: words::sentence(self.input.channels, channel, belief),
        });
        EntryAudit {
            channels: channels.collect(),
            level_db: drift.level_db,
            later_s: drift.later_s,
            findings: words::findings(drift, &beliefs),
        }
    }

    /// One mistake of a channel after the other.
    fn explain(&self, index: usize, common: Beside) -> Belief {
        let meant = self.input.channels[index].meant.clone();
        let misfit = self.captured[index].misfit(&self.axis, &self.meant[index], common);
        let mut belief =
            Belief { found: meant, mistakes: Vec::new(), swapped_with: None, unclear: None, misfit };
        if self.is_silent(index, common.level_db) {
            belief.mistakes.push(ChannelVerdict::Silent);
            return belief;
        }
        if self.captured[index].weight(&self.meant[index]) < FEWEST_POINTS {
            belief.mistakes.push(ChannelVerdict::Unclear);
            return belief;
        }
        while belief.mistakes.len() < MOST_MISTAKES {
            let mut tried = self.mistakes(index, &belief, common);
            tried.retain(|mistake| !belief.mistakes.contains(&mistake.verdict));
            tried.sort_by(|one, other| one.total.total_cmp(&other.total));
            let Some(best) = tried.first().filter(|best| best.total < belief.misfit - LEAST_LEAD) else {
                break;
            };
            let rival = tried
                .iter()
                .find(|other| other.verdict != best.verdict && other.total < best.total + CLEAR_LEAD);
            if let Some(rival) = rival
                && belief.mistakes.is_empty()
            {
                belief.unclear = Some([best.clone(), rival.clone()]);
                break;
            }
            belief.mistakes.push(best.verdict);
            belief.found = best.found.clone();
            let expected = self.expected(index, &belief.found);
            belief.misfit = self.captured[index].misfit(&self.axis, &expected, common);
        }
        belief
    }

    fn expected(&self, index: usize, setting: &ChannelSetting) -> Expected {
        let response = self.axis.response(setting, self.input.profile);
        // A setting that cannot be is like none.
        let response = response.unwrap_or_else(|_| self.was[index].clone());
        Expected::new(&self.captured[index].before, &self.was[index], &response)
    }

    /// Every mistake that a channel may have beside those that are believed already.
    fn mistakes(&self, index: usize, belief: &Belief, common: Beside) -> Vec<Mistake> {
        let (captured, found) = (&self.captured[index], &belief.found);
        let expected = self.expected(index, found);
        let mut tried = Vec::new();
        let mut take = |verdict, found: ChannelSetting, expected: &Expected, beside: Beside, burden: f64| {
            let total = captured.misfit(&self.axis, expected, beside) + burden;
            tried.push(Mistake { verdict, found, total });
        };
        if let Some(level_db) = captured.level_db(&expected) {
            let more_db = level_db - common.level_db;
            if more_db.abs() >= LEAST_LEVEL_DB {
                let gain_db = found.gain_db + (more_db * 10.0).round() / 10.0;
                let found = ChannelSetting { gain_db, ..found.clone() };
                take(ChannelVerdict::WrongLevel, found, &expected, Beside { level_db, ..common }, FREE);
            }
        }
        let turned = Beside { inverted: true, ..common };
        let inverted = ChannelSetting { inverted: !found.inverted, ..found.clone() };
        take(ChannelVerdict::WrongPolarity, inverted, &expected, turned, SIMPLE);
        let later_s = captured.later_s(&self.axis, &expected, false);
        if (later_s - common.later_s).abs() >= LEAST_LATER_S {
            let delay_s = found.delay_s + ((later_s - common.later_s) * 1e5).round() / 1e5;
            let found = ChannelSetting { delay_s, ..found.clone() };
            take(ChannelVerdict::WrongDelay, found, &expected, Beside { later_s, ..common }, CHOSEN);
        }
        for found in other_crossovers(found) {
            let expected = self.expected(index, &found);
            take(ChannelVerdict::WrongCrossover, found, &expected, common, CHOSEN);
        }
        tried
    }

    /// Two channels with each other's settings, or each other's drivers, where that explains both
    /// better than mistakes of their own.
    fn explain_swapped(&self, beliefs: &mut [Belief], common: Beside) {
        let is_wrong = |belief: &Belief| belief.verdict() != ChannelVerdict::AsMeant;
        let mut best: Option<(f64, [usize; 2], bool)> = None;
        for one in 0..beliefs.len() {
            for other in one + 1..beliefs.len() {
                if !is_wrong(&beliefs[one]) && !is_wrong(&beliefs[other]) {
                    continue;
                }
                let plays = |index: usize| !beliefs[index].mistakes.contains(&ChannelVerdict::Silent);
                if !plays(one) || !plays(other) {
                    continue;
                }
                let apart = beliefs[one].cost() + beliefs[other].cost();
                for driver in [false, true] {
                    let swapped = self.swapped_misfit(one, other, driver, common)
                        + self.swapped_misfit(other, one, driver, common)
                        + CHOSEN;
                    let lead = apart - swapped;
                    if lead > 0.0 && best.is_none_or(|best| lead > best.0) {
                        best = Some((lead, [one, other], driver));
                    }
                }
            }
        }
        let Some((_, [one, other], driver)) = best else { return };
        for (index, with) in [(one, other), (other, one)] {
            let belief = &mut beliefs[index];
            belief.mistakes = vec![ChannelVerdict::Swapped];
            belief.unclear = None;
            belief.swapped_with = Some(Swapped { with, driver });
            let channels = self.input.channels;
            belief.found = if driver { channels[index].meant.clone() } else { channels[with].meant.clone() };
        }
    }

    /// How badly a channel is explained by the settings, or by the driver, of another.
    fn swapped_misfit(&self, index: usize, with: usize, driver: bool, common: Beside) -> f64 {
        let channels = self.input.channels;
        let (heard, set) = if driver { (with, index) } else { (index, with) };
        let Ok(response) = self.axis.response(channels[set].meant, self.input.profile) else {
            return f64::INFINITY;
        };
        let expected = Expected::new(&self.captured[heard].before, &self.was[heard], &response);
        self.captured[index].misfit(&self.axis, &expected, common)
    }
}

/// The same setting with each filter elsewhere, of another slope or missing.
fn other_crossovers(setting: &ChannelSetting) -> Vec<ChannelSetting> {
    let mut others = Vec::new();
    if let Some(filter) = setting.high_pass {
        let with = |high_pass| ChannelSetting { high_pass, ..setting.clone() };
        others.extend(other_filters(filter).into_iter().map(with));
    }
    if let Some(filter) = setting.low_pass {
        let with = |low_pass| ChannelSetting { low_pass, ..setting.clone() };
        others.extend(other_filters(filter).into_iter().map(with));
    }
    others
}

fn other_filters(filter: CarFilter) -> Vec<Option<CarFilter>> {
    let mut others: Vec<Option<CarFilter>> = vec![None];
    let elsewhere = |sixths: i32| {
        let frequency_hz = filter.frequency_hz * (f64::from(sixths) / 6.0).exp2();
        (10.0..20_000.0).contains(&frequency_hz).then_some(Some(CarFilter { frequency_hz, ..filter }))
    };
    others.extend((-SIXTHS..=SIXTHS).filter(|&sixths| sixths != 0).filter_map(elsewhere));
    let slopes: &[u32] = match filter.family {
        CrossoverFamily::LinkwitzRiley => &[12, 24, 36, 48],
        CrossoverFamily::Butterworth | CrossoverFamily::Bessel => &[6, 12, 18, 24, 36, 48],
    };
    let other_slopes = slopes.iter().filter(|&&slope| slope != filter.slope_db_per_octave);
    others.extend(other_slopes.map(|&slope| Some(CarFilter { slope_db_per_octave: slope, ..filter })));
    others
}
