//! The simulated rig, at full speed and in real time.

use std::sync::{Arc, Mutex};
use std::time::Instant;

use crate::{
    CaptureRequest, Input, InputRole, Length, Next, Pace, Plant, Play, Rig, RigSpec, SimulatedRig,
    StraightWire,
};

fn spec() -> RigSpec {
    RigSpec {
        name: "Wire".to_owned(),
        inputs: vec![
            Input::new(1, "microphone", InputRole::Microphone),
            Input::new(2, "tap", InputRole::Electrical),
        ],
        ..RigSpec::system_default()
    }
}

fn wire(pace: Pace) -> SimulatedRig<StraightWire> {
    SimulatedRig::new(Arc::new(Mutex::new(StraightWire { channels: 2 })), spec(), pace).unwrap()
}

/// A tone between two stretches of silence.
fn tone(frames: usize) -> Vec<f32> {
    (0..frames)
        .map(|n| if (1_000..frames - 1_000).contains(&n) { 0.5 * (n as f32 * 0.05).sin() } else { 0.0 })
        .collect()
}

#[test]
fn a_straight_wire_gives_back_what_was_played_to_the_bit() {
    let folder = tempfile::tempdir().unwrap();
    let rows = vec![tone(20_000), tone(12_345)];
    for pace in [Pace::AsFastAsPossible, Pace::RealTime] {
        let path = folder.path().join(format!("{pace:?}.wav"));
        let mut rig = wire(pace);
        let mut request = CaptureRequest::play_once(rows.clone(), &path);
        request.length = Length::Playback { tail_s: 0.1 };
        let mut capture = rig.capture(request).unwrap();
        let mut blocks = vec![Vec::new(); 2];
        while let Some(block) = capture.next_block() {
            assert_eq!(block.first_frame, blocks[0].len() as u64);
            assert!(!block.gap);
            for (all, row) in blocks.iter_mut().zip(&block.channels) {
                all.extend_from_slice(row);
            }
        }
        let end = capture.finish();
        assert_eq!(end.findings, []);
        assert_eq!(end.frames, 24_800);
        assert_eq!(end.recorded_to.as_deref(), Some(path.as_path()));
        assert_eq!(recording::read(&path).unwrap().channels, blocks, "{pace:?}");
        for (got, wanted) in blocks.iter().zip(&rows) {
            assert_eq!(got[..wanted.len()], wanted[..]);
            assert!(got[wanted.len()..].iter().all(|&x| x == 0.0));
        }
    }
}

#[test]
fn the_recording_is_complete_when_nobody_asks_for_blocks() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.wav");
    let capture =
        wire(Pace::AsFastAsPossible).capture(CaptureRequest::play_once(vec![tone(9_000)], &path)).unwrap();
    assert_eq!(capture.finish().frames, 33_000);
    assert_eq!(recording::read(&path).unwrap().frames(), 33_000);
}

#[test]
fn real_time_takes_real_time_and_full_speed_does_not() {
    let start = Instant::now();
    let mut request = CaptureRequest::watch();
    request.length = Length::Seconds(0.5);
    assert_eq!(wire(Pace::RealTime).capture(request.clone()).unwrap().finish().frames, 24_000);
    let real = start.elapsed().as_secs_f64();
    assert!((0.45..2.0).contains(&real), "{real} s");
    let start = Instant::now();
    request.length = Length::Seconds(2.0);
    assert_eq!(wire(Pace::Times(20)).capture(request.clone()).unwrap().finish().frames, 96_000);
    let faster = start.elapsed().as_secs_f64();
    assert!((0.09..1.5).contains(&faster), "two seconds in a twentieth: {faster} s");
    request.length = Length::Seconds(60.0);
    let start = Instant::now();
    assert_eq!(wire(Pace::AsFastAsPossible).capture(request).unwrap().finish().frames, 2_880_000);
    testkit::at_most("a minute at full speed, in s", start.elapsed().as_secs_f64(), 10.0);
}

#[test]
fn an_endless_capture_ends_by_a_stop_with_a_fade() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.wav");
    let mut rig = wire(Pace::AsFastAsPossible);
    let request = CaptureRequest {
        play: Play::Endless(vec![vec![0.5; 4_800]]),
        length: Length::UntilStopped,
        record_to: Some(path.clone()),
        run: None,
    };
    let mut capture = rig.capture(request).unwrap();
    for _ in 0..20 {
        capture.next_block().unwrap();
    }
    let meter = capture.meters()[0];
    testkit::near("peak", meter.peak, 0.5, 1e-6);
    testkit::near("rms", meter.rms, 0.5, 0.02);
    assert_eq!(meter.clipped, 0);
    capture.stopper().stop();
    let end = capture.finish();
    assert_eq!(end.frames, 21 * 1_024);
    let left = &recording::read(&path).unwrap().channels[0];
    assert_eq!(left[20 * 1_024 - 1], 0.5);
    assert!(left[20 * 1_024 + 480..].iter().all(|&x| x == 0.0));
}

