//! What a plugin is told before the first block.

use alloc::string::String;

/// How a stream starts: lines of `key=value`.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Start {
    lines: String,
}

impl Start {
    /// From the lines that the host has written.
    #[must_use]
    pub fn new(lines: &str) -> Self {
        Self { lines: lines.into() }
    }

    /// What stands behind a key; `docs/measurements.md` lists the keys.
    #[must_use]
    pub fn text(&self, key: &str) -> Option<&str> {
        self.lines
            .lines()
            .find_map(|line| line.split_once('=').filter(|(name, _)| *name == key))
            .map(|(_, v)| v)
    }

    /// The number behind a key.
    #[must_use]
    pub fn number(&self, key: &str) -> Option<f64> {
        self.text(key)?.parse().ok()
    }

    /// Frames per second.
    #[must_use]
    pub fn sample_rate_hz(&self) -> f64 {
        self.number("sample_rate_hz").unwrap_or(48_000.0)
    }

    /// How many channels each block holds.
    #[must_use]
    pub fn channels(&self) -> usize {
        self.index("channels").unwrap_or(1)
    }

    /// Which channel is measured, from 0.
    #[must_use]
    pub fn channel(&self) -> usize {
        self.index("channel").unwrap_or(0)
    }

    /// Which channel carries the reference, where there is one.
    #[must_use]
    pub fn reference_channel(&self) -> Option<usize> {
        self.index("reference_channel")
    }

    /// A numeric parameter. The host has checked it and filled in the default.
    #[must_use]
    pub fn parameter(&self, name: &str) -> f64 {
        self.number(&alloc::format!("parameter.{name}")).unwrap_or(f64::NAN)
    }

    /// A parameter that is a word.
    #[must_use]
    pub fn word(&self, name: &str) -> &str {
        self.text(&alloc::format!("parameter.{name}")).unwrap_or_default()
    }

    fn index(&self, key: &str) -> Option<usize> {
        self.text(key)?.parse().ok()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_key_has_its_own_line() {
        let start = Start::new("sample_rate_hz=44100\nchannels=2\nparameter.from=20.5\nparameter.mode=a=b\n");
        assert_eq!(start.sample_rate_hz(), 44_100.0);
        assert_eq!(start.channels(), 2);
        assert_eq!(start.channel(), 0);
        assert_eq!(start.reference_channel(), None);
        assert_eq!(start.parameter("from"), 20.5);
        assert_eq!(start.word("mode"), "a=b");
        assert!(start.parameter("to").is_nan());
    }
}
