//! Why each value is what it is: what is lost when it alone is set back, the level following.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use super::cost::{Evaluator, Limits};
use super::found::Found;
use super::on_grid::{DRIVE_DB, DRIVE_WANTED_DB};
use super::problem::Problem;
use super::settings::{Corner, Edge, State};
use super::start::{Start, bank_feed};
use super::{Reasons, TuneDriver, TuneInput, TunedChannel, TunedInput};
use crate::fit::hertz;
use crate::{Band, BandKind, Equalizer, FittedBand};

/// What changes by less than this is not worth a number.
const TELLS_DB: f64 = 0.05;

/// What is said about a setting.
pub(super) struct Explained {
    pub(super) channels: Vec<TunedChannel>,
    pub(super) inputs: Vec<TunedInput>,
    pub(super) drive_db: BTreeMap<String, f64>,
    pub(super) separation_db: Option<f64>,
}

/// The values with their reasons, and what is driven and kept apart how far.
pub(super) fn explained(input: &TuneInput<'_>, drivers: &[TuneDriver], found: &Found) -> Explained {
    let mut witness = Witness::new(input, drivers, found);
    let drive_db = drivers
        .iter()
        .zip(&witness.drive_db)
        .map(|(driver, drive_db)| (driver.channel.clone(), *drive_db))
        .collect();
    let separation_db = witness.separation_db;
    let (values, _) = found.typed.values(input, &found.start);
    let in_channels = input.options.equalizer == Equalizer::Channels;
    let channels = drivers
        .iter()
        .zip(values)
        .enumerate()
        .map(|(index, (driver, values))| TunedChannel {
            channel: driver.channel.clone(),
            gain_db: values.gain_db,
            delay_s: values.delay_s,
            inverted: values.inverted,
            high_pass: values.high_pass,
            low_pass: values.low_pass,
            bands: if in_channels { witness.bands(index) } else { Vec::new() },
            why: witness.reasons(index),
        })
        .collect();
    let banks = if in_channels { 0 } else { found.typed.banks.len() };
    let inputs = (0..banks)
        .map(|bank| TunedInput {
            input: bank_feed(input.options.equalizer, bank),
            bands: witness.bands(bank),
        })
        .collect();
    Explained { channels, inputs, drive_db, separation_db }
}

/// How the car is with one setting.
#[derive(Debug, Clone, PartialEq)]
struct Figures {
    left_db: f64,
    right_db: f64,
    apart_db: f64,
    both_db: f64,
    /// What is left at each place, by itself.
    places: Vec<f64>,
}

/// Tries what happens without a value.
struct Witness<'a> {
    input: &'a TuneInput<'a>,
    found: &'a Found,
    evaluator: Evaluator<'a>,
    state: State,
    now: Figures,
    /// How far everything was shifted against the plan: gains, and delays.
    gain_shift_db: f64,
    delay_shift_s: f64,
    drive_db: Vec<f64>,
    separation_db: Option<f64>,
}

impl<'a> Witness<'a> {
    fn new(input: &'a TuneInput<'a>, drivers: &[TuneDriver], found: &'a Found) -> Self {
        let limits = Limits { drive_db: None, ..Start::limits(input) };
        let mut evaluator = Evaluator::new(&found.problem, &found.start.layout, limits);
        let state = found.typed.state(input);
        let now = figures(&mut evaluator, &state);
        let drive_db =
            evaluator.drive_db.iter().zip(&found.plan_drive_db).map(|(now, plan)| now - plan).collect();
        let chain: Vec<usize> =
            (0..drivers.len()).filter(|&index| drivers[index].role.is_in_chain()).collect();
        #[expect(clippy::cast_precision_loss, reason = "a few channels")]
        let count = chain.len().max(1) as f64;
        let (typed, plan) = (&found.typed, &found.start.state);
        let shift = |now: &[f64], plan: &[f64]| {
            chain.iter().map(|&channel| now[channel] - plan[channel]).sum::<f64>() / count
        };
        // The tops of the sides stay where the arrivals put them.
        let moves =
            |channel: &&usize| found.start.junctions.iter().any(|junction| junction.lower.contains(channel));
        let top = chain.iter().find(|channel| !moves(channel)).copied().unwrap_or(0);
        Self {
            gain_shift_db: shift(&typed.gain_db, &plan.level_db),
            delay_shift_s: typed.delay_s[top] - plan.delay_s[top],
            separation_db: evaluator.separation_db(),
            input,
            found,
            evaluator,
            state,
            now,
            drive_db,
        }
    }

