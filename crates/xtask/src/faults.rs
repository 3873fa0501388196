//! `cargo xtask faults`: kills the program at many moments, and looks at what it leaves behind.
//!
//! Killed is the release build of the command line, by SIGKILL, at moments that are even over the time that each
//! piece of work takes when nobody disturbs it. Afterwards the job opens, its check sets right what is to be set
//! right, every earlier file is what it was, what was recorded is the beginning of what would have been, a file
//! that was asked for is whole or not there, and nothing temporary stays.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::thread::sleep;
use std::time::{Duration, Instant};

use crate::command::{self, cargo};
use crate::workspace::target_folder;

/// How many kills make a whole matrix.
const KILLS: u32 = 200;

/// One piece of work and its share of the kills, in parts of [`KILLS`].
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Work {
    name: &'static str,
    share: u32,
    arguments: &'static [&'static str],
    /// The file that it writes beside the job.
    out: Option<&'static str>,
}

const WORKS: &[Work] = &[
    Work {
        name: "measure",
        share: 80,
        arguments: &["measure", "sweep", "--simulated", "--job", "job"],
        out: None,
    },
    Work {
        name: "import",
        share: 30,
        arguments: &["job", "import", "job", "tracks/sweep-high.wav"],
        out: None,
    },
    Work {
        name: "fit",
        share: 25,
        arguments: &["fit", "response.csv", "--out", "bands.csv"],
        out: Some("bands.csv"),
    },
    Work {
        name: "sheet",
        share: 25,
        arguments: &["sheet", "job", "--format", "html", "--out", "sheet.html"],
        out: Some("sheet.html"),
    },
    Work {
        name: "report",
        share: 25,
        arguments: &["report", "job", "--out", "report.html"],
        out: Some("report.html"),
    },
    Work { name: "demo", share: 15, arguments: &["demo", "--out", "demo"], out: None },
];

/// Kills the program so many times, 200 unless another number is given, and then a capture in real time.
///
/// # Errors
/// When anything was lost, with the kill after which it was.
pub(crate) fn run(arguments: &[String]) -> Result<(), String> {
    let kills = match arguments {
        [] => KILLS,
        [number] => number.parse().map_err(|_| format!("`{number}` is no number of kills"))?,
        _ => return Err("`faults` takes one number, of kills".to_owned()),
    };
    // As its own test is built, so that what takes minutes is built once.
    command::run(cargo().args(["test", "--release", "--package", "card", "--no-run"]))?;
    let bench = Bench::new(target_folder()?.join("release/card"), target_folder()?.join("faults"))?;
    let mut random = Random(1);
    let mut killed = 0;
    for work in WORKS {
        bench.fresh()?;
        // What it takes by itself: of short work no kill would come in time otherwise.
        let begun = Instant::now();
        bench.finish(work.arguments)?;
        let whole = begun.elapsed();
        let wanted =
            bench.out(work).map(fs::read).transpose().map_err(|error| format!("{}: {error}", work.name))?;
        let recorded = bench.recorded()?;
        let times = (work.share * kills).div_ceil(KILLS);
        let mut caught = 0;
        for turn in 0..times {
            // The checks hash all recordings, so a job is not kept for ever; a demonstration makes its own.
            if turn % 8 == 0 || work.name == "demo" {
                bench.fresh()?;
            }
            let share = (f64::from(turn) + random.next()) / f64::from(times);
            let before = bench.recorded()?;
            let after = whole.mul_f64(share);
            caught += u32::from(bench.kill(work.arguments, after)?);
            bench
                .judge(work, &before, &recorded, wanted.as_deref())
                .map_err(|what| format!("{}, killed after {after:?}: {what}", work.name))?;
        }
        killed += caught;
        println!(
            "{:8} {times:3} times, {caught:3} before its end ({:.2} s undisturbed)",
            work.name,
            whole.as_secs_f64()
        );
    }
    println!("{killed} kills, and nothing was lost.");
    command::run(cargo().args(["test", "--release", "--package", "card", "killed"]))
}

/// The program and the folder in which it is killed.
struct Bench {
    program: PathBuf,
    folder: PathBuf,
}

/// A recording by its place in the folder, and its samples' bytes.
type Recorded = Vec<(PathBuf, Vec<u8>)>;

impl Bench {
    fn new(program: PathBuf, folder: PathBuf) -> Result<Self, String> {
        let bench = Self { program, folder };
        if bench.folder.exists() {
            fs::remove_dir_all(&bench.folder).map_err(|error| bench.failed(&error))?;
        }
        fs::create_dir_all(&bench.folder).map_err(|error| bench.failed(&error))?;
        // What is imported, and what is fitted.
        bench.finish(&["tracks", "tracks", "--rate", "48000", "--bits", "16"])?;
        let curve = |n: u32| 3.0 * (f64::from(n) / 4.0).sin();
        let rows: String = (0..60)
            .map(|n| format!("{:.2},{:.3}\n", 20.0 * 1_000_f64.powf(f64::from(n) / 59.0), curve(n)))
            .collect();
        let text = format!("frequency_hz,magnitude_db\n{rows}");
        fs::write(bench.folder.join("response.csv"), text).map_err(|error| bench.failed(&error))?;
        Ok(bench)
    }

    fn failed(&self, error: &std::io::Error) -> String {
        format!("{}: {error}", self.folder.display())
    }

