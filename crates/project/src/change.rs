//! What can happen to a project. Whoever asks for it, it happens here.

use job::{
    AuditRecord, Capture, CaptureId, CaptureMeta, CaptureState, ChannelSetting, Choices, Conditions,
    EnteredBand, FitRecord, GainRecord, Intake, NoiseRecord, Outcome, PlacedBy, PresetOrInline,
    ProcessorSetting, Set, SourceOutput, Stage, StageResult, TimingRecord, ToneRecord, TuneRecord,
};
use measure::Reading;

use crate::{CaptureEntry, Project};

/// One thing that happens to a project.
#[derive(Debug, Clone, PartialEq)]
pub enum Change {
    /// A capture's recording has begun.
    CaptureBegun {
        /// Its number.
        id: CaptureId,
        /// What is known about it.
        meta: CaptureMeta,
    },
    /// A capture was recorded to its end.
    CaptureDone {
        /// Its number.
        id: CaptureId,
        /// What is known about it. Where it belongs is the project's since it began.
        meta: CaptureMeta,
        /// What was found.
        reading: Reading,
    },
    /// A capture ended early; the recording is kept.
    CaptureInterrupted {
        /// Its number.
        id: CaptureId,
        /// What is known about it.
        meta: CaptureMeta,
        /// What was found so far.
        reading: Option<Reading>,
    },
    /// A capture's reading was computed again.
    Recomputed {
        /// Its number.
        id: CaptureId,
        /// The new reading.
        reading: Reading,
        /// The version of the program.
        program: String,
    },
    /// A capture belongs elsewhere or is called otherwise.
    Placed {
        /// Its number.
        id: CaptureId,
        /// Where it belongs.
        placement: Placement,
    },
    /// A capture is moved aside.
    Discarded(CaptureId),
    /// A capture comes back.
    Restored(CaptureId),
    /// The captures are shown in another order.
    Reordered(Vec<CaptureId>),
    /// The job is called otherwise.
    Named(String),
    /// What is known of the car.
    Intake(Intake),
    /// The notes.
    Notes(String),
    /// The target.
    Target(Option<PresetOrInline>),
    /// The processor's profile.
    Processor(Option<PresetOrInline>),
    /// What was in the processor before the work began.
    Preset(Option<ProcessorSetting>),
    /// The bands.
    Bands(Vec<EnteredBand>),
    /// The settings of the channels.
    Channels(Vec<ChannelSetting>),
    /// How the work is to be done.
    Choices(Choices),
    /// Several edits that are one for the person.
    Together(Vec<Change>),
    /// Bands were fitted.
    FitFound(Option<FitRecord>),
    /// The drivers were aligned.
    TimingFound(Option<TimingRecord>),
    /// The whole car was tuned.
    TuneFound(Option<TuneRecord>),
    /// What was entered was audited.
    AuditFound(Option<AuditRecord>),
    /// How far the response is from the target.
    OutcomeFound(Option<Outcome>),
    /// The clean limit of the source.
    HeadroomFound {
        /// The highest step at which every output is clean.
        clean_step: Option<u32>,
        /// The output that limits it.
        limited_by: String,
        /// Each output.
        outputs: Vec<SourceOutput>,
    },
    /// The tone of the source.
    ToneFound(Option<ToneRecord>),
    /// The noise of the source.
    NoiseFound(Option<NoiseRecord>),
    /// The gains of the chain.
    GainFound(Option<GainRecord>),
    /// What came out of a stage; nothing takes it back.
    StageResult(Stage, Option<StageResult>),
}

impl Change {
    /// The capture that it is about, if it is about one.
    #[must_use]
    pub fn capture(&self) -> Option<CaptureId> {
        match self {
            Self::CaptureBegun { id, .. }
            | Self::CaptureDone { id, .. }
            | Self::CaptureInterrupted { id, .. }
            | Self::Recomputed { id, .. }
            | Self::Placed { id, .. }
            | Self::Discarded(id)
            | Self::Restored(id) => Some(*id),
            _ => None,
        }
    }

