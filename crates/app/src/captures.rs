//! The captures, with what the charts need of them.

use std::collections::HashMap;
use std::sync::{Arc, Mutex, PoisonError};

use job::{CaptureState, PlacedBy, Set};
use measure::{FindingLevel, Reading};
use tuning::Response;
use view::{CaptureId, SetMark, Stage};

use project::derive::SIDES;
use project::{CaptureEntry, Project};

/// Over what part of an octave responses are looked at, 1/N, until a person chooses.
pub(super) const USUAL_SMOOTHING: u32 = 12;

/// A capture of the job.
#[derive(Debug, Clone)]
pub(super) struct CaptureView {
    pub(super) id: CaptureId,
    pub(super) label: String,
    pub(super) time: String,
    pub(super) stage: Stage,
    pub(super) mark: Option<SetMark>,
    /// Whether where it belongs is only proposed: until a person takes it, it counts nowhere.
    pub(super) proposed: bool,
    /// The track that was played.
    pub(super) track: String,
    /// Where the microphone was, which driver played, or which output was tapped.
    pub(super) position: String,
    /// Where the microphone was while a driver played; empty where that is not known, and for all else.
    pub(super) place: String,
    /// Whether it is of what sounds together, and not of a driver alone.
    pub(super) is_together: bool,
    /// The channel that played, of those that are tuned by themselves; empty for all.
    pub(super) channel: &'static str,
    pub(super) volume_step: Option<u32>,
    pub(super) engine_rpm: Option<f64>,
    pub(super) volts_per_fs: Option<f64>,
    pub(super) reading: Arc<Reading>,
    pub(super) response: Option<Arc<Response>>,
    pub(super) remark: String,
    /// What it is measured with.
    pub(super) measurement: String,
    /// Whether it is being recorded, or computed.
    pub(super) running: bool,
}

/// Drivers go by their names, and where the microphone was is said beside it; everything else goes by its place.
fn position_and_place(meta: &job::CaptureMeta) -> (String, String) {
    if meta.stage != job::Stage::Drivers || meta.driver.is_empty() {
        return (meta.position.clone(), String::new());
    }
    // Older captures say the driver where the place stands now.
    let place = if meta.position == meta.driver { "" } else { &meta.position };
    (meta.driver.clone(), place.to_owned())
}

impl CaptureView {
    /// Whether something was measured.
    pub(super) fn has_result(&self) -> bool {
        !self.reading.measurement.is_empty() && self.reading.stopped().is_none()
    }

    /// A capture of the job with its reading, which is not copied.
    pub(super) fn of(capture: &CaptureEntry) -> Self {
        // What was broken off is no result to be reckoned with.
        let is_done = capture.state == CaptureState::Done;
        let reading = capture.reading.clone().filter(|_| is_done).unwrap_or_default();
        let running = capture.state == CaptureState::Recording;
        let doubtful = reading.findings.iter().filter(|finding| finding.level != FindingLevel::Note);
        let worst = doubtful.max_by_key(|finding| finding.level).map(|finding| finding.text.clone());
        let stopped = match capture.state {
            // What is being recorded is as it should be.
            CaptureState::Done | CaptureState::Recording => None,
            CaptureState::Interrupted => Some("Stopped before its end.".to_owned()),
        };
        let (position, place) = position_and_place(&capture.meta);
        let started = capture.meta.started.to_zoned_datetime(jiff::tz::TimeZone::system());
        Self {
            id: CaptureId(capture.id.0),
            label: capture.meta.label.clone(),
            time: started.strftime("%H:%M").to_string(),
            stage: view_stage(capture.meta.stage),
            mark: match capture.meta.set {
                Some(Set::Before) => Some(SetMark::Before),
                Some(Set::After) => Some(SetMark::After),
                Some(Set::Named(_)) | None => None,
            },
            proposed: capture.meta.placed_by == Some(PlacedBy::Proposal),
            track: capture
                .meta
                .stimulus
                .as_ref()
                .map_or_else(|| "a recording".to_owned(), |played| played.name.clone()),
            position,
            place,
            is_together: capture.meta.is_together(),
            channel: SIDES
                .into_iter()
                .find(|side| *side == capture.meta.processor_channel)
                .unwrap_or_default(),
            volume_step: capture.meta.conditions.volume_step,
            engine_rpm: capture.meta.conditions.engine_rpm,
            volts_per_fs: capture.meta.calibration.volts_per_fs,
            response: capture.response.clone().filter(|_| is_done),
            remark: worst.or(stopped).unwrap_or_default(),
            measurement: capture.meta.measurement.clone(),
            running,
            reading,
        }
    }
}

