//! The rig file: which devices, what is wired where, what the numbers mean.

use std::fmt;
use std::ops::RangeInclusive;
use std::path::PathBuf;

use serde::{Deserialize, Serialize};

/// Which devices are used, what is wired to what, and how it is calibrated.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RigSpec {
    /// What the person calls it.
    pub name: String,
    /// Frames per second of both directions.
    #[serde(default = "usual_rate")]
    pub sample_rate_hz: u32,
    /// Frames per buffer asked of the devices; absent for about 20 ms.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub buffer_frames: Option<u32>,
    /// The most that is ever played, whatever is asked.
    #[serde(default)]
    pub output_ceiling_dbfs: f64,
    /// The device that plays, as `headrest devices` names it; absent for the system's own choice.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub output_device: Option<String>,
    /// The device that records; absent for the system's own choice.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub input_device: Option<String>,
    /// The device on which the person hears cues, such as the computer's loudspeaker. It is never
    /// the one that plays; absent when cues are only to be shown.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub cue_device: Option<String>,
    /// What is played, in the order in which captures name it.
    #[serde(default, rename = "output", skip_serializing_if = "Vec::is_empty")]
    pub outputs: Vec<Output>,
    /// What is recorded, in the order of the channels of a recording.
    #[serde(rename = "input")]
    pub inputs: Vec<Input>,
}

/// One channel that plays.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Output {
    /// The device's channel, from 1.
    pub channel: u16,
    /// What it is wired to.
    pub name: String,
}

/// One channel that is recorded.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Input {
    /// The device's channel, from 1.
    pub channel: u16,
    /// What is wired to it.
    pub name: String,
    /// What kind of signal that is.
    pub role: InputRole,
    /// The microphone's calibration file, beside the rig file.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mic_cal: Option<PathBuf>,
    /// The level in dBFS that 94 dB SPL gives.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub dbfs_at_94: Option<f64>,
    /// The voltage, ahead of any attenuator, of a sample value of 1.0.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub volts_per_fs: Option<f64>,
    /// The attenuator that `volts_per_fs` takes into account.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub attenuator_db: Option<f64>,
    /// The day of the calibration, such as `2026-03-14`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub calibrated_on: Option<String>,
}

/// What kind of signal an input carries.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum InputRole {
    /// Sound.
    Microphone,
    /// Volts.
    Electrical,
    /// The played signal itself, as a reference.
    Loopback,
}

/// What is wrong with a rig file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SpecError(String);

impl fmt::Display for SpecError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl std::error::Error for SpecError {}

impl SpecError {
    pub(crate) fn new(text: String) -> Self {
        Self(text)
    }
}

fn usual_rate() -> u32 {
    48_000
}

/// The rates that the program works at.
const RATES_HZ: RangeInclusive<u32> = 8_000..=192_000;

impl RigSpec {
    /// The system's own devices: left and right out, one microphone in.
    #[must_use]
    pub fn system_default() -> Self {
        Self {
            name: "System devices".to_owned(),
            sample_rate_hz: usual_rate(),
            buffer_frames: None,
            output_ceiling_dbfs: 0.0,
            output_device: None,
            input_device: None,
            cue_device: None,
            outputs: vec![Output::new(1, "left"), Output::new(2, "right")],
            inputs: vec![Input::new(1, "microphone", InputRole::Microphone)],
        }
    }

    /// Reads a rig file; `name` is what errors call it.
    ///
    /// # Errors
    /// The file, the line, what was expected, and for an unknown key the nearest valid one.
    pub fn parse(text: &str, name: &str) -> Result<Self, SpecError> {
        let spec: Self = toml::from_str(text).map_err(|error| {
            let line = error.span().map_or(1, |span| 1 + text[..span.start].matches('\n').count());
            SpecError(format!("{name}, line {line}: {}", explain(error.message())))
        })?;
        match spec.fault() {
            Some(fault) => Err(SpecError(format!("{name}: {fault}"))),
            None => Ok(spec),
        }
    }

