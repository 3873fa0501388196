//! What is written is what is read, for anything that the program can hold.

use std::path::Path;

use jiff::Timestamp;
use measure::{
    Calibration, CalibrationCurve, Cell, Finding, FindingLevel, ParameterValue, Parameters, Reading, Segment,
    Side, Signal, Stimulus, Table,
};
use proptest::collection::{btree_map, vec};
use proptest::option;
use proptest::prelude::*;

use super::{CaptureV1, JobV1, ReadingFileV1};
use crate::json::{Document, parse, render};
use crate::{
    Amplifier, AuditLine, Band, BandType, CaptureId, CaptureMeta, CaptureState, ChannelSetting, Crossover,
    Driver, Head, Intake, JobData, LeftAlone, NameOrText, Outcome, Set, Source, SourceOutput, SourceUnit,
    Stage, StageResult, StageState,
};

fn through_a_file<D: Document>(document: &D) -> D {
    let bytes = render(Path::new("x"), document).expect("it can be written");
    parse(Path::new("x"), &bytes).expect("it can be read")
}

fn number() -> impl Strategy<Value = f64> {
    prop_oneof![any::<f64>().prop_filter("finite", |x| x.is_finite()), -200.0..200.0, Just(0.0), Just(-0.0)]
}

fn text() -> impl Strategy<Value = String> {
    prop_oneof![".{0,12}", Just("\"\\\u{0}\n\r\t\u{7f}😀 ,;".to_owned())]
}

fn when() -> impl Strategy<Value = Timestamp> {
    (-9_000_000_000i64..200_000_000_000, 0..1_000_000_000i32)
        .prop_map(|(second, nano)| Timestamp::new(second, nano).expect("in range"))
}

fn stage() -> impl Strategy<Value = Stage> {
    proptest::sample::select(Stage::ALL.to_vec())
}

fn finding() -> impl Strategy<Value = Finding> {
    let levels = vec![FindingLevel::Note, FindingLevel::Caution, FindingLevel::Stop];
    (proptest::sample::select(levels), "[a-z-]{1,12}", text()).prop_map(|(level, code, text)| Finding {
        level,
        code,
        text,
    })
}

fn signal() -> impl Strategy<Value = Signal> {
    let n = number;
    prop_oneof![
        Just(Signal::Silence),
        (n(), n(), any::<bool>()).prop_map(|(from_hz, to_hz, synchronised)| Signal::Sweep {
            from_hz,
            to_hz,
            synchronised
        }),
        (n(), n(), any::<u64>(), option::of(n())).prop_map(|(from_hz, to_hz, seed, period_s)| Signal::Pink {
            from_hz,
            to_hz,
            seed,
            period_s
        }),
        n().prop_map(|frequency_hz| Signal::Sine { frequency_hz }),
        (n(), n()).prop_map(|(low_hz, high_hz)| Signal::TwoTone { low_hz, high_hz }),
        (n(), n(), n()).prop_map(|(frequency_hz, cycles, every_s)| Signal::Burst {
            frequency_hz,
            cycles,
            every_s
        }),
        (n(), n(), n()).prop_map(|(from_hz, to_hz, every_s)| Signal::Pulse { from_hz, to_hz, every_s }),
        (n(), vec(any::<f32>().prop_filter("finite", |x| x.is_finite()), 0..8))
            .prop_map(|(sample_rate_hz, samples)| Signal::Samples { sample_rate_hz, samples }),
    ]
}

fn stimulus() -> impl Strategy<Value = Stimulus> {
    let side = proptest::sample::select(vec![Side::Both, Side::Left, Side::Right]);
    let segment = (number(), number(), number(), side, signal()).prop_map(
        |(duration_s, peak_dbfs, fade_s, side, signal)| Segment {
            duration_s,
            peak_dbfs,
            fade_s,
            side,
            signal,
        },
    );
    (text(), vec(segment, 0..4)).prop_map(|(name, segments)| Stimulus { name, segments })
}

fn calibration() -> impl Strategy<Value = Calibration> {
    let column = || vec(number(), 0..5);
    let microphone = (column(), column(), column()).prop_map(|(frequency_hz, magnitude_db, phase_deg)| {
        CalibrationCurve { frequency_hz, magnitude_db, phase_deg }
    });
    (option::of(number()), option::of(number()), option::of(microphone)).prop_map(
        |(dbfs_at_94, volts_per_fs, microphone)| Calibration { dbfs_at_94, volts_per_fs, microphone },
    )
}

