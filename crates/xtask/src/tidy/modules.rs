//! No circle of imports between the modules of one crate: what is below can be read, tested
//! and moved without what stands on it.

use std::collections::{BTreeMap, BTreeSet};

use super::sources::Source;

/// How often a name may be given on: a guard against two that give each other on.
const DEEPEST: usize = 8;

/// One module: its names from the crate's root down.
type Path = Vec<String>;

/// A crate's modules that have a file of their own.
#[derive(Debug, Default)]
struct Modules {
    files: BTreeMap<Path, String>,
    /// What each module uses, as whole paths.
    uses: BTreeMap<Path, Vec<Path>>,
    /// The names that each module has from elsewhere, with what they stand for as it is
    /// written there.
    names: BTreeMap<Path, Vec<(String, Path)>>,
}

/// Every circle in a crate.
pub(super) fn check(sources: &[Source]) -> Vec<String> {
    let mut crates: BTreeMap<&str, Modules> = BTreeMap::new();
    for source in sources {
        let Some((name, file)) =
            source.path.strip_prefix("crates/").and_then(|path| path.split_once("/src/"))
        else {
            continue;
        };
        if source.is_rust() && !is_test(file) {
            crates.entry(name).or_default().add(file, source.without_tests());
        }
    }
    let mut breaches = Vec::new();
    for (name, modules) in &crates {
        breaches.extend(modules.circles().iter().map(|circle| tell(name, circle)));
    }
    breaches
}

fn tell(name: &str, circle: &BTreeSet<&str>) -> String {
    let files: Vec<&str> = circle.iter().copied().collect();
    format!(
        "crates/{name}/src: {} import each other in a circle; move what they share below them",
        files.join(", ")
    )
}

fn is_test(file: &str) -> bool {
    let name = file.rsplit('/').next().unwrap_or(file).trim_end_matches(".rs");
    file.split('/').any(|folder| folder == "tests" || folder == "bin")
        || name == "tests"
        || name.ends_with("_tests")
}

/// The module of a file below `src`.
fn module_of(file: &str) -> Path {
    let names = file.trim_end_matches(".rs").split('/');
    names.filter(|name| !["lib", "main", "mod"].contains(name)).map(str::to_owned).collect()
}

impl Modules {
    fn add(&mut self, file: &str, text: &str) {
        let module = module_of(file);
        let code = without_comments(text);
        let mut uses = Vec::new();
        for (path, name) in imports(&code) {
            uses.push(absolute(&module, &path));
            self.names.entry(module.clone()).or_default().push((name, path));
        }
        uses.extend(mentions(&code).iter().map(|path| absolute(&module, path)));
        self.uses.insert(module.clone(), uses);
        self.files.insert(module, file.to_owned());
    }

    /// The module that a path leads to, through the names that modules have from elsewhere;
    /// nothing where it leads out of the crate.
    fn lead(&self, path: &[String], depth: usize) -> Option<Path> {
        let mut module = Path::new();
        for (at, name) in path.iter().enumerate() {
            let mut child = module.clone();
            child.push(name.clone());
            if self.files.contains_key(&child) {
                module = child;
                continue;
            }
            let known = self.names.get(&module).into_iter().flatten().find(|(known, _)| known == name);
            let Some((_, target)) = known.filter(|_| depth < DEEPEST) else { return Some(module) };
            let first = target.first()?;
            let is_child = || {
                let mut child = module.clone();
                child.push(first.clone());
                self.files.contains_key(&child)
            };
            if !["crate", "super", "self"].contains(&first.as_str()) && !is_child() {
                return None;
            }
            let mut target = absolute(&module, target);
            target.extend(path[at + 1..].iter().cloned());
            return self.lead(&target, depth + 1);
        }
        Some(module)
    }

    /// Groups of files each of which leads to every other.
    fn circles(&self) -> Vec<BTreeSet<&str>> {
        let arrows: BTreeMap<&Path, BTreeSet<Path>> = self
            .uses
            .iter()
            .map(|(from, paths)| {
                let to = paths.iter().filter_map(|path| self.lead(path, 0));
                (from, to.filter(|to| to != from && self.files.contains_key(to)).collect())
            })
            .collect();
        let reach = |from: &Path| -> BTreeSet<Path> {
            let mut seen = BTreeSet::new();
            let mut open = vec![from.clone()];
            while let Some(module) = open.pop() {
                for to in arrows.get(&module).into_iter().flatten() {
                    if seen.insert(to.clone()) {
                        open.push(to.clone());
                    }
                }
            }
            seen
        };
        let reached: BTreeMap<&Path, BTreeSet<Path>> =
            self.files.keys().map(|from| (from, reach(from))).collect();
        let mut circles: BTreeSet<BTreeSet<&str>> = BTreeSet::new();
        for (from, to) in reached.iter().filter(|(from, to)| to.contains(**from)) {
            let back =
                to.iter().filter(|module| reached.get(*module).is_some_and(|back| back.contains(*from)));
            circles.insert(back.filter_map(|module| self.files.get(module)).map(String::as_str).collect());
        }
        circles.into_iter().collect()
    }
}

/// A path as the root sees it. What begins with no `crate`, `super` or `self` may begin with a
/// child of the module; what is none leads nowhere and so to no file.
fn absolute(module: &[String], path: &[String]) -> Path {
    let mut whole = match path.first().map(String::as_str) {
        Some("crate") => Path::new(),
        _ => module.to_vec(),
    };
    for name in path {
        match name.as_str() {
            "crate" | "self" => {}
            "super" => _ = whole.pop(),
            name => whole.push(name.to_owned()),
        }
    }
    whole
}

