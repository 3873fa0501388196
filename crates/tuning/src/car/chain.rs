//! Works through the crossovers of a car from the highest down.

use std::f64::consts::PI;

use measure::Finding;
use num_complex::Complex64;

use super::plan::{Meeting, Plan};
use super::sum::{CarSum, Heard, POINTS_PER_OCTAVE};
use super::wiring::{BACKWARDS, Wiring};
use super::{CarAlignment, CarCrossover, CarError, CarInput, CarSetting};
use crate::junction::{self, Junction, Search};
use crate::octave::{Octave, Width};
use crate::{
    CarFilter, DelayEntry, DelayGrid, Feed, Pair, Response, USUAL_DELAYS, hold_delays, log_axis,
    speed_of_sound,
};

/// What stands beside the chain plays so far below it with one input driven: the separation that is wanted,
/// and two decibels (our choice, no source).
const BESIDE_DB: f64 = -10.0;
/// Two sides that are in phase are so much louder than one.
const BOTH_SIDES_DB: f64 = 6.0206;
/// Below this loss, left and right or two neighbours are worth a remark.
const POOR_DB: f64 = -3.0;
/// Left and right are in antiphase when `Re Σ L·R*` falls below this part of `Σ |L·R|` (our choice,
/// no source; −1 is complete, and two sounds that have nothing to do with each other give 0).
const ANTIPHASE: f64 = -0.3;

/// How sure a wiring is, from how far two polarities lie apart, 2 at the most (the limits and words are
/// our choice).
fn sureness(apart: f64) -> &'static str {
    match apart {
        apart if apart >= 1.0 => "clear",
        apart if apart >= 0.5 => "likely, and the polarity track tells for certain",
        _ => "a guess: check it with the polarity track",
    }
}

/// The worst loss of two neighbours as they stand, as it is heard.
fn worst_db(octave: &Octave) -> f64 {
    octave.loss(Pair { lower: 1.0, upper: 1.0 }, 0.0, false, Width::Sixth).worst_db
}

/// The state of the search.
pub(super) struct Chain<'a> {
    input: &'a CarInput<'a>,
    plan: Plan,
    wiring: Wiring,
    delay: DelayGrid,
    delay_s: Vec<f64>,
    gain_db: Vec<f64>,
    invert: Vec<bool>,
}

impl<'a> Chain<'a> {
    pub(super) fn new(input: &'a CarInput<'a>, plan: Plan) -> Self {
        let count = input.drivers.len();
        let delay = input.profile.delay.unwrap_or(USUAL_DELAYS);
        let wiring = Wiring::new(input, &plan);
        let mut invert = vec![false; count];
        for &(backwards, _) in &wiring.opposed {
            invert[backwards] = true;
        }
        Self { input, plan, wiring, delay, delay_s: vec![0.0; count], gain_db: vec![0.0; count], invert }
    }

    pub(super) fn solve(mut self) -> Result<CarAlignment, CarError> {
        self.delays_from_arrivals()?;
        let meetings = self.plan.meetings.clone();
        for step in meetings.chunk_by(|one, other| one.step == other.step).rev() {
            self.settle(step)?;
        }
        self.match_levels();
        self.bring_to_grid();
        self.say_what_is_backwards();
        self.say_what_is_in_antiphase();
        let crossovers =
            meetings.iter().map(|meeting| self.crossover(meeting)).collect::<Result<Vec<_>, _>>()?;
        let sums = self.sums();
        for sum in &sums {
            if sum.worst_db < POOR_DB && sum.heard != "all" {
                self.plan.findings.push(Finding::caution(
                    "sum-poor",
                    format!(
                        "{}: {:.1} dB are lost at {:.0} Hz, between {}. Try another crossover frequency or slope there.",
                        sum.heard,
                        -sum.worst_db,
                        sum.worst_hz,
                        sum.worst_between.join(" and ")
                    ),
                ));
            }
        }
        let rate = self.input.profile.sample_rate_hz;
        let drivers = (0..self.input.drivers.len())
            .map(|index| CarSetting {
                driver: self.input.drivers[index].name.clone(),
                delay_s: self.delay_s[index],
                delay: DelayEntry::new(self.delay_s[index], rate, self.input.temperature_c),
                gain_db: self.gain_db[index],
                invert: self.invert[index],
                high_pass: self.plan.high_pass[index],
                low_pass: self.plan.low_pass[index],
                usable_from_hz: self.plan.ranges[index].0,
                usable_to_hz: self.plan.ranges[index].1,
            })
            .collect();
        Ok(CarAlignment { drivers, crossovers, sums, findings: self.plan.findings })
    }

