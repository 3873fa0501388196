//! An invented car, half way through its work order, in every state that the
//! window can show. Nothing here was measured.

mod curves;
mod stages;

use std::sync::Arc;

use chart::Chart;
use view::{
    Action, Activity, Button, CaptureId, ChartFace, Cue, FaceState, Figure, JobHead, Live, Meter, MeterUnit,
    RecentJob, RigHead, RigState, SetMark, Shared, SimulatedCar, Snapshot, Stage, StageLine, StageState,
    StartPage, Tile, Tone, Update,
};

pub(crate) use curves::live_spectrum;

/// A picture's name and what is shown in it.
pub(crate) struct Scene {
    /// Its name, as part of a file's name.
    pub(crate) name: &'static str,
    /// What the session says, in this order.
    pub(crate) updates: Vec<Update>,
}

/// Every state worth a picture.
pub(crate) fn scenes() -> Vec<Scene> {
    let snapshot = |snapshot: Snapshot| Update::Snapshot(Arc::new(snapshot));
    let scene = |name, updates| Scene { name, updates };
    vec![
        scene("first-start", vec![snapshot(no_device())]),
        scene("start", vec![snapshot(start())]),
        scene("intake", vec![snapshot(stages::intake())]),
        scene("source", vec![snapshot(stages::source()), Update::Live(live(false))]),
        scene("headroom", vec![snapshot(stages::headroom()), Update::Live(live(true))]),
        scene("drivers", vec![snapshot(stages::drivers()), Update::Live(live(false))]),
        scene("cabin", vec![snapshot(cabin())]),
        scene("chain", vec![snapshot(chain())]),
        scene("countdown", vec![snapshot(countdown())]),
        scene("running", vec![snapshot(running()), Update::Live(live(false))]),
        scene("tune", vec![snapshot(tune()), Update::Live(quiet_meter())]),
        scene("target", vec![snapshot(target()), Update::Live(quiet_meter())]),
        scene("handover", vec![snapshot(stages::handover())]),
        scene(
            "cue",
            vec![
                snapshot(tune()),
                Update::Cue(Cue { text: "Position 4 of 6 done".into(), good: true }),
                Update::Notice {
                    text: "Wrote exports/bands.csv into the job’s folder.".into(),
                    good: true,
                    path: None,
                },
                Update::Notice {
                    text: "The interface was unplugged. Plug it in again; the capture up to then is kept."
                        .into(),
                    good: false,
                    path: None,
                },
            ],
        ),
    ]
}

/// The tuning stage with everything in it.
pub(crate) fn tune() -> Snapshot {
    stages::tune()
}

/// The tuning stage while the target is edited.
pub(crate) fn target() -> Snapshot {
    stages::target()
}

/// The intake's card.
pub(crate) fn intake() -> Snapshot {
    stages::intake()
}

/// The source's card.
pub(crate) fn source() -> Snapshot {
    stages::source()
}

/// The drivers' card, with the output muted.
pub(crate) fn drivers() -> Snapshot {
    stages::drivers()
}

/// A card with so little in it that the first band is in view.
pub(crate) fn handover_with_bands() -> Snapshot {
    let mut snapshot = tune();
    snapshot.card = view::Card { instruction: "Check what was typed.".into(), ..view::Card::default() };
    snapshot.handles.truncate(1);
    snapshot
}

/// Nothing measured, nothing connected.
pub(crate) fn no_device() -> Snapshot {
    let mut snapshot = stages::intake();
    snapshot.shared.rig = RigHead {
        name: "No device".into(),
        state: RigState::None,
        text: "nothing connected".into(),
        simulated: false,
    };
    snapshot.shared.job = JobHead::default();
    snapshot.tray.clear();
    snapshot.start = Some(Arc::new(StartPage { cars: cars(), ..StartPage::default() }));
    snapshot.card.main = Some(Button {
        action: Action::UseSimulatedCar,
        label: "Use the simulated car".into(),
        enabled: true,
        why: String::new(),
    });
    for line in &mut snapshot.shared.stages {
        line.state = StageState::NotBegun;
        line.result.clear();
    }
    snapshot
}

fn cars() -> Vec<SimulatedCar> {
    let car = |id: &str, name: &str, about: &str| SimulatedCar {
        id: id.into(),
        name: name.into(),
        about: about.into(),
    };
    vec![
        car("compact-hatch", "Compact hatch", "Speaker-level taps and a buzzing door."),
        car("box-van", "Box van", "Awkward standing waves, hum on the charger."),
    ]
}

