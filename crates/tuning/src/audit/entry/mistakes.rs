//! What is believed of a channel.

use super::{ChannelSetting, ChannelVerdict};

/// What each mistake costs, in variances: a value that was chosen freely to fit.
pub(super) const CHOSEN: f64 = 6.0;

/// What is believed of a channel.
#[derive(Debug, Clone)]
pub(super) struct Belief {
    pub(super) found: ChannelSetting,
    pub(super) mistakes: Vec<ChannelVerdict>,
    /// Whose settings, or whose driver, it has.
    pub(super) swapped_with: Option<Swapped>,
    /// Two explanations that fit as well.
    pub(super) unclear: Option<[Mistake; 2]>,
    pub(super) misfit: f64,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Swapped {
    pub(super) with: usize,
    /// The driver of the other, rather than its settings.
    pub(super) driver: bool,
}

/// One mistake and what would then be set.
#[derive(Debug, Clone)]
pub(super) struct Mistake {
    pub(super) verdict: ChannelVerdict,
    pub(super) found: ChannelSetting,
    /// What is left, with what is free in it.
    pub(super) total: f64,
}

impl Belief {
    pub(super) fn verdict(&self) -> ChannelVerdict {
        if self.unclear.is_some() {
            return ChannelVerdict::Unclear;
        }
        self.mistakes.first().copied().unwrap_or(ChannelVerdict::AsMeant)
    }

    /// What is left, and what its mistakes cost.
    pub(super) fn cost(&self) -> f64 {
        #[expect(clippy::cast_precision_loss, reason = "a few mistakes")]
        let mistakes = self.mistakes.len() as f64;
        self.misfit + CHOSEN * mistakes
    }
}
