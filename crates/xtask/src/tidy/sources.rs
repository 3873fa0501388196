//! What every source file must look like.

use std::fs;
use std::path::Path;

/// No file is longer.
const CEILING: usize = 1_000;

/// Files that may be longer, each with its reason.
const LONGER: &[(&str, &str)] = &[];

/// One text file of the workspace.
#[derive(Debug, Clone)]
pub(super) struct Source {
    /// Its path below the root, with forward slashes.
    pub(super) path: String,
    pub(super) text: String,
}

impl Source {
    pub(super) fn is_rust(&self) -> bool {
        self.path.ends_with(".rs")
    }

    /// The file up to its own tests, which come last.
    pub(super) fn without_tests(&self) -> &str {
        self.text.split("#[cfg(test)]\nmod tests {").next().unwrap_or_default()
    }
}

/// Folders that hold what was built or fetched.
const NOT_OURS: &[&str] = &["target", ".venv", ".git", "__pycache__", "node_modules"];

/// The kinds of text that people write here.
const KINDS: &[&str] = &["rs", "toml", "md", "py", "sh", "txt", "json", "yml", "yaml", "csv", "html", "css"];

/// Reads every text file of the workspace.
///
/// # Errors
/// When a folder or file cannot be read.
pub(super) fn read(root: &Path) -> Result<Vec<Source>, String> {
    let mut sources = Vec::new();
    read_folder(root, "", &mut sources)?;
    sources.sort_by(|a, b| a.path.cmp(&b.path));
    Ok(sources)
}

fn read_folder(folder: &Path, prefix: &str, sources: &mut Vec<Source>) -> Result<(), String> {
    let describe = |error: std::io::Error| format!("{}: {error}", folder.display());
    for entry in fs::read_dir(folder).map_err(describe)? {
        let entry = entry.map_err(describe)?;
        let name = entry.file_name().to_string_lossy().into_owned();
        let kind = entry.file_type().map_err(describe)?;
        if kind.is_dir() && !NOT_OURS.contains(&name.as_str()) {
            read_folder(&entry.path(), &format!("{prefix}{name}/"), sources)?;
        } else if kind.is_file() {
            let extension = name.rsplit_once('.').map_or("", |(_, extension)| extension);
            if KINDS.contains(&extension) || prefix == ".ci/" {
                let text = fs::read_to_string(entry.path())
                    .map_err(|error| format!("{}: {error}", entry.path().display()))?;
                sources.push(Source { path: format!("{prefix}{name}"), text });
            }
        }
    }
    Ok(())
}

/// Every breach in the sources themselves.
pub(super) fn check(sources: &[Source]) -> Vec<String> {
    let mut breaches: Vec<String> = sources.iter().flat_map(check_one).collect();
    for (path, _) in LONGER {
        if !sources.iter().any(|source| source.path == *path && source.text.lines().count() > CEILING) {
            breaches.push(format!("{path}: listed as longer than {CEILING} lines, and it is not"));
        }
    }
    breaches
}

fn check_one(source: &Source) -> Vec<String> {
    let Source { path, text } = source;
    let mut breaches = Vec::new();
    if source.is_rust() {
        if !text.starts_with("//! ") {
            breaches.push(format!("{path}:1: begins without a `//!` line that says the file's duty"));
        }
        let lines = text.lines().count();
        if lines > CEILING && !LONGER.iter().any(|(longer, _)| longer == path) {
            breaches.push(format!("{path}: has {lines} lines; the ceiling is {CEILING}"));
        }
    }
    // What is fuzzed is no member of the workspace, so it has no lints to take.
    if is_crate_manifest(path)
        && path != "tests/fuzz/Cargo.toml"
        && !text.contains("[lints]\nworkspace = true")
    {
        breaches.push(format!("{path}: does not take the workspace's lints (`[lints] workspace = true`)"));
    }
    if path.starts_with("crates/xtask/src/tidy/") {
        // The words that are looked for stand in these files.
        return breaches;
    }
    for (number, line) in text.lines().enumerate() {
        for (word, why) in forbidden() {
            if line.contains(&word) {
                breaches.push(format!("{path}:{}: holds `{word}`: {why}", number + 1));
            }
        }
        if source.is_rust() && line.trim_start().starts_with("#[ignore") {
            breaches.push(format!(
                "{path}:{}: a test that is ignored proves nothing; assert today's value with a FIXME instead",
                number + 1
            ));
        }
    }
    breaches
}

