//! A tune without the search: alignment, levels, and one fit for each side.

use std::ops::ControlFlow;

use super::found::Found;
use super::judge::counted;
use super::on_grid::Typed;
use super::problem::{Problem, SIDES, place_weights, sampled};
use super::search::{Course, assembled};
use super::settings::Edge;
use super::start::Start;
use super::transfer::{Axis, Bell};
use super::{CarTune, TuneDriver, TuneError, TuneInput, bare};
use crate::fit::fit_at_level;
use crate::{Band, Equalizer, Feed, FitInput, FitOptions, FitResult, Response, log_axis};

/// A band that does less than this to what a channel plays is not typed there.
const TELLS_DB: f64 = 0.3;
const POINTS_PER_OCTAVE: f64 = 48.0;

/// Tunes a whole car in a few milliseconds for each band: what [`crate::align_car`] gives, levels that suit
/// the target, then a fit ([`crate::fit`]) for the left and for the right side, whose difference of level is entered
/// as gain. What both inputs feed takes the left side's bands.
///
/// Two thirds or more of what [`super::tune_car`] gains in the average of a side; levels within a side,
/// crossovers and delays stay as aligned.
///
/// # Errors
/// When the drivers cannot be used.
pub fn quick_tune(input: &TuneInput<'_>) -> Result<CarTune, TuneError> {
    bare::check(input)?;
    let weigh = place_weights(input);
    let first = weigh.iter().position(|&weight| weight > 0.0).ok_or(TuneError::NoPlace)?;
    let drivers = bare::bare(input);
    let problem = Problem::new(input, &drivers, &weigh);
    let start = Start::new(input, &drivers, &problem, first)?;
    let mut go_on = |_| ControlFlow::Continue(());
    let mut course = Course::new(input, &problem, &start, input.options.effort, &mut go_on);
    let plan = course.plan();
    let plan_drive_db = course.evaluator.drive_db.clone();
    let mut evaluations = course.evaluator.evaluations;
    drop(course);

    let (left, right) = match input.options.equalizer {
        Equalizer::One => {
            let both: Vec<Response> =
                (0..2).flat_map(|side| side_responses(input, &drivers, &start, &plan, side)).collect();
            let one = fitted(input, &both, "left and right")?;
            (one.clone(), one)
        }
        _ => {
            let of = |side: usize| {
                fitted(input, &side_responses(input, &drivers, &start, &plan, side), ["left", "right"][side])
            };
            (of(0)?, of(1)?)
        }
    };
    let mut state = plan.clone();
    for (channel, driver) in drivers.iter().enumerate() {
        if !start.locked_gain.contains(&channel) {
            state.level_db[channel] -= match driver.feed {
                Feed::Left => left.offset_db,
                Feed::Right => right.offset_db,
                Feed::Both => 0.5 * (left.offset_db + right.offset_db),
            };
        }
    }
    for bank in 0..state.banks.len() {
        let Some(held) = start.held_bands[bank] else { continue };
        let fit = match input.options.equalizer {
            Equalizer::Channels if drivers[bank].feed == Feed::Right => &right,
            Equalizer::Sides if bank == 1 => &right,
            _ => &left,
        };
        state.banks[bank].truncate(held);
        let plays = start.layout.plays[bank].clone();
        let hz = &problem.axis.hz[plays];
        let rate = input.profile.sample_rate_hz;
        let tells = |band: &&Band| crate::bands_db(&[**band], hz, rate).iter().any(|db| db.abs() > TELLS_DB);
        let bands: Vec<Band> = fit.bands.iter().map(|band| band.band).collect();
        state.banks[bank].extend(bands.iter().filter(tells).map(Bell::from));
    }
    let typed = Typed::nearest(input, &start, &state);
    let mut evaluator = super::cost::Evaluator::new(&problem, &start.layout, Start::limits(input));
    let cost = evaluator.cost(&typed.state(input));
    evaluations += evaluator.evaluations;
    let found = Found {
        free_cost: cost,
        stopped: false,
        plan_drive_db,
        start: start.clone(),
        problem: problem.clone(),
        typed,
        cost,
        evaluations,
    };
    Ok(assembled(input, &drivers, found, None))
}

fn fitted(input: &TuneInput<'_>, responses: &[Response], side: &'static str) -> Result<FitResult, TuneError> {
    let options = FitOptions {
        from_hz: super::problem::JUDGED_HZ.0,
        to_hz: super::problem::JUDGED_HZ.1,
        max_boost_db: input.options.max_boost_db,
        max_bands: input.options.max_bands,
        ..FitOptions::default()
    };
    // What bands take from the level the channels' gains would have to give, and those are at their limits.
    fit_at_level(&FitInput { responses, target: input.target, profile: input.profile, options: &options })
        .map_err(|error| TuneError::Side { side, error })
}

/// What one input makes at each place with the plan.
fn side_responses(
    input: &TuneInput<'_>,
    drivers: &[TuneDriver],
    start: &Start,
    plan: &super::settings::State,
    side: usize,
) -> Vec<Response> {
    let rate = input.profile.sample_rate_hz;
    let fed: Vec<usize> = (0..drivers.len())
        .filter(|&channel| drivers[channel].feed == SIDES[side] || drivers[channel].feed == Feed::Both)
        .collect();
    let ends = fed.iter().map(|&channel| drivers[channel].measured_hz());
    let (from_hz, to_hz) =
        ends.fold((f64::INFINITY, 0.0f64), |(low, high), (from, to)| (low.min(from), high.max(to)));
    let hz = log_axis::grid(from_hz, to_hz.min(0.49 * rate), POINTS_PER_OCTAVE);
    let axis = Axis::new(hz.clone(), rate);
    counted(input)
        .into_iter()
        .map(|place| {
            let mut sum = vec![num_complex::Complex64::ZERO; hz.len()];
            for &channel in &fed {
                let mut response = sampled(&drivers[channel], &[place], &hz);
                let layout = &start.layout.channels[channel];
                for edge in layout.edges() {
                    edge.slope.multiply(&axis, Edge::corner_hz(edge, plan), &mut response);
                }
                let sign = if plan.inverted[channel] { -1.0 } else { 1.0 };
                let gain = sign * 10f64.powf(plan.level_db[channel] / 20.0);
                let turn = -std::f64::consts::TAU * plan.delay_s[channel];
                for ((sum, response), hz) in sum.iter_mut().zip(response).zip(&hz) {
                    *sum += response * num_complex::Complex64::from_polar(1.0, turn * hz) * gain;
                }
            }
            Response {
                magnitude_db: sum.iter().map(|sum| 20.0 * (sum.norm() + 1e-15).log10()).collect(),
                phase_deg: Some(sum.iter().map(|sum| sum.arg().to_degrees()).collect()),
                coherence: None,
                spread_db: None,
                frequency_hz: hz.clone(),
            }
        })
        .collect()
}
