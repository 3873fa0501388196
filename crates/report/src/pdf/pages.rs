//! Rows put onto pages.

use std::rc::Rc;

use chart::{Drawing, Ink};

use super::face::Weight;

/// A millimetre in points.
const MM: f32 = 72.0 / 25.4;

/// The page and the room inside its margins, in points.
#[derive(Debug, Clone, Copy)]
pub(super) struct Frame {
    pub(super) page: (f32, f32),
    pub(super) left: f32,
    pub(super) top: f32,
    bottom: f32,
}

impl Frame {
    pub(super) fn of(width: f32, height: f32) -> Self {
        Self { page: (width, height), left: 14.0 * MM, top: 14.0 * MM, bottom: 18.0 * MM }
    }

    /// The width inside the margins.
    pub(super) fn width(&self) -> f32 {
        self.page.0 - 2.0 * self.left
    }

    fn height(&self) -> f32 {
        self.page.1 - self.top - self.bottom
    }
}

/// What is drawn, counted from the upper left corner of its row, or of its page.
#[derive(Debug, Clone)]
pub(super) enum Mark {
    /// Words on a base line.
    Text { x: f32, y: f32, size: f32, weight: Weight, ink: Ink, text: String },
    /// A horizontal line.
    Rule { x: f32, y: f32, width: f32, thickness: f32 },
    /// An empty rectangle.
    Box { x: f32, y: f32, width: f32, height: f32, thickness: f32 },
    /// A picture.
    Picture { x: f32, y: f32, scale: f32, drawing: Rc<Drawing> },
}

impl Mark {
    pub(super) fn moved(mut self, right: f32, down: f32) -> Self {
        let (x, y) = match &mut self {
            Self::Text { x, y, .. }
            | Self::Rule { x, y, .. }
            | Self::Box { x, y, .. }
            | Self::Picture { x, y, .. } => (x, y),
        };
        *x += right;
        *y += down;
        self
    }
}

/// A strip of the page that is never broken.
#[derive(Debug, Clone, Default)]
pub(super) struct Row {
    pub(super) height: f32,
    pub(super) marks: Vec<Mark>,
    /// Whether the next row stands on the same page.
    pub(super) keep: bool,
    /// Whether it should, where all that belongs together fits on one page.
    pub(super) together: bool,
    /// What is repeated above it when it begins a page: the head of its table.
    pub(super) head: Option<Rc<Row>>,
}

impl Row {
    /// Room without anything in it.
    pub(super) fn gap(height: f32) -> Self {
        Self { height, ..Self::default() }
    }

    fn is_gap(&self) -> bool {
        self.marks.is_empty()
    }
}

/// Rows in the groups that stand on one page each: all that belong together where they fit, else
/// those that are kept beside each other.
fn groups(rows: Vec<Row>, room: f32) -> Vec<Vec<Row>> {
    let mut groups = Vec::new();
    for run in runs(rows, |row| row.keep || row.together) {
        if run.iter().map(|row| row.height).sum::<f32>() <= room {
            groups.push(run);
        } else {
            groups.extend(runs(run, |row| row.keep));
        }
    }
    groups
}

/// Rows in runs that end with a row that is not joined to the next.
fn runs(rows: Vec<Row>, joined: impl Fn(&Row) -> bool) -> Vec<Vec<Row>> {
    let mut runs = vec![Vec::new()];
    for row in rows {
        let ends = !joined(&row);
        if let Some(run) = runs.last_mut() {
            run.push(row);
        }
        if ends {
            runs.push(Vec::new());
        }
    }
    runs
}

/// Breaks rows into pages, each with its footer: what is drawn on each page, in reading order.
/// Rows that are kept together and are higher than a page are broken all the same.
pub(super) fn broken(
    rows: Vec<Row>,
    frame: &Frame,
    footer: impl Fn(usize, usize) -> Vec<Mark>,
) -> Vec<Vec<Mark>> {
    let room = frame.height();
    let mut pages: Vec<Vec<Mark>> = vec![Vec::new()];
    let mut used = 0.0;
    for group in groups(rows, room) {
        let height: f32 = group.iter().map(|row| row.height).sum();
        let mut fresh = used > 0.0 && used + height > room && height <= room;
        for row in group {
            if fresh || (used > 0.0 && used + row.height > room) {
                pages.push(Vec::new());
                used = 0.0;
                fresh = false;
            }
            if used == 0.0 && row.is_gap() {
                continue;
            }
            let page = pages.last_mut();
            let Some(page) = page else { continue };
            if used == 0.0
                && let Some(head) = &row.head
            {
                page.extend(head.marks.iter().cloned().map(|mark| mark.moved(frame.left, frame.top)));
                used += head.height;
            }
            page.extend(row.marks.into_iter().map(|mark| mark.moved(frame.left, frame.top + used)));
            used += row.height;
        }
    }
    let count = pages.len();
    let foot = frame.page.1 - frame.bottom;
    for (number, page) in pages.iter_mut().enumerate() {
        page.extend(footer(number + 1, count).into_iter().map(|mark| mark.moved(frame.left, foot)));
    }
    pages
}

#[cfg(test)]
mod tests {
    use super::*;

    fn row(height: f32, keep: bool) -> Row {
        Row {
            height,
            keep,
            marks: vec![Mark::Rule { x: 0.0, y: 0.0, width: 1.0, thickness: 1.0 }],
            together: false,
            head: None,
        }
    }

    /// The places of the marks on each page, from the upper margin.
    fn places(rows: Vec<Row>) -> Vec<Vec<f32>> {
        let frame = Frame { page: (100.0, 120.0), left: 0.0, top: 10.0, bottom: 10.0 };
        let pages = broken(rows, &frame, |_, _| Vec::new());
        let place = |mark: Mark| if let Mark::Rule { y, .. } = mark { y - 10.0 } else { f32::NAN };
        pages.into_iter().map(|page| page.into_iter().map(place).collect()).collect()
    }

    #[test]
    fn what_is_kept_together_begins_a_page() {
        let rows = vec![row(60.0, false), row(30.0, true), row(30.0, false), row(30.0, false)];
        assert_eq!(places(rows), [vec![0.0], vec![0.0, 30.0, 60.0]]);
    }

    #[test]
    fn what_is_too_high_for_a_page_is_broken() {
        let rows = vec![row(20.0, false), row(70.0, true), row(70.0, false)];
        assert_eq!(places(rows), [vec![0.0, 20.0], vec![0.0]]);
    }

    #[test]
    fn a_head_is_never_the_last_row_of_a_page() {
        let loose = |height: f32, keep: bool| Row { together: true, ..row(height, keep) };
        let rows = vec![loose(60.0, false), loose(20.0, true), loose(40.0, false), row(40.0, false)];
        assert_eq!(places(rows), [vec![0.0], vec![0.0, 20.0, 60.0]]);
    }

    #[test]
    fn a_head_is_repeated_and_a_gap_is_not() {
        let head = Rc::new(row(10.0, true));
        let body = Row { head: Some(head), ..row(40.0, false) };
        let rows = vec![row(90.0, false), Row::gap(10.0), Row::gap(5.0), body];
        assert_eq!(places(rows), [vec![0.0], vec![0.0, 10.0]]);
    }
}
