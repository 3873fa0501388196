//! Outputs of a source against one another: level, polarity and delay between two, and
//! what several add up to.

use std::f64::consts::PI;

use dsp::fft::Complex64;
use serde::{Deserialize, Serialize};

use crate::{Response, difference, log_axis};

/// An output's response, and when its sound began on a clock that others share.
#[derive(Debug, Clone, PartialEq)]
pub struct OutputResponse {
    /// Its name.
    pub output: String,
    /// Its response; the phase is re its own arrival.
    pub response: Response,
    /// Its arrival on the shared clock, where there is one.
    pub arrival_s: Option<f64>,
}

/// What lies between two outputs.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PairDifference {
    /// The one that is compared with.
    pub first: String,
    /// The other one.
    pub second: String,
    /// How much louder the second one is, over what both play.
    pub level_db: f64,
    /// How far their tone differs beside that, RMS.
    pub tone_rms_db: f64,
    /// The largest difference of tone.
    pub worst_db: f64,
    /// Where that is.
    pub worst_hz: f64,
    /// How much later the second one comes; absent without a shared clock.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub delay_s: Option<f64>,
    /// Whether the second one is upside down re the first; absent where the phase does not tell.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub inverted: Option<bool>,
}

/// A band in which both are less than this below their highest counts as played by both.
const PLAYED_DB: f64 = 10.0;

/// Compares two outputs; nothing where they play no third of an octave in common.
///
/// The phase of the quotient is `−2πf·τ`, turned by half a circle when one is upside down:
/// the delay is its slope by least squares, the polarity what is left. Phases that scatter
/// by more than a quarter turn around that tell nothing.
///
/// Accuracy: proven by `delay_and_polarity_of_a_copy`.
#[must_use]
pub fn pair_difference(first: &OutputResponse, second: &OutputResponse) -> Option<PairDifference> {
    let (from_hz, to_hz) = common_band(&first.response, &second.response)?;
    let plain = difference(&first.response.smoothed(6), &second.response.smoothed(6), from_hz, to_hz)?;
    let widths = log_axis::cell_widths(&plain.frequency_hz);
    let total: f64 = widths.iter().sum();
    let level_db = widths.iter().zip(&plain.magnitude_db).map(|(w, d)| w * d).sum::<f64>() / total;
    let square: f64 = widths.iter().zip(&plain.magnitude_db).map(|(w, d)| w * (d - level_db).powi(2)).sum();
    let (worst_hz, worst_db) = plain
        .frequency_hz
        .iter()
        .zip(&plain.magnitude_db)
        .map(|(hz, db)| (*hz, db - level_db))
        .fold((0.0, 0.0f64), |worst, next| if next.1.abs() > worst.1.abs() { next } else { worst });
    let turn = phase_between(first, second, from_hz, to_hz);
    let delay_s = turn.as_ref().and_then(|turn| Some(second.arrival_s? - first.arrival_s? + turn.delay_s));
    Some(PairDifference {
        first: first.output.clone(),
        second: second.output.clone(),
        level_db,
        tone_rms_db: (square / total).sqrt(),
        worst_db,
        worst_hz,
        delay_s,
        inverted: turn.and_then(|turn| turn.inverted),
    })
}

/// Where both play.
fn common_band(a: &Response, b: &Response) -> Option<(f64, f64)> {
    let played = |response: &Response| {
        let smooth = response.smoothed(3);
        let highest = smooth.magnitude_db.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let inside = |level: &f64| *level > highest - PLAYED_DB;
        let first = smooth.magnitude_db.iter().position(inside)?;
        let last = smooth.magnitude_db.iter().rposition(inside)?;
        Some((smooth.frequency_hz[first], smooth.frequency_hz[last]))
    };
    let (a, b) = (played(a)?, played(b)?);
    let (from_hz, to_hz) = (a.0.max(b.0), a.1.min(b.1));
    (to_hz > 1.26 * from_hz).then_some((from_hz, to_hz))
}

struct Turn {
    delay_s: f64,
    inverted: Option<bool>,
}