/// A response's smoothing: which capture, and 1/N octave.
type Smoothing = (CaptureId, u32);

/// Responses, each with what it was smoothed from.
type Smoothed = HashMap<Smoothing, (Arc<Response>, Arc<Response>)>;

/// All captures. Whatever changes them counts up, so that what was computed from them can be kept until
/// then; what changes no result counts by itself.
#[derive(Debug, Clone, Default)]
pub(super) struct Captures {
    all: Arc<Vec<CaptureView>>,
    revision: u64,
    results: u64,
    smoothed: Arc<Mutex<Smoothed>>,
}

impl Captures {
    /// Those of a job that was opened.
    pub(super) fn of_project(project: &Project) -> Self {
        let held = project.captures.iter().map(|capture| match capture.state {
            // Nobody else records while the job is open here: the program ended in the middle of it.
            CaptureState::Recording => {
                CaptureView::of(&CaptureEntry { state: CaptureState::Interrupted, ..capture.clone() })
            }
            _ => CaptureView::of(capture),
        });
        Self { all: Arc::new(held.collect()), ..Self::default() }
    }

    /// Those before and after alone, which are quicker read than all.
    pub(super) fn of_sets(job: &job::Job) -> Self {
        let of_a_set = |capture: &job::Capture| matches!(capture.meta.set, Some(Set::Before | Set::After));
        let captures = job
            .captures()
            .iter()
            .filter(|capture| of_a_set(capture))
            .map(|capture| CaptureEntry::new(capture.clone(), job.reading(capture.id).ok().flatten()));
        let project = Project { captures: captures.collect(), ..Project::new(job.data().clone()) };
        Self::of_project(&project)
    }

    pub(super) fn iter(&self) -> impl DoubleEndedIterator<Item = &CaptureView> {
        self.all.iter()
    }

    /// How often something has changed.
    pub(super) fn revision(&self) -> u64 {
        self.revision
    }

    /// How often something has changed that a result follows from: a reading, or where it belongs.
    pub(super) fn results(&self) -> u64 {
        self.results
    }

    pub(super) fn get(&self, id: CaptureId) -> Option<&CaptureView> {
        self.all.iter().find(|held| held.id == id)
    }

    /// Those of one stage, the oldest first.
    pub(super) fn of(&self, stage: Stage) -> impl DoubleEndedIterator<Item = &CaptureView> {
        self.all.iter().filter(move |held| held.stage == stage)
    }

    /// Those of one stage that count: where each belongs was measured so, or said.
    pub(super) fn counted(&self, stage: Stage) -> impl DoubleEndedIterator<Item = &CaptureView> {
        self.of(stage).filter(|held| !held.proposed)
    }

    /// Those with a response on one side of the comparison, of this channel. Of several at one place
    /// the newest counts.
    pub(super) fn side_of(&self, mark: SetMark, channel: &str) -> impl Iterator<Item = &CaptureView> {
        let belongs = move |held: &CaptureView| {
            held.mark == Some(mark)
                && held.response.is_some()
                && held.channel == channel
                && held.is_together
                && !held.proposed
        };
        let belongs_again = move |place: &str, later: &[CaptureView]| {
            !place.is_empty() && later.iter().any(|held| held.position == place && belongs(held))
        };
        let places = self.all.iter().enumerate();
        let newest = places.filter(move |(index, held)| {
            belongs(held) && !belongs_again(&held.position, &self.all[index + 1..])
        });
        newest.map(|(_, held)| held)
    }

    /// The newest of a stage that was made at this place and has a result.
    pub(super) fn newest(&self, stage: Stage, position: &str) -> Option<&CaptureView> {
        self.counted(stage).rev().find(|held| held.position == position && held.has_result())
    }

