//! The rig of devices, on a card that follows a script.

use std::path::Path;
use std::time::{Duration, Instant};

use cpal::SampleFormat;

use super::card::{Card, Event, Script};
use crate::{
    CaptureEnd, CaptureRequest, CueOutput, DeviceRig, EngineLevel, Input, InputRole, Length, Play, Rig,
    RigSpec,
};

const BUFFER: usize = 1_024;

fn spec() -> RigSpec {
    RigSpec {
        name: "Card".to_owned(),
        inputs: vec![
            Input::new(2, "right back", InputRole::Loopback),
            Input::new(1, "left back", InputRole::Loopback),
        ],
        ..RigSpec::system_default()
    }
}

fn rig(card: &Card, spec: RigSpec) -> DeviceRig {
    let card = card.clone();
    DeviceRig::on_host(spec, std::sync::Arc::new(move || card.host())).unwrap()
}

/// A ramp in steps that no fade or gain leaves alone, between two stretches of silence.
fn steps(frames: usize) -> Vec<f32> {
    (0..frames)
        .map(|n| if (2_000..frames - 2_000).contains(&n) { (n % 1_999) as f32 / 4_000.0 + 0.25 } else { 0.0 })
        .collect()
}

fn codes(end: &CaptureEnd) -> Vec<(&'static str, EngineLevel)> {
    end.findings.iter().map(|finding| (finding.code, finding.level)).collect()
}

/// Records what the card captures for so many seconds, with nothing played.
fn listen(card: &Card, path: &Path, seconds: f64) -> CaptureEnd {
    let mut request = CaptureRequest::record(path);
    request.length = Length::Seconds(seconds);
    rig(card, spec()).capture(request).unwrap().finish()
}

#[test]
fn what_is_played_comes_back_on_its_wires_whatever_the_format() {
    for (format, tolerance) in
        [(SampleFormat::F32, 0.0), (SampleFormat::I32, 1e-7), (SampleFormat::I16, 4e-5)]
    {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.wav");
        let card = Card::new(Script { format, ..Script::default() });
        let rows = vec![steps(40_000), steps(30_000)];
        let mut request = CaptureRequest::play_once(rows.clone(), &path);
        request.length = Length::Playback { tail_s: 0.25 };
        let end = rig(&card, spec()).capture(request).unwrap().finish();
        assert_eq!(codes(&end), [], "{format}");
        assert_eq!(end.gaps, []);
        let audio = recording::read(&path).unwrap();
        assert_eq!(audio.frames() as u64, end.frames);
        // The wires are crossed: the first input is the device's second channel.
        for (got, wanted) in [(&audio.channels[0], &rows[1]), (&audio.channels[1], &rows[0])] {
            let start = got.iter().position(|x| x.abs() > 0.1).expect("the signal came back") - 2_000;
            for (n, wanted) in wanted.iter().enumerate() {
                testkit::near("sample", f64::from(got[start + n]), f64::from(*wanted), tolerance);
            }
            assert!(end.frames as usize >= start + 40_000 + 12_000, "the tail is there");
        }
    }
}

/// Source: the rules of the real-time side: a new level starts 20 dB down, fades in, fades out.
#[test]
fn only_a_new_level_is_approached_and_the_approach_is_not_recorded() {
    let folder = tempfile::tempdir().unwrap();
    let card = Card::new(Script::default());
    let mut rig = rig(&card, spec());
    let mut take = |name: &str, gain: f32| {
        let path = folder.path().join(name);
        let row = steps(30_000).iter().map(|x| x * gain).collect();
        let end = rig.capture(CaptureRequest::play_once(vec![row], &path)).unwrap().finish();
        assert_eq!(codes(&end), []);
        let recorded = recording::read(&path).unwrap().channels.swap_remove(1);
        let played: Vec<f32> = card.take_played().chunks(2).map(|frame| frame[0]).collect();
        (played, recorded)
    };
    let peak = |row: &[f32]| row.iter().fold(0.0_f32, |peak, x| peak.max(x.abs()));
    let approach = 28_000 + 24_000;
    let (played, recorded) = take("first.wav", 1.0);
    testkit::near(
        "approach",
        f64::from(peak(&played[..approach])),
        0.1 * f64::from(peak(&steps(30_000))),
        1e-6,
    );
    assert!(peak(&played[approach..]) > 0.7);
    // What was recorded before the signal is silence: the approach is not in it.
    let start = recorded.iter().position(|x| x.abs() > 0.2).unwrap();
    assert!(recorded[..start].iter().all(|&x| x == 0.0), "the approach is not recorded");
    let (played, _) = take("again.wav", 1.0);
    testkit::at_most("first loud sample", played.iter().position(|x| *x > 0.2).unwrap() as f64, 2_001.0);
    let (played, _) = take("softer.wav", 0.5);
    testkit::at_most("first loud sample", played.iter().position(|x| *x > 0.1).unwrap() as f64, 2_001.0);
    let (played, _) = take("louder.wav", 1.2);
    assert!(peak(&played[..approach]) < 0.1, "a louder level is new again");
}

