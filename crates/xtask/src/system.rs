//! What the system must offer, and how to get it where it does not.
//!
//! Presence is asked of the thing itself (a program on the path, a library, a
//! header known to pkg-config) and not of the package manager, so that nothing
//! is installed where another way has already brought it.

use std::env;
use std::fs;
use std::io::{self, IsTerminal};
use std::path::Path;
use std::process::Command;

use crate::command::{on_path, output, program, succeeds};
use crate::python;

/// One thing that the system must offer on Linux.
struct Need {
    /// What it is, and what it is for.
    what: &'static str,
    present: Probe,
    apt: &'static [&'static str],
    dnf: &'static [&'static str],
}

/// How its presence is found out.
enum Probe {
    Programs(&'static [&'static str]),
    PkgConfig(&'static str),
    Libraries(&'static [&'static str]),
    /// A Python that can make a virtual environment.
    PythonVenv,
}

/// To build the program: the headers of the sound system.
const BUILD: &[Need] = &[
    Need {
        what: "pkg-config, by which the build finds libraries",
        present: Probe::Programs(&["pkg-config"]),
        apt: &["pkg-config"],
        dnf: &["pkgconf-pkg-config"],
    },
    Need {
        what: "the headers of ALSA, the sound system of Linux",
        present: Probe::PkgConfig("alsa"),
        apt: &["libasound2-dev"],
        dnf: &["alsa-lib-devel"],
    },
    Need {
        what: "the headers of D-Bus, by which the sound asks for priority over other programs",
        present: Probe::PkgConfig("dbus-1"),
        apt: &["libdbus-1-dev"],
        dnf: &["dbus-devel"],
    },
];

/// To open the window on X11. Wayland needs `libxkbcommon` alone, which comes along.
const WINDOW: &[Need] = &[Need {
    what: "the libraries by which the window reaches the display",
    present: Probe::Libraries(&[
        "libX11.so.6",
        "libX11-xcb.so.1",
        "libXcursor.so.1",
        "libXi.so.6",
        "libxkbcommon-x11.so.0",
    ]),
    apt: &["libx11-6", "libx11-xcb1", "libxcursor1", "libxi6", "libxkbcommon-x11-0"],
    dnf: &["libX11", "libX11-xcb", "libXcursor", "libXi", "libxkbcommon-x11"],
}];

/// To run the tests: a sound server and a display that need no hardware, a
/// compiler for plugins in C, and Python for the comparison with numpy and scipy.
const TESTS: &[Need] = &[
    Need {
        what: "a sound server with a virtual sound card",
        present: Probe::Programs(&["pulseaudio", "pactl"]),
        apt: &["pulseaudio", "pulseaudio-utils"],
        dnf: &["pulseaudio", "pulseaudio-utils"],
    },
    Need {
        what: "the plugin by which ALSA reaches the sound server",
        present: Probe::Libraries(&["alsa-lib/libasound_module_pcm_pulse.so"]),
        apt: &["libasound2-plugins"],
        dnf: &["alsa-plugins-pulseaudio"],
    },
    Need {
        what: "a display without a screen",
        present: Probe::Programs(&["Xvfb"]),
        apt: &["xvfb"],
        dnf: &["xorg-x11-server-Xvfb"],
    },
    Need {
        what: "a hand for the mouse and the keyboard of that display",
        present: Probe::Programs(&["xdotool"]),
        apt: &["xdotool"],
        dnf: &["xdotool"],
    },
    Need {
        what: "a camera for that display",
        present: Probe::Programs(&["import", "convert"]),
        apt: &["imagemagick"],
        dnf: &["ImageMagick"],
    },
    Need {
        what: "a reader that gives back the text of a PDF",
        present: Probe::Programs(&["pdftotext", "pdftoppm"]),
        apt: &["poppler-utils"],
        dnf: &["poppler-utils"],
    },
    Need {
        what: "a C compiler and linker for WebAssembly, for plugins in C",
        present: Probe::Programs(&["clang", "wasm-ld"]),
        apt: &["clang", "lld"],
        dnf: &["clang", "lld"],
    },
    Need {
        what: "a counter of instructions",
        present: Probe::Programs(&["valgrind"]),
        apt: &["valgrind"],
        dnf: &["valgrind"],
    },
    Need {
        what: "Python with virtual environments, for the comparison with numpy and scipy",
        present: Probe::PythonVenv,
        apt: &["python3", "python3-venv"],
        dnf: &["python3"],
    },
];

