//! States and captures as tests make them, so that a test says only what it is about.

use std::path::PathBuf;
use std::sync::Arc;

use job::{CaptureMeta, CaptureState, Driver, Head, JobData};
use measure::{Cell, Finding, Reading, Table};
use project::CaptureEntry;
use rig::{OpenRig, RigChoice};
use tuning::Role;

use super::captures::CaptureView;
use super::derivation::Derivation;
use super::state::{Busy, BusyWith, JobView, State};
use super::tune::Tune;
use super::typed_band::TypedBand;

pub(super) fn state() -> State {
    State::new(Tune::restored(None, None, |_| Vec::new()).expect("the presets are there"))
}

/// What follows from this state, with nothing computed before.
pub(super) fn of(state: &State) -> Derivation {
    Derivation::of(state.now(), Arc::default())
}

pub(super) fn job(data: impl FnOnce(&mut JobData)) -> JobView {
    let head = Head { name: "Blue estate".to_owned(), created: jiff::Timestamp::UNIX_EPOCH };
    let mut job = JobData::new(head);
    data(&mut job);
    JobView { data: Arc::new(job), dir: PathBuf::from("/nowhere"), captures: [].into(), revision: 0 }
}

/// A capture that was made at this place; for the tune it is of the set before.
pub(super) fn capture(id: u32, stage: job::Stage, position: &str) -> job::Capture {
    let meta = CaptureMeta {
        label: position.to_owned(),
        position: position.to_owned(),
        set: Some(job::Set::Before).filter(|_| stage == job::Stage::Tune),
        ..CaptureMeta::new("sweep", 1, stage, jiff::Timestamp::UNIX_EPOCH)
    };
    job::Capture { id: job::CaptureId(id), state: CaptureState::Done, meta }
}

/// The same with this reading, or while it is being recorded.
pub(super) fn held(id: u32, stage: job::Stage, position: &str, reading: Option<Reading>) -> CaptureView {
    let state = if reading.is_some() { CaptureState::Done } else { CaptureState::Recording };
    CaptureView::of(&CaptureEntry::new(job::Capture { state, ..capture(id, stage, position) }, reading))
}

/// Takes the mark of a capture at the driver's place away.
pub(super) fn unmark(state: &mut State, id: u32) {
    let mut unmarked = capture(id, job::Stage::Tune, "driver");
    unmarked.meta.set = None;
    state.captures.place(&unmarked);
}

/// A level response, so many dB at 1 kHz.
pub(super) fn response(level_db: f64) -> Reading {
    let mut reading = Reading::new("sweep", 1, 48_000.0);
    let grid = dsp::response::log_grid(20.0, 20_000.0, 12.0);
    let level = grid.iter().map(|hz| if (900.0..1_100.0).contains(hz) { level_db } else { 0.0 }).collect();
    reading.curve("response", [("frequency_hz", grid), ("magnitude_db", level)]);
    reading
}

pub(super) fn inverted() -> Reading {
    let mut reading = response(0.0);
    reading.label("polarity", "inverted");
    reading
}

pub(super) fn two_drivers(data: &mut JobData) {
    data.intake.drivers = ["left-tweeter", "right-tweeter"]
        .map(|name| Driver { name: name.to_owned(), role: Some(Role::Tweeter), ..Driver::default() })
        .into();
}

/// What stands in a simulated car's rig.
pub(super) fn with_car(state: &mut State) {
    let rig = OpenRig::open(RigChoice::fast_car("")).expect("the usual car");
    state.rig = Some(rig.facts().clone());
}

/// Something is under way.
pub(super) fn busy(state: &mut State, what: BusyWith) {
    state.busy = Busy { what: Some(what), ..state.busy.clone() };
}

/// A reading that says why there is none.
pub(super) fn refused(measurement: &str) -> Reading {
    let mut reading = Reading::new(measurement, 1, 48_000.0);
    reading.finding(Finding::stop("not-found", "The input is too quiet to be measured."));
    reading
}

/// A volume sweep of which step `clean` is the last that is clean, with the volts of each step.
pub(super) fn swept(clean: u32) -> Reading {
    let mut reading = Reading::new("headroom", 1, 48_000.0);
    reading.value("clean_step", f64::from(clean));
    reading.value("first_clipped_step", f64::from(clean + 1));
    let columns = ["step", "start_s", "level_dbfs", "level_v", "gain_db", "thd_percent", "clean"];
    let rows = (clean - 3..=clean + 2).map(|step| {
        vec![
            Cell::Number(f64::from(step)),
            Cell::Number(0.6 * f64::from(step)),
            Cell::Number(f64::from(step) - 40.0),
            Cell::Number(0.1 * f64::from(step)),
            Cell::Empty,
            Cell::Number(if step <= clean { 0.05 } else { 4.0 }),
            Cell::Flag(step <= clean),
        ]
    });
    let table = Table { columns: columns.map(str::to_owned).to_vec(), rows: rows.collect() };
    reading.tables.insert("steps".to_owned(), table);
    reading
}

/// A sweep with the response of these bands, so that what was entered can be found in it.
pub(super) fn shaped(bands: &[tuning::Band]) -> Reading {
    let mut reading = Reading::new("sweep", 1, 48_000.0);
    let grid = dsp::response::log_grid(20.0, 20_000.0, 48.0);
    let level = tuning::bands_db(bands, &grid, 48_000.0);
    reading.curve("response", [("frequency_hz", grid), ("magnitude_db", level)]);
    reading
}

/// A band as it is typed.
pub(super) fn typed(frequency_hz: f64, gain_db: f64) -> TypedBand {
    let typed = tuning::Band { kind: tuning::BandKind::Peak, frequency_hz, gain_db, q: 2.0 };
    TypedBand { typed, channel: String::new(), enabled: true, locked: false, reason: String::new() }
}

/// Measures at a place, before or after the bands were entered.
pub(super) fn measure(state: &mut State, id: u32, set: job::Set, position: &str, reading: Reading) {
    let mut capture = capture(id, job::Stage::Tune, position);
    capture.meta.set = Some(set);
    take(state, capture, reading);
}

/// Has measured this; the job has the capture as well.
pub(super) fn take(state: &mut State, capture: job::Capture, reading: Reading) {
    let entry = CaptureEntry::new(capture, Some(reading));
    state.captures.insert(CaptureView::of(&entry));
    let job = state.job.get_or_insert_with(|| job(|_| {}));
    job.captures = job.captures.iter().cloned().chain([entry]).collect();
}

/// Numbers that look drawn, the same every time (xorshift).
pub(super) struct Draw(pub(super) u64);

impl Draw {
    pub(super) fn below(&mut self, most: usize) -> usize {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 >> 33) as usize % most.max(1)
    }

    pub(super) fn between(&mut self, from: f64, to: f64) -> f64 {
        from + (to - from) * self.below(1 << 20) as f64 / f64::from(1 << 20)
    }

    pub(super) fn one_of<T: Clone>(&mut self, all: &[T]) -> T {
        all[self.below(all.len())].clone()
    }
}
