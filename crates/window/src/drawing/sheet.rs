//! A picture of the cabin or the chain, in the theme's colours.

use chart::{Anchor, Drawing, Ink, Inks, Picture, Shape};
use iced::alignment::Vertical;
use iced::widget::canvas::{self, LineDash, LineJoin, Path, Stroke};
use iced::widget::text::Alignment;
use iced::{Color, Rectangle, Size, mouse};

use super::lettering::Lettering;
use super::stroke::{outline, point};
use crate::kept::Kept;
use crate::lettering::{BOLD, PLAIN};
use crate::message::Message;
use crate::painter::{Frame, Geometry, Renderer};
use crate::theme::{Palette, Theme};

/// A picture on a canvas.
pub(crate) struct Sheet<'a> {
    pub(crate) picture: &'a Picture,
}

type Made = (Picture, Theme, (u32, u32));

impl canvas::Program<Message, Theme, Renderer> for Sheet<'_> {
    type State = Kept<Made>;

    fn draw(
        &self,
        kept: &Kept<Made>,
        renderer: &Renderer,
        theme: &Theme,
        bounds: Rectangle,
        _cursor: mouse::Cursor,
    ) -> Vec<Geometry> {
        let Size { width, height } = bounds.size();
        let key = (self.picture.clone(), *theme, (width.to_bits(), height.to_bits()));
        let drawn = kept.draw(key, renderer, bounds.size(), |frame| {
            let size = chart::Size { width, height };
            let Drawing { shapes, .. } = self.picture.draw(size, &inks(theme.colors()));
            shapes.iter().for_each(|shape| paint(frame, shape));
        });
        vec![drawn]
    }
}

/// The theme's colours for pictures.
fn inks(palette: &Palette) -> Inks {
    let ink = |color: Color| {
        let [red, green, blue, _] = color.into_rgba8();
        Ink(red, green, blue)
    };
    Inks {
        text: ink(palette.text),
        muted: ink(palette.muted),
        line: ink(palette.outline),
        paper: ink(palette.panel),
        seat: ink(palette.raised),
        accent: ink(palette.accent),
        good: ink(palette.good),
        caution: ink(palette.caution),
        bad: ink(palette.bad),
    }
}

fn color(Ink(red, green, blue): Ink, opacity: f32) -> Color {
    Color { a: opacity, ..Color::from_rgb8(red, green, blue) }
}

fn paint(frame: &mut Frame, shape: &Shape) {
    match shape {
        Shape::Path(path) => {
            let shape = outline(&path.spots, path.closed);
            if let Some(fill) = path.fill {
                frame.fill(&shape, color(fill, path.opacity));
            }
            if let Some((width, ink)) = path.stroke {
                let stroke = Stroke {
                    line_dash: LineDash { segments: &path.dashes, offset: 0 },
                    ..Stroke::default().with_color(color(ink, path.opacity)).with_width(width)
                };
                frame.stroke(&shape, stroke.with_line_join(LineJoin::Round));
            }
        }
        Shape::Circle { centre, radius, fill, edge } => {
            let circle = Path::circle(point(*centre), *radius);
            frame.fill(&circle, color(*fill, 1.0));
            frame.stroke(&circle, Stroke::default().with_color(color(*edge, 1.0)).with_width(1.5));
        }
        Shape::Text(text) => {
            let lettering = Lettering {
                size: text.size,
                font: if text.bold { BOLD } else { PLAIN },
                color: color(text.ink, 1.0),
                align_x: match text.anchor {
                    Anchor::Start => Alignment::Left,
                    Anchor::Middle => Alignment::Center,
                    Anchor::End => Alignment::Right,
                },
                align_y: Vertical::Center,
            };
            // A picture's text stands on its base line, a canvas' text around its middle.
            lettering.write(frame, text.text.clone(), text.at.x, text.at.y - text.size * 0.34);
        }
        Shape::Clipped { shapes, .. } => shapes.iter().for_each(|shape| paint(frame, shape)),
    }
}
