//! How two neighbouring drivers add up over the octave about their crossover: what aligning a pair and
//! aligning a whole car have in common.

use std::f64::consts::{PI, SQRT_2};

use crate::{AlignError, Pair, Response};

/// Points of the octave about the crossover.
const POINTS: u32 = 97;

/// The loss of a complete cancellation, which has no end in decibels.
const DEEPEST_DB: f64 = -60.0;

/// How much the worst dip counts beside the mean loss.
const WORST_COUNTS: f64 = 0.5;

/// A turned polarity must be better by this, for it is easily mistaken later.
pub(crate) const TURNING_COSTS_DB: f64 = 0.1;

/// Over which width the powers are averaged before a loss is read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Width {
    /// Each frequency by itself.
    Point,
    /// A sixth of an octave, as it is heard: what a reflection digs into one frequency moves with the
    /// head and decides nothing.
    Sixth,
}

impl Width {
    fn points(self) -> usize {
        match self {
            Self::Point => 1,
            Self::Sixth => 16,
        }
    }
}

/// Both drivers over the octave about the crossover.
pub(crate) struct Octave {
    points: Vec<Point>,
    /// Whether the phase turns by more than 120° between neighbouring points of a response.
    pub(crate) coarse_phase: bool,
}

/// Both drivers at one frequency.
#[derive(Debug, Clone, Copy)]
struct Point {
    frequency_hz: f64,
    /// The lower driver's amplitude.
    lower: f64,
    /// The upper driver's amplitude.
    upper: f64,
    /// The phase of the upper driver re the lower one, in radians.
    apart: f64,
}

/// How much is lost against perfect addition.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Loss {
    mean_db: f64,
    pub(crate) worst_db: f64,
    pub(crate) worst_hz: f64,
}

impl Loss {
    /// The lower the better.
    pub(crate) fn cost(&self) -> f64 {
        -(self.mean_db + WORST_COUNTS * self.worst_db)
    }
}

/// How much is lost with one delay.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Delayed {
    /// How much later the upper one plays; negative for the lower one.
    pub(crate) upper_later_s: f64,
    pub(crate) loss: Loss,
}

impl Octave {
    pub(crate) fn new(drivers: Pair<&Response>, crossover_hz: f64) -> Result<Self, AlignError> {
        let (from_hz, to_hz) = (crossover_hz / SQRT_2, crossover_hz * SQRT_2);
        for (response, which) in [(drivers.lower, "lower"), (drivers.upper, "upper")] {
            if response.phase_deg.is_none() {
                return Err(AlignError::NoPhase(which));
            }
        }
        let point = |n: u32| {
            let frequency_hz = from_hz * 2f64.powf(f64::from(n) / f64::from(POINTS - 1));
            let apart_deg = drivers.upper.phase_at(frequency_hz)? - drivers.lower.phase_at(frequency_hz)?;
            Some(Point {
                frequency_hz,
                lower: amplitude(drivers.lower.db_at(frequency_hz)?),
                upper: amplitude(drivers.upper.db_at(frequency_hz)?),
                apart: apart_deg.to_radians(),
            })
        };
        let points: Option<Vec<Point>> = (0..POINTS).map(point).collect();
        let coarse_phase = [drivers.lower, drivers.upper].iter().any(|one| coarse(one, from_hz, to_hz));
        Ok(Self { points: points.ok_or(AlignError::NotMeasured { from_hz, to_hz })?, coarse_phase })
    }

    /// How much louder the upper one is, on average over the octave.
    pub(crate) fn upper_ahead_db(&self) -> f64 {
        let ahead = self.points.iter().map(|point| 20.0 * (point.upper / point.lower).log10());
        ahead.sum::<f64>() / f64::from(POINTS)
    }

    /// `|L + U|² = l² + u² + 2·l·u·cos φ` with the amplitudes `l` and `u`, `φ` apart, against
    /// `(l + u)²`.
    pub(crate) fn loss(&self, level: Pair<f64>, upper_later_s: f64, turned: bool, width: Width) -> Loss {
        let turned = if turned { PI } else { 0.0 };
        let mut sums = vec![(0.0, 0.0)];
        let (mut power, mut perfect) = (0.0, 0.0);
        for point in &self.points {
            let (lower, upper) = (point.lower * level.lower, point.upper * level.upper);
            let apart = point.apart - 2.0 * PI * point.frequency_hz * upper_later_s + turned;
            power += lower * lower + upper * upper + 2.0 * lower * upper * apart.cos();
            perfect += (lower + upper) * (lower + upper);
            sums.push((power, perfect));
        }
        let width = width.points();
        let (mut sum_db, mut count) = (0.0, 0.0);
        let (mut worst_db, mut worst_hz) = (f64::INFINITY, 0.0);
        let middles = self.points.iter().skip(width / 2).map(|point| point.frequency_hz);
        for ((from, to), hz) in sums.iter().zip(sums.iter().skip(width)).zip(middles) {
            let share = ((to.0 - from.0) / (to.1 - from.1)).max(0.0);
            let loss_db = (10.0 * share.log10()).max(DEEPEST_DB);
            sum_db += loss_db;
            count += 1.0;
            if loss_db < worst_db {
                (worst_db, worst_hz) = (loss_db, hz);
            }
        }
        Loss { mean_db: sum_db / count, worst_db, worst_hz }
    }

    /// The loss with every delay of a grid, from the upper one so many steps earlier to as many later.
    pub(crate) fn losses(
        &self,
        level: Pair<f64>,
        turned: bool,
        step_s: f64,
        most: i32,
        width: Width,
    ) -> impl Iterator<Item = Delayed> {
        (-most..=most).map(move |step| {
            let upper_later_s = f64::from(step) * step_s;
            Delayed { upper_later_s, loss: self.loss(level, upper_later_s, turned, width) }
        })
    }

    /// The middle of the octave alone.
    #[cfg(test)]
    pub(crate) fn at_the_crossover(&self) -> Self {
        Self { points: vec![self.points[POINTS as usize / 2]], coarse_phase: false }
    }
}

/// Whether the phase turns by more than 120° between neighbouring points.
fn coarse(response: &Response, from_hz: f64, to_hz: f64) -> bool {
    let Some(phase) = &response.phase_deg else { return false };
    response.frequency_hz.windows(2).zip(phase.windows(2)).any(|(hz, phase)| {
        let turn = phase[1] - phase[0];
        let shortest = turn - 360.0 * (turn / 360.0).round();
        hz[1] > from_hz && hz[0] < to_hz && shortest.abs() > 120.0
    })
}

fn amplitude(db: f64) -> f64 {
    10f64.powf(db / 20.0)
}
