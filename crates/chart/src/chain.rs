//! The chain from the radio to the speaker: what each part gives and still has in hand, and where
//! the probe goes now.

use crate::drawing::{circle, rounded, text, thin};
use crate::labels::wrapped;
use crate::{Anchor, Drawing, Ink, Inks, Path, Shape, Size, Spot, Text};

/// A chain, from the source to the ear.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Chain {
    /// What the picture shows.
    pub title: String,
    /// Its parts in the order of the signal.
    pub links: Vec<ChainPart>,
    /// The part at whose output the probe goes now.
    pub probe: Option<usize>,
}

/// A part of a chain.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ChainPart {
    /// What it is.
    pub name: String,
    /// What is known of it, such as `8.54 V` and `clean to step 31`.
    pub lines: Vec<String>,
    /// How it is.
    pub state: PartState,
}

/// How a part of the chain is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PartState {
    /// Nothing is known of it.
    Open,
    /// As it should be.
    Good,
    /// To be looked at.
    Caution,
}

/// The room between two boxes.
const GAP: f32 = 34.0;
/// The height of a line of text.
const LINE: f32 = 18.0;
/// The size of letters.
const LETTERS: f32 = 12.0;
/// An average letter of the typefaces is this share of its size wide.
const LETTER: f32 = 0.57;

impl Drawing {
    /// Draws a chain from left to right.
    #[must_use]
    pub fn of_chain(chain: &Chain, size: Size, inks: &Inks) -> Self {
        let mut shapes = Vec::new();
        let count = chain.links.len().max(1) as f32;
        let width = ((size.width - 24.0 - GAP * (count - 1.0)) / count).clamp(20.0, 190.0);
        let room = ((width - 12.0) / (LETTERS * LETTER)) as usize;
        let words: Vec<Words> = chain.links.iter().map(|link| Words::of(link, room)).collect();
        let rows = words.iter().map(|words| words.name.len() + words.lines.len()).max().unwrap_or(0) as f32;
        let height = LINE * rows.max(2.0) + 26.0;
        let left = (size.width - width * count - GAP * (count - 1.0)) / 2.0;
        let top = (size.height - height) / 2.0;
        let middle = top + height / 2.0;
        for (index, (link, words)) in chain.links.iter().zip(&words).enumerate() {
            let x = left + (width + GAP) * index as f32;
            draw_link(&mut shapes, link.state, words, Spot { x, y: top }, (width, height), inks);
            if index + 1 < chain.links.len() {
                let (from, to) = (x + width + 4.0, x + width + GAP - 4.0);
                shapes.push(Shape::Path(thin((from, middle), (to, middle), inks.muted)));
                let head = [(to - 7.0, middle - 4.0), (to, middle), (to - 7.0, middle + 4.0)];
                shapes.push(Shape::Path(filled(&head, inks.muted)));
            }
        }
        if let Some(probe) = chain.probe.filter(|probe| *probe < chain.links.len()) {
            let x = left
                + (width + GAP) * probe as f32
                + width
                + if probe + 1 < chain.links.len() { GAP / 2.0 } else { 0.0 };
            draw_probe(&mut shapes, Spot { x, y: middle }, top + height, inks);
        }
        Self { title: chain.title.clone(), size, shapes }
    }
}

/// What stands in a box, line by line.
struct Words {
    name: Vec<String>,
    lines: Vec<String>,
}

impl Words {
    fn of(link: &ChainPart, room: usize) -> Self {
        let lines = link.lines.iter().flat_map(|line| wrapped(line, room));
        Self { name: wrapped(&link.name, room), lines: lines.collect() }
    }
}

