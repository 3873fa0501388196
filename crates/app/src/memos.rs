//! What was computed last, and from what.

use std::sync::Arc;

use chart::Chart;
use procedure::{NoiseReport, ToneReport};
use project::derive::{CarPlan, JobAudit, NoTune, StandIn, TuneInputs};
use tuning::{CleanLimit, MeaningOfQ, OutputStep, Response, Target, TuneOptions};
use view::{FaceState, Ribbon, Tile};

use super::memo::Memo;
use super::proposals::{CarJudged, Same};

/// Where deviations count: a small car gives what it gives below, and above the
/// microphone's place is all that is measured.
pub(super) const RANGE_HZ: (f64, f64) = (30.0, 16_000.0);

/// What was computed last, each value with its own inputs: what changes nothing of them computes nothing anew.
#[derive(Debug, Default)]
pub(super) struct Memos {
    pub(super) averages: Memo<(u64, u32), [Averages; 3]>,
    pub(super) picture: Memo<Looked, Picture>,
    pub(super) limit: Memo<u64, CleanLimit>,
    pub(super) noise: Memo<u64, Option<Arc<NoiseReport>>>,
    pub(super) tone: Memo<(u64, bool), Option<Arc<ToneFound>>>,
    pub(super) car_plan: Memo<Driven, Arc<CarPlan>>,
    pub(super) car_inputs: Memo<CarKey, Result<Arc<TuneInputs>, NoTune>>,
    pub(super) car_judged: Memo<(Same, Option<CarSettings>), Result<Arc<CarJudged>, String>>,
    pub(super) car_measured: Memo<(u64, Target), Option<job::Judgement>>,
    pub(super) meaning_of_q: Memo<(u64, String), Option<Result<MeaningOfQ, String>>>,
    pub(super) outliers: Memo<Sides, Outliers>,
    pub(super) stand_in: Memo<Typed, Option<StandIn>>,
    pub(super) check: Memo<Typed, Option<Arc<JobAudit>>>,
}

/// The revision of the captures' results, and the channel that is looked at.
type Sides = (u64, &'static str);

/// The revision of the captures' results, what is entered, the drivers, and the processor.
pub(super) type Typed = (u64, Entered, Vec<job::Driver>, String);

/// The bands, the channels, and what the processor held before.
pub(super) type Entered = (Vec<job::EnteredBand>, Vec<job::ChannelSetting>, Option<job::ProcessorSetting>);

/// The revision of the captures' results, the drivers, the processor, whether crossovers were on, and whether
/// arrivals share their zero.
type Driven = (u64, Vec<job::Driver>, String, bool, bool);

/// The revision of the captures' results, the drivers, the target, the processor, and what a tune may do.
type CarKey = (u64, Vec<job::Driver>, Target, String, TuneOptions);

/// What is proposed for each channel, and the bands.
type CarSettings = (Vec<job::ChannelSetting>, Vec<job::EnteredBand>);

/// The captures before and after that stand apart.
type Outliers = [Vec<(view::CaptureId, tuning::Outlier)>; 2];

/// The averages before and after.
type Averages = [Option<Arc<Response>>; 2];

/// Everything that the picture depends on.
type Looked = (u64, u64, FaceState, Vec<OutputStep>, Asked, TuneOptions);

/// Whether a volume sweep runs, the inputs are tried, the outputs are summed, the crossovers were on, and left
/// and right are tuned by themselves.
type Asked = (bool, bool, bool, bool, bool);

/// The costly part of a snapshot.
#[derive(Debug, Clone)]
pub(super) struct Picture {
    pub(super) chart: Arc<Chart>,
    pub(super) ribbon: Option<Ribbon>,
    pub(super) tray: Vec<Tile>,
}

/// What is known of the source's tone.
#[derive(Debug)]
pub(super) struct ToneFound {
    pub(super) report: ToneReport,
    /// What is to be undone.
    pub(super) response: Response,
}
