//! One response for several positions.

use crate::{Response, log_axis};

/// Responses that cannot be averaged.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum AverageError {
    /// There are none.
    #[error("there is no response to average; give at least one")]
    Empty,
    /// They have no range in common.
    #[error("the responses have no frequency range in common; measure all over the same range")]
    NothingInCommon,
}

/// A position that differs from the others far more than they do among each other.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Outlier {
    /// Which of the responses, from 0.
    pub index: usize,
    /// How far it lies from the median of all, as an RMS over log frequency.
    pub distance_db: f64,
    /// The median distance of all of them.
    pub usual_db: f64,
}

/// The power average of responses at the points of the first one that lie in all
/// of them, with the standard deviation in dB as `spread_db` (0 for one response).
///
/// `10 lg (1/n Σ 10^(Li/10))`; the spread is the sample standard deviation
/// (n − 1). A coherence is averaged when all have one. Phase is kept only for a
/// single response, because phases at different places do not average.
///
/// # Errors
/// When there is none, or they have no range in common.
pub fn average(responses: &[Response]) -> Result<Response, AverageError> {
    let first = responses.first().ok_or(AverageError::Empty)?;
    if responses.len() == 1 {
        let spread = first.spread_db.clone().unwrap_or_else(|| vec![0.0; first.frequency_hz.len()]);
        return Ok(Response { spread_db: Some(spread), ..first.clone() });
    }
    let common = common_points(responses).ok_or(AverageError::NothingInCommon)?;
    let aligned: Vec<Response> = responses.iter().map(|r| r.resampled(&common)).collect();
    #[expect(clippy::cast_precision_loss, reason = "a handful of positions")]
    let count = aligned.len() as f64;
    let mut magnitude_db = Vec::with_capacity(common.len());
    let mut spread_db = Vec::with_capacity(common.len());
    for i in 0..common.len() {
        let levels = || aligned.iter().map(|r| r.magnitude_db[i]);
        let top = levels().fold(f64::NEG_INFINITY, f64::max);
        let power = levels().map(|l| 10f64.powf((l - top) / 10.0)).sum::<f64>() / count;
        magnitude_db.push(top + 10.0 * power.log10());
        let mean = levels().sum::<f64>() / count;
        let variance = levels().map(|l| (l - mean).powi(2)).sum::<f64>() / (count - 1.0);
        spread_db.push(variance.sqrt());
    }
    let coherence = aligned.iter().map(|r| r.coherence.as_ref()).collect::<Option<Vec<_>>>().map(|all| {
        (0..common.len()).map(|i| (all.iter().map(|c| c[i]).sum::<f64>() / count).clamp(0.0, 1.0)).collect()
    });
    Ok(Response {
        frequency_hz: common,
        magnitude_db,
        phase_deg: None,
        coherence,
        spread_db: Some(spread_db),
    })
}

/// The positions that stand apart: those whose RMS distance from the median
/// response, its level taken out, is more than twice the usual distance and more
/// than 3 dB beyond it. With fewer than four responses nothing can be said.
#[must_use]
pub fn outliers(responses: &[Response]) -> Vec<Outlier> {
    if responses.len() < 4 {
        return Vec::new();
    }
    let Some(common) = common_points(responses) else { return Vec::new() };
    let aligned: Vec<Response> = responses.iter().map(|r| r.resampled(&common).smoothed(3)).collect();
    let middle: Vec<f64> =
        (0..common.len()).map(|i| median(aligned.iter().map(|r| r.magnitude_db[i]).collect())).collect();
    let widths = log_axis::cell_widths(&common);
    let total: f64 = widths.iter().sum();
    let distances: Vec<f64> = aligned
        .iter()
        .map(|r| {
            let off: Vec<f64> = r.magnitude_db.iter().zip(&middle).map(|(l, m)| l - m).collect();
            let level = off.iter().zip(&widths).map(|(d, w)| d * w).sum::<f64>() / total;
            (off.iter().zip(&widths).map(|(d, w)| w * (d - level).powi(2)).sum::<f64>() / total).sqrt()
        })
        .collect();
    let usual_db = median(distances.clone());
    distances
        .into_iter()
        .enumerate()
        .filter(|(_, distance)| *distance > (2.0 * usual_db).max(usual_db + 3.0))
        .map(|(index, distance_db)| Outlier { index, distance_db, usual_db })
        .collect()
}

/// The points of the first response that lie within all; `None` when fewer than two do.
fn common_points(responses: &[Response]) -> Option<Vec<f64>> {
    let low = responses.iter().map(|r| r.range_hz().0).fold(0.0, f64::max);
    let high = responses.iter().map(|r| r.range_hz().1).fold(f64::INFINITY, f64::min);
    let points: Vec<f64> =
        responses.first()?.frequency_hz.iter().copied().filter(|f| (low..=high).contains(f)).collect();
    (points.len() >= 2).then_some(points)
}

/// The median; 0 for nothing.
pub(crate) fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    let count = values.len();
    match count {
        0 => 0.0,
        n if n % 2 == 1 => values[n / 2],
        n => 0.5 * (values[n / 2 - 1] + values[n / 2]),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use testkit::{all_near, near};

    fn flat(level: f64) -> Response {
        Response::new(vec![100.0, 200.0, 400.0, 800.0], vec![level; 4]).unwrap()
    }

    /// Source: arithmetic. 0 dB and −20 dB average to 10 lg (1.01 / 2) in power.
    #[test]
    fn powers_are_averaged_and_decibels_spread() {
        let average = average(&[flat(0.0), flat(-20.0)]).unwrap();
        near("level", average.magnitude_db[0], -2.967_086_218_813_4, 1e-9);
        near("spread", average.spread_db.unwrap()[0], 14.142_135_623_73, 1e-9);
    }

    #[test]
    fn only_the_common_range_is_averaged() {
        let short = Response::new(vec![150.0, 500.0], vec![6.0, 6.0]).unwrap();
        let both = average(&[flat(6.0), short.clone()]).unwrap();
        assert_eq!(both.frequency_hz, [200.0, 400.0]);
        all_near("level", &both.magnitude_db, &[6.0, 6.0], 1e-12);
        let far = Response::new(vec![5_000.0, 6_000.0], vec![0.0, 0.0]).unwrap();
        assert_eq!(average(&[flat(0.0), far]), Err(AverageError::NothingInCommon));
        assert_eq!(average(&[]), Err(AverageError::Empty));
    }

    #[test]
    fn a_position_that_stands_apart_is_pointed_out_and_a_mere_volume_is_not() {
        let grid = log_axis::grid(50.0, 5_000.0, 24.0);
        let wavy = |depth: f64, level: f64| {
            let db = grid.iter().map(|f| level + depth * (2.0 * f.ln()).sin()).collect();
            Response::new(grid.clone(), db).unwrap()
        };
        let mut all = vec![wavy(1.0, 0.0), wavy(1.5, 1.0), wavy(0.5, 10.0), wavy(1.2, 0.0), wavy(0.8, 0.0)];
        assert!(outliers(&all).is_empty());
        all.push(wavy(9.0, 0.0));
        let found = outliers(&all);
        assert_eq!(found.iter().map(|o| o.index).collect::<Vec<_>>(), [5]);
        assert!(found[0].distance_db > 4.0);
    }
}
