//! Small drawn shapes.

use crate::painter::Frame;
use crate::painter::Renderer;
use iced::widget::canvas::{self, Canvas, LineCap, LineJoin, Path, Stroke, path};
use iced::{Color, Point, Rectangle, Size, mouse};
use view::{StageState, Tone};

use crate::kept::Kept;
use crate::message::{Element, Message};
use crate::theme::Theme;

/// What is drawn.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Shape {
    Ring,
    HalfDisc,
    CheckedDisc,
    Triangle,
    Square,
    Dot,
    Check,
    Plus,
    Minus,
    Up,
    Down,
    Folder,
    Cross,
    Speaker,
    Silent,
    Shut,
    Open,
    Bin,
    Eye,
    NoEye,
    Moon,
    Sun,
    Undo,
    Redo,
    Frame,
    Link,
    Broken,
}

/// In which colour.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Ink {
    Text,
    Muted,
    Accent,
    OnTone,
    Tone(Tone),
}

/// A drawn shape of the given size.
pub(crate) fn icon<'a>(shape: Shape, ink: Ink, size: f32) -> Element<'a> {
    Canvas::new(Icon { shape, ink }).width(size).height(size).into()
}

/// A stage's state, in shape and colour.
pub(crate) fn stage_state<'a>(state: StageState, size: f32) -> Element<'a> {
    match state {
        StageState::NotBegun => icon(Shape::Ring, Ink::Muted, size),
        StageState::Begun => icon(Shape::HalfDisc, Ink::Accent, size),
        StageState::Measured => icon(Shape::CheckedDisc, Ink::Tone(Tone::Good), size),
        StageState::NeedsAnotherLook => icon(Shape::Triangle, Ink::Tone(Tone::Caution), size),
    }
}

/// A tone, in shape and colour.
pub(crate) fn tone<'a>(tone: Tone, size: f32) -> Element<'a> {
    let shape = match tone {
        Tone::Plain => Shape::Dot,
        Tone::Good => Shape::Check,
        Tone::Caution => Shape::Triangle,
        Tone::Bad => Shape::Square,
    };
    icon(shape, Ink::Tone(tone), size)
}

struct Icon {
    shape: Shape,
    ink: Ink,
}

impl canvas::Program<Message, Theme, Renderer> for Icon {
    type State = Kept<(Shape, Color, Color)>;

    fn draw(
        &self,
        kept: &Self::State,
        renderer: &Renderer,
        theme: &Theme,
        bounds: Rectangle,
        _cursor: mouse::Cursor,
    ) -> Vec<canvas::Geometry> {
        let palette = theme.colors();
        let color = match self.ink {
            Ink::Text => palette.text,
            Ink::Muted => palette.muted,
            Ink::Accent => palette.accent,
            Ink::OnTone => palette.on_tone,
            Ink::Tone(tone) => theme.tone(tone),
        };
        let knock_out = palette.panel;
        vec![kept.draw((self.shape, color, knock_out), renderer, bounds.size(), |frame| {
            frame.scale(bounds.width / 24.0);
            Pen { frame, color, knock_out }.draw(self.shape);
        })]
    }
}

/// Draws on a square of 24 units.
struct Pen<'a> {
    frame: &'a mut Frame,
    color: Color,
    knock_out: Color,
}

