//! Moves the keyboard from thing to thing, and brings what has it into view.

use iced::Rectangle;
use iced::Task;
use iced::Vector;
use iced::advanced::widget::operation::focusable::{Count, count};
use iced::advanced::widget::operation::scrollable::{self, AbsoluteOffset};
use iced::advanced::widget::operation::{Focusable, Operation, Outcome, Scrollable, then};
use iced::advanced::widget::{Id, operate};

/// Room left between what is shown and the edge of the list.
const MARGIN: f32 = 12.0;

/// The keyboard goes to the next thing; after the last comes the first.
pub(crate) fn next<T: Send + 'static>() -> Task<T> {
    step(|count| Nth::new(count.focused.map_or(0, |focused| (focused + 1) % count.total.max(1))))
}

/// The keyboard goes to the thing before; before the first comes the last.
pub(crate) fn previous<T: Send + 'static>() -> Task<T> {
    step(|count| {
        Nth::new(match count.focused {
            Some(focused) if focused > 0 => focused - 1,
            _ => count.total.saturating_sub(1),
        })
    })
}

fn step<T: Send + 'static>(to: fn(Count) -> Nth) -> Task<T> {
    operate(then(count(), to)).chain(reveal())
}

/// Gives the keyboard to the thing with this number.
struct Nth {
    wanted: usize,
    at: usize,
}

impl Nth {
    fn new(wanted: usize) -> Self {
        Self { wanted, at: 0 }
    }
}

impl<T> Operation<T> for Nth {
    fn traverse(&mut self, operate: &mut dyn FnMut(&mut dyn Operation<T>)) {
        operate(self);
    }

    fn focusable(&mut self, _id: Option<&Id>, _bounds: Rectangle, state: &mut dyn Focusable) {
        if self.at == self.wanted {
            state.focus();
        } else {
            state.unfocus();
        }
        self.at += 1;
    }
}

/// Scrolls the innermost list that holds the focused thing, just as far as is
/// needed. Lists without an id are left alone.
fn reveal<T: Send + 'static>() -> Task<T> {
    operate(Reveal { wanted: None, pending: None, inside: None, found: None })
}

/// The same for the thing of this name.
pub(crate) fn show<T: Send + 'static>(name: String) -> Task<T> {
    operate(Reveal { wanted: Some(Id::from(name)), pending: None, inside: None, found: None })
}

#[derive(Debug, Clone)]
struct List {
    id: Id,
    bounds: Rectangle,
    translation: Vector,
}

struct Reveal {
    /// What is to be seen; nothing for what has the keyboard.
    wanted: Option<Id>,
    /// A list that was announced and is about to be entered.
    pending: Option<List>,
    /// The list that is being walked through.
    inside: Option<List>,
    found: Option<(Id, AbsoluteOffset<Option<f32>>)>,
}

impl<T: Send + 'static> Operation<T> for Reveal {
    fn traverse(&mut self, operate: &mut dyn FnMut(&mut dyn Operation<T>)) {
        let outer = self.inside.clone();
        if let Some(entered) = self.pending.take() {
            self.inside = Some(entered);
        }
        operate(self);
        self.inside = outer;
    }

    fn scrollable(
        &mut self,
        id: Option<&Id>,
        bounds: Rectangle,
        _content_bounds: Rectangle,
        translation: Vector,
        _state: &mut dyn Scrollable,
    ) {
        self.pending = id.map(|id| List { id: id.clone(), bounds, translation });
    }

    fn focusable(&mut self, id: Option<&Id>, bounds: Rectangle, state: &mut dyn Focusable) {
        let is_it = match &self.wanted {
            Some(wanted) => id == Some(wanted),
            None => state.is_focused(),
        };
        let Some(list) = self.inside.as_ref().filter(|_| is_it) else { return };
        let x = shift(bounds.x, bounds.width, list.bounds.x, list.bounds.width, list.translation.x);
        let y = shift(bounds.y, bounds.height, list.bounds.y, list.bounds.height, list.translation.y);
        if x.is_some() || y.is_some() {
            self.found = Some((list.id.clone(), AbsoluteOffset { x, y }));
        }
    }

    fn finish(&self) -> Outcome<T> {
        match &self.found {
            Some((id, offset)) => Outcome::Chain(Box::new(scrollable::scroll_to(id.clone(), *offset))),
            None => Outcome::None,
        }
    }
}

/// The new offset along one axis, or none when all is in view already.
fn shift(at: f32, length: f32, from: f32, room: f32, offset: f32) -> Option<f32> {
    let start = at - offset - from;
    if start < MARGIN {
        let wanted = (at - from - MARGIN).max(0.0);
        return ((wanted - offset).abs() > 0.5).then_some(wanted);
    }
    if start + length > room - MARGIN && length + 2.0 * MARGIN <= room {
        return Some(at - from + length + MARGIN - room);
    }
    None
}

#[cfg(test)]
mod tests {
    use super::shift;

    #[test]
    fn only_what_is_hidden_moves_the_list() {
        // A list 100 high at 0, scrolled by 50.
        assert_eq!(shift(80.0, 20.0, 0.0, 100.0, 50.0), None, "in view");
        assert_eq!(shift(40.0, 20.0, 0.0, 100.0, 50.0), Some(28.0), "above");
        assert_eq!(shift(160.0, 20.0, 0.0, 100.0, 50.0), Some(92.0), "below");
        assert_eq!(shift(0.0, 20.0, 0.0, 100.0, 0.0), None, "the first one, not scrolled");
        assert_eq!(shift(5.0, 20.0, 0.0, 100.0, 50.0), Some(0.0), "near the top");
    }
}
