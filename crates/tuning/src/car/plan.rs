//! Who meets whom, where, and through which filters.

use std::collections::BTreeSet;
use std::f64::consts::SQRT_2;

use measure::Finding;

use super::drivers::{self, Usable};
use super::{CarDriver, CarError, CarInput};
use crate::fit::hertz;
use crate::{CarFilter, CrossoverFamily, Feed, Profile, Role};

/// A driver is crossed over at least so far inside of its range, where it has one to
/// spare (common practice, no source).
const INSIDE: f64 = 1.25;
/// The usual slope, and the one for neighbours that have little range in common (common
/// practice, no source).
const USUAL_DB_PER_OCTAVE: u32 = 24;
const STEEP_DB_PER_OCTAVE: u32 = 48;

/// A subwoofer hands over between these: lower, the others need more excursion than most have;
/// higher, one hears where it stands (common practice, no source).
const SUBWOOFER_HZ: (f64, f64) = (60.0, 120.0);

/// A place where drivers meet.
#[derive(Debug, Clone)]
pub(super) struct Meeting {
    /// Meetings of the same step are those of the left and the right side.
    pub(super) step: usize,
    pub(super) lower: Vec<usize>,
    pub(super) upper: Vec<usize>,
    pub(super) frequency_hz: f64,
    pub(super) why: String,
}

/// Everything that is settled before delays are searched.
#[derive(Debug, Clone)]
pub(super) struct Plan {
    pub(super) sides: Vec<Feed>,
    pub(super) ranges: Vec<(f64, f64)>,
    /// Where each was measured.
    measured: Vec<(f64, f64)>,
    /// The centres and fills, which are no link of a side's chain.
    pub(super) beside: Vec<usize>,
    /// The left and the right driver of the same part.
    pub(super) pairs: Vec<(usize, usize)>,
    /// From the lowest up.
    pub(super) meetings: Vec<Meeting>,
    pub(super) high_pass: Vec<Option<CarFilter>>,
    pub(super) low_pass: Vec<Option<CarFilter>>,
    pub(super) findings: Vec<Finding>,
}

impl Plan {
    pub(super) fn new(input: &CarInput<'_>) -> Result<Self, CarError> {
        let count = input.drivers.len();
        let usable: Vec<Usable> =
            input.drivers.iter().map(|driver| drivers::usable_range(&driver.response)).collect();
        let mut plan = Self {
            sides: input
                .drivers
                .iter()
                .map(|driver| driver.feed.unwrap_or_else(|| Feed::proposed(&driver.name)))
                .collect(),
            measured: input.drivers.iter().map(|driver| driver.response.range_hz()).collect(),
            beside: Vec::new(),
            ranges: usable.iter().map(|usable| (usable.from_hz, usable.to_hz)).collect(),
            pairs: Vec::new(),
            meetings: Vec::new(),
            high_pass: vec![None; count],
            low_pass: vec![None; count],
            findings: Vec::new(),
        };
        plan.stand_beside(input);
        plan.pairs = plan.mirrored(input);
        let chains: Vec<Vec<usize>> = plan.listened().into_iter().map(|side| plan.heard(side)).collect();
        // What lies below all others plays as low as it is heard.
        for &lowest in chains.iter().filter_map(|chain| chain.first()) {
            plan.ranges[lowest].0 = usable[lowest].lifted_from_hz;
        }
        plan.meet(input, &chains)?;
        if !input.filtered {
            plan.choose_filters(input.profile);
        }
        Ok(plan)
    }

    /// Takes centres and fills out of the chains: a role that was given, or a name that says so.
    fn stand_beside(&mut self, input: &CarInput<'_>) {
        let beside = |driver: &CarDriver| {
            !driver.role.or_else(|| Role::named(&driver.name)).is_none_or(Role::is_in_chain)
        };
        self.beside = (0..input.drivers.len()).filter(|&index| beside(&input.drivers[index])).collect();
        // Someone has to play.
        if self.beside.len() + 2 > input.drivers.len() {
            self.beside.clear();
        }
        for &index in &self.beside {
            let driver = &input.drivers[index];
            let how =
                if driver.role.is_none() { "by its name; say its role if that is wrong" } else { "as given" };
            self.findings.push(Finding::note(
                "beside-the-chain",
                format!(
                    "{} is a centre or a fill ({how}). It is no link between the others: it gets the delay with which \
                     it arrives with them and a level below theirs, and keeps its own filters.",
                    driver.name
                ),
            ));
        }
    }

