//! Rig files as people write them: each kind of mistake is refused in words that say what was expected, and a calibration
//! that is written into a file changes nothing else of it.

use std::path::{Path, PathBuf};

use engine::InputCalibration;
use proptest::prelude::*;
use rig::{OpenRig, RigChoice, read_spec, write_calibration};
use testkit::near;

/// A file with something of everything, as a person would write it.
const GOOD: &str = r#"# The grey interface; its third input hums.
name = "Van in the yard"
sample_rate_hz = 48000
buffer_frames = 512
output_ceiling_dbfs = -6.0
output_device = "box"
cue_device = "laptop"

[[output]]
channel = 1
name = "left"

[[output]]
channel = 2
name = "right"

# The one on the long cable.
[[input]]
channel = 1
name = "mic"
role = "microphone"
mic_cal = "mic.txt"
dbfs_at_94 = -31.5

[[input]]
channel = 2
name = "front leads"
role = "electrical"
volts_per_fs = 12.5     # measured by hand
attenuator_db = 20.0
calibrated_on = "2026-03-14"

[[input]]
channel = 3
name = "loopback"
role = "loopback"
"#;

struct Folder(tempfile::TempDir);

impl Folder {
    fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("mic.txt"), "20 1.0\n1000 0.0\n20000 -3.0\n").unwrap();
        Self(folder)
    }

    fn file(&self, text: &str) -> PathBuf {
        let file = self.0.path().join("rig.toml");
        std::fs::write(&file, text).unwrap();
        file
    }

    /// What is said of a rig file that cannot be used.
    fn refused(&self, text: &str) -> String {
        let opened = OpenRig::open(RigChoice::File(self.file(text)));
        opened.expect_err(text).to_string()
    }
}

/// The good file with one thing in it replaced.
fn with(from: &str, to: &str) -> String {
    let text = GOOD.replacen(from, to, 1);
    assert_ne!(text, GOOD, "`{from}` is not there");
    text
}

#[test]
fn the_good_file_is_read_whole() {
    let folder = Folder::new();
    let rig = OpenRig::open(RigChoice::File(folder.file(GOOD))).unwrap();
    assert_eq!(rig.spec().name, "Van in the yard");
    assert_eq!((rig.input_named("front leads").unwrap(), rig.electrical_input(None).unwrap()), (1, 1));
    assert_eq!((rig.usual_input("sweep"), rig.usual_input("headroom")), (0, 1));
    near("the level at 94 dB", rig.calibration(0).dbfs_at_94.unwrap(), -31.5, 0.0);
    near("the tap", rig.calibration(1).volts_per_fs.unwrap(), 12.5, 0.0);
    assert!(rig.calibration(2).volts_per_fs.is_none() && rig.calibration(2).microphone.is_none());
    assert_eq!(rig.file(), Some(folder.0.path().join("rig.toml").as_path()));
    assert!(rig.car().is_none() && !rig.is_simulated() && !rig.runs_ahead_of_the_clock());
}

