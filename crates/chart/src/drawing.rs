//! Pictures as plain data: paths, circles and texts on a sheet of white paper.

use units::text::one_line;

use crate::Spot;

/// The size of a picture in its own units, which are pixels at full size.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Size {
    /// To the right.
    pub width: f32,
    /// Down.
    pub height: f32,
}

/// A picture: shapes on white, the first one lowest. Places are counted from the upper left corner.
#[derive(Debug, Clone, PartialEq)]
pub struct Drawing {
    /// What it shows, for those who cannot see it.
    pub title: String,
    /// Its size.
    pub size: Size,
    /// What is drawn.
    pub shapes: Vec<Shape>,
}

/// A colour: red, green and blue.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Ink(pub u8, pub u8, pub u8);

/// Text on white paper.
pub const TEXT: Ink = Ink(0x1c, 0x1a, 0x17);
/// The numbers and names of axes.
pub(crate) const AXIS: Ink = Ink(0x4a, 0x46, 0x3f);
/// The paper.
pub(crate) const PAPER: Ink = Ink(0xff, 0xff, 0xff);

/// The colours of a picture of a cabin or a chain.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Inks {
    /// Words.
    pub text: Ink,
    /// Words that are less important.
    pub muted: Ink,
    /// Outlines.
    pub line: Ink,
    /// Behind everything.
    pub paper: Ink,
    /// What lies on it: a seat, a box.
    pub seat: Ink,
    /// What happens now.
    pub accent: Ink,
    /// As it should be.
    pub good: Ink,
    /// To be looked at.
    pub caution: Ink,
    /// Wrong.
    pub bad: Ink,
}

impl Inks {
    /// On white paper.
    pub const PAPER: Self = Self {
        text: TEXT,
        muted: AXIS,
        line: Ink(0x8a, 0x85, 0x7c),
        paper: PAPER,
        seat: Ink(0xf1, 0xee, 0xe8),
        accent: Ink(0x00, 0x72, 0xb2),
        good: Ink(0x00, 0x9e, 0x73),
        caution: Ink(0xb3, 0x6b, 0x00),
        bad: Ink(0xd5, 0x5e, 0x00),
    };
}

/// One piece of a picture.
#[derive(Debug, Clone, PartialEq)]
pub enum Shape {
    /// Straight lines from place to place.
    Path(Path),
    /// A circle.
    Circle {
        /// Its centre.
        centre: Spot,
        /// Its radius.
        radius: f32,
        /// What it is filled with.
        fill: Ink,
        /// Its edge.
        edge: Ink,
    },
    /// One line of text.
    Text(Text),
    /// Shapes of which only what lies in a rectangle is seen.
    Clipped {
        /// The upper left corner of the rectangle.
        corner: Spot,
        /// Its size.
        size: Size,
        /// What lies in it.
        shapes: Vec<Shape>,
    },
}

/// Straight lines from place to place.
#[derive(Debug, Clone, PartialEq)]
pub struct Path {
    /// The places.
    pub spots: Vec<Spot>,
    /// Whether the last place is joined to the first.
    pub closed: bool,
    /// The width and colour of the line, if it has any.
    pub stroke: Option<(f32, Ink)>,
    /// The colour inside, if it has any.
    pub fill: Option<Ink>,
    /// How much of what lies below is covered, from 0 to 1.
    pub opacity: f32,
    /// Lengths of strokes and gaps by turns; empty for a line without gaps.
    pub dashes: Vec<f32>,
}

/// On which side of its place a text stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Anchor {
    /// It begins there.
    Start,
    /// Its middle is there.
    Middle,
    /// It ends there.
    End,
}

/// One line of text.
#[derive(Debug, Clone, PartialEq)]
pub struct Text {
    /// Where it stands, on its base line.
    pub at: Spot,
    /// On which side of it.
    pub anchor: Anchor,
    /// The height of its letters' square.
    pub size: f32,
    /// Whether it is bold.
    pub bold: bool,
    /// Whether it is read from below to above.
    pub upward: bool,
    /// Its colour.
    pub ink: Ink,
    /// What it says, as one line.
    pub text: String,
}

/// The size of numbers and names.
const LETTERS: f32 = 11.0;

/// A circle.
pub(crate) fn circle(centre: Spot, radius: f32, fill: Ink, edge: Ink) -> Shape {
    Shape::Circle { centre, radius, fill, edge }
}

/// A text of the usual size.
pub(crate) fn text(x: f32, y: f32, anchor: Anchor, ink: Ink, words: &str) -> Text {
    Text {
        at: Spot { x, y },
        anchor,
        size: LETTERS,
        bold: false,
        upward: false,
        ink,
        text: one_line(words).into_owned(),
    }
}

/// A thin line without gaps.
pub(crate) fn thin(from: (f32, f32), to: (f32, f32), ink: Ink) -> Path {
    let spot = |(x, y): (f32, f32)| Spot { x, y };
    Path {
        spots: vec![spot(from), spot(to)],
        closed: false,
        stroke: Some((1.0, ink)),
        fill: None,
        opacity: 1.0,
        dashes: Vec::new(),
    }
}

/// A rectangle with round corners, as straight lines.
pub(crate) fn rounded(from: Spot, to: Spot, radius: f32) -> Vec<Spot> {
    let radius = radius.min((to.x - from.x).abs() / 2.0).min((to.y - from.y).abs() / 2.0);
    let corners = [
        (to.x - radius, from.y + radius, -0.25),
        (to.x - radius, to.y - radius, 0.0),
        (from.x + radius, to.y - radius, 0.25),
        (from.x + radius, from.y + radius, 0.5),
    ];
    corners
        .into_iter()
        .flat_map(|(x, y, start)| {
            (0..=10).map(move |step| {
                let turn = std::f32::consts::TAU * (start + 0.25 * step as f32 / 10.0);
                Spot { x: x + radius * turn.cos(), y: y + radius * turn.sin() }
            })
        })
        .collect()
}
