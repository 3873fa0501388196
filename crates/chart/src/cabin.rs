//! The cabin from above: where the drivers are built in, what is known of each, and where the
//! microphone has been.

use crate::drawing::{circle, rounded, text, thin};
use crate::{Anchor, Drawing, Ink, Inks, Path, Shape, Size, Spot, Text, shorten};

/// A cabin, with the front at the top.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Cabin {
    /// What the picture shows.
    pub title: String,
    /// The drivers, in any order.
    pub speakers: Vec<Speaker>,
    /// The microphone's places about the driver's head, in the order in which they are measured.
    pub places: Vec<MicPlace>,
    /// Whether the driver sits on the right.
    pub drives_right: bool,
}

/// A driver in its place.
#[derive(Debug, Clone, PartialEq)]
pub struct Speaker {
    /// Its name.
    pub name: String,
    /// Which side it is on.
    pub side: Flank,
    /// Whether it is in the back of the cabin.
    pub rear: bool,
    /// What it is.
    pub kind: SpeakerKind,
    /// What is known of it.
    pub state: SpeakerState,
    /// When its sound arrives at the head, in ms; absent where nobody knows.
    pub arrival_ms: Option<f64>,
}

/// A side of the cabin.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Flank {
    /// Left, as one sits.
    Left,
    /// In the middle, or on no side.
    Middle,
    /// Right.
    Right,
}

/// What a driver is; it decides the height at which it is drawn, and its size.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SpeakerKind {
    /// For the highest frequencies.
    Tweeter,
    /// For the middle.
    Mid,
    /// For the low ones.
    Woofer,
    /// For all of them.
    Full,
    /// For the lowest, in the boot.
    Sub,
}

/// What is known of a driver.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SpeakerState {
    /// Nothing was measured.
    Open,
    /// It plays now.
    Playing,
    /// It was measured and is as it should be.
    Good,
    /// It was measured, and something is to be looked at.
    Caution,
    /// Its polarity is reversed.
    Reversed,
    /// Nothing was heard of it.
    Silent,
}

/// A place of the microphone.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum MicPlace {
    /// Still to be measured.
    Open,
    /// The next one.
    Next,
    /// Measured.
    Taken,
}

/// How much longer the cabin is than wide.
const LENGTH: f32 = 1.55;
/// The size of names.
const NAME: f32 = 12.0;
/// The longest name, in characters.
const NAME_LENGTH: usize = 18;

impl Drawing {
    /// Draws a cabin from above.
    #[must_use]
    pub fn of_cabin(cabin: &Cabin, size: Size, inks: &Inks) -> Self {
        let height = (size.height - 24.0).min(size.width * 0.5 * LENGTH).max(60.0);
        let body = Body {
            left: (size.width - height / LENGTH) / 2.0,
            top: (size.height - height) / 2.0,
            width: height / LENGTH,
            height,
        };
        let mut shapes = Vec::new();
        body.draw(&mut shapes, cabin.drives_right, inks);
        let head = body.head(cabin.drives_right);
        let spots = spots(&cabin.speakers);
        for (speaker, at) in cabin.speakers.iter().zip(&spots) {
            let at = body.spot(*at);
            if speaker.arrival_ms.is_some() {
                let line = thin((at.x, at.y), (head.x, head.y), tint(speaker.state, inks));
                shapes.push(Shape::Path(Path { opacity: 0.5, dashes: vec![4.0, 4.0], ..line }));
            }
        }
        for (speaker, at) in cabin.speakers.iter().zip(&spots) {
            draw_speaker(&mut shapes, &body, speaker, body.spot(*at), inks);
        }
        let spots: Vec<Spot> = spots.iter().map(|at| body.spot(*at)).collect();
        let mut labels: Vec<Label> =
            cabin.speakers.iter().zip(&spots).map(|(speaker, at)| body.label(speaker, *at, &spots)).collect();
        spread(&mut labels, body.top + body.height);
        labels
            .iter()
            .zip(&cabin.speakers)
            .for_each(|(label, speaker)| label.draw(&mut shapes, speaker, inks));
        draw_places(&mut shapes, &cabin.places, head, body.width, inks);
        Self { title: cabin.title.clone(), size, shapes }
    }
}

