//! What became of everything that was entered, by what a job holds before and after.

use job::{
    AuditLine, AuditRecord, Basis, CaptureId, ChannelAudit, ChannelSetting, Driver, EnteredBand,
    ProcessorSetting, Set,
};
use measure::Finding;
use tuning::{
    AuditResult, Band, ChannelVerdict, EntryAudit, EntryChannel, EntryInput, Feed, Profile, Response,
    Verdict, channel_reaches,
};

use super::car_plan::filter;
use super::setting::{changed_beside_bands, stood_in_processor};
use super::{Placed, SIDES, SMOOTHING, average, change, measured_channels, on_clock, time_zero, together};
use crate::{CaptureEntry, Project, hertz};

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
/// drivers were measured alone before and after, the bands, level, delay, polarity and crossovers of each channel.
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
    let drivers = alone(project, &mut basis);
    for one in &drivers {
        if let Some(audit) = bands_of_driver(project, profile, one)? {
            bands.push((one.channel.clone(), audit));
        }
    }
    let entry = entry_of(&drivers, profile)?;
    if bands.is_empty() && entry.is_none() {
        let there = |set: &Set| project.captures.iter().any(|capture| capture.meta.set.as_ref() == Some(set));
        return Err(NoAudit::NothingMeasured(match (there(&Set::Before), there(&Set::After)) {
            (false, _) => "no capture is in the set `before`",
            (true, false) => "no capture is in the set `after`",
            (true, true) if in_channels(project) => {
                "the bands are in channels of single drivers, which what sounds together does not tell apart; measure each \
                 driver alone"
            }
            (true, true) => "the sets `before` and `after` hold no response of the same channel",
        }));
    }
    let mut record = record(project, &bands, entry.as_ref(), basis);
    record.findings.extend(mixed(project));
    record.findings.extend(drivers.iter().filter_map(bent));
    Ok(JobAudit { bands, entry, record })
}

impl JobAudit {
    /// Whether something is wrong for certain.
    #[must_use]
    pub fn has_mistake(&self) -> bool {
        self.mistakes() > 0
    }

    /// How much is wrong for certain: bands and channels.
    #[must_use]
    pub fn mistakes(&self) -> usize {
        let bands = self.bands.iter().flat_map(|(_, audit)| &audit.bands);
        let channels = self.entry.iter().flat_map(|entry| &entry.channels);
        bands.filter(|band| is_mistake(band.verdict)).count()
            + channels.filter(|channel| channel.verdict.is_mistake()).count()
    }

    /// What is said of everything that is not as meant, or cannot be told: channels, then bands.
    pub fn doubts(&self) -> impl Iterator<Item = &str> {
        let channels = self.record.channels.iter().map(|one| (one.verdict.as_str(), one.text.as_str()));
        let bands = self.record.bands.iter().map(|one| (one.verdict.as_str(), one.text.as_str()));
        let as_meant = [ChannelVerdict::AsMeant.word(), Verdict::AsMeant.word()];
        channels.chain(bands).filter(move |(verdict, _)| !as_meant.contains(verdict)).map(|(_, text)| text)
    }
}

/// Whether a verdict says that something is wrong for certain.
#[must_use]
pub fn is_mistake(verdict: Verdict) -> bool {
    !matches!(verdict, Verdict::AsMeant | Verdict::Unclear)
}

/// A band that reaches a channel and counts.
struct Meant {
    /// Its place in the whole list, from 1.
    index: usize,
    /// What the sheet calls it: its number among those of its channel.
    name: String,
    typed: Band,
}

fn meant(project: &Project, channel: &str) -> Vec<Meant> {
    let counts = |band: &&EnteredBand| band.enabled;
    let bands = (1..).zip(&project.data.bands).filter(|(_, band)| counts(band));
    let reaching = bands.filter(|(_, band)| channel_reaches(&band.channel, channel));
    let of = reaching.map(|(index, band)| {
        let same = project.data.bands[..index].iter().filter(counts);
        let number = same.filter(|other| other.channel == band.channel).count();
        let name = match band.channel.as_str() {
            own if own == channel => number.to_string(),
            "" => format!("{number} of all channels"),
            other => format!("{number} of {other}"),
        };
        Meant { index, name, typed: band.typed() }
    });
    of.collect()
}

fn bands_of(
    project: &Project,
    profile: &Profile,
    channel: &str,
    basis: &mut Basis,
) -> Result<Option<AuditResult>, NoAudit> {
    let placed = |set: &'static Set| -> Vec<(CaptureId, Placed<'_>)> {
        let all = together(project, set, channel);
        all.map(|(id, position, response)| (id, Placed { position, response })).collect()
    };
    let (before, after) = (placed(&Set::Before), placed(&Set::After));
    if after.is_empty() || in_channels(project) {
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
    let mut audit = audited(project, profile, channel, (&before, &after))?;
    let all = first_and_last(project, channel);
    let changed = all.map(|(was, is)| changed_beside_bands(&was, &is, channel)).unwrap_or_default();
    if !changed.is_empty() && audit.bands.iter().any(|band| is_mistake(band.verdict)) {
        doubt(&mut audit, &meant(project, channel), &changed);
    }
    Ok(Some(audit))
}

