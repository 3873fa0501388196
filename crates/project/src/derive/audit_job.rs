//! What became of everything that was entered, by what a job holds before and after.

use job::{AuditLine, AuditRecord, Basis, ChannelAudit, ChannelSetting, EnteredBand, Set};
use measure::Finding;
use tuning::{
    AuditResult, Band, ChannelVerdict, EntryAudit, EntryChannel, EntryInput, Profile, Response, Verdict,
    channel_reaches,
};

use super::car_plan::filter;
use super::{Placed, SMOOTHING, average, change, measured_channels, on_clock, together};
use crate::{CaptureEntry, Project};

/// What an audit of a job found.
#[derive(Debug, Clone, PartialEq)]
pub struct JobAudit {
    /// What became of the bands, for each channel that was measured before and after.
    pub bands: Vec<(String, AuditResult)>,
    /// What became of the channels, where their drivers were measured alone before and after.
    pub entry: Option<EntryAudit>,
    /// The same, as the job keeps it.
    pub record: AuditRecord,
}

/// Why a job cannot be audited.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum NoAudit {
    /// A set is not there.
    #[error(
        "there is nothing to compare: {0}. Measure the same places again after the entry, into the set `after`, and put \
         captures into their set with `headrest job capture JOB N --set before|after`"
    )]
    NothingMeasured(&'static str),
    /// Something is wrong with what was measured.
    #[error("{0}")]
    Unusable(String),
}

/// Compares what a job holds before with what it holds after: the bands of what sounds together, and, where
/// drivers were measured alone in both sets, the level, delay, polarity and crossovers of each channel.
///
/// # Errors
/// When nothing was measured before and after, or it cannot be used.
pub fn audit_job(project: &Project, profile: &Profile, basis: Basis) -> Result<JobAudit, NoAudit> {
    let mut basis = basis;
    let mut bands = Vec::new();
    for channel in measured_channels(project, &Set::Before) {
        if let Some(audit) = bands_of(project, profile, channel, &mut basis)? {
            bands.push((channel.to_owned(), audit));
        }
    }
    let entry = entry_of(project, profile, &mut basis)?;
    if bands.is_empty() && entry.is_none() {
        let there = |set: &Set| project.captures.iter().any(|capture| capture.meta.set.as_ref() == Some(set));
        return Err(NoAudit::NothingMeasured(match (there(&Set::Before), there(&Set::After)) {
            (false, _) => "no capture is in the set `before`",
            (true, false) => "no capture is in the set `after`",
            (true, true) => "the sets `before` and `after` hold no response of the same channel",
        }));
    }
    let record = record(project, &bands, entry.as_ref(), basis);
    Ok(JobAudit { bands, entry, record })
}

impl JobAudit {
    /// Whether something is wrong for certain.
    #[must_use]
    pub fn has_mistake(&self) -> bool {
        let bands = self.bands.iter().flat_map(|(_, audit)| &audit.bands);
        let channels = self.entry.iter().flat_map(|entry| &entry.channels);
        bands.map(|band| band.verdict).any(is_mistake)
            || channels.map(|channel| channel.verdict).any(ChannelVerdict::is_mistake)
    }
}

/// Whether a verdict says that something is wrong for certain.
#[must_use]
pub fn is_mistake(verdict: Verdict) -> bool {
    !matches!(verdict, Verdict::AsMeant | Verdict::Unclear)
}

/// The bands that reach a channel and count, with their places in the list from 1.
fn meant<'a>(project: &'a Project, channel: &'a str) -> impl Iterator<Item = (usize, &'a EnteredBand)> {
    let bands = (1..).zip(&project.data.bands);
    bands.filter(move |(_, band)| band.enabled && channel_reaches(&band.channel, channel))
}

fn bands_of(
    project: &Project,
    profile: &Profile,
    channel: &str,
    basis: &mut Basis,
) -> Result<Option<AuditResult>, NoAudit> {
    let placed = |set: &'static Set| -> Vec<(job::CaptureId, Placed<'_>)> {
        let all = together(project, set, channel);
        all.map(|(id, position, response)| (id, Placed { position, response })).collect()
    };
    let (before, after) = (placed(&Set::Before), placed(&Set::After));
    if after.is_empty() {
        return Ok(None);
    }
    basis.captures.extend(before.iter().chain(&after).map(|(id, _)| *id));
    let averages = || {
        let of = |set| average(project, set, channel, SMOOTHING);
        of(&Set::Before).zip(of(&Set::After))
    };
    let Some((before, after)) = change(&places(&before), &places(&after)).or_else(averages) else {
        return Ok(None);
    };
    let (numbers, typed): (Vec<usize>, Vec<Band>) =
        meant(project, channel).map(|(number, band)| (number, band.typed())).unzip();
    let mut audit = super::audit((&before, &after), &typed, profile)
        .map_err(|error| NoAudit::Unusable(error.to_string()))?;
    // A band is called by its place in the whole list.
    for band in audit.bands.iter_mut().filter(|band| band.verdict != Verdict::Extra) {
        if let Some(&number) = band.index.checked_sub(1).and_then(|index| numbers.get(index)) {
            band.text = band.text.replacen(&format!("Band {} ", band.index), &format!("Band {number} "), 1);
            band.index = number;
        }
    }
    Ok(Some(audit))
}