/// The cabin's outline on the sheet.
struct Body {
    left: f32,
    top: f32,
    width: f32,
    height: f32,
}

impl Body {
    /// A place from shares of the cabin: -0.5 to 0.5 to the right, 0 to 1 to the back.
    fn spot(&self, (across, back): (f32, f32)) -> Spot {
        Spot { x: self.left + self.width * (0.5 + across), y: self.top + self.height * back }
    }

    /// How large a driver is drawn.
    fn radius(&self, kind: SpeakerKind) -> f32 {
        self.width
            * match kind {
                SpeakerKind::Tweeter => 0.024,
                SpeakerKind::Mid => 0.034,
                SpeakerKind::Full => 0.038,
                SpeakerKind::Woofer => 0.044,
                SpeakerKind::Sub => 0.060,
            }
    }

    /// Where a driver's name is written: beside the cabin, or beside a driver that is on no side, away from one that
    /// stands to its right.
    fn label(&self, speaker: &Speaker, at: Spot, all: &[Spot]) -> Label {
        let beside = self.radius(speaker.kind) + 8.0;
        let has_right = || {
            all.iter().any(|other| {
                other.x > at.x && (other.y - at.y).abs() < 1.0 && other.x < at.x + 0.25 * self.width
            })
        };
        let (x, anchor) = match speaker.side {
            Flank::Left => (self.left - 12.0, Anchor::End),
            Flank::Right => (self.left + self.width + 12.0, Anchor::Start),
            Flank::Middle if has_right() => (at.x - beside, Anchor::End),
            Flank::Middle => (at.x + beside, Anchor::Start),
        };
        Label { at: Spot { x, y: at.y }, anchor }
    }

    /// Where the driver's head is.
    fn head(&self, right: bool) -> Spot {
        self.spot((if right { 0.23 } else { -0.23 }, 0.49))
    }

    fn draw(&self, shapes: &mut Vec<Shape>, right: bool, inks: &Inks) {
        let rounded =
            |from: (f32, f32), to: (f32, f32), radius: f32| rounded(self.spot(from), self.spot(to), radius);
        let outline = |spots, fill| {
            Shape::Path(Path {
                spots,
                closed: true,
                stroke: Some((1.5, inks.line)),
                fill: Some(fill),
                opacity: 1.0,
                dashes: Vec::new(),
            })
        };
        shapes.push(outline(rounded((-0.5, 0.0), (0.5, 1.0), self.width * 0.22), inks.paper));
        // The windscreen and the dashboard below it, the bench in the back, the boot behind it.
        for (half, back) in [(0.40, 0.13), (0.47, 0.24), (0.46, 0.86)] {
            let (from, to) = (self.spot((-half, back)), self.spot((half, back)));
            shapes.push(Shape::Path(thin((from.x, from.y), (to.x, to.y), inks.line)));
        }
        for across in [-0.23, 0.23] {
            shapes.push(outline(
                rounded((across - 0.16, 0.36), (across + 0.16, 0.55), self.width * 0.05),
                inks.seat,
            ));
            shapes.push(outline(
                rounded((across - 0.09, 0.535), (across + 0.09, 0.575), self.width * 0.02),
                inks.seat,
            ));
        }
        shapes.push(outline(rounded((-0.39, 0.66), (0.39, 0.82), self.width * 0.05), inks.seat));
        let wheel = self.spot((if right { 0.23 } else { -0.23 }, 0.285));
        shapes.push(circle(wheel, self.width * 0.085, inks.paper, inks.line));
    }
}