/// Whether bands are in the channel of a single driver: what they do to all that sounds together depends on the others.
pub(super) fn in_channels(project: &Project) -> bool {
    let drivers = &project.data.intake.drivers;
    let is_drivers = |band: &EnteredBand| drivers.iter().any(|driver| channel_of(driver) == band.channel);
    drivers.len() > 1 && project.data.bands.iter().any(|band| band.enabled && is_drivers(band))
}

/// What became of the bands that reach a channel, by what changed.
fn audited(
    project: &Project,
    profile: &Profile,
    channel: &str,
    (before, after): (&Response, &Response),
) -> Result<AuditResult, NoAudit> {
    let bands = meant(project, channel);
    let typed: Vec<Band> = bands.iter().map(|band| band.typed).collect();
    let names: Vec<String> = bands.iter().map(|band| band.name.clone()).collect();
    let mut audit = super::audit((before, after), &typed, &names, profile)
        .map_err(|error| NoAudit::Unusable(error.to_string()))?;
    // A band has its place in the whole list.
    for band in audit.bands.iter_mut().filter(|band| band.verdict != Verdict::Extra) {
        if let Some(meant) = band.index.checked_sub(1).and_then(|index| bands.get(index)) {
            band.index = meant.index;
        }
    }
    Ok(audit)
}

/// The bands of one driver's channel, by its captures alone: what changed is freed from what its gain and its crossovers
/// change, and judged where they let it play. Nothing for a channel without bands.
fn bands_of_driver(
    project: &Project,
    profile: &Profile,
    one: &Alone,
) -> Result<Option<AuditResult>, NoAudit> {
    if meant(project, &one.channel).is_empty() {
        return Ok(None);
    }
    let rate_hz = profile.sample_rate_hz;
    let bare =
        |setting: &tuning::ChannelSetting| tuning::ChannelSetting { bands: Vec::new(), ..setting.clone() };
    let (held, entered) =
        (one.was.levels_db(Some(profile), rate_hz), bare(&one.meant).levels_db(None, rate_hz));
    let (held, entered) = held
        .and_then(|held| Ok((held, entered?)))
        .map_err(|error| NoAudit::Unusable(format!("channel {}: {error}", one.channel)))?;
    let filters = |setting: &tuning::ChannelSetting| {
        tuning::ChannelSetting { gain_db: 0.0, ..bare(setting) }.levels_db(None, rate_hz)
    };
    let (Ok(open_before), Ok(open_after)) = (filters(&one.was), filters(&one.meant)) else { return Ok(None) };
    let plays = |hz: f64| open_before(hz) > -PLAYS_DB && open_after(hz) > -PLAYS_DB;
    let freed = |response: &Response, by: &dyn Fn(f64) -> f64| {
        let points = response.frequency_hz.iter().zip(&response.magnitude_db);
        let kept: (Vec<f64>, Vec<f64>) =
            points.filter(|(hz, _)| plays(**hz)).map(|(hz, level)| (*hz, level - by(*hz))).unzip();
        Response::new(kept.0, kept.1).ok()
    };
    let place = |response| Placed { position: "", response };
    let Some((before, after)) = freed(&one.before, &held).zip(freed(&one.after, &entered)) else {
        return Ok(None);
    };
    match change(&[place(&before)], &[place(&after)]) {
        Some((before, after)) => audited(project, profile, &one.channel, (&before, &after)).map(Some),
        None => Ok(None),
    }
}

/// So far below its passband a driver's crossovers leave too little of it to judge a band by (our choice).
const PLAYS_DB: f64 = 12.0;

/// What stood in the processor when *before* was measured, and what is to be in it now.
fn first_and_last(project: &Project, channel: &str) -> Option<(ProcessorSetting, ProcessorSetting)> {
    let before = project.captures.iter().filter(|capture| {
        capture.meta.set == Some(Set::Before)
            && capture.meta.processor_channel == channel
            && capture.meta.is_together()
    });
    let was = stood_in_processor(project, before.max_by_key(|capture| capture.id)?);
    Some((was, project.data.planned()))
}

/// Where more was changed than what the bands do, a mistake in a band cannot be told from the rest.
fn doubt(audit: &mut AuditResult, bands: &[Meant], changed: &[String]) {
    audit.bands.retain(|band| band.verdict != Verdict::Extra);
    for (band, meant) in audit.bands.iter_mut().zip(bands) {
        band.verdict = Verdict::Unclear;
        band.found = band.meant;
        band.text = format!("Band {} ({}) cannot be told.", meant.name, hertz(meant.typed.frequency_hz));
    }
    audit.findings = vec![Finding::caution(
        "more-changed",
        format!(
            "Between `before` and `after` more was changed than the equalizer of the whole: {}. What the captures differ \
             by cannot be laid to single bands. Enter everything else first and measure `before` with the bands \
             bypassed, or measure each driver alone into both sets.",
            changed.join(", ")
        ),
    )];
}

fn places<'a>(set: &[(CaptureId, Placed<'a>)]) -> Vec<Placed<'a>> {
    set.iter().map(|(_, placed)| *placed).collect()
}

