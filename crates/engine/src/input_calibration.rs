//! The calibration of one input, written into a rig file that a person keeps.

use crate::{RigSpec, SpecError};

/// What an electrical input was calibrated to.
#[derive(Debug, Clone, PartialEq)]
pub struct InputCalibration {
    /// The input's name.
    pub input: String,
    /// The voltage, ahead of any attenuator, of a sample value of 1.0.
    pub volts_per_fs: f64,
    /// The attenuator that is part of it, if there is one.
    pub attenuator_db: Option<f64>,
    /// The day, such as `2026-03-14`.
    pub calibrated_on: String,
}

impl InputCalibration {
    /// The rig file's text with this calibration in it. Comments, order and everything else
    /// stay as they are; a file written in a way that cannot be edited line by line is
    /// written anew. `name` is what errors call the file.
    ///
    /// # Errors
    /// When the file is at fault, has no such input, or would be at fault with the
    /// calibration in it.
    pub fn written_into(&self, text: &str, name: &str) -> Result<String, SpecError> {
        let mut wanted = RigSpec::parse(text, name)?;
        let Some(index) = wanted.inputs.iter().position(|input| input.name == self.input) else {
            return Err(SpecError::new(format!("{name}: there is no input `{}`", self.input)));
        };
        let input = &mut wanted.inputs[index];
        input.volts_per_fs = Some(self.volts_per_fs);
        input.attenuator_db = self.attenuator_db;
        input.calibrated_on = Some(self.calibrated_on.clone());
        if let Some(fault) = wanted.fault() {
            return Err(SpecError::new(format!("{name}: {fault}")));
        }
        let edited = self.edited(text, index);
        match RigSpec::parse(&edited, name) {
            Ok(spec) if spec == wanted => Ok(edited),
            _ => wanted.to_toml(),
        }
    }

    /// The text with the keys of the input at `index` set, line by line.
    fn edited(&self, text: &str, index: usize) -> String {
        let number = |value: f64| {
            let text = value.to_string();
            if text.contains(['.', 'e']) { text } else { text + ".0" }
        };
        let keys = [
            ("volts_per_fs", Some(number(self.volts_per_fs))),
            ("attenuator_db", self.attenuator_db.map(number)),
            ("calibrated_on", Some(format!("\"{}\"", self.calibrated_on))),
        ];
        let line_end = if text.contains("\r\n") { "\r\n" } else { "\n" };
        let lines: Vec<&str> = text.lines().collect();
        let is_table = |line: &str| line.trim_start().starts_with('[');
        let is_input = |line: &str| line.trim_start().starts_with("[[input]]");
        let begin = lines.iter().enumerate().filter(|(_, line)| is_input(line)).map(|(at, _)| at).nth(index);
        let Some(begin) = begin else { return text.to_owned() };
        let end = lines[begin + 1..]
            .iter()
            .position(|line| is_table(line))
            .map_or(lines.len(), |at| begin + 1 + at);
        let key_of =
            |line: &str| line.split_once('=').map(|(key, _)| key.trim().trim_matches('"').to_owned());
        let mut table: Vec<String> = Vec::new();
        let mut missing: Vec<(&str, &String)> =
            keys.iter().filter_map(|(key, value)| Some((*key, value.as_ref()?))).collect();
        for line in &lines[begin..end] {
            let key = key_of(line);
            match keys.iter().find(|(name, _)| key.as_deref() == Some(name)) {
                None => table.push((*line).to_owned()),
                Some((name, Some(value))) => {
                    missing.retain(|(key, _)| key != name);
                    table.push(format!("{name} = {value}"));
                }
                // What no longer holds is taken out.
                Some((_, None)) => {}
            }
        }
        // New keys follow the last line that says something, before blank lines and comments
        // that belong to the next table.
        let says = |line: &String| !line.trim().is_empty() && !line.trim_start().starts_with('#');
        let at = table.iter().rposition(says).map_or(table.len(), |at| at + 1);
        table.splice(at..at, missing.iter().map(|(key, value)| format!("{key} = {value}")));
        let before = lines[..begin].iter().map(|line| (*line).to_owned());
        let after = lines[end..].iter().map(|line| (*line).to_owned());
        before.chain(table).chain(after).map(|line| line + line_end).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn calibration(input: &str) -> InputCalibration {
        InputCalibration {
            input: input.to_owned(),
            volts_per_fs: 24.0,
            attenuator_db: Some(20.5),
            calibrated_on: "2026-03-14".to_owned(),
        }
    }

    const BENCH: &str = r#"# The bench in the corner.
name = "Bench"

[[input]]
channel = 1
name = "microphone" # the small one
role = "microphone"

# Behind the red clips.
[[input]]
channel = 2
name = "tap"
role = "electrical"
volts_per_fs = 3.0 # of last year
"#;

    #[test]
    fn only_the_calibration_changes() {
        let after = calibration("tap").written_into(BENCH, "rig.toml").unwrap();
        let wanted = BENCH.replace(
            "volts_per_fs = 3.0 # of last year\n",
            "volts_per_fs = 24.0\nattenuator_db = 20.5\ncalibrated_on = \"2026-03-14\"\n",
        );
        assert_eq!(after, wanted);
        let without = InputCalibration { attenuator_db: None, ..calibration("tap") };
        let again = without.written_into(&after, "rig.toml").unwrap();
        assert!(!again.contains("attenuator_db"), "{again}");
    }

    #[test]
    fn a_file_in_another_style_is_written_anew() {
        let text = "name = \"x\"\ninput = [{ channel = 1, name = \"tap\", role = \"electrical\" }]\n";
        let after = calibration("tap").written_into(text, "rig.toml").unwrap();
        assert_eq!(RigSpec::parse(&after, "rig.toml").unwrap().inputs[0].volts_per_fs, Some(24.0));
    }

    #[test]
    fn what_does_not_fit_is_refused() {
        let message = calibration("tub").written_into(BENCH, "rig.toml").unwrap_err().to_string();
        assert!(message.contains("no input `tub`"), "{message}");
        let message = calibration("microphone").written_into(BENCH, "rig.toml").unwrap_err().to_string();
        assert!(message.contains("do not belong to a microphone"), "{message}");
    }
}
