//! What is wrong with a text that a person gave, and what to do about it.

use std::fmt;

/// A text (response, calibration, target, profile, band list) that cannot be
/// used: where, what was found there, and what to do.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TextError {
    /// The name under which the text was given, usually a file name.
    pub name: String,
    /// The line, counted from 1, when one line is at fault.
    pub line: Option<usize>,
    /// The column of a table or the character of a line, counted from 1.
    pub column: Option<usize>,
    /// What was found and what was expected instead.
    pub problem: String,
    /// What to do.
    pub advice: String,
}

impl TextError {
    /// The text as a whole is at fault.
    pub(crate) fn whole(name: &str, problem: impl Into<String>, advice: impl Into<String>) -> Self {
        Self {
            name: name.to_owned(),
            line: None,
            column: None,
            problem: problem.into(),
            advice: advice.into(),
        }
    }

    /// One line is at fault, and perhaps one column of it.
    pub(crate) fn at(
        name: &str,
        line: usize,
        column: Option<usize>,
        problem: impl Into<String>,
        advice: impl Into<String>,
    ) -> Self {
        Self {
            name: name.to_owned(),
            line: Some(line),
            column,
            problem: problem.into(),
            advice: advice.into(),
        }
    }
}

impl fmt::Display for TextError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.name)?;
        if let Some(line) = self.line {
            write!(f, ", line {line}")?;
        }
        if let Some(column) = self.column {
            write!(f, ", column {column}")?;
        }
        write!(f, ": {}; {}", self.problem, self.advice)
    }
}

impl std::error::Error for TextError {}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_message_names_the_place_the_problem_and_the_remedy() {
        let error = TextError::at("left.csv", 7, Some(2), "`abc` is not a number", "write -3.2");
        assert_eq!(error.to_string(), "left.csv, line 7, column 2: `abc` is not a number; write -3.2");
        let error = TextError::whole("left.csv", "the file is empty", "export it again");
        assert_eq!(error.to_string(), "left.csv: the file is empty; export it again");
    }
}
