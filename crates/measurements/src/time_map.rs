//! The map from the player's time to the recorder's samples: one clock, and the places where
//! samples were lost or came twice.

/// A moment that is known on both sides.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Point {
    /// When it was played, in seconds of the player.
    pub at_s: f64,
    /// Where it was recorded, in samples.
    pub position: f64,
    /// One standard deviation of the position.
    pub sigma: f64,
}

/// A place where the recorder lost samples, or had some twice.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Jump {
    /// The first point after it.
    pub before: usize,
    /// Samples too many; negative when they were lost.
    pub frames: f64,
    /// One standard deviation of that.
    pub sigma: f64,
}

/// `position = zero + rate·time + jumps so far`.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct TimeMap {
    pub zero: f64,
    /// Samples of the recording per second of the player.
    pub rate_hz: f64,
    /// One standard deviation of that.
    pub rate_sigma_hz: f64,
    /// In the order of time.
    pub jumps: Vec<Jump>,
    /// How far the points lie from the map: the root of their mean square, in standard
    /// deviations.
    pub misfit: f64,
    /// The sum of these squares.
    pub squares: f64,
}

impl TimeMap {
    /// Whether this one explains the points clearly better than another.
    pub(crate) fn is_clearly_better_than(&self, other: &Self) -> bool {
        other.squares - self.squares > CLEARLY.min(CLEARLY_BESIDE * self.misfit.max(BEST).powi(2))
    }
}

/// A jump must explain this much more, in squared standard deviations: chance reaches 20 at
/// one of forty places once in three thousand recordings.
const CLEARLY: f64 = 20.0;
/// Or so many times what each point is off by beside it: points promise less than they keep where little noise is in
/// them, and a loss of a few samples is smaller than the promise. By chance F(1, 12) is above 30 once in seven thousand places.
const CLEARLY_BESIDE: f64 = 30.0;
/// No point is taken to be better than this share of what it promises.
const BEST: f64 = 0.3;

/// No more jumps than this are looked for.
const MOST_JUMPS: usize = 3;

/// The map that points in the order of time lie on: a line, or one with as few jumps as explain
/// them. A jump has so many points or more on either side: with two, what only the outermost points say is
/// not believed; with one, what they say is left out. Nothing with fewer than three points.
///
/// Weighted least squares of zero, rate and jumps; each further jump is put where it explains
/// most, as long as it explains clearly more, and a jump of next to nothing is dropped.
///
/// Accuracy: `lost_samples_are_told_from_a_clock`.
pub(crate) fn time_map(points: &[Point], on_each_side: usize) -> Option<TimeMap> {
    if points.len() < 3 {
        return None;
    }
    let mut places: Vec<usize> = Vec::new();
    let mut best = fit(points, &places)?;
    while places.len() < MOST_JUMPS {
        let further = (on_each_side..points.len() + 1 - on_each_side)
            .filter(|place| !places.contains(place))
            .filter_map(|place| {
                let mut more = places.clone();
                more.push(place);
                more.sort_unstable();
                fit(points, &more).map(|map| (map, more))
            })
            .min_by(|a, b| a.0.squares.total_cmp(&b.0.squares));
        match further {
            Some((map, more)) if map.is_clearly_better_than(&best) => (best, places) = (map, more),
            _ => break,
        }
    }
    Some(best)
}

/// The map with a jump at a moment: of so many samples, or of as many as the points say.
pub(crate) fn with_jump(points: &[Point], at_s: f64, frames: Option<f64>) -> Option<TimeMap> {
    let before = points.partition_point(|point| point.at_s < at_s);
    match frames {
        Some(frames) => {
            let mut points = points.to_vec();
            points[before..].iter_mut().for_each(|point| point.position -= frames);
            fit(&points, &[])
        }
        None if before == 0 || before == points.len() => fit(points, &[]),
        None => fit(points, &[before]),
    }
}

/// The map with jumps before these points.
fn fit(points: &[Point], places: &[usize]) -> Option<TimeMap> {
    let unknowns = 2 + places.len();
    if points.len() <= unknowns {
        return None;
    }
    let first = points[0];
    let span_s = (points[points.len() - 1].at_s - first.at_s).max(f64::MIN_POSITIVE);
    // About the first point, and in parts of the whole, so that the numbers are of one size.
    let row = |index: usize| -> Vec<f64> {
        let mut row = vec![1.0, (points[index].at_s - first.at_s) / span_s];
        row.extend(places.iter().map(|place| f64::from(u8::from(index >= *place))));
        row
    };
    let mut normal = vec![vec![0.0; unknowns]; unknowns];
    let mut right = vec![0.0; unknowns];
    for (index, point) in points.iter().enumerate() {
        let row = row(index);
        let weight = point.sigma.powi(-2);
        for i in 0..unknowns {
            right[i] += weight * row[i] * (point.position - first.position);
            for j in 0..unknowns {
                normal[i][j] += weight * row[i] * row[j];
            }
        }
    }
    let inverse = inverted(normal)?;
    let value = |i: usize| inverse[i].iter().zip(&right).map(|(a, b)| a * b).sum::<f64>();
    let values: Vec<f64> = (0..unknowns).map(value).collect();
    let square = |(index, point): (usize, &Point)| {
        let wanted: f64 = row(index).iter().zip(&values).map(|(a, b)| a * b).sum();
        ((point.position - first.position - wanted) / point.sigma).powi(2)
    };
    let squares: f64 = points.iter().enumerate().map(square).sum();
    let rate_hz = values[1] / span_s;
    let jump = |(i, place): (usize, &usize)| Jump {
        before: *place,
        frames: values[2 + i],
        sigma: inverse[2 + i][2 + i].max(0.0).sqrt(),
    };
    Some(TimeMap {
        zero: first.position + values[0] - rate_hz * first.at_s,
        rate_hz,
        rate_sigma_hz: inverse[1][1].max(0.0).sqrt() / span_s,
        jumps: places.iter().enumerate().map(jump).collect(),
        misfit: (squares / (points.len() - unknowns) as f64).sqrt(),
        squares,
    })
}

