//! Tests of the whole-car tune: slopes, locks, kinds of equalizer, what is said.

use std::ops::ControlFlow;

use testkit::near;

use super::cars::{Drawn, drawn};
use super::cost::Evaluator;
use super::problem::{Problem, place_weights};
use super::settings::Variable;
use super::start::Start;
use super::*;
use crate::{Equalizer, Feed, Profile, Role, Target};

fn go_on(_: TuneProgress) -> ControlFlow<()> {
    ControlFlow::Continue(())
}

/// Source: central differences, in a car with a centre, off every optimum, every penalty at work.
#[test]
fn slopes_are_those_of_differences() {
    for equalizer in [Equalizer::Channels, Equalizer::Sides, Equalizer::One] {
        let car = drawn(4);
        let (profile, target) =
            (Profile::preset("parametric-free").unwrap(), Target::preset("car-medium").unwrap());
        let options = TuneOptions { equalizer, max_boost_db: Some(2.0), ..TuneOptions::default() };
        let input = car.input(&profile, &target, &options);
        let drivers = bare::bare(&input);
        let problem = Problem::new(&input, &drivers, &place_weights(&input));
        let start = Start::new(&input, &drivers, &problem, 0).unwrap();
        let mut state = start.state.clone();
        let mut variables = bands::placed(&input, &start, &problem.axis, &mut state);
        variables.extend(&start.variables);
        for (number, variable) in variables.iter().enumerate() {
            let value = state.get(variable.value);
            let wave = (1.7 * f64::from(u32::try_from(number).unwrap())).sin();
            state.set(
                variable.value,
                value + 0.3 * wave * variable.unit + if number % 3 == 1 { 1.0 } else { 0.0 },
            );
        }
        // The centre is turned up, so that separation is short.
        let centre = drivers.iter().position(|driver| driver.role == Role::Centre).unwrap();
        state.level_db[centre] += 12.0;
        let mut limits = Start::limits(&input);
        let mut evaluator = Evaluator::new(&problem, &start.layout, limits.clone());
        evaluator.cost(&state);
        limits.drive_db = Some(evaluator.drive_db.iter().map(|drive| drive - 1.0).collect());
        let mut evaluator = Evaluator::new(&problem, &start.layout, limits);
        evaluator.cost(&state);
        assert!(evaluator.separation_db().unwrap() < 8.0 && evaluator.boost_db() > 2.0);
        let mut slopes = vec![0.0; variables.len()];
        evaluator.slopes(&state, &variables, &mut slopes);
        let mut moved = |variable: &Variable, by: f64| {
            let mut state = state.clone();
            state.set(variable.value, state.get(variable.value) + by * variable.unit);
            evaluator.cost(&state)
        };
        for (variable, slope) in variables.iter().zip(&slopes) {
            let step = 1e-4;
            let wanted = (moved(variable, step) - moved(variable, -step)) / (2.0 * step);
            near(&format!("{:?}", variable.value), *slope, wanted, 1e-4 * wanted.abs().max(1.0));
        }
    }
}

fn tuned(car: &Drawn, processor: &str, options: &TuneOptions) -> CarTune {
    let (profile, target) = (Profile::preset(processor).unwrap(), Target::preset("car-medium").unwrap());
    let input = car.input(&profile, &target, options);
    tune_car(&input, &mut go_on).unwrap()
}

