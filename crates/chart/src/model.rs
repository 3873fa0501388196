//! What a chart consists of.

use std::sync::Arc;

use crate::with_unit;

/// A place in the units of the two axes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Point {
    /// Along the horizontal axis.
    pub x: f64,
    /// Along the vertical axis.
    pub y: f64,
}

/// How an axis divides its length.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Scale {
    /// Equal differences take equal lengths.
    Linear,
    /// Equal ratios take equal lengths.
    Logarithmic,
}

/// One axis.
#[derive(Debug, Clone, PartialEq)]
pub struct Axis {
    /// What it shows.
    pub label: String,
    /// The unit of its ticks, such as `Hz`.
    pub unit: String,
    /// Its division.
    pub scale: Scale,
    /// Where it begins when the whole chart is shown.
    pub from: f64,
    /// Where it ends when the whole chart is shown.
    pub to: f64,
}

/// What a line or area stands for; the theme chooses its colour.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Role {
    /// The response before the change.
    Before,
    /// The response after the change.
    After,
    /// What is being heard now.
    Live,
    /// The average over positions.
    Average,
    /// The target.
    Target,
    /// What the bands are expected to give.
    Predicted,
    /// What the bands do by themselves.
    Bands,
    /// The noise floor.
    Noise,
    /// The difference between two curves.
    Difference,
    /// As it should be.
    Clean,
    /// Beyond a limit.
    Unclean,
    /// One of several curves of equal standing, counted from 0.
    Series(u8),
    /// One of a family that differs in degree, such as the steps of a volume: from 0, the least, to 255,
    /// the most.
    Family(u8),
}

impl Role {
    /// The role of one of so many in a family, counted from 0.
    #[must_use]
    pub fn of_family(number: usize, of: usize) -> Self {
        let share = 255 * number / of.saturating_sub(1).max(1);
        Self::Family(u8::try_from(share).unwrap_or(u8::MAX))
    }
}

/// How a line is broken.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Dash {
    /// Not at all.
    #[default]
    Solid,
    /// Long strokes.
    Dashed,
    /// Dots.
    Dotted,
    /// Strokes and dots by turns.
    DashDot,
}

/// One curve.
#[derive(Debug, Clone, PartialEq)]
pub struct Line {
    /// Its name, written at its end.
    pub label: String,
    /// What it stands for.
    pub role: Role,
    /// How it is broken.
    pub dash: Dash,
    /// Its points in ascending `x`; a gap is made by a second line.
    pub points: Arc<[Point]>,
    /// How sure each point is, from 0 (not at all) to 1; empty means sure
    /// throughout. An unsure stretch is drawn faded.
    pub certainty: Arc<[f32]>,
}

impl Line {
    /// The outline of a bar of width 0.8, from a floor to its height.
    #[must_use]
    pub fn bar(label: String, role: Role, (x, height): (f64, f64), floor: f64) -> Self {
        let points = [(x - 0.4, floor), (x - 0.4, height), (x + 0.4, height), (x + 0.4, floor)];
        let points = points.map(|(x, y)| Point { x, y }).into();
        Self { label, role, dash: Dash::Solid, points, certainty: [].into() }
    }

    /// Whether it is the outline of a bar, which has no end where a name could stand.
    #[must_use]
    pub fn is_bar(&self) -> bool {
        matches!(self.role, Role::Clean | Role::Unclean)
    }
}

/// A band between two curves over the same `x`, such as a target's tolerance.
#[derive(Debug, Clone, PartialEq)]
pub struct Area {
    /// Its name.
    pub label: String,
    /// What it stands for.
    pub role: Role,
    /// Its lower edge.
    pub lower: Arc<[Point]>,
    /// Its upper edge, point by point over the same `x` as `lower`.
    pub upper: Arc<[Point]>,
}

/// What a handle moves, counted from 0 among its kind.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum HandleId {
    /// An equalizer band.
    Band(usize),
    /// An equalizer band of a tune that is proposed and not entered.
    Proposed(usize),
    /// A value of a channel in such a tune: a level, a polarity, a delay, a corner of a crossover.
    Value(usize),
    /// A shelf of the target.
    Shelf(usize),
    /// A point of the target.
    Point(usize),
}

/// Something that can be dragged.
#[derive(Debug, Clone, PartialEq)]
pub struct Handle {
    /// What it moves.
    pub id: HandleId,
    /// Where it sits.
    pub at: Point,
    /// The least values that it can be dragged to.
    pub least: Point,
    /// The greatest ones.
    pub greatest: Point,
    /// What is written on it.
    pub label: String,
    /// Whether what it moves is switched on.
    pub enabled: bool,
    /// Whether it is the chosen one.
    pub selected: bool,
}

/// A remark at one place of the horizontal axis.
#[derive(Debug, Clone, PartialEq)]
pub struct Mark {
    /// Where it points.
    pub x: f64,
    /// What it says.
    pub label: String,
}

/// Everything that one chart shows.
#[derive(Debug, Clone, PartialEq)]
pub struct Chart {
    /// Its title.
    pub title: String,
    /// The horizontal axis.
    pub x: Axis,
    /// The vertical axis.
    pub y: Axis,
    /// Areas, drawn first.
    pub areas: Vec<Area>,
    /// Lines, in the order in which they are drawn.
    pub lines: Vec<Line>,
    /// Handles, drawn above the lines.
    pub handles: Vec<Handle>,
    /// Remarks along the horizontal axis.
    pub marks: Vec<Mark>,
}

impl Axis {
    /// Its name with the unit: `Level (dB)`.
    #[must_use]
    pub fn name(&self) -> String {
        if self.unit.is_empty() { self.label.clone() } else { format!("{} ({})", self.label, self.unit) }
    }

    /// A place on it as one reads it: `125 Hz`; of an axis without a unit, which counts, `Volume step 31`.
    #[must_use]
    pub fn reading(&self, value: f64) -> String {
        match self.unit.as_str() {
            "" if !self.label.is_empty() => format!("{} {:.0}", self.label, value),
            unit => with_unit(value, unit),
        }
    }

    /// Whether it is one of frequencies.
    #[must_use]
    pub fn is_frequency(&self) -> bool {
        self.unit == "Hz"
    }

    /// The audible frequencies, 20 Hz to 20 kHz.
    #[must_use]
    pub fn audio_frequency() -> Self {
        Self {
            label: "Frequency".to_owned(),
            unit: "Hz".to_owned(),
            scale: Scale::Logarithmic,
            from: 20.0,
            to: 20_000.0,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_family_goes_from_the_least_to_the_most() {
        let five: Vec<Role> = (0..5).map(|number| Role::of_family(number, 5)).collect();
        assert_eq!(five, [0, 63, 127, 191, 255].map(Role::Family));
        assert_eq!(Role::of_family(0, 1), Role::Family(0));
    }

    #[test]
    fn a_place_on_an_axis_is_read_with_its_unit_or_counted() {
        let steps = Axis {
            label: "Volume step".to_owned(),
            unit: String::new(),
            scale: Scale::Linear,
            from: 0.0,
            to: 40.0,
        };
        assert_eq!((steps.reading(30.7).as_str(), steps.name().as_str()), ("Volume step 31", "Volume step"));
        let frequency = Axis::audio_frequency();
        assert_eq!(
            (frequency.reading(125.2).as_str(), frequency.name().as_str()),
            ("125 Hz", "Frequency (Hz)")
        );
    }
}
