//! `cargo xtask docs`: the pages as a book with a search, the page of commands made from the
//! program, and every link checked.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

use crate::command::{self, cargo, on_path, output, program, root};
use crate::workspace::target_folder;

/// The pages in the order of the book; `commands.md` is made from the program.
const PAGES: [(&str, &str); 18] = [
    ("README.md", "Headrest"),
    ("docs/guide.md", "A job from start to handover"),
    ("docs/recordings.md", "Working from recordings"),
    ("docs/source.md", "Source and gain"),
    ("docs/tuning.md", "Tuning"),
    ("commands.md", "Commands"),
    ("docs/formats.md", "Files"),
    ("docs/findings.md", "Findings"),
    ("docs/measurements.md", "Measurements of your own"),
    ("docs/systems.md", "Systems"),
    ("DEVELOPERS.md", "For those who change Headrest"),
    ("docs/architecture.md", "Architecture"),
    ("docs/drawing.md", "Drawing"),
    ("docs/faults.md", "Faults"),
    ("docs/performance.md", "Performance"),
    ("docs/conformance.md", "Conformance"),
    ("docs/dependencies.md", "Dependencies"),
    ("CHANGELOG.md", "Changes"),
];

/// Checks the links, and makes the book where mdBook is there.
///
/// # Errors
/// When a link leads nowhere, or the program or mdBook fails.
pub(crate) fn run(arguments: &[String]) -> Result<(), String> {
    let links_alone = match arguments.iter().map(String::as_str).collect::<Vec<_>>()[..] {
        [] => false,
        ["links"] => true,
        _ => return Err("`docs` takes nothing, or `links` to check the links alone".to_owned()),
    };
    let broken = broken_links(&root())?;
    if !broken.is_empty() {
        return Err(format!("these links lead nowhere:\n{}", broken.join("\n")));
    }
    println!("every link of the pages leads somewhere");
    if links_alone {
        return Ok(());
    }
    let book = target_folder()?.join("book");
    let source = book.join("src");
    fs::create_dir_all(source.join("docs")).map_err(|error| error.to_string())?;
    let mut summary = "# Summary\n\n".to_owned();
    for (page, title) in PAGES {
        let text = if page == "commands.md" { commands()? } else { read(&root().join(page))? };
        write(&source.join(page), &text)?;
        summary.push_str(&format!("- [{title}]({page})\n"));
    }
    write(&source.join("SUMMARY.md"), &summary)?;
    write(&book.join("book.toml"), "[book]\ntitle = \"Headrest\"\nlanguage = \"en\"\n")?;
    let pictures = root().join("docs/images");
    fs::create_dir_all(source.join("docs/images")).map_err(|error| error.to_string())?;
    for entry in fs::read_dir(&pictures).map_err(|error| error.to_string())?.flatten() {
        let to = source.join("docs/images").join(entry.file_name());
        fs::copy(entry.path(), to).map_err(|error| error.to_string())?;
    }
    if !on_path("mdbook") {
        println!(
            "the pages are in {}; `cargo install mdbook` gets what makes a book of them",
            source.display()
        );
        return Ok(());
    }
    command::run(program("mdbook").arg("build").arg(&book))?;
    let made = book.join("book");
    // Newer versions of mdBook put a hash into the name.
    let is_index = |name: &str| name.starts_with("searchindex") && name.ends_with(".js");
    let mut files = fs::read_dir(&made).map_err(|error| error.to_string())?.flatten();
    if !files.any(|file| is_index(&file.file_name().to_string_lossy())) {
        return Err(format!("{}: the book has no search index", made.display()));
    }
    println!("the book is in {}", made.display());
    Ok(())
}

/// The help of every command, as one page.
fn commands() -> Result<String, String> {
    let mut page =
        "# Commands\n\nThis page is made from the program: each command's own `--help`.\n".to_owned();
    let mut waiting = vec![Vec::<String>::new()];
    while let Some(words) = waiting.pop() {
        let mut asked = cargo();
        asked.args(["run", "--quiet", "--package", "headrest", "--"]).args(&words).arg("--help");
        let help = output(&mut asked)?;
        page.push_str(&format!("\n## headrest {}\n\n```text\n{}\n```\n", words.join(" "), help.trim_end()));
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
        for (page, _) in PAGES.iter().filter(|(page, _)| *page != "commands.md") {
            let text = read(&root().join(page)).unwrap();
            let folder = Path::new(page).parent().unwrap();
            for link in links(&text).filter(|link| !link.contains("://")) {
                let file = link.split('#').next().unwrap_or_default();
                if file.ends_with(".md") {
                    let leads = fs::canonicalize(root().join(folder).join(file)).unwrap();
                    let held =
                        PAGES.iter().any(|(held, _)| leads == root().canonicalize().unwrap().join(held));
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

    #[test]
    fn commands_are_read_from_a_help() {
        let help = "Words\n\nCommands:\n  list   Say\n         more\n  help   Print\n\nOptions:\n  -h  x\n";
        assert_eq!(subcommands(help), ["list"]);
    }
}
