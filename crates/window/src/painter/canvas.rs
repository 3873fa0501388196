//! A picture that follows what the renderer holds.

use std::collections::VecDeque;

use iced::{Color, Rectangle, Size};
use iced_tiny_skia::Layer;
use iced_tiny_skia::graphics::Viewport;

use super::Renderer;
use super::damage::{self, REACH, outset};

/// What is needed to draw the next picture from the last one. It has a size.
pub struct Canvas {
    size: Size<u32>,
    scale: f32,
    ground: Color,
    /// What was drawn, the newest first.
    drawn: VecDeque<Vec<Layer>>,
    oldest: usize,
    /// Where a place is drawn before it is taken over.
    scratch: Vec<u8>,
    mask: tiny_skia::Mask,
}

impl Canvas {
    /// A canvas on which nothing was drawn.
    ///
    /// # Panics
    /// When a side of it is nothing.
    #[must_use]
    pub fn new(size: Size<u32>) -> Self {
        let mask = tiny_skia::Mask::new(size.width, size.height).expect("a canvas has sides");
        let scratch = vec![0; size.width as usize * size.height as usize * 4];
        Self { size, scale: 1.0, ground: Color::BLACK, drawn: VecDeque::new(), oldest: 1, scratch, mask }
    }

    /// Brings `pixels` up to what the renderer holds.
    ///
    /// `pixels` holds four bytes for each pixel, row by row, and what was drawn `age` pictures ago:
    /// 1 means the last one, 0 that nothing is known.
    pub fn draw(
        &mut self,
        renderer: &mut Renderer,
        pixels: &mut [u8],
        age: usize,
        scale: f32,
        ground: Color,
    ) {
        if (self.scale, self.ground) != (scale, ground) {
            (self.scale, self.ground) = (scale, ground);
            self.drawn.clear();
        }
        self.oldest = self.oldest.max(age);
        let before = age.checked_sub(1).and_then(|age| self.drawn.get(age));
        let places = match before {
            Some(before) => damage::between(before, renderer.0.layers(), self.size, scale),
            None => vec![damage::whole(self.size)],
        };
        for place in places {
            self.draw_place(renderer, pixels, place);
        }
        self.drawn.push_front(renderer.0.layers().to_vec());
        self.drawn.truncate(self.oldest);
    }

    /// Draws one place: with its surroundings beside the picture, of which only the place is taken.
    fn draw_place(&mut self, renderer: &mut Renderer, pixels: &mut [u8], place: Rectangle<u32>) {
        let Some(around) = outset(exact(place), REACH * self.scale, self.size) else { return };
        let Size { width, height } = self.size;
        let Some(mut scratch) = tiny_skia::PixmapMut::from_bytes(&mut self.scratch, width, height) else {
            return;
        };
        let viewport = Viewport::with_physical_size(self.size, self.scale);
        let around = [exact(around) * (1.0 / self.scale)];
        renderer.0.draw(&mut scratch, &mut self.mask, &viewport, &around, self.ground);
        let bytes = place.width as usize * 4;
        for row in place.y..place.y + place.height {
            let start = (row as usize * width as usize + place.x as usize) * 4;
            pixels[start..start + bytes].copy_from_slice(&self.scratch[start..start + bytes]);
        }
    }
}

/// The same place in numbers that can be scaled.
fn exact(place: Rectangle<u32>) -> Rectangle {
    let Rectangle { x, y, width, height } = place;
    Rectangle { x: x as f32, y: y as f32, width: width as f32, height: height as f32 }
}
