//! How good a car is: left, right, left against right, both together, each place by itself.

use num_complex::Complex64;

use super::problem::{JUDGED_HZ, SIDES, both_db, place_weights, sampled};
use super::settings::Edge;
use super::transfer::{Axis, Bell};
use super::{
    ChannelValues, JudgedCar, Judgement, LeftRight, PlaceDeviation, SideDeviation, TuneDriver, TuneInput,
};
use crate::{Band, Feed, Response, Target, log_axis};

/// Powers are added up at so many points an octave, and averaged over a twelfth of an octave.
const POINTS_PER_OCTAVE: f64 = 96.0;
const AVERAGED_FRACTION: u32 = 12;
/// So many of those points are judged: 12 an octave.
const EVERY: usize = 8;

/// The powers of left, right and both at each place, with the level at which they were computed.
#[derive(Debug, Clone)]
pub(super) struct Heard {
    hz: Vec<f64>,
    /// `powers[curve][place][point]`, curves left, right, both.
    powers: [Vec<Vec<f64>>; 3],
}

/// What a channel does with its settings, on an axis.
pub(super) fn channel_response(axis: &Axis, values: &ChannelValues) -> Vec<Complex64> {
    let sign = if values.inverted { -1.0 } else { 1.0 };
    let amplitude = sign * 10f64.powf(values.gain_db / 20.0);
    let turn = -std::f64::consts::TAU * values.delay_s;
    let mut response: Vec<Complex64> =
        axis.hz.iter().map(|hz| Complex64::from_polar(amplitude, turn * hz)).collect();
    for (filter, is_high_pass) in [(values.high_pass, true), (values.low_pass, false)] {
        let edge = filter.and_then(|filter| Edge::new(filter, is_high_pass, super::settings::Corner::Fixed));
        if let Some(edge) = edge {
            edge.slope.multiply(axis, edge.filter.frequency_hz, &mut response);
        }
    }
    through(axis, &values.bands, &mut response);
    response
}

fn through(axis: &Axis, bands: &[Band], response: &mut [Complex64]) {
    for band in bands {
        Bell::from(band).multiply(axis, response);
    }
}

impl Heard {
    /// What is heard at some places with these settings.
    pub(super) fn new(
        input: &TuneInput<'_>,
        drivers: &[TuneDriver],
        values: &[ChannelValues],
        inputs: [&[Band]; 2],
        places: &[usize],
    ) -> Self {
        let rate = input.profile.sample_rate_hz;
        let hz = log_axis::grid(JUDGED_HZ.0, JUDGED_HZ.1.min(0.45 * rate), POINTS_PER_OCTAVE);
        let axis = Axis::new(hz.clone(), rate);
        let points = hz.len();
        let mut sums = [0, 1].map(|_| vec![Complex64::ZERO; points * places.len()]);
        for (driver, values) in drivers.iter().zip(values) {
            let channel = channel_response(&axis, values);
            let responses = sampled(driver, places, &hz);
            for (side, sum) in sums.iter_mut().enumerate() {
                if driver.feed == SIDES[side] || driver.feed == Feed::Both {
                    let values = sum.iter_mut().zip(&responses).zip(channel.iter().cycle());
                    values.for_each(|((sum, response), channel)| *sum += response * channel);
                }
            }
        }
        for (sum, bands) in sums.iter_mut().zip(inputs) {
            sum.chunks_exact_mut(points).for_each(|sum| through(&axis, bands, sum));
        }
        let [left, right] = &sums;
        let place = |curve: usize, place: usize| -> Vec<f64> {
            let range = place * points..(place + 1) * points;
            let pairs = left[range.clone()].iter().zip(&right[range]);
            let db: Vec<f64> = pairs
                .map(|(l, r)| match curve {
                    0 => l.norm_sqr(),
                    1 => r.norm_sqr(),
                    _ => 0.25 * (l + r).norm_sqr(),
                })
                .map(|power| 10.0 * (power + 1e-30).log10())
                .collect();
            let smooth = log_axis::smooth_power_db(&hz, &db, AVERAGED_FRACTION);
            smooth.iter().step_by(EVERY).map(|db| 10f64.powf(db / 10.0)).collect()
        };
        let curve = |curve: usize| (0..places.len()).map(|at| place(curve, at)).collect();
        Self { powers: [curve(0), curve(1), curve(2)], hz: hz.iter().step_by(EVERY).copied().collect() }
    }

