//! Works through the crossovers of a car from the highest down.

use std::f64::consts::PI;

use measure::Finding;
use num_complex::Complex64;

use super::drivers::{Side, arrival_by_phase_s};
use super::plan::{Meeting, Plan};
use super::sum::{CarSum, Heard, POINTS_PER_OCTAVE};
use super::{CarAlignment, CarCrossover, CarError, CarFilter, CarInput, CarSetting};
use crate::{
    AlignInput, Alignment, DelayEntry, DelayGrid, Response, USUAL_DELAYS, align, log_axis, speed_of_sound,
};

/// Below this loss, left and right or two neighbours are worth a remark.
const POOR_DB: f64 = -3.0;

/// The state of the search.
pub(super) struct Chain<'a> {
    input: &'a CarInput<'a>,
    plan: Plan,
    delay: DelayGrid,
    delay_s: Vec<f64>,
    gain_db: Vec<f64>,
    invert: Vec<bool>,
}

impl<'a> Chain<'a> {
    pub(super) fn new(input: &'a CarInput<'a>, plan: Plan) -> Self {
        let count = input.drivers.len();
        let delay = input.profile.delay.unwrap_or(USUAL_DELAYS);
        Self {
            input,
            plan,
            delay,
            delay_s: vec![0.0; count],
            gain_db: vec![0.0; count],
            invert: vec![false; count],
        }
    }

