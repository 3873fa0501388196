//! Texts that come from elsewhere, made fit to be shown: of jobs, of plugins, of files and their names.
//!
//! Such a text ends up on a terminal, on a page and in a spreadsheet. A control
//! character moves a cursor or colours a line, a hidden one makes two names look
//! alike, one that turns the direction of writing around makes a word read as
//! another, and a cell that begins like a formula is run.

use std::borrow::Cow;

/// Whether a character is invisible or turns the direction of writing around.
///
/// Source: the property `Default_Ignorable_Code_Point` and the general category `Cf` of
/// the Unicode Character Database 16.0 (UAX #44), with the line and paragraph
/// separators. Control characters are asked for by [`char::is_control`].
#[must_use]
pub fn is_hidden(c: char) -> bool {
    matches!(c,
        '\u{AD}' | '\u{34F}' | '\u{600}'..='\u{605}' | '\u{61C}' | '\u{6DD}' | '\u{70F}' | '\u{890}' | '\u{891}'
        | '\u{8E2}' | '\u{115F}' | '\u{1160}' | '\u{17B4}' | '\u{17B5}' | '\u{180B}'..='\u{180F}'
        | '\u{200B}'..='\u{200F}' | '\u{2028}'..='\u{202E}' | '\u{2060}'..='\u{206F}' | '\u{3164}'
        | '\u{FE00}'..='\u{FE0F}' | '\u{FEFF}' | '\u{FFA0}' | '\u{FFF0}'..='\u{FFFB}' | '\u{110BD}' | '\u{110CD}'
        | '\u{13430}'..='\u{1343F}' | '\u{1BCA0}'..='\u{1BCA3}' | '\u{1D173}'..='\u{1D17A}'
        | '\u{E0000}'..='\u{E0FFF}')
}

/// A text as one line: a break or a tab becomes a blank, everything else that cannot
/// be seen is left out.
#[must_use]
pub fn one_line(text: &str) -> Cow<'_, str> {
    cleaned(text, |_| false)
}

/// A text of several lines: breaks between lines stay, the rest is as in [`one_line`].
#[must_use]
pub fn lines(text: &str) -> Cow<'_, str> {
    cleaned(text, |c| c == '\n')
}

fn cleaned(text: &str, stays: impl Fn(char) -> bool) -> Cow<'_, str> {
    let unfit = |c: char| (c.is_control() && !stays(c)) || is_hidden(c);
    if !text.contains(unfit) {
        return Cow::Borrowed(text);
    }
    // The two characters of one line break are one blank.
    let text = text.replace("\r\n", "\n");
    let blank = |c: char| matches!(c, '\n' | '\r' | '\t' | '\u{2028}' | '\u{2029}');
    Cow::Owned(
        text.chars()
            .filter_map(|c| match c {
                c if !unfit(c) => Some(c),
                c if blank(c) => Some(' '),
                _ => None,
            })
            .collect(),
    )
}

/// The beginning of a text as one line, for a message that repeats what it was given.
/// An ellipsis stands for what was cut off.
#[must_use]
pub fn excerpt(text: &str, most: usize) -> String {
    // No more is looked at than could be shown, however long the text is.
    let end = text.char_indices().nth(most).map_or(text.len(), |(at, _)| at);
    let more = if end < text.len() { "…" } else { "" };
    format!("{}{more}", one_line(&text[..end]))
}

/// A text as the cell of a table in CSV (RFC 4180), which no spreadsheet takes for a
/// formula: one that begins like a formula gets an apostrophe in front. What is read
/// from it by [`from_csv_cell`] is the text as it was, as one line.
#[must_use]
pub fn csv_cell(text: &str) -> String {
    let text = one_line(text);
    let guard = if begins_like_a_formula(text.trim_start_matches('\'')) { "'" } else { "" };
    if text.contains([',', '"', ';', '#']) || text.trim() != text {
        format!("\"{guard}{}\"", text.replace('"', "\"\""))
    } else {
        format!("{guard}{text}")
    }
}

/// The text of a cell that [`csv_cell`] wrote, its quotation marks already taken off.
#[must_use]
pub fn from_csv_cell(cell: &str) -> &str {
    match cell.strip_prefix('\'') {
        Some(text) if begins_like_a_formula(text.trim_start_matches('\'')) => text,
        _ => cell,
    }
}

/// Source: OWASP, "CSV Injection": the characters by which a cell becomes a formula.
fn begins_like_a_formula(text: &str) -> bool {
    text.trim_start().starts_with(['=', '+', '-', '@', '＝', '＋', '－', '＠'])
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_cannot_be_seen_is_left_out() {
        for (text, wanted) in [
            ("Übereinstimmung °C", "Übereinstimmung °C"),
            ("x\u{1b}]0;owned\u{7}\u{1b}[31m", "x]0;owned[31m"),
            ("a\u{202e}b\u{200f}c\u{61c}d\u{200b}e\u{e0041}f\u{feff}", "abcdef"),
            ("left\r\nFORGED\tline\u{2028}more", "left FORGED line more"),
            ("\u{9b}31m\u{7f}\0", "31m"),
        ] {
            assert_eq!(one_line(text), wanted);
        }
        assert_eq!(lines("one\ntwo\u{1b}[2J\r\nthree\rfour"), "one\ntwo[2J\nthree four");
        assert!(matches!(one_line("plain"), Cow::Borrowed("plain")));
    }

    #[test]
    fn a_giant_text_is_cut_and_says_so() {
        assert_eq!(excerpt("short", 5), "short");
        assert_eq!(excerpt(&"x".repeat(20_000_000), 5), "xxxxx…");
        assert_eq!(excerpt("a\u{0}b", 3), "ab");
    }

    #[test]
    fn a_cell_is_never_a_formula_and_reads_back_as_it_was() {
        for text in
            ["=cmd|x", "+1", "-1", "@x", " =1", "'=x", "''+", "'left'", "", "plain", "＝1", "a,\"b\";#"]
        {
            let cell = csv_cell(text);
            let bare = match cell.strip_prefix('"').and_then(|rest| rest.strip_suffix('"')) {
                Some(quoted) => quoted.replace("\"\"", "\""),
                None => cell.clone(),
            };
            assert!(!begins_like_a_formula(&bare), "{cell}");
            assert_eq!(from_csv_cell(&bare), text, "{cell}");
        }
        assert_eq!(csv_cell("=cmd|x"), "'=cmd|x");
        assert_eq!(csv_cell("two\nlines"), "two lines");
    }
}
