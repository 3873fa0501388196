//! What is written is what is read, for anything that the program can hold.

use std::collections::BTreeMap;
use std::path::Path;

use jiff::Timestamp;
use measure::{
    Calibration, CalibrationCurve, Cell, Finding, FindingLevel, ParameterValue, Parameters, Reading, Segment,
    Side, Signal, Stimulus, Table,
};
use proptest::collection::{btree_map, vec};
use proptest::option;
use proptest::prelude::*;
use tuning::{Band, BandKind, Equalizer, Feed, Role, Seat};
use units::text::one_line;

use super::{CaptureFile, JobFile, ReadingFile};
use crate::json::{Document, parse, render};
use crate::{
    Amplifier, AuditLine, AuditRecord, Basis, CaptureId, CaptureMeta, CaptureState, ChannelAudit,
    ChannelFitRecord, ChannelSetting, ChannelTune, Choices, Conditions, Crossover, CrossoverTiming,
    Deviation, Driver, DriverTiming, EngineNoise, EngineNoiseLine, EnteredBand, FitRecord, GainRecord,
    GainStageRecord, Head, ImportSource, Intake, JobData, Judgement, LeftAlone, NoiseLevel, NoiseRecord,
    Outcome, OutputDifference, OutputTone, PlaceError, PlacedBy, PresetOrInline, ProcessorSetting, Set,
    SideDifference, SideError, Source, SourceOutput, SourceUnit, Stage, StageResult, StageState, SumTiming,
    TimingRecord, ToneChange, ToneRecord, TuneRecord,
};

fn through_a_file<D: Document>(document: &D) -> D {
    let bytes = render(Path::new("x"), document).expect("it can be written");
    parse(Path::new("x"), &bytes).expect("it can be read")
}

/// A number that makes sense under every key, with all of its digits: what does not is refused at
/// load, which `sense` tests.
fn number() -> impl Strategy<Value = f64> {
    prop_oneof![1e-9..60.0, 1.0..60.0, Just(0.1 + 0.2)]
}

/// The same on both sides of 0.
fn signed() -> impl Strategy<Value = f64> {
    prop_oneof![-60.0..60.0, Just(0.0), Just(-0.1 - 0.2)]
}

