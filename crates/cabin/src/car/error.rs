//! Why a car's description was refused.

use std::fmt;

/// What is wrong with a car's description, where, and what to do.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CarError {
    line: Option<usize>,
    column: Option<usize>,
    text: String,
}

impl CarError {
    pub(crate) fn new(text: impl Into<String>) -> Self {
        Self { line: None, column: None, text: text.into() }
    }

    /// Turns the TOML reader's error into ours: line and column counted from 1,
    /// and the nearest valid key for one that is unknown.
    pub(crate) fn from_toml(error: &toml::de::Error, source: &str) -> Self {
        let message = error.message().trim();
        let text = match unknown_name(message) {
            Some((what, unknown, valid)) => {
                let hint = match nearest(unknown, valid.iter().copied()) {
                    Some(name) => format!("did you mean `{name}`?"),
                    None => format!("valid are {}", list(&valid)),
                };
                format!("unknown {what} `{unknown}`; {hint}")
            }
            None => message.replace('\n', " "),
        };
        let (line, column) = error.span().map_or((None, None), |span| {
            let before = &source.as_bytes()[..span.start.min(source.len())];
            let line = before.iter().filter(|&&byte| byte == b'\n').count() + 1;
            let begin = before.iter().rposition(|&byte| byte == b'\n').map_or(0, |at| at + 1);
            let column = String::from_utf8_lossy(&before[begin..]).chars().count() + 1;
            (Some(line), Some(column))
        });
        Self { line, column, text }
    }

    /// The line, counted from 1, where it is known.
    #[must_use]
    pub fn line(&self) -> Option<usize> {
        self.line
    }
}

impl fmt::Display for CarError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if let (Some(line), Some(column)) = (self.line, self.column) {
            write!(f, "line {line}, column {column}: ")?;
        }
        f.write_str(&self.text)
    }
}

impl std::error::Error for CarError {}

/// Splits serde's "unknown field `a`, expected one of `b`, `c`" into its names.
fn unknown_name(message: &str) -> Option<(&'static str, &str, Vec<&str>)> {
    let (what, rest) = [("key", "unknown field "), ("word", "unknown variant ")]
        .iter()
        .find_map(|(what, start)| message.strip_prefix(start).map(|rest| (*what, rest)))?;
    let mut names = rest.split('`').skip(1).step_by(2);
    let unknown = names.next()?;
    Some((what, unknown, names.collect()))
}

fn list(names: &[&str]) -> String {
    names.iter().map(|name| format!("`{name}`")).collect::<Vec<_>>().join(", ")
}

/// "there is no X `name`; did you mean `other`?", or the names that there are.
pub(crate) fn no_such<'a>(what: &str, name: &str, valid: impl IntoIterator<Item = &'a str>) -> String {
    let valid: Vec<&str> = valid.into_iter().collect();
    match nearest(name, valid.iter().copied()) {
        Some(other) => format!("there is no {what} `{name}`; did you mean `{other}`?"),
        None => format!("there is no {what} `{name}`; there are {}", list(&valid)),
    }
}

/// The candidate with the fewest letters to change, if it is close enough to be
/// what was meant: at most half of the longer word's letters.
fn nearest<'a>(word: &str, candidates: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    candidates
        .into_iter()
        .map(|candidate| (edit_distance(word, candidate), candidate))
        .filter(|(distance, candidate)| distance * 2 <= candidate.chars().count().max(word.chars().count()))
        .min_by_key(|(distance, _)| *distance)
        .map(|(_, candidate)| candidate)
}

/// Levenshtein distance, one row at a time.
fn edit_distance(a: &str, b: &str) -> usize {
    let b: Vec<char> = b.chars().collect();
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, from) in a.chars().enumerate() {
        let mut diagonal = std::mem::replace(&mut row[0], i + 1);
        for (j, &to) in b.iter().enumerate() {
            let change = diagonal + usize::from(from != to);
            diagonal = row[j + 1];
            row[j + 1] = change.min(diagonal + 1).min(row[j] + 1);
        }
    }
    row[b.len()]
}