    /// The text of the rig file.
    ///
    /// # Errors
    /// When a path is not Unicode.
    pub fn to_toml(&self) -> Result<String, SpecError> {
        toml::to_string(self).map_err(|error| SpecError(format!("the rig cannot be written: {error}")))
    }

    /// The first thing that cannot be, if anything.
    #[must_use]
    pub fn fault(&self) -> Option<String> {
        if !RATES_HZ.contains(&self.sample_rate_hz) {
            return Some(format!(
                "sample_rate_hz is {}; expected {} to {}",
                self.sample_rate_hz,
                RATES_HZ.start(),
                RATES_HZ.end()
            ));
        }
        if let Some(frames) = self.buffer_frames.filter(|frames| !(64..=16_384).contains(frames)) {
            return Some(format!("buffer_frames is {frames}; expected 64 to 16384"));
        }
        if !(-80.0..=0.0).contains(&self.output_ceiling_dbfs) {
            let ceiling = self.output_ceiling_dbfs;
            return Some(format!("output_ceiling_dbfs is {ceiling}; expected −80 to 0"));
        }
        if let Some(device) = &self.cue_device
            && self.output_device.as_ref().is_none_or(|output| output == device)
        {
            return Some(format!(
                "cue_device is `{device}`; expected another device than output_device, which must be named beside it: \
                 a cue on the rig's own outputs would be recorded"
            ));
        }
        if self.inputs.is_empty() {
            return Some("there is no [[input]]; expected at least one".to_owned());
        }
        let outputs = self.outputs.iter().map(|output| (output.channel, output.name.as_str()));
        let inputs = self.inputs.iter().map(|input| (input.channel, input.name.as_str()));
        wiring_fault("output", outputs)
            .or_else(|| wiring_fault("input", inputs))
            .or_else(|| self.inputs.iter().find_map(Input::fault))
    }

    /// How many frames a buffer should hold: what was asked, or about 20 ms.
    #[must_use]
    pub fn buffer(&self) -> u32 {
        self.buffer_frames.unwrap_or_else(|| 1_024 * self.sample_rate_hz.div_ceil(48_000))
    }
}

impl Output {
    /// A channel and what it is wired to.
    #[must_use]
    pub fn new(channel: u16, name: &str) -> Self {
        Self { channel, name: name.to_owned() }
    }
}

impl Input {
    /// An input without calibration.
    #[must_use]
    pub fn new(channel: u16, name: &str, role: InputRole) -> Self {
        Self {
            channel,
            name: name.to_owned(),
            role,
            mic_cal: None,
            dbfs_at_94: None,
            volts_per_fs: None,
            attenuator_db: None,
            calibrated_on: None,
        }
    }

    fn fault(&self) -> Option<String> {
        let name = &self.name;
        if self.role != InputRole::Microphone && (self.mic_cal.is_some() || self.dbfs_at_94.is_some()) {
            return Some(format!("input `{name}`: mic_cal and dbfs_at_94 belong to a microphone"));
        }
        if self.role == InputRole::Microphone && (self.volts_per_fs.is_some() || self.attenuator_db.is_some())
        {
            return Some(format!(
                "input `{name}`: volts_per_fs and attenuator_db do not belong to a microphone"
            ));
        }
        if let Some(level) = self.dbfs_at_94.filter(|level| !(-140.0..=20.0).contains(level)) {
            return Some(format!("input `{name}`: dbfs_at_94 is {level}; expected −140 to 20"));
        }
        if let Some(volts) = self.volts_per_fs.filter(|volts| !(1e-6..=1e6).contains(volts)) {
            return Some(format!("input `{name}`: volts_per_fs is {volts}; expected a voltage above 0"));
        }
        if let Some(loss) = self.attenuator_db.filter(|loss| !(0.0..=120.0).contains(loss)) {
            return Some(format!("input `{name}`: attenuator_db is {loss}; expected 0 to 120"));
        }
        let date = self.calibrated_on.as_deref().filter(|date| !is_date(date))?;
        Some(format!("input `{name}`: calibrated_on is `{date}`; expected a day such as 2026-03-14"))
    }
}

