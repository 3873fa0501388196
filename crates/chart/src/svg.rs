//! A chart as a self-contained SVG picture, for reports.

use std::fmt::Write as _;

use units::text::one_line;

use crate::{
    Area, Chart, HandleId, Line, Plot, Point, Role, Spot, Viewport, area_outline, place, shorten, ticks,
    traces,
};

/// The size of a picture in its own units, which are pixels at full size.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Size {
    /// To the right.
    pub width: f32,
    /// Down.
    pub height: f32,
}

/// Room left of the plot for numbers and the axis' name.
const LEFT: f32 = 58.0;
/// Room right of the plot for the names of the lines.
const RIGHT: f32 = 128.0;
/// Room above for the title.
const TOP: f32 = 34.0;
/// Room below for numbers and the axis' name.
const BOTTOM: f32 = 44.0;
/// The least distance between two names at the right, in pixels.
const NAME_GAP: f32 = 14.0;
/// The longest name that fits at the right, in characters.
const NAME_LENGTH: usize = 20;

/// Writes the whole chart as one SVG document: no style sheet, script, font or
/// picture from outside. Equal charts give equal text.
///
/// The colours are those of Okabe and Ito (2008), chosen to be told apart by
/// people with any kind of colour vision; names at the lines' ends and dashes
/// say the same without colour.
#[must_use]
pub fn write(chart: &Chart, size: Size) -> String {
    let plot = Plot {
        view: Viewport::fit(chart),
        left: LEFT,
        top: TOP,
        width: (size.width - LEFT - RIGHT).max(40.0),
        height: (size.height - TOP - BOTTOM).max(40.0),
    };
    let (w, h) = (plot.right() + RIGHT, plot.bottom() + BOTTOM);
    let title = escape(&chart.title);
    let mut svg = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {w} {h}\" width=\"{w}\" height=\"{h}\" \
         role=\"img\" aria-label=\"{title}\" font-family=\"Inter, 'Segoe UI', Helvetica, Arial, sans-serif\" \
         font-size=\"11\">\n<title>{title}</title>\n<rect width=\"{w}\" height=\"{h}\" fill=\"#ffffff\"/>\n\
         <text x=\"{LEFT}\" y=\"20\" font-size=\"14\" font-weight=\"600\" fill=\"#1c1a17\">{title}</text>\n"
    );
    axes(&mut svg, chart, &plot);
    let _ = writeln!(
        svg,
        "<svg x=\"{}\" y=\"{}\" width=\"{}\" height=\"{}\" viewBox=\"{} {} {} {}\">",
        plot.left, plot.top, plot.width, plot.height, plot.left, plot.top, plot.width, plot.height
    );
    for area in &chart.areas {
        write_area(&mut svg, area, &plot);
    }
    for line in &chart.lines {
        write_line(&mut svg, line, &plot);
    }
    handles(&mut svg, chart, &plot);
    svg.push_str("</svg>\n");
    marks(&mut svg, chart, &plot);
    names(&mut svg, chart, &plot);
    svg.push_str("</svg>\n");
    svg
}

/// The colour of a role on white paper.
fn ink(role: Role) -> &'static str {
    const SERIES: [&str; 7] = ["#0072b2", "#d55e00", "#009e73", "#cc79a7", "#56b4e9", "#e69f00", "#000000"];
    match role {
        Role::Before | Role::Unclean => "#d55e00",
        Role::After => "#0072b2",
        Role::Live | Role::Target | Role::Clean => "#009e73",
        Role::Average => "#000000",
        Role::Predicted => "#cc79a7",
        Role::Bands => "#e69f00",
        Role::Noise => "#767676",
        Role::Difference => "#56b4e9",
        Role::Series(index) => SERIES[usize::from(index) % SERIES.len()],
    }
}

fn axes(svg: &mut String, chart: &Chart, plot: &Plot) {
    let (left, right, top, bottom) = (plot.left, plot.right(), plot.top, plot.bottom());
    for tick in ticks(&plot.view.x, (plot.width / 42.0) as usize) {
        let x = plot.x(tick.value);
        let grey = if tick.major { "#c2bdb4" } else { "#e6e2da" };
        let _ = writeln!(svg, "<path d=\"M{x:.1} {top}V{bottom}\" stroke=\"{grey}\"/>");
        if !tick.label.is_empty() {
            let y = bottom + 15.0;
            let _ = writeln!(
                svg,
                "<text x=\"{x:.1}\" y=\"{y}\" text-anchor=\"middle\" fill=\"#4a463f\">{}</text>",
                tick.label
            );
        }
    }
    for tick in ticks(&plot.view.y, (plot.height / 32.0) as usize) {
        let y = plot.y(tick.value);
        let grey = if tick.major { "#c2bdb4" } else { "#e6e2da" };
        let _ = writeln!(
            svg,
            "<path d=\"M{left} {y:.1}H{right}\" stroke=\"{grey}\"/><text x=\"{:.1}\" y=\"{:.1}\" \
             text-anchor=\"end\" fill=\"#4a463f\">{}</text>",
            left - 6.0,
            y + 4.0,
            tick.label
        );
    }
    let _ = writeln!(
        svg,
        "<text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"middle\" fill=\"#4a463f\">{}</text>\
         <text transform=\"translate(14 {:.1}) rotate(-90)\" text-anchor=\"middle\" fill=\"#4a463f\">{}</text>",
        (left + right) / 2.0,
        bottom + 34.0,
        axis_name(&chart.x.label, &chart.x.unit),
        (top + bottom) / 2.0,
        axis_name(&chart.y.label, &chart.y.unit),
    );
}

