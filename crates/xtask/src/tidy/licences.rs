//! Whether every dependency may be given away together with this program.

use crate::workspace::{Package, Workspace};

/// Licences that ask for nothing but to be named, or, in the case of MPL-2.0,
/// for their own files to stay open.
pub(crate) const ALLOWED: &[&str] = &[
    "0BSD",
    "Apache-2.0",
    "Apache-2.0 WITH LLVM-exception",
    "BSD-2-Clause",
    "BSD-3-Clause",
    "BSL-1.0",
    "CC0-1.0",
    "CDLA-Permissive-2.0",
    "ISC",
    "MIT",
    "MIT-0",
    "MPL-2.0",
    "NCSA",
    "OFL-1.1",
    "Unicode-3.0",
    "Unicode-DFS-2016",
    "Unlicense",
    "Zlib",
];

/// Packages whose manifest names no licence, each with what was read in its
/// source instead.
const READ_BY_HAND: &[(&str, &str)] = &[];

/// Every package that may not be given away under the listed licences.
pub(super) fn check(workspace: &Workspace) -> Vec<String> {
    workspace.packages.iter().filter_map(breach).collect()
}

fn breach(package: &Package) -> Option<String> {
    if READ_BY_HAND.iter().any(|(name, _)| *name == package.name) {
        return None;
    }
    let place = format!("Cargo.lock: {} {}", package.name, package.version);
    let Some(expression) = &package.licence else {
        return Some(format!("{place} names no licence; read its source, or do without it"));
    };
    match permits(expression) {
        Ok(true) => None,
        Ok(false) => Some(format!(
            "{place} is under `{expression}`, which is not among the allowed licences \
             (crates/xtask/src/tidy/licences.rs)"
        )),
        Err(error) => Some(format!("{place}: the licence `{expression}` is not understood: {error}")),
    }
}

/// Whether an SPDX expression can be met with allowed licences alone. The old
/// way of writing a choice, with a slash, counts as OR.
fn permits(expression: &str) -> Result<bool, String> {
    let spaced = expression.replace('(', " ( ").replace(')', " ) ").replace('/', " OR ");
    let words: Vec<&str> = spaced.split_whitespace().collect();
    let mut reader = Reader { words: &words, at: 0 };
    let verdict = reader.any()?;
    match reader.peek() {
        None => Ok(verdict),
        Some(word) => Err(format!("`{word}` is one word too many")),
    }
}

/// Reads an expression from left to right; AND binds stronger than OR.
struct Reader<'a> {
    words: &'a [&'a str],
    at: usize,
}

impl Reader<'_> {
    fn peek(&self) -> Option<&str> {
        self.words.get(self.at).copied()
    }

    fn follows(&mut self, word: &str) -> bool {
        let found = self.peek() == Some(word);
        self.at += usize::from(found);
        found
    }

    fn any(&mut self) -> Result<bool, String> {
        let mut verdict = self.all()?;
        while self.follows("OR") {
            verdict |= self.all()?;
        }
        Ok(verdict)
    }

    fn all(&mut self) -> Result<bool, String> {
        let mut verdict = self.one()?;
        while self.follows("AND") {
            verdict &= self.one()?;
        }
        Ok(verdict)
    }

    fn one(&mut self) -> Result<bool, String> {
        if self.follows("(") {
            let verdict = self.any()?;
            return if self.follows(")") { Ok(verdict) } else { Err("a bracket is not closed".to_owned()) };
        }
        let mut licence = self.peek().ok_or("it ends too early")?.to_owned();
        if ["OR", "AND", "WITH", ")"].contains(&licence.as_str()) {
            return Err(format!("`{licence}` stands where a licence should"));
        }
        self.at += 1;
        if self.follows("WITH") {
            licence = format!("{licence} WITH {}", self.peek().ok_or("it ends after WITH")?);
            self.at += 1;
        }
        Ok(ALLOWED.contains(&licence.as_str()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_choice_needs_one_allowed_licence_and_a_sum_needs_all() {
        for good in [
            "MIT",
            "MIT OR Apache-2.0",
            "GPL-3.0-only OR MIT",
            "MIT/Apache-2.0",
            "(MIT OR Apache-2.0) AND Unicode-3.0",
            "Apache-2.0 WITH LLVM-exception OR Apache-2.0 OR MIT",
            "GPL-2.0-only OR MIT AND ISC",
        ] {
            assert_eq!(permits(good), Ok(true), "{good}");
        }
        for bad in [
            "GPL-3.0-only",
            "MIT AND GPL-3.0-only",
            "(MIT OR ISC) AND LGPL-2.1",
            "GPL-2.0 WITH LLVM-exception",
        ] {
            assert_eq!(permits(bad), Ok(false), "{bad}");
        }
    }

    #[test]
    fn what_is_not_an_expression_is_not_waved_through() {
        for broken in ["", "MIT OR", "(MIT", "MIT ISC", "AND MIT", "MIT WITH", ")"] {
            assert!(permits(broken).is_err(), "{broken}");
        }
    }

    #[test]
    fn a_package_without_a_licence_is_a_breach() {
        let package = Package {
            name: "stray".to_owned(),
            version: "1.0.0".to_owned(),
            ours: false,
            folder: "/elsewhere".to_owned(),
            licence: None,
            dependencies: vec![],
        };
        assert!(breach(&package).unwrap().contains("names no licence"));
        let copyleft = Package { licence: Some("AGPL-3.0".to_owned()), ..package };
        assert!(breach(&copyleft).unwrap().contains("not among the allowed licences"));
    }
}