/// A channel that is impossible or used twice, or a name that is missing or used twice.
fn wiring_fault<'a>(kind: &str, wires: impl Iterator<Item = (u16, &'a str)>) -> Option<String> {
    let mut seen: Vec<(u16, &str)> = Vec::new();
    for (channel, name) in wires {
        if channel == 0 || channel > 256 {
            return Some(format!("{kind} `{name}`: channel is {channel}; expected 1 to 256"));
        }
        if name.trim().is_empty() {
            return Some(format!("the {kind} on channel {channel} has no name"));
        }
        for &(other_channel, other_name) in &seen {
            if other_channel == channel {
                return Some(format!("{kind} `{name}`: channel {channel} is already `{other_name}`"));
            }
            if other_name == name {
                return Some(format!("{kind}: the name `{name}` is used twice"));
            }
        }
        seen.push((channel, name));
    }
    None
}

/// Whether a text has the shape of a day.
fn is_date(text: &str) -> bool {
    let parts: Vec<&str> = text.split('-').collect();
    let number = |part: &str, digits: usize, range: RangeInclusive<u32>| {
        part.len() == digits
            && part.bytes().all(|byte| byte.is_ascii_digit())
            && part.parse().is_ok_and(|number| range.contains(&number))
    };
    matches!(parts[..], [year, month, day]
        if number(year, 4, 1_990..=9_999) && number(month, 2, 1..=12) && number(day, 2, 1..=31))
}

/// The parser's message in the words of a person, with the nearest valid key or word where one is unknown.
fn explain(message: &str) -> String {
    let mut quoted = message.split('`').skip(1).step_by(2);
    if let Some((given, wanted)) =
        message.strip_prefix("invalid ").and_then(|rest| rest.split_once(", expected "))
    {
        let given = given.rsplit(": ").next().unwrap_or_default();
        let given = given.trim_start_matches("string ").trim_start_matches("floating point ");
        let wanted = match wanted.trim() {
            "f64" => "a number",
            "u16" | "u32" => "a whole number from 0 up",
            "a string" => "a text in quotes",
            "a sequence" => "a list, its heading in double brackets such as [[input]],",
            wanted => wanted,
        };
        return format!("{} stands where {wanted} is expected", given.trim_start_matches("integer "));
    }
    let kind = match message {
        _ if message.starts_with("unknown field") => "unknown key",
        _ if message.starts_with("unknown variant") => "unknown word",
        _ => return message.trim_end().to_owned(),
    };
    let unknown = quoted.next().unwrap_or_default();
    let valid: Vec<&str> = quoted.collect();
    match valid.iter().min_by_key(|key| distance(unknown, key)) {
        Some(nearest) => format!(
            "{kind} `{unknown}`; the nearest valid one is `{nearest}` (valid are {})",
            valid.join(", ")
        ),
        None => format!("{kind} `{unknown}`"),
    }
}

/// How many letters must change to make one word of the other (Levenshtein).
fn distance(a: &str, b: &str) -> usize {
    let b: Vec<char> = b.chars().collect();
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, letter) in a.chars().enumerate() {
        let mut diagonal = row[0];
        row[0] = i + 1;
        for (j, &other) in b.iter().enumerate() {
            let replaced = diagonal + usize::from(letter != other);
            diagonal = row[j + 1];
            row[j + 1] = replaced.min(row[j] + 1).min(diagonal + 1);
        }
    }
    row[b.len()]
}

#[cfg(test)]
mod tests {
    use super::*;

    const BENCH: &str = r#"
name = "Bench"
sample_rate_hz = 96000
output_device = "alsa:default"
output_ceiling_dbfs = -6.0

[[output]]
channel = 1
name = "left"

[[input]]
channel = 1
name = "microphone"
role = "microphone"
mic_cal = "mic.txt"
dbfs_at_94 = -31.2

[[input]]
channel = 2
name = "speaker tap"
role = "electrical"
volts_per_fs = 24.5
attenuator_db = 20.0
calibrated_on = "2026-03-14"
"#;

