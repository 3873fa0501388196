//! Names and texts that come from a stranger.
//!
//! A text ends up on a terminal, in a window and in a customer's report. One with a
//! control character, which could move a cursor or colour a line, or with one that
//! overrides the direction of writing is refused; what else cannot be seen is left out.

use units::text::{excerpt, is_hidden};

/// Checks a name: lower-case letters, digits and underscores, a letter first.
pub(crate) fn name(what: &str, text: &str) -> Result<(), String> {
    let fits = text.len() <= MOST_NAME
        && text.starts_with(|first: char| first.is_ascii_lowercase())
        && text.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '_');
    if fits {
        Ok(())
    } else {
        Err(format!(
            "{what} {}: a name has up to {MOST_NAME} lower-case letters, digits and underscores, a letter first",
            quoted(text)
        ))
    }
}

/// Checks a line of text of so many characters at the most.
pub(crate) fn line(what: &str, text: &str, most: usize) -> Result<(), String> {
    // A character has four bytes at the most, so that a giant text is not counted.
    if text.len() > most.saturating_mul(4) || text.chars().count() > most {
        return Err(format!("{what} is longer than {most} characters"));
    }
    match text.chars().find(|c| is_refused(*c)) {
        Some(c) => Err(format!("{what} holds the control character U+{:04X}", u32::from(c))),
        None => Ok(()),
    }
}

/// A text cut to a length and freed of what [`line`] refuses and of what cannot be seen.
pub(crate) fn tamed(text: &str, most: usize) -> String {
    text.chars().filter(|c| !c.is_control() && !is_hidden(*c)).take(most).collect()
}

/// A text freed of what cannot be seen; what [`line`] refuses stays, to be refused there.
pub(crate) fn visible(text: String) -> String {
    let left_out = |c: char| is_hidden(c) && !is_refused(c);
    if text.contains(left_out) { text.replace(left_out, "") } else { text }
}

/// A text within quotation marks, short and tame enough for a message.
pub(crate) fn quoted(text: &str) -> String {
    format!("`{}`", excerpt(text, 40))
}

const MOST_NAME: usize = 48;

fn is_refused(c: char) -> bool {
    c.is_control() || matches!(c, '\u{2028}'..='\u{202E}' | '\u{2066}'..='\u{2069}')
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_is_made_of_few_characters() {
        for good in ["a", "rms_dbfs", "h2_db"] {
            assert_eq!(name("value", good), Ok(()));
        }
        for bad in ["", "2h", "_a", "RMS", "a-b", "a b", "ä", &"a".repeat(49)] {
            assert!(name("value", bad).is_err(), "{bad}");
        }
    }

    #[test]
    fn what_would_move_a_cursor_or_turn_the_writing_is_refused() {
        assert_eq!(line("title", "Übereinstimmung °C", 80), Ok(()));
        for bad in ["a\u{1b}[31m", "a\nb", "a\u{202e}b", "\u{0}", "\u{9b}"] {
            assert!(line("title", bad, 80).is_err(), "{bad:?}");
            assert!(line("title", &tamed(bad, 80), 80).is_ok(), "{bad:?}");
        }
        assert!(line("title", &"x".repeat(81), 80).unwrap_err().contains("80"));
        assert_eq!(visible("l\u{200b}e\u{200f}\u{61c}f\u{e0041}t".to_owned()), "left");
        assert_eq!(quoted(&"x".repeat(50)), format!("`{}…`", "x".repeat(40)));
    }
}