    /// A job of one capture, and nothing beside it.
    fn fresh(&self) -> Result<(), String> {
        for name in ["job", "demo"] {
            let path = self.folder.join(name);
            if path.exists() {
                fs::remove_dir_all(&path).map_err(|error| self.failed(&error))?;
            }
        }
        for work in WORKS {
            let Some(out) = self.out(work).filter(|out| out.exists()) else { continue };
            fs::remove_file(out).map_err(|error| self.failed(&error))?;
        }
        self.finish(&["job", "new", "job"])?;
        self.finish(&["measure", "level", "--simulated", "--job", "job"])
    }

    fn out(&self, work: &Work) -> Option<PathBuf> {
        work.out.map(|name| self.folder.join(name))
    }

    fn command(&self, arguments: &[&str]) -> Command {
        let mut command = Command::new(&self.program);
        command.args(arguments).current_dir(&self.folder).stdin(Stdio::null());
        for name in ["HOME", "XDG_CONFIG_HOME", "XDG_DATA_HOME", "XDG_CACHE_HOME", "XDG_STATE_HOME"] {
            command.env(name, &self.folder);
        }
        command
    }

    /// Runs to its end.
    fn finish(&self, arguments: &[&str]) -> Result<(), String> {
        command::output(&mut self.command(arguments)).map(drop)
    }

    /// Kills it after so long; says whether it was still at work.
    fn kill(&self, arguments: &[&str], after: Duration) -> Result<bool, String> {
        let mut command = self.command(arguments);
        command.stdout(Stdio::null()).stderr(Stdio::null());
        let mut child = command.spawn().map_err(|error| self.failed(&error))?;
        sleep(after);
        let at_work = child.try_wait().map_err(|error| self.failed(&error))?.is_none();
        // By its own process id; one that has ended is no failure.
        let _ = child.kill();
        child.wait().map_err(|error| self.failed(&error))?;
        Ok(at_work)
    }

    /// What is recorded in the job and in the demonstration.
    fn recorded(&self) -> Result<Recorded, String> {
        let mut all = Vec::new();
        for job in ["job", "demo"] {
            for place in ["captures", "discarded"] {
                let captures = self.folder.join(job).join(place);
                for entry in fs::read_dir(&captures).into_iter().flatten().flatten() {
                    let path = entry.path().join("audio.wav");
                    match fs::read(&path) {
                        // Behind the header, which says how much follows and is set right afterwards.
                        Ok(bytes) => all.push((path, bytes.get(HEADER_BYTES..).unwrap_or_default().to_vec())),
                        Err(error) if error.kind() == std::io::ErrorKind::NotFound => {}
                        Err(error) => return Err(format!("{}: {error}", path.display())),
                    }
                }
            }
        }
        all.sort();
        Ok(all)
    }

    /// Whether everything is as it must be after a kill.
    fn judge(
        &self,
        work: &Work,
        before: &Recorded,
        undisturbed: &Recorded,
        wanted: Option<&[u8]>,
    ) -> Result<(), String> {
        for job in ["job", "demo"].into_iter().filter(|job| self.folder.join(job).join("job.json").exists()) {
            for arguments in [["job", "show", job], ["job", "check", job], ["job", "check", job]] {
                self.finish(&arguments)?;
            }
            temporary(&self.folder.join(job))
                .map_or(Ok(()), |path| Err(format!("{} stayed", path.display())))?;
        }
        let after = self.recorded()?;
        if let Some((path, _)) = before.iter().find(|earlier| !after.contains(earlier)) {
            return Err(format!("{} is not what it was", path.display()));
        }
        let new: Vec<_> = after.iter().filter(|recording| !before.contains(recording)).collect();
        if let Some((path, _)) =
            new.iter().find(|(_, samples)| !undisturbed.iter().any(|(_, whole)| whole.starts_with(samples)))
        {
            return Err(format!("{} does not hold what was played", path.display()));
        }
        let Some(out) = self.out(work) else { return Ok(()) };
        if let (Ok(found), Some(wanted)) = (fs::read(&out), wanted) {
            // A report says when it was made, so only its length and its end are known.
            let whole = if work.name == "report" {
                found.ends_with(b"</html>\n") || found.ends_with(b"</html>")
            } else {
                found == wanted
            };
            if !whole {
                return Err(format!("{} is half a file", out.display()));
            }
        }
        // What the killed one left beside it goes with the next.
        self.finish(work.arguments)?;
        let left = fs::read_dir(&self.folder).map_err(|error| self.failed(&error))?.flatten();
        let left = left.map(|entry| entry.path()).find(|path| path.is_file() && is_temporary(path));
        left.map_or(Ok(()), |path| Err(format!("{} stayed", path.display())))
    }
}

/// How long the header of a recording is that this program makes.
const HEADER_BYTES: usize = 94;

fn is_temporary(path: &Path) -> bool {
    path.extension().is_some_and(|extension| extension == "partial")
}

/// The first temporary file under a folder.
fn temporary(folder: &Path) -> Option<PathBuf> {
    fs::read_dir(folder)
        .into_iter()
        .flatten()
        .flatten()
        .map(|entry| entry.path())
        .find_map(|path| if path.is_dir() { temporary(&path) } else { is_temporary(&path).then_some(path) })
}

/// Numbers from 0 to 1, the same every time.
///
/// Reference: D. E. Knuth, The Art of Computer Programming, vol. 2, 3.3.4, the multiplier of MMIX.
struct Random(u64);

impl Random {
    fn next(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 11) as f64 / (1_u64 << 53) as f64
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_shares_make_the_whole_matrix() {
        assert_eq!(WORKS.iter().map(|work| work.share).sum::<u32>(), KILLS);
    }

    #[test]
    fn what_is_temporary_is_known_by_its_ending() {
        assert!(is_temporary(Path::new("job/.job.json.17-3.partial")));
        assert!(!is_temporary(Path::new("job/job.json")));
    }
}
