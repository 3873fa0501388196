//! What the app knows, as plain data: what faces are shown follows from it by pure functions, on whatever
//! thread asks for them.

use std::collections::BTreeSet;
use std::path::PathBuf;
use std::sync::Arc;

use job::JobData;
use project::CaptureEntry;
use rig::RigFacts;
use tuning::{Equalizer, OutputStep, Seat};
use view::{Activity, FaceState, HandleId, SetMark, Signal, StartPage};

use super::captures::{CaptureView, Captures};
use super::cars::simulated_cars;
use super::gain_meter::GainMeter;
use super::proposals::Proposals;
use super::set_up::SetUp;
use super::source::choices::Source;
use super::tune::Tune;

/// Everything that cards, charts and results follow from.
#[derive(Debug)]
pub(super) struct State {
    /// What the face looks at that is being served.
    pub(super) face: FaceState,
    /// What a face is offered before a job is open.
    pub(super) start: Arc<StartPage>,
    /// What the open job holds.
    pub(super) job: Option<JobView>,
    /// What is known of the rig.
    pub(super) rig: Option<RigFacts>,
    pub(super) captures: Captures,
    pub(super) tune: Tune,
    /// The tunes of the whole car that were found.
    pub(super) proposals: Proposals,
    /// The volume steps of the sweep that runs.
    pub(super) sweep_steps: Vec<OutputStep>,
    pub(super) choices: Choices,
    pub(super) source: Source,
    /// What is known while the rig is set up.
    pub(super) set_up: SetUp,
    /// Whether sound has arrived from the rig since it was chosen.
    pub(super) rig_heard: bool,
    pub(super) output_dbfs: f64,
    pub(super) muted: bool,
    /// Whether the bands are entered in the simulated processor.
    pub(super) entered: bool,
    /// What the meter showed while the amplifier was turned.
    pub(super) gain_meter: GainMeter,
    pub(super) handed_over: bool,
    /// The drivers of reversed polarity that are inverted in the processor instead.
    pub(super) inverted_instead: BTreeSet<String>,
    /// What is under way.
    pub(super) busy: Busy,
    /// Whether there is something to undo, and to redo.
    pub(super) can_undo: (bool, bool),
    /// Goes up with everything that can be seen.
    pub(super) revision: u64,
}

/// What an open job holds.
#[derive(Debug, Clone)]
pub(super) struct JobView {
    pub(super) data: Arc<JobData>,
    pub(super) dir: PathBuf,
    /// Its captures with all that is said of them, and of which revision they are.
    pub(super) captures: Arc<[CaptureEntry]>,
    pub(super) revision: u64,
}

/// What is under way, as it is shown.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Busy {
    pub(super) activity: Activity,
    pub(super) run: Option<u64>,
    pub(super) what: Option<BusyWith>,
}

/// What runs, as far as cards and charts are others meanwhile.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum BusyWith {
    /// The volume is raised.
    Sweep,
    /// A tuning is heard.
    Preview,
    /// Every input shows its level.
    Trying,
    /// Anything else.
    Other,
}

/// What a person has chosen on the cards.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Choices {
    pub(super) signal: Signal,
    /// How much faster than real time the simulated car runs.
    pub(super) times: u32,
    /// Whether the next capture of a series begins by itself.
    pub(super) go_on: bool,
    /// How many positions make a set.
    pub(super) positions: usize,
    /// Which side of the comparison is being measured.
    pub(super) side: SetMark,
    pub(super) countdown_s: u32,
    pub(super) max_bands: usize,
    /// For whom the whole car is tuned.
    pub(super) seat: Seat,
    /// Where the processor has its bands.
    pub(super) equalizer: Equalizer,
    /// What all bands of a channel together may boost; absent for what the profile says.
    pub(super) max_boost_db: Option<f64>,
    /// At how many places each driver is measured.
    pub(super) driver_places: usize,
    /// The one driver to be measured; absent for all that are left.
    pub(super) driver: Option<String>,
    pub(super) power_w: f64,
    pub(super) load_ohm: f64,
    /// The level of the tone with which gains are set.
    pub(super) tone_dbfs: f64,
    /// What a preview plays, and how.
    pub(super) preview: PreviewChoices,
    /// Whether a band is mistyped into the simulated processor, to see that it is noticed.
    pub(super) typing_error: bool,
    /// Whether left and right are tuned by themselves.
    pub(super) by_side: bool,
    /// Whether the drivers' crossover filters were on when they were measured.
    pub(super) filters_on: bool,
}

