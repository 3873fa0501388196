//! The search: levels first, polarities tried, bands in, those that matter little out, then the grid.

use std::ops::ControlFlow;

use super::bands;
use super::cost::Evaluator;
use super::descent::{Objective, descend};
use super::findings;
use super::found::Found;
use super::judge::{Heard, counted, judged};
use super::on_grid::{DRIVE_WANTED_DB, Typed};
use super::problem::{Problem, place_weights};
use super::settings::{State, Value, Variable};
use super::start::Start;
use super::why;
use super::{CarTune, Judgement, OnProgress, TuneDriver, TuneError, TuneInput, TuneProgress, bare};

/// The usual effort, to which the shares below are related.
const USUAL_EFFORT: f64 = 3_000.0;
const LEVEL_EVALUATIONS: f64 = 40.0;
const START_EVALUATIONS: f64 = 60.0;
const BAND_EVALUATIONS: f64 = 600.0;
const PRUNE_EVALUATIONS: f64 = 15.0;
/// A polarity must be better than the plan's by this share before it is gone on with.
const TURNING_COSTS: f64 = 0.02;
/// All bands that are left out again together may cost this share.
const PRUNING_COSTS: f64 = 0.01;
/// A descent ends when three steps each gain less than this share.
const ENOUGH: f64 = 5e-5;
/// So many of the polarities are gone on with.
const GONE_ON_WITH: usize = 3;
/// How often progress is told.
const TELL_EVERY: usize = 25;
/// A tune for a place that was kept out is given this share of the effort.
const KEPT_OUT_EFFORT: f64 = 0.4;

/// Tunes a whole car.
///
/// The plan is what [`crate::align_car`] gives for the first place, with levels that suit the target. From
/// it, and from it with the polarity of subwoofers, woofers and mids turned over, levels, delays and
/// crossovers are improved together; from the best, bands as well; bands that matter little go; a search
/// over the grids ends it. See `cost.rs` for what is minimised. The same input gives the same output.
///
/// References: equalizing for several places at once: S. J. Elliott, P. A. Nelson, *Multiple-Point
/// Equalization in a Room Using Adaptive Digital Filters*, JAES 37(11), 1989; T. Welti, A. Devantier,
/// *Low-Frequency Optimization Using Multiple Subwoofers*, JAES 54(5), 2006 (abstracts). Accuracy: the 60 random cars of `whole_car/cars.rs`.
///
/// # Errors
/// When the drivers cannot be used.
pub fn tune_car(input: &TuneInput<'_>, on_progress: &mut OnProgress<'_>) -> Result<CarTune, TuneError> {
    bare::check(input)?;
    let weigh = place_weights(input);
    let drivers = bare::bare(input);
    let kept = kept_out_places(input);
    let (effort, each) = (input.options.effort, kept_out_effort(input));
    let of = effort + kept.len() * each;
    let found = search(input, &drivers, &weigh, effort, &mut |now| {
        on_progress(TuneProgress { evaluations: now.evaluations.min(effort), of, ..now })
    })?;
    let kept_out = if found.stopped {
        None
    } else {
        let (mut heard, mut begun) = (Vec::new(), effort);
        for &out in &kept {
            let one = kept_out(input, &drivers, &weigh, (out, &kept), &mut |now| {
                on_progress(TuneProgress { evaluations: begun + now.evaluations.min(each), of, ..now })
            })?;
            heard.extend(one);
            begun += each;
        }
        // Of some places only it would be the number of others.
        let names = kept.iter().map(|&place| input.places[place].name.as_str()).collect::<Vec<_>>();
        let whole = heard.len() == kept.len();
        Heard::joined(heard).filter(|_| whole).map(|heard| heard.judged(input.target, &names))
    };
    Ok(assembled(input, &drivers, found, kept_out))
}

/// The places that are kept out in turn; with fewer than three there is nothing to tune from without one.
fn kept_out_places(input: &TuneInput<'_>) -> Vec<usize> {
    let places = counted(input);
    if input.options.keep_out && places.len() > 2 { places } else { Vec::new() }
}

/// How many costs may be computed for each of them.
#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a share of a count")]
#[expect(clippy::cast_precision_loss, reason = "some thousands")]
fn kept_out_effort(input: &TuneInput<'_>) -> usize {
    (KEPT_OUT_EFFORT * input.options.effort as f64) as usize
}

