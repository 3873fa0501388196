//! Plays a file through the system's own devices and records them: `audio PLAY.wav RECORD.wav...`,
//! one capture per name. Prints one line per finding, and the frames and gaps of each capture.
//! `audio devices` lists the devices. `audio stop` plays a tone without an end, and stops it after
//! two seconds. `audio headrest ARGUMENTS` is Headrest's command line.
//!
//! The tests run it in the surroundings of their private audio server.

use std::io::Write;
use std::process::ExitCode;

use engine::{CaptureEnd, CaptureRequest, DeviceRig, Input, InputRole, Length, Play, Rig, RigSpec};

fn main() -> ExitCode {
    if std::env::args_os().nth(1).is_some_and(|first| first == "headrest") {
        return match cli::run(std::env::args_os().skip(1)) {
            cli::Choice::Done(status) => status,
            cli::Choice::Window => cli::refuse("this program has no window; name a command"),
        };
    }
    match run() {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            // Standard error may be closed; the exit code tells as well.
            let _ = writeln!(std::io::stderr(), "{error}");
            ExitCode::FAILURE
        }
    }
}

fn run() -> Result<(), Box<dyn std::error::Error>> {
    let mut arguments = std::env::args().skip(1);
    let play = arguments.next().ok_or("usage: audio PLAY.wav RECORD.wav...")?;
    let mut out = std::io::stdout().lock();
    if play == "devices" {
        for device in engine::devices()? {
            writeln!(out, "{device:?}")?;
        }
        return Ok(());
    }
    if play == "stop" {
        return stop(&mut out);
    }
    let audio = recording::read(play)?;
    let mut rig = rig(audio.sample_rate_hz)?;
    for path in arguments {
        let mut request = CaptureRequest::play_once(audio.channels.clone(), path);
        request.length = Length::Playback { tail_s: 1.0 };
        let mut capture = rig.capture(request)?;
        let mut blocks = 0_u64;
        while let Some(block) = capture.next_block() {
            blocks += block.channels[0].len() as u64;
        }
        let end = capture.finish();
        writeln!(out, "frames {} blocks {blocks} gaps {}", end.frames, end.gaps.len())?;
        if let Some(clock) = end.clock {
            writeln!(out, "clock {:.1} ppm ± {:.1}", clock.ppm, clock.uncertainty_ppm)?;
        }
        findings(&end, &mut out)?;
    }
    Ok(())
}

fn rig(sample_rate_hz: u32) -> Result<DeviceRig, engine::EngineError> {
    DeviceRig::new(RigSpec {
        name: "Audio server".to_owned(),
        sample_rate_hz,
        // Busy processors lose samples with less.
        buffer_frames: Some(4_096),
        inputs: vec![Input::new(1, "left", InputRole::Loopback), Input::new(2, "right", InputRole::Loopback)],
        ..RigSpec::system_default()
    })
}

/// A tone of 1 kHz on both channels, its peak at a half.
fn stop(out: &mut impl Write) -> Result<(), Box<dyn std::error::Error>> {
    let tone: Vec<f32> =
        (0..48).map(|n| (0.5 * (std::f64::consts::TAU * f64::from(n) / 48.0).sin()) as f32).collect();
    let request = CaptureRequest {
        play: Play::Endless(vec![tone.clone(), tone]),
        length: Length::UntilStopped,
        record_to: None,
        run: None,
    };
    let mut capture = rig(48_000)?.capture(request)?;
    while capture.next_block().is_some() {
        if capture.frames() > 96_000 {
            capture.stop();
        }
    }
    findings(&capture.finish(), out)
}

fn findings(end: &CaptureEnd, out: &mut impl Write) -> Result<(), Box<dyn std::error::Error>> {
    for finding in &end.findings {
        writeln!(out, "finding {} {:?} {}", finding.code, finding.level, finding.text)?;
    }
    Ok(())
}
