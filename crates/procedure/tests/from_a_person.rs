//! What a person gives a procedure: names, numbers, files, tracks, a tuning to be heard. What cannot be used is refused
//! in words that say what can, before anything was changed; what can be used means what they meant.

use std::path::{Path, PathBuf};

use engine::{Input, InputRole, Output, RigSpec};
use job::{ChannelSetting, Crossover};
use measurements::signals;
use procedure::{
    Analysis, GainOrder, Named, OpenJob, OutputTone, PadOrder, PreviewTuning, Recorded, analyze, gain,
    on_side, pad, track_named, write_tracks,
};
use project::Change;
use proptest::prelude::*;
use recording::{Audio, Depth};
use testkit::{at_most, near};
use tuning::{Attenuator, Band, GainInput};

/// Everything that a message must not say to somebody who tunes cars.
fn check_words(said: &str) {
    for jargon in ["unwrap", "os error", "f64", "ParseFloat", "invalid digit", "unknown variant", "Some("] {
        assert!(!said.contains(jargon), "“{jargon}” in: {said}");
    }
}

#[test]
fn an_output_is_named_with_its_tone_or_gets_the_usual_one() {
    let read = |text: &str| OutputTone::parse(text).map(|one| (one.name, one.tone_hz));
    for (text, name, hz) in [
        ("front", "front", 1_000.0),
        (" rear left ", "rear left", 1_000.0),
        ("sub", "sub", 40.0),
        ("Subwoofer out", "Subwoofer out", 40.0),
        ("sub:63", "sub", 63.0),
        ("front:1k", "front", 1_000.0),
        ("front:1.2kHz", "front", 1_200.0),
        ("a:b:100 Hz", "a:b", 100.0),
    ] {
        assert_eq!(read(text), Ok((name.to_owned(), hz)), "{text}");
    }
    for wrong in [
        "",
        " ",
        ":40",
        "front:",
        "front:loud",
        "front:5",
        "front:20001",
        "front:-40",
        "front:40 V",
        "sub:nan",
    ] {
        let said = read(wrong).expect_err(wrong).to_string();
        assert!(said.contains("such as sub:40"), "{wrong}: {said}");
        check_words(&said);
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 200, failure_persistence: None, ..ProptestConfig::default() })]

    /// Whatever is typed is read as it was meant, or refused; nothing panics, and no tone is outside of what is safe.
    #[test]
    fn nothing_that_is_typed_breaks_a_reader(text in ".{0,24}", hz in -10.0..30_000.0f64) {
        for typed in [text.clone(), format!("{text}:{hz}"), format!("{text}={text}#{hz}")] {
            match OutputTone::parse(&typed) {
                Ok(one) => prop_assert!((20.0..=10_000.0).contains(&one.tone_hz) && !one.name.is_empty()),
                Err(error) => check_words(&error.to_string()),
            }
            if let Err(error) = Named::parse(&typed) {
                check_words(&error.to_string());
            }
        }
    }

    /// A recording's name and channel survive being written and read.
    #[test]
    fn a_named_recording_is_read_as_it_was_written(name in "[a-z][a-z ]{0,8}[a-z]", file in "[a-z/.]{1,12}", n in 1usize..40) {
        let named = Named::parse(&format!("{name}={file}#{n}")).unwrap();
        prop_assert_eq!(named, Named { name: name.clone(), path: PathBuf::from(&file), channel: n - 1 });
        let first = Named::parse(&format!("{name}={file}")).unwrap();
        prop_assert_eq!((first.path, first.channel), (PathBuf::from(file), 0));
    }
}

const RIG: &str = "# by hand\nname = \"Van\"\n[[input]]\nchannel = 1\nname = \"tap\"\nrole = \"electrical\"\nvolts_per_fs = 2.0\n";

