//! One card in a folder of its own, with the rig that uses it.

use std::fmt::Write as _;
use std::fs;
use std::fs::File;
use std::os::unix::fs::FileExt;
use std::path::PathBuf;
use std::process::{Child, Command, Output, Stdio};
use std::thread::sleep;
use std::time::{Duration, Instant};

use serde_json::Value;

/// A card, what it can do, and the wire between its output and its input.
pub(crate) struct Card {
    folder: tempfile::TempDir,
}

/// What the card is told while it runs; the place of the number in the wire.
#[derive(Clone, Copy)]
pub(crate) enum Order {
    Unplugged = 0,
    Overruns = 4,
    Suspends = 8,
}

/// How a card differs from one of two inputs and outputs, 32 bits at 48 kHz.
pub(crate) struct Kind {
    /// Lines of the card's own configuration.
    pub(crate) settings: &'static str,
    pub(crate) rate_hz: u32,
    /// The input that is measured, from 1.
    pub(crate) input: u16,
    pub(crate) buffer_frames: u32,
}

impl Default for Kind {
    fn default() -> Self {
        Self { settings: "", rate_hz: 48_000, input: 1, buffer_frames: 8_192 }
    }
}

impl Card {
    pub(crate) fn new(kind: &Kind) -> Self {
        let folder = tempfile::tempdir().expect("a folder for the card");
        let wire = folder.path().join("wire");
        let hint = "hint { show on description \"Test card\" }";
        let settings = format!("type testcard wire \"{}\" {}", wire.display(), kind.settings);
        let mut alsa =
            format!("</usr/share/alsa/alsa.conf>\npcm_type.testcard {{ lib \"{}\" }}\n", env!("TEST_CARD"));
        // Writing to a string cannot fail.
        let _ = writeln!(alsa, "pcm.testcard {{ {settings} {hint} }}");
        let rig = format!(
            "name = \"Card\"\nsample_rate_hz = {}\nbuffer_frames = {}\n\
             input_device = \"alsa:testcard\"\noutput_device = \"alsa:testcard\"\n\n\
             [[output]]\nchannel = 1\nname = \"left\"\n\n[[output]]\nchannel = 2\nname = \"right\"\n\n\
             [[input]]\nchannel = {}\nname = \"microphone\"\nrole = \"microphone\"\n",
            kind.rate_hz, kind.buffer_frames, kind.input
        );
        for (name, text) in [("asound.conf", alsa), ("rig.toml", rig)] {
            fs::write(folder.path().join(name), text).expect("the card's files are written");
        }
        Self { folder }
    }

