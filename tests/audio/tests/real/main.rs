//! A sweep through a real audio server, by `cpal` and the engine: once as a plain loop, once
//! through a plugin whose response is known.
#![cfg(target_os = "linux")]

mod server;
mod soak;

use std::io::Read;
use std::path::Path;
use std::process::Stdio;
use std::thread::sleep;
use std::time::{Duration, Instant};

use dsp::biquad::Biquad;
use dsp::deconvolve::{Deconvolver, ImpulseResponse, TimeWindow};
use dsp::response::log_grid;
use dsp::sweep::Sweep;
use recording::{Audio, Depth};
use server::Server;

const RATE: u32 = 48_000;
const RATE_HZ: f64 = 48_000.0;

// The plugin is found as a file beside the test; this makes sure that it is built.
use dut as _;

/// A sweep of 4 s between two half-seconds of silence, wider than what is read, so that its own ends
/// do not count.
fn stimulus() -> Vec<f32> {
    let sweep = Sweep::new(10.0, 21_000.0, 4.0, RATE_HZ, false);
    let mut samples = vec![0.0; RATE as usize / 2];
    samples.extend(sweep.samples().iter().map(|x| (0.25 * x) as f32));
    samples.extend(vec![0.0; RATE as usize / 2]);
    samples
}

/// Plays the stimulus on both channels and records it twice. A capture that the engine itself
/// reports as interrupted, as happens on a busy machine, is made again.
fn play_and_record(server: &Server, folder: &Path) -> [Audio; 2] {
    let play = folder.join("play.wav");
    let row = stimulus();
    recording::write_wav(&play, &Audio::new(RATE, vec![row.clone(), row]), Depth::Float32, 0).unwrap();
    let mut reports = Vec::new();
    for attempt in 0..4 {
        let paths = ["a", "b"].map(|name| folder.join(format!("{name}{attempt}.wav")));
        let output = server
            .command(env!("CARGO_BIN_EXE_audio"))
            .arg(&play)
            .args(&paths)
            .output()
            .expect("the probe was built with the test");
        let report = String::from_utf8_lossy(&output.stdout).into_owned();
        let errors = String::from_utf8_lossy(&output.stderr).into_owned();
        assert!(output.status.success(), "{report}\n{errors}");
        assert!(!report.contains("rate-mismatch"), "both ends run at 48 kHz: {report}");
        if !report.contains(" Caution ") && !report.contains(" Stop ") {
            let audio = paths.map(|path| recording::read(path).expect("the capture is on disk"));
            for (audio, line) in audio.iter().zip(report.lines().filter(|line| line.starts_with("frames"))) {
                assert!(audio.condition.is_sound());
                let frames = audio.frames();
                assert_eq!(line, format!("frames {frames} blocks {frames} gaps 0"), "{report}");
            }
            return audio;
        }
        reports.push(report);
    }
    panic!("every attempt was interrupted:\n{}", reports.join("\n"));
}

/// What both channels make of the sweep.
fn impulses(audio: &Audio) -> [ImpulseResponse; 2] {
    let reference: Vec<f64> = stimulus().iter().map(|&x| f64::from(x)).collect();
    let mut deconvolver = Deconvolver::new(&reference, audio.frames(), RATE_HZ, 10.0, 21_000.0);
    [0, 1].map(|channel| {
        let recording: Vec<f64> = audio.channels[channel].iter().map(|&x| f64::from(x)).collect();
        deconvolver.impulse(&recording, 0.0)
    })
}

/// Where an impulse is highest, to a fraction of a sample by a parabola, and its sign. The second
/// half of the circle is negative time: the recording may start after the playback.
fn peak(impulse: &ImpulseResponse) -> (f64, f64) {
    let samples = impulse.samples();
    let count = samples.len();
    let at = (0..count).max_by(|&a, &b| samples[a].abs().total_cmp(&samples[b].abs())).unwrap();
    let sign = samples[at].signum();
    let [a, b, c] = [at + count - 1, at, at + 1].map(|n| samples[n % count] * sign);
    let signed = if at > count / 2 { at as f64 - count as f64 } else { at as f64 };
    (signed + 0.5 * (a - c) / (a - 2.0 * b + c), sign)
}

