//! What there is to see.

use std::collections::BTreeSet;
use std::sync::Arc;

use chart::{Chart, HandleId, Line, Picture};

use crate::{
    CaptureId, Card, ChartFace, DelayUnit, HandleCard, SetMark, Side, SourceTask, Stage, StartPage, Tone,
};

/// How far a stage is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum StageState {
    /// Nothing has been measured.
    NotBegun,
    /// A part of it is done.
    Begun,
    /// Its question is answered.
    Measured,
    /// Something in it is doubtful.
    NeedsAnotherLook,
}

/// A stage in the work order: its state and its one-line result.
#[derive(Debug, Clone, PartialEq)]
pub struct StageLine {
    /// Which stage.
    pub stage: Stage,
    /// How far it is.
    pub state: StageState,
    /// Its result in one line, empty before there is one.
    pub result: String,
}

/// The job in the top strip.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct JobHead {
    /// The job's name.
    pub name: String,
    /// The vehicle.
    pub car: String,
    /// Where the job's folder is, empty until there is one.
    pub folder: String,
}

/// How the devices are.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum RigState {
    /// No device has been chosen.
    None,
    /// Chosen; nothing has arrived from it yet.
    Untried,
    /// Sound has arrived from it.
    Ready,
    /// A device went away; it is picked up again when it returns.
    Gone,
}

/// The devices in the top strip.
#[derive(Debug, Clone, PartialEq)]
pub struct RigHead {
    /// The rig's name.
    pub name: String,
    /// How it is.
    pub state: RigState,
    /// The state in words, such as the sample rate, or what went wrong.
    pub text: String,
    /// Whether it is the simulated car.
    pub simulated: bool,
}

/// What is going on.
#[derive(Debug, Clone, PartialEq)]
pub enum Activity {
    /// Nothing.
    Idle,
    /// A capture is about to start.
    Countdown {
        /// What comes next.
        title: String,
        /// What the person does meanwhile.
        hint: String,
        /// Whole seconds left.
        seconds: u32,
    },
    /// A capture or a computation is under way.
    Running {
        /// What is being done.
        title: String,
        /// What happens at the moment.
        detail: String,
        /// From 0 to 1, where it is known.
        progress: Option<f32>,
    },
}

/// A capture in the tray.
#[derive(Debug, Clone, PartialEq)]
pub struct Tile {
    /// Which capture.
    pub id: CaptureId,
    /// Its label.
    pub label: String,
    /// The time of day when it was made, `14:05`.
    pub time: String,
    /// The stage it belongs to.
    pub stage: Stage,
    /// Which side of the comparison it is, if any.
    pub mark: Option<SetMark>,
    /// Its 31 third-octave deviations from the target in dB; `None` where the
    /// response is not valid.
    pub fingerprint: [Option<f32>; 31],
    /// Its result in a few words, where there is no response to take a
    /// fingerprint of.
    pub result: String,
    /// Whether its curve is shown in the chart.
    pub shown: bool,
    /// The most serious thing found about it, in words; empty when all is well.
    pub remark: String,
}

/// What is left between response and target.
#[derive(Debug, Clone, PartialEq)]
pub struct Ribbon {
    /// Response minus target in dB, over frequency.
    pub line: Line,
    /// The RMS of it in dB, ready to be shown.
    pub rms_text: String,
    /// What the number compares, such as "Average of 6 − target".
    pub caption: String,
}

/// The unit of the input meter.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum MeterUnit {
    /// Re a full-scale sine.
    Dbfs,
    /// Sound pressure level.
    Spl,
    /// Volts RMS.
    Volts,
}

/// One reading of the input meter.
#[derive(Debug, Clone, PartialEq)]
pub struct Meter {
    /// The level, ready to be shown with its unit.
    pub text: String,
    /// Its unit.
    pub unit: MeterUnit,
    /// The level as a share of the meter's length, 0 to 1.
    pub level: f32,
    /// The recent peak as a share of the meter's length, 0 to 1.
    pub peak: f32,
    /// Whether the input has clipped in the last second.
    pub clipped: bool,
}

/// A number in very big type.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Figure {
    /// The number, ready to be shown with its unit.
    pub value: String,
    /// What it is.
    pub caption: String,
    /// How it is meant.
    pub tone: Tone,
}

/// What changes many times a second; only the newest counts.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Live {
    /// The input meter, while a device is listening.
    pub meter: Option<Meter>,
    /// The numbers that matter at the moment, in very big type.
    pub figures: Vec<Figure>,
    /// Curves to be drawn over the chart: the live spectrum, for example.
    pub lines: Vec<Line>,
    /// What is left between what is heard and the target, in the place of the snapshot's ribbon.
    pub ribbon: Option<Ribbon>,
}

/// A moment worth a sound and a big word.
#[derive(Debug, Clone, PartialEq)]
pub struct Cue {
    /// A few words, shown large.
    pub text: String,
    /// Whether it is good news.
    pub good: bool,
}

