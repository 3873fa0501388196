//! Reads TOML so that a mistake is named with its line and the nearest valid key.

use serde::de::DeserializeOwned;

use crate::TextError;

/// Reads a value whose type denies unknown fields. `name` is what a mistake is reported under.
///
/// # Errors
/// When the text is no such value: the line and column, the problem, what to do.
pub fn parse<T: DeserializeOwned>(text: &str, name: &str) -> Result<T, TextError> {
    toml::from_str(text).map_err(|error| {
        let (line, column) = error.span().map_or((None, None), |span| {
            let before = text.get(..span.start).unwrap_or(text);
            let line = before.matches('\n').count() + 1;
            let column = before.rsplit('\n').next().unwrap_or_default().chars().count() + 1;
            (Some(line), Some(column))
        });
        let (problem, advice) = explain(error.message());
        TextError { name: name.to_owned(), line, column, problem, advice }
    })
}

/// What a message of the TOML reader means for the person who wrote the text.
fn explain(message: &str) -> (String, String) {
    let mut words = message.split('`');
    if words.next() == Some("unknown field ") {
        let unknown = words.next().unwrap_or_default();
        let valid: Vec<&str> = words.skip(1).step_by(2).collect();
        let problem = match measure::nearest(unknown, valid.iter().copied()) {
            Some(near) => format!("there is no key `{unknown}` here; did you mean `{near}`?"),
            None => format!("there is no key `{unknown}` here"),
        };
        return (problem, format!("the keys are {}", valid.join(", ")));
    }
    (message.trim().replace('\n', ", "), "correct the line, or start from one of the presets".to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[derive(Debug, serde::Deserialize)]
    #[serde(deny_unknown_fields)]
    struct Example {
        #[expect(dead_code, reason = "only the reading is under test")]
        gain_db: f64,
    }

    #[test]
    fn an_unknown_key_is_named_with_its_line_and_its_nearest_neighbour() {
        let error = parse::<Example>("gain_db = 1.0\ngain_bd = 2.0\n", "x.toml").unwrap_err();
        assert_eq!(error.line, Some(2));
        let shown = error.to_string();
        assert!(shown.contains("`gain_bd`") && shown.contains("did you mean `gain_db`?"), "{shown}");
    }

    #[test]
    fn a_wrong_type_and_broken_syntax_have_a_line() {
        for text in ["gain_db = \"loud\"", "\ngain_db = = 1", "gain_db"] {
            let error = parse::<Example>(text, "x.toml").unwrap_err();
            assert!(error.line.is_some(), "{error}");
        }
    }
}