fn window() -> TimeWindow {
    TimeWindow::half_faded(0.2, 0.8)
}

/// The magnitude around the moment, at twelve points an octave.
fn magnitude_db(impulse: &ImpulseResponse, moment: f64, frequency_hz: &[f64]) -> Vec<f64> {
    impulse.response(moment / RATE_HZ, &window(), frequency_hz).magnitude_db()
}

/// Checks that what was played is in the recording to the bit, so many samples later. The fades at
/// the ends fall into silence.
fn same_samples(recorded: &[f32], later: i64) {
    for (n, wanted) in stimulus().iter().enumerate().skip(RATE as usize / 2) {
        let got = usize::try_from(n as i64 + later).ok().and_then(|at| recorded.get(at));
        assert_eq!(got, Some(wanted), "sample {n}, {later} later");
    }
}

/// Source: analytic: a loop without a filter changes nothing, and does so every time.
#[test]
fn a_plain_loop_is_a_straight_wire_and_repeats() {
    let server = Server::start(false);
    let folder = tempfile::tempdir().unwrap();
    let captures = play_and_record(&server, folder.path());
    let grid = log_grid(20.0, 20_000.0, 12.0);
    let mut responses = Vec::new();
    for audio in &captures {
        let [left, right] = impulses(audio);
        let ((at, sign), (right_at, right_sign)) = (peak(&left), peak(&right));
        assert_eq!((sign, right_sign), (1.0, 1.0));
        testkit::near("right against left, in samples", right_at - at, 0.0, 1e-3);
        // Both streams are opened one after the other, so the lag is no constant; it is no
        // longer than the buffers between.
        assert!((-RATE_HZ / 4.0..RATE_HZ).contains(&at), "the sound came {at} samples after it was played");
        for channel in &audio.channels {
            same_samples(channel, at.round() as i64);
        }
        for impulse in [left, right] {
            let got = magnitude_db(&impulse, at, &grid);
            testkit::all_near("wire, in dB", &got, &vec![0.0; grid.len()], 0.01);
            responses.push(got);
        }
    }
    testkit::all_near("repeatability, in dB", &responses[2], &responses[0], 0.005);
}

/// Source: the plugin's own table; the filters' responses are those of the Audio EQ Cookbook.
#[test]
fn a_known_plugin_is_measured_as_what_it_is() {
    let server = Server::start(true);
    let folder = tempfile::tempdir().unwrap();
    let captures = play_and_record(&server, folder.path());
    let grid = log_grid(20.0, 20_000.0, 12.0);
    let left_filter = Biquad::peak(RATE_HZ, 1_000.0, 6.0, 2.0).unwrap();
    let right_filter = Biquad::high_pass(RATE_HZ, 100.0, std::f64::consts::FRAC_1_SQRT_2).unwrap();
    for audio in &captures {
        let [left, right] = impulses(audio);
        let ((at, sign), (right_at, right_sign)) = (peak(&left), peak(&right));
        assert_eq!(sign, 1.0, "the left channel is not inverted");
        assert_eq!(right_sign, -1.0, "the right channel is inverted");
        // Both filters move the band-limited peak by a fraction of a sample.
        testkit::near("right after left, in samples", right_at - at, 96.0, 0.1);

        let wanted: Vec<f64> = grid.iter().map(|&f| left_filter.magnitude_db(f)).collect();
        testkit::all_near("left, in dB", &magnitude_db(&left, at, &grid), &wanted, 0.02);
        let wanted: Vec<f64> = grid.iter().map(|&f| right_filter.magnitude_db(f) - 3.0).collect();
        testkit::all_near("right, in dB", &magnitude_db(&right, right_at, &grid), &wanted, 0.02);
    }
}

