//! What a shell and a manual reader know of the program: completions and man pages.

use std::io::Write as _;
use std::path::Path;

use clap::{Command, CommandFactory};
use clap_complete::Shell;
use library::Error;
use library::files::{Written, write_bytes};

use crate::examples::with_examples;
use crate::flags::Flags;

/// The whole command line.
pub(crate) fn command() -> Command {
    with_examples(Flags::command())
}

/// Prints what makes a shell complete commands and options.
///
/// # Errors
/// When standard output cannot be written.
pub(crate) fn completions(shell: Shell) -> std::io::Result<()> {
    let mut script = Vec::new();
    clap_complete::generate(shell, &mut command(), "headrest", &mut script);
    std::io::stdout().lock().write_all(&script)
}

/// Writes a man page for the program and each command into a folder.
///
/// # Errors
/// When the folder or a page cannot be written.
pub(crate) fn man_pages(folder: &Path) -> Result<Written, Error> {
    std::fs::create_dir_all(folder)
        .map_err(|error| Error::input(format!("cannot make the folder {}: {error}", folder.display())))?;
    let mut pages = Vec::new();
    let mut command = command();
    command.build();
    collect(&command, "headrest", &mut pages)?;
    for (name, page) in &pages {
        write_bytes(&folder.join(format!("{name}.1")), page)?;
    }
    Ok(Written::new(folder, format!("{} man pages", pages.len())))
}

/// Prints the man page of the program itself.
///
/// # Errors
/// When standard output cannot be written.
pub(crate) fn man_page() -> Result<(), Error> {
    let page = rendered(command())?;
    std::io::stdout().lock().write_all(&page).map_err(|error| not_written(&error))
}

fn collect(command: &Command, name: &str, pages: &mut Vec<(String, Vec<u8>)>) -> Result<(), Error> {
    for one in command.get_subcommands().filter(|one| one.get_name() != "help") {
        collect(one, &format!("{name}-{}", one.get_name()), pages)?;
    }
    pages.push((name.to_owned(), rendered(command.clone())?));
    Ok(())
}

fn rendered(command: Command) -> Result<Vec<u8>, Error> {
    let mut page = Vec::new();
    clap_mangen::Man::new(command).render(&mut page).map_err(|error| not_written(&error))?;
    Ok(page)
}

fn not_written(error: &std::io::Error) -> Error {
    Error::input(format!("the man page cannot be written: {error}"))
}