    /// What was found in a capture that has ended.
    #[must_use]
    pub fn reading(&self) -> Option<&Reading> {
        match self {
            Self::CaptureDone { reading, .. } | Self::Recomputed { reading, .. } => Some(reading),
            Self::CaptureInterrupted { reading, .. } => reading.as_ref(),
            _ => None,
        }
    }
}

/// Where a capture belongs and what it is called: what a person may say of it.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Placement {
    /// What it is called.
    pub label: String,
    /// The side of a comparison.
    pub set: Option<Set>,
    /// Where the microphone was, or which output was tapped.
    pub position: String,
    /// The driver that played alone.
    pub driver: String,
    /// The processor channel or side that played.
    pub processor_channel: String,
    /// What it was made under.
    pub conditions: Conditions,
    /// How that is known.
    pub placed_by: Option<PlacedBy>,
}

impl Placement {
    /// Where a capture belongs.
    #[must_use]
    pub fn of(meta: &CaptureMeta) -> Self {
        Self {
            label: meta.label.clone(),
            set: meta.set.clone(),
            position: meta.position.clone(),
            driver: meta.driver.clone(),
            processor_channel: meta.processor_channel.clone(),
            conditions: meta.conditions.clone(),
            placed_by: meta.placed_by,
        }
    }

    /// The description of the same capture, placed here.
    #[must_use]
    pub fn on(self, meta: CaptureMeta) -> CaptureMeta {
        let Self { label, set, position, driver, processor_channel, conditions, placed_by } = self;
        CaptureMeta { label, set, position, driver, processor_channel, conditions, placed_by, ..meta }
    }
}

/// Why a change was refused; the project is as it was.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Refused {
    /// There is no such capture.
    #[error("there is no capture {0}; `headrest job show` lists them")]
    NoCapture(CaptureId),
    /// There is one of this number already.
    #[error("capture {0} has begun already")]
    BegunAlready(CaptureId),
    /// An order that leaves out or repeats captures.
    #[error("the new order does not name each of the {0} captures exactly once")]
    Order(usize),
    /// A value that cannot be.
    #[error("{what} is {value}; expected {expected}")]
    Value {
        /// The value's place, such as `the frequency of band 3`.
        what: String,
        /// The value as it was given.
        value: String,
        /// What can be.
        expected: &'static str,
    },
    /// A reading that breaks its contract.
    #[error("the reading of capture {id} cannot be kept: {problem}")]
    Reading {
        /// The capture.
        id: CaptureId,
        /// What is wrong with it.
        problem: String,
    },
}

impl Project {
    /// Makes a change, or none of it.
    ///
    /// # Errors
    /// When the change cannot be; the project is as it was then.
    pub fn apply(&mut self, change: Change) -> Result<(), Refused> {
        match change {
            Change::CaptureBegun { id, mut meta } => {
                if self.known(id).is_some() {
                    return Err(Refused::BegunAlready(id));
                }
                self.note_planned(&mut meta);
                let meta = with_setting(meta);
                self.insert(Capture { id, state: CaptureState::Recording, meta }, None);
            }
            Change::CaptureDone { id, meta, reading } => {
                self.end(id, CaptureState::Done, meta, Some(reading))?;
            }
            Change::CaptureInterrupted { id, meta, reading } => {
                self.end(id, CaptureState::Interrupted, meta, reading)?;
            }
            Change::Recomputed { id, reading, program } => {
                check_reading(id, &reading)?;
                let capture = self.capture_mut(id)?;
                *capture = capture.clone().with_reading(Some(reading));
                capture.meta.program = program;
            }
            Change::Placed { id, placement } => {
                check_conditions(&placement.conditions)?;
                let capture = self.capture_mut(id)?;
                capture.meta = with_setting(placement.on(capture.meta.clone()));
            }
            Change::Discarded(id) => self.discard(id)?,
            Change::Restored(id) => self.restore(id)?,
            Change::Reordered(order) => self.reorder(order)?,
            Change::Together(changes) => {
                let mut after = self.clone();
                changes.into_iter().try_for_each(|change| after.apply(change))?;
                *self = after;
            }
            edit => self.edit_data(edit)?,
        }
        Ok(())
    }