/// Where each driver is drawn, in shares of the cabin. Those of one side and row stand one behind
/// the other, from the highest frequencies to the lowest.
fn spots(speakers: &[Speaker]) -> Vec<(f32, f32)> {
    let rank = |kind: SpeakerKind| match kind {
        SpeakerKind::Tweeter => 0,
        SpeakerKind::Mid => 1,
        SpeakerKind::Full => 2,
        SpeakerKind::Woofer => 3,
        SpeakerKind::Sub => 4,
    };
    let group = |speaker: &Speaker| (speaker.side, speaker.rear, speaker.kind == SpeakerKind::Sub);
    speakers
        .iter()
        .enumerate()
        .map(|(index, speaker)| {
            let order = |(index, speaker): (usize, &Speaker)| (rank(speaker.kind), index);
            let mine = order((index, speaker));
            let fellows = || speakers.iter().enumerate().filter(|(_, other)| group(other) == group(speaker));
            let before = fellows().filter(|fellow| order(*fellow) < mine).count() as f32;
            let count = fellows().count() as f32;
            // Fellows share the room of their row.
            let step = |room: f32| room / count.max(3.0);
            match (speaker.kind, speaker.side) {
                (SpeakerKind::Sub, side) => {
                    let middle = match side {
                        Flank::Left => -0.25,
                        Flank::Middle => 0.0,
                        Flank::Right => 0.25,
                    };
                    (middle + (before - (count - 1.0) / 2.0) * 0.2, 0.93)
                }
                (_, Flank::Middle) => {
                    let back = if speaker.rear { 0.62 } else { 0.185 };
                    ((before - (count - 1.0) / 2.0) * 0.16, back)
                }
                (kind, side) => {
                    let first = match (speaker.rear, kind) {
                        (true, _) => 0.66,
                        (false, SpeakerKind::Tweeter) => 0.19,
                        (false, _) if count < 2.0 => 0.38,
                        (false, _) => 0.19,
                    };
                    let room = if speaker.rear { 0.24 } else { 0.39 };
                    let across = if first + before * step(room) < 0.25 { 0.42 } else { 0.46 };
                    (if side == Flank::Left { -across } else { across }, first + before * step(room))
                }
            }
        })
        .collect()
}

fn tint(state: SpeakerState, inks: &Inks) -> Ink {
    match state {
        SpeakerState::Open => inks.line,
        SpeakerState::Playing => inks.accent,
        SpeakerState::Good => inks.good,
        SpeakerState::Caution => inks.caution,
        SpeakerState::Reversed | SpeakerState::Silent => inks.bad,
    }
}

fn draw_speaker(shapes: &mut Vec<Shape>, body: &Body, speaker: &Speaker, at: Spot, inks: &Inks) {
    let radius = body.radius(speaker.kind);
    let tint = tint(speaker.state, inks);
    if speaker.state == SpeakerState::Playing {
        for times in [1.7, 2.4] {
            shapes.push(Shape::Path(ring(at, radius * times, tint)));
        }
    }
    let fill = if speaker.state == SpeakerState::Open { inks.paper } else { tint };
    shapes.push(circle(at, radius, fill, inks.text));
    // A state is a sign too, for those who do not see its colour.
    let sign = match speaker.state {
        SpeakerState::Reversed => "\u{2212}",
        SpeakerState::Silent => "\u{d7}",
        SpeakerState::Caution => "!",
        SpeakerState::Open | SpeakerState::Playing | SpeakerState::Good => "",
    };
    if !sign.is_empty() {
        let size = radius * 1.7;
        let sign = text(at.x, at.y + size * 0.34, Anchor::Middle, inks.paper, sign);
        shapes.push(Shape::Text(Text { size, bold: true, ..sign }));
    }
}

/// Where a driver's name is written, and below it what is known of it.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Label {
    at: Spot,
    anchor: Anchor,
}

/// The height of a name with what is known below it.
const LABEL: f32 = 27.0;

/// Moves labels of one column apart, and up where they would end below the cabin.
fn spread(labels: &mut [Label], bottom: f32) {
    let mut order: Vec<usize> = (0..labels.len()).collect();
    let column = |label: &Label| (label.at.x, label.anchor == Anchor::Start);
    order.sort_by(|&a, &b| labels[a].at.y.total_cmp(&labels[b].at.y));
    for from_top in 1..order.len() {
        let one = labels[order[from_top]];
        let above = order[..from_top].iter().map(|&other| labels[other]);
        let least = above.filter(|other| column(other) == column(&one)).map(|other| other.at.y + LABEL);
        labels[order[from_top]].at.y = least.fold(one.at.y, f32::max);
    }
    for from_top in (0..order.len()).rev() {
        let one = labels[order[from_top]];
        let below = order[from_top + 1..].iter().map(|&other| labels[other]);
        let most = below.filter(|other| column(other) == column(&one)).map(|other| other.at.y - LABEL);
        labels[order[from_top]].at.y = most.fold(one.at.y.min(bottom - LABEL / 2.0), f32::min);
    }
}