/// Every kind of mistake, each with the words that a person needs to find and to mend it.
#[test]
fn each_kind_of_mistake_is_refused_in_words_that_help() {
    let folder = Folder::new();
    let mistakes: &[(&str, &str, &[&str])] = &[
        ("sample_rate_hz = 48000", "sample_rate_hz = 4000", &["sample_rate_hz is 4000", "8000"]),
        ("sample_rate_hz = 48000", "sample_rate_hz = 480000", &["sample_rate_hz is 480000", "192000"]),
        ("sample_rate_hz = 48000", "sample_rate_hz = \"48k\"", &["line 3", "number"]),
        ("buffer_frames = 512", "buffer_frames = 7", &["buffer_frames is 7", "64 to 16384"]),
        ("buffer_frames = 512", "buffer_frames = -512", &["line 4"]),
        (
            "output_ceiling_dbfs = -6.0",
            "output_ceiling_dbfs = 3.0",
            &["output_ceiling_dbfs is 3", "−80 to 0"],
        ),
        ("output_ceiling_dbfs = -6.0", "output_ceiling_dbfs = nan", &["output_ceiling_dbfs"]),
        ("cue_device = \"laptop\"", "cue_device = \"box\"", &["cue_device", "another device"]),
        ("output_device = \"box\"\n", "", &["cue_device", "output_device"]),
        (
            "channel = 1\nname = \"left\"",
            "channel = 0\nname = \"left\"",
            &["`left`", "channel is 0", "1 to 256"],
        ),
        ("channel = 1\nname = \"left\"", "channel = 257\nname = \"left\"", &["`left`", "257", "1 to 256"]),
        ("channel = 2\nname = \"right\"", "channel = 1\nname = \"right\"", &["`right`", "already `left`"]),
        ("name = \"right\"", "name = \"left\"", &["`left`", "used twice"]),
        ("name = \"front leads\"", "name = \"mic\"", &["`mic`", "used twice"]),
        ("name = \"front leads\"", "name = \"  \"", &["input on channel 2", "no name"]),
        ("chan", "shan", &["unknown key `shannel`", "`channel`", "line "]),
        ("role = \"loopback\"", "rule = \"loopback\"", &["unknown key `rule`", "`role`"]),
        ("role = \"loopback\"", "role = \"loop\"", &["`loop`", "`loopback`", "line "]),
        ("role = \"electrical\"", "role = \"microphone\"", &["front leads", "do not belong to a microphone"]),
        ("role = \"microphone\"", "role = \"electrical\"", &["`mic`", "belong to a microphone"]),
        ("dbfs_at_94 = -31.5", "dbfs_at_94 = 94.0", &["`mic`", "dbfs_at_94 is 94", "−140 to 20"]),
        ("dbfs_at_94 = -31.5", "dbfs_at_94 = \"-31,5\"", &["line ", "number"]),
        ("volts_per_fs = 12.5", "volts_per_fs = 0.0", &["front leads", "a voltage above 0"]),
        ("volts_per_fs = 12.5", "volts_per_fs = -12.5", &["front leads", "a voltage above 0"]),
        ("volts_per_fs = 12.5", "volts_per_fs = inf", &["front leads", "a voltage above 0"]),
        (
            "attenuator_db = 20.0",
            "attenuator_db = -20.0",
            &["front leads", "attenuator_db is -20", "0 to 120"],
        ),
        ("2026-03-14", "14.3.2026", &["front leads", "14.3.2026", "a day such as"]),
        ("2026-03-14", "2026-13-01", &["front leads", "a day such as"]),
        ("mic_cal = \"mic.txt\"", "mic_cal = \"gone.txt\"", &["gone.txt"]),
        ("name = \"Van in the yard\"", "name = ", &["line 2"]),
        ("[[input]]", "[input]", &["line "]),
    ];
    let mut wrong: Vec<String> = Vec::new();
    for (from, to, words) in mistakes {
        let said = folder.refused(&with(from, to));
        let missing = words.iter().filter(|word| !said.contains(**word));
        wrong.extend(missing.map(|word| format!("`{to}`: no “{word}” in: {said}")));
        if !said.contains("rig.toml") && !said.contains("gone.txt") {
            wrong.push(format!("`{to}`: which file? {said}"));
        }
        let jargon =
            ["unknown variant", "os error", "f64", "u16", "u32", "invalid type", "a sequence", "map"];
        let unknown = jargon.iter().filter(|word| said.contains(**word));
        wrong.extend(unknown.map(|word| format!("`{to}`: a person does not know “{word}”: {said}")));
    }
    assert!(wrong.is_empty(), "{wrong:#?}");
    let without_inputs = &GOOD[..GOOD.find("# The one").unwrap()];
    let said = folder.refused(without_inputs);
    assert!(said.contains("input"), "{said}");
    assert!(folder.refused(&format!("input = []\n{without_inputs}")).contains("at least one"));
}

#[test]
fn a_calibration_that_cannot_be_read_is_named_with_what_is_wrong() {
    let folder = Folder::new();
    let file = folder.file(GOOD);
    for nonsense in ["", "20 nothing\n", "1000 0.0\n20 1.0\n", "20 0\n20 0\n", "-5 0.0\n100 0.0\n"] {
        std::fs::write(folder.0.path().join("mic.txt"), nonsense).unwrap();
        let said = OpenRig::open(RigChoice::File(file.clone())).expect_err(nonsense).to_string();
        assert!(said.contains("mic.txt"), "{nonsense:?}: {said}");
    }
    let gone = folder.0.path().join("no-such-rig.toml");
    let said = read_spec(&gone).unwrap_err().to_string();
    assert!(said.contains("no-such-rig.toml") && !said.contains("os error"), "{said}");
}