/// The inverse of a small matrix by elimination; nothing when it has none.
fn inverted(mut matrix: Vec<Vec<f64>>) -> Option<Vec<Vec<f64>>> {
    let n = matrix.len();
    let mut inverse: Vec<Vec<f64>> =
        (0..n).map(|i| (0..n).map(|j| f64::from(u8::from(i == j))).collect()).collect();
    for column in 0..n {
        let pivot =
            (column..n).max_by(|&a, &b| matrix[a][column].abs().total_cmp(&matrix[b][column].abs()))?;
        matrix.swap(column, pivot);
        inverse.swap(column, pivot);
        let divisor = matrix[column][column];
        if divisor.abs() < 1e-300 {
            return None;
        }
        for j in 0..n {
            matrix[column][j] /= divisor;
            inverse[column][j] /= divisor;
        }
        for i in (0..n).filter(|i| *i != column) {
            let factor = matrix[i][column];
            for j in 0..n {
                matrix[i][j] -= factor * matrix[column][j];
                inverse[i][j] -= factor * inverse[column][j];
            }
        }
    }
    Some(inverse)
}

#[cfg(test)]
mod tests {
    use dsp::noise::WhiteNoise;
    use testkit::{at_most, near};

    use super::*;

    /// Three marks and two copies of twelve bands each, as a sweep track has them, on a clock
    /// of up to ±300 ppm; each point is off by its own noise.
    fn points(chance: &mut WhiteNoise, sigma: f64, jumps: &[(f64, f64)]) -> (Vec<Point>, f64) {
        let rate_hz = 48_000.0 * (1.0 + 6e-4 * (chance.uniform() - 0.5));
        let copy = |start_s: f64| (0..12).map(move |band| start_s + 0.4 + 0.8 * f64::from(band));
        let moments = [0.5].into_iter().chain(copy(1.0)).chain([11.5]).chain(copy(12.0)).chain([22.5]);
        let points = moments
            .map(|at_s| {
                let jumped: f64 = jumps.iter().filter(|(from_s, _)| at_s > *from_s).map(|(_, n)| n).sum();
                let position = 1e5 + rate_hz * at_s + jumped + sigma * chance.sample();
                Point { at_s, position, sigma }
            })
            .collect();
        (points, rate_hz)
    }

    /// Source: the points are made so. One loss anywhere, of one sample to a second; or none.
    #[test]
    fn lost_samples_are_told_from_a_clock() {
        let mut chance = WhiteNoise::new(61);
        for case in 0..200 {
            let sigma = [0.02f64, 0.1, 1.0][case % 3];
            let lost = case % 4 != 0;
            let frames = (30.0 * sigma).max(1.0) * 1_000f64.powf(chance.uniform());
            let frames = if chance.uniform() < 0.5 { frames } else { -frames };
            let at_s = 2.5 + 18.5 * chance.uniform();
            let jumps = [(at_s, frames)];
            let (points, rate_hz) = points(&mut chance, sigma, if lost { &jumps } else { &[] });
            let map = time_map(&points, 2).unwrap();
            let what = format!("case {case}: {frames} frames at {at_s} s, {map:?}");
            assert_eq!(map.jumps.len(), usize::from(lost), "{what}");
            at_most(&what, (map.rate_hz - rate_hz).abs(), 5.0 * map.rate_sigma_hz);
            at_most(&what, map.misfit, 2.0);
            for jump in &map.jumps {
                near(&what, jump.frames, frames, 6.0 * jump.sigma);
                assert!(points[jump.before - 1].at_s <= at_s && points[jump.before].at_s > at_s, "{what}");
            }
        }
    }

    #[test]
    fn two_points_make_no_map() {
        let point = |at_s: f64| Point { at_s, position: 48_000.0 * at_s, sigma: 1.0 };
        assert_eq!(time_map(&[point(0.0), point(1.0)], 2), None);
    }
}