/// Source: the rule of the real-time side: a stop fades by a raised cosine over 10 ms, and that
/// reaches the loudspeaker. A tone of 0.5 that is cut off shows in its last millisecond, a whole
/// period; under the fade that millisecond is at most 0.5·(1 − cos(π/10))/2 = 0.0122.
#[test]
fn a_stop_is_heard_as_a_fade() {
    let server = Server::start(false);
    let folder = tempfile::tempdir().unwrap();
    let mut reports = Vec::new();
    for _ in 0..4 {
        let heard = folder.path().join("heard.raw");
        // What leaves the server, whatever the engine believes.
        let mut ear = server.command("parec");
        let ear = ear.args(["--device=out.monitor", "--format=float32le", "--rate=48000", "--channels=2"]);
        let ear = ear.arg("--latency-msec=20").stdout(std::fs::File::create(&heard).unwrap());
        let mut ear = ear.spawn().expect("parec comes with the server's tools");
        let output = server.command(env!("CARGO_BIN_EXE_audio")).arg("stop").output().unwrap();
        sleep(Duration::from_millis(500));
        ear.kill().unwrap();
        ear.wait().unwrap();
        let report = String::from_utf8_lossy(&output.stdout).into_owned();
        assert!(output.status.success(), "{report}");
        // What the engine itself reports as interrupted, as happens on a busy machine, is made again.
        if report.contains(" Caution ") {
            reports.push(report);
            continue;
        }
        let bytes = std::fs::read(&heard).unwrap();
        let tone: Vec<f32> =
            bytes.chunks_exact(8).map(|x| f32::from_le_bytes([x[0], x[1], x[2], x[3]])).collect();
        let end = 1 + tone.iter().rposition(|x| *x != 0.0).expect("a tone");
        assert!(end < tone.len(), "it was listened to until it had ended");
        let peak = |stretch: &[f32]| f64::from(stretch.iter().fold(0.0_f32, |peak, x| peak.max(x.abs())));
        testkit::near("before the stop", peak(&tone[end - 4_800..end - 2_400]), 0.5, 1e-3);
        testkit::at_most("the last millisecond", peak(&tone[end - 48..end]), 0.013);
        return;
    }
    panic!("every attempt was interrupted:\n{}", reports.join("\n"));
}

/// Some hosts call the error callback a million times a second once their server is gone, and some
/// never return from closing a stream.
#[test]
fn a_server_that_dies_ends_the_capture_and_keeps_the_recording() {
    let server = Server::start(false);
    let folder = tempfile::tempdir().unwrap();
    let (play, record) = (folder.path().join("play.wav"), folder.path().join("record.wav"));
    let long = Audio::new(RATE, vec![vec![0.01; RATE as usize * 60]]);
    recording::write_wav(&play, &long, Depth::Float32, 0).unwrap();
    let mut probe = server.command(env!("CARGO_BIN_EXE_audio"));
    let mut probe = probe.arg(&play).arg(&record).stdout(Stdio::piped()).spawn().unwrap();
    let start = Instant::now();
    let seconds = |n: f64| Duration::from_secs_f64(n);
    // Two seconds of recording and its header.
    while std::fs::metadata(&record).map_or(0, |file| file.len()) < 2 * 2 * 4 * u64::from(RATE) {
        assert!(start.elapsed() < seconds(30.0), "the capture does not begin");
        sleep(seconds(0.05));
    }
    drop(server);
    let died = Instant::now();
    while probe.try_wait().unwrap().is_none() {
        if died.elapsed() > seconds(15.0) {
            probe.kill().unwrap();
            panic!("the capture did not end after its server had died");
        }
        sleep(seconds(0.05));
    }
    let mut report = String::new();
    probe.stdout.take().unwrap().read_to_string(&mut report).unwrap();
    assert!(report.contains("finding device-") && report.contains(" Stop "), "{report}");
    let audio = recording::read(&record).unwrap();
    assert!(audio.condition.is_sound(), "{:?}", audio.condition);
    assert!(audio.frames() >= 2 * RATE as usize && audio.frames() < 40 * RATE as usize);
}

/// Listing must not write on the person's terminal.
#[test]
fn the_devices_are_listed_without_a_word_on_stderr() {
    let server = Server::start(false);
    let output = server.command(env!("CARGO_BIN_EXE_audio")).arg("devices").output().unwrap();
    let listed = String::from_utf8_lossy(&output.stdout);
    assert!(output.status.success());
    let default = listed.lines().find(|line| line.contains("\"alsa:default\"")).expect("the default device");
    assert!(default.contains("is_default_input: true, is_default_output: true"), "{default}");
    assert!(default.contains("48000"), "{default}");
    assert_eq!(String::from_utf8_lossy(&output.stderr), "");
}