impl Label {
    fn draw(self, shapes: &mut Vec<Shape>, speaker: &Speaker, inks: &Inks) {
        let what = match (speaker.state, speaker.arrival_ms) {
            (SpeakerState::Reversed, _) => "reversed".to_owned(),
            (SpeakerState::Silent, _) => "not heard".to_owned(),
            (SpeakerState::Playing, _) => "plays".to_owned(),
            (_, Some(ms)) => format!("{ms:.2} ms").replace('-', "\u{2212}"),
            _ => String::new(),
        };
        let line = |y: f32, ink: Ink, words: &str| {
            let line = text(self.at.x, self.at.y + y, self.anchor, ink, words);
            Shape::Text(Text { size: NAME, ..line })
        };
        let name = shorten(&speaker.name, NAME_LENGTH);
        shapes.push(line(if what.is_empty() { 4.0 } else { -2.0 }, inks.text, &name));
        if !what.is_empty() {
            let is_quiet = matches!(speaker.state, SpeakerState::Open | SpeakerState::Good);
            let ink = if is_quiet { inks.muted } else { tint(speaker.state, inks) };
            shapes.push(line(12.0, ink, &what));
        }
    }
}

/// The places of the microphone: the first at the head, the others around it.
fn draw_places(shapes: &mut Vec<Shape>, places: &[MicPlace], head: Spot, width: f32, inks: &Inks) {
    let around = places.len().saturating_sub(1).max(1) as f32;
    for (index, place) in places.iter().enumerate() {
        let at = match index {
            0 => head,
            _ => {
                let turn = std::f32::consts::TAU * ((index - 1) as f32 / around - 0.25);
                Spot { x: head.x + width * 0.12 * turn.cos(), y: head.y + width * 0.12 * turn.sin() }
            }
        };
        let radius = width * 0.017;
        let (fill, edge) = match place {
            MicPlace::Open => (inks.paper, inks.muted),
            MicPlace::Next => (inks.paper, inks.accent),
            MicPlace::Taken => (inks.good, inks.text),
        };
        shapes.push(circle(at, radius, fill, edge));
        if *place == MicPlace::Next {
            shapes.push(Shape::Path(ring(at, radius * 2.0, inks.accent)));
        }
    }
}

