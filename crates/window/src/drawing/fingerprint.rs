//! A capture's fingerprint: 31 cells, shaded and slanted by their deviation.

use crate::painter::Renderer;
use crate::painter::{Frame, Geometry};
use chart::{Lean, cells};
use iced::widget::canvas::{self, Path, Stroke};
use iced::{Point, Rectangle, Size, mouse};

use crate::kept::Kept;
use crate::message::Message;
use crate::theme::Theme;

/// Cells shaded less than this carry no slant.
const SLANT_FROM: f32 = 0.3;

/// A fingerprint on a canvas.
pub(crate) struct Fingerprint {
    pub(crate) deviations_db: [Option<f32>; 31],
}

impl canvas::Program<Message, Theme, Renderer> for Fingerprint {
    type State = Kept<([Option<f32>; 31], Theme)>;

    fn draw(
        &self,
        kept: &Self::State,
        renderer: &Renderer,
        theme: &Theme,
        bounds: Rectangle,
        _cursor: mouse::Cursor,
    ) -> Vec<Geometry> {
        vec![kept.draw((self.deviations_db, *theme), renderer, bounds.size(), |frame| {
            self.paint(frame, *theme);
        })]
    }
}

impl Fingerprint {
    fn paint(&self, frame: &mut Frame, theme: Theme) {
        let palette = theme.colors();
        let bounds = frame.size();
        frame.fill_rectangle(Point::ORIGIN, bounds, palette.sunken);
        let count = self.deviations_db.len();
        let edge = |index: usize| (bounds.width * index as f32 / count as f32).round();
        for (index, cell) in cells(&self.deviations_db).into_iter().enumerate() {
            let (left, width) = (edge(index), edge(index + 1) - edge(index) - 1.0);
            let color = match cell.lean {
                Lean::Above => palette.above,
                Lean::Below => palette.below,
                Lean::On => palette.grid_major,
                Lean::Unknown => continue,
            };
            let strength = if cell.lean == Lean::On { 0.55 } else { 0.18 + 0.82 * cell.shade };
            frame.fill_rectangle(
                Point::new(left, 0.0),
                Size::new(width, bounds.height),
                color.scale_alpha(strength),
            );
            if cell.shade >= SLANT_FROM && cell.lean != Lean::On {
                let (foot, head) =
                    if cell.lean == Lean::Above { (bounds.height, 0.0) } else { (0.0, bounds.height) };
                let slant = Path::line(Point::new(left, foot), Point::new(left + width, head));
                frame.stroke(&slant, Stroke::default().with_color(palette.panel).with_width(1.0));
            }
        }
    }
}