fn axis_name(label: &str, unit: &str) -> String {
    escape(&if unit.is_empty() { label.to_owned() } else { format!("{label} ({unit})") })
}

fn write_area(svg: &mut String, area: &Area, plot: &Plot) {
    let outline = area_outline(area, plot);
    if outline.len() > 2 {
        let _ = writeln!(
            svg,
            "<path d=\"{}Z\" fill=\"{}\" fill-opacity=\"0.16\"/>",
            path(&outline),
            ink(area.role)
        );
    }
}

fn write_line(svg: &mut String, line: &Line, plot: &Plot) {
    for trace in traces(line, plot) {
        let dashes: Vec<String> = line.dash.pattern().iter().map(|d| format!("{:.1}", d * 1.8)).collect();
        let dashes = if dashes.is_empty() {
            String::new()
        } else {
            format!(" stroke-dasharray=\"{}\"", dashes.join(" "))
        };
        let opacity = 0.25 + 0.75 * trace.certainty;
        let _ = writeln!(
            svg,
            "<path d=\"{}\" fill=\"none\" stroke=\"{}\" stroke-width=\"1.8\" stroke-linejoin=\"round\" \
             stroke-opacity=\"{opacity:.2}\"{dashes}/>",
            path(&trace.spots),
            ink(line.role),
        );
    }
}

fn handles(svg: &mut String, chart: &Chart, plot: &Plot) {
    for handle in &chart.handles {
        let spot = plot.spot(handle.at);
        let role = if matches!(handle.id, HandleId::Band(_)) { Role::Bands } else { Role::Target };
        let fill = if handle.enabled { ink(role) } else { "#ffffff" };
        let _ = writeln!(
            svg,
            "<circle cx=\"{:.1}\" cy=\"{:.1}\" r=\"8\" fill=\"{fill}\" stroke=\"#4a463f\"/>\
             <text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"middle\" font-size=\"10\" fill=\"#000000\">{}</text>",
            spot.x,
            spot.y,
            spot.x,
            spot.y + 3.5,
            escape(&handle.label)
        );
    }
}

fn marks(svg: &mut String, chart: &Chart, plot: &Plot) {
    for mark in &chart.marks {
        let unit = plot.view.x.unit(mark.x);
        if !(0.0..=1.0).contains(&unit) {
            continue;
        }
        let x = plot.x(mark.x);
        let anchor = if unit > 0.6 { "end" } else { "start" };
        let aside = if unit > 0.6 { -4.0 } else { 4.0 };
        let _ = writeln!(
            svg,
            "<path d=\"M{x:.1} {}V{}\" stroke=\"#4a463f\" stroke-dasharray=\"2 3\"/>\
             <text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"{anchor}\" fill=\"#1c1a17\">{}</text>",
            plot.top,
            plot.bottom(),
            x + aside,
            plot.top + 12.0,
            escape(&mark.label)
        );
    }
}