fn parameters() -> impl Strategy<Value = Parameters> {
    let value = prop_oneof![number().prop_map(ParameterValue::Number), text().prop_map(ParameterValue::Text)];
    btree_map("[a-z_]{1,8}", value, 0..4).prop_map(|map| {
        let mut parameters = Parameters::default();
        for (name, value) in map {
            parameters.set(&name, value);
        }
        parameters
    })
}

prop_compose! {
    fn capture()(
        (label, measurement, rig, position) in (text(), text(), text(), text()),
        (volume_step, engine_rpm) in (option::of(any::<u32>()), option::of(number())),
        set in option::of(text()),
        stage in stage(),
        measurement_version in any::<u32>(),
        parameters in parameters(),
        stimulus in option::of(stimulus()),
        calibration in calibration(),
        channel in 0usize..64,
        reference_channel in option::of(0usize..64),
        started in when(),
        plugin_hash in option::of("[0-9a-f]{8}"),
        findings in vec(finding(), 0..3),
    ) -> CaptureMeta {
        CaptureMeta {
            label, set: set.and_then(|word| Set::from_word(&word)), stage, measurement, measurement_version,
            parameters, stimulus, rig, calibration, position, volume_step, engine_rpm, channel, reference_channel, started,
            plugin_hash, findings,
        }
    }
}

fn intake() -> impl Strategy<Value = Intake> {
    let amplifier = (text(), option::of(number()), option::of(number()))
        .prop_map(|(name, power_w, load_ohm)| Amplifier { name, power_w, load_ohm });
    let driver = (text(), text(), text()).prop_map(|(name, role, channel)| Driver { name, role, channel });
    (text(), text(), (text(), text()), text(), vec(amplifier, 0..3), vec(driver, 0..3)).prop_map(
        |(vehicle, customer, (name, tap), processor, amplifiers, drivers)| Intake {
            vehicle,
            customer,
            source: SourceUnit { name, tap },
            processor,
            amplifiers,
            drivers,
        },
    )
}

fn source() -> impl Strategy<Value = Source> {
    let output = (text(), option::of(any::<u32>()), option::of(number()))
        .prop_map(|(name, clean_step, volts_rms)| SourceOutput { name, clean_step, volts_rms });
    (option::of(any::<u32>()), text(), vec(output, 0..3))
        .prop_map(|(clean_step, limited_by, outputs)| Source { clean_step, limited_by, outputs })
}

fn name_or_text() -> impl Strategy<Value = NameOrText> {
    prop_oneof![text().prop_map(NameOrText::Name), text().prop_map(NameOrText::Text)]
}

prop_compose! {
    fn band()(
        channel in text(),
        kind in proptest::sample::select(vec![BandType::Peak, BandType::LowShelf, BandType::HighShelf]),
        (frequency_hz, gain_db, q) in (number(), number(), number()),
        entered_q in option::of(number()),
        (enabled, locked) in any::<(bool, bool)>(),
        reason in text(),
    ) -> Band {
        Band { channel, kind, frequency_hz, gain_db, q, entered_q, enabled, locked, reason }
    }
}

fn channel() -> impl Strategy<Value = ChannelSetting> {
    let crossover = || {
        let crossover = (text(), any::<u32>(), number())
            .prop_map(|(family, order, frequency_hz)| Crossover { family, order, frequency_hz });
        option::of(crossover)
    };
    (text(), number(), number(), any::<bool>(), crossover(), crossover()).prop_map(
        |(channel, delay_s, gain_db, inverted, high_pass, low_pass)| ChannelSetting {
            channel,
            delay_s,
            gain_db,
            inverted,
            high_pass,
            low_pass,
        },
    )
}

fn outcome() -> impl Strategy<Value = Outcome> {
    (number(), option::of(number()), number(), option::of(number()), number(), number()).prop_map(
        |(before_rms_db, after_rms_db, before_max_db, after_max_db, from_hz, to_hz)| Outcome {
            before_rms_db,
            after_rms_db,
            before_max_db,
            after_max_db,
            from_hz,
            to_hz,
        },
    )
}

prop_compose! {
    fn job()(
        (name, notes) in (text(), text()),
        created in when(),
        intake in intake(),
        stages in btree_map(
            stage(),
            (any::<bool>(), text()).prop_map(|(done, line)| StageResult {
                state: if done { StageState::Measured } else { StageState::NeedsAnotherLook },
                line,
            }),
            0..7,
        ),
        source in source(),
        (target, processor) in (option::of(name_or_text()), option::of(name_or_text())),
        (bands, channels) in (vec(band(), 0..4), vec(channel(), 0..3)),
        left_alone in vec((number(), text()).prop_map(|(frequency_hz, why)| LeftAlone { frequency_hz, why }), 0..3),
        outcome in option::of(outcome()),
        audit in vec(
            (any::<u32>(), text(), text())
                .prop_map(|(index, verdict, text)| AuditLine { index, verdict, text }),
            0..3,
        ),
        order in vec(any::<u32>().prop_map(CaptureId), 0..4),
    ) -> JobData {
        JobData {
            head: Head { name, created }, intake, notes, stages, source, target, processor, bands, channels,
            left_alone, outcome, audit, order,
        }
    }
}

