//! A band as a person types it.

use tuning::Band;

/// One band as it would be typed.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct TypedBand {
    /// The band in the profile's own definition of Q.
    pub(crate) typed: Band,
    /// The channel that it is for; empty for all.
    pub(crate) channel: String,
    /// Whether it counts.
    pub(crate) enabled: bool,
    /// Whether the fit must leave it alone.
    pub(crate) locked: bool,
    /// Why it is there.
    pub(crate) reason: String,
}

impl TypedBand {
    /// A band that a job holds.
    pub(crate) fn of_job(band: &job::EnteredBand) -> Self {
        Self {
            typed: band.typed(),
            channel: band.channel.clone(),
            enabled: band.enabled,
            locked: band.locked,
            reason: band.reason.clone(),
        }
    }
}