    fn reasons(&mut self, channel: usize) -> Reasons {
        let layout = &self.found.start.layout.channels[channel];
        let (high, low) = (layout.high_pass.as_ref(), layout.low_pass.as_ref());
        Reasons {
            gain_db: self.of_gain(channel),
            delay_s: self.of_delay(channel),
            inverted: self.of_polarity(channel),
            high_pass: high.map(|edge| self.of_edge(edge, true)),
            low_pass: low.map(|edge| self.of_edge(edge, false)),
        }
    }

    fn of_gain(&mut self, channel: usize) -> String {
        if self.found.start.locked_gain.contains(&channel) {
            return LOCKED.to_owned();
        }
        let plan_db = self.found.start.state.level_db[channel] + self.gain_shift_db;
        let by_db = self.state.level_db[channel] - plan_db;
        let step_db = self.input.options.gain_step_db;
        let mut text = if by_db.abs() < 0.6 * step_db {
            "As loud as the others over what it plays.".to_owned()
        } else {
            let mut without = self.state.clone();
            without.level_db[channel] = plan_db;
            let word = if by_db > 0.0 { "up" } else { "down" };
            format!(
                "{:.1} dB {word} from where all are equally loud over what they play: {}",
                by_db.abs(),
                self.loss(&without)
            )
        };
        if self.drive_db[channel] > DRIVE_DB - 0.5 * DRIVE_WANTED_DB {
            text.push_str(" It goes no higher because it would be driven too hard.");
        }
        if self.found.problem.in_both.contains(&channel)
            && let Some(separation_db) = self.separation_db
        {
            let _ = write!(text, " Left and right stay {separation_db:.1} dB above it.");
        }
        text
    }

    fn of_delay(&mut self, channel: usize) -> String {
        if self.found.start.locked_delay.contains(&channel) {
            return LOCKED.to_owned();
        }
        let plan_s = self.found.start.state.delay_s[channel] + self.delay_shift_s;
        let by_s = self.state.delay_s[channel] - plan_s;
        let step_s = self.input.profile.delay.unwrap_or(crate::USUAL_DELAYS).step_s;
        if by_s.abs() < 1.01 * step_s {
            return "By its arrival and its crossover, so that all arrive together.".to_owned();
        }
        let mut without = self.state.clone();
        without.delay_s[channel] = plan_s;
        let word = if by_s > 0.0 { "later" } else { "earlier" };
        format!(
            "{:.2} ms {word} than by arrival and crossover alone: {}",
            1e3 * by_s.abs(),
            self.loss(&without)
        )
    }

    fn of_polarity(&mut self, channel: usize) -> String {
        let mut without = self.state.clone();
        without.inverted[channel] ^= true;
        let word = if self.state.inverted[channel] { "Inverted" } else { "As wired" };
        format!("{word}: {}", self.loss(&without))
    }

    fn of_edge(&mut self, edge: &Edge, is_high_pass: bool) -> String {
        let Corner::Junction(number) = edge.corner else {
            return "Its own filter: no crossover meets it.".to_owned();
        };
        let junction = &self.found.start.junctions[number];
        let hz = self.found.typed.corner_hz[number];
        let mut text = if (hz / junction.plan_hz).ln().abs() < 0.02 {
            let mut why = junction.why.clone();
            why.push('.');
            why
        } else {
            let mut without = self.state.clone();
            without.corner_log_hz[number] = junction.plan_hz.ln();
            format!("Moved from {} to {}: {}", hertz(junction.plan_hz), hertz(hz), self.loss(&without))
        };
        if hz <= junction.low_hz * 1.02 && !junction.floor.is_empty() && is_high_pass {
            let _ = write!(text, " It goes no lower for {}.", junction.floor);
        }
        text
    }