impl Pen<'_> {
    fn draw(&mut self, shape: Shape) {
        match shape {
            Shape::Ring => self.circle(12.0, 12.0, 8.5),
            Shape::HalfDisc => {
                self.circle(12.0, 12.0, 8.5);
                let half = (0..=24).map(|step| {
                    let (sin, cos) = (std::f32::consts::PI * step as f32 / 24.0).sin_cos();
                    (12.0 - 8.5 * sin, 12.0 - 8.5 * cos)
                });
                self.fill(&half.collect::<Vec<_>>());
            }
            Shape::CheckedDisc => {
                self.frame.fill(&Path::circle(Point::new(12.0, 12.0), 10.0), self.color);
                self.stroke_in(&[(7.0, 12.5), (10.7, 16.0), (17.0, 8.5)], self.knock_out, 2.6);
            }
            Shape::Triangle => {
                self.fill(&[(12.0, 2.5), (22.5, 21.0), (1.5, 21.0)]);
                self.stroke_in(&[(12.0, 9.5), (12.0, 14.5)], self.knock_out, 2.6);
                self.stroke_in(&[(12.0, 17.7), (12.0, 18.0)], self.knock_out, 2.6);
            }
            Shape::Square => {
                self.fill(&[
                    (8.0, 2.0),
                    (16.0, 2.0),
                    (22.0, 8.0),
                    (22.0, 16.0),
                    (16.0, 22.0),
                    (8.0, 22.0),
                    (2.0, 16.0),
                    (2.0, 8.0),
                ]);
                self.stroke_in(&[(8.2, 8.2), (15.8, 15.8)], self.knock_out, 2.6);
                self.stroke_in(&[(15.8, 8.2), (8.2, 15.8)], self.knock_out, 2.6);
            }
            Shape::Dot => self.frame.fill(&Path::circle(Point::new(12.0, 12.0), 4.0), self.color),
            Shape::Check => self.line(&[(4.5, 12.5), (10.0, 18.0), (19.5, 6.5)]),
            Shape::Plus => {
                self.line(&[(12.0, 5.0), (12.0, 19.0)]);
                self.line(&[(5.0, 12.0), (19.0, 12.0)]);
            }
            Shape::Minus => self.line(&[(5.0, 12.0), (19.0, 12.0)]),
            Shape::Up => self.line(&[(5.0, 15.0), (12.0, 8.0), (19.0, 15.0)]),
            Shape::Folder => self.line(&[
                (4.0, 19.0),
                (4.0, 6.0),
                (10.0, 6.0),
                (12.0, 9.0),
                (20.0, 9.0),
                (20.0, 19.0),
                (4.0, 19.0),
            ]),
            Shape::Down => self.line(&[(5.0, 9.0), (12.0, 16.0), (19.0, 9.0)]),
            Shape::Cross => {
                self.line(&[(6.0, 6.0), (18.0, 18.0)]);
                self.line(&[(18.0, 6.0), (6.0, 18.0)]);
            }
            Shape::Speaker | Shape::Silent => self.speaker(shape == Shape::Silent),
            Shape::Shut | Shape::Open => self.padlock(shape == Shape::Open),
            Shape::Bin => {
                self.line(&[(4.0, 7.0), (20.0, 7.0)]);
                self.line(&[(9.0, 7.0), (9.5, 4.0), (14.5, 4.0), (15.0, 7.0)]);
                self.line(&[(6.0, 7.0), (7.0, 20.5), (17.0, 20.5), (18.0, 7.0)]);
            }
            Shape::Eye | Shape::NoEye => self.eye(shape == Shape::NoEye),
            Shape::Moon => self.moon(),
            Shape::Sun => self.sun(),
            Shape::Undo => self.turn(false),
            Shape::Redo => self.turn(true),
            Shape::Frame => {
                for (x, y) in [(1.0, 1.0), (-1.0, 1.0), (1.0, -1.0), (-1.0, -1.0)] {
                    let at = |dx: f32, dy: f32| (12.0 + x * dx, 12.0 + y * dy);
                    self.line(&[at(4.0, 8.5), at(8.5, 8.5), at(8.5, 4.0)]);
                }
            }
            Shape::Link => {
                self.line(&[(9.0, 3.0), (9.0, 8.0)]);
                self.line(&[(15.0, 3.0), (15.0, 8.0)]);
                self.line(&[
                    (6.0, 8.5),
                    (18.0, 8.5),
                    (18.0, 12.0),
                    (14.5, 16.0),
                    (9.5, 16.0),
                    (6.0, 12.0),
                    (6.0, 8.5),
                ]);
                self.line(&[(12.0, 16.0), (12.0, 21.5)]);
            }
            Shape::Broken => {
                self.circle(12.0, 12.0, 8.5);
                self.line(&[(6.0, 18.0), (18.0, 6.0)]);
            }
        }
    }

    fn speaker(&mut self, silent: bool) {
        self.fill(&[(3.0, 9.0), (7.0, 9.0), (12.5, 4.5), (12.5, 19.5), (7.0, 15.0), (3.0, 15.0)]);
        if silent {
            self.line(&[(16.0, 9.0), (22.0, 15.0)]);
            self.line(&[(22.0, 9.0), (16.0, 15.0)]);
        } else {
            self.line(&[(15.8, 8.8), (17.0, 12.0), (15.8, 15.2)]);
            self.line(&[(18.6, 6.2), (20.8, 12.0), (18.6, 17.8)]);
        }
    }

    fn padlock(&mut self, open: bool) {
        self.fill(&[(5.0, 11.0), (19.0, 11.0), (19.0, 21.0), (5.0, 21.0)]);
        let end = if open { 7.0 } else { 11.0 };
        self.line(&[(8.0, 11.0), (8.0, 7.0), (9.5, 4.0), (14.5, 4.0), (16.0, 7.0), (16.0, end)]);
    }

    fn eye(&mut self, shut: bool) {
        self.line(&[
            (2.0, 12.0),
            (6.5, 7.3),
            (12.0, 5.7),
            (17.5, 7.3),
            (22.0, 12.0),
            (17.5, 16.7),
            (12.0, 18.3),
            (6.5, 16.7),
            (2.0, 12.0),
        ]);
        self.frame.fill(&Path::circle(Point::new(12.0, 12.0), 3.4), self.color);
        if shut {
            self.line(&[(4.0, 20.0), (20.0, 4.0)]);
        }
    }

    fn moon(&mut self) {
        let outline = Path::new(|p: &mut path::Builder| {
            p.move_to(Point::new(14.5, 3.5));
            p.bezier_curve_to(Point::new(-0.5, 3.5), Point::new(1.0, 22.5), Point::new(13.5, 21.0));
            p.bezier_curve_to(Point::new(18.0, 20.5), Point::new(20.5, 17.0), Point::new(20.8, 14.0));
            p.bezier_curve_to(Point::new(13.5, 17.5), Point::new(9.5, 9.5), Point::new(14.5, 3.5));
            p.close();
        });
        self.frame.fill(&outline, self.color);
    }

    fn sun(&mut self) {
        self.frame.fill(&Path::circle(Point::new(12.0, 12.0), 4.6), self.color);
        for step in 0..8u8 {
            let (sin, cos) = (f32::from(step) * std::f32::consts::FRAC_PI_4).sin_cos();
            self.line(&[(12.0 + 7.5 * cos, 12.0 + 7.5 * sin), (12.0 + 10.3 * cos, 12.0 + 10.3 * sin)]);
        }
    }

    fn turn(&mut self, right: bool) {
        let x = |value: f32| if right { 24.0 - value } else { value };
        self.line(&[(x(8.0), 4.5), (x(3.5), 9.0), (x(8.0), 13.5)]);
        self.line(&[
            (x(3.5), 9.0),
            (x(14.0), 9.0),
            (x(19.0), 11.0),
            (x(20.5), 15.0),
            (x(18.5), 19.0),
            (x(13.0), 20.0),
        ]);
    }

    fn circle(&mut self, x: f32, y: f32, radius: f32) {
        let stroke = Stroke::default().with_color(self.color).with_width(2.2);
        self.frame.stroke(&Path::circle(Point::new(x, y), radius), stroke);
    }

    fn line(&mut self, points: &[(f32, f32)]) {
        self.stroke_in(points, self.color, 2.2);
    }

    fn stroke_in(&mut self, points: &[(f32, f32)], color: Color, width: f32) {
        let stroke = Stroke::default()
            .with_color(color)
            .with_width(width)
            .with_line_cap(LineCap::Round)
            .with_line_join(LineJoin::Round);
        self.frame.stroke(&polyline(points, false), stroke);
    }

    fn fill(&mut self, points: &[(f32, f32)]) {
        self.frame.fill(&polyline(points, true), self.color);
    }
}