fn is_crate_manifest(path: &str) -> bool {
    path != "Cargo.toml" && path.ends_with("/Cargo.toml")
}

/// What must not stand in any file, and why.
fn forbidden() -> Vec<(String, &'static str)> {
    let folder = "a folder of one person's machine has no place in the project";
    vec![
        ("/home/".to_owned(), folder),
        ("/root/".to_owned(), folder),
        ("/Users/".to_owned(), folder),
        ("/work/".to_owned(), folder),
        ("C:\\Users".to_owned(), folder),
        ("<<<<<<< ".to_owned(), "a merge was left unfinished"),
        (">>>>>>> ".to_owned(), "a merge was left unfinished"),
    ]
}

#[cfg(test)]
mod tests {
    use super::*;

    fn source(path: &str, text: &str) -> Source {
        Source { path: path.to_owned(), text: text.to_owned() }
    }

    #[test]
    fn a_file_without_its_duty_is_a_breach() {
        assert_eq!(check_one(&source("crates/a/src/lib.rs", "//! Duty.\n")), [""; 0]);
        for text in ["", "//!\n", "// Duty.\n", "\n//! Duty.\n", "use std::fs;\n"] {
            let breaches = check_one(&source("crates/a/src/lib.rs", text));
            assert_eq!(breaches.len(), 1, "{text:?}: {breaches:?}");
        }
    }

    #[test]
    fn a_file_over_the_ceiling_is_a_breach() {
        let at_ceiling = format!("//! Duty.\n{}", "// line\n".repeat(CEILING - 1));
        assert_eq!(check_one(&source("crates/a/src/lib.rs", &at_ceiling)), [""; 0]);
        let breaches = check_one(&source("crates/a/src/lib.rs", &format!("{at_ceiling}// one more\n")));
        assert!(breaches.len() == 1 && breaches[0].contains("1001 lines"), "{breaches:?}");
    }

    #[test]
    fn folders_of_one_machine_and_unfinished_merges_are_breaches() {
        for line in ["see /home/someone/notes", "C:\\Users\\someone", "<<<<<<< ours"] {
            let breaches = check_one(&source("docs/page.md", &format!("fine\n{line}\n")));
            assert!(
                breaches.len() == 1 && breaches[0].starts_with("docs/page.md:2:"),
                "{line}: {breaches:?}"
            );
        }
        assert_eq!(check_one(&source("docs/page.md", "the homework/rooted text\n")), [""; 0]);
    }

    #[test]
    fn an_ignored_test_is_a_breach() {
        let breaches = check_one(&source("crates/a/src/lib.rs", "//! Duty.\n    #[ignore = \"slow\"]\n"));
        assert!(breaches.len() == 1 && breaches[0].starts_with("crates/a/src/lib.rs:2:"), "{breaches:?}");
    }

    #[test]
    fn a_crate_outside_the_lints_is_a_breach() {
        let breaches = check_one(&source("crates/a/Cargo.toml", "[package]\nname = \"a\"\n"));
        assert_eq!(breaches.len(), 1, "{breaches:?}");
        assert_eq!(check_one(&source("Cargo.toml", "[workspace]\n")), [""; 0]);
    }

    #[test]
    fn the_tests_of_a_file_are_left_out_where_only_the_code_counts() {
        let text = "//! Duty.\nfn a() {}\n#[cfg(test)]\nmod tests {}\n";
        assert_eq!(source("a.rs", text).without_tests(), "//! Duty.\nfn a() {}\n");
        let elsewhere = "//! Duty.\n#[cfg(test)]\nmod tests;\nfn a() {}\n";
        assert_eq!(source("a.rs", elsewhere).without_tests(), elsewhere);
    }
}