/// A text as it may be shown: what cannot be seen is taken out at load, which `sense` tests.
fn text() -> impl Strategy<Value = String> {
    prop_oneof![".{0,12}", Just("\"\\😀 ,;'<&".to_owned())].prop_map(|text| one_line(&text).into_owned())
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

fn stimulus() -> BoxedStrategy<Stimulus> {
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
    (text(), vec(segment, 0..4)).prop_map(|(name, segments)| Stimulus { name, segments }).boxed()
}

fn calibration() -> BoxedStrategy<Calibration> {
    let column = || vec(number(), 0..5);
    let microphone = (column(), column(), column()).prop_map(|(frequency_hz, magnitude_db, phase_deg)| {
        CalibrationCurve { frequency_hz, magnitude_db, phase_deg }
    });
    (option::of(number()), option::of(number()), option::of(microphone))
        .prop_map(|(dbfs_at_94, volts_per_fs, microphone)| Calibration {
            dbfs_at_94,
            volts_per_fs,
            microphone,
        })
        .boxed()
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

fn words(most: usize) -> impl Strategy<Value = Vec<String>> {
    vec(text(), 0..most)
}

fn captures() -> impl Strategy<Value = Vec<CaptureId>> {
    vec(any::<u32>().prop_map(CaptureId), 0..4)
}

fn sha() -> impl Strategy<Value = Option<String>> {
    option::of("[0-9a-f]{64}")
}

fn conditions() -> impl Strategy<Value = Conditions> {
    (option::of(any::<u32>()), option::of(number()), option::of(number()), text(), text()).prop_map(
        |(volume_step, engine_rpm, vehicle_kmh, source_mode, note)| Conditions {
            volume_step,
            engine_rpm,
            vehicle_kmh,
            source_mode,
            note,
        },
    )
}

fn setting() -> BoxedStrategy<ProcessorSetting> {
    (vec(channel(), 0..3), vec(band(), 0..3), any::<bool>())
        .prop_map(|(channels, bands, bypassed)| ProcessorSetting { channels, bands, bypassed })
        .boxed()
}

prop_compose! {
    fn placement()(
        (position, driver, processor_channel, input) in (text(), text(), text(), text()),
        placed_by in option::of(proptest::sample::select(vec![
            PlacedBy::Person, PlacedBy::Order, PlacedBy::Name, PlacedBy::Table, PlacedBy::Proposal,
        ])),
        (setting, planned) in (option::of(setting()), option::of(setting())),
        conditions in conditions(),
        made_with in option::of(any::<u32>().prop_map(CaptureId)),
        imported_from in option::of((text(), "[0-9a-f]{64}", number(), number()).prop_map(
            |(file, sha256, from_s, to_s)| ImportSource { file, sha256, from_s, to_s },
        )),
        (audio_sha256, reading_sha256, program) in (sha(), sha(), text()),
    ) -> CaptureMeta {
        CaptureMeta {
            position, driver, processor_channel, input, placed_by, setting, planned, conditions, made_with,
            imported_from, audio_sha256, reading_sha256, program,
            ..CaptureMeta::new("", 1, Stage::Tune, Timestamp::UNIX_EPOCH)
        }
    }
}

prop_compose! {
    fn capture()(
        placement in placement(),
        (label, measurement, rig) in (text(), text(), text()),
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
            parameters, stimulus, rig, calibration, channel, reference_channel, started, plugin_hash, findings,
            ..placement
        }
    }
}

fn driver() -> impl Strategy<Value = Driver> {
    let role = option::of(proptest::sample::select(Role::ALL));
    let feed = option::of(proptest::sample::select(Feed::ALL));
    (text(), role, feed, text(), text(), text()).prop_map(|(name, role, feed, channel, place, notes)| {
        Driver { name, role, feed, channel, place, notes }
    })
}

fn intake() -> BoxedStrategy<Intake> {
    let amplifier = (text(), option::of(number()), option::of(number()))
        .prop_map(|(name, power_w, load_ohm)| Amplifier { name, power_w, load_ohm });
    let car = (text(), text(), text());
    (car, (text(), text()), text(), vec(amplifier, 0..3), vec(driver(), 0..3))
        .prop_map(|((vehicle, plate, customer), (name, tap), processor, amplifiers, drivers)| Intake {
            vehicle,
            plate,
            customer,
            source: SourceUnit { name, tap },
            processor,
            amplifiers,
            drivers,
        })
        .boxed()
}

fn source() -> BoxedStrategy<Source> {
    let output = (text(), option::of(any::<u32>()), option::of(number()))
        .prop_map(|(name, clean_step, volts_rms)| SourceOutput { name, clean_step, volts_rms });
    (
        (option::of(any::<u32>()), text(), vec(output, 0..3)),
        (option::of(tone()), option::of(noise()), option::of(gain())),
    )
        .prop_map(|((clean_step, limited_by, outputs), (tone, noise, gain))| Source {
            clean_step,
            limited_by,
            outputs,
            tone,
            noise,
            gain,
        })
        .boxed()
}

fn preset() -> impl Strategy<Value = PresetOrInline> {
    prop_oneof![text().prop_map(PresetOrInline::Preset), text().prop_map(PresetOrInline::Inline)]
}

prop_compose! {
    fn basis()(
        program in text(),
        made in option::of(when()),
        captures in captures(),
        (target, processor) in (option::of(preset()), option::of(preset())),
        (from_hz, to_hz) in (option::of(number()), option::of(number())),
    ) -> Basis {
        Basis { program, made, captures, target, processor, from_hz, to_hz }
    }
}

prop_compose! {
    fn band()(
        channel in text(),
        plain in plain_band(),
        entered_q in option::of(number()),
        (enabled, locked) in any::<(bool, bool)>(),
        reason in text(),
    ) -> EnteredBand {
        let Band { kind, frequency_hz, gain_db, q } = plain;
        EnteredBand { channel, kind, frequency_hz, gain_db, q, entered_q, enabled, locked, reason }
    }
}

fn plain_band() -> impl Strategy<Value = Band> {
    (proptest::sample::select(BandKind::ALL.to_vec()), number(), signed(), number())
        .prop_map(|(kind, frequency_hz, gain_db, q)| Band { kind, frequency_hz, gain_db, q })
}

fn channel() -> impl Strategy<Value = ChannelSetting> {
    let crossover = || {
        let crossover = (text(), any::<u32>(), number())
            .prop_map(|(family, order, frequency_hz)| Crossover { family, order, frequency_hz });
        option::of(crossover)
    };
    (text(), signed(), signed(), any::<bool>(), crossover(), crossover()).prop_map(
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

fn deviation() -> impl Strategy<Value = Deviation> {
    (number(), number()).prop_map(|(rms_db, max_db)| Deviation { rms_db, max_db })
}

fn fit() -> BoxedStrategy<FitRecord> {
    let place = (number(), text(), text(), option::of(number()), option::of(number())).prop_map(
        |(frequency_hz, why, text, from_hz, to_hz)| LeftAlone { frequency_hz, why, text, from_hz, to_hz },
    );
    let channel = (
        (text(), vec(band(), 0..3), option::of(number())),
        (option::of(deviation()), option::of(deviation()), vec(place, 0..3)),
        (option::of(number()), vec(finding(), 0..2)),
    )
        .prop_map(
            |((channel, bands, offset_db), (before, after, left_alone), (headroom_cost_db, findings))| {
                ChannelFitRecord {
                    channel,
                    bands,
                    offset_db,
                    before,
                    after,
                    left_alone,
                    headroom_cost_db,
                    findings,
                }
            },
        );
    (basis(), vec(channel, 0..3)).prop_map(|(basis, channels)| FitRecord { basis, channels }).boxed()
}

fn reasons() -> impl Strategy<Value = BTreeMap<String, String>> {
    btree_map(text(), text(), 0..3)
}

fn timing() -> BoxedStrategy<TimingRecord> {
    let some = || option::of(number());
    let driver = (text(), channel(), (some(), some(), some(), some()), reasons()).prop_map(
        |(driver, setting, (arrival_s, distance_m, usable_from_hz, usable_to_hz), why)| DriverTiming {
            driver,
            setting,
            arrival_s,
            distance_m,
            usable_from_hz,
            usable_to_hz,
            why,
        },
    );
    let crossover = (words(3), words(3), number(), text(), number(), number()).prop_map(
        |(lower, upper, frequency_hz, why, worst_db, before_worst_db)| CrossoverTiming {
            lower,
            upper,
            frequency_hz,
            why,
            worst_db,
            before_worst_db,
        },
    );
    let sum = (text(), number(), number(), words(3), number()).prop_map(
        |(heard, worst_db, worst_hz, worst_between, before_worst_db)| SumTiming {
            heard,
            worst_db,
            worst_hz,
            worst_between,
            before_worst_db,
        },
    );
    (basis(), vec(driver, 0..3), vec(crossover, 0..3), vec(sum, 0..3), vec(finding(), 0..2))
        .prop_map(|(basis, drivers, crossovers, sums, findings)| TimingRecord {
            basis,
            drivers,
            crossovers,
            sums,
            findings,
        })
        .boxed()
}

fn judgement() -> BoxedStrategy<Judgement> {
    let side = || {
        let side = (number(), number())
            .prop_map(|(average_rms_db, each_rms_db)| SideError { average_rms_db, each_rms_db });
        option::of(side)
    };
    let left_right =
        option::of((number(), number()).prop_map(|(rms_db, level_db)| SideDifference { rms_db, level_db }));
    let place = (text(), number()).prop_map(|(position, rms_db)| PlaceError { position, rms_db });
    (side(), side(), side(), left_right, vec(place, 0..3))
        .prop_map(|(left, right, both, left_right, places)| Judgement {
            left,
            right,
            both,
            left_right,
            places,
        })
        .boxed()
}

fn tune() -> BoxedStrategy<TuneRecord> {
    let channel = (channel(), vec(band(), 0..3), reasons(), vec(text(), 0..2))
        .prop_map(|(setting, bands, why, locked)| ChannelTune { setting, bands, why, locked });
    let seat = option::of(proptest::sample::select(Seat::ALL));
    let equalizer = option::of(proptest::sample::select(Equalizer::ALL));
    let judged = || option::of(judgement());
    (
        (basis(), seat, equalizer, vec(channel, 0..3)),
        (judged(), judged(), judged(), judged()),
        (btree_map(text(), number(), 0..3), option::of(number()), option::of(number()), vec(finding(), 0..2)),
    )
        .prop_map(
            |(
                (basis, seat, equalizer, channels),
                (before, predicted, kept_out, measured),
                (drive_db, separation_db, level_lost_db, findings),
            )| TuneRecord {
                basis,
                seat,
                equalizer,
                channels,
                before,
                predicted,
                kept_out,
                measured,
                drive_db,
                separation_db,
                level_lost_db,
                findings,
            },
        )
        .boxed()
}

fn audit() -> BoxedStrategy<AuditRecord> {
    let band = || option::of(plain_band());
    let line = (any::<u32>(), text(), text(), text(), band(), band(), option::of(number())).prop_map(
        |(index, verdict, text, channel, meant, found, found_entered_q)| AuditLine {
            index,
            verdict,
            text,
            channel,
            meant,
            found,
            found_entered_q,
        },
    );
    let of_channel = (text(), text(), text(), option::of(channel()), option::of(channel())).prop_map(
        |(channel, verdict, text, meant, found)| ChannelAudit { channel, verdict, text, meant, found },
    );
    (basis(), vec(line, 0..3), vec(of_channel, 0..3), option::of(number()), vec(finding(), 0..2))
        .prop_map(|(basis, bands, channels, residual_rms_db, findings)| AuditRecord {
            basis,
            bands,
            channels,
            residual_rms_db,
            findings,
        })
        .boxed()
}

fn tone() -> BoxedStrategy<ToneRecord> {
    let some = || option::of(number());
    let change = (text(), text(), (text(), text(), text()), number()).prop_map(
        |(condition, part, (unchanged, changed, largest), gain_db)| ToneChange {
            condition,
            part,
            unchanged,
            changed,
            largest,
            gain_db,
        },
    );
    let output = (
        (text(), option::of(any::<u32>()), number(), number(), number()),
        (some(), some(), some(), some()),
        vec(change, 0..2),
    )
        .prop_map(
            |((output, step, level_db, flatness_db, rms_db), (low, low_slope, high, high_slope), changes)| {
                OutputTone {
                    output,
                    step,
                    level_db,
                    flatness_db,
                    rms_db,
                    low_corner_hz: low,
                    low_slope_db_per_octave: low_slope,
                    high_corner_hz: high,
                    high_slope_db_per_octave: high_slope,
                    changes,
                }
            },
        );
    let pair =
        ((text(), text()), (number(), number(), number(), number()), some(), option::of(any::<bool>()))
            .prop_map(|((first, second), (level_db, tone_rms_db, worst_db, worst_hz), delay_s, inverted)| {
                OutputDifference {
                    first,
                    second,
                    level_db,
                    tone_rms_db,
                    worst_db,
                    worst_hz,
                    delay_s,
                    inverted,
                }
            });
    (basis(), vec(output, 0..3), vec(pair, 0..2), vec(band(), 0..3), vec(finding(), 0..2))
        .prop_map(|(basis, outputs, pairs, bands, findings)| ToneRecord {
            basis,
            outputs,
            pairs,
            bands,
            findings,
        })
        .boxed()
}

fn noise() -> BoxedStrategy<NoiseRecord> {
    let some = || option::of(number());
    let level = ((text(), some(), number(), some()), (some(), some(), some(), some(), some())).prop_map(
        |((name, engine_rpm, rms_dbfs, rms_a_dbfs), (rms_v, snr_db, snr_a_db, mains_hz, mains_db))| {
            NoiseLevel { name, engine_rpm, rms_dbfs, rms_a_dbfs, rms_v, snr_db, snr_a_db, mains_hz, mains_db }
        },
    );
    let line = (number(), number(), number(), some()).prop_map(|(first_hz, second_hz, level_db, order)| {
        EngineNoiseLine { first_hz, second_hz, level_db, order }
    });
    let engine = (text(), text(), number(), vec(line, 0..3))
        .prop_map(|(first, second, ratio, lines)| EngineNoise { first, second, ratio, lines });
    (basis(), vec(level, 0..3), vec(engine, 0..2), vec(finding(), 0..2))
        .prop_map(|(basis, recordings, engine, findings)| NoiseRecord { basis, recordings, engine, findings })
        .boxed()
}

fn gain() -> BoxedStrategy<GainRecord> {
    let some = || option::of(number());
    let stage =
        (text(), number(), number(), number()).prop_map(|(stage, level_v, clips_at_v, headroom_db)| {
            GainStageRecord { stage, level_v, clips_at_v, headroom_db }
        });
    (
        (basis(), number(), number(), number(), number()),
        (some(), some(), some()),
        (vec(stage, 0..3), text(), btree_map(text(), number(), 0..3), vec(finding(), 0..2)),
    )
        .prop_map(
            |(
                (basis, power_w, load_ohm, tone_dbfs, target_v),
                (full_power_target_v, processor_input_target_v, amplifier_gain_db),
                (stages, clips_first, measured_v, findings),
            )| GainRecord {
                basis,
                power_w,
                load_ohm,
                tone_dbfs,
                target_v,
                full_power_target_v,
                processor_input_target_v,
                amplifier_gain_db,
                stages,
                clips_first,
                measured_v,
                findings,
            },
        )
        .boxed()
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

fn choices() -> BoxedStrategy<Choices> {
    let some = || option::of(number());
    let count = || option::of(any::<u32>());
    let seat = option::of(proptest::sample::select(Seat::ALL));
    let equalizer = option::of(proptest::sample::select(Equalizer::ALL));
    (option::of(stage()), seat, equalizer, count(), count(), some(), some(), some())
        .prop_map(|(stage, seat, equalizer, positions, max_bands, max_boost_db, from_hz, to_hz)| Choices {
            stage,
            seat,
            equalizer,
            positions,
            max_bands,
            max_boost_db,
            from_hz,
            to_hz,
        })
        .boxed()
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
        (target, processor) in (option::of(preset()), option::of(preset())),
        (before, bands, channels) in (option::of(setting()), vec(band(), 0..4), vec(channel(), 0..3)),
        choices in choices(),
        (fit, timing, tune, audit) in
            (option::of(fit()), option::of(timing()), option::of(tune()), option::of(audit())),
        outcome in option::of(outcome()),
        order in captures(),
    ) -> JobData {
        JobData {
            head: Head { name, created }, intake, notes, stages, source, target, processor, preset: before,
            bands, channels, choices, fit, timing, tune, outcome, audit, order,
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
        prop_assert_eq!(JobData::from(through_a_file(&JobFile::from(data.clone()))), data);
    }

    #[test]
    fn captures_round_trip(meta in capture()) {
        for state in [CaptureState::Recording, CaptureState::Done, CaptureState::Interrupted] {
            let back = through_a_file(&CaptureFile::new(CaptureId(7), &meta, state)).into_parts();
            prop_assert_eq!(back, (meta.clone(), state));
        }
    }

    #[test]
    fn readings_round_trip(reading in reading()) {
        prop_assert_eq!(Reading::from(through_a_file(&ReadingFile::from(&reading))), reading);
    }

    #[test]
    fn a_file_cut_anywhere_is_an_error_with_a_place(data in job(), share in 0.0..1.0f64) {
        let bytes = render(Path::new("job.json"), &JobFile::from(data.clone())).unwrap();
        // Without the line end after the last brace the file is still whole.
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, clippy::cast_precision_loss,
            reason = "a place in a short file")]
        let cut = ((bytes.len() - 1) as f64 * share) as usize;
        let message = parse::<JobFile>(Path::new("job.json"), &bytes[..cut]).unwrap_err().to_string();
        prop_assert!(message.starts_with("job.json:"), "{}", message);
    }
}

#[test]
fn a_number_that_json_cannot_hold_is_refused_before_it_is_written() {
    let mut data = JobData::new(Head { name: "x".to_owned(), created: Timestamp::UNIX_EPOCH });
    data.channels.push(ChannelSetting { delay_s: f64::NAN, ..ChannelSetting::default() });
    let message = render(Path::new("job.json"), &JobFile::from(data.clone())).unwrap_err().to_string();
    assert!(message.contains("not finite") && message.contains("as it was before"), "{message}");
    // One that may be absent would come back as absent.
    data.channels.clear();
    data.choices.max_boost_db = Some(f64::INFINITY);
    assert!(render(Path::new("job.json"), &JobFile::from(data)).is_err());

    let mut meta = CaptureMeta::new("sweep", 1, Stage::Tune, Timestamp::UNIX_EPOCH);
    let signal = Signal::Samples { sample_rate_hz: 48_000.0, samples: vec![0.0, f32::INFINITY] };
    let segment = Segment { duration_s: 1.0, peak_dbfs: 0.0, fade_s: 0.0, side: Side::Both, signal };
    meta.stimulus = Some(Stimulus { name: "own".to_owned(), segments: vec![segment] });
    assert!(render(Path::new("x"), &CaptureFile::new(CaptureId(7), &meta, CaptureState::Done)).is_err());
}

#[test]
fn a_number_too_large_for_a_file_is_an_error() {
    let text = br#"{"format": "headrest-job", "version": 1, "name": "x",
        "created": "2026-01-01T00:00:00Z",
        "left_alone": [{"frequency_hz": 1e999, "why": ""}]}"#;
    let message = parse::<JobFile>(Path::new("job.json"), text).unwrap_err().to_string();
    assert!(message.starts_with("job.json:3:"), "{message}");
}

#[test]
fn the_least_that_a_job_must_say() {
    let text = br#"{"format": "headrest-job", "version": 1, "name": "x", "created": "2026-01-01T00:00:00Z"}"#;
    let data = JobData::from(parse::<JobFile>(Path::new("job.json"), text).unwrap());
    let created = "2026-01-01T00:00:00Z".parse().unwrap();
    assert_eq!(data, JobData::new(Head { name: "x".to_owned(), created }));
}

#[test]
fn a_role_of_version_1_in_a_word_of_ones_own_goes_to_the_notes() {
    let text = br#"{"format": "headrest-job", "version": 1, "name": "x", "created": "2026-01-01T00:00:00Z",
        "intake": {"drivers": [{"name": "a", "role": "high", "channel": "1"}, {"name": "b", "role": "horn"}]}}"#;
    let drivers = JobData::from(parse::<JobFile>(Path::new("job.json"), text).unwrap()).intake.drivers;
    assert_eq!(drivers[0].role, Some(Role::Tweeter));
    assert_eq!((drivers[1].role, drivers[1].notes.as_str()), (None, "horn"));
}