#[test]
fn the_same_request_gives_the_same_bytes() {
    let folder = tempfile::tempdir().unwrap();
    let record = |name: &str| {
        let path = folder.path().join(name);
        let mut capture = wire(Pace::AsFastAsPossible)
            .capture(CaptureRequest {
                play: Play::Endless(vec![tone(4_800)]),
                length: Length::UntilStopped,
                record_to: Some(path.clone()),
                run: None,
            })
            .unwrap();
        for _ in 0..7 {
            capture.next_block();
        }
        assert_eq!(capture.finish().findings, []);
        std::fs::read(path).unwrap()
    };
    assert_eq!(record("a.wav"), record("b.wav"));
}

/// A plant whose gain its owner turns.
struct Knob(f32);

impl Plant for Knob {
    fn process(&mut self, played: &[f32], captured: &mut [f32]) {
        for (to, from) in captured.iter_mut().zip(played) {
            *to = from * self.0;
        }
    }
    fn outputs(&self) -> usize {
        2
    }
    fn inputs(&self) -> usize {
        2
    }
}

#[test]
fn a_knob_that_is_turned_takes_effect_at_the_next_block_and_clipping_is_found() {
    let knob = Arc::new(Mutex::new(Knob(0.5)));
    let mut rig = SimulatedRig::new(Arc::clone(&knob), spec(), Pace::AsFastAsPossible).unwrap();
    let mut capture = rig
        .capture(CaptureRequest {
            play: Play::Endless(vec![vec![0.5; 10]]),
            length: Length::Seconds(1.0),
            record_to: None,
            run: None,
        })
        .unwrap();
    let block = capture.next_block().unwrap();
    assert_eq!(block.channels[0][1_000], 0.25);
    knob.lock().unwrap().0 = 2.0;
    assert_eq!(capture.next_block().unwrap().channels[0][0], 1.0);
    assert!(capture.meters()[0].clipped > 0);
    let end = capture.finish();
    let codes: Vec<_> = end.findings.iter().map(|finding| finding.code).collect();
    assert_eq!(codes, ["input-clipped"]);
    assert!(end.findings[0].text.contains("`microphone`"), "{}", end.findings[0].text);
}

#[test]
fn the_limiter_holds_and_says_so() {
    let mut limited = spec();
    limited.output_ceiling_dbfs = -6.020_599_913_279_624;
    let mut rig = SimulatedRig::new(
        Arc::new(Mutex::new(StraightWire { channels: 2 })),
        limited,
        Pace::AsFastAsPossible,
    )
    .unwrap();
    let mut request = CaptureRequest::watch();
    request.play = Play::Once(vec![vec![0.9; 4_000]]);
    request.length = Length::Playback { tail_s: 0.0 };
    let mut capture = rig.capture(request).unwrap();
    let mut peak = 0.0_f32;
    while let Some(block) = capture.next_block() {
        peak = block.channels[0].iter().fold(peak, |peak, x| peak.max(*x));
    }
    testkit::near("peak", f64::from(peak), 0.5, 1e-6);
    assert_eq!(capture.finish().findings[0].code, "output-limited");
}

#[test]
fn a_slow_caller_does_not_hold_the_recording_back() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.wav");
    let mut rig = wire(Pace::RealTime);
    let mut request = CaptureRequest::record(&path);
    request.length = Length::Seconds(0.3);
    let mut capture = rig.capture(request).unwrap();
    std::thread::sleep(std::time::Duration::from_millis(500));
    assert_eq!(capture.frames(), 14_400);
    assert!(matches!(capture.next_within(std::time::Duration::ZERO), Next::Block(_)));
    assert_eq!(capture.finish().frames, 14_400);
    assert_eq!(recording::read(&path).unwrap().frames(), 14_400);
}

#[test]
fn what_cannot_be_done_is_refused_with_a_reason() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.wav");
    let mut rig = wire(Pace::AsFastAsPossible);
    let mut refuse = |request: CaptureRequest, expected: &str| {
        let error = rig.capture(request).unwrap_err();
        assert!(error.to_string().contains(expected), "{error}");
        error.finding().code
    };
    let once = |rows| CaptureRequest::play_once(rows, &path);
    assert_eq!(refuse(once(vec![vec![0.0]; 3]), "has 2 outputs"), "rig-unfit");
    refuse(once(vec![vec![], vec![]]), "nothing to play");
    refuse(once(vec![vec![f32::NAN]]), "not a number");
    let mut request = once(vec![vec![0.0; 10]]);
    request.play = Play::Nothing;
    refuse(request, "needs a signal that is played once");
    let mut request = CaptureRequest::watch();
    request.length = Length::Seconds(f64::NAN);
    refuse(request, "expected up to a day");
    assert!(!path.exists(), "nothing was begun");
    std::fs::write(&path, b"precious").unwrap();
    assert_eq!(refuse(once(vec![vec![0.0; 10]]), "never overwritten"), "record-failed");

    let mut far = spec();
    far.inputs[1].channel = 3;
    let plant = Arc::new(Mutex::new(StraightWire { channels: 2 }));
    let error = SimulatedRig::new(plant, far, Pace::RealTime).unwrap_err();
    assert!(error.to_string().contains("beyond the 2 outputs and 2 inputs"), "{error}");
}
