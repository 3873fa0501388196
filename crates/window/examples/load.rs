//! A load for measuring what drawing costs: so many moving curves of 2,000 points, thirty times a second, over three that
//! rest. `cargo run --release -p window --example load -- 20`; without a number one moves. No app is behind it.

use std::sync::Arc;
use std::sync::mpsc::RecvTimeoutError;
use std::thread;
use std::time::Duration;

use chart::{Axis, Chart, Dash, Line, Point, Role, Scale};
use view::{
    Activity, Card, ChartFace, Command, FaceState, JobHead, Live, LooseEnd, RigHead, RigState, Shared,
    Snapshot, Stage, StageLine, StageState, Update,
};
use window::Options;

const POINTS: usize = 2_000;
/// The curves that rest.
const RESTING: u8 = 3;

fn main() -> Result<(), String> {
    let moving = match std::env::args().nth(1) {
        None => 1,
        Some(number) => number.parse().map_err(|_| format!("`{number}` is no number of curves"))?,
    };
    let (link, app) = view::loose_link();
    let play = thread::Builder::new().name("load".to_owned()).spawn(move || play(&app, moving));
    window::run(link, Options::default()).map_err(|error| error.to_string())?;
    if let Ok(play) = play {
        let _ = play.join();
    }
    Ok(())
}

/// Moves the curves until the window closes.
fn play(app: &LooseEnd, moving: u8) {
    let _ = app.updates.send(Update::Snapshot(Arc::new(resting())));
    for tick in 0_u32.. {
        let seed = |number: u8| f64::from(number) + 0.7 * f64::from(tick);
        let lines = (0..moving).map(|number| curve(format!("live {number}"), Role::Live, seed(number)));
        let _ = app.updates.try_send(Update::Live(Live { lines: lines.collect(), ..Live::default() }));
        match app.commands.recv_timeout(Duration::from_millis(33)) {
            Ok(Command::Close) | Err(RecvTimeoutError::Disconnected) => return,
            Ok(_) | Err(RecvTimeoutError::Timeout) => {}
        }
    }
}

fn curve(label: String, role: Role, seed: f64) -> Line {
    let point = |index: usize| {
        let octave = 10.0 * index as f64 / POINTS as f64;
        let y = 6.0 * (6.0 * octave + seed).sin() + 2.0 * (41.0 * octave - seed).sin();
        Point { x: 20.0 * octave.exp2(), y }
    };
    let points: Arc<[Point]> = (0..POINTS).map(point).collect();
    Line { label, role, dash: Dash::Solid, points, certainty: [].into() }
}

fn resting() -> Snapshot {
    let level =
        Axis { label: "Level".into(), unit: "dB".into(), scale: Scale::Linear, from: -30.0, to: 15.0 };
    let line = |stage| StageLine { stage, state: StageState::NotBegun, result: String::new() };
    Snapshot {
        revision: 1,
        shared: Shared {
            job: JobHead::default(),
            rig: RigHead {
                name: "None".into(),
                state: RigState::None,
                text: String::new(),
                simulated: false,
            },
            output_dbfs: -20.0,
            muted: false,
            stages: Stage::ALL.map(line),
            activity: Activity::Idle,
            run: None,
            can_undo: (false, false),
        },
        face: FaceState { stage: Stage::Tune, ..FaceState::default() },
        start: None,
        card: Card::default(),
        chart_faces: vec![ChartFace::Response],
        chart_face: ChartFace::Response,
        chart: Arc::new(Chart {
            title: "Load".into(),
            x: Axis::audio_frequency(),
            y: level,
            areas: vec![],
            lines: (0..RESTING)
                .map(|number| curve(format!("at rest {number}"), Role::Series(number), f64::from(number)))
                .collect(),
            handles: vec![],
            marks: vec![],
        }),
        picture: None,
        ribbon: None,
        handles: Vec::new(),
        tray: Vec::new(),
    }
}