/// Source: the profiles; every value of every kind of equalizer can be typed, and the same comes twice.
#[test]
fn every_kind_of_equalizer_is_filled_on_its_grid() {
    let car = drawn(0);
    let target = Target::preset("car-medium").unwrap();
    for (processor, equalizer) in [
        ("parametric-gridded", Equalizer::Channels),
        ("parametric-gridded", Equalizer::Sides),
        ("parametric-free", Equalizer::One),
        ("graphic-31", Equalizer::Channels),
        ("tone-control-3", Equalizer::One),
    ] {
        let profile = Profile::preset(processor).unwrap();
        let options = TuneOptions { equalizer, keep_out: false, effort: 600, ..TuneOptions::default() };
        let tune = tuned(&car, processor, &options);
        let again = tuned(&car, processor, &options);
        assert_eq!(tune, again, "{processor}: the same twice");
        let channels = tune.channels.iter().map(|channel| &channel.bands);
        for bands in channels.chain(tune.inputs.iter().map(|input| &input.bands)) {
            assert!(bands.len() <= profile.band_count());
            for band in bands {
                assert!(profile.accepts(&band.typed()), "{processor}: {band:?}");
                assert!(band.why.contains(' '), "{band:?}");
            }
        }
        assert_eq!(tune.inputs.is_empty(), equalizer == Equalizer::Channels);
        for channel in &tune.channels {
            let grid = profile.delay.unwrap_or(crate::USUAL_DELAYS);
            near("delay on the grid", grid.nearest(channel.delay_s), channel.delay_s, 1e-12);
            near("gain on the grid", (2.0 * channel.gain_db).fract(), 0.0, 1e-9);
            assert!(channel.why.gain_db.ends_with('.') && channel.why.delay_s.ends_with('.'));
        }
        let values: Vec<ChannelValues> = tune.channels.iter().map(TunedChannel::values).collect();
        let of = |feed: Feed| -> Vec<Band> {
            let bank = tune.inputs.iter().find(|input| input.input == feed || input.input == Feed::Both);
            bank.map_or_else(Vec::new, |bank| bank.bands.iter().map(|band| band.band).collect())
        };
        let (left, right) = (of(Feed::Left), of(Feed::Right));
        let input = car.input(&profile, &target, &options);
        assert_eq!(
            judge_car(&input, &values, [&left, &right]).unwrap().judgement,
            tune.predicted,
            "{processor}"
        );
        let side = |judged: &Judgement| judged.left.average_rms_db + judged.right.average_rms_db;
        assert!(side(&tune.predicted) < side(&tune.before), "{processor}: {:?}", tune.predicted);
    }
}

/// Source: the contract of `headrest tune --json`.
#[test]
fn a_tune_serialises_to_the_contract() {
    let options = TuneOptions { effort: 300, ..TuneOptions::default() };
    let json = serde_json::to_value(tuned(&drawn(1), "parametric-gridded", &options)).unwrap();
    assert_eq!((&json["seat"], &json["equalizer"]), (&"driver".into(), &"channels".into()));
    for judged in ["before", "predicted", "kept_out"] {
        for side in ["left", "right", "both"] {
            assert!(json[judged][side]["average_rms_db"].as_f64().unwrap() > 0.0, "{judged} {side}");
            assert!(json[judged][side]["each_rms_db"].is_f64());
        }
        assert!(
            json[judged]["left_right"]["rms_db"].is_f64() && json[judged]["left_right"]["level_db"].is_f64()
        );
    }
    let channel = &json["channels"][0];
    for key in ["channel", "gain_db", "delay_s", "inverted", "high_pass", "low_pass", "bands", "why"] {
        assert!(channel.get(key).is_some(), "{key}");
    }
    assert!(channel["why"]["gain_db"].is_string());
    assert!(json["drive_db"][channel["channel"].as_str().unwrap()].is_f64());
    assert!(json["separation_db"].as_f64().unwrap() >= 8.0, "{}", json["separation_db"]);
    assert!(json["findings"].is_array());
}

