//! `cargo xtask dist`: what is handed out for Linux, a Debian package and an archive that runs
//! from wherever it is unpacked.

use std::env::consts::ARCH;
use std::fs;
use std::path::{Path, PathBuf};

use crate::command::{self, cargo, on_path, output, program, root};
use crate::licence_texts;
use crate::workspace::{Workspace, target_folder};

/// What the program opens when it starts, beside the C library; a distribution has each under one name or another.
const DEPENDS: &str = "libgcc-s1, libasound2t64 | libasound2, libdbus-1-3";
/// What the window needs beside.
const RECOMMENDS: &str = "libx11-6, libx11-xcb1, libxcursor1, libxi6, libxkbcommon-x11-0";
/// What shows a dialog for files; without one a path is typed.
const SUGGESTS: &str = "xdg-desktop-portal | zenity";

/// The shells with the place and name of their completions.
const SHELLS: [(&str, &str); 3] = [
    ("bash", "share/bash-completion/completions/headrest"),
    ("zsh", "share/zsh/site-functions/_headrest"),
    ("fish", "share/fish/vendor_completions.d/headrest.fish"),
];

/// Files that are packed as they are: from the workspace, to the package.
const FILES: [(&str, &str); 6] = [
    ("crates/headrest/assets/headrest.desktop", "share/applications/headrest.desktop"),
    ("crates/headrest/assets/headrest.svg", "share/icons/hicolor/scalable/apps/headrest.svg"),
    ("README.md", "share/doc/headrest/README.md"),
    ("CHANGELOG.md", "share/doc/headrest/CHANGELOG.md"),
    ("LICENSE-MIT", "share/doc/headrest/LICENSE-MIT"),
    ("LICENSE-APACHE", "share/doc/headrest/LICENSE-APACHE"),
];

/// Folders that are packed whole.
const FOLDERS: [(&str, &str); 3] = [
    ("docs", "share/doc/headrest/docs"),
    ("presets", "share/doc/headrest/presets"),
    ("calibration", "share/doc/headrest/calibration"),
];

/// Builds the packages, or with `check` tries the Debian package in a clean root. With
/// `--program FILE` it packs a program that was built already.
///
/// # Errors
/// When the program cannot be built, a tool is missing, or what is installed does not run.
pub(crate) fn run(arguments: &[String]) -> Result<(), String> {
    match arguments.iter().map(String::as_str).collect::<Vec<_>>()[..] {
        [] => packages(None),
        ["check"] => check(),
        ["--program", file] => packages(Some(Path::new(file))),
        _ => Err("`dist` takes nothing, `check`, or `--program FILE`".to_owned()),
    }
}

fn packages(built: Option<&Path>) -> Result<(), String> {
    for tool in ["tar", "gzip"] {
        if !on_path(tool) {
            return Err(format!("`{tool}` is missing; install it with the system's packages"));
        }
    }
    let built = match built {
        Some(file) => fs::canonicalize(file).map_err(|error| format!("{}: {error}", file.display()))?,
        None => {
            command::run(cargo().args(["build", "--profile", "dist", "--package", "headrest"]))?;
            target_folder()?.join("dist/headrest")
        }
    };
    let folder = folder()?;
    remove(&folder)?;
    let name = format!("headrest-{}-linux-{ARCH}", version()?);
    let tree = folder.join(&name);
    fill(&tree, &built)?;
    let time = format!("--mtime=@{}", commit_time()?);
    let archive = folder.join(format!("{name}.tar.gz"));
    let order = ["--sort=name", "--owner=0", "--group=0", "--numeric-owner", &time];
    command::run(program("tar").args(order).arg("-czf").arg(&archive).arg("-C").arg(&folder).arg(&name))?;
    println!("{}", archive.display());
    if on_path("dpkg-deb") {
        println!("{}", debian_package(&folder, &tree)?.display());
    } else {
        println!("no Debian package: `dpkg-deb` is missing");
    }
    Ok(())
}

/// Where the packages are put.
fn folder() -> Result<PathBuf, String> {
    Ok(target_folder()?.join("packages"))
}

/// The version of the workspace.
fn version() -> Result<String, String> {
    let ours = Workspace::load()?;
    let headrest = ours.ours().find(|package| package.name == "headrest");
    headrest.map(|package| package.version.clone()).ok_or_else(|| "there is no crate `headrest`".to_owned())
}