/// Puts together what is said about a setting.
pub(super) fn assembled(
    input: &TuneInput<'_>,
    drivers: &[TuneDriver],
    found: Found,
    kept_out: Option<Judgement>,
) -> CarTune {
    let present: Vec<_> = drivers.iter().map(|driver| driver.present.clone()).collect();
    let (values, inputs) = found.typed.values(input, &found.start);
    let before = judged(input, drivers, &present, [&[], &[]]);
    let predicted = judged(input, drivers, &values, inputs.each_ref().map(Vec::as_slice));
    let said = why::explained(input, drivers, &found);
    let mut tune = CarTune {
        seat: input.options.seat,
        equalizer: input.options.equalizer,
        channels: said.channels,
        inputs: said.inputs,
        before,
        predicted,
        kept_out,
        drive_db: said.drive_db,
        separation_db: said.separation_db,
        evaluations: found.evaluations,
        findings: Vec::new(),
    };
    let inputs = inputs.each_ref().map(Vec::as_slice);
    tune.findings = findings::findings(input, drivers, &found, &tune, inputs);
    tune
}

/// What is heard at one of these places with a tune that did not know it; nothing where that was stopped.
fn kept_out(
    input: &TuneInput<'_>,
    drivers: &[TuneDriver],
    weigh: &[f64],
    (out, places): (usize, &[usize]),
    on_progress: &mut OnProgress<'_>,
) -> Result<Option<Heard>, TuneError> {
    let mut weigh = weigh.to_vec();
    weigh[out] = 0.0;
    let found = search(input, drivers, &weigh, kept_out_effort(input), on_progress)?;
    if found.stopped {
        return Ok(None);
    }
    let (values, inputs) = found.typed.values(input, &found.start);
    let there =
        |places: &[usize]| Heard::new(input, drivers, &values, inputs.each_ref().map(Vec::as_slice), places);
    let known: Vec<usize> = places.iter().copied().filter(|&place| place != out).collect();
    Ok(Some(there(&[out]).at_level_of(&there(&known), input.target)))
}

/// Finds a setting for the places that weigh something.
pub(super) fn search(
    input: &TuneInput<'_>,
    drivers: &[TuneDriver],
    weigh: &[f64],
    effort: usize,
    on_progress: &mut OnProgress<'_>,
) -> Result<Found, TuneError> {
    let first = weigh.iter().position(|&weight| weight > 0.0).ok_or(TuneError::NoPlace)?;
    let problem = Problem::new(input, drivers, weigh);
    let start = Start::new(input, drivers, &problem, first)?;
    let mut course = Course::new(input, &problem, &start, effort, on_progress);

    let plan = course.plan();
    let plan_drive_db = course.evaluator.drive_db.clone();
    course.evaluator.limits.drive_db =
        Some(plan_drive_db.iter().map(|drive| drive + DRIVE_WANTED_DB).collect());

    // Polarities, without bands.
    let mut begun: Vec<(f64, State)> = Vec::new();
    for (number, mut state) in start.polarities(drivers).into_iter().enumerate() {
        state.level_db.clone_from(&plan.level_db);
        let cost = course.descend(&mut state, &start.variables, START_EVALUATIONS);
        let turned = if number == 0 { 1.0 } else { 1.0 + TURNING_COSTS };
        begun.push((cost * turned, state));
    }
    begun.sort_by(|a, b| a.0.total_cmp(&b.0));

    // Bands.
    let mut best: Option<(f64, State)> = None;
    for (_, mut state) in begun.into_iter().take(GONE_ON_WITH) {
        let mut variables = bands::placed(input, &start, &problem.axis, &mut state);
        variables.extend(&start.variables);
        let cost = course.descend(&mut state, &variables, BAND_EVALUATIONS);
        if best.as_ref().is_none_or(|(least, _)| cost < *least) {
            best = Some((cost, state));
        }
    }
    let (_, mut state) = best.unwrap_or_else(|| (f64::INFINITY, plan.clone()));
    course.prune(&mut state);
    let free_cost = course.evaluator.cost(&state);

    // The grid.
    let mut typed = Typed::nearest(input, &start, &state);
    let Course { mut evaluator, mut teller, .. } = course;
    typed.improve(input, &start, &mut evaluator, |evaluator| teller.goes_on(evaluator));
    let stopped = teller.stopped;
    let cost = evaluator.cost(&typed.state(input));
    let evaluations = evaluator.evaluations;
    drop(evaluator);
    Ok(Found { typed, plan_drive_db, cost, free_cost, evaluations, stopped, start, problem })
}

/// A search on its way.
pub(super) struct Course<'a, 'p, 'o> {
    input: &'a TuneInput<'a>,
    start: &'a Start,
    pub(super) evaluator: Evaluator<'a>,
    /// The share of the usual effort.
    effort: f64,
    teller: Teller<'p, 'o>,
}