/// What the system is wanted for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum For {
    /// Building and running the program.
    Running,
    /// Running the tests as well.
    Testing,
}

/// Sees to it that the system offers what is wanted, and says what it does.
///
/// # Errors
/// When something is missing and cannot be installed; the message says what to
/// do by hand.
pub(crate) fn prepare(purpose: For) -> Result<(), String> {
    match env::consts::OS {
        "linux" => prepare_linux(purpose),
        "macos" => {
            println!("macOS brings all that the program needs.");
            if purpose == For::Testing {
                println!("The tests through a sound server and a virtual display run on Linux only.");
            }
            Ok(())
        }
        "windows" => {
            println!("Windows brings all that the program needs.");
            if purpose == For::Testing {
                println!("The tests through a sound server and a virtual display run on Linux only.");
            }
            Ok(())
        }
        other => {
            println!("{other}: nothing is installed here; see DEVELOPERS.md for what the program needs.");
            Ok(())
        }
    }
}

fn needs(purpose: For) -> impl Iterator<Item = &'static Need> {
    let tests = if purpose == For::Testing { TESTS } else { &[] };
    BUILD.iter().chain(WINDOW).chain(tests)
}

fn prepare_linux(purpose: For) -> Result<(), String> {
    let missing: Vec<&Need> = needs(purpose).filter(|need| !need.present.holds()).collect();
    if missing.is_empty() {
        println!("The system has all that is needed.");
        return Ok(());
    }
    println!("The system lacks:");
    for need in &missing {
        println!("  {}", need.what);
    }
    let installer = Installer::of_this_system().ok_or_else(|| {
        let names: Vec<&str> = missing.iter().flat_map(|need| need.apt).copied().collect();
        format!(
            "this system has neither apt-get nor dnf. Please install what Debian calls {} and try again",
            names.join(" ")
        )
    })?;
    let packages: Vec<&str> = missing.iter().flat_map(|need| installer.packages(need)).copied().collect();
    println!("To be installed by {}: {}", installer.name(), packages.join(" "));
    println!("This takes a minute or two.");
    installer.install(&packages)?;
    let still: Vec<&str> =
        missing.iter().filter(|need| !need.present.holds()).map(|need| need.what).collect();
    if still.is_empty() {
        Ok(())
    } else {
        Err(format!(
            "{} did install {}, but this is still not found: {}",
            installer.name(),
            packages.join(" "),
            still.join("; ")
        ))
    }
}

impl Probe {
    fn holds(&self) -> bool {
        match self {
            Self::Programs(names) => names.iter().all(|name| on_path(name)),
            Self::PkgConfig(name) => succeeds(program("pkg-config").args(["--exists", name])),
            Self::Libraries(names) => names.iter().all(|name| library_present(name)),
            Self::PythonVenv => python::find().is_ok(),
        }
    }
}

/// Whether a shared library lies in one of the folders where Linux keeps them:
/// the plain ones, and one per architecture on Debian.
fn library_present(name: &str) -> bool {
    ["/usr/lib", "/usr/lib64", "/lib", "/lib64", "/usr/local/lib"].iter().map(Path::new).any(|folder| {
        folder.join(name).exists()
            || fs::read_dir(folder).is_ok_and(|entries| {
                entries.flatten().any(|entry| {
                    entry.file_name().to_string_lossy().contains("-linux-")
                        && entry.path().join(name).exists()
                })
            })
    })
}

#[derive(Debug, Clone, Copy)]
enum Installer {
    Apt,
    Dnf,
}

