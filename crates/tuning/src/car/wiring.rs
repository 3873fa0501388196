//! How the drivers are wired, by what they do themselves and by how left and right compare.

use std::f64::consts::TAU;

use num_complex::Complex64;

use super::CarInput;
use super::plan::Plan;
use crate::{Response, log_axis};

/// Left and right are wired against each other when their mutual polarity and the product of their
/// own fall below this together. At the seats of the simulated cars, measured over all of the range
/// or over what a sweep spares a driver, wired alike came out above +0.4 and opposed below −0.35.
const OPPOSED: f64 = -0.2;
/// A driver is wired backwards by its own sound when that is so clear. A tweeter that was measured
/// from 2 kHz up says little: there, up to −0.22 was said of one that is not.
pub(super) const BACKWARDS: f64 = -0.3;
/// Left and right are never farther apart than this in a car, 2.4 m.
const APART_S: f64 = 7e-3;
/// Above this, the phase of a sound that arrives after 10 ms turns by more than half a
/// circle between points of 1/96 octave.
const HIGHEST_HZ: f64 = 6_000.0;
const POINTS_PER_OCTAVE: f64 = 48.0;

/// What is known of the wiring before anything is turned over.
#[derive(Debug, Clone)]
pub(super) struct Wiring {
    /// Each driver's polarity, from −1 (wired backwards without doubt) to 1.
    pub(super) polarity: Vec<f64>,
    /// When each driver's sound arrives, its own filters' delay left out.
    pub(super) arrival_s: Vec<f64>,
    /// The pairs that are wired against each other: the one that is backwards comes first.
    pub(super) opposed: Vec<(usize, usize)>,
}

impl Wiring {
    /// Hears each driver alone and each pair against each other.
    ///
    /// Alone: what a response has beyond its minimum phase is the way of its sound, a pulse whose
    /// sign is the polarity. A pair: of two drivers that are alike, the product `L·R*` without its
    /// magnitude is such a pulse.
    pub(super) fn new(input: &CarInput<'_>, plan: &Plan) -> Self {
        let alone: Vec<Pulse> = input
            .drivers
            .iter()
            .zip(&plan.ranges)
            .map(|(driver, &range)| heard_alone(&driver.response, range))
            .collect();
        let mut polarity: Vec<f64> = alone.iter().map(|pulse| pulse.polarity).collect();
        // A microphone that is wired backwards turns all of them over, which no one hears.
        if polarity.iter().sum::<f64>() < 0.0 {
            polarity.iter_mut().for_each(|polarity| *polarity = -*polarity);
        }
        let mut arrival_s: Vec<f64> = alone.iter().map(|pulse| pulse.time_s).collect();
        let mut opposed = Vec::new();
        for &(left, right) in &plan.pairs {
            let (one, other) = (polarity[left], polarity[right]);
            let mutual = heard_together(input, plan, left, right);
            // What they have in common falls out of their difference, which is the more exact for it.
            if one.abs() > other.abs() {
                arrival_s[right] = arrival_s[left] - mutual.time_s;
            } else {
                arrival_s[left] = arrival_s[right] + mutual.time_s;
            }
            if mutual.polarity + one * other < OPPOSED {
                opposed.push(if one < other { (left, right) } else { (right, left) });
                let clear = 0.5 * (one - other).abs();
                (polarity[left], polarity[right]) =
                    if one < other { (-clear, clear) } else { (clear, -clear) };
            } else {
                // They are wired alike, so that what one says of itself holds for the other.
                let both = 0.5 * (one + other);
                (polarity[left], polarity[right]) = (both, both);
            }
        }
        Self { polarity, arrival_s, opposed }
    }
}

/// A pulse: when it comes, and how clearly which way up.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Pulse {
    time_s: f64,
    /// `(P − N)/(P + N)` of its highest value `P` and its lowest `−N`.
    polarity: f64,
}

/// The polarity of a driver and its arrival, by the phase beyond its minimum phase.
///
/// `E = H/|H|·e^(−jφ)` with the minimum phase `φ` of `|H|`; the pulse is
/// `Re Σ E(f)·e^(j2πfτ)`, each octave of the driver's range weighing the same.
///
/// References: A. V. Oppenheim, R. W. Schafer, *Discrete-Time Signal Processing*, chapter 13
/// (minimum phase); the rest is ours. Accuracy: `a_driver_alone_tells_its_polarity_and_arrival`.
fn heard_alone(response: &Response, range_hz: (f64, f64)) -> Pulse {
    let minimum = dsp::minimum_phase::minimum_phase_of(&response.frequency_hz, &response.magnitude_db);
    let phase = response.phase_deg.as_deref().unwrap_or_default();
    let points = points(response, range_hz, |index| {
        let turned = phase.get(index).map_or(0.0, |deg| deg.to_radians());
        Some(Complex64::from_polar(1.0, turned - minimum[index]))
    });
    let about_s = arrival_by_slope_s(response, range_hz);
    let within_s = (1.5 / range_hz.0).clamp(2e-3, 20e-3);
    pulse(&points, about_s - within_s, about_s + within_s)
}