/// That a driver's channel is judged by a capture that was no longer linear.
fn bent(one: &Alone) -> Option<Finding> {
    let capture = one.bent?;
    Some(Finding::caution(
        "level-control",
        format!(
            "On the {}: capture {capture} was bent by an automatic level control, a limiter or an overload, and what is said \
             of this channel by it. Play softer and measure it again.",
            one.channel
        ),
    ))
}

/// Whether the equalizers of left and right both act on a driver, each with its side's signal: captured alone, it has the
/// mean of them, which is no list of bands.
fn is_mixed(project: &Project, driver: &Driver) -> bool {
    let drivers = &project.data.intake.drivers;
    let is_channel = |name: &str| drivers.iter().any(|driver| channel_of(driver) == name);
    let of_side = |band: &EnteredBand| SIDES.contains(&band.channel.as_str()) && !is_channel(&band.channel);
    driver.feed.unwrap_or_else(|| Feed::proposed(&driver.name)) == Feed::Both
        && project.data.bands.iter().any(|band| band.enabled && of_side(band))
}

/// That the channels of such drivers are not judged.
fn mixed(project: &Project) -> Option<Finding> {
    let drivers = project.data.intake.drivers.iter();
    let mixed = drivers.filter(|driver| is_mixed(project, driver) && pair(project, &driver.name).is_some());
    let names: Vec<&str> = mixed.map(channel_of).collect();
    (!names.is_empty()).then(|| {
        Finding::note(
            "mixed-equalizers",
            format!(
                "Not judged: {}. The equalizers of left and right act on it as well, each with its side's signal, and alone \
                 it has the mean of both. Measure each side before and after instead.",
                names.join(", ")
            ),
        )
    })
}

/// One driver measured alone before and after, on a clock that its arrivals share.
struct Alone {
    channel: String,
    /// The capture that says itself that it is not linear.
    bent: Option<CaptureId>,
    before: Response,
    after: Response,
    was: tuning::ChannelSetting,
    meant: tuning::ChannelSetting,
}

fn channel_of(driver: &Driver) -> &str {
    if driver.channel.is_empty() { &driver.name } else { &driver.channel }
}

/// The newest capture of a driver alone after the entry, and that before it at the same place, or the newest where there is
/// none.
fn pair<'a>(project: &'a Project, driver: &str) -> Option<(&'a CaptureEntry, &'a CaptureEntry)> {
    let is_before = |set: &Option<Set>| set.as_ref().is_none_or(|set| *set == Set::Before);
    let all = || project.captures.iter().filter(|one| one.meta.driver == driver && one.response.is_some());
    let after = all().filter(|one| one.meta.set == Some(Set::After)).max_by_key(|one| one.id)?;
    let before = || all().filter(|one| is_before(&one.meta.set) && time_zero(one) == time_zero(after));
    let there = before().filter(|one| one.meta.position == after.meta.position).max_by_key(|one| one.id);
    Some((there.or_else(|| before().max_by_key(|one| one.id))?, after))
}

fn alone(project: &Project, basis: &mut Basis) -> Vec<Alone> {
    let mut all = Vec::new();
    for driver in project.data.intake.drivers.iter().filter(|driver| !is_mixed(project, driver)) {
        let channel = channel_of(driver);
        let Some((before, after)) = pair(project, &driver.name) else { continue };
        let (Some(first), Some(second)) = (on_clock(before), on_clock(after)) else { continue };
        let meant_here = project.data.channels.iter().find(|setting| setting.channel == *channel);
        let was = before.meta.setting.as_ref().or(project.data.preset.as_ref());
        let was_here = was.and_then(|was| was.channels.iter().find(|setting| setting.channel == *channel));
        basis.captures.extend([before.id, after.id]);
        let is_bent = |one: &&CaptureEntry| {
            let findings = one.reading.as_ref().map(|reading| reading.findings.as_slice());
            findings.unwrap_or_default().iter().any(|finding| finding.code == "level-control")
        };
        all.push(Alone {
            channel: channel.to_owned(),
            bent: [after, before].into_iter().find(is_bent).map(|one| one.id),
            before: first,
            after: second,
            was: of_job(was_here, was.map(|was| was.bands.as_slice()).unwrap_or_default(), channel),
            meant: of_job(meant_here, &project.data.bands, channel),
        });
    }
    all
}

fn entry_of(drivers: &[Alone], profile: &Profile) -> Result<Option<EntryAudit>, NoAudit> {
    if drivers.is_empty() {
        return Ok(None);
    }
    let channels: Vec<EntryChannel<'_>> = drivers
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
    let findings = |channel: &str, findings: &[Finding]| -> Vec<Finding> {
        let on = |finding: &Finding| match channel {
            "" => finding.clone(),
            side => Finding { text: format!("On the {side}: {}", finding.text), ..finding.clone() },
        };
        findings.iter().map(on).collect()
    };
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
            .flat_map(|(channel, audit)| findings(channel, &audit.findings))
            .chain(entry.iter().flat_map(|entry| findings("", &entry.findings)))
            .collect(),
    }
}