/// One sweep, four inputs of the interface: four captures of the same sound with their own names, each of them a straight
/// wire, and one clock for all.
///
/// Source: analytic: a loop without a filter changes nothing.
#[test]
fn four_inputs_at_once_make_a_capture_each() {
    let server = Server::with_four_inputs();
    let folder = tempfile::tempdir().unwrap();
    let mut rig = "name = \"Four\"\nsample_rate_hz = 48000\nbuffer_frames = 4096\n".to_owned();
    for channel in 1..=2 {
        rig += &format!("\n[[output]]\nchannel = {channel}\nname = \"out-{channel}\"\n");
    }
    for channel in 1..=4 {
        rig += &format!(
            "\n[[input]]\nchannel = {channel}\nname = \"mic-{channel}\"\nrole = \"microphone\"\ndbfs_at_94 = -{channel}0.0\n"
        );
    }
    std::fs::write(folder.path().join("rig.toml"), rig).unwrap();
    let mut reports = Vec::new();
    for attempt in 0..4 {
        let job = format!("job-{attempt}");
        let arguments =
            ["headrest", "measure", "sweep", "--rig", "rig.toml", "--input", "all", "--job", &job, "--json"];
        let output = server
            .command(env!("CARGO_BIN_EXE_audio"))
            .args(arguments)
            .current_dir(folder.path())
            .output()
            .expect("the probe was built with the test");
        let text = String::from_utf8_lossy(&output.stdout).into_owned();
        let errors = String::from_utf8_lossy(&output.stderr).into_owned();
        // What the engine itself reports as interrupted, as happens on a busy machine, is made again.
        let lost = ["ring-overflow", "samples-lost", "output-underrun", "recording-gap", "copies-apart"];
        if !output.status.success() || lost.iter().any(|code| text.contains(code)) {
            reports.push(format!("{text}\n{errors}"));
            continue;
        }
        let document: serde_json::Value = serde_json::from_str(&text).expect("one document");
        let captures = document["captures"].as_array().expect("captures");
        let inputs: Vec<&str> = captures.iter().filter_map(|one| one["input"].as_str()).collect();
        assert_eq!(inputs, ["mic-1", "mic-2", "mic-3", "mic-4"]);
        let response = |capture: &serde_json::Value, column: &str| -> Vec<f64> {
            let values =
                capture["reading"]["curves"]["response"][column].as_array().expect("a curve").clone();
            values.iter().map(|value| value.as_f64().expect("a number")).collect()
        };
        for capture in captures {
            let inside = response(capture, "frequency_hz").into_iter().zip(response(capture, "magnitude_db"));
            let inside: Vec<f64> =
                inside.filter(|(hz, _)| (30.0..=15_000.0).contains(hz)).map(|one| one.1).collect();
            testkit::all_near("wire, in dB", &inside, &vec![0.0; inside.len()], 0.05);
            testkit::near(
                "arrival against the first, in s",
                capture["reading"]["values"]["arrival_s"].as_f64().expect("an arrival"),
                captures[0]["reading"]["values"]["arrival_s"].as_f64().expect("an arrival"),
                1e-6,
            );
        }
        for (number, capture) in (1..).zip(captures) {
            let file = folder.path().join(&job).join(format!("captures/{number:04}/capture.json"));
            let kept: serde_json::Value =
                serde_json::from_str(&std::fs::read_to_string(file).unwrap()).expect("a capture");
            assert_eq!((&kept["input"], &kept["channel"]), (&capture["input"], &(number - 1).into()));
            assert_eq!(kept["calibration"]["dbfs_at_94"], -10.0 * f64::from(number));
            assert_eq!(kept["made_with"], if number == 1 { serde_json::Value::Null } else { 1.into() });
        }
        return;
    }
    panic!("every attempt was interrupted:\n{}", reports.join("\n"));
}