impl Installer {
    fn of_this_system() -> Option<Self> {
        if on_path("apt-get") {
            Some(Self::Apt)
        } else if on_path("dnf") {
            Some(Self::Dnf)
        } else {
            None
        }
    }

    fn name(self) -> &'static str {
        match self {
            Self::Apt => "apt-get",
            Self::Dnf => "dnf",
        }
    }

    fn packages(self, need: &Need) -> &'static [&'static str] {
        match self {
            Self::Apt => need.apt,
            Self::Dnf => need.dnf,
        }
    }

    fn install(self, packages: &[&str]) -> Result<(), String> {
        let by_hand = match self {
            Self::Apt => format!("apt-get update && apt-get install {}", packages.join(" ")),
            Self::Dnf => format!("dnf install {}", packages.join(" ")),
        };
        // The many lines of a package manager are of use only when it fails.
        let quietly = |command: &mut Command| output(command).map(drop);
        let attempt = || -> Result<(), String> {
            match self {
                Self::Apt => {
                    quietly(as_root("apt-get")?.args(["-o", "DPkg::Lock::Timeout=120", "-qq", "update"]))?;
                    quietly(
                        as_root("apt-get")?
                            .args(["-o", "DPkg::Lock::Timeout=120", "-qq", "-y", "--no-install-recommends"])
                            .arg("install")
                            .args(packages),
                    )
                }
                Self::Dnf => quietly(
                    as_root("dnf")?
                        .args(["-y", "-q", "--setopt=install_weak_deps=False", "install"])
                        .args(packages),
                ),
            }
        };
        attempt().map_err(|error| {
            format!("{error}\nPlease run this as an administrator, then try again:\n  {by_hand}")
        })
    }
}

/// A command with an administrator's rights: as it is for root, else by `sudo`,
/// which is not allowed to ask for a password where nobody could answer.
fn as_root(name: &str) -> Result<Command, String> {
    let mut command = if is_root() {
        program("env")
    } else if on_path("sudo") {
        let mut sudo = program("sudo");
        if !io::stdin().is_terminal() {
            sudo.arg("-n");
        }
        sudo.arg("env");
        sudo
    } else {
        return Err(format!("{name} needs an administrator's rights, and there is no sudo here"));
    };
    command.args(["DEBIAN_FRONTEND=noninteractive", name]);
    Ok(command)
}

fn is_root() -> bool {
    fs::read_to_string("/proc/self/status").is_ok_and(|status| effective_user_is_root(&status))
}

/// The second number of the line `Uid:` is the effective user.
fn effective_user_is_root(status: &str) -> bool {
    status
        .lines()
        .find_map(|line| line.strip_prefix("Uid:"))
        .and_then(|ids| ids.split_whitespace().nth(1))
        .is_some_and(|id| id == "0")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_not_there_is_missed() {
        assert!(!Probe::Programs(&["no-such-program-anywhere"]).holds());
        assert!(!Probe::PkgConfig("no-such-library-anywhere").holds());
        assert!(!Probe::Libraries(&["libno-such-library-anywhere.so.1"]).holds());
    }

    #[cfg(target_os = "linux")]
    #[test]
    fn what_every_linux_has_is_found() {
        assert!(Probe::Programs(&["sh", "env"]).holds());
        assert!(Probe::Libraries(&["libc.so.6"]).holds());
    }

    #[test]
    fn root_is_known_by_the_effective_user() {
        assert!(effective_user_is_root("Name:\tx\nUid:\t1000\t0\t0\t0\n"));
        assert!(!effective_user_is_root("Name:\tx\nUid:\t0\t1000\t1000\t1000\n"));
        assert!(!effective_user_is_root(""));
    }

    #[test]
    fn every_need_can_be_met_by_both_package_managers() {
        for need in needs(For::Testing) {
            assert!(!need.apt.is_empty() && !need.dnf.is_empty(), "{}", need.what);
        }
        assert!(needs(For::Running).count() < needs(For::Testing).count());
    }
}
