//! JSON, as little of it as a plugin has to write.

use alloc::string::String;
use core::fmt::Write;

/// Writes a text within quotation marks.
pub(crate) fn text(out: &mut String, text: &str) {
    out.push('"');
    for c in text.chars() {
        match c {
            '"' => out.push_str("\\\""),
            '\\' => out.push_str("\\\\"),
            c if u32::from(c) < 0x20 => {
                let _ = write!(out, "\\u{:04x}", u32::from(c));
            }
            c => out.push(c),
        }
    }
    out.push('"');
}

/// Writes a finite number so that reading it gives the same one.
pub(crate) fn number(out: &mut String, value: f64) {
    let size = value.abs();
    let _ = if size != 0.0 && !(1e-4..1e15).contains(&size) {
        write!(out, "{value:e}")
    } else {
        write!(out, "{value}")
    };
}

/// Writes a key and its colon, after a comma where something stands before.
pub(crate) fn key(out: &mut String, key: &str) {
    comma(out);
    text(out, key);
    out.push(':');
}

/// Writes a comma where something stands before.
pub(crate) fn comma(out: &mut String) {
    if !out.is_empty() && !out.ends_with(['[', '{', ':']) {
        out.push(',');
    }
}

/// Writes numbers between brackets.
pub(crate) fn numbers(out: &mut String, values: &[f64]) {
    out.push('[');
    for &value in values {
        comma(out);
        number(out, value);
    }
    out.push(']');
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_read_back_as_they_were() {
        for value in [0.0, -1.5, 0.1, 1e-300, 123_456_789.125, -4.0e22, 5e-324, f64::MAX] {
            let mut out = String::new();
            number(&mut out, value);
            assert_eq!(out.parse::<f64>(), Ok(value), "{out}");
            assert!(out.len() < 26, "{out}");
        }
    }

    #[test]
    fn what_would_end_a_text_is_escaped() {
        let mut out = String::new();
        text(&mut out, "a\"b\\c\n°");
        assert_eq!(out, "\"a\\\"b\\\\c\\u000a°\"");
    }
}