/// How a preview is chosen on the card.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct PreviewChoices {
    /// A recording that the person picks; else pink noise.
    pub(super) recording: bool,
    pub(super) file: String,
    pub(super) with_bands: bool,
}

impl Default for Choices {
    fn default() -> Self {
        Self {
            signal: Signal::Sweep,
            times: 1,
            go_on: true,
            positions: 6,
            side: SetMark::Before,
            countdown_s: 5,
            max_bands: 8,
            seat: Seat::Driver,
            equalizer: Equalizer::Channels,
            max_boost_db: None,
            driver_places: 4,
            driver: None,
            power_w: 100.0,
            load_ohm: 4.0,
            tone_dbfs: 0.0,
            preview: PreviewChoices { recording: false, file: String::new(), with_bands: true },
            typing_error: false,
            by_side: false,
            filters_on: true,
        }
    }
}

impl State {
    /// Nothing is open.
    pub(super) fn new(tune: Tune) -> Self {
        Self {
            face: FaceState::default(),
            start: Arc::new(StartPage { cars: simulated_cars(), ..StartPage::default() }),
            job: None,
            rig: None,
            captures: Captures::default(),
            tune,
            proposals: Proposals::default(),
            sweep_steps: Vec::new(),
            choices: Choices::default(),
            source: Source::default(),
            set_up: SetUp::default(),
            rig_heard: false,
            output_dbfs: -20.0,
            muted: false,
            entered: false,
            gain_meter: GainMeter::default(),
            handed_over: false,
            inverted_instead: BTreeSet::new(),
            busy: Busy { activity: Activity::Idle, run: None, what: None },
            can_undo: (false, false),
            revision: 0,
        }
    }

    /// The same as it is now, for another thread to look at; without what can be undone.
    pub(super) fn now(&self) -> Self {
        Self {
            face: self.face.clone(),
            start: Arc::clone(&self.start),
            job: self.job.clone(),
            rig: self.rig.clone(),
            captures: self.captures.clone(),
            tune: self.tune.without_history(),
            proposals: self.proposals.clone(),
            sweep_steps: self.sweep_steps.clone(),
            choices: self.choices.clone(),
            source: self.source.clone(),
            set_up: self.set_up.clone(),
            rig_heard: self.rig_heard,
            output_dbfs: self.output_dbfs,
            muted: self.muted,
            entered: self.entered,
            gain_meter: self.gain_meter.clone(),
            handed_over: self.handed_over,
            inverted_instead: self.inverted_instead.clone(),
            busy: self.busy.clone(),
            can_undo: self.can_undo,
            revision: self.revision,
        }
    }

    /// Whether nothing is under way.
    pub(super) fn is_idle(&self) -> bool {
        self.busy.what.is_none()
    }

    /// Whether the volume is being raised.
    pub(super) fn is_sweeping(&self) -> bool {
        self.busy.what == Some(BusyWith::Sweep)
    }

    /// Whether the inputs of the interface are tried.
    pub(super) fn is_trying(&self) -> bool {
        self.busy.what == Some(BusyWith::Trying)
    }

    /// Whether a preview runs.
    pub(super) fn is_previewing(&self) -> bool {
        self.busy.what == Some(BusyWith::Preview)
    }

    /// The chosen band, shelf or point, where there is one.
    pub(super) fn selected(&self) -> Option<HandleId> {
        self.face.selected.filter(|handle| self.tune.has(*handle))
    }

    /// Whether a capture's curve is shown.
    pub(super) fn is_shown(&self, held: &CaptureView) -> bool {
        !self.face.hidden.contains(&held.id)
    }
}