/// How clearly two drivers of a pair are alike (above 0) or opposed, and how much later the left one is.
fn heard_together(input: &CarInput<'_>, plan: &Plan, left: usize, right: usize) -> Pulse {
    let (one, other) = (&input.drivers[left].response, &input.drivers[right].response);
    let range = |index: usize| plan.ranges[index];
    let common = (range(left).0.max(range(right).0), range(left).1.min(range(right).1));
    let phase = one.phase_deg.as_deref().unwrap_or_default();
    let points = points(one, common, |index| {
        let apart_deg = phase.get(index)? - other.phase_at(one.frequency_hz[index])?;
        Some(Complex64::from_polar(1.0, apart_deg.to_radians()))
    });
    pulse(&points, -APART_S, APART_S)
}

/// A frequency with its share of the octaves and the direction there.
type Point = (f64, f64, Complex64);

/// The response's own points, some 48 per octave: between points the phase of a late sound is
/// not known.
fn points(
    response: &Response,
    (from_hz, to_hz): (f64, f64),
    direction: impl Fn(usize) -> Option<Complex64>,
) -> Vec<Point> {
    let hz = &response.frequency_hz;
    let mut indices: Vec<usize> = log_axis::grid(from_hz, to_hz.max(1.01 * from_hz), POINTS_PER_OCTAVE)
        .into_iter()
        .map(|wanted_hz| hz.partition_point(|&hz| hz < wanted_hz).min(hz.len() - 1))
        .collect();
    indices.dedup();
    let chosen: Vec<f64> = indices.iter().map(|&index| hz[index]).collect();
    let shares = log_axis::cell_widths(&chosen);
    let point = |(&index, share): (&usize, f64)| Some((hz[index], share, direction(index)?));
    indices.iter().zip(shares).filter_map(point).collect()
}

fn pulse(points: &[Point], from_s: f64, to_s: f64) -> Pulse {
    let highest_hz = points.iter().map(|point| point.0).fold(1.0, f64::max);
    let step_s = (1.0 / (8.0 * highest_hz)).max((to_s - from_s) / 20_000.0);
    let mut arms: Vec<Complex64> = points
        .iter()
        .map(|&(hz, share, direction)| direction * Complex64::from_polar(share, TAU * hz * from_s))
        .collect();
    let turns: Vec<Complex64> =
        points.iter().map(|&(hz, ..)| Complex64::from_polar(1.0, TAU * hz * step_s)).collect();
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "at most 20000 steps")]
    let steps = ((to_s - from_s) / step_s).ceil() as usize;
    let values: Vec<f64> = (0..=steps)
        .map(|_| {
            let sum = arms.iter().map(|arm| arm.re).sum();
            arms.iter_mut().zip(&turns).for_each(|(arm, turn)| *arm *= turn);
            sum
        })
        .collect();
    let top = |sign: f64| {
        (0..values.len()).max_by(|&a, &b| (sign * values[a]).total_cmp(&(sign * values[b]))).unwrap_or(0)
    };
    let (highest, lowest) = (top(1.0), top(-1.0));
    let (up, down) = (values[highest].max(0.0), (-values[lowest]).max(0.0));
    let at = if up >= down { highest } else { lowest };
    // The parabola through the three highest points.
    let bend = if at > 0 && at < steps {
        let (before, here, after) = (values[at - 1], values[at], values[at + 1]);
        let curve = before - 2.0 * here + after;
        if curve == 0.0 { 0.0 } else { (0.5 * (before - after) / curve).clamp(-0.5, 0.5) }
    } else {
        0.0
    };
    #[expect(clippy::cast_precision_loss, reason = "at most 20000 steps")]
    let time_s = from_s + (at as f64 + bend) * step_s;
    Pulse { time_s, polarity: (up - down) / (up + down).max(1e-12) }
}

/// When the sound arrives by the slope of its phase over the upper octave of its range:
/// `−dφ/dω`, least squares. A driver's own filters add their delay to it.
fn arrival_by_slope_s(response: &Response, (from_hz, to_hz): (f64, f64)) -> f64 {
    let to_hz = to_hz.min(HIGHEST_HZ.max(1.5 * from_hz));
    let low_hz = from_hz.max(to_hz / 2.0);
    let inside: Vec<f64> =
        response.frequency_hz.iter().copied().filter(|hz| (low_hz..=to_hz).contains(hz)).collect();
    let mut turned = 0.0;
    let mut last: Option<f64> = None;
    let points: Vec<(f64, f64)> = inside
        .iter()
        .filter_map(|&hz| {
            let phase = response.phase_at(hz)?;
            turned += last.map_or(0.0, |last| {
                let turn: f64 = phase - last;
                turn - 360.0 * (turn / 360.0).round()
            });
            last = Some(phase);
            Some((hz, turned))
        })
        .collect();
    #[expect(clippy::cast_precision_loss, reason = "a count of points")]
    let count = points.len().max(1) as f64;
    let mean_hz = points.iter().map(|point| point.0).sum::<f64>() / count;
    let mean_deg = points.iter().map(|point| point.1).sum::<f64>() / count;
    let (mut pull, mut power) = (0.0, 1e-9);
    for (hz, deg) in points {
        pull += (hz - mean_hz) * (deg - mean_deg);
        power += (hz - mean_hz) * (hz - mean_hz);
    }
    -pull / power / 360.0
}
