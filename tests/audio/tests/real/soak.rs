//! Listening for long: what it costs must not grow.

use std::fs;
use std::path::Path;
use std::process::Stdio;
use std::thread::sleep;
use std::time::{Duration, Instant};

use crate::server::Server;

/// Names how long is listened, in minutes. `cargo xtask soak` sets it.
const MINUTES: &str = "HEADREST_SOAK_MINUTES";

/// So long what was heard is gathered before the oldest of it is let go.
const COMES_UP: Duration = Duration::from_secs(180);

/// What a process has at one moment.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
struct Cost {
    resident_kb: u64,
    descriptors: u64,
    threads: u64,
}

impl Cost {
    fn of(process: u32) -> Self {
        let status = fs::read_to_string(format!("/proc/{process}/status")).unwrap_or_default();
        let number = |key: &str| {
            let line = status.lines().find(|line| line.starts_with(key));
            line.and_then(|line| line.split_whitespace().nth(1)?.parse().ok()).unwrap_or(0)
        };
        let descriptors =
            fs::read_dir(format!("/proc/{process}/fd")).map_or(0, |entries| entries.count() as u64);
        Self { resident_kb: number("VmRSS:"), descriptors, threads: number("Threads:") }
    }

    fn greatest(self, other: Self) -> Self {
        Self {
            resident_kb: self.resident_kb.max(other.resident_kb),
            descriptors: self.descriptors.max(other.descriptors),
            threads: self.threads.max(other.threads),
        }
    }
}

/// A track is played over and over, and each time becomes a capture. Once it was heard and measured, nothing may
/// grow any more: not the memory, not the open files, not the threads.
#[test]
fn soak() {
    let minutes: f64 = std::env::var(MINUTES).ok().and_then(|text| text.parse().ok()).unwrap_or(0.6);
    let server = Server::start(false);
    let folder = tempfile::tempdir().unwrap();
    let at = |name: &str| folder.path().join(name);
    let headrest = || {
        let mut command = server.command(env!("CARGO_BIN_EXE_audio"));
        command.arg("headrest").current_dir(folder.path());
        command
    };
    assert!(headrest().args(["tracks", "tracks"]).output().unwrap().status.success());
    // Both channels of the server's: a single one is not theirs, and without remixing it hears nothing.
    let rig = "name = \"Server\"\nsample_rate_hz = 48000\n\n[[output]]\nchannel = 1\nname = \"left\"\n\n\
               [[input]]\nchannel = 1\nname = \"microphone\"\nrole = \"microphone\"\n\n\
               [[input]]\nchannel = 2\nname = \"tap\"\nrole = \"electrical\"\n";
    fs::write(at("rig.toml"), rig).unwrap();
    let seconds = (60.0 * minutes).ceil().to_string();
    let mut listening = headrest()
        .args([
            "listen", "--rig", "rig.toml", "--job", "job", "--tracks", "100000", "--for", &seconds, "--json",
        ])
        .stdout(fs::File::create(at("answer")).unwrap())
        .stderr(fs::File::create(at("errors")).unwrap())
        .spawn()
        .unwrap();
    let begun = Instant::now();
    let played = at("tracks").join("sweep-high.wav");
    let mut player = None::<std::process::Child>;
    // Until two captures are measured, and the memory of the longest track is full, everything may come up: a short
    // run shows that tracks are measured, a long one that nothing grows.
    let (mut warm, mut later) = (Cost::default(), Cost::default());
    let status = loop {
        if let Some(status) = listening.try_wait().unwrap() {
            break status;
        }
        assert!(begun.elapsed() < Duration::from_secs_f64(60.0 * minutes + 60.0), "it does not end");
        if player.as_mut().is_none_or(|player| player.try_wait().unwrap().is_some()) {
            player = Some(server.command("paplay").arg(&played).stdout(Stdio::null()).spawn().unwrap());
        }
        let cost = Cost::of(listening.id());
        if measured(&at("job")) < 2 || begun.elapsed() < COMES_UP {
            warm = warm.greatest(cost);
        } else {
            later = later.greatest(cost);
        }
        sleep(Duration::from_millis(200));
    };
    if let Some(mut player) = player {
        // By its own process id; one that has ended is no failure.
        let _ = player.kill();
        player.wait().unwrap();
    }
    let (answer, errors) =
        (fs::read_to_string(at("answer")).unwrap(), fs::read_to_string(at("errors")).unwrap());
    assert!(status.success(), "{answer}\n{errors}");
    let lost = ["ring-overflow", "samples-lost", "output-underrun"].map(|code| answer.matches(code).count());
    #[expect(clippy::print_stdout, reason = "the figures are what a long run is for")]
    {
        println!(
            "{minutes} minutes, {} captures; until two were measured {warm:?}, afterwards at most {later:?}; \
             overflows {}, losses of the device {}, underruns {}",
            measured(&at("job")),
            lost[0],
            lost[1],
            lost[2]
        );
    }
    assert!(measured(&at("job")) > 0, "{answer}\n{errors}");
    if later != Cost::default() {
        // What one more capture notes is some kilobytes; ten mebibytes are no leak of audio over half an hour.
        assert!(later.resident_kb < warm.resident_kb + 10 * 1024, "{warm:?} became {later:?}");
        assert!(later.descriptors <= warm.descriptors + 2, "{warm:?} became {later:?}");
        assert!(later.threads <= warm.threads + 1, "{warm:?} became {later:?}");
    }
}

/// How many captures of a job have a reading.
fn measured(job: &Path) -> usize {
    let captures = fs::read_dir(job.join("captures")).into_iter().flatten().flatten();
    captures.filter(|capture| capture.path().join("reading.json").is_file()).count()
}