    fn delays_from_arrivals(&mut self) -> Result<(), CarError> {
        let drivers = self.input.drivers;
        let speed = speed_of_sound(self.input.temperature_c);
        let known: Vec<Option<f64>> =
            drivers.iter().map(|driver| driver.arrival_s.or(driver.distance_m.map(|m| m / speed))).collect();
        let arrivals: Vec<f64> = if known.iter().all(Option::is_none) {
            self.plan.findings.push(Finding::note(
                "arrivals-from-phase",
                "No arrivals or distances were given; they were read from the phase.",
            ));
            self.wiring.arrival_s.clone()
        } else {
            let found = |(known, driver): (&Option<f64>, &super::CarDriver)| {
                known.ok_or_else(|| CarError::NoPlace(driver.name.clone()))
            };
            known.iter().zip(drivers).map(found).collect::<Result<_, _>>()?
        };
        self.delay_s = crate::delays_from_arrivals(&arrivals);
        Ok(())
    }

    /// Sets the lower drivers of a crossover right against the upper ones, on all sides at once.
    fn settle(&mut self, step: &[Meeting]) -> Result<(), CarError> {
        let Some(crossover_hz) = step.first().map(|meeting| meeting.frequency_hz) else { return Ok(()) };
        let octaves: Vec<Octave> =
            step.iter().map(|meeting| self.octave(meeting, true)).collect::<Result<_, _>>()?;
        let junctions: Vec<Junction<'_>> = octaves.iter().map(Junction::levelled).collect();
        let lower: Vec<usize> = step.iter().flat_map(|meeting| meeting.lower.clone()).collect();
        let upper: Vec<usize> = step.iter().flat_map(|meeting| meeting.upper.clone()).collect();
        let (below, above) = (self.wired(&lower), self.wired(&upper));
        let alike = below.abs().min(above.abs()) * (below * above).signum();
        let settled =
            junction::choose(&junctions, Search::NearArrivals { delay: self.delay, crossover_hz, alike });
        for ((meeting, octave), upper_later_s) in step.iter().zip(&octaves).zip(settled.upper_later_s) {
            for &index in &meeting.lower {
                self.delay_s[index] -= upper_later_s;
                self.gain_db[index] += octave.upper_ahead_db();
            }
        }
        if settled.turned {
            self.turn_fewer(&lower, &upper);
        }
        Ok(())
    }

    /// Brings every driver to one level over the part of the sound that is its own. Where filters are in the
    /// responses already, neighbours were brought to one level at their crossovers. What is beside the chain
    /// stays below, and what both inputs feed is as loud as the two sides that add up.
    fn match_levels(&mut self) {
        let sides = self.plan.listened();
        let shared_db = |index: usize| {
            if sides.len() > 1 && self.plan.sides[index] == Feed::Both { BOTH_SIDES_DB } else { 0.0 }
        };
        let beside = |index: usize| self.plan.beside.contains(&index);
        let loud_db = if self.input.filtered {
            let top = sides.first().and_then(|&side| self.plan.heard(side).last().copied()).unwrap_or(0);
            self.gain_db[top] + self.level_db(top) - shared_db(top)
        } else {
            0.0
        };
        let gains: Vec<f64> = (0..self.gain_db.len())
            .map(|index| match (beside(index), self.input.filtered) {
                (false, true) => self.gain_db[index],
                (false, false) => loud_db + shared_db(index) - self.level_db(index),
                (true, _) => loud_db + shared_db(index) + BESIDE_DB - self.level_db(index),
            })
            .collect();
        self.gain_db = gains;
    }

