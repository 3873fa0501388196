//! What a plugin is told before the first block: lines of `key=value`, which a
//! plugin in any language can read without a library.

use measure::{ParameterValue, Start};

use crate::text::tamed;

/// The lines for a start.
pub(crate) fn encode(start: &Start) -> String {
    let mut lines = Lines::default();
    lines.number("sample_rate_hz", start.sample_rate_hz);
    lines.number("channels", start.channels as f64);
    lines.number("channel", start.channel as f64);
    if let Some(reference) = start.reference_channel {
        lines.number("reference_channel", reference as f64);
    }
    if let Some(level) = start.calibration.dbfs_at_94 {
        lines.number("dbfs_at_94", level);
    }
    if let Some(volts) = start.calibration.volts_per_fs {
        lines.number("volts_per_fs", volts);
    }
    if let Some(microphone) = &start.calibration.microphone {
        lines.numbers("microphone_hz", &microphone.frequency_hz);
        lines.numbers("microphone_db", &microphone.magnitude_db);
        lines.numbers("microphone_deg", &microphone.phase_deg);
    }
    for (name, value) in start.parameters.iter() {
        match value {
            ParameterValue::Number(number) => lines.number(&format!("parameter.{name}"), *number),
            ParameterValue::Text(text) => lines.text(&format!("parameter.{name}"), text),
        }
    }
    if let Some(stimulus) = &start.stimulus {
        lines.text("stimulus_name", &stimulus.name);
        // A stimulus is plain data, which always has a form in JSON.
        lines.text("stimulus", &serde_json::to_string(stimulus).unwrap_or_default());
    }
    lines.0
}

#[derive(Default)]
struct Lines(String);

impl Lines {
    fn number(&mut self, key: &str, value: f64) {
        if value.is_finite() {
            self.text(key, &value.to_string());
        }
    }

    fn numbers(&mut self, key: &str, values: &[f64]) {
        if !values.is_empty() && values.iter().all(|value| value.is_finite()) {
            let texts: Vec<String> = values.iter().map(f64::to_string).collect();
            self.text(key, &texts.join(","));
        }
    }

    fn text(&mut self, key: &str, value: &str) {
        // A line break within a value would begin another key.
        self.0.push_str(&format!("{key}={}\n", tamed(value, usize::MAX)));
    }
}

#[cfg(test)]
mod tests {
    use measure::{Calibration, Stimulus};

    use super::*;

    #[test]
    fn each_thing_has_one_line() {
        let mut start = Start {
            sample_rate_hz: 44_100.0,
            channels: 2,
            channel: 1,
            calibration: Calibration { dbfs_at_94: Some(-28.5), ..Calibration::default() },
            stimulus: Some(Stimulus { name: "pink".to_owned(), segments: vec![] }),
            ..Start::default()
        };
        start.parameters.set("range", ParameterValue::Text("a\nchannel=0".to_owned()));
        start.parameters.set("limit", ParameterValue::Number(0.1));
        assert_eq!(
            encode(&start),
            "sample_rate_hz=44100\nchannels=2\nchannel=1\ndbfs_at_94=-28.5\nparameter.limit=0.1\n\
             parameter.range=achannel=0\nstimulus_name=pink\nstimulus={\"name\":\"pink\",\"segments\":[]}\n"
        );
    }
}
