//! The tone of one output: how flat it is, where its band ends, what stands out.

use serde::{Deserialize, Serialize};

use crate::{Response, log_axis};

/// What a response looks like.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ToneShape {
    /// The level of its band: seven tenths of what lies within 6 dB of the highest third octave lie below it.
    pub level_db: f64,
    /// Half the distance between the highest and the lowest level inside the band.
    pub flatness_db: f64,
    /// How far it lies from that level inside the band, RMS over log frequency.
    pub rms_db: f64,
    /// The lower end of the band.
    pub low: BandEdge,
    /// The upper end of the band.
    pub high: BandEdge,
    /// What stands out inside the band, the largest first.
    pub peaks: Vec<TonePeak>,
}

/// One end of a band.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BandEdge {
    /// Where the level is 3 dB down; absent where the measurement ends before.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub corner_hz: Option<f64>,
    /// How steeply it falls beyond, where enough of the slope was measured.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub slope_db_per_octave: Option<f64>,
    /// The order of the filter that falls like this: 6 dB an octave each.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub order: Option<u32>,
    /// Where the measurement ends on this side.
    pub measured_to_hz: f64,
}

/// A hump or a dip.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct TonePeak {
    /// Where it is.
    pub frequency_hz: f64,
    /// How far from the level of the band, negative for a dip.
    pub gain_db: f64,
}

/// Curves are looked at through this window: what is narrower is the measurement's own
/// ripple rather than a source's tone.
const SMOOTHING: u32 = 6;

/// What is less is no peak.
const LEAST_PEAK_DB: f64 = 1.0;

/// Slopes are read between these depths below the level of the band.
const SLOPE_DB: std::ops::Range<f64> = 8.0..40.0;

/// A slope is read from so many octaves or more.
const LEAST_OCTAVES: f64 = 1.0 / 3.0;

/// Describes a response; nothing for one of fewer than eight points.
///
/// The band reaches from the lowest to the highest frequency that is less than 3 dB below
/// its level; a slope is a straight line fitted to the levels 8 to 40 dB down.
///
/// References: the −3 dB corner is a definition; a Butterworth filter of order `n` falls by
/// `20·n·lg 2` dB an octave far from it. Accuracy: proven by `filters_are_recognised`.
#[must_use]
pub fn tone_shape(response: &Response) -> Option<ToneShape> {
    if response.frequency_hz.len() < 8 {
        return None;
    }
    let frequency_hz = &response.frequency_hz;
    let broad = log_axis::smooth_power_db(frequency_hz, &response.magnitude_db, 3);
    let fine = log_axis::smooth_power_db(frequency_hz, &response.magnitude_db, SMOOTHING);
    let highest = broad.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let within: Vec<f64> = broad.iter().copied().filter(|level| *level > highest - 6.0).collect();
    // A band of two octaves has slopes as long as itself, which must not pull its level down.
    let level_db = dsp::statistics::quantile(&within, 0.7)?;
    let is_inside = |level: &f64| *level >= level_db - 3.0;
    let first = fine.iter().position(is_inside)?;
    let last = fine.iter().rposition(is_inside)?;
    let band = &fine[first..=last];
    let widths = log_axis::cell_widths(&frequency_hz[first..=last]);
    let total: f64 = widths.iter().sum();
    let square: f64 = widths.iter().zip(band).map(|(w, level)| w * (level - level_db).powi(2)).sum();
    let (least, most) =
        band.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), level| (a.min(*level), b.max(*level)));
    let crossing = |inside: usize, outside: usize| {
        let part = (level_db - 3.0 - fine[outside]) / (fine[inside] - fine[outside]);
        frequency_hz[outside] * (frequency_hz[inside] / frequency_hz[outside]).powf(part.clamp(0.0, 1.0))
    };
    let end = fine.len() - 1;
    // The raw levels: smoothing bends a steep slope.
    let levels =
        |range: std::ops::Range<usize>| range.map(|i| (frequency_hz[i], response.magnitude_db[i])).collect();
    let edge = |corner_hz: Option<f64>, beyond: Vec<(f64, f64)>, measured_to_hz: f64| {
        let slope_db_per_octave = corner_hz.and_then(|_| slope(&beyond, level_db));
        BandEdge { corner_hz, slope_db_per_octave, order: slope_db_per_octave.map(order_of), measured_to_hz }
    };
    Some(ToneShape {
        level_db,
        flatness_db: 0.5 * (most - least),
        rms_db: (square / total).sqrt(),
        low: edge((first > 0).then(|| crossing(first, first - 1)), levels(0..first), frequency_hz[0]),
        high: edge(
            (last < end).then(|| crossing(last, last + 1)),
            levels(last + 1..end + 1),
            frequency_hz[end],
        ),
        peaks: peaks(&frequency_hz[first..=last], band, level_db),
    })
}

fn order_of(slope_db_per_octave: f64) -> u32 {
    let order = (slope_db_per_octave / (20.0 * 2f64.log10())).round().clamp(1.0, 16.0);
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "clamped to 1..16")]
    let order = order as u32;
    order
}

