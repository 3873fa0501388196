//! The places of the head at which drivers are measured.

/// The first place in the order of importance: the middle of the head, else the one that was measured first.
#[must_use]
pub fn main_place<'a>(places: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let mut places = places.into_iter().peekable();
    let first = places.peek().copied();
    places.find(|place| is_middle(place)).or(first)
}

/// Whether a place is called the middle of the head.
pub(super) fn is_middle(place: &str) -> bool {
    let place = place.to_lowercase();
    ["centre", "center", "middle"].iter().any(|word| place.contains(word))
}
