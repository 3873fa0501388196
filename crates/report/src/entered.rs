//! What stood in the processor when *after* was measured, in the order in which it is entered.

use job::{Capture, CaptureState, ChannelSetting, EnteredBand, Job, JobData, ProcessorSetting, Set};

use crate::channel::{Entry, SheetChannel};
use crate::picture::is_same_place;

/// Values closer than these are the same: the last digit that a processor shows.
const SAME_DB: f64 = 0.05;
const SAME_RATIO: f64 = 1e-3;

/// What stood in the processor when the captures *after* were made, of several at one place the newest; nothing where
/// no capture says it. Where they do not agree, or what was planned has changed since, that is said.
pub(crate) fn when_measured(job: &Job, remarks: &mut Vec<String>) -> Option<ProcessorSetting> {
    let done = || job.in_set(&Set::After).filter(|capture| capture.state == CaptureState::Done);
    let is_replaced = |capture: &Capture| {
        let made_again = |later: &Capture| {
            later.id > capture.id
                && later.meta.measurement == capture.meta.measurement
                && is_same_place(&capture.meta, &later.meta)
        };
        done().any(made_again)
    };
    let after = done().filter(|capture| !is_replaced(capture));
    let (known, unknown): (Vec<_>, Vec<_>) = after.partition(|capture| capture.meta.setting.is_some());
    let mut settings: Vec<_> =
        known.into_iter().filter_map(|capture| Some((capture.id, capture.meta.setting.as_ref()?))).collect();
    settings.sort_by_key(|(id, _)| *id);
    if !unknown.is_empty() && !settings.is_empty() {
        let ids: Vec<String> = unknown.iter().map(|capture| capture.id.to_string()).collect();
        remarks.push(format!(
            "It is not known what stood in the processor for {}: nothing was planned yet when {} begun.",
            ids.join(", "),
            if ids.len() == 1 { "it was" } else { "they were" }
        ));
    }
    let (last, measured) = *settings.last()?;
    let others: Vec<String> = settings
        .iter()
        .filter(|(_, setting)| !differences(setting, measured).is_empty())
        .map(|(id, _)| id.to_string())
        .collect();
    if !others.is_empty() {
        remarks.push(format!(
            "The captures after were not all made with the same settings: this is what stood in the processor for capture \
             {last}; {} had others.",
            others.join(", ")
        ));
    }
    let plan = job.data().planned();
    if !plan.is_empty() {
        let changed = differences(&plan, measured);
        if !changed.is_empty() {
            remarks.push(format!(
                "Changed in the job since the captures after were made, and not measured: {}. This sheet is what was \
                 measured.",
                changed.join(", ")
            ));
        }
    }
    Some(measured.clone())
}

/// The channels in the order of their settings, then of their first band; what goes into all channels comes
/// first. Reasons, and the Q as it is typed, come from the job's own bands of the same values.
pub(crate) fn channels(setting: &ProcessorSetting, data: &JobData) -> Vec<SheetChannel> {
    let preset = data.preset.as_ref().map(|preset| preset.channels.as_slice()).unwrap_or_default();
    let was = |setting: &ChannelSetting| {
        let held = preset.iter().find(|held| held.channel == setting.channel)?;
        (!held.is_like(setting)).then(|| held.clone())
    };
    let mut channels: Vec<SheetChannel> = setting
        .channels
        .iter()
        .map(|setting| SheetChannel {
            name: setting.channel.clone(),
            setting: Some(setting.clone()),
            was: was(setting),
            bands: Vec::new(),
        })
        .collect();
    for band in setting.bands.iter().filter(|band| band.enabled && !setting.bypassed) {
        let index = channels.iter().position(|channel| channel.name == band.channel).unwrap_or_else(|| {
            let name = band.channel.clone();
            channels.push(SheetChannel { name, setting: None, was: None, bands: Vec::new() });
            channels.len() - 1
        });
        let known = data.bands.iter().find(|known| same_band(known, band));
        let bands = &mut channels[index].bands;
        bands.push(Entry {
            number: u32::try_from(bands.len() + 1).unwrap_or(u32::MAX),
            kind: band.kind,
            frequency_hz: band.frequency_hz,
            gain_db: band.gain_db,
            typed_q: known.map_or_else(|| band.typed_q(), EnteredBand::typed_q),
            q: band.q,
            reason: known.map_or_else(|| band.reason.clone(), |known| known.reason.clone()),
        });
    }
    channels.sort_by_key(|channel| !channel.name.is_empty());
    channels
}

fn same_band(one: &EnteredBand, other: &EnteredBand) -> bool {
    let near = |one: f64, other: f64| (one / other - 1.0).abs() < SAME_RATIO;
    one.kind == other.kind
        && (one.gain_db - other.gain_db).abs() < SAME_DB
        && near(one.frequency_hz, other.frequency_hz)
        && near(one.q, other.q)
        && (one.channel == other.channel || one.channel.is_empty() || other.channel.is_empty())
}