/// Source: what a person settled stays.
#[test]
fn locked_values_stay() {
    let car = drawn(0);
    let lock = |value: LockedValue| Lock { channel: "right-mid".to_owned(), value };
    let band = Band::peak(1_000.0, -4.0, 2.0);
    let locked = vec![
        lock(LockedValue::Gain(-7.5)),
        lock(LockedValue::Delay(0.002)),
        lock(LockedValue::Inverted(true)),
        lock(LockedValue::LowPassHz(3_300.0)),
        lock(LockedValue::Band(band)),
        Lock { channel: "sub".to_owned(), value: LockedValue::Bands(Vec::new()) },
    ];
    let options = TuneOptions { locked, keep_out: false, effort: 600, ..TuneOptions::default() };
    let tune = tuned(&car, "parametric-gridded", &options);
    let of = |name: &str| tune.channels.iter().find(|channel| channel.channel == name).unwrap();
    let right = of("right-mid");
    assert_eq!((right.gain_db, right.delay_s, right.inverted), (-7.5, 0.002, true));
    assert_eq!(right.low_pass.unwrap().frequency_hz, 3_300.0);
    assert_eq!(of("left-tweeter").high_pass.unwrap().frequency_hz, 3_300.0);
    assert!(right.bands.iter().any(|fitted| fitted.band == band && fitted.why.starts_with("Locked")));
    assert!(of("sub").bands.is_empty());
    assert!(right.why.gain_db.starts_with("Locked"));

    let unknown = Lock { channel: "middle".to_owned(), value: LockedValue::Gain(0.0) };
    let options = TuneOptions { locked: vec![unknown], ..TuneOptions::default() };
    let (profile, target) = (Profile::preset("parametric-free").unwrap(), Target::flat());
    let input = car.input(&profile, &target, &options);
    assert_eq!(tune_car(&input, &mut go_on), Err(TuneError::NoChannel("middle".to_owned())));
}

/// Source: by construction; the tune is stopped after a few costs, and gives what can be typed all the same.
#[test]
fn a_stop_gives_the_best_so_far() {
    let car = drawn(0);
    let (profile, target) =
        (Profile::preset("parametric-gridded").unwrap(), Target::preset("car-medium").unwrap());
    let options = TuneOptions::default();
    let input = car.input(&profile, &target, &options);
    let mut told = 0;
    let tune = tune_car(&input, &mut |progress| {
        told += 1;
        assert!(progress.evaluations <= progress.of);
        if progress.evaluations >= 100 { ControlFlow::Break(()) } else { ControlFlow::Continue(()) }
    })
    .unwrap();
    assert!(told >= 4 && tune.evaluations < 300, "{told} {}", tune.evaluations);
    assert!(tune.kept_out.is_none());
    assert!(tune.findings.iter().any(|finding| finding.code == "tune-stopped"));
}

/// Source: by construction; a stop while places are kept out leaves the tune as it is, without the number for them; and
/// progress goes on to the end.
#[test]
fn a_stop_while_places_are_kept_out_keeps_the_tune() {
    let car = drawn(0);
    let (profile, target) =
        (Profile::preset("parametric-gridded").unwrap(), Target::preset("car-medium").unwrap());
    const EFFORT: usize = 200;
    let tune = |keep_out: bool, stop_at: usize| {
        let options = TuneOptions { effort: EFFORT, keep_out, ..TuneOptions::default() };
        let input = car.input(&profile, &target, &options);
        let mut last = TuneProgress { evaluations: 0, of: 1, left_db2: 0.0 };
        let tune = tune_car(&input, &mut |progress| {
            assert!(progress.evaluations >= last.evaluations && progress.evaluations <= progress.of);
            last = progress;
            if progress.evaluations >= stop_at { ControlFlow::Break(()) } else { ControlFlow::Continue(()) }
        });
        (tune.unwrap(), last)
    };
    let (whole, _) = tune(false, usize::MAX);
    let (stopped, last) = tune(true, EFFORT + 20);
    assert!(last.evaluations < last.of, "it was stopped on its way: {last:?}");
    assert_eq!(stopped, whole);
    let (all, last) = tune(true, usize::MAX);
    assert!(all.kept_out.is_some() && last.evaluations > EFFORT, "{last:?}");
}

