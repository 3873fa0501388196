//! The page and the examples on it.

use std::collections::BTreeMap;

const PAGE: &str = include_str!("../../../docs/formats.md");

/// The examples by name: a code block is one when a name follows its language.
fn examples() -> BTreeMap<&'static str, String> {
    let mut examples = BTreeMap::new();
    let mut lines = PAGE.lines();
    while let Some(line) = lines.next() {
        let Some(head) = line.strip_prefix("```") else { continue };
        let text: String =
            lines.by_ref().take_while(|line| *line != "```").flat_map(|line| [line, "\n"]).collect();
        if let Some((_, name)) = head.split_once(' ') {
            assert!(examples.insert(name, text).is_none(), "two examples are called `{name}`");
        }
    }
    examples
}

/// The example of this name.
pub(crate) fn example(name: &str) -> String {
    examples().remove(name).unwrap_or_else(|| panic!("docs/formats.md has no example `{name}`"))
}

/// The names of the examples that the tests beside this one read.
const READ: [&str; 13] = [
    "bands.csv",
    "captures/0001/capture.json",
    "captures/0001/reading.json",
    "car.toml",
    "job.json",
    "microphone.txt",
    "processor.toml",
    "response.csv",
    "response.txt",
    "rig.toml",
    "sheet.json",
    "target.toml",
    "tracks.json",
];

#[test]
fn no_example_stands_on_the_page_unread() {
    assert_eq!(examples().into_keys().collect::<Vec<_>>(), READ);
}