fn phase_between(first: &OutputResponse, second: &OutputResponse, from_hz: f64, to_hz: f64) -> Option<Turn> {
    // Evenly spaced in frequency, so that the phase turns evenly from point to point.
    let count = 400;
    let points: Vec<(f64, f64)> = (0..count)
        .map(|i| from_hz + (to_hz - from_hz) * f64::from(i) / f64::from(count - 1))
        .filter_map(|hz| {
            let turn = second.response.phase_at(hz)? - first.response.phase_at(hz)?;
            Some((hz, turn.to_radians()))
        })
        .collect();
    if points.len() < 8 {
        return None;
    }
    // Two rounds: the slope from neighbours, then from all once they no longer wrap.
    let wrapped = |x: f64| x - 2.0 * PI * (x / (2.0 * PI)).round();
    let steps: Vec<f64> = points.windows(2).map(|pair| wrapped(pair[1].1 - pair[0].1)).collect();
    let step_hz = points[1].0 - points[0].0;
    let mut slope = dsp::statistics::median(&steps)? / step_hz;
    for _ in 0..3 {
        let turned: Vec<Complex64> =
            points.iter().map(|(hz, phase)| Complex64::from_polar(1.0, phase - slope * hz)).collect();
        // Twice the phase does not know polarity, so that both halves of the circle count alike.
        let intercept = 0.5 * turned.iter().map(|z| z * z).sum::<Complex64>().arg();
        let left: Vec<f64> = turned.iter().map(|z| 0.5 * wrapped(2.0 * (z.arg() - intercept))).collect();
        let n = points.len() as f64;
        let mx = points.iter().map(|p| p.0).sum::<f64>() / n;
        let my = left.iter().sum::<f64>() / n;
        let sxy: f64 = points.iter().zip(&left).map(|(p, y)| (p.0 - mx) * (y - my)).sum();
        let sxx: f64 = points.iter().map(|p| (p.0 - mx).powi(2)).sum();
        slope += sxy / sxx;
    }
    let rest: Vec<Complex64> =
        points.iter().map(|(hz, phase)| Complex64::from_polar(1.0, phase - slope * hz)).collect();
    let mean = rest.iter().sum::<Complex64>() / rest.len() as f64;
    let inverted = (mean.norm() > 0.7 && mean.re.abs() > 0.7 * mean.norm()).then_some(mean.re < 0.0);
    Some(Turn { delay_s: -slope / (2.0 * PI), inverted })
}

/// What several outputs add up to.
#[derive(Debug, Clone, PartialEq)]
pub struct OutputSum {
    /// Their sum.
    pub response: Response,
    /// Whether their phases were added, rather than their powers.
    pub coherent: bool,
}

/// Adds outputs up, each over what was measured of it.
///
/// With phase and a shared clock the pressures or volts are added, `Σ 10^(L/20)·e^(jφ)`; without,
/// the powers are, which is what two unrelated signals do.
#[must_use]
pub fn output_sum(outputs: &[OutputResponse]) -> Option<OutputSum> {
    let from_hz = outputs.iter().map(|one| one.response.range_hz().0).reduce(f64::min)?;
    let to_hz = outputs.iter().map(|one| one.response.range_hz().1).reduce(f64::max)?;
    let clock = outputs.first()?.arrival_s;
    let coherent = outputs.iter().all(|one| one.arrival_s.is_some() && one.response.phase_deg.is_some());
    let frequency_hz: Vec<f64> = log_axis::grid(from_hz, to_hz, 48.0);
    let magnitude_db: Vec<f64> = frequency_hz
        .iter()
        .map(|&hz| {
            let mut sum = Complex64::default();
            let mut power = 0.0;
            for one in outputs {
                let Some(level) = one.response.db_at(hz) else { continue };
                power += 10f64.powf(level / 10.0);
                let late_s = one.arrival_s.unwrap_or(0.0) - clock.unwrap_or(0.0);
                let phase = one.response.phase_at(hz).unwrap_or(0.0).to_radians() - 2.0 * PI * hz * late_s;
                sum += Complex64::from_polar(10f64.powf(level / 20.0), phase);
            }
            let power = if coherent { sum.norm_sqr() } else { power };
            10.0 * power.max(1e-20).log10()
        })
        .collect();
    Some(OutputSum { response: Response::new(frequency_hz, magnitude_db).ok()?, coherent })
}

#[cfg(test)]
mod tests {
    use testkit::near;

