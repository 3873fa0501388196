//! What is entered into one channel of the processor.

use job::ChannelSetting;
use tuning::BandKind;

/// What is entered into one channel of the processor.
#[derive(Debug, Clone, PartialEq)]
pub struct SheetChannel {
    /// Its name; empty for what is entered into all channels.
    pub name: String,
    /// Gain, polarity, delay and crossovers, absolute, where they are known.
    pub setting: Option<ChannelSetting>,
    /// What stood there before the work, where that is known and was another.
    pub was: Option<ChannelSetting>,
    /// Its bands, numbered from 1. Bands that are switched off are left out.
    pub bands: Vec<Entry>,
}

/// One band to be typed.
#[derive(Debug, Clone, PartialEq)]
pub struct Entry {
    /// Its number within its channel, from 1.
    pub number: u32,
    /// Its type.
    pub kind: BandKind,
    /// Its frequency.
    pub frequency_hz: f64,
    /// Its gain.
    pub gain_db: f64,
    /// The Q as it is typed, in the processor's own definition.
    pub typed_q: f64,
    /// The Q in the cookbook's definition.
    pub q: f64,
    /// Why it is there.
    pub reason: String,
}

impl SheetChannel {
    /// Its name, or what is said where there is only one list for all.
    #[must_use]
    pub fn title(&self) -> &str {
        if self.name.is_empty() { "All channels" } else { &self.name }
    }
}