/// The code with blanks in place of comments and of what stands in quotation marks.
fn without_comments(text: &str) -> String {
    let mut code = String::with_capacity(text.len());
    for line in text.lines() {
        let mut quoted = false;
        let mut last = ' ';
        let mut chars = line.chars().peekable();
        while let Some(c) = chars.next() {
            match c {
                '/' if !quoted && chars.peek() == Some(&'/') => break,
                '"' if last != '\\' && last != '\'' => quoted = !quoted,
                _ if !quoted => code.push(c),
                _ => {}
            }
            last = if last == '\\' && c == '\\' { ' ' } else { c };
        }
        code.push('\n');
    }
    code
}

/// Each name that `use` brings in: its path, and what it is called here.
fn imports(code: &str) -> Vec<(Path, String)> {
    let mut found = Vec::new();
    for statement in code.split(';') {
        // What stands before the last brace or attribute belongs to something else.
        let statement = statement.trim();
        let Some(at) = statement.rfind("use ").filter(|at| {
            let before = &statement[..*at];
            before.is_empty() || before.ends_with(char::is_whitespace)
        }) else {
            // A tree in braces holds no further `use`; it begins the statement.
            continue;
        };
        let tree: String = statement[at + 4..].split_whitespace().collect::<Vec<_>>().join(" ");
        branches(&tree, &[], &mut |path, name| found.push((path, name)));
    }
    found
}

fn branches(tree: &str, before: &[String], say: &mut dyn FnMut(Path, String)) {
    let tree = tree.trim();
    let Some(open) = tree.find('{') else {
        let (path, name) =
            tree.split_once(" as ").unwrap_or((tree, tree.rsplit("::").next().unwrap_or(tree)));
        let mut whole = before.to_vec();
        whole.extend(path.split("::").map(|part| part.trim().to_owned()).filter(|part| part != "*"));
        if !tree.is_empty() {
            say(whole, name.trim().to_owned());
        }
        return;
    };
    let mut whole = before.to_vec();
    whole.extend(tree[..open].split("::").map(|part| part.trim().to_owned()).filter(|part| !part.is_empty()));
    let inside = tree[open + 1..].strip_suffix('}').unwrap_or(&tree[open + 1..]);
    let (mut depth, mut from) = (0, 0);
    for (at, c) in inside.char_indices() {
        match c {
            '{' => depth += 1,
            '}' => depth -= 1,
            ',' if depth == 0 => {
                branches(&inside[from..at], &whole, say);
                from = at + 1;
            }
            _ => {}
        }
    }
    branches(&inside[from..], &whole, say);
}

/// Paths of two names or more that stand in the code itself.
fn mentions(code: &str) -> Vec<Path> {
    let is_name = |c: char| c.is_alphanumeric() || c == '_';
    let mut found = Vec::new();
    let pieces = code.split(|c: char| !is_name(c) && c != ':');
    for piece in pieces.filter(|piece| piece.contains("::")) {
        let path: Path = piece.split("::").filter(|part| !part.is_empty()).map(str::to_owned).collect();
        if path.len() > 1 && !piece.starts_with(':') {
            found.push(path);
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    fn circles(files: &[(&str, &str)]) -> Vec<Vec<String>> {
        let mut modules = Modules::default();
        for (file, text) in files {
            modules.add(file, text);
        }
        let circles = modules.circles();
        circles.into_iter().map(|circle| circle.into_iter().map(str::to_owned).collect()).collect()
    }

    #[test]
    fn two_that_import_each_other_are_a_circle() {
        let found = circles(&[
            ("lib.rs", "mod a;\nmod b;\npub use a::One;\n"),
            ("a.rs", "use std::fmt;\nuse crate::b::{self, Two};\n"),
            ("b.rs", "fn f() -> crate::One { todo() }\n"),
        ]);
        assert_eq!(found, [["a.rs", "b.rs"]]);
    }

    #[test]
    fn names_given_on_lead_to_where_they_come_from() {
        let found = circles(&[
            ("lib.rs", "mod a;\nmod error;\npub use a::One;\npub use error::{Error, Result};\n"),
            ("a.rs", "use crate::{Error, Result};\n"),
            ("error.rs", "// as crate::a says\nconst TEXT: &str = \"crate::a::One\";\n"),
        ]);
        assert!(found.is_empty(), "{found:?}");
    }

    #[test]
    fn a_child_that_needs_its_parent_closes_a_circle_with_it() {
        let parent = "mod child;\nuse child::Part;\npub struct Whole(Part);\n";
        let found = circles(&[
            ("lib.rs", "mod a;\npub use a::Whole;"),
            ("a/mod.rs", parent),
            ("a/child.rs", "use super::Whole;\n"),
        ]);
        assert_eq!(found, [["a/child.rs", "a/mod.rs"]]);
        let found = circles(&[
            ("lib.rs", "mod a;\npub use a::Whole;"),
            ("a.rs", parent),
            ("a/child.rs", "use super::sister::Other;\n"),
            ("a/sister.rs", ""),
        ]);
        assert!(found.is_empty(), "{found:?}");
    }

    #[test]
    fn a_circle_is_told_with_its_crate_and_its_files() {
        let source = |path: &str, text: &str| Source { path: path.to_owned(), text: text.to_owned() };
        let sources = [
            source("crates/x/src/lib.rs", "mod a;\nmod b;\n"),
            source("crates/x/src/a.rs", "use crate::b::Two;\n"),
            source("crates/x/src/b.rs", "use crate::a::One;\n"),
            source("crates/y/src/lib.rs", "mod a;\n"),
            source("crates/y/src/a.rs", "use x::One;\n"),
        ];
        let told = check(&sources);
        assert!(
            told.len() == 1 && told[0].starts_with("crates/x/src: a.rs, b.rs import each other"),
            "{told:?}"
        );
    }
}