/// Work that can go on.
pub(crate) fn start() -> Snapshot {
    let mut snapshot = no_device();
    let job = |folder: &str, name: &str, stage, result: &str, remark: &str| RecentJob {
        folder: folder.into(),
        name: name.into(),
        car: "Invented estate".into(),
        day: "26 Nov 2026, 17:40".into(),
        stage,
        result: result.into(),
        captures: 12,
        fingerprint: Some(std::array::from_fn(|band| Some(4.0 * (band as f32 * 0.7).sin()))),
        remark: remark.into(),
        readable: true,
    };
    let interrupted = "A capture was interrupted; its recording is kept.";
    let damaged = RecentJob {
        fingerprint: None,
        readable: false,
        ..job("/jobs/bad", "Damaged", Stage::Intake, "", "The file job.json is damaged in line 3.")
    };
    let jobs = vec![
        job("/jobs/juniper", "Juniper · AB 123", Stage::Tune, "4.6 dB RMS before", interrupted),
        job("/jobs/old", "Old estate", Stage::Handover, "sheet and report written", ""),
        damaged,
    ];
    snapshot.card.main = Some(Button {
        action: Action::ContinueJob,
        label: "Continue with Juniper · AB 123".into(),
        enabled: true,
        why: String::new(),
    });
    snapshot.start = Some(Arc::new(StartPage { jobs, looking: false, cars: cars() }));
    snapshot
}

/// The drivers, some of which are measured.
pub(crate) fn cabin() -> Snapshot {
    use chart::{Cabin, Flank, MicPlace, Picture, Speaker, SpeakerKind, SpeakerState};
    let speaker = |name: &str, side, kind, state, arrival_ms| Speaker {
        name: name.to_owned(),
        side,
        rear: name.contains("rear"),
        kind,
        state,
        arrival_ms,
    };
    let (left, middle, right) = (Flank::Left, Flank::Middle, Flank::Right);
    let mut snapshot = drivers();
    snapshot.chart_face = ChartFace::Cabin;
    snapshot.chart_faces.push(ChartFace::Cabin);
    snapshot.picture = Some(Arc::new(Picture::Cabin(Cabin {
        title: "The drivers, from above".to_owned(),
        speakers: vec![
            speaker("left-tweeter", left, SpeakerKind::Tweeter, SpeakerState::Good, Some(2.31)),
            speaker("left-mid", left, SpeakerKind::Mid, SpeakerState::Reversed, Some(2.44)),
            speaker("left-woofer", left, SpeakerKind::Woofer, SpeakerState::Good, Some(2.58)),
            speaker("left-rear", left, SpeakerKind::Full, SpeakerState::Caution, Some(4.02)),
            speaker("right-tweeter", right, SpeakerKind::Tweeter, SpeakerState::Playing, None),
            speaker("right-mid", right, SpeakerKind::Mid, SpeakerState::Silent, None),
            speaker("right-woofer", right, SpeakerKind::Woofer, SpeakerState::Open, None),
            speaker("right-rear", right, SpeakerKind::Full, SpeakerState::Open, None),
            speaker("centre", middle, SpeakerKind::Full, SpeakerState::Open, None),
            speaker("sub", middle, SpeakerKind::Sub, SpeakerState::Good, Some(6.9)),
        ],
        places: vec![
            MicPlace::Taken,
            MicPlace::Taken,
            MicPlace::Next,
            MicPlace::Open,
            MicPlace::Open,
            MicPlace::Open,
        ],
        drives_right: false,
    })));
    snapshot
}

/// The chain, with the probe at the radio.
pub(crate) fn chain() -> Snapshot {
    use chart::{Chain, ChainPart, PartState, Picture};
    let part = |name: &str, lines: &[&str], state| ChainPart {
        name: name.to_owned(),
        lines: lines.iter().map(|line| (*line).to_owned()).collect(),
        state,
    };
    let mut snapshot = source();
    snapshot.chart_faces.push(ChartFace::Chain);
    snapshot.chart_face = ChartFace::Chain;
    snapshot.picture = Some(Arc::new(Picture::Chain(Chain {
        title: "From the radio to the speaker".to_owned(),
        links: vec![
            part("Radio", &["8.54 V", "clean to step 31"], PartState::Good),
            part("Processor", &["4.1 V", "2.0 dB in hand"], PartState::Good),
            part("Amplifier", &["20 V wanted", "75 W, 4 Ω"], PartState::Caution),
            part("Speakers", &[], PartState::Open),
        ],
        probe: Some(0),
    })));
    snapshot
}

/// Three seconds before a capture.
pub(crate) fn countdown() -> Snapshot {
    let mut snapshot = tune();
    snapshot.shared.activity = Activity::Countdown {
        title: "Position 4 of 6: driver’s head, right".into(),
        hint: "Shut the doors, hold still.".into(),
        seconds: 3,
    };
    snapshot.shared.run = Some(7);
    snapshot
}