    /// What saving added to a capture's description: the hashes of its files.
    pub fn saved(&mut self, capture: &Capture) {
        if let Some(known) = self.known_mut(capture.id) {
            known.meta.clone_from(&capture.meta);
        }
    }

    /// A capture's reading as it was found on disk.
    pub fn read(&mut self, id: CaptureId, reading: Reading) {
        if let Some(known) = self.known_mut(id) {
            *known = known.clone().with_reading(Some(reading));
        }
    }

    /// Lets go of a capture's reading. It is on disk, and nothing is computed from it here.
    pub fn forget(&mut self, id: CaptureId) {
        if let Some(known) = self.known_mut(id) {
            *known = known.clone().with_reading(None);
        }
    }

    fn known_mut(&mut self, id: CaptureId) -> Option<&mut CaptureEntry> {
        self.captures.iter_mut().chain(&mut self.discarded).find(|known| known.id == id)
    }

    /// The changes of what the job holds besides its captures.
    fn edit_data(&mut self, change: Change) -> Result<(), Refused> {
        let data = &mut self.data;
        match change {
            Change::Named(name) => data.head.name = name,
            Change::Intake(intake) => data.intake = intake,
            Change::Notes(notes) => data.notes = notes,
            Change::Target(target) => data.target = target,
            Change::Processor(processor) => data.processor = processor,
            Change::Preset(preset) => {
                if let Some(setting) = &preset {
                    check_bands(&setting.bands)?;
                    check_channels(&setting.channels)?;
                }
                data.preset = preset;
            }
            Change::Bands(bands) => {
                check_bands(&bands)?;
                data.bands = bands;
            }
            Change::Channels(channels) => {
                check_channels(&channels)?;
                data.channels = channels;
            }
            Change::Choices(choices) => data.choices = choices,
            Change::FitFound(fit) => data.fit = fit,
            Change::TimingFound(timing) => data.timing = timing,
            Change::TuneFound(tune) => data.tune = tune,
            Change::AuditFound(audit) => data.audit = audit,
            Change::OutcomeFound(outcome) => data.outcome = outcome,
            Change::HeadroomFound { clean_step, limited_by, outputs } => {
                let source = &mut data.source;
                (source.clean_step, source.limited_by, source.outputs) = (clean_step, limited_by, outputs);
            }
            Change::ToneFound(tone) => data.source.tone = tone,
            Change::NoiseFound(noise) => data.source.noise = noise,
            Change::GainFound(gain) => data.source.gain = gain,
            Change::StageResult(stage, Some(result)) => _ = data.stages.insert(stage, result),
            Change::StageResult(stage, None) => _ = data.stages.remove(&stage),
            Change::CaptureBegun { .. }
            | Change::CaptureDone { .. }
            | Change::CaptureInterrupted { .. }
            | Change::Recomputed { .. }
            | Change::Placed { .. }
            | Change::Discarded(_)
            | Change::Restored(_)
            | Change::Reordered(_)
            | Change::Together(_) => unreachable!("`apply` makes these itself"),
        }
        Ok(())
    }

    /// What is to be in the processor by now. A simulated car has said what is in it.
    fn note_planned(&self, meta: &mut CaptureMeta) {
        if meta.setting.is_none() {
            meta.planned = Some(self.data.planned()).filter(|planned| !planned.is_empty());
        }
    }

    fn capture_mut(&mut self, id: CaptureId) -> Result<&mut CaptureEntry, Refused> {
        self.captures.iter_mut().find(|capture| capture.id == id).ok_or(Refused::NoCapture(id))
    }

    fn insert(&mut self, capture: Capture, reading: Option<Reading>) {
        self.captures.push(CaptureEntry::new(capture, reading));
        self.sort();
    }

