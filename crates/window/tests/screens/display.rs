//! A display that is drawn on as a real one is: only where something has changed. Beside it, the
//! same drawn whole.

use std::collections::VecDeque;

use iced::{Color, Rectangle, Size};
use window::{Canvas, Renderer};

/// A channel may differ by so much: the edge of a rounded shape comes out a little differently
/// when the shape is cut.
const ROUNDING: u8 = 12;

/// What a person sees.
pub(crate) struct Display {
    size: Size<u32>,
    scale: f32,
    canvas: Canvas,
    /// The display's memories, of which the first was shown longest ago.
    buffers: VecDeque<Vec<u8>>,
    presented: usize,
}

impl Display {
    /// A display of this many logical pixels, on which nothing was drawn yet. One with two
    /// buffers draws on what it showed the time before last.
    pub(crate) fn new(size: Size, scale: f32, buffers: usize) -> Self {
        let size = Size::new((size.width * scale) as u32, (size.height * scale) as u32);
        let pixels = vec![0; (size.width * size.height * 4) as usize];
        Self {
            size,
            scale,
            canvas: Canvas::new(size),
            buffers: std::iter::repeat_n(pixels, buffers).collect(),
            presented: 0,
        }
    }

    /// Draws what has changed.
    pub(crate) fn present(&mut self, renderer: &mut Renderer, ground: Color) {
        let count = self.buffers.len();
        let age = if self.presented < count { 0 } else { count };
        self.presented += 1;
        self.buffers.rotate_left(1);
        let pixels = self.buffers.back_mut().expect("a buffer");
        self.canvas.draw(renderer, pixels, age, self.scale, ground);
    }

    /// The pixels that differ from the same picture drawn whole: how many, by how much at most, and
    /// the rectangle that holds them, in the display's pixels.
    pub(crate) fn stale(
        &self,
        renderer: &mut Renderer,
        ground: Color,
    ) -> Option<(usize, u8, Rectangle<u32>)> {
        let shown = self.buffers.back().expect("a buffer");
        let mut whole = vec![0; shown.len()];
        Canvas::new(self.size).draw(renderer, &mut whole, 0, self.scale, ground);
        let width = self.size.width as usize;
        let pairs = shown.chunks_exact(4).zip(whole.chunks_exact(4)).enumerate();
        let by =
            |(shown, wanted): (&[u8], &[u8])| shown.iter().zip(wanted).map(|(a, b)| a.abs_diff(*b)).max();
        let differing: Vec<(usize, u8)> =
            pairs.filter_map(|(i, pair)| Some((i, by(pair)?))).filter(|(_, by)| *by > ROUNDING).collect();
        let most = differing.iter().map(|(_, by)| *by).max()?;
        let places: Vec<_> =
            differing.iter().map(|(i, _)| ((i % width) as u32, (i / width) as u32)).collect();
        let left = places.iter().map(|place| place.0).min()?;
        let right = places.iter().map(|place| place.0).max()?;
        let (top, bottom) = (places.first()?.1, places.last()?.1);
        let bounds = Rectangle { x: left, y: top, width: right - left + 1, height: bottom - top + 1 };
        Some((places.len(), most, bounds))
    }
}
