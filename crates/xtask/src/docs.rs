//! `cargo xtask docs`: the pages as a book with a search, the page of commands made from the
//! program, and every link checked.

use std::collections::BTreeSet;
use std::fmt::Write as _;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use crate::command::{self, cargo, on_path, output, program, root};
use crate::workspace::target_folder;

/// The page with which the book begins.
const FIRST: &str = "README.md";

/// The page that is made from the program.
const COMMANDS: &str = "commands.md";

/// The parts of the book, each with its pages and their titles.
const PARTS: [(&str, &[(&str, &str)]); 3] = [
    (
        "Tuning a car",
        &[
            ("docs/guide.md", "A job from start to handover"),
            ("docs/recordings.md", "Working from recordings"),
            ("docs/source.md", "Source and gain"),
            ("docs/tuning.md", "Tuning"),
        ],
    ),
    (
        "To look things up",
        &[
            (COMMANDS, "Commands"),
            ("docs/findings.md", "Findings"),
            ("docs/formats.md", "Files"),
            ("docs/measurements.md", "Measurements of your own"),
            ("docs/systems.md", "Systems and packages"),
            ("CHANGELOG.md", "Changes"),
        ],
    ),
    (
        "For those who change Headrest",
        &[
            ("DEVELOPERS.md", "Finding one's way"),
            ("docs/architecture.md", "Architecture"),
            ("docs/drawing.md", "Drawing"),
            ("docs/faults.md", "Faults"),
            ("docs/performance.md", "Performance"),
            ("docs/conformance.md", "Conformance"),
            ("docs/dependencies.md", "Dependencies"),
        ],
    ),
];

/// The version of mdBook that is installed where there is none.
const MDBOOK: &str = "0.5.4";

/// How the book looks; all words that are searched for must stand on a page that is found.
const BOOK: &str = "\
[book]
title = \"Headrest\"
language = \"en\"

[output.html]
no-section-label = true

[output.html.search]
use-boolean-and = true
boost-title = 3
";

/// Checks the links, or makes the book as well. With `--program FILE` the page of commands is that of a program that was
/// built already.
///
/// # Errors
/// When a link leads nowhere, or the program or mdBook fails.
pub(crate) fn run(arguments: &[String]) -> Result<(), String> {
    let broken = broken_links(&root())?;
    if !broken.is_empty() {
        return Err(format!("these links lead nowhere:\n{}", broken.join("\n")));
    }
    println!("every link of the pages leads somewhere");
    match arguments.iter().map(String::as_str).collect::<Vec<_>>()[..] {
        ["links"] => Ok(()),
        [] => book(None),
        ["--program", file] => book(Some(Path::new(file))),
        _ => Err("`docs` takes nothing, `links` to check the links alone, or `--program FILE`".to_owned()),
    }
}

fn book(built: Option<&Path>) -> Result<(), String> {
    let folder = target_folder()?.join("book");
    let source = folder.join("src");
    if source.exists() {
        fs::remove_dir_all(&source).map_err(|error| format!("{}: {error}", source.display()))?;
    }
    fs::create_dir_all(source.join("docs/images")).map_err(|error| error.to_string())?;
    for page in pages() {
        let text = if page == COMMANDS { commands(built)? } else { read(&root().join(page))? };
        write(&source.join(page), &text)?;
    }
    write(&source.join("SUMMARY.md"), &summary())?;
    write(&folder.join("book.toml"), BOOK)?;
    let pictures = root().join("docs/images");
    for entry in fs::read_dir(&pictures).map_err(|error| error.to_string())?.flatten() {
        let to = source.join("docs/images").join(entry.file_name());
        fs::copy(entry.path(), to).map_err(|error| error.to_string())?;
    }
    command::run(mdbook()?.arg("build").arg(&folder))?;
    let made = folder.join("book");
    let broken = broken_in_book(&made)?;
    if !broken.is_empty() {
        return Err(format!("these links of the book lead nowhere:\n{}", broken.join("\n")));
    }
    println!("the book is in {}", made.join("index.html").display());
    Ok(())
}

/// All pages, in the order of the book.
fn pages() -> impl Iterator<Item = &'static str> {
    let parts = PARTS.iter().flat_map(|(_, pages)| pages.iter().map(|(page, _)| *page));
    std::iter::once(FIRST).chain(parts)
}

/// The table of contents, as mdBook reads it.
fn summary() -> String {
    let mut summary = format!("# Summary\n\n[Headrest]({FIRST})\n");
    for (part, pages) in PARTS {
        let _ = write!(summary, "\n# {part}\n\n");
        for (page, title) in pages {
            let _ = writeln!(summary, "- [{title}]({page})");
        }
    }
    summary
}