#[test]
fn callbacks_do_not_allocate() {
    for format in [SampleFormat::F32, SampleFormat::I32, SampleFormat::I16] {
        let folder = tempfile::tempdir().unwrap();
        let card = Card::new(Script { format, ..Script::default() });
        let mut rig = rig(&card, spec());
        // Everything that a callback can meet: playing, the end, an overflow, an underrun, a stop.
        let end = rig
            .capture(CaptureRequest::play_once(vec![steps(20_000)], folder.path().join("a.wav")))
            .unwrap()
            .finish();
        assert_eq!(codes(&end), []);
        card.change(|script| {
            script.events = vec![(20, Event::OutputBurst(100)), (30, Event::InputBurst(1_000))];
        });
        let capture = rig
            .capture(CaptureRequest {
                play: Play::Endless(vec![vec![0.1; 4_800]]),
                length: Length::UntilStopped,
                record_to: Some(folder.path().join("b.wav")),
                run: None,
            })
            .unwrap();
        while capture.frames() < 100 * BUFFER as u64 {
            std::thread::sleep(Duration::from_millis(5));
        }
        let end = capture.finish();
        assert!(codes(&end).contains(&("output-underrun", EngineLevel::Caution)), "{:?}", end.findings);
        let (allocations, callbacks) = card.allocations();
        assert!(callbacks > 1_000, "{callbacks} callbacks");
        assert_eq!(allocations, 0, "in {callbacks} callbacks of {format}");
    }
}

#[test]
fn a_stop_is_heard_within_one_buffer() {
    let card = Card::new(Script { speed: 2.0, ..Script::default() });
    let mut request = CaptureRequest::watch();
    request.play = Play::Endless(vec![vec![0.05; 4_800]]);
    let mut rig = rig(&card, spec());
    let capture = rig.capture(request).unwrap();
    assert!(capture.is_approaching());
    while capture.is_approaching() || capture.frames() < 20_000 {
        std::thread::sleep(Duration::from_millis(2));
    }
    assert!(capture.meters()[1].peak > 0.049);
    let before = card.played() / 2;
    capture.stop();
    let end = capture.finish();
    assert_eq!(codes(&end), []);
    let played: Vec<f32> = card.take_played().chunks(2).map(|frame| frame[0]).collect();
    let last = played.iter().rposition(|&x| x != 0.0).unwrap();
    let full = played.iter().rposition(|&x| x == 0.05).unwrap();
    assert_eq!(last - full, 479, "a fade of 10 ms");
    // The stop came while at most one buffer was on its way.
    testkit::at_most("frames after the stop", (last - before) as f64, 2.0 * BUFFER as f64);
}

#[test]
fn lost_samples_are_found_whether_or_not_the_card_says_so() {
    for (event, about) in [(Event::Skip(4), 4.0), (Event::Xrun, 1.0)] {
        let folder = tempfile::tempdir().unwrap();
        let card = Card::new(Script { events: vec![(150, event)], ..Script::default() });
        let mut request = CaptureRequest::record(folder.path().join("a.wav"));
        request.length = Length::Seconds(6.0);
        let mut capture = rig(&card, spec()).capture(request).unwrap();
        let mut gap_at = None;
        while let Some(block) = capture.next_block() {
            gap_at = gap_at.or(block.gap.then_some(block.first_frame));
        }
        let end = capture.finish();
        assert_eq!(codes(&end), [("samples-lost", EngineLevel::Caution)], "{event:?}");
        let lost: u64 = end.gaps.iter().map(|gap| gap.frames).sum();
        testkit::near("lost buffers", lost as f64 / BUFFER as f64, about, 0.02);
        // Noticed at once when the card says so, within a second by the time stamps.
        let late = gap_at.expect("a block is marked") as f64 / 48_000.0 - 150.0 * BUFFER as f64 / 48_000.0;
        assert!((-0.1..1.1).contains(&late), "noticed after {late} s");
        assert_eq!(end.frames, 288_000, "the recording has its length");
    }
}

