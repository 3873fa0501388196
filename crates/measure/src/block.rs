//! A stretch of samples as it comes from a device or a file.

/// One stretch of samples, a slice per channel, all of one length.
#[derive(Debug, Clone, Copy)]
pub struct Block<'a> {
    /// The number of the first frame, counted from the start of the stream;
    /// lost frames are counted too.
    pub first_frame: u64,
    /// The samples of each channel, full scale being ±1.
    pub channels: &'a [&'a [f32]],
    /// Whether samples were lost just before this block.
    pub gap: bool,
}

impl Block<'_> {
    /// How many frames the block holds.
    #[must_use]
    pub fn frames(&self) -> usize {
        self.channels.first().map_or(0, |channel| channel.len())
    }
}

/// What a measurement says after a block.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Feed {
    /// It can use more.
    More,
    /// It has all that it needs; the capture may stop.
    Enough,
}