/// mdBook as it is on the path, or else one that is installed beside what is built.
fn mdbook() -> Result<Command, String> {
    if on_path("mdbook") {
        return Ok(program("mdbook"));
    }
    let tools = target_folder()?.join("tools");
    let own = tools.join("bin").join(format!("mdbook{}", std::env::consts::EXE_SUFFIX));
    if !own.is_file() {
        println!(
            "mdBook, which makes a book of the pages, is missing; it is built now, which takes some minutes."
        );
        // Without its server, which needs most of its libraries.
        let parts = ["--no-default-features", "--features", "search"];
        let mut install = cargo();
        install.args(["install", "--locked", "--quiet", "--version", MDBOOK, "mdbook"]).args(parts);
        command::run(install.arg("--root").arg(&tools))?;
    }
    Ok(program(own))
}

/// What the pages of the made book lead to, and load, that is not there; the search's index must be.
fn broken_in_book(made: &Path) -> Result<Vec<String>, String> {
    let mut broken = Vec::new();
    let mut has_index = false;
    let mut waiting = vec![made.to_path_buf()];
    let mut files = Vec::new();
    while let Some(folder) = waiting.pop() {
        for entry in
            fs::read_dir(&folder).map_err(|error| format!("{}: {error}", folder.display()))?.flatten()
        {
            let name = entry.file_name().to_string_lossy().into_owned();
            has_index |= name.starts_with("searchindex") && name.ends_with(".js");
            if entry.path().is_dir() {
                waiting.push(entry.path());
            } else if name.ends_with(".html") {
                files.push(entry.path());
            }
        }
    }
    files.sort();
    for file in files {
        let text = read(&file)?;
        let shown = file.strip_prefix(made).unwrap_or(&file).display().to_string();
        let folder = file.parent().unwrap_or(made);
        for link in attributes(&text, &["href", "src"]) {
            if link.contains("://") || link.starts_with("mailto:") || link.starts_with("data:") {
                continue;
            }
            let (path, anchor) = link.split_once('#').unwrap_or((link, ""));
            // From the page for what is not found, paths begin at the book.
            let target = match path.strip_prefix('/') {
                _ if path.is_empty() => file.clone(),
                Some(rest) => made.join(rest),
                None => folder.join(path),
            };
            let there = target.exists()
                && (anchor.is_empty()
                    || read(&target).is_ok_and(|text| attributes(&text, &["id"]).any(|id| id == anchor)));
            if !there {
                broken.push(format!("{shown}: {link}"));
            }
        }
    }
    if !has_index {
        broken.push("the index of the search".to_owned());
    }
    Ok(broken)
}

/// The values of some attributes in a page of HTML.
fn attributes<'a>(html: &'a str, names: &'a [&str]) -> impl Iterator<Item = &'a str> {
    names.iter().flat_map(move |name| {
        let begins = format!(" {name}=\"");
        let values: Vec<&str> =
            html.split(begins.as_str()).skip(1).filter_map(|rest| Some(rest.split_once('"')?.0)).collect();
        values
    })
}

/// The help of every command, as one page.
fn commands(built: Option<&Path>) -> Result<String, String> {
    let mut page =
        "# Commands\n\nThis page is made from the program: each command's own `--help`.\n".to_owned();
    let mut waiting = vec![Vec::<String>::new()];
    while let Some(words) = waiting.pop() {
        let mut asked = match built {
            Some(file) => {
                program(fs::canonicalize(file).map_err(|error| format!("{}: {error}", file.display()))?)
            }
            None => {
                let mut cargo = cargo();
                cargo.args(["run", "--quiet", "--package", "headrest", "--"]);
                cargo
            }
        };
        asked.args(&words).arg("--help");
        let help = output(&mut asked)?;
        let name =
            ["headrest"].into_iter().chain(words.iter().map(String::as_str)).collect::<Vec<_>>().join(" ");
        let _ = write!(page, "\n## {name}\n\n```text\n{}\n```\n", help.trim_end());
        for name in subcommands(&help).into_iter().rev() {
            waiting.push(words.iter().cloned().chain([name]).collect());
        }
    }
    Ok(page)
}

/// The names under `Commands:` in a help.
fn subcommands(help: &str) -> Vec<String> {
    let listed =
        help.lines().skip_while(|line| *line != "Commands:").skip(1).take_while(|line| !line.is_empty());
    let name = |line: &str| {
        let begins = line.strip_prefix("  ").filter(|rest| !rest.starts_with(' '))?;
        begins.split_whitespace().next().map(str::to_owned)
    };
    listed.filter_map(name).filter(|name| name != "help").collect()
}

/// Every link of the pages to a file or a heading that is not there.
fn broken_links(root: &Path) -> Result<Vec<String>, String> {
    let mut pages: Vec<PathBuf> =
        ["README.md", "DEVELOPERS.md", "CHANGELOG.md"].map(|page| root.join(page)).to_vec();
    for entry in fs::read_dir(root.join("docs")).map_err(|error| error.to_string())?.flatten() {
        if entry.path().extension().is_some_and(|ending| ending == "md") {
            pages.push(entry.path());
        }
    }
    pages.sort();
    let mut broken = Vec::new();
    for page in pages {
        let text = read(&page)?;
        let folder = page.parent().unwrap_or(root);
        for link in links(&text).filter(|link| !link.contains("://") && !link.starts_with("mailto:")) {
            let (file, heading) = link.split_once('#').unwrap_or((link, ""));
            let target = if file.is_empty() { page.clone() } else { folder.join(file) };
            let there = target.exists()
                && (heading.is_empty() || read(&target).is_ok_and(|text| headings(&text).contains(heading)));
            if !there {
                broken.push(format!("{}: {link}", page.strip_prefix(root).unwrap_or(&page).display()));
            }
        }
    }
    Ok(broken)
}