fn change(input: &str, volts_per_fs: f64, attenuator_db: Option<f64>) -> InputCalibration {
    InputCalibration {
        input: input.to_owned(),
        volts_per_fs,
        attenuator_db,
        calibrated_on: "2026-11-29".to_owned(),
    }
}

/// The lines of the file that say something of other things than the calibration.
fn others(file: &Path) -> Vec<String> {
    let text = std::fs::read_to_string(file).unwrap();
    let own = ["volts_per_fs", "attenuator_db", "calibrated_on"];
    let lines = text.lines().filter(|line| !own.iter().any(|key| line.trim_start().starts_with(key)));
    lines.map(str::to_owned).collect()
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 60, failure_persistence: None, ..ProptestConfig::default() })]

    /// Whatever is kept of one input: it is read back as it was, every other line stays, remarks among them, and keeping
    /// it again changes nothing.
    #[test]
    fn a_calibration_is_written_into_its_own_lines(
        volts in 1e-3..1e3f64,
        loss in proptest::option::of(0.0..80.0f64),
        crlf in any::<bool>(),
    ) {
        let folder = Folder::new();
        let text = if crlf { GOOD.replace('\n', "\r\n") } else { GOOD.to_owned() };
        let file = folder.file(&text);
        let before = others(&file);
        let wanted = change("front leads", volts, loss);
        write_calibration(&file, &wanted).unwrap();
        let spec = read_spec(&file).unwrap();
        let input = &spec.inputs[1];
        prop_assert_eq!(input.volts_per_fs, Some(volts));
        prop_assert_eq!(input.attenuator_db, loss);
        prop_assert_eq!(input.calibrated_on.as_deref(), Some("2026-11-29"));
        prop_assert_eq!(others(&file), before);
        prop_assert_eq!(spec.inputs[0].dbfs_at_94, Some(-31.5));
        let once = std::fs::read_to_string(&file).unwrap();
        write_calibration(&file, &wanted).unwrap();
        prop_assert_eq!(std::fs::read_to_string(&file).unwrap(), once);
    }
}

/// What cannot be kept leaves the file as it was.
#[test]
fn a_calibration_that_cannot_be_leaves_the_file_alone() {
    let folder = Folder::new();
    let file = folder.file(GOOD);
    let refused = [
        change("roof", 1.0, None),
        change("mic", 1.0, None),
        change("front leads", 0.0, None),
        change("front leads", f64::NAN, None),
        change("front leads", 1.0, Some(-1.0)),
        InputCalibration { calibrated_on: "today".to_owned(), ..change("front leads", 1.0, None) },
    ];
    for wanted in refused {
        let said = write_calibration(&file, &wanted).expect_err("it cannot be").to_string();
        assert!(said.contains("rig.toml") && said.contains(&wanted.input), "{said}");
        assert_eq!(std::fs::read_to_string(&file).unwrap(), GOOD, "{wanted:?}");
    }
}

/// Of several taps a person says which one, by its whole name.
#[test]
fn an_input_is_meant_by_its_whole_name() {
    let folder = Folder::new();
    let second = "\n[[input]]\nchannel = 4\nname = \"front leads 2\"\nrole = \"electrical\"\n";
    let rig = OpenRig::open(RigChoice::File(folder.file(&format!("{GOOD}{second}")))).unwrap();
    assert_eq!(rig.electrical_input(Some("front leads")).unwrap(), 1);
    assert_eq!(rig.electrical_input(Some("front leads 2")).unwrap(), 3);
    let said = |name: Option<&str>| rig.electrical_input(name).unwrap_err().to_string();
    for unclear in [None, Some("front"), Some("Front leads")] {
        let said = said(unclear);
        assert!(said.contains("front leads, front leads 2"), "{unclear:?}: {said}");
    }
    assert!(said(Some("loopback")).contains("not electrical"));
    assert!(rig.input_named("front").is_err() && rig.input_named("front leads 2").is_ok());
}