fn draw_link(
    shapes: &mut Vec<Shape>,
    state: PartState,
    words: &Words,
    at: Spot,
    (width, height): (f32, f32),
    inks: &Inks,
) {
    let edge = match state {
        PartState::Open => inks.line,
        PartState::Good => inks.good,
        PartState::Caution => inks.caution,
    };
    shapes.push(Shape::Path(Path {
        spots: rounded(at, Spot { x: at.x + width, y: at.y + height }, 10.0),
        closed: true,
        stroke: Some((if state == PartState::Open { 1.5 } else { 2.5 }, edge)),
        fill: Some(inks.seat),
        opacity: 1.0,
        dashes: if state == PartState::Open { vec![5.0, 4.0] } else { Vec::new() },
    }));
    let middle = at.x + width / 2.0;
    let names = words.name.iter().map(|line| (line, inks.text, true));
    let lines = words.lines.iter().map(|line| (line, inks.muted, false));
    for (row, (words, ink, bold)) in names.chain(lines).enumerate() {
        let text = text(middle, at.y + 26.0 + LINE * row as f32, Anchor::Middle, ink, words);
        shapes.push(Shape::Text(Text { size: LETTERS + f32::from(u8::from(bold)), bold, ..text }));
    }
}

/// The probe: a tip on the wire, and what to do there.
fn draw_probe(shapes: &mut Vec<Shape>, tip: Spot, below: f32, inks: &Inks) {
    let end = below + 34.0;
    shapes.push(Shape::Path(Path {
        stroke: Some((2.5, inks.accent)),
        ..thin((tip.x, tip.y), (tip.x, end), inks.accent)
    }));
    shapes.push(circle(tip, 5.0, inks.accent, inks.text));
    let words = text(tip.x, end + 18.0, Anchor::Middle, inks.text, "measure here");
    shapes.push(Shape::Text(Text { size: LETTERS + 1.0, bold: true, ..words }));
}

fn filled(spots: &[(f32, f32)], ink: Ink) -> Path {
    let spots = spots.iter().map(|&(x, y)| Spot { x, y }).collect();
    Path { spots, closed: true, stroke: None, fill: Some(ink), opacity: 1.0, dashes: Vec::new() }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn chain(links: usize, probe: Option<usize>) -> Chain {
        let link = |index: usize| ChainPart {
            name: format!("Part {index}"),
            lines: vec!["8.54 V".to_owned(), "clean to step 31 of 40, and more words".to_owned()],
            state: PartState::Good,
        };
        Chain { title: "Chain".to_owned(), links: (0..links).map(link).collect(), probe }
    }

    fn texts(drawing: &Drawing) -> Vec<(&str, Spot)> {
        let text = |shape| {
            if let &Shape::Text(Text { ref text, at, .. }) = shape { Some((text.as_str(), at)) } else { None }
        };
        drawing.shapes.iter().filter_map(text).collect()
    }

    #[test]
    fn the_parts_stand_from_left_to_right_and_the_probe_between_two() {
        let drawing =
            Drawing::of_chain(&chain(5, Some(0)), Size { width: 700.0, height: 300.0 }, &Inks::PAPER);
        let texts = texts(&drawing);
        let x = |words: &str| texts.iter().find(|(text, _)| *text == words).map(|(_, at)| at.x);
        assert!(
            x("Part 0") < x("measure here") && x("measure here") < x("Part 1") && x("Part 1") < x("Part 4")
        );
    }

    #[test]
    fn without_a_probe_there_is_none_and_every_word_is_there() {
        let drawing =
            Drawing::of_chain(&chain(5, Some(9)), Size { width: 700.0, height: 300.0 }, &Inks::PAPER);
        assert!(texts(&drawing).iter().all(|(text, _)| *text != "measure here"));
        let texts = texts(&drawing);
        assert!(texts.iter().all(|(text, _)| text.chars().count() < 20), "{texts:?}");
        let written: Vec<&str> = texts.iter().map(|(text, _)| *text).collect();
        let whole = "8.54 V clean to step 31 of 40, and more words";
        assert!(written.join(" ").contains(whole), "{written:?}");
        let rows: Vec<f32> = texts.iter().map(|(_, at)| at.y).collect();
        assert!(rows.iter().all(|y| (0.0..300.0).contains(y)), "{rows:?}");
    }
}
