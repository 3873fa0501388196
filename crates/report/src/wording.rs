//! The words of the customer's report, which a shop may change: its name on top, its own way of
//! saying things, another language.

use std::collections::BTreeMap;

use serde::Deserialize;
use tuning::{TextError, toml_text};

/// The words that come with the program (`presets/reports/plain.toml`).
const PLAIN: &str = include_str!("../../../presets/reports/plain.toml");

/// What a shop says in its reports.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Wording {
    /// The shop's name; empty for none.
    pub name: String,
    /// Its address, telephone and the like, one line each.
    pub contact: Vec<String>,
    /// The language of the words, by BCP 47.
    pub language: String,
    words: BTreeMap<String, String>,
}

/// A file with such words.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    name: Option<String>,
    contact: Option<Vec<String>>,
    language: Option<String>,
    #[serde(default)]
    words: BTreeMap<String, String>,
}

impl Wording {
    /// The words that come with the program.
    #[must_use]
    pub fn plain() -> Self {
        toml_text::parse(PLAIN, "presets/reports/plain.toml").map_or_else(
            |_| Self {
                name: String::new(),
                contact: Vec::new(),
                language: "en".into(),
                words: BTreeMap::new(),
            },
            Self::of,
        )
    }

    fn of(file: File) -> Self {
        Self {
            name: file.name.unwrap_or_default(),
            contact: file.contact.unwrap_or_default(),
            language: file.language.unwrap_or_else(|| "en".to_owned()),
            words: file.words,
        }
    }

    /// Reads a shop's words over those that come with the program. `name` is what a mistake is
    /// reported under.
    ///
    /// # Errors
    /// When the text is no such file, or has a word or a placeholder that no report uses: the
    /// line, and what would be right.
    pub fn parse(text: &str, name: &str) -> Result<Self, TextError> {
        let file: File = toml_text::parse(text, name)?;
        let mut wording = Self::plain();
        for (key, said) in file.words {
            let line = line_of(text, &key);
            let Some(plain) = wording.words.get(&key) else {
                let near = measure::nearest(&key, wording.words.keys().map(String::as_str));
                let problem = format!("a report has no words `{key}`");
                let advice = near.map_or_else(
                    || "start from presets/reports/plain.toml, which has them all".to_owned(),
                    |near| format!("did you mean `{near}`?"),
                );
                return Err(TextError { name: name.to_owned(), line, column: None, problem, advice });
            };
            if let Some(strange) =
                placeholders(&said).find(|one| !placeholders(plain).any(|other| other == *one))
            {
                let known: Vec<String> = placeholders(plain).map(|one| format!("{{{one}}}")).collect();
                let problem = format!("nothing is filled in for {{{strange}}} in `{key}`");
                let advice = if known.is_empty() {
                    "leave the braces out".to_owned()
                } else {
                    format!("what is filled in there: {}", known.join(", "))
                };
                return Err(TextError { name: name.to_owned(), line, column: None, problem, advice });
            }
            wording.words.insert(key, said);
        }
        wording.name = file.name.unwrap_or_default();
        wording.contact = file.contact.unwrap_or_default();
        wording.language = file.language.unwrap_or(wording.language);
        Ok(wording)
    }

    /// What is said under this key.
    pub(crate) fn say(&self, key: &str) -> &str {
        self.words.get(key).map_or("", String::as_str)
    }

    /// The same with what is filled in.
    pub(crate) fn fill(&self, key: &str, values: &[(&str, &str)]) -> String {
        let mut filled = String::new();
        let mut rest = self.say(key);
        while let Some((before, after)) = rest.split_once('{') {
            filled.push_str(before);
            let Some((place, after)) = after.split_once('}') else {
                filled.push('{');
                rest = after;
                continue;
            };
            match values.iter().find(|(name, _)| *name == place) {
                Some((_, value)) => filled.push_str(value),
                None => {
                    filled.push('{');
                    filled.push_str(place);
                    filled.push('}');
                }
            }
            rest = after;
        }
        filled + rest
    }
}

/// The names between braces.
fn placeholders(text: &str) -> impl Iterator<Item = &str> {
    text.split('{').skip(1).filter_map(|part| Some(part.split_once('}')?.0))
}

/// The line on which a key is set, from 1.
fn line_of(text: &str, key: &str) -> Option<usize> {
    let sets = |line: &str| {
        let left = line.split('=').next().unwrap_or_default().trim();
        line.contains('=') && left.trim_matches(|c| c == '"' || c == '\'') == key
    };
    text.lines().position(sets).map(|index| index + 1)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_a_shop_leaves_out_stays_as_it_is() {
        let own = "name = \"Bench and Ear\"\ncontact = [\"1 Any Street\"]\n[words]\ntitle = \"Dein Klang\"\n";
        let wording = Wording::parse(own, "own.toml").unwrap();
        assert_eq!((wording.name.as_str(), wording.say("title")), ("Bench and Ear", "Dein Klang"));
        assert_eq!(wording.say("safety"), Wording::plain().say("safety"));
        assert_eq!(Wording::parse("", "own.toml").unwrap(), Wording::plain());
    }

    #[test]
    fn a_mistake_has_its_line() {
        for (text, line, said) in [
            ("\nnmae = \"x\"", 2, "did you mean `name`"),
            ("[words]\n\ntitel = \"x\"", 3, "did you mean `title`"),
            ("[words]\ngoal = \"{goal} {target}\"", 2, "nothing is filled in for {goal}"),
            ("[words]\nafter = \"{x}\"", 2, "leave the braces out"),
            ("[words]\ngoal = 3", 2, "string"),
        ] {
            let error = Wording::parse(text, "own.toml").unwrap_err();
            assert_eq!(error.line, Some(line), "{error}");
            assert!(error.to_string().contains(said), "{error}");
        }
    }

    #[test]
    fn what_is_filled_in_is_never_read_as_a_place() {
        let wording = Wording::parse("[words]\ngoal = \"a {target} b { c\"", "own.toml").unwrap();
        assert_eq!(wording.fill("goal", &[("target", "{target}")]), "a {target} b { c");
    }
}