    /// A capture that was not begun here (an import in one go) is placed as its description
    /// says; one that was discarded meanwhile stays discarded.
    fn end(
        &mut self,
        id: CaptureId,
        state: CaptureState,
        meta: CaptureMeta,
        reading: Option<Reading>,
    ) -> Result<(), Refused> {
        if let Some(reading) = &reading {
            check_reading(id, reading)?;
        }
        // What was broken off is no side of a comparison, until a person says so.
        let ended = |meta: CaptureMeta| match state {
            CaptureState::Interrupted => {
                Capture { id, state, meta: with_setting(CaptureMeta { set: None, ..meta }) }
            }
            _ => Capture { id, state, meta: with_setting(meta) },
        };
        let Some(begun) = self.known_mut(id) else {
            let mut meta = meta;
            self.note_planned(&mut meta);
            self.insert(ended(meta), reading);
            return Ok(());
        };
        let (stage, planned) = (begun.meta.stage, begun.meta.planned.clone());
        let setting = meta.setting.clone().or_else(|| begun.meta.setting.clone());
        let meta = CaptureMeta { stage, setting, planned, ..Placement::of(&begun.meta).on(meta) };
        *begun = CaptureEntry::new(ended(meta), reading);
        Ok(())
    }

    fn discard(&mut self, id: CaptureId) -> Result<(), Refused> {
        let index = self.captures.iter().position(|capture| capture.id == id);
        let capture = self.captures.remove(index.ok_or(Refused::NoCapture(id))?);
        self.discarded.push(capture);
        self.sort();
        Ok(())
    }

    fn restore(&mut self, id: CaptureId) -> Result<(), Refused> {
        let index = self.discarded.iter().position(|capture| capture.id == id);
        let capture = self.discarded.remove(index.ok_or(Refused::NoCapture(id))?);
        self.captures.push(capture);
        self.sort();
        Ok(())
    }

    /// The captures swap their places; discarded ones keep theirs, so that restoring one puts it
    /// back where it was.
    fn reorder(&mut self, order: Vec<CaptureId>) -> Result<(), Refused> {
        let mut wanted = order.clone();
        let mut present: Vec<CaptureId> = self.captures.iter().map(|capture| capture.id).collect();
        wanted.sort_unstable();
        present.sort_unstable();
        if wanted != present {
            return Err(Refused::Order(present.len()));
        }
        let mut all: Vec<CaptureId> =
            self.captures.iter().chain(&self.discarded).map(|capture| capture.id).collect();
        all.sort_by_key(|id| self.place_of(*id));
        let mut next = order.into_iter();
        for place in all.iter_mut().filter(|id| present.binary_search(id).is_ok()) {
            *place = next.next().unwrap_or(*place);
        }
        self.data.order = all;
        self.sort();
        Ok(())
    }

    /// The change that takes this one back, asked before it is made. Nothing where a change
    /// is not an edit: a recording, and what was found, are not taken back.
    #[must_use]
    pub fn inverse(&self, change: &Change) -> Option<Change> {
        let data = &self.data;
        Some(match change {
            Change::Placed { id, .. } => {
                Change::Placed { id: *id, placement: Placement::of(&self.capture(*id)?.meta) }
            }
            Change::Discarded(id) => Change::Restored(*id),
            Change::Restored(id) => Change::Discarded(*id),
            Change::Reordered(_) => {
                Change::Reordered(self.captures.iter().map(|capture| capture.id).collect())
            }
            Change::Named(_) => Change::Named(data.head.name.clone()),
            Change::Intake(_) => Change::Intake(data.intake.clone()),
            Change::Notes(_) => Change::Notes(data.notes.clone()),
            Change::Target(_) => Change::Target(data.target.clone()),
            Change::Processor(_) => Change::Processor(data.processor.clone()),
            Change::Preset(_) => Change::Preset(data.preset.clone()),
            Change::Bands(_) => Change::Bands(data.bands.clone()),
            Change::Channels(_) => Change::Channels(data.channels.clone()),
            Change::Choices(_) => Change::Choices(data.choices.clone()),
            Change::FitFound(_) => Change::FitFound(data.fit.clone()),
            Change::TimingFound(_) => Change::TimingFound(data.timing.clone()),
            Change::TuneFound(_) => Change::TuneFound(data.tune.clone()),
            Change::Together(changes) => {
                let mut at = self.clone();
                let mut back = Vec::new();
                for change in changes {
                    back.push(at.inverse(change)?);
                    at.apply(change.clone()).ok()?;
                }
                back.reverse();
                Change::Together(back)
            }
            Change::CaptureBegun { .. }
            | Change::CaptureDone { .. }
            | Change::CaptureInterrupted { .. }
            | Change::Recomputed { .. }
            | Change::AuditFound(_)
            | Change::OutcomeFound(_)
            | Change::HeadroomFound { .. }
            | Change::ToneFound(_)
            | Change::NoiseFound(_)
            | Change::GainFound(_)
            | Change::StageResult(..) => return None,
        })
    }
}

