//! What is written, and whether there is room for it.

use iced::advanced::text::{Paragraph as _, Text as Written};
use iced::alignment::Vertical;
use iced::widget::text::{Alignment, LineHeight, Shaping, Wrapping};
use iced::{Point, Rectangle, Size};
use iced_tiny_skia::graphics::Text;
use iced_tiny_skia::graphics::text::Paragraph;

use super::Renderer;

/// A text of a picture: what it says, the room that it needs, and the room that it has.
#[derive(Debug, Clone, PartialEq)]
pub struct PlacedText {
    /// What it says.
    pub content: String,
    /// The room that it needs.
    pub needs: Rectangle,
    /// The room in which it is seen.
    pub has: Rectangle,
    /// Whether it is part of a chart or a picture.
    pub drawn: bool,
}

/// What is less than this is the overhang of a letter.
const OVERHANG: f32 = 1.5;

impl PlacedText {
    /// Whether a part of it is cut off at its sides.
    #[must_use]
    pub fn is_cut_across(&self) -> bool {
        let (needs, has) = (self.needs, self.has);
        needs.x + OVERHANG < has.x || needs.x + needs.width > has.x + has.width + OVERHANG
    }

    /// Whether a part of it is cut off above or below.
    #[must_use]
    pub fn is_cut_up_and_down(&self) -> bool {
        let (needs, has) = (self.needs, self.has);
        needs.y + OVERHANG < has.y || needs.y + needs.height > has.y + has.height + OVERHANG
    }
}

impl Renderer {
    /// Every text of the last picture, on cards and on canvases.
    pub fn texts(&mut self) -> Vec<PlacedText> {
        let mut texts = Vec::new();
        for layer in self.0.layers() {
            for item in &layer.text {
                for text in item.as_slice() {
                    let Some((content, needs, clip)) = place_of(text) else { continue };
                    let transformation = item.transformation();
                    let (needs, clip) = (needs * transformation, clip * transformation);
                    let has = clip.intersection(&layer.bounds);
                    let has = has.unwrap_or(Rectangle::new(clip.position(), Size::ZERO));
                    let drawn = matches!(text, Text::Cached { .. });
                    texts.push(PlacedText { content, needs, has, drawn });
                }
            }
        }
        texts
    }
}

/// What a text says, the room that it needs, and what cuts it.
fn place_of(text: &Text) -> Option<(String, Rectangle, Rectangle)> {
    match text {
        Text::Paragraph { paragraph, position, clip_bounds, transformation, .. } => {
            let (align_x, align_y) = (paragraph.align_x, paragraph.align_y);
            let mut size = paragraph.min_bounds;
            let paragraph = paragraph.upgrade()?;
            let buffer = paragraph.buffer();
            // Lines for which there was no height are not in the paragraph's own size.
            let rows = buffer.lines.iter().map(|line| line.layout_opt().map_or(1, |rows| rows.len()));
            size.height = size.height.max(rows.sum::<usize>() as f32 * buffer.metrics().line_height);
            let needs = placed(*position, size, align_x, align_y);
            let lines: Vec<&str> = buffer.lines.iter().map(|line| line.text()).collect();
            Some((lines.join(" "), needs * *transformation, *clip_bounds * *transformation))
        }
        Text::Cached { content, bounds, size, line_height, font, align_x, align_y, clip_bounds, .. } => {
            let paragraph = Paragraph::with_text(Written {
                content: content.as_str(),
                bounds: Size::INFINITE,
                size: *size,
                line_height: LineHeight::Absolute(*line_height),
                font: *font,
                align_x: Alignment::Left,
                align_y: Vertical::Top,
                shaping: Shaping::Advanced,
                wrapping: Wrapping::None,
            });
            let needs = placed(bounds.position(), paragraph.min_bounds(), *align_x, *align_y);
            Some((content.clone(), needs, *clip_bounds))
        }
        Text::Editor { .. } | Text::Raw { .. } => None,
    }
}

/// Where a text of this size lies that is aligned to a place.
fn placed(at: Point, size: Size, align_x: Alignment, align_y: Vertical) -> Rectangle {
    let x = match align_x {
        Alignment::Center => at.x - size.width / 2.0,
        Alignment::Right => at.x - size.width,
        Alignment::Default | Alignment::Left | Alignment::Justified => at.x,
    };
    let y = match align_y {
        Vertical::Top => at.y,
        Vertical::Center => at.y - size.height / 2.0,
        Vertical::Bottom => at.y - size.height,
    };
    Rectangle::new(Point::new(x, y), size)
}