    /// How loud a driver is: the power mean, in octaves, between its crossovers and inside of what it plays.
    fn level_db(&self, index: usize) -> f64 {
        let corner = |filter: Option<CarFilter>| filter.map(|filter| filter.frequency_hz);
        let (from_hz, to_hz) = self.plan.ranges[index];
        let low_hz = corner(self.plan.high_pass[index]).unwrap_or(from_hz).max(from_hz);
        let high_hz = corner(self.plan.low_pass[index]).unwrap_or(to_hz).min(to_hz);
        let response = &self.input.drivers[index].response;
        let powers: Vec<f64> = log_axis::grid(low_hz, high_hz.max(1.01 * low_hz), POINTS_PER_OCTAVE)
            .into_iter()
            .filter_map(|hz| Some(10f64.powf(response.db_at(hz)? / 10.0)))
            .collect();
        #[expect(clippy::cast_precision_loss, reason = "some hundred points")]
        let mean = powers.iter().sum::<f64>() / powers.len().max(1) as f64;
        10.0 * mean.max(1e-30).log10()
    }

    /// The polarity of some drivers as they stand, from −1 to 1.
    fn wired(&self, which: &[usize]) -> f64 {
        let polarity =
            |&index: &usize| self.wiring.polarity[index] * if self.invert[index] { -1.0 } else { 1.0 };
        #[expect(clippy::cast_precision_loss, reason = "a few drivers")]
        let count = which.len().max(1) as f64;
        which.iter().map(polarity).sum::<f64>() / count
    }

    /// Turns over what lies above a crossover with the upper drivers, or what lies below with
    /// the lower ones: that of which less is turned then. What both sides hear counts as below.
    fn turn_fewer(&mut self, lower: &[usize], upper: &[usize]) {
        let all: Vec<usize> = (0..self.invert.len()).collect();
        let above: Vec<usize> = all
            .iter()
            .copied()
            .filter(|index| {
                !lower.contains(index) && upper.iter().any(|&from| self.stands_above(*index, from))
            })
            .collect();
        let below: Vec<usize> = all.into_iter().filter(|index| !above.contains(index)).collect();
        let turned_after = |which: &[usize]| {
            (0..self.invert.len()).filter(|index| self.invert[*index] != which.contains(index)).count()
        };
        let which = if turned_after(&below) < turned_after(&above) { below } else { above };
        for index in which {
            self.invert[index] ^= true;
        }
    }

    /// Whether a driver is another one, or stands above it on a side that hears both.
    fn stands_above(&self, index: usize, from: usize) -> bool {
        self.plan.listened().into_iter().any(|side| {
            let heard = self.plan.heard(side);
            let place = |wanted: usize| heard.iter().position(|&other| other == wanted);
            matches!((place(index), place(from)), (Some(index), Some(from)) if index >= from)
        })
    }

    /// Names the drivers that are wired backwards and were turned over for it.
    fn say_what_is_backwards(&mut self) {
        let name = |index: usize| self.input.drivers[index].name.as_str();
        let opposed = self.wiring.opposed.clone();
        let side = |index: usize| self.plan.sides[index];
        let joined = self.plan.meetings.iter().any(|meeting| meeting.upper.len() > 1);
        let whole = !joined
            && opposed.len() == self.plan.pairs.len()
            && opposed.windows(2).all(|two| side(two[0].0) == side(two[1].0));
        let mut said = Vec::new();
        if let Some(&(first, _)) = opposed.first().filter(|_| whole) {
            said.push(Finding::note(
                "sides-opposed",
                format!(
                    "The two sides are wired in opposite polarity as wholes; all of the side of {} was inverted. \
                     Inverting the other side instead sounds the same.",
                    name(if self.invert[first] { first } else { opposed[0].1 })
                ),
            ));
        } else {
            said.extend(opposed.iter().map(|&(backwards, other)| {
                let turned = if self.invert[backwards] { backwards } else { other };
                Finding::caution(
                    "wired-backwards",
                    format!(
                        "{} has reversed polarity against {}; {} was inverted, so that both move alike. That it is this one and \
                         not the other is {}.",
                        name(backwards),
                        name(other),
                        name(turned),
                        sureness(self.wiring.polarity[other] - self.wiring.polarity[backwards])
                    ),
                )
            }));
        }
        let in_opposed = |index: usize| opposed.iter().any(|pair| pair.0 == index || pair.1 == index);
        let backwards: Vec<String> = (0..self.invert.len())
            .filter(|&index| {
                self.invert[index] && self.wiring.polarity[index] < BACKWARDS && !in_opposed(index)
            })
            .map(|index| format!("{} ({})", name(index), sureness(-2.0 * self.wiring.polarity[index])))
            .collect();
        if !backwards.is_empty() {
            said.push(Finding::caution(
                "wired-backwards",
                format!(
                    "By their own sound these have reversed polarity, and were inverted: {}.",
                    backwards.join(", ")
                ),
            ));
        }
        self.plan.findings.extend(said);
    }

