//! What stood in the processor when something was measured, and what was changed since.

use std::collections::BTreeSet;

use job::{CaptureId, ChannelSetting, EnteredBand, ProcessorSetting};
use measure::Finding;
use tuning::channel_reaches;

use super::SIDES;
use crate::{CaptureEntry, Project};

/// Gains that differ by less between channels are one change of the volume.
const SAME_STEP_DB: f64 = 0.1;

/// What stood in the processor for a capture, as far as the job knows: as the capture says it, or what was planned when
/// it was begun, or what was there before the work.
pub(super) fn stood_in_processor(project: &Project, capture: &CaptureEntry) -> ProcessorSetting {
    let meta = &capture.meta;
    let known = meta.setting.as_ref().or(meta.planned.as_ref()).or(project.data.preset.as_ref());
    known.cloned().unwrap_or_default()
}

/// The channels that sound in one side of the car (an empty name is all of it) and are set otherwise: delay, polarity,
/// crossovers, their level against each other, or bands that are theirs alone. The same step of all levels is none.
pub(super) fn changed_beside_bands(was: &ProcessorSetting, is: &ProcessorSetting, side: &str) -> Vec<String> {
    let other = SIDES.into_iter().filter(|other| !side.is_empty() && *other != side);
    let other: Vec<&str> = other.collect();
    let sounds = |channel: &str| !other.iter().any(|other| channel_reaches(other, channel));
    let own = |setting: &ProcessorSetting, channel: &str| -> Vec<EnteredBand> {
        let own = setting.bands.iter().filter(|band| band.channel == channel && band.enabled);
        own.filter(|_| !setting.bypassed).cloned().collect()
    };
    let names = |setting: &ProcessorSetting| -> Vec<String> {
        let of_bands = setting.bands.iter().map(|band| &band.channel);
        let all = setting.channels.iter().map(|one| &one.channel).chain(of_bands);
        all.filter(|channel| sounds(channel)).cloned().collect()
    };
    let all: BTreeSet<String> = names(was).into_iter().chain(names(is)).collect();
    let of = |setting: &ProcessorSetting, channel: &str| -> Option<ChannelSetting> {
        setting.channels.iter().find(|one| one.channel == channel).cloned()
    };
    let was_set = |channel: &str| of(was, channel).unwrap_or_default();
    // What nothing is said of now stays as it was.
    let is_set = |channel: &str| of(is, channel).unwrap_or_else(|| was_set(channel));
    let step_db = |channel: &str| is_set(channel).gain_db - was_set(channel).gain_db;
    let channels: Vec<&String> = all.iter().filter(|channel| !channel.is_empty()).collect();
    let steps = channels.iter().map(|channel| step_db(channel));
    let (least_db, most_db) =
        steps.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), db| (low.min(db), high.max(db)));
    let levels_moved = most_db - least_db > SAME_STEP_DB;
    let changed = |channel: &&String| {
        !was_set(channel).sums_like(&is_set(channel))
            || (levels_moved && step_db(channel).abs() > SAME_STEP_DB)
            || (!channel_reaches(channel, side) && own(was, channel) != own(is, channel))
    };
    channels.into_iter().filter(changed).cloned().collect()
}

/// That channels were set otherwise since these captures were made, so that what they hold is not what the car plays.
pub fn set_since(project: &Project, captures: &[CaptureId]) -> Option<Finding> {
    let newest =
        project.captures.iter().filter(|capture| captures.contains(&capture.id)).max_by_key(|one| one.id)?;
    let is = ProcessorSetting { bands: Vec::new(), ..project.data.planned() };
    let was = ProcessorSetting { bands: Vec::new(), ..stood_in_processor(project, newest) };
    let changed = changed_beside_bands(&was, &is, "");
    (!changed.is_empty()).then(|| {
        Finding::caution(
            "set-since",
            format!(
                "Delays, polarity, crossovers or levels were set otherwise since this was measured: {}. Enter them, and \
                 measure again with the bands bypassed: these bands correct the car as it was.",
                changed.join(", ")
            ),
        )
    })
}

#[cfg(test)]
mod tests {
    use job::Crossover;
    use tuning::BandKind;

    use super::*;

    fn channel(name: &str, gain_db: f64) -> ChannelSetting {
        ChannelSetting { channel: name.to_owned(), gain_db, ..ChannelSetting::default() }
    }

    fn band(name: &str) -> EnteredBand {
        EnteredBand {
            channel: name.to_owned(),
            kind: BandKind::Peak,
            frequency_hz: 100.0,
            gain_db: -3.0,
            q: 1.0,
            entered_q: None,
            enabled: true,
            locked: false,
            reason: String::new(),
        }
    }

    fn setting(channels: &[ChannelSetting], bands: &[EnteredBand]) -> ProcessorSetting {
        ProcessorSetting { channels: channels.to_vec(), bands: bands.to_vec(), bypassed: false }
    }

    /// Each thing that alters the sum of channels counts, on its own side; the equalizer of a side, and one step of all
    /// levels, are what an audit of bands is made for.
    #[test]
    fn what_alters_the_sum_of_channels_is_told_from_what_bands_do() {
        let was = setting(&[channel("left-mid", 0.0), channel("right-mid", 0.0), channel("sub", 0.0)], &[]);
        let of = |name: &str, alter: &dyn Fn(&mut ChannelSetting)| {
            let mut is = was.clone();
            is.channels.iter_mut().filter(|one| one.channel == name).for_each(alter);
            is
        };
        let low_pass = Crossover { family: "butterworth".to_owned(), order: 2, frequency_hz: 80.0 };
        let alters: [&dyn Fn(&mut ChannelSetting); 4] = [
            &|one| one.delay_s = 0.001,
            &|one| one.inverted = true,
            &|one| one.low_pass = Some(low_pass.clone()),
            &|one| one.gain_db = -6.0,
        ];
        for alter in alters {
            assert_eq!(changed_beside_bands(&was, &of("left-mid", alter), "left"), ["left-mid"]);
            assert!(changed_beside_bands(&was, &of("left-mid", alter), "right").is_empty());
            assert_eq!(changed_beside_bands(&was, &of("sub", alter), "right"), ["sub"]);
            assert_eq!(changed_beside_bands(&was, &of("right-mid", alter), ""), ["right-mid"]);
        }
        let mut softer = was.clone();
        softer.channels.iter_mut().for_each(|one| one.gain_db -= 4.0);
        assert!(changed_beside_bands(&was, &softer, "left").is_empty());
        let banded = setting(&was.channels, &[band(""), band("left"), band("right")]);
        for side in ["left", "right"] {
            assert!(changed_beside_bands(&was, &banded, side).is_empty());
        }
        let own = setting(&was.channels, &[band("left-mid")]);
        assert_eq!(changed_beside_bands(&was, &own, "left"), ["left-mid"]);
        assert!(changed_beside_bands(&own, &own, "left").is_empty());
        // What is not to be set stays as it was; what the job knew nothing of stood at nothing.
        assert!(
            changed_beside_bands(&of("sub", &|one| one.delay_s = 0.002), &setting(&[], &[]), "").is_empty()
        );
        let nothing = ProcessorSetting::default();
        assert!(changed_beside_bands(&nothing, &was, "").is_empty());
        assert_eq!(changed_beside_bands(&nothing, &of("sub", &|one| one.delay_s = 0.002), "left"), ["sub"]);
    }
}
