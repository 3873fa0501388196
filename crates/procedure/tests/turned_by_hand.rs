//! A volume sweep with devices: a source that plays by itself, and a person who turns its volume.

use std::sync::mpsc::sync_channel;
use std::sync::{Arc, Mutex};

use engine::{Input, InputRole, Pace, Plant, RigSpec, SimulatedRig, StopSwitch};
use procedure::{Event, Hand, Instruction, OutputTone, Request, Session, Store, VolumeSweep, volume_sweep};
use rig::OpenRig;

/// A radio whose volume is turned up one step in 0.8 s, by 1.5 dB each, and whose output stage ends at a peak of
/// 0.3. Nothing is played to it.
struct Radio {
    frame: u64,
}

/// The peak of the tone at step 1.
const FIRST: f64 = 0.1;
const STEP_DB: f64 = 1.5;
const CLIPS_AT: f64 = 0.3;
const STEP_FRAMES: u64 = 38_400;
/// Far beyond what clips: the sweep has ended by then, however late it is heard.
const LAST: u64 = 80;

impl Plant for Radio {
    fn process(&mut self, _: &[f32], captured: &mut [f32]) {
        for sample in captured.iter_mut() {
            let step = (self.frame / STEP_FRAMES).min(LAST - 1) as f64;
            let peak = FIRST * 10f64.powf(step * STEP_DB / 20.0);
            let phase = std::f64::consts::TAU * 1_000.0 * self.frame as f64 / 48_000.0;
            *sample = (peak * phase.sin()).clamp(-CLIPS_AT, CLIPS_AT) as f32;
            self.frame += 1;
        }
    }

    fn outputs(&self) -> usize {
        2
    }

    fn inputs(&self) -> usize {
        1
    }
}

/// Source: arithmetic: 0.1 raised by 1.5 dB six times is 0.282, a seventh time 0.335: step 7 is clean, step 8 is
/// not. The person is asked to connect the output, says so, and turns; the sweep ends by itself.
#[test]
fn the_step_that_a_person_reached_is_found() {
    let spec = RigSpec {
        name: "bench".to_owned(),
        inputs: vec![Input { volts_per_fs: Some(20.0), ..Input::new(1, "tap", InputRole::Electrical) }],
        ..RigSpec::system_default()
    };
    let radio = Arc::new(Mutex::new(Radio { frame: 0 }));
    let mut rig = OpenRig::of(Box::new(SimulatedRig::new(radio, spec, Pace::AsFastAsPossible).unwrap()));
    let (says, inbox) = sync_channel(4);
    says.send(Instruction::Continue).unwrap();
    let mut asked = Vec::new();
    let mut steps = Vec::new();
    let verdict = volume_sweep(
        &mut Session {
            rig: &mut rig,
            store: Store::Nowhere,
            token: StopSwitch::default().begin(),
            inbox: &inbox,
            hand: Hand::Confirms,
            on_event: &mut |event| match event {
                Event::Asked { request: Request::RaiseVolume { output, .. }, by_hand } => {
                    asked.push((output, by_hand));
                }
                Event::Step(now) => steps.extend(now.step),
                _ => {}
            },
        },
        &VolumeSweep {
            outputs: vec![OutputTone { name: "front".to_owned(), tone_hz: 1_000.0 }],
            first_step: Some(1),
            source_plays: true,
            until_stopped: true,
            ..VolumeSweep::default()
        },
    )
    .unwrap();
    assert_eq!(asked, [("front".to_owned(), true)]);
    assert_eq!(verdict.limit.clean_step, Some(7), "{verdict}");
    assert!(steps.last() < Some(&(LAST as i64)), "it ended by itself: {steps:?}");
}
