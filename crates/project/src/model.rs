//! The project as plain data.

use std::sync::Arc;

use job::{Capture, CaptureId, CaptureMeta, CaptureState, Job, JobData, Set, Stage};
use measure::Reading;
use tuning::Response;

/// A job while it is worked on. Equal projects are equal jobs.
#[derive(Debug, Clone, PartialEq)]
pub struct Project {
    /// What the job holds besides its captures.
    pub data: JobData,
    /// Its captures in the order in which they are shown.
    pub captures: Vec<CaptureEntry>,
    /// The captures that were discarded, by number.
    pub discarded: Vec<CaptureEntry>,
}

/// A capture with what was found in it.
#[derive(Debug, Clone, PartialEq)]
pub struct CaptureEntry {
    /// Its number.
    pub id: CaptureId,
    /// How far it came.
    pub state: CaptureState,
    /// What is known about it.
    pub meta: CaptureMeta,
    /// What was found; absent where nothing was computed.
    pub reading: Option<Arc<Reading>>,
    /// The response in the reading, where it has one.
    pub response: Option<Arc<Response>>,
}

impl CaptureEntry {
    /// A capture with its reading.
    #[must_use]
    pub fn new(capture: Capture, reading: Option<Reading>) -> Self {
        let Capture { id, state, meta } = capture;
        Self { id, state, meta, reading: None, response: None }.with_reading(reading)
    }

    /// The same capture with another reading.
    #[must_use]
    pub(crate) fn with_reading(self, reading: Option<Reading>) -> Self {
        let response = reading.as_ref().and_then(|reading| crate::derive::response_of(reading).ok());
        Self { reading: reading.map(Arc::new), response: response.map(Arc::new), ..self }
    }

    /// Whether something was measured.
    #[must_use]
    pub fn has_result(&self) -> bool {
        self.reading
            .as_ref()
            .is_some_and(|reading| !reading.measurement.is_empty() && reading.stopped().is_none())
    }

    /// A value of its reading.
    #[must_use]
    pub fn value(&self, name: &str) -> Option<f64> {
        self.reading.as_ref()?.values.get(name).copied()
    }
}

impl Project {
    /// A project without captures.
    #[must_use]
    pub fn new(data: JobData) -> Self {
        Self { data, captures: Vec::new(), discarded: Vec::new() }
    }

    /// What an open job holds. `read` gives the reading of a capture where it is wanted: readings are
    /// large, and not every piece of work looks at them.
    #[must_use]
    pub fn of(job: &Job, mut read: impl FnMut(CaptureId) -> Option<Reading>) -> Self {
        let mut project = Self::new(job.data().clone());
        project.captures =
            job.captures().iter().map(|one| CaptureEntry::new(one.clone(), read(one.id))).collect();
        project.discarded = job.discarded().iter().map(|one| CaptureEntry::new(one.clone(), None)).collect();
        project
    }

    /// The capture of this number.
    #[must_use]
    pub fn capture(&self, id: CaptureId) -> Option<&CaptureEntry> {
        self.captures.iter().find(|capture| capture.id == id)
    }

    /// The capture of this number, even where it was discarded.
    #[must_use]
    pub fn known(&self, id: CaptureId) -> Option<&CaptureEntry> {
        self.captures.iter().chain(&self.discarded).find(|capture| capture.id == id)
    }

    /// The captures of a stage, in order.
    pub fn of_stage(&self, stage: Stage) -> impl DoubleEndedIterator<Item = &CaptureEntry> {
        self.captures.iter().filter(move |capture| capture.meta.stage == stage)
    }

    /// The newest capture of a stage at this place that has a result.
    #[must_use]
    pub fn newest(&self, stage: Stage, position: &str) -> Option<&CaptureEntry> {
        let made = |capture: &&CaptureEntry| capture.meta.position == position && capture.has_result();
        self.of_stage(stage).filter(made).max_by_key(|capture| capture.id)
    }

    /// The responses of one set and one processor channel (empty for the whole car), drivers alone left out. Of
    /// several at one place the newest counts; those without a place all count.
    pub fn responses<'a>(
        &'a self,
        set: &'a Set,
        channel: &'a str,
    ) -> impl Iterator<Item = (&'a CaptureEntry, &'a Arc<Response>)> {
        let belongs = move |capture: &CaptureEntry| {
            capture.meta.set.as_ref() == Some(set)
                && capture.response.is_some()
                && capture.meta.processor_channel == channel
                && capture.meta.is_together()
        };
        let is_newest = move |capture: &CaptureEntry| {
            let place = &capture.meta.position;
            place.is_empty()
                || !self
                    .captures
                    .iter()
                    .any(|other| other.id > capture.id && other.meta.position == *place && belongs(other))
        };
        self.captures
            .iter()
            .filter(move |capture| belongs(capture) && is_newest(capture))
            .filter_map(|capture| Some((capture, capture.response.as_ref()?)))
    }

    /// Puts the captures into the order that the job keeps; those that it does not name
    /// follow by number.
    pub(crate) fn sort(&mut self) {
        let mut captures = std::mem::take(&mut self.captures);
        captures.sort_by_key(|capture| self.place_of(capture.id));
        self.captures = captures;
        self.discarded.sort_by_key(|capture| capture.id);
    }

    /// By what captures are sorted.
    pub(crate) fn place_of(&self, id: CaptureId) -> (usize, CaptureId) {
        (self.data.order.iter().position(|known| *known == id).unwrap_or(usize::MAX), id)
    }
}