/// What every face sees alike.
#[derive(Debug, Clone, PartialEq)]
pub struct Shared {
    /// The job.
    pub job: JobHead,
    /// The devices.
    pub rig: RigHead,
    /// The output level in dBFS peak, as it is asked for.
    pub output_dbfs: f64,
    /// Whether the output is muted.
    pub muted: bool,
    /// The seven lines of the work order.
    pub stages: [StageLine; 7],
    /// What is going on.
    pub activity: Activity,
    /// The number of the run that is under way, by which it is stopped.
    pub run: Option<u64>,
    /// Whether there is an edit to undo, and one to redo.
    pub can_undo: (bool, bool),
}

/// What one face looks at; another face looks at something else.
#[derive(Debug, Clone, PartialEq)]
pub struct FaceState {
    /// Whether it shows the start page.
    pub at_start: bool,
    /// The stage whose card is open.
    pub stage: Stage,
    /// Which card of the stage Intake is open.
    pub intake_card: IntakeCard,
    /// The driver that is described on its card.
    pub driver: usize,
    /// Which card of the stage Tune is open.
    pub tune_card: TuneCard,
    /// What the card of the stage Source asks.
    pub source_task: SourceTask,
    /// The face of the chart that was asked for.
    pub chart: ChartFace,
    /// Over what part of an octave responses are looked at, 1/N; 0 for none.
    pub smoothing: u32,
    /// The side that is looked at, where left and right are tuned by themselves.
    pub side: Side,
    /// In what delays are shown.
    pub delay_unit: DelayUnit,
    /// The capture that is looked at, if it is one in particular.
    pub picked: Option<CaptureId>,
    /// The captures whose curves are hidden.
    pub hidden: BTreeSet<CaptureId>,
    /// The chosen band, shelf or point.
    pub selected: Option<HandleId>,
}

impl Default for FaceState {
    fn default() -> Self {
        Self {
            at_start: false,
            stage: Stage::Intake,
            intake_card: IntakeCard::Car,
            driver: 0,
            tune_card: TuneCard::Bands,
            source_task: SourceTask::Headroom,
            chart: ChartFace::Steps,
            smoothing: 12,
            side: Side::Left,
            delay_unit: DelayUnit::Milliseconds,
            picked: None,
            hidden: BTreeSet::new(),
            selected: None,
        }
    }
}

/// What the card of the stage Intake is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum IntakeCard {
    /// The car.
    Car,
    /// The rig's inputs and outputs.
    Rig,
    /// The car's drivers, one by one.
    Drivers,
}

/// What the card of the stage Tune is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum TuneCard {
    /// Measuring, and the bands.
    Bands,
    /// Everything that is entered for the whole car, tuned together.
    WholeCar,
    /// How the processor defines Q.
    MeaningOfQ,
    /// The target is edited.
    Target,
}

/// Everything that a face shows apart from what is [`Live`].
#[derive(Debug, Clone, PartialEq)]
pub struct Snapshot {
    /// Goes up with every change.
    pub revision: u64,
    /// What every face sees alike.
    pub shared: Shared,
    /// What this face looks at.
    pub face: FaceState,
    /// The start page, where this face shows it.
    pub start: Option<Arc<StartPage>>,
    /// The open stage's card.
    pub card: Card,
    /// The faces that the chart can show now.
    pub chart_faces: Vec<ChartFace>,
    /// The face that it shows.
    pub chart_face: ChartFace,
    /// The chart.
    pub chart: Arc<Chart>,
    /// What is shown in its place, where it would have nothing to say.
    pub picture: Option<Arc<Picture>>,
    /// The ribbon, where there is a response and a target.
    pub ribbon: Option<Ribbon>,
    /// The suggested or entered bands; the shelves and points of the target while it is edited.
    pub handles: Vec<HandleCard>,
    /// The captures in the order of the work.
    pub tray: Vec<Tile>,
}

/// What is going on at this moment. It is told at once, while a snapshot follows when all of it has been
/// computed.
#[derive(Debug, Clone, PartialEq)]
pub struct Now {
    /// The snapshots before this one know nothing of it yet.
    pub revision: u64,
    /// What is under way.
    pub activity: Activity,
    /// The run that is under way, which a stop means.
    pub run: Option<u64>,
    /// Whether what is shown is of an earlier state, and a newer picture takes long to compute.
    pub older: bool,
}

/// What the app tells a face.
#[derive(Debug, Clone)]
pub enum Update {
    /// Everything, anew.
    Snapshot(Arc<Snapshot>),
    /// What is going on, ahead of the next snapshot.
    Now(Now),
    /// What changes many times a second.
    Live(Live),
    /// A moment worth a sound.
    Cue(Cue),
    /// Something that a person should read once, such as where a file was
    /// written or why it could not be.
    Notice {
        /// What happened, and what to do about it.
        text: String,
        /// Whether it is good news.
        good: bool,
        /// What it speaks of, which can be opened: a file or a folder.
        path: Option<String>,
    },
}