    /// Names the pairs of which left and right cancel each other where both play the lowest two
    /// octaves of their part: higher up, unlike ways to the seat turn the phase by more than the
    /// wiring does.
    fn say_what_is_in_antiphase(&mut self) {
        for (left, right) in self.plan.pairs.clone() {
            let corner = |index: usize| self.plan.high_pass[index].map_or(0.0, |filter| filter.frequency_hz);
            let end =
                |index: usize| self.plan.low_pass[index].map_or(f64::INFINITY, |filter| filter.frequency_hz);
            let ranges = &self.plan.ranges;
            let from_hz = [ranges[left].0, ranges[right].0, corner(left), corner(right)]
                .into_iter()
                .fold(0.0, f64::max);
            let to_hz = [ranges[left].1, ranges[right].1, end(left), end(right), 4.0 * from_hz]
                .into_iter()
                .fold(f64::INFINITY, f64::min);
            let range = log_axis::grid(from_hz, to_hz.max(1.01 * from_hz), 24.0);
            let products =
                range.iter().map(|&hz| self.pressure(left, hz, true) * self.pressure(right, hz, true).conj());
            let (together, most) =
                products.fold((0.0, 1e-30), |(re, norm), product| (re + product.re, norm + product.norm()));
            if together < ANTIPHASE * most {
                let name = |index: usize| self.input.drivers[index].name.as_str();
                let text = format!(
                    "{} and {} remain in antiphase from {from_hz:.0} to {to_hz:.0} Hz: there they take from each other. \
                     Check their distances and their wiring, or measure both again.",
                    name(left),
                    name(right)
                );
                self.plan.findings.push(Finding::caution("pair-antiphase", text));
            }
        }
    }

    /// How the neighbours of a meeting add up with what is entered, and as wired.
    fn crossover(&self, meeting: &Meeting) -> Result<CarCrossover, CarError> {
        let names =
            |which: &[usize]| which.iter().map(|&index| self.input.drivers[index].name.clone()).collect();
        Ok(CarCrossover {
            lower: names(&meeting.lower),
            upper: names(&meeting.upper),
            frequency_hz: meeting.frequency_hz,
            why: meeting.why.clone(),
            worst_db: worst_db(&self.octave(meeting, true)?),
            before_worst_db: worst_db(&self.octave(meeting, false)?),
        })
    }

    /// What meets at a crossover as it is set so far, or as wired.
    fn octave(&self, meeting: &Meeting, set: bool) -> Result<Octave, CarError> {
        let name = |which: &[usize]| {
            let names: Vec<&str> =
                which.iter().map(|&index| self.input.drivers[index].name.as_str()).collect();
            names.join(" + ")
        };
        let (lower, upper) = (self.together(&meeting.lower, set), self.together(&meeting.upper, set));
        Octave::new(Pair { lower: &lower, upper: &upper }, meeting.frequency_hz).map_err(|error| {
            CarError::Pair { lower: name(&meeting.lower), upper: name(&meeting.upper), error }
        })
    }

    /// One or several drivers as they are set so far, or as wired; the complex sum.
    fn together(&self, which: &[usize], set: bool) -> Response {
        let common = |end: fn(&(f64, f64)) -> f64, pick: fn(f64, f64) -> f64, start: f64| {
            which.iter().map(|&index| end(&self.input.drivers[index].response.range_hz())).fold(start, pick)
        };
        let from_hz = common(|range| range.0, f64::max, 1.0);
        let to_hz = common(|range| range.1, f64::min, 0.49 * self.input.profile.sample_rate_hz);
        let frequency_hz = log_axis::grid(from_hz, to_hz.max(from_hz * 1.01), 2.0 * POINTS_PER_OCTAVE);
        let sum: Vec<Complex64> = frequency_hz
            .iter()
            .map(|&hz| which.iter().map(|&index| self.pressure(index, hz, set)).sum())
            .collect();
        Response {
            magnitude_db: sum.iter().map(|p| 20.0 * (p.norm() + 1e-15).log10()).collect(),
            phase_deg: Some(sum.iter().map(|p| p.arg().to_degrees()).collect()),
            coherence: None,
            spread_db: None,
            frequency_hz,
        }
    }

