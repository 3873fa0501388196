//! A whole chart on white paper, so that every form of a report shows the same picture.

use units::text::one_line;

use crate::drawing::{AXIS, PAPER, text, thin};
use crate::{
    Anchor, Area, Chart, Drawing, HandleId, Ink, Line, Path, Plot, Point, Role, Shape, Size, Spot, TEXT,
    Text, Viewport, area_outline, place, shorten, ticks, traces, uncovered,
};

/// A line of the grid at a round number, and one between.
const GRID: [Ink; 2] = [Ink(0xc2, 0xbd, 0xb4), Ink(0xe6, 0xe2, 0xda)];
/// Room left of the plot for numbers and the axis' name.
pub(crate) const LEFT: f32 = 58.0;
/// Room right of the plot for the names of the lines.
pub(crate) const RIGHT: f32 = 128.0;
/// Room above for the title.
pub(crate) const TOP: f32 = 34.0;
/// Room below for numbers and the axis' name.
pub(crate) const BOTTOM: f32 = 44.0;
/// The least distance between two names at the right, in pixels.
pub(crate) const NAME_GAP: f32 = 14.0;
/// The longest name that fits at the right, in characters.
const NAME_LENGTH: usize = 20;

impl Drawing {
    /// Draws the whole chart.
    ///
    /// The colours are those of Okabe and Ito (2008), chosen to be told apart by people with any
    /// kind of colour vision; names at the lines' ends and dashes say the same without colour.
    #[must_use]
    pub fn of(chart: &Chart, size: Size) -> Self {
        let plot = Plot {
            view: Viewport::fit(chart),
            left: LEFT,
            top: TOP,
            width: (size.width - LEFT - RIGHT).max(40.0),
            height: (size.height - TOP - BOTTOM).max(40.0),
        };
        let size = Size { width: plot.right() + RIGHT, height: plot.bottom() + BOTTOM };
        let title = Text { size: 14.0, bold: true, ..text(LEFT, 20.0, Anchor::Start, TEXT, &chart.title) };
        let mut shapes = vec![Shape::Text(title)];
        axes(&mut shapes, chart, &plot);
        let mut inside: Vec<Shape> = chart.areas.iter().filter_map(|area| filled(area, &plot)).collect();
        inside.extend(chart.lines.iter().flat_map(|line| stroked(line, &plot)));
        handles(&mut inside, chart, &plot);
        shapes.push(Shape::Clipped {
            corner: Spot { x: plot.left, y: plot.top },
            size: Size { width: plot.width, height: plot.height },
            shapes: inside,
        });
        marks(&mut shapes, chart, &plot);
        names(&mut shapes, chart, &plot);
        Self { title: one_line(&chart.title).into_owned(), size, shapes }
    }
}

/// The colour of a role on white paper.
fn ink(role: Role) -> Ink {
    const SERIES: [Ink; 7] = [
        Ink(0x00, 0x72, 0xb2),
        Ink(0xd5, 0x5e, 0x00),
        Ink(0x00, 0x9e, 0x73),
        Ink(0xcc, 0x79, 0xa7),
        Ink(0x56, 0xb4, 0xe9),
        Ink(0xe6, 0x9f, 0x00),
        Ink(0x00, 0x00, 0x00),
    ];
    match role {
        Role::After => SERIES[0],
        Role::Before | Role::Unclean => SERIES[1],
        Role::Live | Role::Target | Role::Clean => SERIES[2],
        Role::Predicted => SERIES[3],
        Role::Difference => SERIES[4],
        Role::Bands => SERIES[5],
        Role::Average => SERIES[6],
        Role::Noise => Ink(0x76, 0x76, 0x76),
        Role::Series(index) => SERIES[usize::from(index) % SERIES.len()],
        Role::Family(degree) => between(FAMILY, degree),
    }
}

/// The least and the most of a family: the same hue, lighter and darker.
const FAMILY: [Ink; 2] = [Ink(0x4a, 0x96, 0xc8), Ink(0x00, 0x1f, 0x3a)];

/// A colour on the way from one to another.
fn between([from, to]: [Ink; 2], degree: u8) -> Ink {
    let mix = |from: u8, to: u8| {
        let (from, to, degree) = (u32::from(from), u32::from(to), u32::from(degree));
        ((from * (255 - degree) + to * degree + 127) / 255) as u8
    };
    Ink(mix(from.0, to.0), mix(from.1, to.1), mix(from.2, to.2))
}