    /// The drivers in the chain of one side, from the lowest up.
    pub(super) fn heard(&self, side: Feed) -> Vec<usize> {
        let plays = |index: &usize| {
            (self.sides[*index] == side || self.sides[*index] == Feed::Both) && !self.beside.contains(index)
        };
        let mut heard: Vec<usize> = (0..self.sides.len()).filter(plays).collect();
        let middle = |index: usize| {
            // Both of a pair stand at the same place of their sides.
            let pair = self.pairs.iter().find(|pair| pair.0 == index || pair.1 == index);
            let (one, other) = pair.copied().unwrap_or((index, index));
            let product = |index: usize| self.ranges[index].0 * self.ranges[index].1;
            product(one) * product(other)
        };
        heard.sort_by(|&a, &b| middle(a).total_cmp(&middle(b)));
        heard
    }

    /// The drivers whose names differ in `left` and `right` alone.
    fn mirrored(&self, input: &CarInput<'_>) -> Vec<(usize, usize)> {
        let names: Vec<String> = input.drivers.iter().map(|driver| driver.name.to_lowercase()).collect();
        let of = |side: Feed| {
            (0..names.len()).filter(move |&index| self.sides[index] == side && !self.beside.contains(&index))
        };
        of(Feed::Left)
            .filter_map(|left| {
                let wanted = names[left].replace("left", "right");
                Some((left, of(Feed::Right).find(|&right| names[right] == wanted)?))
            })
            .collect()
    }

    /// The sides that there are; one that hears all where no driver names a side.
    pub(super) fn listened(&self) -> Vec<Feed> {
        let in_chain = |side: Feed| {
            (0..self.sides.len()).any(|index| self.sides[index] == side && !self.beside.contains(&index))
        };
        let there: Vec<Feed> = [Feed::Left, Feed::Right].into_iter().filter(|&side| in_chain(side)).collect();
        if there.is_empty() { vec![Feed::Both] } else { there }
    }

    /// Finds the meetings: step by step from the lowest up, both sides at once, so that
    /// the left and the right get the same crossover.
    fn meet(&mut self, input: &CarInput<'_>, chains: &[Vec<usize>]) -> Result<(), CarError> {
        let wanted = chains.iter().map(|chain| chain.len().saturating_sub(1)).max().unwrap_or(0);
        if !input.crossovers_hz.is_empty() && input.crossovers_hz.len() != wanted {
            return Err(CarError::Crossovers { given: input.crossovers_hz.len(), wanted });
        }
        for step in 0..wanted {
            // Sides of unequal length are matched from the top, where they are alike.
            let pairs: BTreeSet<(usize, usize)> = chains
                .iter()
                .filter_map(|chain| {
                    let at = (chain.len() + step).checked_sub(wanted + 1)?;
                    Some((*chain.get(at)?, *chain.get(at + 1)?))
                })
                .collect();
            let Some(&(lower, upper)) = pairs.first() else { continue };
            let (frequency_hz, why) = match input.crossovers_hz.get(step) {
                Some(&given_hz) => (given_hz, "as given".to_owned()),
                None => self.suggest(&pairs, input, lower, upper),
            };
            let distinct = |of: fn(&(usize, usize)) -> usize| -> Vec<usize> {
                pairs.iter().map(of).collect::<BTreeSet<_>>().into_iter().collect()
            };
            let (lowers, uppers) = (distinct(|pair| pair.0), distinct(|pair| pair.1));
            if lowers.len() == uppers.len() {
                for (lower, upper) in pairs {
                    self.meetings.push(Meeting {
                        step,
                        lower: vec![lower],
                        upper: vec![upper],
                        frequency_hz,
                        why: why.clone(),
                    });
                }
            } else {
                self.meetings.push(Meeting { step, lower: lowers, upper: uppers, frequency_hz, why });
            }
        }
        Ok(())
    }

