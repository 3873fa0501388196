//! A value that is computed again only when what it depends on has changed.

use std::collections::VecDeque;
use std::sync::{Mutex, PoisonError};

/// So many faces may look at different things without computing each time.
const KEPT: usize = 4;

/// The last values with what they were made from.
#[derive(Debug)]
pub(super) struct Memo<K, V>(Mutex<VecDeque<(K, V)>>);

impl<K, V> Default for Memo<K, V> {
    fn default() -> Self {
        Self(Mutex::new(VecDeque::new()))
    }
}

impl<K: PartialEq, V: Clone> Memo<K, V> {
    /// The value for `key`, made anew only if it is not among those that are kept.
    pub(super) fn get(&self, key: K, make: impl FnOnce() -> V) -> V {
        // Nobody waits while it is made: two threads that ask at once both make it.
        let kept = || self.0.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some((_, value)) = kept().iter().find(|(kept, _)| *kept == key) {
            return value.clone();
        }
        let value = make();
        let mut kept = kept();
        kept.truncate(KEPT - 1);
        kept.push_front((key, value.clone()));
        value
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_value_is_made_once_for_each_key_in_a_row() {
        let (memo, made) = (Memo::default(), std::cell::Cell::new(0));
        let get = |key: u32| {
            memo.get(key, || {
                made.set(made.get() + 1);
                2 * key
            })
        };
        assert_eq!((get(1), get(1), get(2), get(2), get(1)), (2, 2, 4, 4, 2));
        assert_eq!(made.get(), 2);
        let _ = (get(3), get(4), get(5), get(1));
        assert_eq!(made.get(), 6, "the oldest was let go");
    }
}