fn axes(shapes: &mut Vec<Shape>, chart: &Chart, plot: &Plot) {
    let (left, right, top, bottom) = (plot.left, plot.right(), plot.top, plot.bottom());
    let grey = |major: bool| GRID[usize::from(!major)];
    for tick in ticks(&plot.view.x, (plot.width / 42.0) as usize) {
        let x = plot.x(tick.value);
        shapes.push(Shape::Path(thin((x, top), (x, bottom), grey(tick.major))));
        if !tick.label.is_empty() {
            shapes.push(Shape::Text(text(x, bottom + 15.0, Anchor::Middle, AXIS, &tick.label)));
        }
    }
    for tick in ticks(&plot.view.y, (plot.height / 32.0) as usize) {
        let y = plot.y(tick.value);
        shapes.push(Shape::Path(thin((left, y), (right, y), grey(tick.major))));
        // An axis without a name has no numbers either.
        if !tick.label.is_empty() && !chart.y.label.is_empty() {
            shapes.push(Shape::Text(text(left - 6.0, y + 4.0, Anchor::End, AXIS, &tick.label)));
        }
    }
    let across = chart.x.name();
    shapes.push(Shape::Text(text((left + right) / 2.0, bottom + 34.0, Anchor::Middle, AXIS, &across)));
    let up = chart.y.name();
    let up = text(14.0, (top + bottom) / 2.0, Anchor::Middle, AXIS, &up);
    shapes.push(Shape::Text(Text { upward: true, ..up }));
}

fn filled(area: &Area, plot: &Plot) -> Option<Shape> {
    let spots = area_outline(area, plot);
    (spots.len() > 2).then(|| {
        let fill = Some(ink(area.role));
        Shape::Path(Path { spots, closed: true, stroke: None, fill, opacity: 0.16, dashes: Vec::new() })
    })
}

fn stroked(line: &Line, plot: &Plot) -> Vec<Shape> {
    let dashes: Vec<f32> = line.dash.pattern().iter().map(|d| d * 1.8).collect();
    traces(line, plot)
        .into_iter()
        .map(|trace| {
            Shape::Path(Path {
                spots: trace.spots,
                closed: false,
                stroke: Some((1.8, ink(line.role))),
                fill: None,
                opacity: 0.25 + 0.75 * trace.certainty,
                dashes: dashes.clone(),
            })
        })
        .collect()
}

const HANDLE_RADIUS: f32 = 8.0;

fn handles(shapes: &mut Vec<Shape>, chart: &Chart, plot: &Plot) {
    let centres: Vec<Spot> = chart.handles.iter().map(|handle| plot.spot(handle.at)).collect();
    let shown = uncovered(&centres, HANDLE_RADIUS);
    for ((handle, centre), shown) in chart.handles.iter().zip(centres).zip(shown) {
        let role = if matches!(handle.id, HandleId::Band(_) | HandleId::Proposed(_)) {
            Role::Bands
        } else {
            Role::Target
        };
        let fill = if handle.enabled { ink(role) } else { PAPER };
        shapes.push(Shape::Circle { centre, radius: HANDLE_RADIUS, fill, edge: AXIS });
        if !shown {
            continue;
        }
        let label = text(centre.x, centre.y + 3.5, Anchor::Middle, Ink(0, 0, 0), &handle.label);
        shapes.push(Shape::Text(Text { size: 10.0, ..label }));
    }
}

fn marks(shapes: &mut Vec<Shape>, chart: &Chart, plot: &Plot) {
    for mark in &chart.marks {
        let unit = plot.view.x.unit(mark.x);
        if !(0.0..=1.0).contains(&unit) {
            continue;
        }
        let x = plot.x(mark.x);
        let (anchor, aside) = if unit > 0.6 { (Anchor::End, -4.0) } else { (Anchor::Start, 4.0) };
        let line = thin((x, plot.top), (x, plot.bottom()), AXIS);
        shapes.push(Shape::Path(Path { dashes: vec![2.0, 3.0], ..line }));
        shapes.push(Shape::Text(text(x + aside, plot.top + 12.0, anchor, TEXT, &mark.label)));
    }
}

/// The name of every line beside its end, spread so that none covers another.
fn names(shapes: &mut Vec<Shape>, chart: &Chart, plot: &Plot) {
    let mut ends: Vec<(&Line, f32)> = Vec::new();
    for line in &chart.lines {
        let end = line.points.iter().rev().find(|p| p.y.is_finite() && p.x <= plot.view.x.to);
        let Some(&Point { x, y }) = end else { continue };
        if line.label.is_empty() || line.is_bar() || x < plot.view.x.from {
            continue;
        }
        let y = plot.y(y);
        match ends.iter_mut().find(|(l, _)| l.label == line.label && l.role == line.role) {
            Some(known) => *known = (line, y),
            None => ends.push((line, y)),
        }
    }
    let wanted: Vec<f32> = ends.iter().map(|(_, y)| *y).collect();
    let placed = place(&wanted, NAME_GAP, plot.top + 4.0, plot.bottom());
    let right = plot.right();
    for ((line, y), at) in ends.iter().zip(placed) {
        shapes.push(Shape::Path(thin((right, *y), (right + 8.0, at), ink(line.role))));
        let name = shorten(&line.label, NAME_LENGTH);
        shapes.push(Shape::Text(text(right + 12.0, at + 4.0, Anchor::Start, TEXT, &name)));
    }
}