/// When the last commit was made, in seconds since 1970: the same sources give the same archive.
fn commit_time() -> Result<String, String> {
    let seconds = output(program("git").args(["log", "-1", "--format=%ct"]))?;
    Ok(seconds.trim().to_owned())
}

/// Everything under one folder, laid out as under `/usr`.
fn fill(tree: &Path, built: &Path) -> Result<(), String> {
    copy(built, &tree.join("bin/headrest"))?;
    for (from, to) in FILES {
        copy(&root().join(from), &tree.join(to))?;
    }
    for (from, to) in FOLDERS {
        copy_folder(&root().join(from), &tree.join(to))?;
    }
    for (shell, to) in SHELLS {
        let script = output(program(built).args(["completions", shell]))?;
        write(&tree.join(to), script.as_bytes())?;
    }
    let pages = tree.join("share/man/man1");
    make(&pages)?;
    output(program(built).arg("man").arg(&pages))?;
    for page in files_of(&pages)? {
        output(program("gzip").args(["-9", "--no-name"]).arg(&page))?;
    }
    write(&tree.join("share/doc/headrest/licences.txt"), licence_texts::collected()?.as_bytes())
}

fn debian_package(folder: &Path, tree: &Path) -> Result<PathBuf, String> {
    let architecture = output(program("dpkg").arg("--print-architecture"))?.trim().to_owned();
    let version = version()?;
    let staged = folder.join("deb");
    copy_folder(tree, &staged.join("usr"))?;
    let size: u64 = sizes(&staged)? / 1024;
    let built = tree.join("bin/headrest");
    let (major, minor) = newest_libc(&fs::read(&built).map_err(told(&built))?)
        .ok_or_else(|| format!("{}: it names no version of the C library", built.display()))?;
    let control = format!(
        "Package: headrest\nVersion: {version}\nArchitecture: {architecture}\nSection: sound\nPriority: optional\n\
         Maintainer: Headrest maintainers <maintainers@headrest.invalid>\nInstalled-Size: {size}\n\
         Depends: libc6 (>= {major}.{minor}), {DEPENDS}\nRecommends: {RECOMMENDS}\nSuggests: {SUGGESTS}\n\
         Description: measure and tune the sound of a car that keeps its factory radio\n \
         Finds the highest clean volume step, measures drivers and cabin, sets delays and\n \
         crossovers, suggests equalizer bands that the processor at hand can hold, and\n \
         proves with a second measurement what they did.\n"
    );
    write(&staged.join("DEBIAN/control"), control.as_bytes())?;
    let copyright =
        fs::read(tree.join("share/doc/headrest/licences.txt")).map_err(|error| error.to_string())?;
    write(&staged.join("usr/share/doc/headrest/copyright"), &copyright)?;
    let package = folder.join(format!("headrest_{version}_{architecture}.deb"));
    let mut build = program("dpkg-deb");
    build.env("SOURCE_DATE_EPOCH", commit_time()?).args(["--root-owner-group", "--build"]);
    output(build.arg(&staged).arg(&package))?;
    remove(&staged)?;
    Ok(package)
}

/// The newest version of the C library whose symbols a program names: 2 and 35 for `GLIBC_2.35`. On a system with an
/// older one it does not start.
fn newest_libc(program: &[u8]) -> Option<(u32, u32)> {
    const BEGINS: &[u8] = b"GLIBC_";
    let named = program.windows(BEGINS.len()).enumerate().filter(|(_, bytes)| *bytes == BEGINS);
    let version = |at: usize| {
        let rest = &program[at + BEGINS.len()..];
        let end = rest.iter().position(|byte| !byte.is_ascii_digit() && *byte != b'.')?;
        let (major, minor) = std::str::from_utf8(&rest[..end]).ok()?.split_once('.')?;
        Some((major.parse().ok()?, minor.split('.').next()?.parse().ok()?))
    };
    named.filter_map(|(at, _)| version(at)).max()
}