    pub(super) fn solve(mut self) -> Result<CarAlignment, CarError> {
        self.delays_from_arrivals()?;
        let mut crossovers = Vec::new();
        for meeting in self.plan.meetings.clone().into_iter().rev() {
            crossovers.push(self.settle(&meeting)?);
        }
        crossovers.reverse();
        self.turn_sides_that_nothing_joins();
        self.bring_to_grid();
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
                "No arrivals or distances were given; they were read from the slope of the phase.",
            ));
            drivers
                .iter()
                .zip(&self.plan.ranges)
                .map(|(driver, &range)| arrival_by_phase_s(driver, range))
                .collect()
        } else {
            let found = |(known, driver): (&Option<f64>, &super::CarDriver)| {
                known.ok_or_else(|| CarError::NoPlace(driver.name.clone()))
            };
            known.iter().zip(drivers).map(found).collect::<Result<_, _>>()?
        };
        self.delay_s = crate::delays_from_arrivals(&arrivals);
        Ok(())
    }

    /// Sets the lower drivers of a meeting right against the upper ones, as far as half a
    /// period around their arrival.
    fn settle(&mut self, meeting: &Meeting) -> Result<CarCrossover, CarError> {
        let window = DelayGrid {
            step_s: self.delay.step_s,
            max_s: (0.5 / meeting.frequency_hz).max(2.0 * self.delay.step_s),
        };
        if let [left, right] = meeting.upper[..] {
            self.turn_alike(left, right, (meeting.frequency_hz / 1.414, meeting.frequency_hz * 1.414));
        }
        let lower = self.together(&meeting.lower, true);
        let upper = self.together(&meeting.upper, true);
        let aligned = self.pair(meeting, &lower, &upper, window)?;
        let shift_s = aligned.delay_s.lower - aligned.delay_s.upper;
        let raised_db = aligned.gain_db.lower - aligned.gain_db.upper;
        for &index in &meeting.lower {
            self.delay_s[index] += shift_s;
            self.gain_db[index] += raised_db;
        }
        if aligned.invert.upper {
            // A tweeter is turned by itself; a subwoofer rather than all that is above it.
            let turned = match meeting.upper[..] {
                [one] => self.above(one),
                _ => meeting.lower.clone(),
            };
            self.turn(&turned);
        }
        // As wired: no delays at all.
        let bare = (self.together(&meeting.lower, false), self.together(&meeting.upper, false));
        let still = DelayGrid { step_s: 1e-6, max_s: 0.0 };
        let before = self.pair(meeting, &bare.0, &bare.1, still)?;
        let names =
            |which: &[usize]| which.iter().map(|&index| self.input.drivers[index].name.clone()).collect();
        Ok(CarCrossover {
            lower: names(&meeting.lower),
            upper: names(&meeting.upper),
            frequency_hz: meeting.frequency_hz,
            why: meeting.why.clone(),
            worst_db: aligned.sum.worst_db,
            before_worst_db: before.sum.before_worst_db,
        })
    }

    /// Without a driver that both sides meet, such as a subwoofer, each side is right in itself,
    /// and their lowest mirrored drivers must agree: a side may be wired backwards as a whole.
    fn turn_sides_that_nothing_joins(&mut self) {
        if self.plan.meetings.iter().any(|meeting| meeting.upper.len() > 1) {
            return;
        }
        let name = |index: usize| self.input.drivers[index].name.to_lowercase();
        let right = self.plan.heard(Side::Right);
        let mirrored = self.plan.heard(Side::Left).into_iter().find_map(|left| {
            let wanted = name(left).replace("left", "right");
            Some((left, right.iter().copied().find(|&right| right != left && name(right) == wanted)?))
        });
        let Some((left, right)) = mirrored else { return };
        let ranges = &self.plan.ranges;
        let from_hz = ranges[left].0.max(ranges[right].0);
        let to_hz = ranges[left].1.min(ranges[right].1);
        // The lowest two octaves that both play: higher up, unlike ways to the seat turn the
        // phase by more than the wiring does.
        let Some(turned) = self.turn_alike(left, right, (from_hz, to_hz.min(4.0 * from_hz))) else { return };
        self.plan.findings.push(Finding::note(
            "sides-opposed",
            format!(
                "The two sides are wired against each other as wholes; {} was turned with all above it. Turning the \
                 other side instead sounds the same.",
                self.input.drivers[turned].name
            ),
        ));
    }

    /// If two drivers, one of each side, would cancel each other in a range, one side is turned,
    /// the one that leaves fewer drivers turned; gives its lowest driver.
    fn turn_alike(&mut self, first: usize, second: usize, (from_hz, to_hz): (f64, f64)) -> Option<usize> {
        let range = log_axis::grid(from_hz, to_hz.max(1.01 * from_hz), 24.0);
        let product =
            |hz: &f64| (self.pressure(first, *hz, true) * self.pressure(second, *hz, true).conj()).re;
        if range.iter().map(product).sum::<f64>() >= 0.0 {
            return None;
        }
        let (one, other) = (self.above(first), self.above(second));
        let turned = |which: &[usize]| which.iter().filter(|&&index| self.invert[index]).count();
        let after = |which: &[usize]| which.len() - turned(which);
        let turns_other = turned(&one) + after(&other) < turned(&other) + after(&one);
        self.turn(if turns_other { &other } else { &one });
        Some(if turns_other { second } else { first })
    }

    fn turn(&mut self, which: &[usize]) {
        for &index in which {
            self.invert[index] ^= true;
        }
    }

    /// A driver and those above it on its own side.
    fn above(&self, index: usize) -> Vec<usize> {
        let heard = self.plan.heard(self.plan.sides[index]);
        let own = |other: &usize| self.plan.sides[*other] == self.plan.sides[index];
        heard.into_iter().skip_while(|&other| other != index).filter(own).collect()
    }

    fn pair(
        &self,
        meeting: &Meeting,
        lower: &Response,
        upper: &Response,
        delay: DelayGrid,
    ) -> Result<Alignment, CarError> {
        let name = |which: &[usize]| {
            let names: Vec<&str> =
                which.iter().map(|&index| self.input.drivers[index].name.as_str()).collect();
            names.join(" + ")
        };
        let mut input = AlignInput::new(lower, upper);
        input.crossover_hz = Some(meeting.frequency_hz);
        input.delay = delay;
        align(&input).map_err(|error| CarError::Pair {
            lower: name(&meeting.lower),
            upper: name(&meeting.upper),
            error,
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
        let loudest = self.gain_db.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        for (index, delay_s) in self.delay_s.iter_mut().enumerate() {
            let wanted_s = *delay_s - shortest;
            *delay_s = self.delay.nearest(wanted_s);
            if wanted_s > self.delay.max_s + self.delay.step_s {
                self.plan.findings.push(Finding::caution(
                    "delay-too-long",
                    format!(
                        "{} should be delayed by {:.2} ms; the processor has {:.2} ms.",
                        self.input.drivers[index].name,
                        1e3 * wanted_s,
                        1e3 * self.delay.max_s
                    ),
                ));
            }
        }
        // Adding 0 turns a negative zero into a plain one.
        self.gain_db.iter_mut().for_each(|gain| *gain = ((*gain - loudest) * 10.0).round() / 10.0 + 0.0);
    }

    fn sums(&self) -> Vec<CarSum> {
        let mut sums: Vec<CarSum> = Vec::new();
        let word = |side: Side| match side {
            Side::Left => "left",
            Side::Right => "right",
            Side::Both => "all",
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
