//! A stretch of samples.

/// A stretch of samples, full scale being ±1.
#[derive(Debug, Clone, Copy)]
pub struct Block<'a> {
    /// All samples of the first channel, then all of the second, and so on.
    pub samples: &'a [f32],
    /// How many samples there are of each channel.
    pub frames: usize,
    /// The channel that is measured, from 0.
    pub channel: usize,
    /// The number of the first frame, counted from the start of the stream; lost
    /// frames are counted too.
    pub first_frame: u64,
    /// Whether samples were lost just before this block.
    pub gap: bool,
}

impl Block<'_> {
    /// The samples of a channel, from 0; none where there is no such channel.
    #[must_use]
    pub fn channel(&self, index: usize) -> &[f32] {
        let start = index.saturating_mul(self.frames);
        self.samples.get(start..start.saturating_add(self.frames)).unwrap_or(&[])
    }

    /// The samples of the channel that is measured.
    #[must_use]
    pub fn measured(&self) -> &[f32] {
        self.channel(self.channel)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn channels_lie_one_after_another() {
        let block =
            Block { samples: &[1.0, 2.0, 3.0, 4.0], frames: 2, channel: 1, first_frame: 0, gap: false };
        assert_eq!(block.channel(0), [1.0, 2.0]);
        assert_eq!(block.measured(), [3.0, 4.0]);
        assert_eq!(block.channel(2), [0.0; 0]);
        assert_eq!(block.channel(usize::MAX), [0.0; 0]);
    }
}
