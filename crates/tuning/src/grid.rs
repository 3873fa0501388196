//! The values that a processor offers for one setting.

use serde::Deserialize;

use crate::TextError;

/// More values than any display steps through; beyond it a step is a typing error.
const MOST_VALUES: usize = 1_000_000;

/// Ascending values, each once, at least one.
#[derive(Debug, Clone, PartialEq)]
pub struct Grid(Vec<f64>);

impl Grid {
    /// The values in ascending order, each once; `None` when there is none or one
    /// of them is not finite.
    #[must_use]
    pub fn from_values(mut values: Vec<f64>) -> Option<Self> {
        if values.is_empty() || values.iter().any(|v| !v.is_finite()) {
            return None;
        }
        values.sort_by(f64::total_cmp);
        values.dedup();
        Some(Self(values))
    }

    /// Evenly spaced values from `from` to `to`; `from` alone where that makes no sense.
    pub(crate) fn even(from: f64, to: f64, step: f64) -> Self {
        let values = stepped(from, to, step).and_then(Self::from_values);
        values.unwrap_or_else(|| Self(vec![from]))
    }

    /// The same values and another one.
    pub(crate) fn and(mut self, value: f64) -> Self {
        self.0.push(value);
        Self::from_values(self.0).unwrap_or_else(|| Self(vec![value]))
    }

    /// All values, ascending.
    #[must_use]
    pub fn values(&self) -> &[f64] {
        &self.0
    }

    /// The least value.
    #[must_use]
    pub fn min(&self) -> f64 {
        self.0[0]
    }

    /// The greatest value.
    #[must_use]
    pub fn max(&self) -> f64 {
        self.0[self.0.len() - 1]
    }

    /// Where the value nearest to the wanted one stands.
    #[must_use]
    pub fn nearest_index(&self, wanted: f64) -> usize {
        let above = self.0.partition_point(|&v| v < wanted);
        if above == 0 {
            return 0;
        }
        if above == self.0.len() {
            return above - 1;
        }
        if wanted - self.0[above - 1] <= self.0[above] - wanted { above - 1 } else { above }
    }

    /// The value nearest to the wanted one.
    #[must_use]
    pub fn nearest(&self, wanted: f64) -> f64 {
        self.0[self.nearest_index(wanted)]
    }

    /// The value so many places further on, within the ends.
    #[must_use]
    pub fn stepped(&self, value: f64, places: isize) -> f64 {
        let index = self.nearest_index(value).saturating_add_signed(places).min(self.0.len() - 1);
        self.0[index]
    }

    /// Whether the value is one of the grid's, to the last digit that a person types.
    #[must_use]
    pub fn contains(&self, value: f64) -> bool {
        (self.nearest(value) - value).abs() <= 1e-9 * value.abs().max(1.0)
    }

    /// Every second value, the first among them.
    pub(crate) fn halved(&self) -> Self {
        Self(self.0.iter().copied().step_by(2).collect())
    }

    /// The part of the grid from `min` to `max`; `None` when nothing is left.
    #[must_use]
    pub fn within(&self, min: f64, max: f64) -> Option<Self> {
        Self::from_values(self.0.iter().copied().filter(|v| (min..=max).contains(v)).collect())
    }
}

/// A grid as it is written in TOML: an explicit `list`, or `from`, `to` and
/// either `step` or `per_octave` (rounded to `digits` significant digits).
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct GridText {
    list: Option<Vec<f64>>,
    from: Option<f64>,
    to: Option<f64>,
    step: Option<f64>,
    per_octave: Option<f64>,
    digits: Option<u32>,
}