fn pad_of(series_ohm: f64, shunt_ohm: f64) -> PadOrder {
    let pad = Attenuator { series_ohm, shunt_ohm, input_ohm: Some(20_000.0), balanced: false };
    PadOrder { pad, largest_v: Some(30.0), rig: None, input: None }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 60, failure_persistence: None, ..ProptestConfig::default() })]

    /// Source: the voltage divider with the input beside its shunt. The calibration moves by the loss, and moves back when
    /// the pad is another one: a file holds what the present pad does, whatever was there before.
    #[test]
    fn a_pad_moves_the_calibration_by_what_it_takes(
        series in 100.0..100_000.0f64, shunt in 100.0..10_000.0f64, other in 100.0..10_000.0f64,
    ) {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("rig.toml");
        std::fs::write(&file, RIG).unwrap();
        let put = |series, shunt| pad(&PadOrder { rig: Some(file.clone()), ..pad_of(series, shunt) }).unwrap();
        let gain = |series: f64, shunt: f64| {
            let low = 1.0 / (1.0 / shunt + 1.0 / 20_000.0);
            low / (series + low)
        };
        let first = put(series, shunt);
        near("loss", first.loss_db, -20.0 * gain(series, shunt).log10(), 1e-9);
        let volts = first.volts_per_fs.expect("it is calibrated");
        near("full scale", volts * gain(series, shunt) / 2.0, 1.0, 2e-4);
        put(series, other);
        let back = put(series, shunt).volts_per_fs.expect("it is calibrated");
        near("the same pad again", back / volts, 1.0, 5e-4);
        prop_assert!(std::fs::read_to_string(&file).unwrap().contains("by hand"));
        near("at the input", first.largest_at_input_v.expect("it was asked"), 30.0 * gain(series, shunt), 1e-9);
    }
}

#[test]
fn a_pad_that_cannot_be_changes_nothing_and_a_hot_one_is_warned_of() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("rig.toml");
    std::fs::write(&file, RIG.replace("volts_per_fs = 2.0\n", "")).unwrap();
    let with_file = |order: PadOrder| PadOrder { rig: Some(file.clone()), ..order };
    let before = std::fs::read_to_string(&file).unwrap();
    let refused = [
        with_file(pad_of(0.0, 1_000.0)),
        with_file(pad_of(1_000.0, f64::NAN)),
        with_file(PadOrder { largest_v: Some(-3.0), ..pad_of(1_000.0, 1_000.0) }),
        with_file(PadOrder { input: Some("roof".to_owned()), ..pad_of(1_000.0, 1_000.0) }),
        // It is not calibrated yet, and that is what is to be done first.
        with_file(pad_of(1_000.0, 1_000.0)),
    ];
    for order in refused {
        let said = pad(&order).expect_err("refused").to_string();
        check_words(&said);
        assert_eq!(std::fs::read_to_string(&file).unwrap(), before, "{said}");
    }
    let codes = |order: PadOrder| -> Vec<String> {
        pad(&order).unwrap().findings.into_iter().map(|finding| finding.code).collect()
    };
    // Source: arithmetic: 30 V over 50 + 47.6 Ω are 0.3 A, and most of 9 W become heat.
    let hot = codes(pad_of(50.0, 48.0));
    assert!(
        hot.contains(&"resistor-power".to_owned()) && hot.contains(&"pad-loads-source".to_owned()),
        "{hot:?}"
    );
    let open = Attenuator { input_ohm: None, ..pad_of(10_000.0, 1_000.0).pad };
    let unknown = codes(PadOrder { pad: open, ..pad_of(10_000.0, 1_000.0) });
    assert_eq!(unknown, ["input-impedance-unknown"]);
}