/// Source: by construction; what a channel held while it was measured is taken out, so that the tune is the
/// same and *before* is what was measured.
#[test]
fn what_a_channel_held_is_taken_out() {
    let car = drawn(0);
    let (profile, target) =
        (Profile::preset("parametric-gridded").unwrap(), Target::preset("car-medium").unwrap());
    let options = TuneOptions { effort: 300, keep_out: false, ..TuneOptions::default() };
    let tune = |drivers: &[TuneDriver]| {
        let input =
            TuneInput { drivers, places: &car.places, profile: &profile, target: &target, options: &options };
        tune_car(&input, &mut go_on).unwrap()
    };
    let held = ChannelValues {
        gain_db: -6.0,
        delay_s: 0.001,
        inverted: true,
        bands: vec![Band::peak(2_000.0, -6.0, 1.0)],
        ..ChannelValues::default()
    };
    let mut drivers = car.drivers.clone();
    for driver in &mut drivers {
        for response in &mut driver.responses {
            let axis = transfer::Axis::new(response.frequency_hz.clone(), profile.sample_rate_hz);
            let channel = judge::channel_response(&axis, &held);
            for ((db, deg), value) in
                response.magnitude_db.iter_mut().zip(response.phase_deg.as_mut().unwrap()).zip(channel)
            {
                *db += 20.0 * value.norm().log10();
                *deg += value.arg().to_degrees();
            }
        }
        driver.present = held.clone();
    }
    let (plain, behind) = (tune(&car.drivers), tune(&drivers));
    near("the same tune", behind.predicted.left.average_rms_db, plain.predicted.left.average_rms_db, 0.02);
    let values = vec![held; drivers.len()];
    let input = car.input(&profile, &target, &options);
    let before = judge_car(&input, &values, [&[], &[]]).unwrap().judgement;
    near("before", behind.before.left.average_rms_db, before.left.average_rms_db, 1e-6);
}

/// Source: the same figures by the whole search; the quick one reaches a good part of it.
#[test]
fn the_quick_tune_goes_a_good_part_of_the_way() {
    let car = drawn(0);
    let options = TuneOptions { keep_out: false, ..TuneOptions::default() };
    let (profile, target) =
        (Profile::preset("parametric-gridded").unwrap(), Target::preset("car-medium").unwrap());
    let input = car.input(&profile, &target, &options);
    let (quick, whole) = (quick_tune(&input).unwrap(), tune_car(&input, &mut go_on).unwrap());
    let side = |judged: &Judgement| 0.5 * (judged.left.average_rms_db + judged.right.average_rms_db);
    let (before, quick, whole) = (side(&quick.before), side(&quick.predicted), side(&whole.predicted));
    assert!(
        whole < quick && quick < before - 0.5 * (before - whole),
        "before {before:.2}, quick {quick:.2}, whole {whole:.2} dB"
    );
}

/// What was measured is judged as what is predicted: a ripple of amplitude `a` over log frequency is `a / √2` RMS, a
/// level is free for each side and told of left against right (analytic). What was not measured has no answer.
#[test]
fn measured_responses_are_judged_as_predicted_ones() {
    let target = Target::preset("flat").unwrap();
    let at = |level_db: f64, ripple_db: f64| {
        let hz = crate::log_axis::grid(20.0, 20_000.0, 96.0);
        let db = |hz: &f64| {
            // One period an octave, and whole octaves over what is judged would be 8.64: the ends cost a little.
            let phase = std::f64::consts::TAU * (hz / 1_000.0).log2();
            target.db_at(*hz) + level_db + ripple_db * phase.sin()
        };
        let magnitude_db = hz.iter().map(db).collect();
        crate::Response::new(hz, magnitude_db).unwrap()
    };
    let (flat, rippled, low) = (at(3.0, 0.0), at(1.0, 2.0), at(-7.0, 2.0));
    let left = [("driver", &flat), ("beside", &flat)];
    let ([left, right, both], apart) =
        judge_measured([&left, &[("driver", &rippled), ("beside", &low)], &[]], &target);
    let (left, right) = (left.unwrap(), right.unwrap());
    near("a side on target", left.average_rms_db, 0.0, 1e-9);
    // The twelfth of an octave takes sin(x)/x = 0.9886 of a ripple of one octave.
    near("each place of the other", right.each_rms_db, 2.0 * 0.9886 / 2f64.sqrt(), 0.05);
    near("its average, whatever the levels", right.average_rms_db, right.each_rms_db, 0.05);
    assert_eq!((left.places.len(), right.places[1].place.as_str()), (2, "beside"));
    assert!(both.is_none());
    // The power mean of 1 and −7 dB is −1.37 dB.
    let mean_db = 10.0 * (0.5 * (10f64.powf(0.1) + 10f64.powf(-0.7))).log10();
    near("left louder", apart.unwrap().level_db, 3.0 - mean_db, 0.1);
    assert_eq!(judge_measured([&[], &[], &[]], &target), ([None, None, None], None));
}
