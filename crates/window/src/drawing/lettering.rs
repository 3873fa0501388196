//! Text on canvases.

use iced::alignment::Vertical;
use iced::widget::canvas::Text;
use iced::widget::text::Alignment;
use iced::{Color, Font, Pixels, Point};

use crate::lettering::{BOLD, PLAIN, SMALL};
use crate::painter::Frame;

/// How a piece of text lies at its place.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Lettering {
    pub(super) size: f32,
    pub(super) font: Font,
    pub(super) color: Color,
    pub(super) align_x: Alignment,
    pub(super) align_y: Vertical,
}

impl Lettering {
    pub(crate) fn small(color: Color) -> Self {
        Self { size: SMALL, font: PLAIN, color, align_x: Alignment::Left, align_y: Vertical::Center }
    }

    pub(super) fn centred(self) -> Self {
        Self { align_x: Alignment::Center, ..self }
    }

    pub(crate) fn bold(self) -> Self {
        Self { font: BOLD, ..self }
    }

    pub(crate) fn ending(self) -> Self {
        Self { align_x: Alignment::Right, ..self }
    }

    pub(crate) fn write(self, frame: &mut Frame, content: impl Into<String>, x: f32, y: f32) {
        frame.fill_text(Text {
            content: content.into(),
            position: Point::new(x, y),
            color: self.color,
            size: Pixels(self.size),
            font: self.font,
            align_x: self.align_x,
            align_y: self.align_y,
            ..Text::default()
        });
    }
}
