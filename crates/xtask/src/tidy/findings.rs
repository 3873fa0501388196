//! Whether `docs/findings.md` lists exactly the codes that the code can give.

use std::collections::{BTreeMap, BTreeSet};

use super::documents::{names, table_under};
use super::sources::Source;

const PAGE: &str = "docs/findings.md";

/// How a finding comes into being: the code is the first argument.
const MAKERS: &[&str] = &["Finding::note(", "Finding::caution(", "Finding::stop("];

/// Methods by which a crate makes findings in one stroke with something else:
/// the code is the first text among the arguments.
const METHODS: &[&str] = &[".note(", ".caution(", ".stop(", ".repaired(", ".finding("];

/// Every code that is given and not listed, or listed and never given.
pub(super) fn check(page: &str, sources: &[Source]) -> Vec<String> {
    let Some(rows) = table_under(page, "## The codes") else {
        return vec![format!("{PAGE}: there is no table under `## The codes`")];
    };
    let mut breaches = Vec::new();
    let mut given: BTreeMap<&str, &str> = BTreeMap::new();
    for source in sources.iter().filter(|source| is_product_code(source)) {
        for (line, code) in codes(source.without_tests()) {
            match code {
                Some(code) if is_well_formed(code) => {
                    given.entry(code).or_insert(&source.path);
                }
                Some(code) => breaches.push(format!(
                    "{}:{line}: the code `{code}` is not of lower-case words joined by hyphens",
                    source.path
                )),
                None => {}
            }
        }
    }
    let listed: Vec<&str> =
        rows.iter().filter_map(|row| names(row.first().copied()?).first().copied()).collect();
    let listed_once: BTreeSet<&str> = listed.iter().copied().collect();
    if listed.len() != listed_once.len() {
        breaches.push(format!("{PAGE}: lists a code twice"));
    }
    for (code, path) in &given {
        if !listed_once.contains(code) {
            breaches.push(format!("{PAGE}: does not list the code `{code}` (given in {path})"));
        }
    }
    for code in listed_once {
        let mentioned = || {
            sources.iter().any(|source| {
                is_product_code(source) && source.without_tests().contains(&format!("\"{code}\""))
            })
        };
        if !given.contains_key(code) && !mentioned() {
            breaches.push(format!("{PAGE}: lists the code `{code}`, which nothing gives"));
        }
    }
    breaches
}

fn is_product_code(source: &Source) -> bool {
    source.is_rust()
        && source.path.starts_with("crates/")
        && source.path.contains("/src/")
        && !source.path.ends_with("tests.rs")
        && !source.path.starts_with("crates/xtask/")
}

/// The code of every call that makes a finding, with its line; nothing where the
/// code is passed on from elsewhere.
fn codes(text: &str) -> Vec<(usize, Option<&str>)> {
    let calls = |name: &'static str| {
        text.match_indices(name)
            .map(|(at, _)| (text[..at].matches('\n').count() + 1, &text[at + name.len()..]))
    };
    let made = MAKERS.iter().flat_map(|name| calls(name)).map(|(line, arguments)| {
        let code = arguments.trim_start().strip_prefix('"').and_then(|rest| rest.split('"').next());
        (line, code)
    });
    let passed = METHODS.iter().flat_map(|name| calls(name)).map(|(line, arguments)| {
        let statement = arguments.split(';').next().unwrap_or_default();
        let code = statement.split('"').nth(1).filter(|text| is_well_formed(text) && text.contains('-'));
        (line, code)
    });
    made.chain(passed).collect()
}

fn is_well_formed(code: &str) -> bool {
    code.split('-').all(|word| {
        !word.is_empty() && word.chars().all(|letter| letter.is_ascii_lowercase() || letter.is_ascii_digit())
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn source(text: &str) -> Source {
        Source { path: "crates/a/src/lib.rs".to_owned(), text: text.to_owned() }
    }

    const LISTED: &str =
        "## The codes\n\n| code | level | means |\n| --- | --- | --- |\n| `low-snr` | caution | |\n";

    #[test]
    fn codes_are_read_over_line_breaks_and_not_from_tests() {
        let text = "a(Finding::note(\"one\", \"\"));\nFinding::stop(\n    \"two\",\n x);\nother::note(\"no\");\n\
                    Finding::caution(CODE, x)\n";
        assert_eq!(codes(text), [(1, Some("one")), (6, None), (2, Some("two"))]);
        let methods = "check.caution(path, \"cut-short\", text);\nx.note(code, \"A text.\");\n";
        assert_eq!(codes(methods), [(2, None), (1, Some("cut-short"))]);
        let tested = source("#[cfg(test)]\nmod tests {\n Finding::note(\"only-here\", \"\"); }");
        assert_eq!(codes(tested.without_tests()), []);
    }

    #[test]
    fn what_is_listed_and_given_passes() {
        assert_eq!(check(LISTED, &[source("Finding::caution(\"low-snr\", t)")]), [""; 0]);
        assert_eq!(check(LISTED, &[source("const CODE: &str = \"low-snr\";")]), [""; 0]);
    }

    #[test]
    fn what_is_only_listed_or_only_given_is_a_breach() {
        let breaches = check(LISTED, &[source("")]);
        assert!(breaches.len() == 1 && breaches[0].contains("which nothing gives"), "{breaches:?}");
        let both = source("Finding::caution(\"low-snr\", t); Finding::stop(\"no-signal\", t)");
        let breaches = check(LISTED, &[both]);
        assert!(breaches.len() == 1 && breaches[0].contains("`no-signal`"), "{breaches:?}");
        let crooked = source("Finding::caution(\"low-snr\", t); Finding::stop(\"No Signal\", t)");
        let breaches = check(LISTED, &[crooked]);
        assert!(breaches.len() == 1 && breaches[0].contains("lower-case"), "{breaches:?}");
        assert_eq!(check("nothing", &[]).len(), 1);
    }
}
