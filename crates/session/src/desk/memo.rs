//! A value that is computed again only when what it depends on has changed.

use std::cell::RefCell;

/// One kept value with what it was made from.
#[derive(Debug)]
pub(super) struct Memo<K, V>(RefCell<Option<(K, V)>>);

impl<K, V> Default for Memo<K, V> {
    fn default() -> Self {
        Self(RefCell::new(None))
    }
}

impl<K: PartialEq, V: Clone> Memo<K, V> {
    /// The value for `key`, made anew only if another was kept.
    pub(super) fn get(&self, key: K, make: impl FnOnce() -> V) -> V {
        if let Some((kept, value)) = &*self.0.borrow()
            && *kept == key
        {
            return value.clone();
        }
        let value = make();
        *self.0.borrow_mut() = Some((key, value.clone()));
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
        assert_eq!(made.get(), 3);
    }
}