/// The steepness of the levels beyond a corner, positive, by least squares over log frequency.
fn slope(beyond: &[(f64, f64)], level_db: f64) -> Option<f64> {
    let points: Vec<(f64, f64)> = beyond
        .iter()
        .filter(|(_, level)| SLOPE_DB.contains(&(level_db - level)))
        .map(|(hz, level)| (hz.log2(), *level))
        .collect();
    let (low, high) =
        points.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), p| (a.min(p.0), b.max(p.0)));
    if points.len() < 4 || high - low < LEAST_OCTAVES {
        return None;
    }
    let count = points.len() as f64;
    let (mx, my) =
        (points.iter().map(|p| p.0).sum::<f64>() / count, points.iter().map(|p| p.1).sum::<f64>() / count);
    let sxy: f64 = points.iter().map(|p| (p.0 - mx) * (p.1 - my)).sum();
    let sxx: f64 = points.iter().map(|p| (p.0 - mx).powi(2)).sum();
    Some((sxy / sxx).abs())
}

/// Extremes of the band that stand out from its level and from what lies between them and
/// the next one.
fn peaks(frequency_hz: &[f64], band: &[f64], level_db: f64) -> Vec<TonePeak> {
    let mut peaks = Vec::new();
    for sign in [1.0, -1.0] {
        let away: Vec<f64> = band.iter().map(|level| sign * (level - level_db)).collect();
        for i in 1..away.len().saturating_sub(1) {
            if away[i] < LEAST_PEAK_DB || away[i] < away[i - 1] || away[i] <= away[i + 1] {
                continue;
            }
            // Down by 1 dB on both sides before it rises higher.
            let falls = |way: &mut dyn Iterator<Item = usize>| {
                way.map(|k| away[k])
                    .find(|level| *level > away[i] || *level < away[i] - LEAST_PEAK_DB)
                    .is_some_and(|level| level < away[i])
            };
            if falls(&mut (0..i).rev()) && falls(&mut (i + 1..away.len())) {
                peaks.push(TonePeak { frequency_hz: frequency_hz[i], gain_db: sign * away[i] });
            }
        }
    }
    peaks.sort_by(|a, b| b.gain_db.abs().total_cmp(&a.gain_db.abs()));
    peaks
}

#[cfg(test)]
mod tests {
    use testkit::{at_most, near};

    use super::*;
    use crate::{Band, BandKind, bands_db};

    fn response(level_db: impl Fn(f64) -> f64) -> Response {
        let frequency_hz = log_axis::grid(10.0, 22_000.0, 48.0);
        let magnitude_db = frequency_hz.iter().map(|&f| level_db(f)).collect();
        Response::new(frequency_hz, magnitude_db).unwrap()
    }

    fn high_pass(f: f64, corner_hz: f64, order: i32) -> f64 {
        -10.0 * (1.0 + (corner_hz / f).powi(2 * order)).log10()
    }

    /// Source: analytic, Butterworth magnitudes `−10·lg(1 + (fc/f)^2n)`.
    #[test]
    fn filters_are_recognised() {
        for (low_hz, low_order, high_hz, high_order) in
            [(80.0, 2, 4_000.0, 4), (30.0, 4, 120.0, 2), (300.0, 3, 9_000.0, 1)]
        {
            let shape = tone_shape(&response(|f| {
                7.0 + high_pass(f, low_hz, low_order) + high_pass(1.0 / f, 1.0 / high_hz, high_order)
            }))
            .unwrap();
            let what = format!("{low_hz} Hz order {low_order} to {high_hz} Hz order {high_order}");
            near(&what, shape.low.corner_hz.unwrap(), low_hz, 0.12 * low_hz);
            near(&what, shape.high.corner_hz.unwrap(), high_hz, 0.12 * high_hz);
            assert_eq!(shape.low.order, Some(u32::try_from(low_order).unwrap()), "{what}: {shape:?}");
            if high_order > 1 {
                assert_eq!(shape.high.order, Some(u32::try_from(high_order).unwrap()), "{what}: {shape:?}");
            }
        }
    }

    #[test]
    fn a_wire_is_flat_and_has_no_ends() {
        let shape = tone_shape(&response(|_| -12.0)).unwrap();
        at_most("flatness", shape.flatness_db, 1e-9);
        assert_eq!((shape.low.corner_hz, shape.high.corner_hz), (None, None));
        near("level", shape.level_db, -12.0, 1e-9);
        assert!(shape.peaks.is_empty());
    }

    #[test]
    fn humps_and_dips_are_found_where_they_are() {
        let bands = [(3_200.0, 2.5, 1.4), (260.0, -2.0, 1.2)].map(|(frequency_hz, gain_db, q)| Band {
            kind: BandKind::Peak,
            frequency_hz,
            gain_db,
            q,
        });
        let frequency_hz = log_axis::grid(20.0, 20_000.0, 48.0);
        let magnitude_db = bands_db(&bands, &frequency_hz, 192_000.0);
        let shape = tone_shape(&Response::new(frequency_hz, magnitude_db).unwrap()).unwrap();
        assert_eq!(shape.peaks.len(), 2, "{:?}", shape.peaks);
        for (peak, band) in shape.peaks.iter().zip(&bands) {
            near("where", peak.frequency_hz, band.frequency_hz, 0.04 * band.frequency_hz);
            near("how much", peak.gain_db, band.gain_db, 0.4);
        }
        near("flatness", shape.flatness_db, 2.25, 0.15);
    }
}
