//! Where two pictures differ.

use iced::{Rectangle, Size, Transformation};
use iced_tiny_skia::Layer;
use iced_tiny_skia::graphics::{Text, damage};

/// What is drawn reaches at most so far out of its stated place, in the display's pixels for each
/// logical one: half of the widest stroke that is drawn live, a letter's overhang in the largest type.
pub(super) const REACH: f32 = 4.0;

/// Two places that are drawn as one may enclose so many pixels more than they have: about what it
/// costs to begin another.
const WASTE: u32 = 20_000;

/// The places, in whole pixels of the display, in which two pictures differ. They may overlap.
///
/// `size` is that of the display, `scale` its pixels for each logical one.
pub(super) fn between(before: &[Layer], after: &[Layer], size: Size<u32>, scale: f32) -> Vec<Rectangle<u32>> {
    let changed = damage::diff(before, after, |layer| vec![layer.bounds], without_letters);
    let written = before.iter().zip(after).flat_map(|(before, after)| {
        letters_between(before, after).into_iter().chain(words_between(before, after))
    });
    let mut places: Vec<Rectangle<u32>> = Vec::new();
    for place in
        changed.into_iter().chain(written).filter_map(|place| outset(place * scale, REACH * scale, size))
    {
        join(&mut places, place);
    }
    places
}

/// Where a layer differs, but for what is written on canvases: the library takes that to be without end, and all that
/// lies to the right of a number and below it was drawn again with each digit.
fn without_letters(before: &Layer, after: &Layer) -> Vec<Rectangle> {
    let mut places = Layer::damage(before, after);
    if before.bounds == after.bounds {
        places.retain(|place| place.height.is_finite());
    }
    places
}

/// Where what is written on canvases differs. The library takes the place of such a text to begin where it is
/// aligned, so that the upper half of one that stands on its middle was not drawn again.
fn letters_between(before: &Layer, after: &Layer) -> Vec<Rectangle> {
    let (before, after) = (letters(before), letters(after));
    (0..before.len().max(after.len()))
        .map(|index| (before.get(index), after.get(index)))
        .filter(|(before, after)| before != after)
        .flat_map(|(before, after)| before.into_iter().chain(after))
        .filter_map(|(text, transformation)| Some(around(text)? * *transformation))
        .collect()
}

/// Where paragraphs say something else. The library takes two for equal that are as wide and as high, and all
/// figures of the typeface have one width.
fn words_between(before: &Layer, after: &Layer) -> Vec<Rectangle> {
    let words = |layer: &Layer| -> Vec<(Text, Transformation)> {
        let items = layer.text.iter();
        let texts =
            items.flat_map(|item| item.as_slice().iter().map(|text| (text.clone(), item.transformation())));
        texts.filter(|(text, _)| matches!(text, Text::Paragraph { .. })).collect()
    };
    let pairs = words(before).into_iter().zip(words(after));
    pairs
        .filter(|((before, _), (after, _))| says_something_else(before, after))
        .flat_map(|(before, after)| [before, after])
        .filter_map(|(text, transformation)| Some(text.visible_bounds()? * transformation))
        .collect()
}

/// Whether two paragraphs that are both still there have different words.
fn says_something_else(before: &Text, after: &Text) -> bool {
    let (Text::Paragraph { paragraph: before, .. }, Text::Paragraph { paragraph: after, .. }) =
        (before, after)
    else {
        return false;
    };
    let (Some(before), Some(after)) = (before.upgrade(), after.upgrade()) else { return false };
    let (before, after) = (before.buffer(), after.buffer());
    !std::ptr::eq(before, after)
        && before.lines.iter().map(|line| line.text()).ne(after.lines.iter().map(|line| line.text()))
}

/// What is written on the canvases of a layer.
fn letters(layer: &Layer) -> Vec<(&Text, Transformation)> {
    let items = layer.text.iter();
    items
        .flat_map(|item| item.as_slice().iter().map(|text| (text, item.transformation())))
        .filter(|(text, _)| matches!(text, Text::Cached { .. }))
        .collect()
}

/// What a text of one line covers at most, however it is aligned.
fn around(text: &Text) -> Option<Rectangle> {
    let Text::Cached { content, bounds, size, line_height, .. } = text else { return None };
    // No letter is wider than high.
    let (width, height) = (content.chars().count() as f32 * size.0, line_height.0.max(size.0));
    let (x, y) = (bounds.x - width, bounds.y - height);
    Some(Rectangle { x, y, width: 2.0 * width, height: 2.0 * height })
}

/// All of a display.
pub(super) fn whole(size: Size<u32>) -> Rectangle<u32> {
    Rectangle { x: 0, y: 0, width: size.width, height: size.height }
}

/// A place made larger on all sides by `reach` pixels, to whole ones, within the display.
pub(super) fn outset(place: Rectangle, reach: f32, size: Size<u32>) -> Option<Rectangle<u32>> {
    // A place without end is as good as one that ends far away.
    let from = |at: f32| (at - reach).floor().max(0.0);
    let to = |at: f32, end: u32| (at + reach).ceil().min(end as f32);
    let (left, top) = (from(place.x), from(place.y));
    let (right, bottom) = (to(place.x + place.width, size.width), to(place.y + place.height, size.height));
    (right > left && bottom > top).then_some(Rectangle {
        x: left as u32,
        y: top as u32,
        width: (right - left) as u32,
        height: (bottom - top) as u32,
    })
}

/// Adds a place; those that lie close together become one.
fn join(places: &mut Vec<Rectangle<u32>>, mut place: Rectangle<u32>) {
    while let Some(near) = places.iter().position(|other| {
        let both = union(*other, place);
        area(both) <= area(*other) + area(place) + WASTE
    }) {
        place = union(places.swap_remove(near), place);
    }
    places.push(place);
}

fn union(a: Rectangle<u32>, b: Rectangle<u32>) -> Rectangle<u32> {
    let (x, y) = (a.x.min(b.x), a.y.min(b.y));
    let right = (a.x + a.width).max(b.x + b.width);
    let bottom = (a.y + a.height).max(b.y + b.height);
    Rectangle { x, y, width: right - x, height: bottom - y }
}

fn area(place: Rectangle<u32>) -> u32 {
    place.width * place.height
}

#[cfg(test)]
mod tests {
    use super::*;

    const SIZE: Size<u32> = Size { width: 1000, height: 500 };

    fn place(x: f32, y: f32, width: f32, height: f32) -> Rectangle {
        Rectangle { x, y, width, height }
    }

    #[test]
    fn a_line_without_width_has_a_place() {
        let outset = outset(place(10.4, 20.0, 0.0, 100.0), 4.0, SIZE).expect("a place");
        assert_eq!(outset, Rectangle { x: 6, y: 16, width: 9, height: 108 });
    }

    #[test]
    fn nothing_reaches_out_of_the_display() {
        let endless = place(990.0, -20.0, f32::INFINITY, f32::INFINITY);
        assert_eq!(outset(endless, 4.0, SIZE), Some(Rectangle { x: 986, y: 0, width: 14, height: 500 }));
        assert_eq!(outset(place(1010.0, 0.0, 5.0, 5.0), 4.0, SIZE), None);
    }

    #[test]
    fn neighbours_become_one_and_what_lies_apart_does_not() {
        let at = |x, y| Rectangle { x, y, width: 10, height: 10 };
        let mut places = Vec::new();
        join(&mut places, at(0, 0));
        join(&mut places, at(20, 5));
        assert_eq!(places, [Rectangle { x: 0, y: 0, width: 30, height: 15 }]);
        join(&mut places, at(900, 400));
        assert_eq!(places.len(), 2);
    }
}