/// The targets of links and pictures, outside of code.
fn links(text: &str) -> impl Iterator<Item = &str> {
    let mut fenced = false;
    text.lines()
        .filter(move |line| {
            let fence = line.trim_start().starts_with("```");
            fenced ^= fence;
            !fence && !fenced
        })
        .flat_map(|line| line.split("](").skip(1).filter_map(|rest| Some(rest.split_once(')')?.0)))
}

/// The anchors of a page's headings, as they are made on the web: small letters, blanks as hyphens.
fn headings(text: &str) -> BTreeSet<String> {
    let heading = |line: &str| {
        let words = line.trim_start_matches('#').strip_prefix(' ').filter(|_| line.starts_with('#'))?;
        let kept = words.trim().to_lowercase();
        let kept = kept.chars().filter(|c| c.is_alphanumeric() || matches!(c, ' ' | '-' | '_'));
        Some(kept.collect::<String>().replace(' ', "-"))
    };
    text.lines().filter_map(heading).collect()
}

fn read(file: &Path) -> Result<String, String> {
    fs::read_to_string(file).map_err(|error| format!("{}: {error}", file.display()))
}

fn write(file: &Path, text: &str) -> Result<(), String> {
    fs::write(file, text).map_err(|error| format!("{}: {error}", file.display()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_link_of_the_pages_leads_somewhere() {
        assert_eq!(broken_links(&root()), Ok(Vec::new()));
    }

    /// A page that another one leads to is in the book as well.
    #[test]
    fn the_book_lacks_no_page_that_is_linked_to() {
        for page in pages().filter(|page| *page != COMMANDS) {
            let text = read(&root().join(page)).unwrap();
            let folder = Path::new(page).parent().unwrap();
            for link in links(&text).filter(|link| !link.contains("://")) {
                let file = link.split('#').next().unwrap_or_default();
                if file.ends_with(".md") {
                    let leads = fs::canonicalize(root().join(folder).join(file)).unwrap();
                    let held = pages().any(|held| leads == root().canonicalize().unwrap().join(held));
                    assert!(held, "{page} leads to {file}, which is not in the book");
                }
            }
        }
    }

    #[test]
    fn links_in_code_are_none_and_headings_become_anchors() {
        let text = "[a](b.md) `x`\n```\n[c](d)\n```\n![e](f.png)[g](h#i)";
        assert_eq!(links(text).collect::<Vec<_>>(), ["b.md", "f.png", "h#i"]);
        assert!(headings("# One: two\n## A-b `c`\n#no").iter().eq(["a-b-c", "one-two"]));
    }

    /// A page that is in no part of the book would not be found in it.
    #[test]
    fn every_page_of_the_folder_is_in_the_book() {
        for entry in fs::read_dir(root().join("docs")).unwrap().flatten() {
            let name = entry.file_name().to_string_lossy().into_owned();
            let page = format!("docs/{name}");
            assert!(!name.ends_with(".md") || pages().any(|held| held == page), "{page}");
        }
        assert!(summary().contains("\n# Tuning a car\n\n- [A job from start to handover](docs/guide.md)\n"));
    }

    #[test]
    fn what_a_made_book_lacks_is_named() {
        let folder = std::env::temp_dir().join(format!("headrest-book-{}", std::process::id()));
        fs::create_dir_all(folder.join("docs")).unwrap();
        let page = "<a href=\"docs/a.html#one\">a</a> <a href=\"docs/a.html#two\">b</a> <img src=\"gone.png\"/>\
                    <a href=\"https://example.org/x\">c</a><a href=\"#gone\">d</a>";
        write(&folder.join("index.html"), page).unwrap();
        write(&folder.join("docs/a.html"), "<h2 id=\"one\">1</h2><a href=\"/index.html\">up</a>").unwrap();
        let broken = broken_in_book(&folder);
        write(&folder.join("searchindex-1.js"), "").unwrap();
        let with_index = broken_in_book(&folder);
        fs::remove_dir_all(&folder).unwrap();
        let mut lacking =
            ["docs/a.html#two", "#gone", "gone.png"].map(|link| format!("index.html: {link}")).to_vec();
        assert_eq!(with_index, Ok(lacking.clone()));
        lacking.push("the index of the search".to_owned());
        assert_eq!(broken, Ok(lacking));
    }

    #[test]
    fn commands_are_read_from_a_help() {
        let help = "Words\n\nCommands:\n  list   Say\n         more\n  help   Print\n\nOptions:\n  -h  x\n";
        assert_eq!(subcommands(help), ["list"]);
    }
}