    fn bands(&mut self, bank: usize) -> Vec<FittedBand> {
        let typed: Vec<Band> = self.found.typed.banks[bank].clone();
        let held = self.found.start.held_bands[bank];
        let mut bands: Vec<FittedBand> = typed
            .iter()
            .enumerate()
            .map(|(number, typed)| {
                let band = self.input.profile.cookbook(typed);
                let entered_q = ((band.q - typed.q).abs() > 1e-9).then_some(typed.q);
                let why = if held.is_none_or(|held| number < held) {
                    LOCKED.to_owned()
                } else {
                    self.of_band(bank, number, &band)
                };
                FittedBand { band, entered_q, why }
            })
            .collect();
        bands.sort_by(|a, b| a.band.frequency_hz.total_cmp(&b.band.frequency_hz));
        bands
    }

    fn of_band(&mut self, bank: usize, number: usize, band: &Band) -> String {
        let mut without = self.state.clone();
        without.banks[bank].remove(number);
        let place = match band.kind {
            BandKind::Peak => "Around",
            BandKind::LowShelf => "Below",
            BandKind::HighShelf => "Above",
        };
        format!("{place} {}: {}", hertz(band.frequency_hz), self.loss(&without))
    }

    /// What is lost with another setting, in the figure that says most, and how many places agree.
    fn loss(&mut self, without: &State) -> String {
        let other = figures(&mut self.evaluator, without);
        let now = &self.now;
        let apart =
            format!("left and right differ by {:.1} dB, with it by {:.1}", other.apart_db, now.apart_db);
        let side = |name: &str, without: f64, with: f64| {
            format!("{name} is {without:.1} dB from the target, with it {with:.1}")
        };
        let (lost_db, text) = [
            (other.apart_db - now.apart_db, apart),
            (other.left_db - now.left_db, side("the left side", other.left_db, now.left_db)),
            (other.right_db - now.right_db, side("the right side", other.right_db, now.right_db)),
            (other.both_db - now.both_db, side("both sides together", other.both_db, now.both_db)),
        ]
        .into_iter()
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .unwrap_or_default();
        if lost_db < TELLS_DB {
            return "it matters little here.".to_owned();
        }
        let agree = now.places.iter().zip(&other.places).filter(|(now, other)| now < other).count();
        let of = now.places.len();
        let places = match (agree, of) {
            (_, 1) => "at the one place".to_owned(),
            (agree, of) if agree == of => format!("all {of} places agree"),
            (agree, of) => format!("{agree} of {of} places agree"),
        };
        format!("without it {text}; {places}.")
    }
}

const LOCKED: &str = "Locked: kept as it was.";

/// Computes the figures of one setting.
fn figures(evaluator: &mut Evaluator<'_>, state: &State) -> Figures {
    evaluator.cost(state);
    let problem = evaluator.problem;
    let average = |curve: usize| -> Vec<f64> {
        let powers = &evaluator.powers()[curve];
        let at = |point: usize| -> f64 {
            (0..problem.places).map(|place| powers[place * problem.points() + point]).sum()
        };
        (0..problem.points()).map(|point| 10.0 * (at(point) + 1e-30).log10()).collect()
    };
    let [left, right, both] = [average(0), average(1), average(2)];
    let apart: Vec<f64> = left.iter().zip(&right).map(|(left, right)| left - right).collect();
    let from_target = |curve: Vec<f64>, lower: &dyn Fn(usize) -> f64| {
        let residual: Vec<f64> = curve
            .iter()
            .enumerate()
            .map(|(point, db)| db - problem.target_db[point] - lower(point))
            .collect();
        rms(problem, &residual, true)
    };
    Figures {
        apart_db: rms(problem, &apart, false),
        left_db: from_target(left, &|_| 0.0),
        right_db: from_target(right, &|_| 0.0),
        both_db: from_target(both, &|point| problem.both_db[point]),
        places: (0..problem.places).map(|place| evaluator.error_at(place)).collect(),
    }
}

/// The root mean square over what is judged, at its own level or as it is.
fn rms(problem: &Problem, values: &[f64], own_level: bool) -> f64 {
    let mean: f64 = if own_level {
        values.iter().zip(&problem.pink).map(|(value, share)| value * share).sum()
    } else {
        0.0
    };
    let squares = values.iter().zip(&problem.pink).map(|(value, share)| share * (value - mean).powi(2));
    squares.sum::<f64>().sqrt()
}
