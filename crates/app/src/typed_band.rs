//! A band as a person types it.

use tuning::Band;

/// Why a value is what it is that a person has changed.
pub(super) const EDITED: &str = "Edited by hand.";

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

    /// A person has changed it.
    pub(super) fn edited(&mut self) {
        EDITED.clone_into(&mut self.reason);
    }
}

/// What a band is called on its card, on the sheet and by the audit: its number among those of its channel that
/// count. One that is switched off has none.
pub(super) fn number_of(bands: &[TypedBand], index: usize) -> String {
    let counts = |band: &&TypedBand| band.enabled && band.channel == bands[index].channel;
    match bands[..=index].iter().filter(counts).count() {
        number if bands[index].enabled => number.to_string(),
        _ => "–".to_owned(),
    }
}

/// Whether two lists come to the same in a processor.
pub(super) fn same_values(one: &[TypedBand], other: &[TypedBand]) -> bool {
    let value = |band: &TypedBand| (band.typed, band.enabled);
    let same =
        |(one, other): (&TypedBand, &TypedBand)| value(one) == value(other) && one.channel == other.channel;
    one.len() == other.len() && one.iter().zip(other).all(same)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bands_are_numbered_within_their_channel_and_only_those_that_count() {
        let band = |channel: &str, enabled| TypedBand {
            typed: Band::peak(1_000.0, -3.0, 2.0),
            channel: channel.to_owned(),
            enabled,
            locked: false,
            reason: String::new(),
        };
        let bands = [
            band("left", true),
            band("right", true),
            band("left", false),
            band("left", true),
            band("", true),
            band("right", true),
        ];
        let numbers: Vec<String> = (0..bands.len()).map(|index| number_of(&bands, index)).collect();
        assert_eq!(numbers, ["1", "1", "–", "2", "1", "2"]);
    }
}