    /// What one driver does at a frequency, with its filters, and, where it is set, with
    /// delay, gain and polarity; nothing outside of what was measured.
    fn pressure(&self, index: usize, hz: f64, set: bool) -> Complex64 {
        let response = &self.input.drivers[index].response;
        let (Some(db), Some(phase_deg)) = (response.db_at(hz), response.phase_at(hz)) else {
            return Complex64::default();
        };
        let filters = self.filtered(self.plan.high_pass[index], true, hz)
            * self.filtered(self.plan.low_pass[index], false, hz);
        let own = Complex64::from_polar(10f64.powf(db / 20.0), phase_deg.to_radians()) * filters;
        if !set {
            return own;
        }
        let gain = 10f64.powf(self.gain_db[index] / 20.0) * if self.invert[index] { -1.0 } else { 1.0 };
        own * Complex64::from_polar(1.0, -2.0 * PI * hz * self.delay_s[index]) * gain
    }

    fn filtered(&self, filter: Option<CarFilter>, high: bool, hz: f64) -> Complex64 {
        let Some(filter) = filter else { return Complex64::new(1.0, 0.0) };
        let rate = self.input.profile.sample_rate_hz;
        let cascade = if high { filter.high_pass(rate) } else { filter.low_pass(rate) };
        cascade.map_or(Complex64::new(1.0, 0.0), |cascade| cascade.response(hz))
    }

    /// Takes the shortest delay and the highest gain as zero, and rounds to what can be
    /// entered.
    fn bring_to_grid(&mut self) {
        let shortest = self.delay_s.iter().copied().fold(f64::INFINITY, f64::min);
        let wanted_s: Vec<f64> = self.delay_s.iter().map(|delay_s| delay_s - shortest).collect();
        let names: Vec<&str> = self.input.drivers.iter().map(|driver| driver.name.as_str()).collect();
        let (held_s, limited) = hold_delays(&names, &wanted_s, self.delay);
        self.delay_s = held_s;
        self.plan.findings.extend(limited);
        let loudest = self.gain_db.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        // Adding 0 turns a negative zero into a plain one.
        self.gain_db.iter_mut().for_each(|gain| *gain = ((*gain - loudest) * 10.0).round() / 10.0 + 0.0);
    }

    fn sums(&self) -> Vec<CarSum> {
        let mut sums: Vec<CarSum> = Vec::new();
        let word = |side: Feed| match side {
            Feed::Left => "left",
            Feed::Right => "right",
            Feed::Both => "all",
        };
        for side in self.plan.listened() {
            sums.push(self.sum(word(side), &self.plan.heard(side)));
        }
        if sums.len() > 1 {
            let all: Vec<usize> = (0..self.input.drivers.len()).collect();
            sums.push(self.sum("all", &all));
        }
        sums
    }

    fn sum(&self, heard: &str, which: &[usize]) -> CarSum {
        let from_hz = which.iter().map(|&index| self.plan.ranges[index].0).fold(f64::INFINITY, f64::min);
        let to_hz = which.iter().map(|&index| self.plan.ranges[index].1).fold(0.0, f64::max);
        let frequency_hz = log_axis::grid(from_hz, to_hz, POINTS_PER_OCTAVE);
        let on_axis =
            |index: usize, set: bool| frequency_hz.iter().map(|&hz| self.pressure(index, hz, set)).collect();
        let drivers: Vec<Heard> = which
            .iter()
            .map(|&index| Heard {
                name: self.input.drivers[index].name.clone(),
                after: on_axis(index, true),
                before: on_axis(index, false),
            })
            .collect();
        CarSum::new(heard, frequency_hz, &drivers)
    }
}