/// The volts come from the job of the output that is asked for, or of the one that limits the source; a job that has none
/// says what to do.
#[test]
fn gains_are_set_from_the_output_that_was_measured() {
    let folder = tempfile::tempdir().unwrap();
    let dir = folder.path().join("job");
    let order = |output: Option<&str>| GainOrder {
        input: GainInput {
            power_w: 100.0,
            load_ohm: 4.0,
            tone_dbfs: 0.0,
            source_v: f64::NAN,
            source_clip_v: None,
            processor_input_v: None,
            processor_output_v: None,
            processor_gain_db: 0.0,
            amplifier_input_v: None,
        },
        job: Some(dir.clone()),
        output: output.map(str::to_owned),
    };
    let mut open = OpenJob::open_or_create(&dir).unwrap();
    let said = gain(&order(None)).unwrap_err().to_string();
    assert!(said.contains("source headroom --job"), "{said}");
    let output =
        |name: &str, volts_rms| job::SourceOutput { name: name.to_owned(), clean_step: Some(31), volts_rms };
    let outputs = vec![output("front", Some(2.0)), output("sub", Some(4.0)), output("rear", None)];
    let found = Change::HeadroomFound { clean_step: Some(31), limited_by: "sub".to_owned(), outputs };
    open.apply(found).unwrap();
    let report = gain(&order(None)).unwrap();
    assert_eq!((report.source_v, report.clean_step), (4.0, Some(31)));
    assert_eq!(gain(&order(Some("front"))).unwrap().source_v, 2.0);
    for unknown in ["rear", "roof", "fron"] {
        let said = gain(&order(Some(unknown))).unwrap_err().to_string();
        assert!(said.contains(unknown) && said.contains("front, sub, rear"), "{said}");
    }
    // Source: arithmetic: 100 W at 4 Ω are 20 V.
    near("target", report.plan.target_v, 20.0, 1e-9);
    let text = report.to_string();
    assert!(text.contains("20.00 V") && text.contains(", 31"), "{text}");
}

fn wav(folder: &Path, name: &str, channels: Vec<Vec<f32>>) -> PathBuf {
    let path = folder.join(name);
    recording::write_wav(&path, &Audio::new(48_000, channels), Depth::Float32, 1).unwrap();
    path
}

/// What a recording is measured with must fit it: the measurement, the channel, the track, and numbers that are numbers.
#[test]
fn a_recording_that_cannot_be_measured_is_refused_by_name() {
    let folder = tempfile::tempdir().unwrap();
    let tone: Vec<f32> = (0..48_000).map(|n| 0.1 * (n as f32 * 0.13).sin()).collect();
    let good = wav(folder.path(), "good.wav", vec![tone.clone(), tone.clone()]);
    let mut broken = tone;
    broken[777] = f32::NAN;
    let bad = wav(folder.path(), "bad.wav", vec![broken]);
    let of = |id: &str, recording: &Path| Analysis {
        id: id.to_owned(),
        recording: recording.to_owned(),
        ..Analysis::default()
    };
    let refused: [(Analysis, &str); 8] = [
        (of("levle", &good), "level"),
        (of("level", &folder.path().join("gone.wav")), "gone.wav"),
        (of("level", &bad), "bad.wav: 1 samples are not numbers"),
        (Analysis { recorded: Recorded::on(2), ..of("level", &good) }, "--channel 3"),
        (
            Analysis {
                recorded: Recorded { reference_channel: Some(5), ..Recorded::on(0) },
                ..of("transfer", &good)
            },
            "--reference-channel 6",
        ),
        (of("sweep", &good), "--track"),
        (Analysis { track: Some("sweep-ful".to_owned()), ..of("sweep", &good) }, "did you mean `sweep-full`"),
        (
            Analysis { settings: vec![("weihgting".to_owned(), "a".to_owned())], ..of("level", &good) },
            "weihgting",
        ),
    ];
    for (analysis, words) in refused {
        let said = analyze(&analysis).expect_err(words).to_string();
        assert!(said.contains(words), "no “{words}” in: {said}");
        check_words(&said);
    }
    // Source: analytic: a sine of 0.1 has an RMS of 0.1/√2, which is −20 dBFS by the convention that a full sine has 0.
    let level = analyze(&of("level", &good)).unwrap();
    near("its level", level.values["rms_dbfs"], -20.0, 0.01);
}

