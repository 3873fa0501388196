//! From values that are best to values that can be typed.

use super::cost::Evaluator;
use super::settings::{Corner, State};
use super::start::Start;
use super::transfer::Bell;
use super::{ChannelValues, TuneInput};
use crate::car::two_digits;
use crate::{Band, BandLayout, CarFilter, DelayGrid, Equalizer, Grid, USUAL_DELAYS};

/// A breach of what is held costs so much per decibel, so that none is left where it can be helped.
const BREACH_COSTS: f64 = 1e3;
/// A channel may be driven so much harder than in the plan while values move; on the grid up to 2 dB.
pub(super) const DRIVE_WANTED_DB: f64 = 1.5;
/// What is held on the grid.
pub(super) const DRIVE_DB: f64 = 2.0;
pub(super) const SEPARATION_DB: f64 = 8.0;
/// No channel is turned down further below the loudest one: few processors take less, and it is as good
/// as silent (common practice, no source).
const LOWEST_GAIN_DB: f64 = -60.0;
/// Rounds of the search, each over all values.
const ROUNDS: usize = 3;

/// A setting that can be typed; bands have the Q that is typed.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Typed {
    pub(super) gain_db: Vec<f64>,
    pub(super) delay_s: Vec<f64>,
    pub(super) inverted: Vec<bool>,
    pub(super) corner_hz: Vec<f64>,
    pub(super) banks: Vec<Vec<Band>>,
}

/// One value that can be stepped.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Step {
    Gain(usize),
    Delay(usize),
    Corner(usize),
    BandHz(usize, usize),
    BandGain(usize, usize),
    BandQ(usize, usize),
}

impl Typed {
    /// The nearest that can be typed.
    pub(super) fn nearest(input: &TuneInput<'_>, start: &Start, state: &State) -> Self {
        let profile = input.profile;
        let delay = profile.delay.unwrap_or(USUAL_DELAYS);
        let mut typed = Self {
            gain_db: state.level_db.clone(),
            delay_s: state.delay_s.clone(),
            inverted: state.inverted.clone(),
            corner_hz: start
                .junctions
                .iter()
                .zip(&state.corner_log_hz)
                .map(|(junction, log_hz)| junction.typed(log_hz.exp()))
                .collect(),
            banks: state
                .banks
                .iter()
                .zip(&start.locked_bands)
                .map(|(bells, locked)| {
                    let found = bells.iter().skip(locked.len());
                    let found = found.map(|bell| nearest_band(input, &profile.typed(&bell.band())));
                    locked.iter().map(|band| profile.typed(band)).chain(found).collect()
                })
                .collect(),
        };
        if start.locked_gain.is_empty() {
            let loudest = typed.gain_db.iter().copied().fold(f64::NEG_INFINITY, f64::max);
            typed.gain_db.iter_mut().for_each(|gain| *gain = (*gain - loudest).max(LOWEST_GAIN_DB));
        }
        if start.locked_delay.is_empty() {
            let least = typed.delay_s.iter().copied().fold(f64::INFINITY, f64::min);
            let names: Vec<&str> = input.drivers.iter().map(|driver| driver.channel.as_str()).collect();
            typed.delay_s.iter_mut().for_each(|delay| *delay -= least);
            typed.delay_s = crate::hold_delays(&names, &typed.delay_s, delay).0;
        }
        let step_db = input.options.gain_step_db;
        for (channel, gain) in typed.gain_db.iter_mut().enumerate() {
            if !start.locked_gain.contains(&channel) {
                // Adding 0 turns a negative zero into a plain one.
                *gain = (*gain / step_db).round() * step_db + 0.0;
            }
        }
        for (channel, delay_s) in typed.delay_s.iter_mut().enumerate() {
            if !start.locked_delay.contains(&channel) {
                *delay_s = delay.nearest(*delay_s);
            }
        }
        typed
    }

    /// The same with values that move.
    pub(super) fn state(&self, input: &TuneInput<'_>) -> State {
        State {
            level_db: self.gain_db.clone(),
            delay_s: self.delay_s.clone(),
            inverted: self.inverted.clone(),
            corner_log_hz: self.corner_hz.iter().map(|hz| hz.ln()).collect(),
            banks: self
                .banks
                .iter()
                .map(|bands| bands.iter().map(|band| Bell::from(&input.profile.cookbook(band))).collect())
                .collect(),
        }
    }