impl GridText {
    /// The grid, whose values must lie from `least` to `most`.
    pub(crate) fn grid(&self, name: &str, key: &str, least: f64, most: f64) -> Result<Grid, TextError> {
        let refuse = |problem: String, advice: &str| Err(TextError::whole(name, problem, advice));
        let values = match (&self.list, self.from, self.to, self.step, self.per_octave) {
            (Some(list), None, None, None, None) => list.clone(),
            (None, Some(from), Some(to), Some(step), None) => match stepped(from, to, step) {
                Some(values) => values,
                None => {
                    return refuse(
                        format!("`{key}` goes from {from} to {to} by {step}"),
                        "`to` must not lie below `from`, and `step` must be above 0 and not too small",
                    );
                }
            },
            (None, Some(from), Some(to), None, Some(per_octave)) => {
                match octaves(from, to, per_octave, self.digits.unwrap_or(4)) {
                    Some(values) => values,
                    None => {
                        return refuse(
                            format!("`{key}` goes from {from} to {to} with {per_octave} per octave"),
                            "`from` must lie above 0, `to` not below it, `per_octave` from 0.1 to 1000",
                        );
                    }
                }
            }
            _ => {
                return refuse(
                    format!("`{key}` is not a grid"),
                    "write `list = [...]`, or `from`, `to` and either `step` or `per_octave`",
                );
            }
        };
        if let Some(bad) = values.iter().find(|v| !(least..=most).contains(*v)) {
            return refuse(
                format!("`{key}` holds {bad}"),
                &format!("its values must lie from {least} to {most}"),
            );
        }
        match Grid::from_values(values) {
            Some(grid) => Ok(grid),
            None => refuse(format!("`{key}` holds no value"), "give it at least one"),
        }
    }
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    clippy::cast_precision_loss,
    reason = "the count is checked against MOST_VALUES first"
)]
fn stepped(from: f64, to: f64, step: f64) -> Option<Vec<f64>> {
    if !(from.is_finite() && to.is_finite() && step > 0.0 && to >= from) {
        return None;
    }
    let steps = ((to - from) / step + 1e-9).floor();
    if steps >= MOST_VALUES as f64 {
        return None;
    }
    // Rounded to the ninth decimal, so that 0.1 + 0.2 prints as 0.3.
    Some((0..=steps as usize).map(|i| ((from + step * i as f64) * 1e9).round() / 1e9).collect())
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    clippy::cast_precision_loss,
    reason = "at most a thousand values per octave"
)]
fn octaves(from: f64, to: f64, per_octave: f64, digits: u32) -> Option<Vec<f64>> {
    if !(from > 0.0 && to >= from && to.is_finite() && (0.1..=1000.0).contains(&per_octave)) {
        return None;
    }
    let steps = ((to / from).log2() * per_octave + 1e-9).floor();
    if steps >= MOST_VALUES as f64 {
        return None;
    }
    Some((0..=steps as usize).map(|i| significant(from * (i as f64 / per_octave).exp2(), digits)).collect())
}

/// A positive value rounded to so many significant digits.
fn significant(value: f64, digits: u32) -> f64 {
    let decimals = f64::from(digits.clamp(1, 12)) - 1.0 - value.log10().floor();
    let scale = 10f64.powf(decimals.abs());
    if decimals >= 0.0 { (value * scale).round() / scale } else { (value / scale).round() * scale }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(text: &str) -> Result<Grid, TextError> {
        crate::toml_text::parse::<GridText>(text, "p.toml")?.grid("p.toml", "gain_db", -20.0, 20_000.0)
    }

    #[test]
    fn lists_steps_and_octaves_are_read() {
        assert_eq!(read("list = [3, 1, 2]").unwrap().values(), [1.0, 2.0, 3.0]);
        assert_eq!(
            read("from = -0.2\nto = 0.3\nstep = 0.1").unwrap().values(),
            [-0.2, -0.1, 0.0, 0.1, 0.2, 0.3]
        );
        let octaves = read("from = 20\nto = 20000\nper_octave = 3\ndigits = 3").unwrap();
        assert_eq!(&octaves.values()[..5], [20.0, 25.2, 31.7, 40.0, 50.4]);
        assert_eq!(octaves.values().len(), 30);
    }

    #[test]
    fn grids_that_make_no_sense_are_refused() {
        for text in [
            "list = []",
            "list = [1]\nfrom = 1",
            "from = 1\nto = 0\nstep = 1",
            "from = 0\nto = 1\nstep = 0",
            "from = 0\nto = 1\nstep = 1e-9",
            "from = 0\nto = 1\nper_octave = 3",
            "list = [nan]",
            "list = [-30]",
            "from = 1",
            "form = 1",
        ] {
            let error = read(text).unwrap_err().to_string();
            assert!(error.starts_with("p.toml"), "{text}: {error}");
        }
    }

    #[test]
    fn the_nearest_value_is_found() {
        let grid = Grid::from_values(vec![1.0, 2.0, 4.0]).unwrap();
        for (wanted, nearest) in [(-1.0, 1.0), (1.4, 1.0), (1.6, 2.0), (3.1, 4.0), (9.0, 4.0)] {
            assert_eq!(grid.nearest(wanted), nearest);
        }
        assert_eq!(grid.stepped(2.0, 1), 4.0);
        assert_eq!(grid.stepped(2.0, -5), 1.0);
        assert!(grid.contains(2.0) && !grid.contains(2.1));
    }
}