    pub(crate) fn at(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// The program, in the card's surroundings.
    pub(crate) fn headrest<'a>(&self, arguments: impl IntoIterator<Item = &'a str>) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_card"));
        command
            .args(arguments)
            .current_dir(self.folder.path())
            .env("ALSA_CONFIG_PATH", self.at("asound.conf"))
            .env("HOME", self.folder.path())
            .env("XDG_DATA_HOME", self.at("data"))
            .env("XDG_RUNTIME_DIR", self.folder.path())
            .env_remove("DISPLAY")
            .env_remove("PULSE_SERVER")
            .env_remove("DBUS_SESSION_BUS_ADDRESS");
        command
    }

    pub(crate) fn run<'a>(&self, arguments: impl IntoIterator<Item = &'a str>) -> Answer {
        Answer::of(&self.headrest(arguments).output().expect("the program was built with the test"))
    }

    /// Starts a measurement into the job `job` and does something when so many seconds are recorded.
    pub(crate) fn measure_and(
        &self,
        id: &str,
        capture: u32,
        seconds: f64,
        interfere: impl FnOnce(&Self),
    ) -> Answer {
        let arguments = ["measure", id, "--rig", "rig.toml", "--job", "job", "--json"];
        let mut child = self
            .headrest(arguments)
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .expect("the program was built with the test");
        self.wait_for(&mut child, capture, seconds);
        interfere(self);
        Answer::of(&child.wait_with_output().expect("the program ends"))
    }

    /// Kills a measurement so long after so many seconds were on disk. Gives how much was lost: what had been
    /// recorded by then, as far as the disk had shown it before, less what the job has afterwards.
    pub(crate) fn lost_by_a_kill(&self, seconds: f64, then: Duration) -> f64 {
        let mut child = self
            .headrest(["measure", "sweep", "--rig", "rig.toml", "--job", "job"])
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("the program was built with the test");
        self.wait_for(&mut child, 1, seconds);
        let (seen, bytes) = (Instant::now(), self.audio_bytes(1));
        sleep(then);
        // By its own process id.
        child.kill().expect("the program is ours");
        let elapsed_s = seen.elapsed().as_secs_f64();
        child.wait().expect("the program ends");
        let check = self.run(["job", "check", "job"]);
        assert_eq!(check.status, Some(0), "{}", check.errors);
        let audio = self.audio(1);
        let frame_bytes = (4 * audio.channels.len()) as f64;
        bytes as f64 / frame_bytes / 48_000.0 + elapsed_s - audio.duration_s()
    }

    fn audio_bytes(&self, capture: u32) -> u64 {
        fs::metadata(self.at(&format!("job/captures/{capture:04}/audio.wav"))).map_or(0, |file| file.len())
    }

    /// Waits until a capture's recording is so long.
    fn wait_for(&self, child: &mut Child, capture: u32, seconds: f64) {
        let begun = Instant::now();
        while self.audio_bytes(capture) < (seconds * 48_000.0 * 4.0) as u64 {
            let ended = child.try_wait().expect("the program is ours");
            assert!(ended.is_none(), "the capture ended by itself: {ended:?}");
            assert!(begun.elapsed() < Duration::from_secs(60), "the capture does not begin");
            sleep(Duration::from_millis(20));
        }
    }

    /// Tells the card something.
    pub(crate) fn order(&self, order: Order, number: u32) {
        let wire = File::options().write(true).open(self.at("wire")).expect("the card is in use");
        wire.write_all_at(&number.to_le_bytes(), order as u64).expect("the card takes orders");
    }

    /// A capture's recording.
    pub(crate) fn audio(&self, capture: u32) -> recording::Audio {
        recording::read(self.at(&format!("job/captures/{capture:04}/audio.wav")))
            .expect("the capture is on disk")
    }

    /// What the job says of a capture.
    pub(crate) fn meta(&self, capture: u32) -> Value {
        let text = fs::read_to_string(self.at(&format!("job/captures/{capture:04}/capture.json")));
        serde_json::from_str(&text.expect("the capture is described")).expect("it is JSON")
    }
}

/// What the program answered.
pub(crate) struct Answer {
    pub(crate) status: Option<i32>,
    pub(crate) reading: Value,
    pub(crate) errors: String,
}

impl Answer {
    fn of(output: &Output) -> Self {
        Self {
            status: output.status.code(),
            reading: serde_json::from_slice(&output.stdout).unwrap_or(Value::Null),
            errors: String::from_utf8_lossy(&output.stderr).into_owned(),
        }
    }

    /// The codes of the findings, in their order.
    pub(crate) fn codes(&self) -> Vec<&str> {
        let findings = self.reading["findings"].as_array().map(Vec::as_slice).unwrap_or_default();
        findings.iter().filter_map(|finding| finding["code"].as_str()).collect()
    }

    /// A column of a curve.
    pub(crate) fn curve(&self, curve: &str, column: &str) -> Vec<f64> {
        let values = self.reading["curves"][curve][column].as_array();
        let values = values.unwrap_or_else(|| panic!("no {curve}: {} {}", self.reading, self.errors));
        values.iter().filter_map(Value::as_f64).collect()
    }

    /// Whether the machine was too busy to play and record without a gap.
    pub(crate) fn was_interrupted(&self) -> bool {
        let of_the_machine = ["gap", "output-underrun", "ring-overflow", "blocks-dropped"];
        self.codes().iter().any(|code| of_the_machine.contains(code))
    }
}