fn places<'a>(set: &[(job::CaptureId, Placed<'a>)]) -> Vec<Placed<'a>> {
    set.iter().map(|(_, placed)| *placed).collect()
}

/// The newest capture of a driver alone in a set, on a clock that its arrivals share.
fn alone<'a>(project: &'a Project, set: &Set, driver: &str) -> Option<&'a CaptureEntry> {
    let belongs = |capture: &&CaptureEntry| {
        capture.meta.set.as_ref() == Some(set) && capture.meta.driver == driver && capture.response.is_some()
    };
    project.captures.iter().filter(belongs).max_by_key(|capture| capture.id)
}

fn entry_of(project: &Project, profile: &Profile, basis: &mut Basis) -> Result<Option<EntryAudit>, NoAudit> {
    struct Alone {
        channel: String,
        before: Response,
        after: Response,
        was: tuning::ChannelSetting,
        meant: tuning::ChannelSetting,
    }
    let mut all = Vec::new();
    for driver in &project.data.intake.drivers {
        let channel = if driver.channel.is_empty() { &driver.name } else { &driver.channel };
        let set = |set: &Set| alone(project, set, &driver.name);
        let (Some(before), Some(after)) = (set(&Set::Before), set(&Set::After)) else { continue };
        let (Some(first), Some(second)) = (on_clock(before), on_clock(after)) else { continue };
        let meant_here = project.data.channels.iter().find(|setting| setting.channel == *channel);
        let was = before.meta.setting.as_ref().or(project.data.preset.as_ref());
        let was_here = was.and_then(|was| was.channels.iter().find(|setting| setting.channel == *channel));
        basis.captures.extend([before.id, after.id]);
        all.push(Alone {
            channel: channel.clone(),
            before: first,
            after: second,
            was: of_job(was_here, was.map(|was| was.bands.as_slice()).unwrap_or_default(), channel),
            meant: of_job(meant_here, &project.data.bands, channel),
        });
    }
    if all.is_empty() {
        return Ok(None);
    }
    let channels: Vec<EntryChannel<'_>> = all
        .iter()
        .map(|one| EntryChannel {
            channel: &one.channel,
            before: &one.before,
            after: &one.after,
            was: &one.was,
            meant: &one.meant,
        })
        .collect();
    let input = EntryInput { channels: &channels, profile: Some(profile) };
    tuning::audit_entry(&input).map(Some).map_err(|error| NoAudit::Unusable(error.to_string()))
}

/// What a channel holds, with the bands that reach it.
fn of_job(setting: Option<&ChannelSetting>, bands: &[EnteredBand], channel: &str) -> tuning::ChannelSetting {
    let setting = setting.cloned().unwrap_or_default();
    let bands = bands.iter().filter(|band| band.enabled && channel_reaches(&band.channel, channel));
    tuning::ChannelSetting {
        gain_db: setting.gain_db,
        delay_s: setting.delay_s,
        inverted: setting.inverted,
        high_pass: setting.high_pass.as_ref().map(filter),
        low_pass: setting.low_pass.as_ref().map(filter),
        bands: bands.map(EnteredBand::typed).collect(),
    }
}

fn record(
    project: &Project,
    bands: &[(String, AuditResult)],
    entry: Option<&EntryAudit>,
    basis: Basis,
) -> AuditRecord {
    let line = |channel: &str, band: &tuning::AuditedBand| {
        let text =
            if channel.is_empty() { band.text.clone() } else { format!("On the {channel}: {}", band.text) };
        AuditLine { channel: channel.to_owned(), text, ..AuditLine::from(band) }
    };
    let findings = |findings: &[Finding]| findings.to_vec();
    let channel = |one: &tuning::AuditedChannel| {
        let meant = project.data.channels.iter().find(|setting| setting.channel == one.channel);
        let found = super::car_plan::setting(
            &one.channel,
            one.found.gain_db,
            one.found.delay_s,
            one.found.inverted,
            (one.found.high_pass, one.found.low_pass),
        );
        ChannelAudit {
            channel: one.channel.clone(),
            verdict: one.verdict.word().to_owned(),
            text: one.text.clone(),
            meant: meant.cloned(),
            found: (one.verdict != ChannelVerdict::AsMeant).then_some(found),
        }
    };
    AuditRecord {
        basis,
        bands: bands
            .iter()
            .flat_map(|(channel, audit)| audit.bands.iter().map(|band| line(channel, band)))
            .collect(),
        channels: entry.iter().flat_map(|entry| entry.channels.iter().map(channel)).collect(),
        residual_rms_db: bands.iter().map(|(_, audit)| audit.residual_rms_db).reduce(f64::max),
        findings: bands
            .iter()
            .flat_map(|(_, audit)| findings(&audit.findings))
            .chain(entry.iter().flat_map(|entry| findings(&entry.findings)))
            .collect(),
    }
}
