//! What all channels share: another volume, another zero of time. It is no mistake of one of them.

/// What everything differs by.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Drift {
    pub(super) level_db: f64,
    pub(super) later_s: f64,
}

/// Of fewer channels, none can be said to be like the others.
const FEWEST: usize = 3;

impl Drift {
    /// The median over all channels that play, of how much louder and how much later each is.
    pub(super) fn of(differ: Vec<(f64, f64)>) -> Self {
        let (mut levels, mut times): (Vec<f64>, Vec<f64>) = differ.into_iter().unzip();
        if levels.len() < FEWEST {
            return Self { level_db: nearest_to_none(&levels), later_s: nearest_to_none(&times) };
        }
        Self { level_db: middle(&mut levels), later_s: middle(&mut times) }
    }
}

fn middle(values: &mut [f64]) -> f64 {
    values.sort_by(f64::total_cmp);
    let upper = values.len() / 2;
    if values.len().is_multiple_of(2) { 0.5 * (values[upper - 1] + values[upper]) } else { values[upper] }
}

fn nearest_to_none(values: &[f64]) -> f64 {
    values.iter().copied().min_by(|a, b| a.abs().total_cmp(&b.abs())).unwrap_or(0.0)
}
