//! One measurement at work.

use std::panic::{AssertUnwindSafe, catch_unwind};

use measure::{
    Block, Feed, Finding, Manifest, Measurement, ParameterError, ParameterValue, Parameters, Reading, Start,
};

/// A measurement that has been started, held to its contract.
pub struct Run {
    measurement: Box<dyn Measurement>,
    manifest: Manifest,
    sample_rate_hz: f64,
    /// Why the measurement is no longer asked anything.
    failed: Option<Finding>,
}

impl Run {
    /// Starts a measurement. A refusal is not an error: it is in the reading.
    ///
    /// Parameters that are not set take their defaults, so that a measurement
    /// always finds every one of its own; one that the manifest does not allow
    /// is refused.
    #[must_use]
    pub fn start(mut measurement: Box<dyn Measurement>, start: &Start) -> Self {
        let manifest = measurement.manifest();
        let fitted = fitted(&manifest, &start.parameters).map_err(|error| {
            Finding::stop("parameter-unfit", format!("{error}. Correct it and start again."))
        });
        let failed = match fitted {
            Ok(parameters) => refusal(&manifest, start).or_else(|| {
                let start = Start { parameters, ..start.clone() };
                guarded(|| measurement.start(&start)).and_then(|started| started).err()
            }),
            Err(finding) => Some(finding),
        };
        Self { measurement, manifest, sample_rate_hz: start.sample_rate_hz, failed }
    }

    /// What the measurement says of itself.
    #[must_use]
    pub fn manifest(&self) -> &Manifest {
        &self.manifest
    }

    /// Feeds the next block.
    pub fn feed(&mut self, block: &Block<'_>) -> Feed {
        if self.failed.is_some() {
            return Feed::Enough;
        }
        match guarded(|| self.measurement.feed(block)) {
            Ok(feed) => feed,
            Err(finding) => {
                self.failed = Some(finding);
                Feed::Enough
            }
        }
    }

    /// The reading so far.
    pub fn reading(&mut self) -> Reading {
        self.ask(|measurement| measurement.reading())
    }

    /// The final reading.
    #[must_use]
    pub fn finish(mut self) -> Reading {
        self.ask(|measurement| measurement.finish())
    }

    fn ask(&mut self, question: impl FnOnce(&mut dyn Measurement) -> Reading) -> Reading {
        let answer = match self.failed.take() {
            Some(finding) => Err(finding),
            None => guarded(|| question(self.measurement.as_mut())).and_then(|reading| self.checked(reading)),
        };
        answer.unwrap_or_else(|finding| {
            let mut reading = Reading::new(&self.manifest.id, self.manifest.version, self.sample_rate_hz);
            reading.finding(finding.clone());
            self.failed = Some(finding);
            reading
        })
    }

    fn checked(&self, reading: Reading) -> Result<Reading, Finding> {
        match reading.check() {
            Ok(()) => Ok(reading),
            Err(breach) => Err(Finding::stop(
                "reading-invalid",
                format!(
                    "The measurement `{}` gave an answer that cannot be used: {breach}. \
                     The recording is kept; report this to the measurement's author.",
                    self.manifest.id
                ),
            )),
        }
    }
}

/// The parameters read against the manifest: each of its kind (a choice of
/// numbers may come as a number), those that are not set at their defaults.
fn fitted(manifest: &Manifest, parameters: &Parameters) -> Result<Parameters, ParameterError> {
    let written: Vec<(&str, String)> = parameters
        .iter()
        .map(|(name, value)| match value {
            ParameterValue::Number(number) => (name, number.to_string()),
            ParameterValue::Text(text) => (name, text.clone()),
        })
        .collect();
    manifest.parameters(written.iter().map(|(name, text)| (*name, text.as_str())))
}

/// What the host itself can see to be missing.
fn refusal(manifest: &Manifest, start: &Start) -> Option<Finding> {
    if start.channels < manifest.channels {
        return Some(Finding::stop(
            "too-few-channels",
            format!(
                "`{}` needs {} channels and there are {}. Record the reference on a channel of its own.",
                manifest.id, manifest.channels, start.channels
            ),
        ));
    }
    (manifest.needs_reference && start.reference_channel.is_none()).then(|| {
        Finding::stop(
            "no-reference",
            format!(
                "`{}` compares with a reference. Say which channel carries it (--reference-channel N).",
                manifest.id
            ),
        )
    })
}