/// The folder for a memory stick says exactly what it holds: each track read back is the one that is looked for, the sound
/// in the file is that signal, and a description that was tampered with is refused.
#[test]
fn the_tracks_folder_describes_itself() {
    let folder = tempfile::tempdir().unwrap();
    let mut shares: Vec<f64> = Vec::new();
    let written = write_tracks(folder.path(), 48_000, 16, false, &mut |_, share| shares.push(share)).unwrap();
    let tracks = signals::tracks();
    assert_eq!(written.len(), tracks.len() + 2);
    assert!(shares.is_sorted() && shares.iter().all(|share| (0.0..=1.0).contains(share)), "{shares:?}");
    let arrival = recording::read(folder.path().join("polarity.wav")).unwrap();
    let wanted = signals::render_stereo(&track_named("--track", "polarity").unwrap(), 48_000.0);
    assert_eq!(arrival.channels[0].len(), wanted[0].len());
    let worst = arrival.channels[0].iter().zip(&wanted[0]).map(|(a, b)| f64::from((a - b).abs()));
    // 16 bits with dither of two steps.
    at_most("off the signal", worst.fold(0.0, f64::max), 2.5 / 32_768.0);
    let said = write_tracks(folder.path(), 48_000, 8, false, &mut |_, _| {}).unwrap_err().to_string();
    assert!(said.contains("16 or 24"), "{said}");
    assert!(track_named("--play", "nothing").unwrap_err().to_string().contains("--play nothing"));
    let json = folder.path().join("tracks.json");
    let text = std::fs::read_to_string(&json).unwrap();
    let analysis = |track: Option<&str>| Analysis {
        id: "sweep".to_owned(),
        recording: folder.path().join("sweep-sub.wav"),
        track: track.map(str::to_owned),
        stimulus: Some(json.clone()),
        ..Analysis::default()
    };
    let said = |text: &str, track: Option<&str>| {
        std::fs::write(&json, text).unwrap();
        let said = analyze(&analysis(track)).expect_err("refused").to_string();
        check_words(&said);
        said
    };
    assert!(said(&text, None).contains("--track"), "which of them");
    assert!(said(&text, Some("sweep-sup")).contains("did you mean `sweep-sub`"));
    assert!(said(&text.replace("headrest-tracks", "other"), Some("sweep-sub")).contains("`other`"));
    assert!(
        said(&text.replace("\"version\": 1", "\"version\": 2"), Some("sweep-sub")).contains("newer Headrest")
    );
    assert!(said("{", Some("sweep-sub")).contains("not a tracks.json"));
    std::fs::write(&json, &text).unwrap();
    let reading = analyze(&analysis(Some("sweep-sub"))).unwrap();
    assert!(reading.stopped().is_none() && reading.curves.contains_key("response"), "{:?}", reading.findings);
}

fn rig_with(outputs: &[&str]) -> RigSpec {
    RigSpec {
        outputs: (1..).zip(outputs).map(|(channel, name)| Output::new(channel, name)).collect(),
        inputs: vec![Input::new(1, "mic", InputRole::Microphone)],
        ..RigSpec::system_default()
    }
}

fn bands(of: &[(&str, f64)]) -> PreviewTuning {
    let band = |(channel, gain_db): &(&str, f64)| ((*channel).to_owned(), Band::peak(1_000.0, *gain_db, 1.0));
    PreviewTuning { bands: of.iter().map(band).collect(), ..PreviewTuning::default() }
}

/// A channel that no output carries is not heard, and that is said; when nothing at all would be heard, it does not begin.
#[test]
fn what_no_output_carries_is_named() {
    let spec = rig_with(&["left", "right"]);
    assert_eq!(bands(&[("", -3.0)]).left_out(&spec).unwrap(), []);
    assert_eq!(bands(&[("left", -3.0), ("right", -3.0)]).left_out(&spec).unwrap(), []);
    let some = bands(&[("left", -3.0), ("sub", 3.0)]).left_out(&spec).unwrap();
    assert_eq!(some.len(), 1);
    assert!(some[0].text.contains("sub") && !some[0].text.contains("left,"), "{some:?}");
    let said = bands(&[("sub", 3.0)]).left_out(&spec).unwrap_err().to_string();
    assert!(said.contains("sub") && said.contains("left, right"), "{said}");
    // What is entered and does nothing is not missed; a delay that is not heard is.
    let entered = |delay_s: f64| PreviewTuning {
        channels: vec![ChannelSetting { channel: "sub".to_owned(), delay_s, ..ChannelSetting::default() }],
        ..bands(&[("", -3.0)])
    };
    assert_eq!(entered(0.0).left_out(&spec).unwrap(), []);
    assert_eq!(entered(0.001).left_out(&spec).unwrap().len(), 1);
    // Outputs with numbers: "1" is not "10".
    let numbered = rig_with(&["10", "11"]);
    assert!(bands(&[("1", -3.0)]).left_out(&numbered).is_err());
}