fn cell() -> impl Strategy<Value = Cell> {
    prop_oneof![
        any::<bool>().prop_map(Cell::Flag),
        number().prop_map(Cell::Number),
        text().prop_map(Cell::Text),
        Just(Cell::Empty),
    ]
}

prop_compose! {
    fn reading()(
        (measurement, version) in (text(), any::<u32>()),
        sample_rate_hz in number(),
        values in btree_map(text(), number(), 0..4),
        labels in btree_map(text(), text(), 0..3),
        curves in btree_map(text(), btree_map(text(), vec(number(), 0..6), 0..3), 0..3),
        tables in btree_map(
            text(),
            (vec(text(), 0..3), vec(vec(cell(), 0..3), 0..3))
                .prop_map(|(columns, rows)| Table { columns, rows }),
            0..3,
        ),
        findings in vec(finding(), 0..3),
    ) -> Reading {
        Reading { measurement, version, sample_rate_hz, values, labels, curves, tables, findings }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(128))]

    #[test]
    fn jobs_round_trip(data in job()) {
        prop_assert_eq!(JobData::from(through_a_file(&JobV1::from(&data))), data);
    }

    #[test]
    fn captures_round_trip(meta in capture()) {
        for state in [CaptureState::Recording, CaptureState::Done, CaptureState::Interrupted] {
            let back = through_a_file(&CaptureV1::new(&meta, state)).into_parts();
            prop_assert_eq!(back, (meta.clone(), state));
        }
    }

    #[test]
    fn readings_round_trip(reading in reading()) {
        prop_assert_eq!(Reading::from(through_a_file(&ReadingFileV1::from(&reading))), reading);
    }

    #[test]
    fn a_file_cut_anywhere_is_an_error_with_a_place(data in job(), share in 0.0..1.0f64) {
        let bytes = render(Path::new("job.json"), &JobV1::from(&data)).unwrap();
        // Without the line end after the last brace the file is still whole.
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, clippy::cast_precision_loss,
            reason = "a place in a short file")]
        let cut = ((bytes.len() - 1) as f64 * share) as usize;
        let message = parse::<JobV1>(Path::new("job.json"), &bytes[..cut]).unwrap_err().to_string();
        prop_assert!(message.starts_with("job.json:"), "{}", message);
    }
}

#[test]
fn a_number_that_json_cannot_hold_is_refused_before_it_is_written() {
    let mut data = JobData::new(Head { name: "x".to_owned(), created: Timestamp::UNIX_EPOCH });
    data.left_alone.push(LeftAlone { frequency_hz: f64::NAN, why: String::new() });
    let message = render(Path::new("job.json"), &JobV1::from(&data)).unwrap_err().to_string();
    assert!(message.contains("NaN") && message.contains("as it was before"), "{message}");

    let mut meta = CaptureMeta::new("sweep", 1, Stage::Tune, Timestamp::UNIX_EPOCH);
    let signal = Signal::Samples { sample_rate_hz: 48_000.0, samples: vec![0.0, f32::INFINITY] };
    let segment = Segment { duration_s: 1.0, peak_dbfs: 0.0, fade_s: 0.0, side: Side::Both, signal };
    meta.stimulus = Some(Stimulus { name: "own".to_owned(), segments: vec![segment] });
    assert!(render(Path::new("x"), &CaptureV1::new(&meta, CaptureState::Done)).is_err());
}

#[test]
fn a_number_too_large_for_a_file_is_an_error() {
    let text = br#"{"format": "headrest-job", "version": 1, "name": "x",
        "created": "2026-01-01T00:00:00Z",
        "left_alone": [{"frequency_hz": 1e999, "why": ""}]}"#;
    let message = parse::<JobV1>(Path::new("job.json"), text).unwrap_err().to_string();
    assert!(message.starts_with("job.json:3:"), "{message}");
}

#[test]
fn the_least_that_a_job_must_say() {
    let text = br#"{"format": "headrest-job", "version": 1, "name": "x", "created": "2026-01-01T00:00:00Z"}"#;
    let data = JobData::from(parse::<JobV1>(Path::new("job.json"), text).unwrap());
    let created = "2026-01-01T00:00:00Z".parse().unwrap();
    assert_eq!(data, JobData::new(Head { name: "x".to_owned(), created }));
}