fn guarded<T>(call: impl FnOnce() -> T) -> Result<T, Finding> {
    catch_unwind(AssertUnwindSafe(call)).map_err(|_| {
        Finding::stop(
            "measurement-failed",
            "The measurement broke off because of a fault of its own. The recording is kept; \
             report this to the measurement's author.",
        )
    })
}

#[cfg(test)]
mod tests {
    use measure::{Parameter, StimulusWanted, nearest};

    use super::*;
    use crate::Registry;

    /// Misbehaves in the way that its id says.
    struct Faulty(&'static str);

    impl Measurement for Faulty {
        fn manifest(&self) -> Manifest {
            Manifest {
                id: self.0.to_owned(),
                title: self.0.to_owned(),
                version: 1,
                summary: String::new(),
                channels: 1,
                needs_reference: self.0 == "wants-reference",
                stimulus: StimulusWanted::Any,
                parameters: vec![
                    Parameter::integer("smoothing", "", 0, (0, 48), "1/N octave"),
                    Parameter::choice("fraction", &["3", "12"], "bands per octave"),
                ],
            }
        }
        fn start(&mut self, start: &Start) -> Result<(), Finding> {
            // The host promises that every parameter is there.
            assert!(start.parameters.number("smoothing").is_some());
            assert!(start.parameters.text("fraction").is_some());
            assert_ne!(self.0, "panics-at-start");
            Ok(())
        }
        fn feed(&mut self, _: &Block<'_>) -> Feed {
            assert_ne!(self.0, "panics-at-feed");
            Feed::More
        }
        fn reading(&mut self) -> Reading {
            let mut reading = Reading::new(self.0, 1, 48_000.0);
            if self.0 == "uneven-columns" {
                reading.curve("c", [("frequency_hz", vec![1.0]), ("level_db", vec![])]);
            }
            reading
        }
        fn finish(&mut self) -> Reading {
            assert_ne!(self.0, "panics-at-finish");
            self.reading()
        }
    }

    fn end(id: &'static str) -> Reading {
        let mut run = Run::start(Box::new(Faulty(id)), &Start { channels: 1, ..Start::default() });
        let samples = [0.0; 4];
        run.feed(&Block { first_frame: 0, channels: &[&samples], gap: false });
        run.finish()
    }

    #[test]
    fn a_fault_ends_in_a_finding_and_nothing_else() {
        for (id, code) in [
            ("panics-at-start", "measurement-failed"),
            ("panics-at-feed", "measurement-failed"),
            ("panics-at-finish", "measurement-failed"),
            ("uneven-columns", "reading-invalid"),
            ("wants-reference", "no-reference"),
        ] {
            assert_eq!(end(id).stopped().map(|finding| finding.code.as_str()), Some(code), "{id}");
        }
        assert_eq!(end("behaves").stopped(), None);
    }

    #[test]
    fn a_parameter_that_the_manifest_does_not_allow_is_refused() {
        let end = |name: &str, value: ParameterValue| {
            let mut start = Start { channels: 1, ..Start::default() };
            start.parameters.set(name, value);
            Run::start(Box::new(Faulty("behaves")), &start).finish()
        };
        assert_eq!(end("smoothing", ParameterValue::Number(48.0)).stopped(), None);
        // A choice of numbers may come as a number; the measurement finds a text.
        assert_eq!(end("fraction", ParameterValue::Number(12.0)).stopped(), None);
        for (name, value, part) in [
            ("smoothin", ParameterValue::Number(3.0), "did you mean `smoothing`?"),
            ("smoothing", ParameterValue::Number(49.0), "a whole number from 0 to 48"),
            ("smoothing", ParameterValue::Number(1.5), "a whole number from 0 to 48"),
            ("smoothing", ParameterValue::Number(f64::NAN), "a whole number from 0 to 48"),
            ("smoothing", ParameterValue::Text("much".to_owned()), "a whole number from 0 to 48"),
        ] {
            let reading = end(name, value);
            let finding = reading.stopped().unwrap();
            assert_eq!(finding.code, "parameter-unfit");
            assert!(finding.text.contains(part), "{}", finding.text);
        }
    }

    #[test]
    fn an_unknown_name_gets_the_nearest_one() {
        let registry = Registry::of(|| vec![Box::new(Faulty("spectrum")), Box::new(Faulty("sweep"))]);
        let message = registry.manifest("spectrun").unwrap_err().to_string();
        assert!(message.contains("did you mean `spectrum`?"), "{message}");
        assert_eq!(nearest("sweap", registry.manifests().map(|m| m.id.as_str())), Some("sweep"));
        assert!(registry.measurement("sweep").is_ok());
    }
}