fn polyline(points: &[(f32, f32)], closed: bool) -> Path {
    Path::new(|path| {
        for (index, &(x, y)) in points.iter().enumerate() {
            if index == 0 {
                path.move_to(Point::new(x, y));
            } else {
                path.line_to(Point::new(x, y));
            }
        }
        if closed {
            path.close();
        }
    })
}

/// A bar that is filled up to a share of its length, with a mark at another.
pub(crate) fn meter<'a>(level: f32, peak: f32, clipped: bool) -> Element<'a> {
    Canvas::new(MeterBar { level, peak, clipped }).width(iced::Fill).height(12.0).into()
}

/// How far something is, as a thin bar.
pub(crate) fn progress<'a>(share: f32) -> Element<'a> {
    Canvas::new(MeterBar { level: share, peak: 0.0, clipped: false }).width(iced::Fill).height(4.0).into()
}

#[derive(Debug, Clone, Copy, PartialEq)]
struct MeterBar {
    level: f32,
    peak: f32,
    clipped: bool,
}

impl canvas::Program<Message, Theme, Renderer> for MeterBar {
    type State = Kept<(MeterBar, Theme)>;

    fn draw(
        &self,
        kept: &Self::State,
        renderer: &Renderer,
        theme: &Theme,
        bounds: Rectangle,
        _cursor: mouse::Cursor,
    ) -> Vec<canvas::Geometry> {
        vec![kept.draw((*self, *theme), renderer, bounds.size(), |frame| self.paint(frame, *theme))]
    }
}

impl MeterBar {
    fn paint(&self, frame: &mut Frame, theme: Theme) {
        let palette = theme.colors();
        let size = frame.size();
        frame.fill(&Path::rounded_rectangle(Point::ORIGIN, size, 3.0.into()), palette.sunken);
        let color = if self.clipped { palette.bad } else { palette.good };
        let length = (size.width * self.level.clamp(0.0, 1.0)).round();
        frame.fill_rectangle(Point::ORIGIN, Size::new(length, size.height), color);
        let peak = (size.width * self.peak.clamp(0.0, 1.0)).round();
        if peak > 2.0 {
            let mark = if self.clipped { palette.bad } else { palette.text };
            frame.fill_rectangle(Point::new(peak - 2.0, 0.0), Size::new(2.0, size.height), mark);
        }
    }
}