    #[test]
    fn a_rig_file_survives_a_round_trip() {
        let spec = RigSpec::parse(BENCH, "bench.toml").unwrap();
        assert_eq!(spec.inputs[1].volts_per_fs, Some(24.5));
        assert_eq!(spec.buffer(), 2_048);
        assert_eq!(RigSpec::parse(&spec.to_toml().unwrap(), "again").unwrap(), spec);
        let own = RigSpec::system_default();
        assert_eq!(own.fault(), None);
        assert_eq!(RigSpec::parse(&own.to_toml().unwrap(), "own").unwrap(), own);
    }

    #[test]
    fn a_fault_is_named_with_its_line_and_what_was_expected() {
        let cases = [
            (
                "sample_rate_hz = 96000",
                "sampel_rate_hz = 96000",
                "line 3: unknown key `sampel_rate_hz`; the nearest valid one is `sample_rate_hz`",
            ),
            (
                "role = \"electrical\"",
                "role = \"electric\"",
                "line 21: unknown word `electric`; the nearest valid one is `electrical`",
            ),
            (
                "mic_cal = \"mic.txt\"",
                "mic_call = \"mic.txt\"",
                "line 15: unknown key `mic_call`; the nearest valid one is `mic_cal`",
            ),
            ("= 96000", "= 7000", "sample_rate_hz is 7000; expected 8000 to 192000"),
            ("= 96000", "= \"fast\"", "line 3"),
            ("= -6.0", "= 6.0", "expected −80 to 0"),
            ("= -6.0", "= nan", "expected −80 to 0"),
            ("channel = 2", "channel = 1", "channel 1 is already `microphone`"),
            ("channel = 2", "channel = 0", "expected 1 to 256"),
            ("\"speaker tap\"", "\"microphone\"", "used twice"),
            ("\"speaker tap\"", "\" \"", "has no name"),
            ("volts_per_fs = 24.5", "volts_per_fs = 0.0", "expected a voltage above 0"),
            ("volts_per_fs = 24.5", "dbfs_at_94 = -30.0", "belong to a microphone"),
            ("2026-03-14", "14.3.2026", "expected a day such as 2026-03-14"),
        ];
        for (from, to, expected) in cases {
            let text = BENCH.replacen(from, to, 1);
            assert_ne!(text, BENCH);
            let message = RigSpec::parse(&text, "bench.toml").unwrap_err().to_string();
            assert!(message.starts_with("bench.toml") && message.contains(expected), "{to}: {message}");
        }
        let message = RigSpec::parse("name = \"x\"\ninput = []", "bench.toml").unwrap_err().to_string();
        assert!(message.contains("at least one"), "{message}");
    }

    #[test]
    fn cues_have_an_output_of_their_own() {
        let with = |devices: &str| {
            RigSpec::parse(&BENCH.replacen("output_device = \"alsa:default\"", devices, 1), "rig.toml")
        };
        let spec = with("output_device = \"alsa:box\"\ncue_device = \"alsa:laptop\"").unwrap();
        assert_eq!(spec.cue_device.as_deref(), Some("alsa:laptop"));
        for devices in
            ["cue_device = \"alsa:box\"", "output_device = \"alsa:box\"\ncue_device = \"alsa:box\""]
        {
            let message = with(devices).unwrap_err().to_string();
            assert!(message.contains("expected another device than output_device"), "{message}");
        }
    }

    proptest::proptest! {
        #[test]
        fn parsing_never_panics(text in "(?s).{0,200}") {
            let _ = RigSpec::parse(&text, "any");
        }

        #[test]
        fn a_damaged_file_never_panics(at in 0_usize..400, with in "(?s).{0,5}") {
            let mut text: Vec<char> = BENCH.chars().collect();
            let at = at % text.len();
            text.splice(at..at + 1, with.chars());
            let _ = RigSpec::parse(&text.into_iter().collect::<String>(), "any");
        }
    }
}
