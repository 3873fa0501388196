//! The straight-wire car through the simulated rig, from the played samples to the file on disk.

use std::sync::{Arc, Mutex};

use cabin::{Cabin, Car};
use dsp::deconvolve::{Deconvolver, TimeWindow};
use dsp::response::log_grid;
use dsp::sweep::Sweep;
use engine::{CaptureRequest, Input, InputRole, Length, Pace, Plant, Rig, RigSpec, SimulatedRig};

struct Simulated(Cabin);

impl Plant for Simulated {
    fn process(&mut self, played: &[f32], captured: &mut [f32]) {
        self.0.process(played, captured);
    }

    fn outputs(&self) -> usize {
        2
    }

    fn inputs(&self) -> usize {
        2
    }
}

/// Source: the bar of the first issue: 0 ± 0.01 dB from 20 Hz to 20 kHz.
#[test]
fn a_straight_wire_reads_zero_at_every_rate() {
    let folder = tempfile::tempdir().unwrap();
    for rate in [44_100, 48_000, 96_000] {
        let rate_hz = f64::from(rate);
        let car = Car::preset("straight-wire").unwrap();
        let plant = Arc::new(Mutex::new(Simulated(Cabin::new(&car, rate_hz).unwrap())));
        let spec = RigSpec {
            name: "Straight wire".to_owned(),
            sample_rate_hz: rate,
            inputs: vec![
                Input::new(1, "microphone", InputRole::Microphone),
                Input::new(2, "tap", InputRole::Electrical),
            ],
            ..RigSpec::system_default()
        };
        let mut rig = SimulatedRig::new(plant, spec, Pace::AsFastAsPossible).unwrap();
        // Wider than what is read, so that the sweep's own ends do not count.
        let mut row = vec![0.0; rate as usize / 2];
        row.extend(
            Sweep::new(10.0, 21_000.0, 5.0, rate_hz, false).samples().iter().map(|x| (0.25 * x) as f32),
        );
        row.extend(vec![0.0; rate as usize / 2]);
        let path = folder.path().join(format!("{rate}.wav"));
        let mut request = CaptureRequest::play_once(vec![row.clone(), row.clone()], &path);
        request.length = Length::Playback { tail_s: 1.0 };
        let end = rig.capture(request).unwrap().finish();
        assert_eq!((end.findings, end.gaps), (vec![], vec![]));

        let audio = recording::read(&path).unwrap();
        assert_eq!((audio.sample_rate_hz, audio.frames() as u64), (rate, end.frames));
        let reference: Vec<f64> = row.iter().map(|&x| f64::from(x)).collect();
        let mut deconvolver = Deconvolver::new(&reference, audio.frames(), rate_hz, 10.0, 21_000.0);
        let grid = log_grid(20.0, 20_000.0, 48.0);
        for (channel, name) in audio.channels.iter().zip(["microphone", "tap"]) {
            let recorded: Vec<f64> = channel.iter().map(|&x| f64::from(x)).collect();
            let impulse = deconvolver.impulse(&recorded, 0.0);
            let response = impulse.response(0.0, &TimeWindow::half_faded(0.25, 0.9), &grid);
            let wanted = vec![0.0; grid.len()];
            testkit::all_near(
                &format!("{name} at {rate} Hz, in dB"),
                &response.magnitude_db(),
                &wanted,
                0.01,
            );
        }
    }
}