#[test]
fn a_ring_that_overflows_leaves_a_gap_of_the_right_length() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.wav");
    let card = Card::new(Script { events: vec![(20, Event::InputBurst(1_500))], ..Script::default() });
    let end = listen(&card, &path, 40.0);
    assert!(codes(&end).contains(&("ring-overflow", EngineLevel::Caution)), "{:?}", end.findings);
    assert!(end.gaps.iter().any(|gap| gap.frames > 0));
    let audio = recording::read(&path).unwrap();
    assert!(audio.frames() as u64 == end.frames && end.frames >= 1_920_000);
}

#[test]
fn a_card_that_is_unplugged_keeps_the_recording_and_is_found_again() {
    let folder = tempfile::tempdir().unwrap();
    let card = Card::new(Script { events: vec![(50, Event::Gone)], ..Script::default() });
    let mut rig = rig(&card, spec());
    let path = folder.path().join("a.wav");
    let end = rig.capture(CaptureRequest::record(&path)).unwrap();
    let mut end = end;
    while end.next_block().is_some() {}
    let end = end.finish();
    assert_eq!(codes(&end), [("device-gone", EngineLevel::Stop)]);
    assert!(
        end.findings[0].text.contains("`scripted card` vanished, or its driver gave up, after 1."),
        "{}",
        end.findings[0].text
    );
    assert_eq!(end.frames, 50 * BUFFER as u64);
    assert_eq!(recording::read(&path).unwrap().frames(), 50 * BUFFER);

    let error = rig.capture(CaptureRequest::record(folder.path().join("b.wav"))).unwrap_err();
    assert_eq!(error.finding().code, "device-missing");
    assert!(!folder.path().join("b.wav").exists(), "no empty recording is left");
    card.change(|script| {
        script.present = true;
        script.events.clear();
    });
    let end = listen(&card, &folder.path().join("c.wav"), 0.5);
    assert_eq!(codes(&end), []);
    assert_eq!(end.frames, 24_000);
}

#[test]
fn a_rerouted_stream_ends_the_capture() {
    let folder = tempfile::tempdir().unwrap();
    let card = Card::new(Script { events: vec![(50, Event::Rerouted)], ..Script::default() });
    let end = listen(&card, &folder.path().join("a.wav"), 60.0);
    assert_eq!(codes(&end), [("device-rerouted", EngineLevel::Stop)]);
}

#[test]
fn a_priority_that_was_refused_is_said_once() {
    let folder = tempfile::tempdir().unwrap();
    let card = Card::new(Script { events: vec![(5, Event::NoPriority)], ..Script::default() });
    let mut rig = rig(&card, spec());
    let mut take = |name: &str| {
        let request = CaptureRequest::play_once(vec![steps(20_000)], folder.path().join(name));
        rig.capture(request).unwrap().finish()
    };
    assert_eq!(codes(&take("first.wav")), [("no-priority", EngineLevel::Note)]);
    assert_eq!(codes(&take("second.wav")), []);
}

#[test]
fn a_card_that_falls_silent_ends_the_capture() {
    let folder = tempfile::tempdir().unwrap();
    let card = Card::new(Script { events: vec![(50, Event::Stall)], ..Script::default() });
    let start = Instant::now();
    let end = listen(&card, &folder.path().join("a.wav"), 60.0);
    assert_eq!(codes(&end), [("device-stalled", EngineLevel::Stop)]);
    testkit::at_most("seconds", start.elapsed().as_secs_f64(), 8.0);
    assert_eq!(end.frames, 50 * BUFFER as u64);
}

#[test]
fn a_driver_that_hangs_on_closing_is_left_behind() {
    let folder = tempfile::tempdir().unwrap();
    let card = Card::new(Script { closes_in: Duration::from_secs(6), ..Script::default() });
    let start = Instant::now();
    let end = listen(&card, &folder.path().join("a.wav"), 0.5);
    assert_eq!(codes(&end), [("device-hung", EngineLevel::Note)]);
    testkit::at_most("seconds", start.elapsed().as_secs_f64(), 5.0);
    assert_eq!(end.frames, 24_000);
}

/// Source: analytic: the ratio of the card's two clocks.
#[test]
fn two_clocks_are_told_apart() {
    let folder = tempfile::tempdir().unwrap();
    let card = Card::new(Script { input_ppm: 100.0, output_ppm: -50.0, ..Script::default() });
    let mut request = CaptureRequest::play_once(vec![vec![0.01; 480_000]], folder.path().join("a.wav"));
    request.length = Length::Playback { tail_s: 0.0 };
    let end = rig(&card, spec()).capture(request).unwrap().finish();
    assert_eq!(codes(&end), [("clocks-differ", EngineLevel::Note)]);
    let clock = end.clock.unwrap();
    testkit::near("ppm", clock.ppm, 150.0, 0.5);
    testkit::at_most("uncertainty", clock.uncertainty_ppm, 0.5);
}

