//! What a sheet says, gathered from a job.

use chart::{Chart, Picture, Size};
use job::{
    AuditLine, ChannelAudit, FitRecord, Job, JobData, Judgement, LeftAlone, Outcome, SideError, Source,
    SourceUnit, TimingRecord, TuneRecord,
};
use measure::Finding;
use tuning::{BandEntry, bands_csv};

use crate::also::{self, Rattle};
use crate::channel::{Entry, SheetChannel};
use crate::{entered, picture, pictures};

/// Everything that an entry sheet or a customer's report says.
#[derive(Debug, Clone, PartialEq)]
pub struct Sheet {
    /// The job's name.
    pub name: String,
    /// The day on which the job was begun, `2026-11-25`, by universal time.
    pub date: String,
    /// The vehicle.
    pub vehicle: String,
    /// Its number plate.
    pub plate: String,
    /// Whose car it is.
    pub customer: String,
    /// The factory source and where the signal is taken from it.
    pub source_unit: SourceUnit,
    /// The signal processor.
    pub processor: String,
    /// What the tuning aims at, by its name; empty where that is not known.
    pub target: String,
    /// The amplifiers, one line each.
    pub amplifiers: Vec<String>,
    /// The drivers, one line each.
    pub drivers: Vec<String>,
    /// What the source puts out, and the highest clean step.
    pub source: Source,
    /// What is entered, channel by channel: what was in the processor when the captures *after* were made, or
    /// else what is to be entered.
    pub channels: Vec<SheetChannel>,
    /// Whether `channels` is what was measured, and not only what was planned.
    pub is_measured: bool,
    /// What the last fit of bands found.
    pub fit: Option<FitRecord>,
    /// What the last alignment of the drivers found.
    pub timing: Option<TimingRecord>,
    /// What the last tuning of the whole car found.
    pub tune: Option<TuneRecord>,
    /// How far the response was from the target.
    pub outcome: Option<Outcome>,
    /// What the audit said of the entered bands.
    pub audit: Vec<AuditLine>,
    /// What the audit remarked.
    pub audit_findings: Vec<Finding>,
    /// What the audit said of the channels' levels, delays, polarities and crossovers.
    pub audited_channels: Vec<ChannelAudit>,
    /// The person's own notes.
    pub notes: String,
    /// What searches for rattles found.
    pub rattles: Vec<Rattle>,
    /// Each side before and as predicted, where the whole car was tuned.
    pub sides: Option<Sides>,
    /// What else was measured, one line each: a third party's measurements among them.
    pub also: Vec<String>,
    /// Before, after and target over frequency, where there is something to show.
    pub chart: Option<Chart>,
    /// Small pictures of the car, with their sizes.
    pub pictures: Vec<(Picture, Size)>,
    /// What could not be shown, and why.
    pub remarks: Vec<String>,
}

/// How far each side lies from the target, under `left`, `right` and `both`.
#[derive(Debug, Clone, PartialEq)]
pub struct Sides {
    /// As measured before the tuning.
    pub before: Vec<(&'static str, SideError)>,
    /// As the tuning was to make it.
    pub predicted: Vec<(&'static str, SideError)>,
}

impl Sides {
    fn of(tune: &TuneRecord) -> Self {
        let sides = |judged: &Option<Judgement>| {
            let judged = judged.as_ref();
            let side = |side: Option<SideError>, name| side.map(|error| (name, error));
            judged.map_or_else(Vec::new, |judged| {
                let all = [(judged.left, "left"), (judged.right, "right"), (judged.both, "both")];
                all.into_iter().filter_map(|(error, name)| side(error, name)).collect()
            })
        };
        Self { before: sides(&tune.before), predicted: sides(&tune.predicted) }
    }
}

impl Sheet {
    /// Places that equalizing does not help, each with its channel.
    pub(crate) fn left_alone(&self) -> impl Iterator<Item = (&str, &LeftAlone)> {
        self.fit.iter().flat_map(FitRecord::left_alone)
    }

    /// Gathers a sheet. What cannot be read is said in `remarks`; there is
    /// always a sheet.
    #[must_use]
    pub fn from_job(job: &Job) -> Self {
        let data = job.data();
        let mut remarks: Vec<String> = job.problems().iter().map(|finding| finding.text.clone()).collect();
        let chart = picture::before_and_after(job, &mut remarks);
        let measured = entered::when_measured(job, &mut remarks);
        let setting = measured.clone().unwrap_or_else(|| data.planned());
        Self {
            chart,
            remarks,
            pictures: pictures::of_job(job),
            rattles: also::rattles(job),
            also: also::lines(job),
            channels: entered::channels(&setting, data),
            is_measured: measured.is_some(),
            ..Self::from_data(data)
        }
    }

    /// Gathers what does not depend on captures.
    fn from_data(data: &JobData) -> Self {
        let intake = &data.intake;
        let processor = match (&intake.processor, &data.processor) {
            (named, _) if !named.is_empty() => named.clone(),
            (_, Some(job::PresetOrInline::Preset(profile))) => profile.clone(),
            _ => String::new(),
        };
        let created = data.head.created.to_string();
        Self {
            name: data.head.name.clone(),
            date: created.split('T').next().unwrap_or_default().to_owned(),
            vehicle: intake.vehicle.clone(),
            plate: intake.plate.clone(),
            customer: intake.customer.clone(),
            source_unit: intake.source.clone(),
            processor,
            target: target_name(data),
            amplifiers: intake.amplifiers.iter().map(ToString::to_string).collect(),
            drivers: intake.drivers.iter().map(ToString::to_string).collect(),
            source: data.source.clone(),
            channels: entered::channels(&data.planned(), data),
            is_measured: false,
            fit: data.fit.clone(),
            timing: data.timing.clone(),
            tune: data.tune.clone(),
            outcome: data.outcome.clone(),
            audited_channels: data.audit.as_ref().map_or_else(Vec::new, |audit| audit.channels.clone()),
            audit: data.audit.as_ref().map_or_else(Vec::new, |audit| audit.bands.clone()),
            audit_findings: data.audit.as_ref().map_or_else(Vec::new, |audit| audit.findings.clone()),
            notes: data.notes.clone(),
            rattles: Vec::new(),
            sides: data.tune.as_ref().map(Sides::of),
            also: Vec::new(),
            chart: None,
            pictures: Vec::new(),
            remarks: Vec::new(),
        }
    }

    /// The band list as CSV: `channel,band,type,frequency_hz,gain_db,q`, with Q
    /// as it is typed.
    #[must_use]
    pub fn to_csv(&self) -> String {
        let entry = |channel: &SheetChannel, band: &Entry| BandEntry {
            channel: channel.name.clone(),
            number: band.number,
            band: tuning::Band {
                kind: band.kind,
                frequency_hz: band.frequency_hz,
                gain_db: band.gain_db,
                q: band.typed_q,
            },
        };
        let entries: Vec<BandEntry> = self
            .channels
            .iter()
            .flat_map(|channel| channel.bands.iter().map(move |band| entry(channel, band)))
            .collect();
        bands_csv(&entries)
    }
}

/// What the target is called, or else the name by which it was chosen.
fn target_name(data: &JobData) -> String {
    match (picture::target(data, &mut Vec::new()), &data.target) {
        (Some(target), _) => target.name,
        (None, Some(job::PresetOrInline::Preset(name))) => name.clone(),
        (None, _) => String::new(),
    }
}