    /// Brings it down by the level at which left and right stand at other places, so that what was heard
    /// with different tunes can be averaged.
    pub(super) fn at_level_of(mut self, other: &Self, target: &Target) -> Self {
        let off = |powers: &Vec<f64>| residual(&other.hz, powers, target, 0).1;
        let all: Vec<f64> = other.powers[..2].iter().flatten().map(off).collect();
        let level = 10f64.powf(-mean(&all) / 10.0);
        self.powers.iter_mut().flatten().flatten().for_each(|power| *power *= level);
        self
    }

    /// The same places of several, one after the other.
    pub(super) fn joined(all: Vec<Self>) -> Option<Self> {
        all.into_iter().reduce(|mut sum, next| {
            for (to, from) in sum.powers.iter_mut().zip(next.powers) {
                to.extend(from);
            }
            sum
        })
    }

    pub(super) fn judged(&self, target: &Target, names: &[&str]) -> Judgement {
        let side = |curve: usize| deviation(&self.hz, &self.powers[curve], target, curve, names);
        Judgement {
            left: side(0),
            right: side(1),
            left_right: left_right(&self.average(0), &self.average(1)),
            both: side(2),
        }
    }

    /// The averages of left, right and both together, about the level at which left and right stand to the target on
    /// the mean.
    fn curves(&self, target: &Target) -> [Response; 3] {
        let curves = [0, 1, 2].map(|curve| self.average(curve));
        let level_db = mean(&[0, 1].map(|side| residual(&self.hz, &curves[side], target, 0).1));
        curves.map(|powers| Response {
            frequency_hz: self.hz.clone(),
            magnitude_db: powers.iter().map(|power| 10.0 * (power + 1e-30).log10() - level_db).collect(),
            phase_deg: None,
            coherence: None,
            spread_db: None,
        })
    }

    /// How much louder the left is than the right at each place.
    pub(super) fn left_right_levels_db(&self) -> Vec<f64> {
        let [left, right, _] = &self.powers;
        let level_db = |(left, right): (&Vec<f64>, &Vec<f64>)| {
            mean(&left.iter().zip(right).map(|(l, r)| 10.0 * (l / r).log10()).collect::<Vec<f64>>())
        };
        left.iter().zip(right).map(level_db).collect()
    }

    fn average(&self, curve: usize) -> Vec<f64> {
        average(&self.powers[curve], self.hz.len())
    }
}

/// The mean power over places, point by point.
fn average(places: &[Vec<f64>], points: usize) -> Vec<f64> {
    let powers = |point: usize| places.iter().map(|powers| powers[point]).collect::<Vec<f64>>();
    (0..points).map(|point| mean(&powers(point))).collect()
}

/// How far the places of one curve are from the target, together and one by one.
fn deviation(
    hz: &[f64],
    powers: &[Vec<f64>],
    target: &Target,
    curve: usize,
    names: &[&str],
) -> SideDeviation {
    let of = |powers: &[f64]| rms(&residual(hz, powers, target, curve).0);
    let place =
        |(powers, name): (&Vec<f64>, &&str)| PlaceDeviation { place: (*name).to_owned(), rms_db: of(powers) };
    let places: Vec<PlaceDeviation> = powers.iter().zip(names).map(place).collect();
    let each: Vec<f64> = places.iter().map(|place| place.rms_db).collect();
    SideDeviation { average_rms_db: of(&average(powers, hz.len())), each_rms_db: mean(&each), places }
}

/// How far two averages differ.
fn left_right(left: &[f64], right: &[f64]) -> LeftRight {
    let apart: Vec<f64> = left.iter().zip(right).map(|(l, r)| 10.0 * (l / r).log10()).collect();
    LeftRight { rms_db: rms(&apart), level_db: mean(&apart) }
}

