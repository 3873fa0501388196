//! A car as numbers: what every driver does at every place, and how much each point counts.

use num_complex::Complex64;

use super::transfer::Axis;
use super::{PlaceSeat, TuneDriver, TuneInput};
use crate::{Feed, Response, Role, Seat, log_axis};

/// Points of the axis per octave: two in the twelfth over which powers are averaged.
const POINTS_PER_OCTAVE: f64 = 24.0;
/// The axis, a little wider than what is judged, so that nothing runs away beside it.
const FROM_HZ: f64 = 32.0;
const TO_HZ: f64 = 17_500.0;
/// What is judged (our choice, no source).
pub(super) const JUDGED_HZ: (f64, f64) = (40.0, 16_000.0);
/// What lies outside of it, or below what the car plays, counts this much.
const OUTSIDE_COUNTS: f64 = 0.25;
/// Both inputs together count fully below the first of these, a fifth from the second on: a centred bass
/// is heard from both sides at once; higher up, their sum at one point says little of two ears (our choice).
const BOTH_COUNT_HZ: (f64, f64) = (500.0, 1_000.0);
const BOTH_COUNT_ABOVE: f64 = 0.2;
/// Half the sum of both sides lies so far below one of them: in phase at the bass, and with nothing in
/// common in the treble (analytic at the ends; the frequencies are our choice).
const IN_PHASE_BELOW_HZ: f64 = 300.0;
const UNRELATED_ABOVE_HZ: f64 = 2_000.0;
const UNRELATED_DB: f64 = -3.0;
/// Where left and right must be kept apart: sounds are located by what lies here (our choice, no source).
const SEPARATED_HZ: (f64, f64) = (300.0, 5_000.0);

/// The left and the right input.
pub(super) const SIDES: [Feed; 2] = [Feed::Left, Feed::Right];

/// Everything that the cost needs to know of a car.
#[derive(Debug, Clone)]
pub(super) struct Problem {
    pub(super) axis: Axis,
    pub(super) places: usize,
    pub(super) feeds: Vec<Feed>,
    /// `responses[channel][place · points + point]`: with one input driven.
    responses: Vec<Vec<Complex64>>,
    pub(super) target_db: Vec<f64>,
    /// How far half the sum of both lies below a side that meets the target.
    pub(super) both_db: Vec<f64>,
    /// `weights[curve][place · points + point]`, curves left, right, both; all add up to 1.
    pub(super) weights: [Vec<f64>; 3],
    /// Which channels both inputs feed and play where left and right must be kept apart.
    pub(super) in_both: Vec<usize>,
    /// The octaves over which separation is judged, as ranges of points.
    pub(super) octaves: Vec<std::ops::Range<usize>>,
    /// Points that are judged, as a share of a pink signal each.
    pub(super) pink: Vec<f64>,
}

impl Problem {
    /// `drivers` are those of the input with what their channels held taken out.
    pub(super) fn new(input: &TuneInput<'_>, drivers: &[TuneDriver], weigh: &[f64]) -> Self {
        let places: Vec<usize> = (0..weigh.len()).filter(|&place| weigh[place] > 0.0).collect();
        let axis = Axis::new(
            log_axis::grid(FROM_HZ, TO_HZ.min(0.45 * input.profile.sample_rate_hz), POINTS_PER_OCTAVE),
            input.profile.sample_rate_hz,
        );
        let responses = drivers.iter().map(|driver| sampled(driver, &places, &axis.hz)).collect();
        let lowest_hz = drivers
            .iter()
            .filter(|driver| driver.role.is_in_chain())
            .map(|driver| driver.range_hz().0)
            .fold(f64::INFINITY, f64::min);
        let judged = |hz: f64| (JUDGED_HZ.0.max(lowest_hz)..=JUDGED_HZ.1).contains(&hz);
        let counts: Vec<f64> =
            axis.hz.iter().map(|&hz| if judged(hz) { 1.0 } else { OUTSIDE_COUNTS }).collect();
        let weights = weights(drivers, &axis.hz, &counts, &places, weigh);
        let pink_points = axis.hz.iter().filter(|hz| (JUDGED_HZ.0..=JUDGED_HZ.1).contains(*hz)).count();
        #[expect(clippy::cast_precision_loss, reason = "some hundred points")]
        let share = 1.0 / pink_points.max(1) as f64;
        Self {
            places: places.len(),
            feeds: drivers.iter().map(|driver| driver.feed).collect(),
            responses,
            target_db: axis.hz.iter().map(|&hz| input.target.db_at(hz)).collect(),
            both_db: axis.hz.iter().map(|&hz| both_db(hz)).collect(),
            weights,
            in_both: in_both(drivers),
            octaves: octaves(&axis.hz),
            pink: axis
                .hz
                .iter()
                .map(|hz| if (JUDGED_HZ.0..=JUDGED_HZ.1).contains(hz) { share } else { 0.0 })
                .collect(),
            axis,
        }
    }

    pub(super) fn points(&self) -> usize {
        self.axis.len()
    }

    /// What a channel does at a place with one of its inputs driven.
    pub(super) fn response(&self, channel: usize, place: usize) -> &[Complex64] {
        let points = self.points();
        &self.responses[channel][place * points..][..points]
    }

