//! Samples in memory.

/// A whole recording: one row of samples per channel, all of one length.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Audio {
    /// Frames per second.
    pub sample_rate_hz: u32,
    /// The samples of each channel, full scale being ±1. Floating-point files
    /// may hold more than that.
    pub channels: Vec<Vec<f32>>,
    /// What was wrong with the file, if anything.
    pub condition: Condition,
}

/// What a reader had to put up with. The default is a file without fault.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Condition {
    /// The file ends before the length that it announces, or its length was
    /// never written; what is there was read.
    pub truncated: bool,
    /// How many samples were infinite or not a number. They were read as 0.
    pub not_finite: u64,
    /// How many stretches of a compressed file could not be decoded. They are
    /// missing, so times after the first one are not to be trusted.
    pub lost_packets: u64,
}

impl Condition {
    /// Whether the file was read whole and as it stands.
    #[must_use]
    pub fn is_sound(&self) -> bool {
        *self == Self::default()
    }
}

impl Audio {
    /// Samples that come from a computation.
    #[must_use]
    pub fn new(sample_rate_hz: u32, channels: Vec<Vec<f32>>) -> Self {
        Self { sample_rate_hz, channels, condition: Condition::default() }
    }

    /// How many frames there are.
    #[must_use]
    pub fn frames(&self) -> usize {
        self.channels.first().map_or(0, Vec::len)
    }

    /// How long it lasts.
    #[must_use]
    pub fn duration_s(&self) -> f64 {
        if self.sample_rate_hz == 0 {
            return 0.0;
        }
        self.frames() as f64 / f64::from(self.sample_rate_hz)
    }
}