#[test]
fn a_filter_that_cannot_run_is_refused_with_its_place() {
    let spec = rig_with(&["left", "right"]);
    let high = PreviewTuning {
        bands: vec![(String::new(), Band::peak(30_000.0, -3.0, 1.0))],
        ..PreviewTuning::default()
    };
    let said = high.chain(&spec, true).unwrap_err().to_string();
    assert!(said.contains("30000 Hz"), "{said}");
    assert!(high.chain(&spec, false).is_ok(), "without the bands it is as before");
    let crossover = |family: &str| PreviewTuning {
        channels: vec![ChannelSetting {
            channel: "left".to_owned(),
            high_pass: Some(Crossover { family: family.to_owned(), order: 4, frequency_hz: 80.0 }),
            ..ChannelSetting::default()
        }],
        ..bands(&[("", -3.0)])
    };
    assert!(crossover("linkwitz-riley").chain(&spec, true).is_ok());
    let said = crossover("square").chain(&spec, true).unwrap_err().to_string();
    assert!(said.contains("`square`") && said.contains("butterworth"), "{said}");
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 40, failure_persistence: None, ..ProptestConfig::default() })]

    /// Source: superposition: bands that only boost make it louder and those that only cut make it softer, by no more than
    /// the largest of them together; the order in which they are listed changes nothing, and none at all is exactly level.
    #[test]
    fn levels_are_matched_by_what_the_bands_do(
        of in proptest::collection::vec((80.0..8_000.0f64, 0.5..9.0f64, 0.5..4.0f64), 0..6), boost in any::<bool>(),
    ) {
        let spec = rig_with(&["left", "right"]);
        let sign = if boost { 1.0 } else { -1.0 };
        let band = |(hz, db, q): &(f64, f64, f64)| (String::new(), Band::peak(*hz, sign * db, *q));
        let tuning = PreviewTuning { bands: of.iter().map(band).collect(), ..PreviewTuning::default() };
        let louder_db = tuning.louder_db(&spec).unwrap();
        let most: f64 = of.iter().map(|(_, db, _)| db).sum();
        if of.is_empty() {
            near("no bands", louder_db, 0.0, 1e-12);
        } else {
            prop_assert!(sign * louder_db > 0.0 && louder_db.abs() <= most + 1e-9, "{} of {}", louder_db, most);
        }
        let mut turned = tuning.clone();
        turned.bands.reverse();
        near("in another order", turned.louder_db(&spec).unwrap(), louder_db, 1e-6);
        // A band for one of two outputs does half of it, in power.
        let one = PreviewTuning {
            bands: tuning.bands.iter().map(|(_, band)| ("left".to_owned(), *band)).collect(),
            ..PreviewTuning::default()
        };
        let both = 10f64.powf(louder_db / 10.0);
        let half = 10.0 * (0.5 * (1.0 + both)).log10();
        near("on one side", one.louder_db(&spec).unwrap(), half, 1e-6);
    }

    /// Whatever level a track is asked for, its shape stays, silence stays silence, and each side stays where it was put.
    #[test]
    fn a_track_keeps_its_shape_at_any_level(peak in -80.0..0.0f64, which in 0usize..11) {
        let tracks = signals::tracks();
        let track = tracks[which % tracks.len()].clone();
        let louder = procedure::at_peak(track.clone(), Some(peak));
        match track.peak_dbfs() {
            None => prop_assert_eq!(&louder, &track),
            Some(before) => {
                near("its peak", louder.peak_dbfs().unwrap(), peak, 1e-9);
                for (one, other) in track.segments.iter().zip(&louder.segments) {
                    prop_assert_eq!((&one.signal, one.duration_s, one.side), (&other.signal, other.duration_s, other.side));
                    if one.signal != measure::Signal::Silence {
                        near("its shape", other.peak_dbfs - one.peak_dbfs, peak - before, 1e-9);
                    }
                }
            }
        }
        let left = on_side(track.clone(), measure::Side::Left);
        prop_assert!(left.segments.iter().all(|segment| segment.side == measure::Side::Left));
        prop_assert_eq!(left.segments.len(), track.segments.len());
    }
}