/// A thin circle without filling.
fn ring(centre: Spot, radius: f32, ink: Ink) -> Path {
    let spots = (0..40)
        .map(|step| {
            let turn = std::f32::consts::TAU * step as f32 / 40.0;
            Spot { x: centre.x + radius * turn.cos(), y: centre.y + radius * turn.sin() }
        })
        .collect();
    Path { spots, closed: true, stroke: Some((1.5, ink)), fill: None, opacity: 1.0, dashes: Vec::new() }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn speaker(name: &str, side: Flank, kind: SpeakerKind) -> Speaker {
        let state = SpeakerState::Good;
        Speaker { name: name.to_owned(), side, rear: false, kind, state, arrival_ms: Some(2.5) }
    }

    /// Two three-way sides, rears, a centre, two subwoofers.
    fn full() -> Cabin {
        let mut speakers = Vec::new();
        for (side, name) in [(Flank::Left, "left"), (Flank::Right, "right")] {
            for (kind, what) in [
                (SpeakerKind::Woofer, "woofer"),
                (SpeakerKind::Tweeter, "tweeter"),
                (SpeakerKind::Mid, "mid"),
            ] {
                speakers.push(speaker(&format!("{name}-{what}"), side, kind));
            }
            speakers
                .push(Speaker { rear: true, ..speaker(&format!("{name}-rear"), side, SpeakerKind::Full) });
        }
        speakers.push(speaker("centre", Flank::Middle, SpeakerKind::Full));
        speakers.push(speaker("sub-1", Flank::Middle, SpeakerKind::Sub));
        speakers.push(speaker("sub-2", Flank::Middle, SpeakerKind::Sub));
        Cabin {
            title: "Cabin".to_owned(),
            speakers,
            places: vec![MicPlace::Taken, MicPlace::Next, MicPlace::Open],
            drives_right: false,
        }
    }

    #[test]
    fn no_two_drivers_lie_on_one_another_and_all_lie_in_the_cabin() {
        let spots = spots(&full().speakers);
        for (index, a) in spots.iter().enumerate() {
            assert!(a.0.abs() <= 0.5 && (0.0..=1.0).contains(&a.1), "{a:?}");
            for b in &spots[index + 1..] {
                assert!((a.0 - b.0).hypot(a.1 - b.1) > 0.09, "{a:?} {b:?}");
            }
        }
    }

    #[test]
    fn a_side_goes_from_the_tweeter_to_the_woofer() {
        let cabin = full();
        let spots = spots(&cabin.speakers);
        let back = |name: &str| {
            let at = cabin.speakers.iter().position(|speaker| speaker.name == name);
            spots[at.expect("a driver")].1
        };
        assert!(back("left-tweeter") < back("left-mid") && back("left-mid") < back("left-woofer"));
        assert!(back("left-woofer") < back("left-rear"));
    }

    #[test]
    fn every_driver_is_named_and_a_fault_has_a_sign_and_a_word() {
        let mut cabin = full();
        cabin.speakers[1].state = SpeakerState::Reversed;
        let drawing = Drawing::of_cabin(&cabin, Size { width: 700.0, height: 460.0 }, &Inks::PAPER);
        let texts: Vec<&str> = drawing
            .shapes
            .iter()
            .filter_map(|shape| if let Shape::Text(text) = shape { Some(text.text.as_str()) } else { None })
            .collect();
        for speaker in &cabin.speakers {
            assert!(texts.contains(&speaker.name.as_str()), "{} in {texts:?}", speaker.name);
        }
        assert!(texts.contains(&"reversed") && texts.contains(&"\u{2212}") && texts.contains(&"2.50 ms"));
    }

    /// Two subwoofers of each side, and two in the middle.
    #[test]
    fn no_name_lies_on_another() {
        let mut cabin = full();
        for name in ["left-sub-front", "left-sub-back"] {
            cabin.speakers.push(speaker(name, Flank::Left, SpeakerKind::Sub));
            cabin.speakers.push(speaker(&name.replace("left", "right"), Flank::Right, SpeakerKind::Sub));
        }
        for (width, height) in [(700.0, 460.0), (620.0, 400.0), (430.0, 300.0)] {
            let drawing = Drawing::of_cabin(&cabin, Size { width, height }, &Inks::PAPER);
            let texts = drawing
                .shapes
                .iter()
                .filter_map(|shape| if let Shape::Text(text) = shape { Some(text) } else { None });
            let texts: Vec<_> = texts.filter(|text| text.text.len() > 1).collect();
            assert_eq!(texts.len(), 2 * cabin.speakers.len());
            for (index, one) in texts.iter().enumerate() {
                assert!(one.at.y <= height, "{} at {}", one.text, one.at.y);
                let other = texts[index + 1..].iter().find(|other| {
                    (one.at.x, one.anchor) == (other.at.x, other.anchor)
                        && (one.at.y - other.at.y).abs() < 12.0
                });
                assert!(
                    other.is_none(),
                    "{width}: {} and {}",
                    one.text,
                    other.map_or("", |other| &other.text)
                );
            }
        }
    }

    #[test]
    fn everything_lies_on_the_sheet() {
        let size = Size { width: 620.0, height: 400.0 };
        for shape in Drawing::of_cabin(&full(), size, &Inks::PAPER).shapes {
            let spots = match shape {
                Shape::Path(path) => path.spots,
                Shape::Circle { centre, .. } => vec![centre],
                Shape::Text(text) => vec![text.at],
                Shape::Clipped { .. } => vec![],
            };
            for Spot { x, y } in spots {
                assert!((0.0..=size.width).contains(&x) && (0.0..=size.height).contains(&y), "{x} {y}");
            }
        }
    }
}
