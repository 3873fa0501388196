//! A drawing that is kept until what it shows changes.
//!
//! The software renderer repaints everything that is not cached with every
//! frame, so each small canvas keeps its drawing too.

use std::cell::RefCell;

use crate::painter::Renderer;
use crate::painter::{Cache, Frame, Geometry};
use iced::{Rectangle, Size};

/// A drawing with what it was made from.
pub(crate) struct Kept<K> {
    made_from: RefCell<Option<K>>,
    cache: Cache,
}

impl<K> Default for Kept<K> {
    fn default() -> Self {
        Self { made_from: RefCell::new(None), cache: Cache::new() }
    }
}

impl<K: PartialEq> Kept<K> {
    /// The drawing of `key`, made anew only if another was kept.
    pub(crate) fn draw(
        &self,
        key: K,
        renderer: &Renderer,
        size: Size,
        draw: impl FnOnce(&mut Frame),
    ) -> Geometry {
        self.draw_inside(key, renderer, Rectangle::with_size(size), draw)
    }

    /// The same, cut off outside `bounds`.
    pub(crate) fn draw_inside(
        &self,
        key: K,
        renderer: &Renderer,
        bounds: Rectangle,
        draw: impl FnOnce(&mut Frame),
    ) -> Geometry {
        if self.made_from.borrow().as_ref() != Some(&key) {
            self.cache.clear();
            *self.made_from.borrow_mut() = Some(key);
        }
        self.cache.draw_with_bounds(renderer, bounds, draw)
    }
}
