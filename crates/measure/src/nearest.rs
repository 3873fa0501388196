//! The nearest of some names to a mistyped one.

/// The candidate with the smallest edit distance to `word`, if any is close
/// enough to be what was meant (at most a third of its letters differ, or two).
pub fn nearest<'a>(word: &str, candidates: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    candidates
        .into_iter()
        .map(|candidate| (edit_distance(word, candidate), candidate))
        .filter(|(distance, candidate)| *distance <= (candidate.chars().count() / 3).max(2))
        .min_by_key(|(distance, _)| *distance)
        .map(|(_, candidate)| candidate)
}

/// Levenshtein distance, one row at a time.
fn edit_distance(a: &str, b: &str) -> usize {
    let b: Vec<char> = b.chars().collect();
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, ca) in a.chars().enumerate() {
        let mut diagonal = row[0];
        row[0] = i + 1;
        for (j, &cb) in b.iter().enumerate() {
            let substituted = diagonal + usize::from(ca != cb);
            diagonal = row[j + 1];
            row[j + 1] = substituted.min(diagonal + 1).min(row[j] + 1);
        }
    }
    row[b.len()]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_slip_is_understood_and_a_stranger_is_not() {
        let names = ["smoothing", "points_per_octave", "from", "to"];
        assert_eq!(nearest("smoothin", names), Some("smoothing"));
        assert_eq!(nearest("form", names), Some("from"));
        assert_eq!(nearest("temperature", names), None);
    }
}