    use super::*;

    /// A band-pass from 60 Hz to 8 kHz of the first order each, later, louder, upside down.
    fn output(name: &str, arrival_s: f64, late_s: f64, gain_db: f64, inverted: bool) -> OutputResponse {
        let frequency_hz = log_axis::grid(20.0, 20_000.0, 96.0);
        let value: Vec<Complex64> = frequency_hz
            .iter()
            .map(|&hz| {
                let high = Complex64::new(0.0, hz / 60.0) / Complex64::new(1.0, hz / 60.0);
                let low = 1.0 / Complex64::new(1.0, hz / 8_000.0);
                let sign = if inverted { -1.0 } else { 1.0 };
                high * low * sign * Complex64::from_polar(1.0, -2.0 * PI * hz * late_s)
            })
            .collect();
        let mut response =
            Response::new(frequency_hz, value.iter().map(|z| 20.0 * z.norm().log10() + gain_db).collect())
                .unwrap();
        response.phase_deg = Some(value.iter().map(|z| z.arg().to_degrees()).collect());
        OutputResponse { output: name.to_owned(), response, arrival_s: Some(arrival_s) }
    }

    /// Source: analytic, a delayed, turned and scaled copy.
    #[test]
    fn delay_and_polarity_of_a_copy() {
        let left = output("left", 1.0, 0.0, 0.0, false);
        for (arrival_s, late_s, gain_db, inverted) in [
            (1.0, 0.0, -0.5, false),
            (1.0, 0.0, 0.0, true),
            (1.002, 0.000_3, 1.5, true),
            (0.999, -0.000_2, -3.0, false),
        ] {
            let right = output("right", arrival_s, late_s, gain_db, inverted);
            let found = pair_difference(&left, &right).unwrap();
            near("delay", found.delay_s.unwrap(), arrival_s - 1.0 + late_s, 1e-6);
            near("level", found.level_db, gain_db, 0.01);
            near("tone", found.tone_rms_db, 0.0, 0.01);
            assert_eq!(found.inverted, Some(inverted), "{found:?}");
        }
        let unknown = OutputResponse { arrival_s: None, ..output("right", 0.0, 0.0, 0.0, true) };
        let found = pair_difference(&left, &unknown).unwrap();
        assert_eq!((found.delay_s, found.inverted), (None, Some(true)));
    }

    #[test]
    fn outputs_with_nothing_in_common_are_not_compared() {
        let response = |from_hz: f64, to_hz: f64| {
            let frequency_hz = log_axis::grid(from_hz, to_hz, 24.0);
            let magnitude_db = vec![0.0; frequency_hz.len()];
            OutputResponse {
                output: String::new(),
                response: Response::new(frequency_hz, magnitude_db).unwrap(),
                arrival_s: None,
            }
        };
        assert_eq!(pair_difference(&response(20.0, 100.0), &response(200.0, 20_000.0)), None);
    }

    /// Source: analytic; two equal signals add to +6.02 dB, cancel when one is turned over, and
    /// add to +3.01 dB as powers.
    #[test]
    fn sums_know_phase_where_it_is_known() {
        let at_1k = |sum: &OutputSum| sum.response.db_at(1_000.0).unwrap();
        let one = output("a", 1.0, 0.0, 0.0, false);
        let alone = one.response.db_at(1_000.0).unwrap();
        let both = output_sum(&[one.clone(), output("b", 1.0, 0.0, 0.0, false)]).unwrap();
        near("in phase", at_1k(&both), alone + 6.020_6, 1e-3);
        let against = output_sum(&[one.clone(), output("b", 1.0, 0.0, 0.0, true)]).unwrap();
        assert!(against.coherent && at_1k(&against) < -100.0);
        let late = output_sum(&[one.clone(), output("b", 1.000_25, 0.0, 0.0, false)]).unwrap();
        near("a quarter turn", at_1k(&late), alone + 3.010_3, 0.01);
        let unknown = OutputResponse { arrival_s: None, ..output("b", 0.0, 0.0, 0.0, true) };
        let powers = output_sum(&[one, unknown]).unwrap();
        assert!(!powers.coherent);
        near("as powers", at_1k(&powers), alone + 3.010_3, 1e-3);
    }
}