    /// Tries the neighbours on the grid of every value, one value after the other, as long as that helps.
    pub(super) fn improve(
        &mut self,
        input: &TuneInput<'_>,
        start: &Start,
        evaluator: &mut Evaluator<'_>,
        mut may_go_on: impl FnMut(&Evaluator<'_>) -> bool,
    ) {
        let mut best = held_cost(evaluator, &self.state(input));
        let steps = self.steps(start);
        for _ in 0..ROUNDS {
            let before = best;
            for &step in &steps {
                if !may_go_on(evaluator) {
                    return;
                }
                for places in [1isize, -1] {
                    while let Some(next) = self.stepped(input, start, step, places) {
                        let cost = held_cost(evaluator, &next.state(input));
                        if cost >= best * (1.0 - 1e-9) {
                            break;
                        }
                        (*self, best) = (next, cost);
                    }
                }
            }
            if best > before * (1.0 - 1e-4) {
                break;
            }
        }
        self.settle(input, start);
    }

    /// The loudest channel at 0, the shortest delay at 0, where nothing is locked; flat bands left out.
    fn settle(&mut self, input: &TuneInput<'_>, start: &Start) {
        let step_db = input.options.gain_step_db;
        if start.locked_gain.is_empty() {
            let loudest = self.gain_db.iter().copied().fold(f64::NEG_INFINITY, f64::max);
            for gain in &mut self.gain_db {
                *gain = (((*gain - loudest) / step_db).round() * step_db + 0.0).max(LOWEST_GAIN_DB);
            }
        }
        if start.locked_delay.is_empty() {
            let delay = input.profile.delay.unwrap_or(USUAL_DELAYS);
            let least = self.delay_s.iter().copied().fold(f64::INFINITY, f64::min);
            self.delay_s.iter_mut().for_each(|delay_s| *delay_s = delay.nearest(*delay_s - least));
        }
        for (bank, held) in self.banks.iter_mut().zip(&start.held_bands) {
            let mut number = 0;
            bank.retain(|band| {
                number += 1;
                band.gain_db != 0.0 || held.is_none_or(|held| number <= held)
            });
        }
    }

    fn steps(&self, start: &Start) -> Vec<Step> {
        let mut steps = Vec::new();
        let channels = 0..self.gain_db.len();
        steps.extend(channels.clone().filter(|at| !start.locked_gain.contains(at)).map(Step::Gain));
        for (bank, bands) in self.banks.iter().enumerate() {
            let Some(held) = start.held_bands[bank] else { continue };
            for band in held..bands.len() {
                steps.extend([Step::BandGain(bank, band), Step::BandHz(bank, band), Step::BandQ(bank, band)]);
            }
        }
        let moves = |wanted| start.variables.iter().any(|variable| variable.value == wanted);
        steps.extend(
            (0..self.corner_hz.len())
                .filter(|&at| moves(super::settings::Value::Corner(at)))
                .map(Step::Corner),
        );
        steps.extend(channels.filter(|&at| moves(super::settings::Value::Delay(at))).map(Step::Delay));
        steps
    }

    /// The same with one value stepped; `None` where it cannot be.
    fn stepped(&self, input: &TuneInput<'_>, start: &Start, step: Step, places: isize) -> Option<Self> {
        let mut next = self.clone();
        #[expect(clippy::cast_precision_loss, reason = "one place")]
        let sign = places as f64;
        match step {
            Step::Gain(channel) => {
                let gain_db = self.gain_db[channel] + sign * input.options.gain_step_db;
                let loudest = self.gain_db.iter().copied().fold(gain_db, f64::max);
                (gain_db - loudest >= LOWEST_GAIN_DB).then_some(())?;
                next.gain_db[channel] = gain_db;
            }
            Step::Delay(channel) => {
                let grid = input.profile.delay.unwrap_or(USUAL_DELAYS);
                let wanted = start
                    .variables
                    .iter()
                    .find(|variable| variable.value == super::settings::Value::Delay(channel))?;
                // Steps that a person could not tell are taken several at a time.
                let stride = (wanted.unit / 8.0 / grid.step_s).round().max(1.0);
                next.delay_s[channel] += sign * stride * grid.step_s;
                next.delays_fit(start, grid).then_some(())?;
            }
            Step::Corner(junction) => {
                let here = self.corner_hz[junction];
                let unit = 10f64.powf(here.log10().floor() - 1.0);
                let hz = start.junctions[junction].typed(here + sign * unit);
                (hz != here).then_some(())?;
                next.corner_hz[junction] = hz;
            }
            Step::BandGain(bank, band) => {
                let values = &input.profile.gain_db;
                let boost_db = input.options.max_boost_db.unwrap_or(input.profile.max_boost_db);
                let band = &mut next.banks[bank][band];
                let gain_db = strided(values, band.gain_db, places, |a, b| (a - b).abs() >= 0.24)?;
                (gain_db <= boost_db + 1e-9).then_some(())?;
                band.gain_db = gain_db;
            }
            Step::BandHz(bank, band) => {
                let BandLayout::Parametric { frequency_hz, .. } = &input.profile.bands else { return None };
                let band = &mut next.banks[bank][band];
                band.frequency_hz =
                    strided(frequency_hz, band.frequency_hz, places, |a, b| (a / b).ln().abs() >= 0.02)?;
            }
            Step::BandQ(bank, band) => {
                let BandLayout::Parametric { q, shelf_q, .. } = &input.profile.bands else { return None };
                let band = &mut next.banks[bank][band];
                let values = if band.kind == crate::BandKind::Peak { q } else { shelf_q };
                band.q = strided(values, band.q, places, |a, b| (a / b).ln().abs() >= 0.08)?;
            }
        }
        Some(next)
    }

    fn delays_fit(&self, start: &Start, grid: DelayGrid) -> bool {
        let least = self.delay_s.iter().copied().fold(f64::INFINITY, f64::min);
        let most = self.delay_s.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let from = if start.locked_delay.is_empty() { least } else { 0.0 };
        least >= from - 1e-12 && most - from <= grid.max_s + 1e-12
    }

    /// What each channel holds, and what the equalizers of the inputs hold besides.
    pub(super) fn values(
        &self,
        input: &TuneInput<'_>,
        start: &Start,
    ) -> (Vec<ChannelValues>, [Vec<Band>; 2]) {
        let cookbook = |bank: usize| -> Vec<Band> {
            let mut bands: Vec<Band> =
                self.banks[bank].iter().map(|band| input.profile.cookbook(band)).collect();
            bands.sort_by(|a, b| a.frequency_hz.total_cmp(&b.frequency_hz));
            bands
        };
        let in_channels = input.options.equalizer == Equalizer::Channels;
        let channel = |channel: usize| {
            let layout = &start.layout.channels[channel];
            let filter = |edge: &Option<super::settings::Edge>| {
                edge.as_ref().map(|edge| CarFilter {
                    frequency_hz: match edge.corner {
                        Corner::Junction(junction) => self.corner_hz[junction],
                        Corner::Fixed => edge.filter.frequency_hz,
                    },
                    ..edge.filter
                })
            };
            ChannelValues {
                gain_db: self.gain_db[channel],
                delay_s: self.delay_s[channel],
                inverted: self.inverted[channel],
                high_pass: filter(&layout.high_pass),
                low_pass: filter(&layout.low_pass),
                bands: if in_channels { cookbook(channel) } else { Vec::new() },
            }
        };
        let inputs =
            if in_channels { [Vec::new(), Vec::new()] } else { start.layout.channels[0].banks.map(cookbook) };
        ((0..self.gain_db.len()).map(channel).collect(), inputs)
    }
}

impl super::start::Junction {
    /// A frequency as it is typed, within the bounds.
    fn typed(&self, hz: f64) -> f64 {
        let rounded = two_digits(hz);
        if (self.low_hz..=self.high_hz).contains(&rounded) {
            rounded
        } else {
            hz.clamp(self.low_hz, self.high_hz)
        }
    }
}

/// The cost with what is held made dear.
fn held_cost(evaluator: &mut Evaluator<'_>, state: &State) -> f64 {
    let cost = evaluator.cost(state);
    cost + BREACH_COSTS * breach_db(evaluator)
}

/// By how much what is held is broken, in all.
pub(super) fn breach_db(evaluator: &Evaluator<'_>) -> f64 {
    let boost = (evaluator.boost_db() - evaluator.limits.cap_db - 1e-9).max(0.0);
    let separation =
        evaluator.separation_db().map_or(0.0, |separation| (SEPARATION_DB - separation).max(0.0));
    let drive: f64 = evaluator
        .limits
        .drive_db
        .iter()
        .flatten()
        .zip(&evaluator.drive_db)
        .map(|(limit, drive)| (drive - limit - (DRIVE_DB - DRIVE_WANTED_DB)).max(0.0))
        .sum();
    boost + separation + drive
}

fn nearest_band(input: &TuneInput<'_>, band: &Band) -> Band {
    let profile = input.profile;
    let gain_db = profile.gain_db.nearest(band.gain_db);
    match &profile.bands {
        BandLayout::Parametric { frequency_hz, q, shelf_q, .. } => {
            let q = if band.kind == crate::BandKind::Peak { q } else { shelf_q };
            Band {
                gain_db,
                frequency_hz: frequency_hz.nearest(band.frequency_hz),
                q: q.nearest(band.q),
                ..*band
            }
        }
        BandLayout::Fixed(fixed) => {
            let typed = fixed.iter().filter(|fixed| fixed.kind == band.kind).min_by(|a, b| {
                let off = |hz: f64| (hz / band.frequency_hz).ln().abs();
                off(a.frequency_hz).total_cmp(&off(b.frequency_hz))
            });
            typed.map_or(*band, |typed| Band {
                gain_db,
                frequency_hz: typed.frequency_hz,
                q: typed.q,
                ..*band
            })
        }
    }
}

/// The next value of a grid that differs enough.
fn strided(grid: &Grid, from: f64, places: isize, enough: impl Fn(f64, f64) -> bool) -> Option<f64> {
    let mut value = from;
    loop {
        let next = grid.stepped(value, places);
        if next == value {
            return (value != from).then_some(value);
        }
        value = next;
        if enough(value, from) {
            return Some(value);
        }
    }
}
