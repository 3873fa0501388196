//! Columns of numbers in plain text, with whatever separator they came.

use units::text::excerpt;

use crate::TextError;

/// How the numbers of one line are told apart.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Separator {
    /// `20,-3.2`: the point is the decimal mark.
    Comma,
    /// `20;-3,2` or `20;-3.2`.
    Semicolon,
    /// `20<tab>-3,2`.
    Tab,
    /// `20 -3,2`, any number of spaces.
    Space,
}

impl Separator {
    /// The separator of a line of numbers.
    ///
    /// A semicolon or a tab leaves no doubt. Spaces separate when the pieces
    /// between them are numbers by themselves, with a point or a comma as the
    /// decimal mark; in all other cases a comma separates.
    pub(crate) fn of(line: &str) -> Self {
        if line.contains(';') {
            return Self::Semicolon;
        }
        if line.contains('\t') {
            return Self::Tab;
        }
        let by_space: Vec<&str> = line.split_whitespace().collect();
        if by_space.len() > 1 && by_space.iter().all(|piece| number(piece, true).is_some()) {
            return Self::Space;
        }
        if line.contains(',') { Self::Comma } else { Self::Space }
    }

    /// The fields of a line. One empty field at the end is dropped, because
    /// spreadsheets leave one behind.
    pub(crate) fn split(self, line: &str) -> Vec<&str> {
        let mut fields: Vec<&str> = match self {
            Self::Comma => line.split(',').map(str::trim).collect(),
            Self::Semicolon => line.split(';').map(str::trim).collect(),
            Self::Tab => line.split('\t').map(str::trim).collect(),
            Self::Space => line.split_whitespace().collect(),
        };
        if fields.len() > 1 && fields.last().is_some_and(|last| last.is_empty()) {
            fields.pop();
        }
        fields
    }

    /// Whether a comma inside a field can only be a decimal mark.
    pub(crate) fn allows_decimal_comma(self) -> bool {
        self != Self::Comma
    }
}

/// What stands for a minus sign in texts that went through a word processor or a PDF:
/// the minus of mathematics, a dash, a hyphen of another width.
const MINUS_SIGNS: [char; 6] = ['\u{2212}', '\u{2010}', '\u{2011}', '\u{2013}', '\u{FE63}', '\u{FF0D}'];

/// Reads one finite number; `1,5` is one and a half where `decimal_comma` says
/// that a comma cannot separate. A field with both marks (`1.000,5`) is refused
/// because it could mean two things. A minus sign may be any that is set.
pub(crate) fn number(field: &str, decimal_comma: bool) -> Option<f64> {
    let signed;
    let field = match field.strip_prefix(MINUS_SIGNS) {
        Some(amount) => {
            signed = format!("-{amount}");
            signed.as_str()
        }
        None => field,
    };
    let plain = field.bytes().all(|b| b.is_ascii_digit() || b"+-.,eE".contains(&b));
    if !plain || field.is_empty() {
        return None;
    }
    let commas = field.bytes().filter(|&b| b == b',').count();
    let value = match commas {
        0 => field.parse::<f64>().ok()?,
        // A comma at either end separates; only one between digits is a decimal mark.
        1 if decimal_comma && !field.contains('.') && !field.ends_with(',') && !field.starts_with(',') => {
            field.replace(',', ".").parse::<f64>().ok()?
        }
        _ => return None,
    };
    value.is_finite().then_some(value)
}

/// Whether a text begins as a number does, whatever follows.
pub(crate) fn begins_like_a_number(text: &str) -> bool {
    let unsigned = text.trim_start_matches(['+', '-']).trim_start_matches(MINUS_SIGNS).trim_start();
    let word = unsigned.split(|c: char| !c.is_alphabetic()).next().unwrap_or_default().to_ascii_lowercase();
    unsigned.trim_start_matches(['.', ',']).starts_with(|c: char| c.is_numeric())
        || ["nan", "inf", "infinity"].contains(&word.as_str())
}

/// Reads one field as a finite number, or says why it is none.
pub(crate) fn field_number(
    name: &str,
    line: usize,
    column: usize,
    field: &str,
    decimal_comma: bool,
) -> Result<f64, TextError> {
    number(field, decimal_comma).ok_or_else(|| {
        let shown = excerpt(field, 40);
        let (problem, advice) = if field.is_empty() {
            ("the field is empty".to_owned(), "write a number there or remove the line")
        } else if ["nan", "inf", "infinity"]
            .contains(&field.trim_start_matches(['+', '-']).to_lowercase().as_str())
        {
            (format!("`{shown}` is not a finite number"), "remove the line, or measure this range again")
        } else {
            (format!("`{shown}` is not a number"), "write it like -3.2, without units or thousands marks")
        };
        TextError::at(name, line, Some(column), problem, advice)
    })
}

/// The lines of a text with their numbers, without a byte order mark, trimmed.
pub(crate) fn numbered_lines(text: &str) -> impl Iterator<Item = (usize, &str)> {
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    text.lines().enumerate().map(|(index, line)| (index + 1, line.trim()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn separators_are_told_apart() {
        for (line, wanted, count) in [
            ("20,-3.2", Separator::Comma, 2),
            ("20, -3.2", Separator::Comma, 2),
            ("20;-3,2;14,0", Separator::Semicolon, 3),
            ("20\t-3,2", Separator::Tab, 2),
            ("20   -3.2", Separator::Space, 2),
            ("20,5 -3,2", Separator::Space, 2),
            ("20,-3.2,", Separator::Comma, 2),
        ] {
            let found = Separator::of(line);
            assert_eq!(found, wanted, "{line}");
            assert_eq!(found.split(line).len(), count, "{line}");
        }
    }

    #[test]
    fn a_decimal_comma_counts_only_where_it_cannot_separate() {
        assert_eq!(number("3,5", true), Some(3.5));
        assert_eq!(number("3,5", false), None);
        assert_eq!(number("1.000,5", true), None);
        assert_eq!(number("1e3", true), Some(1000.0));
        assert_eq!(number("NaN", true), None);
        assert_eq!(number("1e999", true), None);
        for minus in MINUS_SIGNS {
            assert_eq!(number(&format!("{minus}30"), false), Some(-30.0));
            assert_eq!(number(&format!("3{minus}0"), false), None);
            assert_eq!(number(&format!("{minus}-3"), false), None);
        }
    }
}