/// The name of every line beside its end, spread so that none covers another.
fn names(svg: &mut String, chart: &Chart, plot: &Plot) {
    let mut ends: Vec<(&Line, f32)> = Vec::new();
    for line in &chart.lines {
        let end = line.points.iter().rev().find(|p| p.y.is_finite() && p.x <= plot.view.x.to);
        let Some(&Point { x, y }) = end else { continue };
        if line.label.is_empty() || x < plot.view.x.from {
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
    for ((line, y), at) in ends.iter().zip(placed) {
        let _ = writeln!(
            svg,
            "<path d=\"M{} {y:.1}L{} {at:.1}\" stroke=\"{}\"/><text x=\"{}\" y=\"{:.1}\" \
             fill=\"#1c1a17\">{}</text>",
            plot.right(),
            plot.right() + 8.0,
            ink(line.role),
            plot.right() + 12.0,
            at + 4.0,
            escape(&shorten(&line.label, NAME_LENGTH))
        );
    }
}

fn path(spots: &[Spot]) -> String {
    let mut path = String::with_capacity(spots.len() * 13);
    for (index, spot) in spots.iter().enumerate() {
        let _ = write!(path, "{}{:.1} {:.1}", if index == 0 { 'M' } else { 'L' }, spot.x, spot.y);
    }
    path
}

/// Text as it may stand between tags and in attributes, as one line. What XML does not
/// allow, and what cannot be seen, is left out.
fn escape(text: &str) -> String {
    let mut safe = String::with_capacity(text.len());
    for c in one_line(text).chars() {
        match c {
            '&' => safe.push_str("&amp;"),
            '<' => safe.push_str("&lt;"),
            '>' => safe.push_str("&gt;"),
            '"' => safe.push_str("&quot;"),
            '\u{fffe}' | '\u{ffff}' => {}
            c => safe.push(c),
        }
    }
    safe
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::{Axis, Dash, Handle, Mark, Scale};

    const SIZE: Size = Size { width: 800.0, height: 400.0 };

    fn chart(title: &str, value: f64) -> Chart {
        let flat =
            |y: f64| -> std::sync::Arc<[Point]> { [Point { x: 20.0, y }, Point { x: 20_000.0, y }].into() };
        let line = |label: &str, role, dash, y| Line {
            label: label.to_owned(),
            role,
            dash,
            points: flat(y),
            certainty: [].into(),
        };
        Chart {
            title: title.to_owned(),
            x: Axis::audio_frequency(),
            y: Axis { label: "Level".into(), unit: "dB".into(), scale: Scale::Linear, from: -20.0, to: 20.0 },
            areas: vec![Area {
                label: "Target".into(),
                role: Role::Target,
                lower: flat(-3.0),
                upper: flat(3.0),
            }],
            lines: vec![
                line("Before", Role::Before, Dash::Dashed, value),
                line("After", Role::After, Dash::Solid, value),
            ],
            handles: vec![Handle {
                id: HandleId::Band(0),
                at: Point { x: 160.0, y: -4.5 },
                least: Point { x: 20.0, y: -15.0 },
                greatest: Point { x: 20_000.0, y: 6.0 },
                label: "1".into(),
                enabled: true,
                selected: false,
            }],
            marks: vec![Mark { x: 74.0, label: "cancellation".into() }],
        }
    }

    /// Whether tags are balanced and every attribute is closed: enough of a
    /// parser to notice text that escaped from its place.
    fn well_formed(svg: &str) -> bool {
        let mut open: Vec<&str> = Vec::new();
        let mut rest = svg;
        while let Some(at) = rest.find('<') {
            if rest[..at].contains('>') {
                return false;
            }
            let Some(end) = rest[at..].find('>') else { return false };
            let tag = &rest[at + 1..at + end];
            if !tag.matches('"').count().is_multiple_of(2) || tag.contains('<') {
                return false;
            }
            if let Some(name) = tag.strip_prefix('/') {
                if open.pop() != Some(name) {
                    return false;
                }
            } else if !tag.ends_with('/') {
                open.push(tag.split_whitespace().next().unwrap_or_default());
            }
            rest = &rest[at + end + 1..];
        }
        open.is_empty()
    }

    #[test]
    fn everything_in_the_chart_is_in_the_picture() {
        let svg = write(&chart("Driver's seat", 2.0), SIZE);
        assert!(well_formed(&svg), "{svg}");
        for wanted in
            ["Driver's seat", ">Before<", ">After<", ">20k<", "Frequency (Hz)", "Level (dB)", "cancellation"]
        {
            assert!(svg.contains(wanted), "{wanted} is missing from {svg}");
        }
        assert!(svg.contains("stroke-dasharray=\"9.0 5.4\""), "the dashed line is dashed");
        assert!(!svg.contains("href"), "nothing comes from outside");
    }

    /// Source: analytic; 0 dB on −20…20 dB lies half way down the plot.
    #[test]
    fn a_flat_line_lies_at_its_level() {
        let svg = write(&chart("a", 0.0), SIZE);
        let middle = TOP + (SIZE.height - TOP - BOTTOM) / 2.0;
        let right = SIZE.width - RIGHT;
        assert!(svg.contains(&format!("d=\"M{LEFT:.1} {middle:.1}L{right:.1} {middle:.1}\"")), "{svg}");
    }

    #[test]
    fn two_names_at_one_place_are_spread() {
        let svg = write(&chart("a", 0.0), SIZE);
        let height = |name: &str| -> f32 {
            let end = svg.find(&format!(">{name}<")).unwrap();
            let start = svg[..end].rfind("y=\"").unwrap() + 3;
            svg[start..].split('"').next().unwrap().parse().unwrap()
        };
        assert!((height("Before") - height("After")).abs() >= NAME_GAP - 0.11);
    }

    proptest! {
        #[test]
        fn no_text_and_no_number_breaks_the_picture(
            title in ".{0,40}", value in prop_oneof![Just(f64::NAN), Just(f64::INFINITY), -1e9f64..1e9],
            width in 0f32..3000.0, height in 0f32..3000.0,
        ) {
            let svg = write(&chart(&title, value), Size { width, height });
            prop_assert!(well_formed(&svg), "{svg}");
            prop_assert!(!svg.contains("NaN") || title.contains("NaN"));
            prop_assert!(!svg.contains("inf\"") && !svg.contains(" inf"));
        }
    }
}