/// With what was set in the processor, as far as it follows from what was planned: that is entered for a capture of the
/// set *after*, whenever it was put there, and for no other one.
fn with_setting(meta: CaptureMeta) -> CaptureMeta {
    if meta.planned.is_none() {
        return meta;
    }
    let setting = meta.planned.clone().filter(|_| meta.set == Some(Set::After));
    CaptureMeta { setting, ..meta }
}

fn check_reading(id: CaptureId, reading: &Reading) -> Result<(), Refused> {
    reading.check().map_err(|problem| Refused::Reading { id, problem })
}

fn check(what: impl Fn() -> String, value: f64, fits: bool, expected: &'static str) -> Result<(), Refused> {
    if fits { Ok(()) } else { Err(Refused::Value { what: what(), value: value.to_string(), expected }) }
}

fn check_conditions(conditions: &Conditions) -> Result<(), Refused> {
    for (what, value) in [("engine", conditions.engine_rpm), ("vehicle", conditions.vehicle_kmh)] {
        let value = value.unwrap_or(0.0);
        let fits = (0.0..=20_000.0).contains(&value);
        check(|| format!("the {what}'s speed"), value, fits, "a number from 0 up to 20000")?;
    }
    Ok(())
}

fn check_frequency(what: &str, frequency_hz: f64) -> Result<(), Refused> {
    let fits = frequency_hz > 0.0 && frequency_hz <= 96_000.0;
    check(|| format!("the frequency of {what}"), frequency_hz, fits, "a number above 0, up to 96000 Hz")
}

fn check_gain(what: &str, gain_db: f64) -> Result<(), Refused> {
    let fits = gain_db.is_finite() && gain_db.abs() <= 120.0;
    check(|| format!("the gain of {what}"), gain_db, fits, "a number within 120 dB of 0")
}

fn check_bands(bands: &[EnteredBand]) -> Result<(), Refused> {
    for (number, band) in (1..).zip(bands) {
        let what = format!("band {number}");
        check_frequency(&what, band.frequency_hz)?;
        check_gain(&what, band.gain_db)?;
        for q in [band.q, band.typed_q()] {
            check(|| format!("the Q of {what}"), q, q > 0.0 && q <= 1_000.0, "a number above 0, up to 1000")?;
        }
    }
    Ok(())
}

fn check_channels(channels: &[ChannelSetting]) -> Result<(), Refused> {
    for setting in channels {
        let what = format!("the channel `{}`", setting.channel);
        check_gain(&what, setting.gain_db)?;
        let delay_s = setting.delay_s;
        let fits = (0.0..=1.0).contains(&delay_s);
        check(|| format!("the delay of {what}"), delay_s, fits, "a number of seconds from 0 up to 1")?;
        for filter in [&setting.high_pass, &setting.low_pass].into_iter().flatten() {
            check_frequency(&format!("a crossover of {what}"), filter.frequency_hz)?;
        }
    }
    Ok(())
}
