//! The one writer of a job, from outside: whatever changes it was given, the folder says afterwards what the
//! project says, also when it was closed in the middle of a recording, and `check` finds nothing wrong.

use jiff::Timestamp;
use job::{CaptureId, CaptureMeta, CaptureState, ChannelSetting, Job, Outcome, Set, Stage};
use measure::Reading;
use procedure::{Change, OpenJob};
use project::{CaptureEntry, Placement, Project};

/// Numbers that look drawn, the same every time (xorshift).
struct Draw(u64);

impl Draw {
    fn below(&mut self, most: usize) -> usize {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 >> 33) as usize % most
    }
}

fn meta(draw: &mut Draw) -> CaptureMeta {
    CaptureMeta {
        label: format!("capture {}", draw.below(100)),
        position: ["driver", "passenger", ""][draw.below(3)].to_owned(),
        set: [None, Some(Set::Before), Some(Set::After)][draw.below(3)].clone(),
        ..CaptureMeta::new("level", 1, Stage::Tune, Timestamp::UNIX_EPOCH)
    }
}

fn reading(draw: &mut Draw) -> Reading {
    let mut reading = Reading::new("level", 1, 48_000.0);
    reading.value("rms_dbfs", -(draw.below(90) as f64));
    reading
}

/// Any change at all, of a job with these captures.
fn any_change(draw: &mut Draw, open: &OpenJob) -> Change {
    let project = open.project();
    let of = |all: &[CaptureEntry], draw: &mut Draw| all.get(draw.below(all.len().max(1))).map(|one| one.id);
    let known = of(&project.captures, draw).unwrap_or(CaptureId(1));
    // Only what is being recorded comes to an end, wherever it was put meanwhile.
    let all = project.captures.iter().chain(&project.discarded);
    let recorded: Vec<CaptureEntry> =
        all.filter(|one| one.state == CaptureState::Recording).cloned().collect();
    let running = of(&recorded, draw);
    match (draw.below(12), running) {
        (0 | 1, _) | (2..=4, None) => {
            let meta = meta(draw);
            let pending = open.store().unwrap().begin(&meta).unwrap();
            std::fs::write(&pending.audio_path, format!("audio {}", draw.below(1_000))).unwrap();
            Change::CaptureBegun { id: pending.id, meta }
        }
        (2 | 3, Some(id)) => Change::CaptureDone { id, meta: meta(draw), reading: reading(draw) },
        (4, Some(id)) => {
            let reading = (draw.below(2) == 0).then(|| reading(draw));
            Change::CaptureInterrupted { id, meta: meta(draw), reading }
        }
        (5, _) => Change::Placed { id: known, placement: Placement::of(&meta(draw)) },
        (6, _) => Change::Discarded(known),
        (7, _) => Change::Restored(of(&project.discarded, draw).unwrap_or(CaptureId(1))),
        (8, _) => {
            let mut order: Vec<CaptureId> = project.captures.iter().map(|one| one.id).collect();
            (0..order.len()).for_each(|at| order.swap(at, draw.below(at + 1)));
            Change::Reordered(order)
        }
        (9, _) => Change::Notes(format!("note {}", draw.below(100))),
        (10, _) => Change::Channels(vec![ChannelSetting {
            channel: "left".to_owned(),
            // One in four cannot be.
            delay_s: [0.001, 0.02, 0.0, -1.0][draw.below(4)],
            ..ChannelSetting::default()
        }]),
        _ => {
            let outcome = Outcome {
                before_rms_db: draw.below(9) as f64,
                after_rms_db: None,
                before_max_db: 9.0,
                after_max_db: None,
                from_hz: 30.0,
                to_hz: 16_000.0,
            };
            let inner = any_change(draw, open);
            Change::Together(vec![Change::OutcomeFound(Some(outcome)), inner])
        }
    }
}

/// What the folder says; a capture that was being recorded is what the next to open it finds.
fn on_disk(dir: &std::path::Path) -> Project {
    let job = Job::open(dir).unwrap();
    Project::of(&job, |id| job.reading(id).unwrap())
}

#[test]
fn the_folder_says_what_the_project_says() {
    let mut refused = 0;
    for story in 1..=30u64 {
        let mut draw = Draw(story.wrapping_mul(0x9E37_79B9_7F4A_7C15));
        let folder = tempfile::tempdir().unwrap();
        let dir = folder.path().join("job");
        let mut open = OpenJob::open_or_create(&dir).unwrap();
        for _ in 0..25 {
            let before = open.project().clone();
            let change = any_change(&mut draw, &open);
            let text = format!("story {story}: {change:?}");
            if open.apply(change).is_err() {
                refused += 1;
                assert_eq!(open.project(), &before, "{text}");
            }
        }
        let mut said = open.project().clone();
        drop(open);
        // The readings of what was discarded are read when it comes back.
        said.discarded.iter_mut().for_each(|one| (one.reading, one.response) = (None, None));
        assert_eq!(on_disk(&dir), said, "story {story}");
        let mut all = said.captures.iter().chain(&said.discarded);
        let recording = all.any(|one| one.state == CaptureState::Recording);
        let check = job::check(&dir).unwrap();
        // What was still being recorded is repaired, as after a power cut, and nothing else is wrong.
        let repaired = check.lines.iter().filter(|line| line.repaired).count();
        assert!(recording || repaired == 0, "story {story}: {:?}", check.lines);
    }
    assert!(refused > 20, "{refused} changes were refused: too few to mean anything");
}

/// The disk refuses in the middle: what was saved stands, the rest is as it was, and it can be tried again.
#[test]
fn a_save_that_fails_changes_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let dir = folder.path().join("job");
    let mut open = OpenJob::open_or_create(&dir).unwrap();
    let mut draw = Draw(7);
    let meta = meta(&mut draw);
    let id = open.store().unwrap().begin(&meta).unwrap().id;
    open.apply(Change::CaptureBegun { id, meta: meta.clone() }).unwrap();
    let before = open.project().clone();
    let away = folder.path().join("away");
    std::fs::rename(dir.join("captures"), &away).unwrap();
    let placement = Placement { label: "another name".to_owned(), ..Placement::of(&meta) };
    let placed = Change::Placed { id, placement };
    assert!(open.apply(placed.clone()).is_err());
    let both = Change::Together(vec![placed.clone(), Change::Notes("with it".to_owned())]);
    assert!(open.apply(both.clone()).is_err());
    assert_eq!(open.project(), &before);
    std::fs::rename(&away, dir.join("captures")).unwrap();
    open.apply(both).unwrap();
    assert_eq!(open.project().capture(id).map(|one| one.meta.label.as_str()), Some("another name"));
    assert_eq!(open.job().data().notes, "with it");
}