/// Tells how far a search has come, and learns whether it shall go on.
struct Teller<'p, 'o> {
    on_progress: &'p mut OnProgress<'o>,
    of: usize,
    next: usize,
    stopped: bool,
}

impl Teller<'_, '_> {
    fn goes_on(&mut self, evaluator: &Evaluator<'_>) -> bool {
        let evaluations = evaluator.evaluations;
        if !self.stopped && evaluations >= self.next {
            self.next = evaluations + TELL_EVERY;
            let progress =
                TuneProgress { evaluations, of: self.of.max(evaluations), left_db2: evaluator.error() };
            self.stopped = (self.on_progress)(progress).is_break();
        }
        !self.stopped
    }
}

impl<'a, 'p, 'o> Course<'a, 'p, 'o> {
    pub(super) fn new(
        input: &'a TuneInput<'a>,
        problem: &'a Problem,
        start: &'a Start,
        effort: usize,
        on_progress: &'p mut OnProgress<'o>,
    ) -> Self {
        #[expect(clippy::cast_precision_loss, reason = "some thousands")]
        let share = effort as f64 / USUAL_EFFORT;
        let evaluator = Evaluator::new(problem, &start.layout, Start::limits(input));
        let teller = Teller { on_progress, of: effort, next: TELL_EVERY, stopped: false };
        Self { input, start, evaluator, effort: share, teller }
    }

    /// The plan: as aligned, with the levels that suit the target.
    pub(super) fn plan(&mut self) -> State {
        let is_level = |variable: &&Variable| matches!(variable.value, Value::Level(_));
        let levels: Vec<Variable> = self.start.variables.iter().filter(is_level).copied().collect();
        let mut plan = self.start.state.clone();
        self.descend(&mut plan, &levels, LEVEL_EVALUATIONS);
        self.evaluator.cost(&plan);
        plan
    }

    /// Improves what may move, by so many evaluations at the usual effort; returns the cost.
    fn descend(&mut self, state: &mut State, variables: &[Variable], evaluations: f64) -> f64 {
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "some hundreds")]
        let evaluations = (evaluations * self.effort).round().max(2.0) as usize;
        let mut values = state.values(variables);
        let low: Vec<f64> = variables.iter().map(|variable| variable.low / variable.unit).collect();
        let high: Vec<f64> = variables.iter().map(|variable| variable.high / variable.unit).collect();
        let mut objective = Values { course: self, state, variables };
        let cost = descend(&mut objective, &mut values, (&low, &high), evaluations, ENOUGH);
        state.set_values(variables, &values);
        cost.unwrap_or(f64::INFINITY)
    }

    /// Leaves out the bands that matter least, one at a time, the others and the levels following.
    fn prune(&mut self, state: &mut State) {
        let most = self.evaluator.cost(state) * (1.0 + PRUNING_COSTS);
        while !self.teller.stopped {
            let mut least: Option<(f64, State)> = None;
            for bank in 0..state.banks.len() {
                let Some(held) = self.start.held_bands[bank] else { continue };
                for band in held..state.banks[bank].len() {
                    let mut without = state.clone();
                    without.banks[bank].remove(band);
                    let cost = self.evaluator.cost(&without);
                    if least.as_ref().is_none_or(|(least, _)| cost < *least) {
                        least = Some((cost, without));
                    }
                }
            }
            let Some((_, mut without)) = least else { return };
            let axis = &self.evaluator.problem.axis;
            let mut variables = bands::all_moving(self.input, self.start, axis, &without);
            variables.extend(&self.start.variables);
            if self.descend(&mut without, &variables, PRUNE_EVALUATIONS) > most {
                return;
            }
            *state = without;
        }
    }
}

/// The cost of the values of some variables.
struct Values<'c, 'a, 'p, 'o> {
    course: &'c mut Course<'a, 'p, 'o>,
    state: &'c mut State,
    variables: &'c [Variable],
}

impl Objective for Values<'_, '_, '_, '_> {
    fn cost(&mut self, values: &[f64], slopes: &mut [f64]) -> ControlFlow<(), f64> {
        if self.course.teller.stopped {
            return ControlFlow::Break(());
        }
        self.state.set_values(self.variables, values);
        let evaluator = &mut self.course.evaluator;
        let cost = evaluator.cost(self.state);
        evaluator.slopes(self.state, self.variables, slopes);
        self.course.teller.goes_on(&self.course.evaluator);
        ControlFlow::Continue(cost)
    }
}
