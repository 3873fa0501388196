//! A picture as a self-contained SVG document, for pages in HTML.

use std::fmt::Write as _;

use crate::{Anchor, Drawing, Ink, Path, Shape, Spot, Text};

/// Writes a picture as one SVG document: no style sheet, script, font or picture from outside.
/// Equal pictures give equal text.
#[must_use]
pub fn write(drawing: &Drawing) -> String {
    let (w, h) = (drawing.size.width, drawing.size.height);
    let title = escape(&drawing.title);
    let mut svg = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {w} {h}\" width=\"{w}\" height=\"{h}\" \
         role=\"img\" aria-label=\"{title}\" font-family=\"Inter, 'Segoe UI', Helvetica, Arial, sans-serif\">\n\
         <title>{title}</title>\n<rect width=\"{w}\" height=\"{h}\" fill=\"#ffffff\"/>\n"
    );
    for one in &drawing.shapes {
        shape(&mut svg, one);
    }
    svg.push_str("</svg>\n");
    svg
}

fn shape(svg: &mut String, shape: &Shape) {
    let _ = match shape {
        Shape::Path(one) => path(svg, one),
        Shape::Text(one) => text(svg, one),
        Shape::Circle { centre, radius, fill, edge } => writeln!(
            svg,
            "<circle cx=\"{:.1}\" cy=\"{:.1}\" r=\"{radius}\" fill=\"{}\" stroke=\"{}\"/>",
            centre.x,
            centre.y,
            colour(*fill),
            colour(*edge)
        ),
        Shape::Clipped { corner: Spot { x, y }, size, shapes } => {
            let (w, h) = (size.width, size.height);
            let _ = writeln!(
                svg,
                "<svg x=\"{x}\" y=\"{y}\" width=\"{w}\" height=\"{h}\" viewBox=\"{x} {y} {w} {h}\">"
            );
            for one in shapes {
                self::shape(svg, one);
            }
            writeln!(svg, "</svg>")
        }
    };
}

fn path(svg: &mut String, path: &Path) -> std::fmt::Result {
    svg.push_str("<path d=\"");
    for (index, spot) in path.spots.iter().enumerate() {
        write!(svg, "{}{:.1} {:.1}", if index == 0 { 'M' } else { 'L' }, spot.x, spot.y)?;
    }
    svg.push_str(if path.closed { "Z\"" } else { "\"" });
    write!(svg, " fill=\"{}\"", path.fill.map_or_else(|| "none".to_owned(), colour))?;
    if path.fill.is_some() && path.opacity < 1.0 {
        write!(svg, " fill-opacity=\"{:.2}\"", path.opacity)?;
    }
    if let Some((width, ink)) = path.stroke {
        write!(svg, " stroke=\"{}\" stroke-width=\"{width}\" stroke-linejoin=\"round\"", colour(ink))?;
        if path.opacity < 1.0 {
            write!(svg, " stroke-opacity=\"{:.2}\"", path.opacity)?;
        }
    }
    if !path.dashes.is_empty() {
        let dashes: Vec<String> = path.dashes.iter().map(|d| format!("{d:.1}")).collect();
        write!(svg, " stroke-dasharray=\"{}\"", dashes.join(" "))?;
    }
    writeln!(svg, "/>")
}

fn text(svg: &mut String, text: &Text) -> std::fmt::Result {
    let Spot { x, y } = text.at;
    if text.upward {
        write!(svg, "<text transform=\"translate({x:.1} {y:.1}) rotate(-90)\"")?;
    } else {
        write!(svg, "<text x=\"{x:.1}\" y=\"{y:.1}\"")?;
    }
    match text.anchor {
        Anchor::Start => {}
        Anchor::Middle => svg.push_str(" text-anchor=\"middle\""),
        Anchor::End => svg.push_str(" text-anchor=\"end\""),
    }
    if text.bold {
        svg.push_str(" font-weight=\"600\"");
    }
    let ink = colour(text.ink);
    writeln!(svg, " font-size=\"{}\" fill=\"{ink}\">{}</text>", text.size, escape(&text.text))
}

fn colour(Ink(red, green, blue): Ink) -> String {
    format!("#{red:02x}{green:02x}{blue:02x}")
}

/// Text as it may stand between tags and in attributes. What XML does not allow is left out.
fn escape(text: &str) -> String {
    let mut safe = String::with_capacity(text.len());
    for c in text.chars() {
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
    use crate::paper::{BOTTOM, LEFT, NAME_GAP, RIGHT, TOP};
    use crate::{Area, Axis, Chart, Dash, Handle, HandleId, Line, Mark, Point, Role, Scale, Size};

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
        let svg = write(&Drawing::of(&chart("Driver's seat", 2.0), SIZE));
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
        let svg = write(&Drawing::of(&chart("a", 0.0), SIZE));
        let middle = TOP + (SIZE.height - TOP - BOTTOM) / 2.0;
        let right = SIZE.width - RIGHT;
        assert!(svg.contains(&format!("d=\"M{LEFT:.1} {middle:.1}L{right:.1} {middle:.1}\"")), "{svg}");
    }

    #[test]
    fn two_names_at_one_place_are_spread() {
        let svg = write(&Drawing::of(&chart("a", 0.0), SIZE));
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
            let svg = write(&Drawing::of(&chart(&title, value), Size { width, height }));
            prop_assert!(well_formed(&svg), "{svg}");
            prop_assert!(!svg.contains("NaN") || title.contains("NaN"));
            prop_assert!(!svg.contains("inf\"") && !svg.contains(" inf"));
        }
    }
}