    /// A frequency that all who meet there can play, in the middle of what they share.
    fn suggest(
        &mut self,
        pairs: &BTreeSet<(usize, usize)>,
        input: &CarInput<'_>,
        lower: usize,
        upper: usize,
    ) -> (f64, String) {
        let low_hz = pairs.iter().map(|pair| self.ranges[pair.1].0).fold(0.0, f64::max);
        let high_hz = pairs.iter().map(|pair| self.ranges[pair.0].1).fold(f64::INFINITY, f64::min);
        let names = (&input.drivers[lower].name, &input.drivers[upper].name);
        if low_hz >= high_hz {
            let frequency_hz = two_digits((low_hz * high_hz).sqrt());
            self.findings.push(Finding::caution(
                "crossover-gap",
                format!(
                    "{} stops at {} and {} begins at {}: nothing plays in between. Measure both over a wider range, or \
                     choose drivers that meet.",
                    names.0,
                    hertz(high_hz),
                    names.1,
                    hertz(low_hz)
                ),
            ));
            return (frequency_hz, "in the middle of the gap".to_owned());
        }
        let middle_hz = (low_hz * high_hz).sqrt();
        let (wanted_hz, why) = if self.is_subwoofer(names.0, lower) {
            let (least_hz, most_hz) = SUBWOOFER_HZ;
            (middle_hz.clamp(least_hz, most_hz), "this is in the middle, as far as a subwoofer goes")
        } else {
            (middle_hz, "this is the middle of what they share")
        };
        // How two add up is judged over the octave about their crossover, so that it must have been
        // measured of both.
        let measured = |pick: fn(f64, f64) -> f64, end: fn(&(f64, f64)) -> f64, start: f64| {
            pairs
                .iter()
                .flat_map(|pair| [pair.0, pair.1])
                .map(|index| end(&self.measured[index]))
                .fold(start, pick)
        };
        let from_hz = measured(f64::max, |range| range.0, 0.0) * SQRT_2;
        let to_hz = measured(f64::min, |range| range.1, f64::INFINITY) / SQRT_2;
        let frequency_hz = two_digits(wanted_hz.max(low_hz * INSIDE).min(high_hz));
        let held_hz = if from_hz <= to_hz { frequency_hz.clamp(from_hz, to_hz) } else { frequency_hz };
        let why =
            if held_hz == frequency_hz { why } else { "this is as near to the middle as both were measured" };
        let frequency_hz = held_hz;
        let why = format!(
            "{} plays from {} and {} up to {}; {why}",
            names.1,
            hertz(low_hz),
            names.0,
            hertz(high_hz)
        );
        (frequency_hz, why)
    }

    /// Whether the lower driver of a meeting is a subwoofer: it says so, or plays below both sides.
    fn is_subwoofer(&self, name: &str, lower: usize) -> bool {
        let sides = self.listened();
        let lowest = sides.iter().all(|&side| self.heard(side).first() == Some(&lower));
        lowest && (sides.len() > 1 || name.to_lowercase().contains("sub"))
    }

    fn choose_filters(&mut self, profile: &Profile) {
        if profile.crossovers.is_empty() {
            self.findings.push(Finding::note(
                "no-crossovers",
                "The profile of this processor lists no crossover filters, so none is suggested.",
            ));
            return;
        }
        for meeting in &self.meetings {
            let ranges = &self.ranges;
            let highest_hz = meeting.lower.iter().map(|&lower| ranges[lower].1).fold(f64::INFINITY, f64::min);
            let lowest_hz = meeting.upper.iter().map(|&upper| ranges[upper].0).fold(0.0, f64::max);
            let octaves = (highest_hz / lowest_hz).log2();
            let wanted = if octaves < 1.0 { STEEP_DB_PER_OCTAVE } else { USUAL_DB_PER_OCTAVE };
            let Some(filter) = filter(profile, wanted, meeting.frequency_hz) else { continue };
            for &lower in &meeting.lower {
                self.low_pass[lower] = Some(filter);
            }
            for &upper in &meeting.upper {
                self.high_pass[upper] = Some(filter);
            }
        }
    }
}

/// The profile's filter whose slope is nearest: Linkwitz-Riley where it has one, because
/// its two sides add up flat.
pub(crate) fn filter(profile: &Profile, wanted: u32, frequency_hz: f64) -> Option<CarFilter> {
    let family = [CrossoverFamily::LinkwitzRiley, CrossoverFamily::Butterworth, CrossoverFamily::Bessel]
        .into_iter()
        .find_map(|family| profile.crossovers.iter().find(|choice| choice.family == family))?;
    let slope = family.slopes_db_per_octave.iter().copied().min_by_key(|slope| slope.abs_diff(wanted))?;
    Some(CarFilter { family: family.family, slope_db_per_octave: slope, frequency_hz })
}

/// A frequency as a person would set it: two digits.
pub(crate) fn two_digits(frequency_hz: f64) -> f64 {
    let unit = 10f64.powf(frequency_hz.log10().floor() - 1.0);
    (frequency_hz / unit).round() * unit
}