    /// The newest of a driver with a result, at one place, or wherever it was.
    pub(super) fn of_driver(&self, driver: &str, place: Option<&str>) -> Option<&CaptureView> {
        let is_there = |held: &CaptureView| place.is_none_or(|place| held.place == place);
        self.counted(Stage::Drivers)
            .rev()
            .find(|held| held.position == driver && held.has_result() && is_there(held))
    }

    /// Whether a driver is being measured at one place, or wherever it is where that is not known.
    pub(super) fn is_running(&self, driver: &str, place: &str) -> bool {
        let is_there = |held: &CaptureView| held.place == place || held.place.is_empty();
        self.of(Stage::Drivers).any(|held| held.running && held.position == driver && is_there(held))
    }

    /// Whether a place of one side of the comparison has a response, or is being measured.
    pub(super) fn is_placed(&self, mark: SetMark, channel: &str, position: &str) -> bool {
        let running = |held: &CaptureView| {
            let open = held.running || held.proposed;
            open && held.mark == Some(mark) && held.channel == channel && held.position == position
        };
        self.side_of(mark, channel).any(|held| held.position == position) || self.all.iter().any(running)
    }

    /// Adds a capture in the order of the numbers, or what is known of it now.
    pub(super) fn insert(&mut self, held: CaptureView) {
        let counts = held.has_result() || self.get(held.id).is_some_and(CaptureView::has_result);
        let all = Arc::make_mut(&mut self.all);
        all.retain(|other| other.id != held.id);
        let at = all.partition_point(|other| other.id < held.id);
        all.insert(at, held);
        self.revision += 1;
        self.results += u64::from(counts);
    }

    /// Takes a capture away, if it is there.
    pub(super) fn remove(&mut self, id: CaptureId) {
        if let Some(at) = self.all.iter().position(|held| held.id == id) {
            self.revision += 1;
            self.results += 1;
            Arc::make_mut(&mut self.all).remove(at);
        }
    }

    /// Takes what is said of a capture now; its reading stays. A name changes no result.
    pub(super) fn place(&mut self, capture: &job::Capture) {
        let id = CaptureId(capture.id.0);
        let Some(held) = Arc::make_mut(&mut self.all).iter_mut().find(|held| held.id == id) else { return };
        let CaptureView { reading, response, remark, running, .. } = held.clone();
        let bare = CaptureEntry::new(capture.clone(), None);
        let placed = CaptureView { reading, response, remark, running, ..CaptureView::of(&bare) };
        let counts = |view: &CaptureView| {
            (
                view.mark,
                view.proposed,
                (view.position.clone(), view.place.clone()),
                view.channel,
                view.volume_step,
                view.engine_rpm.map(f64::to_bits),
            )
        };
        self.revision += 1;
        self.results += u64::from(counts(&placed) != counts(held));
        *held = placed;
    }

    /// The power average of a side of the comparison, each capture over 1/N octave.
    pub(super) fn average(&self, mark: SetMark, channel: &str, fraction: u32) -> Option<Response> {
        let smoothed = self.side_of(mark, channel).filter_map(|held| self.smoothed(held, fraction));
        let smoothed: Vec<Response> = smoothed.map(|response| (*response).clone()).collect();
        tuning::average(&smoothed).ok()
    }

    /// A capture's response over 1/N octave, computed once.
    pub(super) fn smoothed(&self, held: &CaptureView, fraction: u32) -> Option<Arc<Response>> {
        let response = held.response.as_ref()?;
        let kept = || self.smoothed.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some((of, smoothed)) = kept().get(&(held.id, fraction))
            && Arc::ptr_eq(of, response)
        {
            return Some(Arc::clone(smoothed));
        }
        let smoothed = Arc::new(response.smoothed(fraction));
        kept().insert((held.id, fraction), (Arc::clone(response), Arc::clone(&smoothed)));
        Some(smoothed)
    }
}

/// The job's stage as the window knows it: both list the same seven in order.
pub(super) fn view_stage(stage: job::Stage) -> Stage {
    let index = job::Stage::ALL.iter().position(|other| *other == stage).unwrap_or(0);
    Stage::ALL[index]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_stages_of_job_and_window_are_the_same_seven() {
        for (job, view) in job::Stage::ALL.into_iter().zip(Stage::ALL) {
            assert_eq!(job.word(), view.title().to_lowercase());
            assert_eq!(view_stage(job), view);
        }
    }
}
