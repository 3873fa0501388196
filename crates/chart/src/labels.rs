//! Labels that do not lie on one another.

use crate::Spot;

/// Moves places along one axis, as little as is needed, so that neighbours are
/// at least `gap` apart and all stay between `from` and `to` while there is room.
///
/// Returned in the order given. Runs of labels that push one another are moved
/// as one, about the mean of their wishes.
#[must_use]
pub fn place(wanted: &[f32], gap: f32, from: f32, to: f32) -> Vec<f32> {
    let mut order: Vec<usize> = (0..wanted.len()).collect();
    order.sort_by(|&a, &b| wanted[a].total_cmp(&wanted[b]));
    // Each run holds its first place, the sum of its members' wishes for that
    // place, and its members.
    let mut runs: Vec<(f32, f32, usize)> = Vec::new();
    for &index in &order {
        let mut run = (wanted[index], wanted[index], 1usize);
        loop {
            let length = gap * (run.2 - 1) as f32;
            run.0 = (run.1 / run.2 as f32).min(to - length).max(from);
            match runs.last() {
                Some(before) if before.0 + gap * before.2 as f32 > run.0 => {
                    let before = runs.pop().unwrap_or(run);
                    let shift = gap * before.2 as f32;
                    run = (before.0, before.1 + run.1 - shift * run.2 as f32, before.2 + run.2);
                }
                _ => break,
            }
        }
        runs.push(run);
    }
    let mut placed = vec![0.0; wanted.len()];
    let mut next = order.into_iter();
    for (first, _, count) in runs {
        for (step, index) in next.by_ref().take(count).enumerate() {
            placed[index] = first + gap * step as f32;
        }
    }
    placed
}

/// Which of some discs of a radius, painted in this order, show what is written in their middle: those whose middle no
/// later one covers.
#[must_use]
pub fn uncovered(middles: &[Spot], radius: f32) -> Vec<bool> {
    let covers = |on: &Spot, below: &Spot| (on.x - below.x).hypot(on.y - below.y) < radius;
    let later = |index: usize| middles.iter().skip(index + 1);
    middles.iter().enumerate().map(|(index, below)| !later(index).any(|on| covers(on, below))).collect()
}

/// A text that takes at most `most` characters, its end replaced by an ellipsis
/// when it is longer.
#[must_use]
pub fn shorten(text: &str, most: usize) -> String {
    if text.chars().count() <= most {
        return text.to_owned();
    }
    let mut short: String = text.chars().take(most.saturating_sub(1)).collect();
    short.truncate(short.trim_end().len());
    short.push('…');
    short
}

/// A text in lines of at most `most` characters, broken between words; a word that is longer is shortened.
pub(crate) fn wrapped(text: &str, most: usize) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for word in text.split_whitespace() {
        match lines.last_mut() {
            Some(line) if line.chars().count() + 1 + word.chars().count() <= most => {
                line.push(' ');
                line.push_str(word);
            }
            _ => lines.push(shorten(word, most)),
        }
    }
    lines
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn labels_with_room_stay_where_they_are() {
        assert_eq!(place(&[50.0, 10.0, 90.0], 14.0, 0.0, 100.0), [50.0, 10.0, 90.0]);
    }

    #[test]
    fn crowded_labels_spread_about_their_middle() {
        assert_eq!(place(&[50.0, 50.0], 10.0, 0.0, 100.0), [45.0, 55.0]);
        assert_eq!(place(&[99.0, 98.0], 10.0, 0.0, 100.0), [100.0, 90.0]);
    }

    #[test]
    fn a_number_under_another_handle_is_left_out() {
        let at = |x: f32, y: f32| Spot { x, y };
        let middles = [at(10.0, 10.0), at(40.0, 10.0), at(14.0, 13.0), at(14.0, 30.0)];
        assert_eq!(uncovered(&middles, 8.0), [false, true, true, true]);
        assert!(uncovered(&[], 8.0).is_empty());
    }

    #[test]
    fn long_names_are_cut() {
        assert_eq!(shorten("Front left", 20), "Front left");
        assert_eq!(shorten("Front left tweeter", 11), "Front left…");
    }

    #[test]
    fn a_text_is_broken_between_words() {
        assert_eq!(wrapped("clean to step 31", 11), ["clean to", "step 31"]);
        assert_eq!(wrapped("Processor", 20), ["Processor"]);
        assert_eq!(wrapped("an unbreakable word", 8), ["an", "unbreak…", "word"]);
        assert_eq!(wrapped("", 8), [""; 0]);
    }

    proptest! {
        #[test]
        fn no_two_overlap_and_order_is_kept(
            wanted in proptest::collection::vec(-20f32..220.0, 0..12),
        ) {
            let placed = place(&wanted, 12.0, 0.0, 200.0);
            let mut sorted = placed.clone();
            sorted.sort_by(f32::total_cmp);
            for pair in sorted.windows(2) {
                prop_assert!(pair[1] - pair[0] >= 12.0 - 1e-3, "{placed:?}");
            }
            for place in &placed {
                prop_assert!((-1e-3..=200.001).contains(place), "{placed:?}");
            }
            for (a, wa) in wanted.iter().enumerate() {
                for (b, wb) in wanted.iter().enumerate() {
                    prop_assert!(wa >= wb || placed[a] < placed[b]);
                }
            }
        }
    }
}