/// Installs the package into an empty root and runs what was installed.
fn check() -> Result<(), String> {
    let folder = folder()?;
    let package = files_of(&folder)
        .map_err(|_| "there is no package yet; `cargo xtask dist` makes it".to_owned())?
        .into_iter()
        .find(|file| file.extension().is_some_and(|ending| ending == "deb"))
        .ok_or("there is no Debian package yet; `cargo xtask dist` makes it")?;
    let clean = folder.join("root");
    remove(&clean)?;
    for part in ["var/lib/dpkg/info", "var/lib/dpkg/updates", "var/lib/dpkg/triggers"] {
        make(&clean.join(part))?;
    }
    write(&clean.join("var/lib/dpkg/status"), b"")?;
    // The libraries that it depends on are those of this system: the empty root has none.
    let mut install = program("dpkg");
    install.arg(format!("--root={}", clean.display())).args(["--force-depends", "--force-not-root"]);
    output(install.arg("--install").arg(&package))?;
    let installed = clean.join("usr/bin/headrest");
    let said = output(program(&installed).arg("--version"))?;
    if said.trim() != format!("headrest {}", version()?) {
        return Err(format!("the installed program says `{}` of its version", said.trim()));
    }
    let work = clean.join("work");
    make(&work)?;
    output(program(&installed).arg("tracks").arg(work.join("STICK")))?;
    let mut measure = program(&installed);
    let reading = measure.args(["measure", "level", "--simulated", "--json"]).env("HOME", &work);
    let reading = output(reading.current_dir(&work))?;
    if !reading.contains("\"rms_dbfs\"") {
        return Err("the installed program measured no level".to_owned());
    }
    for (_, file) in SHELLS.iter().chain(&FILES) {
        if !clean.join("usr").join(file).is_file() {
            return Err(format!("the package lacks {file}"));
        }
    }
    output(program("bash").arg("-n").arg(clean.join("usr").join(SHELLS[0].1)))?;
    if !clean.join("usr/share/man/man1/headrest.1.gz").is_file() {
        return Err("the package lacks the man page".to_owned());
    }
    let entry = clean.join("usr").join(FILES[0].1);
    if on_path("desktop-file-validate") {
        output(program("desktop-file-validate").arg(&entry))?;
    }
    println!("{} is installed in a clean root and runs there", package.display());
    remove(&clean)
}

fn remove(folder: &Path) -> Result<(), String> {
    if folder.exists() { fs::remove_dir_all(folder).map_err(told(folder)) } else { Ok(()) }
}

fn make(folder: &Path) -> Result<(), String> {
    fs::create_dir_all(folder).map_err(told(folder))
}

fn write(file: &Path, bytes: &[u8]) -> Result<(), String> {
    file.parent().map_or(Ok(()), make)?;
    fs::write(file, bytes).map_err(told(file))
}

fn copy(from: &Path, to: &Path) -> Result<(), String> {
    to.parent().map_or(Ok(()), make)?;
    fs::copy(from, to).map(|_| ()).map_err(told(from))
}

fn copy_folder(from: &Path, to: &Path) -> Result<(), String> {
    for entry in fs::read_dir(from).map_err(told(from))? {
        let path = entry.map_err(told(from))?.path();
        let to = to.join(path.file_name().unwrap_or_default());
        if path.is_dir() { copy_folder(&path, &to)? } else { copy(&path, &to)? }
    }
    Ok(())
}

/// The files of a folder, by name.
fn files_of(folder: &Path) -> Result<Vec<PathBuf>, String> {
    let mut files = Vec::new();
    for entry in fs::read_dir(folder).map_err(told(folder))? {
        let path = entry.map_err(told(folder))?.path();
        if path.is_file() {
            files.push(path);
        }
    }
    files.sort();
    Ok(files)
}

/// The bytes of all files of a folder and below.
fn sizes(folder: &Path) -> Result<u64, String> {
    let mut sum = 0;
    for entry in fs::read_dir(folder).map_err(told(folder))? {
        let entry = entry.map_err(told(folder))?;
        let kind = entry.metadata().map_err(told(folder))?;
        sum += if kind.is_dir() { sizes(&entry.path())? } else { kind.len() };
    }
    Ok(sum)
}

fn told(path: &Path) -> impl Fn(std::io::Error) -> String {
    let path = path.display().to_string();
    move |error| format!("{path}: {error}")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_newest_version_that_is_named_counts() {
        let program = b"\0GLIBC_2.2.5\0GLIBC_2.35\0GLIBC_2.9\0GLIBC_PRIVATE\0GLIBC_";
        assert_eq!(newest_libc(program), Some((2, 35)));
        assert_eq!(newest_libc(b"\0GLIBC_PRIVATE\0"), None);
    }
}