#[test]
fn a_card_at_another_rate_is_found_out() {
    let folder = tempfile::tempdir().unwrap();
    // Asked for 48 kHz, it runs at 44.1 kHz.
    let card = Card::new(Script { input_ppm: -81_250.0, ..Script::default() });
    let end = listen(&card, &folder.path().join("a.wav"), 4.0);
    let stop = end.findings.iter().find(|finding| finding.level == EngineLevel::Stop).unwrap();
    assert_eq!(stop.code, "rate-mismatch");
    assert!(stop.text.contains("about 44100 Hz"), "{}", stop.text);
}

#[test]
fn a_card_that_does_not_fit_is_refused_with_what_would() {
    let folder = tempfile::tempdir().unwrap();
    let refuse = |script: Script, change: &dyn Fn(&mut RigSpec), code: &str, expected: &str| {
        let mut changed = spec();
        change(&mut changed);
        let request = CaptureRequest::play_once(vec![vec![0.0; 10]], folder.path().join("a.wav"));
        let error = rig(&Card::new(script), changed).capture(request).unwrap_err();
        assert_eq!(error.finding().code, code);
        assert!(error.to_string().contains(expected), "{error}");
    };
    let usual = Script::default;
    refuse(usual(), &|spec| spec.sample_rate_hz = 192_000, "rate-mismatch", "it offers 44100 to 96000 Hz");
    refuse(usual(), &|spec| spec.inputs[0].channel = 5, "rig-unfit", "channel 5 of the input device");
    refuse(usual(), &|spec| spec.outputs[1].channel = 3, "rig-unfit", "channel 3 of the output device");
    refuse(
        usual(),
        &|spec| spec.input_device = Some("custom:other".to_owned()),
        "device-missing",
        "`custom:other`",
    );
    refuse(Script { present: false, ..usual() }, &|_| {}, "device-missing", "names no input device");
    refuse(Script { format: SampleFormat::U8, ..usual() }, &|_| {}, "device-refused", "no sample format");
    assert!(!folder.path().join("a.wav").exists());
    let mut bad = spec();
    bad.inputs.clear();
    assert!(DeviceRig::new(bad).unwrap_err().to_string().contains("at least one"));
}

#[test]
fn the_card_is_listed_with_what_it_can_do() {
    let card = Card::new(Script::default());
    let listed = crate::enumerate::list(&card.host()).unwrap();
    assert_eq!(listed.len(), 1);
    let info = &listed[0];
    assert_eq!((info.id.as_str(), info.name.as_str()), ("custom:card", "scripted card"));
    assert_eq!((info.input_channels, info.output_channels), (2, 2));
    assert_eq!(info.sample_rates_hz, [44_100, 48_000, 88_200, 96_000]);
    assert!(info.is_default_input && info.is_default_output);
    let mut named = spec();
    named.input_device = Some(info.id.clone());
    let mut request = CaptureRequest::watch();
    request.length = Length::Seconds(0.1);
    assert_eq!(rig(&card, named).capture(request).unwrap().finish().frames, 4_800);
}

#[test]
fn a_capture_that_is_dropped_stops_and_keeps_its_recording() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.wav");
    let card = Card::new(Script::default());
    let capture = rig(&card, spec()).capture(CaptureRequest::record(&path)).unwrap();
    while capture.frames() < 10_000 {
        std::thread::sleep(Duration::from_millis(2));
    }
    drop(capture);
    let audio = recording::read(&path).unwrap();
    assert!(audio.condition.is_sound() && audio.frames() >= 10_000);
}

#[test]
fn a_signal_tone_is_played_to_its_end_and_needs_an_output() {
    let host = |card: &Card| -> crate::device::HostMaker {
        let card = card.clone();
        std::sync::Arc::new(move || card.host())
    };
    let cues = CueOutput::beside_simulated();
    // At the pace of a real one. It has a clock only while an input is open.
    let card = Card::new(Script { speed: 1.0, ..Script::default() });
    let silent = cues.play_on(host(&card), &[0.1; 480]);
    assert!(silent.unwrap_err().to_string().contains("nothing was heard"));
    let watching = rig(&card, spec()).capture(CaptureRequest::watch()).unwrap();
    let start = Instant::now();
    cues.play_on(host(&card), &[0.1; 9_600]).unwrap();
    assert!(start.elapsed() >= Duration::from_millis(150), "it takes its time: {:?}", start.elapsed());
    assert_eq!(card.take_played().iter().filter(|&&x| x == 0.1).count(), 2 * 9_600, "on both outputs");
    drop(watching);
    let gone = Card::new(Script { present: false, ..Script::default() });
    assert!(cues.play_on(host(&gone), &[0.1; 480]).is_err());
}