/// What one setting says otherwise than another, channel by channel and band by band; what only the second
/// one has is not looked at.
fn differences(one: &ProcessorSetting, other: &ProcessorSetting) -> Vec<String> {
    let channels = one.channels.iter().filter(|setting| {
        let there = other.channels.iter().find(|there| there.channel == setting.channel);
        there.is_none_or(|there| !there.is_like(setting))
    });
    let counts = |setting: &ProcessorSetting| !setting.bypassed && !setting.bands.is_empty();
    let missing = |from: &ProcessorSetting, of: &ProcessorSetting| {
        let bands = from.bands.iter().filter(|band| band.enabled && counts(from));
        bands
            .filter(|band| {
                !counts(of) || !of.bands.iter().any(|there| there.enabled && same_band(there, band))
            })
            .map(|band| format!("the band at {}", crate::numbers::frequency(band.frequency_hz)))
            .collect::<Vec<String>>()
    };
    let mut all: Vec<String> = channels.map(|setting| setting.channel.clone()).collect();
    all.extend(missing(one, other));
    all.extend(missing(other, one));
    all.sort();
    all.dedup();
    all
}

#[cfg(test)]
mod tests {
    use jiff::Timestamp;
    use job::{CaptureMeta, Head, Stage};
    use measure::Reading;
    use tuning::BandKind;

    use super::*;
    use crate::Sheet;

    fn gain(channel: &str, gain_db: f64) -> ChannelSetting {
        ChannelSetting { channel: channel.to_owned(), gain_db, ..ChannelSetting::default() }
    }

    fn band(frequency_hz: f64, reason: &str) -> EnteredBand {
        EnteredBand {
            channel: String::new(),
            kind: BandKind::Peak,
            frequency_hz,
            gain_db: -3.0,
            q: 2.0,
            entered_q: None,
            enabled: true,
            locked: false,
            reason: reason.to_owned(),
        }
    }

    /// What is printed is what stood in the processor for the captures after, whatever the job says by now;
    /// what was another before the work, and what changed since, is said.
    #[test]
    fn the_sheet_is_what_was_measured() {
        let folder = tempfile::tempdir().expect("a folder");
        let head = Head { name: "a job".to_owned(), created: Timestamp::UNIX_EPOCH };
        let mut job = Job::create(folder.path().join("car"), head).expect("a job");
        let setting = |channels: &[ChannelSetting], bands: &[EnteredBand]| ProcessorSetting {
            channels: channels.to_vec(),
            bands: bands.to_vec(),
            bypassed: false,
        };
        let preset = setting(&[gain("left", -5.0), gain("right", -4.0)], &[]);
        job.edit(|data| {
            data.preset = Some(preset);
            data.channels = vec![gain("left", -7.0), gain("right", -4.0)];
            data.bands = vec![band(100.0, "a hump"), band(400.0, "another")];
        })
        .expect("it is kept");
        let plan = Sheet::from_job(&job);
        assert!(!plan.is_measured && plan.remarks.is_empty(), "{:?}", plan.remarks);
        assert_eq!(plan.channels.len(), 3);

        let mut meta = CaptureMeta::new("sweep", 1, Stage::Tune, Timestamp::UNIX_EPOCH);
        meta.set = Some(Set::After);
        meta.setting =
            Some(setting(&[gain("left", -8.0), gain("right", -4.0)], &[band(100.0, ""), band(250.0, "")]));
        let pending = job.begin_capture(&meta).expect("a capture");
        job.finish_capture(&pending, &Reading::new("sweep", 1, 48_000.0), meta).expect("it is kept");
        let sheet = Sheet::from_job(&job);
        assert!(sheet.is_measured);
        let [all, left, right] = sheet.channels.as_slice() else { panic!("{:?}", sheet.channels) };
        assert_eq!(all.bands.iter().map(|band| band.frequency_hz).collect::<Vec<_>>(), [100.0, 250.0]);
        assert_eq!(all.bands[0].reason, "a hump");
        let gain_of = |setting: &Option<ChannelSetting>| setting.as_ref().map(|setting| setting.gain_db);
        assert_eq!((gain_of(&left.setting), gain_of(&left.was)), (Some(-8.0), Some(-5.0)));
        assert_eq!((gain_of(&right.setting), gain_of(&right.was)), (Some(-4.0), None));
        let said = sheet.remarks.join(" ");
        for part in ["not measured", "left", "250 Hz", "400 Hz"] {
            assert!(said.contains(part), "{part}: {said}");
        }
        assert!(!said.contains("right"), "{said}");
        let text = sheet.to_text();
        assert!(text.contains("−8 dB (was −5 dB)"), "{text}");
    }
}