    /// Whether an input reaches a channel.
    pub(super) fn feeds(&self, side: usize, channel: usize) -> bool {
        self.feeds[channel] == SIDES[side] || self.feeds[channel] == Feed::Both
    }
}

/// How much each place counts: the chosen seats equally, the places of a seat equally.
pub(super) fn place_weights(input: &TuneInput<'_>) -> Vec<f64> {
    let chosen = |seat: PlaceSeat| input.options.seat == Seat::Both || seat == PlaceSeat::Driver;
    let seats = [PlaceSeat::Driver, PlaceSeat::Passenger].map(|seat| {
        let count = input.places.iter().filter(|place| place.seat == seat).count();
        if chosen(seat) { count } else { 0 }
    });
    let heard = seats.iter().filter(|&&count| count > 0).count();
    #[expect(clippy::cast_precision_loss, reason = "a few places")]
    let weight = |seat: PlaceSeat| match (seats[usize::from(seat == PlaceSeat::Passenger)], heard) {
        (0, _) | (_, 0) => 0.0,
        (count, heard) => 1.0 / (count * heard) as f64,
    };
    input.places.iter().map(|place| weight(place.seat)).collect()
}

/// A driver's responses on other frequencies, nothing where it was not measured. What both inputs feed
/// was measured with both; one of them gives half of it.
pub(super) fn sampled(driver: &TuneDriver, places: &[usize], hz: &[f64]) -> Vec<Complex64> {
    let share = if driver.feed == Feed::Both { 0.5 } else { 1.0 };
    let at = |response: &Response, hz: f64| match (response.db_at(hz), response.phase_at(hz)) {
        (Some(db), Some(deg)) => Complex64::from_polar(share * 10f64.powf(db / 20.0), deg.to_radians()),
        _ => Complex64::ZERO,
    };
    places.iter().flat_map(|&place| hz.iter().map(move |&hz| at(&driver.responses[place], hz))).collect()
}

fn weights(
    drivers: &[TuneDriver],
    hz: &[f64],
    counts: &[f64],
    places: &[usize],
    weigh: &[f64],
) -> [Vec<f64>; 3] {
    let covered = |side: Feed, hz: f64| {
        drivers.iter().filter(|driver| driver.feed == side || driver.feed == Feed::Both).any(|driver| {
            driver.responses.iter().all(|response| {
                let (from, to) = response.range_hz();
                (from..=to).contains(&hz)
            })
        })
    };
    let covered = SIDES.map(|side| hz.iter().map(|&hz| covered(side, hz)).collect::<Vec<bool>>());
    let curve = |which: usize| -> Vec<f64> {
        let at = |place: usize, point: usize| {
            let known = match which {
                2 => covered[0][point] && covered[1][point],
                side => covered[side][point],
            };
            let share = if which == 2 { both_counts(hz[point]) } else { 1.0 };
            if known { weigh[place] * share * counts[point] } else { 0.0 }
        };
        places.iter().flat_map(|&place| (0..hz.len()).map(move |point| at(place, point))).collect()
    };
    let mut curves = [curve(0), curve(1), curve(2)];
    let total: f64 = curves.iter().flatten().sum();
    curves.iter_mut().flatten().for_each(|weight| *weight /= total.max(f64::MIN_POSITIVE));
    curves
}

fn both_counts(hz: f64) -> f64 {
    let (full, least) = BOTH_COUNT_HZ;
    let part = ((hz / full).ln() / (least / full).ln()).clamp(0.0, 1.0);
    1.0 + part * (BOTH_COUNT_ABOVE - 1.0)
}

pub(super) fn both_db(hz: f64) -> f64 {
    let part = (hz / IN_PHASE_BELOW_HZ).ln() / (UNRELATED_ABOVE_HZ / IN_PHASE_BELOW_HZ).ln();
    UNRELATED_DB * part.clamp(0.0, 1.0)
}

/// The channels of both inputs that play where left and right must be kept apart.
pub(super) fn in_both(drivers: &[TuneDriver]) -> Vec<usize> {
    if !drivers.iter().any(|driver| driver.feed != Feed::Both) {
        return Vec::new();
    }
    let plays_there = |driver: &TuneDriver| driver.role != Role::Sub && driver.range_hz().1 > SEPARATED_HZ.0;
    (0..drivers.len())
        .filter(|&index| drivers[index].feed == Feed::Both && plays_there(&drivers[index]))
        .collect()
}

/// Octaves half an octave apart, all of them inside of where separation counts.
pub(super) fn octaves(hz: &[f64]) -> Vec<std::ops::Range<usize>> {
    let (from_hz, to_hz) = SEPARATED_HZ;
    let mut octaves = Vec::new();
    let mut low = from_hz;
    while low * 2.0 <= to_hz * 1.01 {
        let range = hz.partition_point(|&hz| hz < low)..hz.partition_point(|&hz| hz <= 2.0 * low);
        if !range.is_empty() {
            octaves.push(range);
        }
        low *= std::f64::consts::SQRT_2;
    }
    octaves
}