/// In the middle of a capture.
pub(crate) fn running() -> Snapshot {
    let mut snapshot = tune();
    snapshot.shared.activity = Activity::Running {
        title: "Sweep, position 4 of 6".into(),
        detail: "Listening to 1.2 kHz".into(),
        progress: Some(0.58),
    };
    snapshot.shared.run = Some(7);
    snapshot
}

/// What all states share.
fn base(stage: Stage) -> Snapshot {
    Snapshot {
        revision: 1,
        shared: Shared {
            job: JobHead {
                name: "Juniper, front stage".into(),
                car: "Juniper estate, invented".into(),
                folder: "/jobs/juniper".into(),
            },
            rig: RigHead {
                name: "Simulated car".into(),
                state: RigState::Ready,
                text: "48 kHz · mic + tap".into(),
                simulated: true,
            },
            output_dbfs: -20.0,
            muted: false,
            stages: stage_lines(),
            activity: Activity::Idle,
            run: None,
            can_undo: (true, false),
        },
        face: FaceState { stage, ..FaceState::default() },
        start: None,
        card: view::Card::default(),
        chart_faces: vec![ChartFace::Response],
        chart_face: ChartFace::Response,
        chart: Arc::new(empty_chart()),
        picture: None,
        ribbon: None,
        handles: Vec::new(),
        tray: tiles(),
    }
}

fn stage_lines() -> [StageLine; 7] {
    use StageState::{Measured, NeedsAnotherLook, NotBegun};
    let line = |stage, state, result: &str| StageLine { stage, state, result: result.into() };
    [
        line(Stage::Intake, Measured, "7 drivers, 10 bands"),
        line(Stage::Source, Measured, "clean to step 34 · 4.1 V"),
        line(Stage::Gain, Measured, "set to 4.1 V"),
        line(Stage::Drivers, NeedsAnotherLook, "left mid reversed"),
        line(Stage::Timing, Measured, "right leads by 3.2 ms"),
        line(Stage::Tune, Measured, "1.4 dB from target"),
        line(Stage::Handover, NotBegun, ""),
    ]
}

fn empty_chart() -> Chart {
    Chart {
        title: "Response".into(),
        x: chart::Axis::audio_frequency(),
        y: curves::level_axis(-30.0, 15.0),
        areas: vec![],
        lines: vec![],
        handles: vec![],
        marks: vec![],
    }
}

fn tiles() -> Vec<Tile> {
    let tile = |id: u32, label: &str, time: &str, stage, mark, shown, spread: f32, remark: &str| Tile {
        id: CaptureId(id),
        label: label.into(),
        time: time.into(),
        stage,
        mark,
        fingerprint: curves::fingerprint(id, spread),
        shown,
        result: String::new(),
        remark: remark.into(),
    };
    vec![
        tile(3, "Front output", "13:52", Stage::Source, None, false, 2.0, ""),
        tile(4, "Rear output", "13:58", Stage::Source, None, false, 4.0, "rolls off at 60 Hz"),
        tile(7, "Left mid", "14:20", Stage::Drivers, None, false, 7.0, "polarity reversed"),
        tile(9, "Before, 6 positions", "14:41", Stage::Tune, Some(SetMark::Before), true, 9.0, ""),
        tile(12, "After, 6 positions", "15:07", Stage::Tune, Some(SetMark::After), true, 1.2, ""),
    ]
}

/// What a ladder shows in very big type.
fn figures() -> Vec<Figure> {
    let figure =
        |value: &str, caption: &str| Figure { value: value.into(), caption: caption.into(), tone: Tone::Bad };
    vec![figure("35", "step"), figure("4.24 V", "RMS"), figure("1.62 %", "THD, not clean")]
}

fn quiet_meter() -> Live {
    Live {
        meter: Some(Meter {
            text: "−52.3 dBFS".into(),
            unit: MeterUnit::Dbfs,
            level: 0.22,
            peak: 0.34,
            clipped: false,
        }),
        ..Live::default()
    }
}

pub(crate) fn live(clipped: bool) -> Live {
    let (text, level) = if clipped { ("−0.0 dBFS", 1.0) } else { ("−18.6 dBFS", 0.72) };
    Live {
        meter: Some(Meter { text: text.into(), unit: MeterUnit::Dbfs, level, peak: 0.84, clipped }),
        lines: if clipped { vec![] } else { vec![live_spectrum(0)] },
        figures: if clipped { figures() } else { vec![] },
        ribbon: None,
    }
}