/// Judges responses that were measured with one input driven, or both, as [`super::judge_car`] judges what
/// is predicted: power means over a twelfth of an octave, 40 Hz to 16 kHz as far as all of them reach.
/// `measured` are left, right and both, each place with its name; what was not measured is absent from the
/// answer. Left and right must have been played equally loud.
#[must_use]
pub fn judge_measured(
    measured: [&[(&str, &Response)]; 3],
    target: &Target,
) -> ([Option<SideDeviation>; 3], Option<LeftRight>) {
    let ranges = measured.iter().flat_map(|places| places.iter()).map(|(_, response)| response.range_hz());
    let (from_hz, to_hz) = ranges.fold(JUDGED_HZ, |(low, high), (from, to)| (low.max(from), high.min(to)));
    if to_hz <= from_hz {
        return ([const { None }; 3], None);
    }
    let hz = log_axis::grid(from_hz, to_hz, POINTS_PER_OCTAVE);
    let judged_hz: Vec<f64> = hz.iter().step_by(EVERY).copied().collect();
    let powers = |response: &Response| -> Vec<f64> {
        let db = |hz: &f64| log_axis::interpolate_held(&response.frequency_hz, &response.magnitude_db, *hz);
        let db: Vec<f64> = hz.iter().map(db).collect();
        let smooth = log_axis::smooth_power_db(&hz, &db, AVERAGED_FRACTION);
        smooth.iter().step_by(EVERY).map(|db| 10f64.powf(db / 10.0)).collect()
    };
    let powers: [Vec<Vec<f64>>; 3] =
        measured.map(|places| places.iter().map(|(_, response)| powers(response)).collect());
    let side = |curve: usize| {
        let names: Vec<&str> = measured[curve].iter().map(|(name, _)| *name).collect();
        (!names.is_empty()).then(|| deviation(&judged_hz, &powers[curve], target, curve, &names))
    };
    let apart = (!powers[0].is_empty() && !powers[1].is_empty()).then(|| {
        let mean = |curve: usize| average(&powers[curve], judged_hz.len());
        left_right(&mean(0), &mean(1))
    });
    ([side(0), side(1), side(2)], apart)
}

/// What is left between powers and the target at its best level, and that level.
fn residual(hz: &[f64], powers: &[f64], target: &Target, curve: usize) -> (Vec<f64>, f64) {
    let wanted = |hz: f64| target.db_at(hz) + if curve == 2 { both_db(hz) } else { 0.0 };
    let mut residual: Vec<f64> =
        hz.iter().zip(powers).map(|(&hz, power)| 10.0 * (power + 1e-30).log10() - wanted(hz)).collect();
    let level_db = mean(&residual);
    residual.iter_mut().for_each(|db| *db -= level_db);
    (residual, level_db)
}

fn rms(values: &[f64]) -> f64 {
    mean(&values.iter().map(|value| value * value).collect::<Vec<f64>>()).sqrt()
}

fn mean(values: &[f64]) -> f64 {
    #[expect(clippy::cast_precision_loss, reason = "a few hundred")]
    let count = values.len().max(1) as f64;
    values.iter().sum::<f64>() / count
}

/// The places that are tuned for.
pub(super) fn counted(input: &TuneInput<'_>) -> Vec<usize> {
    let weights = place_weights(input);
    (0..weights.len()).filter(|&place| weights[place] > 0.0).collect()
}

/// How good the car is with these settings at the places that are tuned for.
pub(super) fn judged(
    input: &TuneInput<'_>,
    drivers: &[TuneDriver],
    values: &[ChannelValues],
    inputs: [&[Band]; 2],
) -> Judgement {
    heard(input, drivers, values, inputs).judgement
}

/// The same, with what is heard of each side.
pub(super) fn heard(
    input: &TuneInput<'_>,
    drivers: &[TuneDriver],
    values: &[ChannelValues],
    inputs: [&[Band]; 2],
) -> JudgedCar {
    let places = counted(input);
    let names: Vec<&str> = places.iter().map(|&place| input.places[place].name.as_str()).collect();
    let heard = Heard::new(input, drivers, values, inputs, &places);
    let [left, right, both] = heard.curves(input.target);
    JudgedCar { judgement: heard.judged(input.target, &names), left, right, both }
}
