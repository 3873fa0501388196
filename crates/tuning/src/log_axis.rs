//! Arithmetic on a logarithmic frequency axis.

/// Frequencies from `from_hz` to `to_hz` with so many points per octave, both
/// ends included, evenly spaced in log frequency.
pub(crate) fn grid(from_hz: f64, to_hz: f64, points_per_octave: f64) -> Vec<f64> {
    let octaves = (to_hz / from_hz).log2();
    let steps = (octaves * points_per_octave).ceil().max(1.0);
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        clippy::cast_precision_loss,
        reason = "a few hundred points"
    )]
    (0..=steps as usize).map(|i| from_hz * (octaves * i as f64 / steps).exp2()).collect()
}

/// The value at a frequency, linear over log frequency between the points;
/// `None` outside them.
pub(crate) fn interpolate(frequency_hz: &[f64], values: &[f64], at_hz: f64) -> Option<f64> {
    let upper = frequency_hz.partition_point(|&f| f < at_hz);
    let (&high_hz, &high) = (frequency_hz.get(upper)?, values.get(upper)?);
    if high_hz == at_hz {
        return Some(high);
    }
    let below = upper.checked_sub(1)?;
    let (low_hz, low) = (frequency_hz[below], values[below]);
    let part = (at_hz / low_hz).ln() / (high_hz / low_hz).ln();
    Some(low + part * (high - low))
}

/// Like [`interpolate`], but the end values hold outside the points.
pub(crate) fn interpolate_held(frequency_hz: &[f64], values: &[f64], at_hz: f64) -> f64 {
    match (frequency_hz.first(), frequency_hz.last()) {
        (Some(&low), Some(&high)) => interpolate(frequency_hz, values, at_hz.clamp(low, high)).unwrap_or(0.0),
        _ => 0.0,
    }
}

/// The share of the log-frequency axis that each point stands for: from half way
/// to its lower to half way to its upper neighbour. The end points mirror their
/// one half, so that evenly spaced points weigh exactly the same.
pub(crate) fn cell_widths(frequency_hz: &[f64]) -> Vec<f64> {
    let step = |a: usize, b: usize| (frequency_hz[b] / frequency_hz[a]).ln();
    let last = frequency_hz.len().saturating_sub(1);
    if last == 0 {
        return vec![1.0; frequency_hz.len()];
    }
    (0..=last)
        .map(|i| match i {
            0 => step(0, 1),
            i if i == last => step(last - 1, last),
            i => 0.5 * step(i - 1, i + 1),
        })
        .collect()
}

/// The power mean over a 1/`fraction`-octave rectangle in log frequency around
/// each point, in dB, by prefix sums.
///
/// A point stands for the power density over its cell (see [`cell_widths`]);
/// cells are cut by the edges of the rectangle in proportion, and the rectangle
/// is cut by the ends of the data, so a constant stays constant everywhere.
pub(crate) fn smooth_power_db(frequency_hz: &[f64], magnitude_db: &[f64], fraction: u32) -> Vec<f64> {
    let count = frequency_hz.len();
    if count < 2 || fraction == 0 {
        return magnitude_db.to_vec();
    }
    let position: Vec<f64> = frequency_hz.iter().map(|f| f.ln()).collect();
    let mut edge = Vec::with_capacity(count + 1);
    edge.push(position[0]);
    edge.extend(position.windows(2).map(|pair| 0.5 * (pair[0] + pair[1])));
    edge.push(position[count - 1]);
    // The largest magnitude is taken out, so that the powers stay in range.
    let top = magnitude_db.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let power: Vec<f64> = magnitude_db.iter().map(|m| 10f64.powf((m - top) / 10.0)).collect();
    let mut sum = Vec::with_capacity(count + 1);
    sum.push(0.0);
    for i in 0..count {
        sum.push(sum[i] + power[i] * (edge[i + 1] - edge[i]));
    }
    let half = 0.5 * std::f64::consts::LN_2 / f64::from(fraction);
    let integral = |at: f64| -> f64 {
        let cell = edge.partition_point(|&e| e <= at).clamp(1, count) - 1;
        sum[cell] + power[cell] * (at - edge[cell])
    };
    position
        .iter()
        .zip(magnitude_db)
        .map(|(&at, &own)| {
            let low = (at - half).max(edge[0]);
            let high = (at + half).min(edge[count]);
            let mean = (integral(high) - integral(low)) / (high - low);
            // Far below the top, the difference of two prefix sums has no digits left.
            if mean > 1e-14 { top + 10.0 * mean.log10() } else { own }
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use testkit::{all_near, near};

    #[test]
    fn a_grid_is_even_and_has_both_ends() {
        let grid = grid(20.0, 20_000.0, 24.0);
        near("first", grid[0], 20.0, 0.0);
        near("last", grid[grid.len() - 1], 20_000.0, 1e-9);
        let widths = cell_widths(&grid);
        all_near("widths", &widths, &vec![widths[0]; widths.len()], 1e-12);
    }

    #[test]
    fn a_constant_stays_constant_to_the_edges_when_smoothed() {
        let grid = grid(20.0, 20_000.0, 96.0);
        let smoothed = smooth_power_db(&grid, &vec![-13.5; grid.len()], 3);
        all_near("smoothed", &smoothed, &vec![-13.5; grid.len()], 1e-9);
    }

    /// Source: the direct sum, written out here with the same cells.
    #[test]
    fn prefix_sums_equal_the_direct_sum() {
        let grid = grid(50.0, 5_000.0, 31.0);
        let db: Vec<f64> =
            grid.iter().map(|f| 6.0 * (3.0 * f.ln()).sin() - 4.0 * (11.0 * f.ln()).cos()).collect();
        let got = smooth_power_db(&grid, &db, 6);
        let at: Vec<f64> = grid.iter().map(|f| f.ln()).collect();
        let last = grid.len() - 1;
        let half = std::f64::consts::LN_2 / 12.0;
        let wanted: Vec<f64> = (0..=last)
            .map(|i| {
                let (low, high) = ((at[i] - half).max(at[0]), (at[i] + half).min(at[last]));
                let mut power = 0.0;
                for j in 0..=last {
                    let left = if j == 0 { at[0] } else { 0.5 * (at[j - 1] + at[j]) };
                    let right = if j == last { at[last] } else { 0.5 * (at[j] + at[j + 1]) };
                    power += 10f64.powf(db[j] / 10.0) * (right.min(high) - left.max(low)).max(0.0);
                }
                10.0 * (power / (high - low)).log10()
            })
            .collect();
        all_near("smoothed", &got, &wanted, 1e-9);
    }
}
