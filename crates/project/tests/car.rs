//! A car from the captures of its drivers: what is entered so that they arrive together, and what a tune of the whole
//! car is computed from. The drivers are made by hand, so that the answers follow from arithmetic.

use jiff::Timestamp;
use job::{
    Basis, CaptureId, CaptureMeta, ChannelSetting, Driver, EnteredBand, Head, JobData, ProcessorSetting, Set,
    Stage, StageState,
};
use measure::Reading;
use project::derive::{JobTiming, NoTiming, NoTune, TimingWish, TuneInputs, audit_job, stand_in, timing_job};
use project::{Change, Project};
use testkit::near;
use tuning::{Feed, PlaceSeat, Profile, Role, Target, TuneOptions};

/// The delays of the profile used here are entered in steps of 0.02 ms, so that two of them may differ by one.
const STEP_S: f64 = 2.1e-5;

/// A driver that plays from one frequency up to another, with slopes of 24 dB an octave and no phase of its own.
fn reading(from_hz: f64, to_hz: f64, arrival_s: f64) -> Reading {
    let grid = dsp::response::log_grid(20.0, 20_000.0, 48.0);
    let level = |hz: f64| {
        let power = (1.0 + (from_hz / hz).powi(8)) * (1.0 + (hz / to_hz).powi(8));
        -10.0 * power.log10()
    };
    let magnitude_db: Vec<f64> = grid.iter().map(|&hz| level(hz)).collect();
    let mut reading = Reading::new("sweep", 1, 48_000.0);
    let phase_deg = vec![0.0; grid.len()];
    reading.curve(
        "response",
        [("frequency_hz", grid), ("magnitude_db", magnitude_db), ("phase_deg", phase_deg)],
    );
    reading.value("arrival_s", arrival_s);
    reading.labels.insert("polarity".to_owned(), "normal".to_owned());
    reading
}

/// The same driver with its wires exchanged.
fn reversed(mut reading: Reading) -> Reading {
    let curve = reading.curves.get_mut("response").expect("it has one");
    let phase_deg = curve.get_mut("phase_deg").expect("it has one");
    phase_deg.iter_mut().for_each(|phase| *phase = 180.0);
    reading.labels.insert("polarity".to_owned(), "inverted".to_owned());
    reading
}

/// Alone, with a loopback channel, so that all arrivals count from one zero.
fn alone(driver: &str, place: &str) -> CaptureMeta {
    CaptureMeta {
        driver: driver.to_owned(),
        position: place.to_owned(),
        reference_channel: Some(1),
        ..CaptureMeta::new("sweep", 1, Stage::Drivers, Timestamp::UNIX_EPOCH)
    }
}

fn project() -> Project {
    Project::new(JobData::new(Head { name: "Blue estate".to_owned(), created: Timestamp::UNIX_EPOCH }))
}

fn done(project: &mut Project, meta: CaptureMeta, reading: Reading) -> CaptureId {
    let id = CaptureId(project.captures.iter().map(|one| one.id.0).max().unwrap_or(0) + 1);
    project.apply(Change::CaptureDone { id, meta, reading }).expect("it is made");
    id
}

/// Woofers up to 4 kHz and tweeters from 1.2 kHz, each with its arrival.
fn two_ways(arrivals_s: [f64; 4]) -> Project {
    let mut project = project();
    for (name, arrival_s) in
        ["left-woofer", "right-woofer", "left-tweeter", "right-tweeter"].iter().zip(arrivals_s)
    {
        let (from_hz, to_hz) = if name.ends_with("woofer") { (60.0, 4_000.0) } else { (1_200.0, 18_000.0) };
        done(&mut project, alone(name, ""), reading(from_hz, to_hz, arrival_s));
    }
    project
}

fn profile() -> Profile {
    Profile::preset("parametric-gridded").expect("it is built in")
}

fn wish() -> TimingWish {
    TimingWish {
        profile: profile(),
        filtered: false,
        crossovers_hz: Vec::new(),
        roles: Vec::new(),
        arrivals_s: Vec::new(),
        temperature_c: 20.0,
        basis: Basis::default(),
    }
}

fn setting<'a>(timing: &'a JobTiming, channel: &str) -> &'a ChannelSetting {
    timing.plan.channels.iter().find(|one| one.channel == channel).expect("it is there")
}

/// A number from a range, the next one of a fixed series.
fn draw(seed: &mut u64, from: f64, to: f64) -> f64 {
    *seed ^= *seed << 13;
    *seed ^= *seed >> 7;
    *seed ^= *seed << 17;
    from + (to - from) * (*seed >> 11) as f64 / (1u64 << 53) as f64
}

/// Source: arithmetic: drivers without a phase of their own add up when all arrive at once. The two of a pair are alike,
/// so that they meet to a step of the processor; a woofer and a tweeter meet to a small part of a period of their crossover.
#[test]
fn delays_bring_everything_to_one_moment() {
    let mut seed = 0x9E37_79B9_7F4A_7C15u64;
    for _ in 0..12 {
        let arrivals_s = [(); 4].map(|()| draw(&mut seed, 0.002, 0.006));
        let timing = timing_job(&two_ways(arrivals_s), &wish()).expect("it can be aligned");
        let heard = |name: &str, index: usize| arrivals_s[index] + setting(&timing, name).delay_s;
        let (left, right) = (heard("left-woofer", 0), heard("right-woofer", 1));
        near("the woofers", left, right, STEP_S);
        near("the tweeters", heard("left-tweeter", 2), heard("right-tweeter", 3), STEP_S);
        let period_s = 1.0 / timing.record.crossovers[0].frequency_hz;
        near("woofer and tweeter", heard("left-tweeter", 2), left, 0.1 * period_s);
        assert!(
            timing.plan.channels.iter().all(|one| one.delay_s >= 0.0 && !one.inverted),
            "{:?}",
            timing.plan.channels
        );
        assert!(
            timing.plan.channels.iter().any(|one| one.delay_s < STEP_S),
            "nothing waits longer than it must"
        );
    }
}

#[test]
fn a_reversed_driver_is_inverted_in_the_processor_and_no_other() {
    let mut project = two_ways([0.003; 4]);
    done(&mut project, alone("left-tweeter", ""), reversed(reading(1_200.0, 18_000.0, 0.003)));
    let timing = timing_job(&project, &wish()).expect("it can be aligned");
    let inverted: Vec<&str> =
        timing.plan.channels.iter().filter(|one| one.inverted).map(|one| one.channel.as_str()).collect();
    assert_eq!(inverted, ["left-tweeter"]);
    // Of two captures of a driver the newest counts.
    assert_eq!(timing.record.basis.captures.len(), 4);
    assert!(
        timing.record.basis.captures.contains(&CaptureId(5))
            && !timing.record.basis.captures.contains(&CaptureId(3))
    );
    let line = timing.changes.iter().find_map(|change| match change {
        Change::StageResult(Stage::Timing, Some(result)) => Some((result.state, result.line.clone())),
        _ => None,
    });
    assert_eq!(line, Some((StageState::Measured, "delays up to 0.00 ms, 1 channel inverted".to_owned())));
}

/// What the channels held while the drivers were measured is part of what was measured: the entry is absolute.
#[test]
fn what_stood_in_the_processor_is_kept_in_what_is_entered() {
    let mut project = two_ways([0.003, 0.003, 0.004, 0.003]);
    let plain = timing_job(&project, &wish()).expect("it can be aligned");
    let held = |channel: &str, gain_db: f64, inverted: bool| ChannelSetting {
        channel: channel.to_owned(),
        gain_db,
        inverted,
        ..ChannelSetting::default()
    };
    let channels = vec![held("left-tweeter", -6.0, true), held("right-woofer", 2.5, false)];
    let preset = ProcessorSetting { channels, bands: Vec::new(), bypassed: false };
    project.apply(Change::Preset(Some(preset))).expect("it is made");
    let timing = timing_job(&project, &wish()).expect("it can be aligned");
    for (channel, gain_db, inverted) in
        [("left-woofer", 0.0, false), ("right-woofer", 2.5, false), ("left-tweeter", -6.0, true)]
    {
        let (was, is) = (setting(&plain, channel), setting(&timing, channel));
        near(channel, is.gain_db, was.gain_db + gain_db, 1e-9);
        assert_eq!((is.inverted, is.delay_s), (was.inverted != inverted, was.delay_s), "{channel}");
    }
}

#[test]
fn roles_that_nobody_gave_are_proposed_and_said_to_be() {
    let mut project = two_ways([0.003; 4]);
    let timing = timing_job(&project, &wish()).expect("it can be aligned");
    let proposed = |timing: &JobTiming| {
        timing
            .record
            .findings
            .iter()
            .find(|finding| finding.code == "roles-proposed")
            .map(|one| one.text.clone())
    };
    let text = proposed(&timing).expect("it is said");
    assert!(text.contains("left-woofer a woofer") && text.contains("right-tweeter a tweeter"), "{text}");
    let intake = timing.changes.iter().find_map(|change| match change {
        Change::Intake(intake) => Some(intake.clone()),
        _ => None,
    });
    let intake = intake.expect("the job learns of its drivers");
    let feeds: Vec<Option<Feed>> = intake.drivers.iter().map(|driver| driver.feed).collect();
    assert_eq!(feeds, [Feed::Left, Feed::Right, Feed::Left, Feed::Right].map(Some));
    // Once they stand in the job, nobody needs to be asked again.
    project.apply(Change::Intake(intake)).expect("it is made");
    let again = timing_job(&project, &wish()).expect("it can be aligned");
    assert_eq!(proposed(&again), None);
    assert!(!again.changes.iter().any(|change| matches!(change, Change::Intake(_))));
    assert_eq!(again.plan, timing.plan);
}

#[test]
fn a_role_for_a_driver_that_is_not_there_is_refused_by_name() {
    let wish = TimingWish { roles: vec![("left-twitter".to_owned(), Role::Tweeter)], ..wish() };
    let refused = timing_job(&two_ways([0.003; 4]), &wish).expect_err("refused").to_string();
    assert!(refused.contains("`left-twitter`") && refused.contains("left-tweeter"), "{refused}");
    let nothing = timing_job(&project(), &wish).expect_err("refused").to_string();
    assert!(nothing.contains("it has none"), "{nothing}");
    let wish = TimingWish { roles: Vec::new(), ..wish };
    assert_eq!(timing_job(&project(), &wish).map(|_| ()), Err(NoTiming::NothingMeasured));
}

/// A recorder that runs by itself gives arrivals without a common zero; measured against one driver each, they have one.
#[test]
fn arrivals_without_a_common_zero_need_a_measurement_against_one_driver() {
    let mut project = project();
    let by_itself = |name: &str| CaptureMeta { reference_channel: None, ..alone(name, "") };
    for (name, from_hz, to_hz) in [("left-woofer", 60.0, 4_000.0), ("left-tweeter", 1_200.0, 18_000.0)] {
        // Each capture has a zero of its own, and says something else each time.
        done(&mut project, by_itself(name), reading(from_hz, to_hz, 0.1));
    }
    let refused = timing_job(&project, &wish()).expect_err("refused");
    assert_eq!(refused, NoTiming::NoClock("left-woofer, left-tweeter".to_owned()));
    let against = CaptureMeta { measurement: "arrival".to_owned(), ..by_itself("left-tweeter") };
    let mut later = Reading::new("arrival", 1, 48_000.0);
    later.value("arrival_s", -0.001);
    let id = done(&mut project, against, later);
    let timing = timing_job(&project, &wish()).expect("it can be aligned");
    let delay_s = |name: &str| setting(&timing, name).delay_s;
    near("the tweeter waits", delay_s("left-tweeter") - delay_s("left-woofer"), 0.001, 5e-5);
    assert!(timing.record.basis.captures.contains(&id));
    // What a person measured with a tape counts before.
    let tape = vec![("left-woofer".to_owned(), 0.004), ("left-tweeter".to_owned(), 0.002)];
    let timing = timing_job(&project, &TimingWish { arrivals_s: tape, ..wish() }).expect("it can be aligned");
    let delay_s = |name: &str| setting(&timing, name).delay_s;
    near("by tape", delay_s("left-tweeter") - delay_s("left-woofer"), 0.002, 5e-5);
    let stranger = vec![("centre".to_owned(), 0.004)];
    let refused = timing_job(&project, &TimingWish { arrivals_s: stranger, ..wish() }).expect_err("refused");
    assert!(matches!(refused, NoTiming::NoDriver { ref name, .. } if name == "centre"), "{refused}");
}

fn inputs(project: &Project) -> Result<TuneInputs, NoTune> {
    let target = Target::preset("flat").expect("it is built in");
    TuneInputs::of_job(project, &[], target, profile(), TuneOptions::default(), Basis::default())
}

/// Every driver at two places, the second of which is the middle of the head.
fn at_places(places: &[&str]) -> Project {
    let mut project = project();
    for name in ["left-woofer", "left-tweeter", "right-woofer", "right-tweeter"] {
        let (from_hz, to_hz) = if name.ends_with("woofer") { (60.0, 4_000.0) } else { (1_200.0, 18_000.0) };
        for (number, place) in places.iter().enumerate() {
            done(&mut project, alone(name, place), reading(from_hz, to_hz, 0.003 + 1e-4 * number as f64));
        }
    }
    project
}

#[test]
fn only_places_at_which_all_were_measured_count_the_middle_first() {
    let mut project = at_places(&["left ear", "head, middle", "passenger"]);
    done(&mut project, alone("left-tweeter", "right ear"), reading(1_200.0, 18_000.0, 0.003));
    let inputs = inputs(&project).expect("it can be tuned");
    let places: Vec<(&str, PlaceSeat)> =
        inputs.places.iter().map(|place| (place.name.as_str(), place.seat)).collect();
    let (driver, passenger) = (PlaceSeat::Driver, PlaceSeat::Passenger);
    assert_eq!(places, [("head, middle", driver), ("left ear", driver), ("passenger", passenger)]);
    // Source: arithmetic: 0.1 ms at 1 kHz is 36 degrees; the first capture of each driver arrived at 3 ms, the middle
    // of the head 0.1 ms later, which is 3.1 of 3.1 whole turns.
    let woofer = &inputs.drivers[0];
    assert_eq!((woofer.channel.as_str(), woofer.responses.len()), ("left-woofer", 3));
    let phase = |place: usize, hz: f64| {
        let response = &woofer.responses[place];
        let at = response.frequency_hz.iter().position(|&f| (f - hz).abs() < 0.02 * hz).expect("on the grid");
        (response.frequency_hz[at], response.phase_deg.as_ref().expect("it has one")[at])
    };
    for (place, arrival_s) in [(0, 0.0031), (1, 0.003), (2, 0.0032)] {
        let (hz, got) = phase(place, 500.0);
        let turns = -hz * arrival_s;
        near("the phase of its way", got, 360.0 * (turns - turns.round()), 1e-6);
    }
    let mut tune = tuning::quick_tune(&inputs.input()).expect("a tune");
    inputs.explain(&mut tune);
    let left_out =
        tune.findings.iter().find(|finding| finding.code == "place-incomplete").expect("it is said");
    assert!(
        left_out.text.contains("`right ear` lacks left-woofer, right-woofer, right-tweeter"),
        "{}",
        left_out.text
    );
}

#[test]
fn what_cannot_be_tuned_is_refused_with_what_to_do() {
    let refused = |project: &Project| inputs(project).map(|_| ()).expect_err("refused");
    assert_eq!(refused(&project()), NoTune::Drivers(NoTiming::NothingMeasured));
    let mut one = project();
    done(&mut one, alone("left-woofer", ""), reading(60.0, 4_000.0, 0.003));
    assert_eq!(refused(&one), NoTune::OneDriver("left-woofer".to_owned()));
    let mut apart = one;
    apart
        .apply(Change::Placed {
            id: CaptureId(1),
            placement: project::Placement {
                driver: "left-woofer".to_owned(),
                position: "left ear".to_owned(),
                ..Default::default()
            },
        })
        .expect("it is made");
    done(&mut apart, alone("left-tweeter", "right ear"), reading(1_200.0, 18_000.0, 0.003));
    let NoTune::NoPlace(lacks) = refused(&apart) else { panic!("{}", refused(&apart)) };
    assert!(
        lacks.contains("`left ear` lacks left-tweeter") && lacks.contains("`right ear` lacks left-woofer"),
        "{lacks}"
    );
}

/// Recorded one by one, the drivers have no zero of time in common: levels and bands are tuned, the rest stays, and it
/// is said. Source: arithmetic: the left side was made 3 dB louder; drivers that are in time come to the same with a zero.
#[test]
fn without_a_zero_in_common_levels_and_bands_alone_are_tuned() {
    let mut project = project();
    let mut timed = project.clone();
    for name in ["left-woofer", "left-tweeter", "right-woofer", "right-tweeter"] {
        let (from_hz, to_hz) = if name.ends_with("woofer") { (60.0, 4_000.0) } else { (1_200.0, 18_000.0) };
        for place in ["head", "left ear"] {
            let meta = CaptureMeta { reference_channel: None, ..alone(name, place) };
            let mut reading = reading(from_hz, to_hz, 0.0);
            let levels = reading.curves.get_mut("response").and_then(|curve| curve.get_mut("magnitude_db"));
            let louder_db = if name.starts_with("left") { 3.0 } else { 0.0 };
            levels.expect("levels").iter_mut().for_each(|level| *level += louder_db);
            done(&mut timed, alone(name, place), reading.clone());
            done(&mut project, meta, reading);
        }
    }
    let crossover =
        || Some(job::Crossover { family: "linkwitz-riley".to_owned(), order: 4, frequency_hz: 2_500.0 });
    let set = ["left-woofer", "left-tweeter", "right-woofer", "right-tweeter"].map(|name| ChannelSetting {
        channel: name.to_owned(),
        delay_s: if name == "left-tweeter" { 0.001 } else { 0.0 },
        inverted: name == "right-woofer",
        high_pass: crossover().filter(|_| name.ends_with("tweeter")),
        low_pass: crossover().filter(|_| name.ends_with("woofer")),
        ..ChannelSetting::default()
    });
    project.apply(Change::Channels(set.to_vec())).expect("noted");
    let inputs = inputs(&project).expect("it can be tuned");
    let mut joint =
        tuning::tune_car(&inputs.input(), &mut |_| std::ops::ControlFlow::Continue(())).expect("a tune");
    let mut quick = tuning::quick_tune(&inputs.input()).expect("a tune");
    for tune in [&mut joint, &mut quick] {
        inputs.explain(tune);
        assert!(tune.findings.iter().any(|finding| finding.code == "levels-only"), "{:?}", tune.findings);
        for (channel, set) in tune.channels.iter().zip(&set) {
            assert_eq!((channel.delay_s, channel.inverted), (set.delay_s, set.inverted), "{}", set.channel);
            assert!(channel.why.delay_s.starts_with("Not tuned"), "{:?}", channel.why);
            let corners = [channel.high_pass, channel.low_pass].map(|one| one.map(|one| one.frequency_hz));
            let wanted = [&set.high_pass, &set.low_pass].map(|one| one.as_ref().map(|one| one.frequency_hz));
            assert_eq!(corners, wanted, "{}", set.channel);
        }
        let gain_db =
            |name: &str| tune.channels.iter().find(|one| one.channel == name).expect("there").gain_db;
        for way in ["woofer", "tweeter"] {
            near(
                "left against right",
                gain_db(&format!("left-{way}")) - gain_db(&format!("right-{way}")),
                -3.0,
                0.5,
            );
        }
    }
    let with_zero = tuning::tune_car(&self::inputs(&timed).expect("it can be tuned").input(), &mut |_| {
        std::ops::ControlFlow::Continue(())
    });
    let with_zero = with_zero.expect("a tune").predicted.left.average_rms_db;
    near("as with a zero", joint.predicted.left.average_rms_db, with_zero, 0.3);
    // An edit is judged as the tune was: the delay that stays makes no comb.
    let proposed = inputs.proposed(&joint);
    let judged = inputs.judged(&proposed.channels, &proposed.bands).expect("judged").judgement;
    near("the same again", judged.left.average_rms_db, joint.predicted.left.average_rms_db, 0.05);
}

/// Half a car is no car: the other side is named.
#[test]
fn a_side_of_which_nothing_was_measured_is_named() {
    let mut project = project();
    for (name, from_hz, to_hz) in [("left-woofer", 60.0, 4_000.0), ("left-tweeter", 1_200.0, 18_000.0)] {
        done(&mut project, alone(name, "head"), reading(from_hz, to_hz, 0.003));
    }
    let inputs = inputs(&project).expect("they are gathered");
    let refused = tuning::quick_tune(&inputs.input()).expect_err("refused").to_string();
    assert!(refused.starts_with("no driver of the right side was measured"), "{refused}");
    let joint = tuning::tune_car(&inputs.input(), &mut |_| std::ops::ControlFlow::Continue(()));
    assert_eq!(joint.expect_err("refused").to_string(), refused);
}

/// Captures after the entry are proof and no ground to tune from.
#[test]
fn what_was_measured_after_the_entry_is_not_tuned_from() {
    let mut project = at_places(&["head"]);
    let before = inputs(&project).expect("it can be tuned");
    for name in ["left-woofer", "left-tweeter", "right-woofer", "right-tweeter"] {
        let meta = CaptureMeta { set: Some(Set::After), ..alone(name, "head") };
        done(&mut project, meta, reading(60.0, 18_000.0, 0.009));
    }
    assert_eq!(inputs(&project).expect("it can be tuned"), before);
}

/// All that a tune finds stands in the job afterwards, and fits what it says of itself.
#[test]
fn the_job_is_told_the_whole_of_a_tune() {
    let mut project = at_places(&["head", "left ear"]);
    let drivers = ["left-woofer", "left-tweeter", "right-woofer", "right-tweeter"].map(|name| Driver {
        name: name.to_owned(),
        channel: format!("out {name}"),
        ..Driver::default()
    });
    let intake = job::Intake { drivers: drivers.to_vec(), ..job::Intake::default() };
    project.apply(Change::Intake(intake)).expect("it is made");
    let inputs = inputs(&project).expect("it can be tuned");
    let tune = tuning::quick_tune(&inputs.input()).expect("a tune");
    let changes = inputs.changes(&project, &tune);
    project.apply(Change::Together(changes)).expect("it is made");
    let data = &project.data;
    let record = data.tune.as_ref().expect("it is kept");
    assert_eq!(record.channels.len(), tune.channels.len());
    let settings: Vec<&ChannelSetting> = record.channels.iter().map(|one| &one.setting).collect();
    assert_eq!(data.channels.iter().collect::<Vec<_>>(), settings);
    for (entered, found) in data.channels.iter().zip(&tune.channels) {
        assert_eq!(entered.channel, found.channel);
        assert!(entered.channel.starts_with("out "), "{}", entered.channel);
        near("the delay", entered.delay_s, found.delay_s, 1e-12);
        near("the gain", entered.gain_db, found.gain_db, 1e-12);
    }
    let bands: usize = tune.channels.iter().map(|one| one.bands.len()).sum::<usize>()
        + tune.inputs.iter().map(|one| one.bands.len()).sum::<usize>();
    assert_eq!(data.bands.len(), bands);
    let predicted = record.predicted.as_ref().and_then(|judged| judged.left.as_ref()).expect("it is kept");
    near("predicted", predicted.average_rms_db, tune.predicted.left.average_rms_db, 1e-12);
    assert_eq!((data.fit.as_ref(), data.audit.as_ref()), (None, None));
    assert_eq!(data.choices.seat, Some(tune.seat));
    assert!(data.stages.contains_key(&Stage::Tune) && data.stages.contains_key(&Stage::Timing));
    assert_eq!(record.basis.captures.len(), 8);
}

/// Every driver alone after an entry of crossovers, levels and bands in single channels, with this in the processor.
fn entered(project: &mut Project, bands: &[EnteredBand]) {
    let channels = project.data.channels.clone();
    let drivers: Vec<(String, Reading)> = project
        .captures
        .iter()
        .filter(|one| one.meta.set.is_none())
        .filter_map(|one| Some((one.meta.driver.clone(), one.reading.as_deref()?.clone())))
        .collect();
    for (name, mut reading) in drivers {
        let setting = channels.iter().find(|one| one.channel == name).expect("it is set");
        let low_pass = setting.low_pass.as_ref().map(|one| tuning::CarFilter {
            family: tuning::CrossoverFamily::LinkwitzRiley,
            slope_db_per_octave: 6 * one.order,
            frequency_hz: one.frequency_hz,
        });
        let held = tuning::ChannelSetting {
            gain_db: setting.gain_db,
            low_pass,
            bands: bands.iter().filter(|band| band.channel == name).map(EnteredBand::band).collect(),
            ..tuning::ChannelSetting::default()
        };
        let levels_db = held.levels_db(None, 48_000.0).expect("it can be set");
        let curve = reading.curves.get_mut("response").expect("it has one");
        let grid = curve["frequency_hz"].clone();
        let levels = curve.get_mut("magnitude_db").expect("it has levels");
        levels.iter_mut().zip(grid).for_each(|(level, hz)| *level += levels_db(hz));
        done(project, CaptureMeta { set: Some(Set::After), ..alone(&name, "") }, reading);
    }
}

/// Source: the captures are made here. Equalizers of left and right act on a subwoofer that both feed, with each side's
/// signal; captured with both it has the mean of them, which is neither another level nor a band.
#[test]
fn a_driver_that_both_sides_equalize_is_not_accused() {
    let mut project = two_ways([0.003; 4]);
    done(&mut project, alone("sub", ""), reading(25.0, 120.0, 0.003));
    let names = ["left-woofer", "right-woofer", "left-tweeter", "right-tweeter", "sub"];
    let drivers =
        names.map(|name| Driver { name: name.to_owned(), channel: name.to_owned(), ..Driver::default() });
    let intake = job::Intake { drivers: drivers.to_vec(), ..Default::default() };
    project.apply(Change::Intake(intake)).expect("noted");
    let channel = |name: &str| ChannelSetting { channel: name.to_owned(), ..ChannelSetting::default() };
    project.apply(Change::Channels(names.map(channel).to_vec())).expect("noted");
    let band = |channel: &str, hz: f64, gain_db: f64| {
        EnteredBand::of_typed(channel, &tuning::Band::peak(hz, gain_db, 0.5), &profile())
    };
    let sides = [band("left", 60.0, -9.0), band("right", 60.0, -8.5), band("left", 800.0, 4.0)];
    project.apply(Change::Bands(sides.to_vec())).expect("noted");
    let at = |name: &str, of: &EnteredBand| EnteredBand { channel: name.to_owned(), ..of.clone() };
    let [left, right, mid] = &sides;
    let heard = [
        at("left-woofer", left),
        at("left-woofer", mid),
        at("left-tweeter", left),
        at("left-tweeter", mid),
        at("right-woofer", right),
        at("right-tweeter", right),
        at("sub", &band("sub", 60.0, -8.75)),
    ];
    entered(&mut project, &heard);
    let audit = audit_job(&project, &profile(), Basis::default()).expect("it can be audited");
    assert!(!audit.has_mistake(), "{:?}", audit.record);
    assert!(audit.record.channels.iter().all(|one| one.channel != "sub"), "{:?}", audit.record.channels);
    let said = audit.record.findings.iter().filter(|finding| finding.code == "mixed-equalizers");
    assert_eq!(said.count(), 1, "{:?}", audit.record.findings);
}

/// Source: the captures are made here, from the values that are set; one band of the left woofer has the wrong sign.
#[test]
fn bands_of_single_channels_are_audited_by_their_drivers_alone() {
    let names = ["left-woofer", "right-woofer", "left-tweeter", "right-tweeter"];
    let mut project = two_ways([0.003; 4]);
    let drivers =
        names.map(|name| Driver { name: name.to_owned(), channel: name.to_owned(), ..Driver::default() });
    project
        .apply(Change::Intake(job::Intake { drivers: drivers.to_vec(), ..Default::default() }))
        .expect("noted");
    let low = job::Crossover { family: "linkwitz-riley".to_owned(), order: 4, frequency_hz: 2_000.0 };
    let channel = |name: &str| ChannelSetting {
        channel: name.to_owned(),
        gain_db: if name.starts_with("left") { -4.0 } else { 0.0 },
        low_pass: name.ends_with("woofer").then(|| low.clone()),
        ..ChannelSetting::default()
    };
    project.apply(Change::Channels(names.map(channel).to_vec())).expect("noted");
    let band = |channel: &str, hz: f64, gain_db: f64| {
        EnteredBand::of_typed(channel, &tuning::Band::peak(hz, gain_db, 2.0), &profile())
    };
    let meant = vec![
        band("left-woofer", 180.0, -5.0),
        band("left-woofer", 900.0, 4.0),
        band("right-woofer", 400.0, -6.0),
        band("right-tweeter", 5_000.0, -4.0),
    ];
    project.apply(Change::Bands(meant.clone())).expect("noted");

    let mut wrong = meant.clone();
    wrong[0].gain_db = 5.0;
    entered(&mut project, &wrong);
    let verdicts = |project: &Project| -> Vec<(String, usize, tuning::Verdict)> {
        let audit = audit_job(project, &profile(), Basis::default()).expect("it can be audited");
        let of = |(channel, audit): &(String, tuning::AuditResult)| -> Vec<_> {
            audit.bands.iter().map(|band| (channel.clone(), band.index, band.verdict)).collect()
        };
        audit.bands.iter().flat_map(of).collect()
    };
    let as_meant = |channel: &str, index| (channel.to_owned(), index, tuning::Verdict::AsMeant);
    let others = [as_meant("left-woofer", 2), as_meant("right-woofer", 3), as_meant("right-tweeter", 4)];
    let mut found = verdicts(&project);
    assert_eq!(found.remove(0), ("left-woofer".to_owned(), 1, tuning::Verdict::WrongSign));
    assert_eq!(found, others);
    // Corrected, and measured again.
    entered(&mut project, &meant);
    let found = verdicts(&project);
    assert_eq!(found, [vec![as_meant("left-woofer", 1)], others.to_vec()].concat());

    // A capture that says itself that it was bent is no proof, and the audit says so.
    let doubts = |project: &Project| -> Vec<String> {
        let audit = audit_job(project, &profile(), Basis::default()).expect("it can be audited");
        let bent = audit.record.findings.iter().filter(|finding| finding.code == "level-control");
        bent.map(|finding| finding.text.clone()).collect()
    };
    assert!(doubts(&project).is_empty());
    let last =
        project.captures.iter().filter(|one| one.meta.driver == "right-woofer").max_by_key(|one| one.id);
    let (meta, id) = last.map(|one| (one.meta.clone(), one.id)).expect("it was measured");
    let mut bent = project.known(id).and_then(|one| one.reading.as_deref()).expect("read").clone();
    bent.finding(measure::Finding::caution("level-control", "A limiter follows the sound."));
    done(&mut project, meta, bent);
    let said = doubts(&project);
    assert!(said.len() == 1 && said[0].starts_with("On the right-woofer: capture "), "{said:?}");

    // What sounds together does not tell bands of single channels apart.
    let mut together = two_ways([0.003; 4]);
    together.data.intake.drivers.extend(drivers);
    together.apply(Change::Bands(meant)).expect("noted");
    for set in [Set::Before, Set::After] {
        let meta = CaptureMeta {
            set: Some(set),
            position: "head".to_owned(),
            ..CaptureMeta::new("sweep", 1, Stage::Tune, Timestamp::UNIX_EPOCH)
        };
        done(&mut together, meta, reading(60.0, 18_000.0, 0.003));
    }
    let refused = audit_job(&together, &profile(), Basis::default()).expect_err("refused").to_string();
    assert!(refused.contains("each driver alone"), "{refused}");
}

/// Source: arithmetic: where one driver plays by itself, its band is all that its side hears of it.
#[test]
fn bands_of_single_drivers_are_heard_as_bands_of_their_sides() {
    let mut project = two_ways([0.003; 4]);
    let crossover =
        || Some(job::Crossover { family: "linkwitz-riley".to_owned(), order: 4, frequency_hz: 2_500.0 });
    let set = ["left-woofer", "left-tweeter", "right-woofer", "right-tweeter"].map(|name| ChannelSetting {
        channel: name.to_owned(),
        high_pass: crossover().filter(|_| name.ends_with("tweeter")),
        low_pass: crossover().filter(|_| name.ends_with("woofer")),
        ..ChannelSetting::default()
    });
    project.apply(Change::Channels(set.to_vec())).expect("noted");
    let drivers = set.iter().map(|one| Driver { name: one.channel.clone(), ..Driver::default() }).collect();
    project.apply(Change::Intake(job::Intake { drivers, ..Default::default() })).expect("noted");
    let band = |channel: &str, hz: f64, gain_db: f64| {
        EnteredBand::of_typed(channel, &tuning::Band::peak(hz, gain_db, 2.0), &profile())
    };
    let bands = [band("left-woofer", 400.0, -6.0), band("right-tweeter", 8_000.0, 4.0)];
    let stand_in_of = stand_in(&project, &bands, &profile()).expect("it is known");
    assert!(stand_in_of.rms_db < 0.2, "{stand_in_of:?}");
    let side_db = |side: &str, hz: f64| -> f64 {
        let of_side = stand_in_of.bands.iter().filter(|(channel, _)| channel == side);
        let own: Vec<tuning::Band> = of_side.map(|(_, band)| *band).collect();
        tuning::bands_db(&own, &[hz], 48_000.0)[0]
    };
    // Each side counts about its own level, so one place of it tells what the others rise or fall by.
    let over = |side: &str, hz: f64, than_hz: f64| side_db(side, hz) - side_db(side, than_hz);
    near("left at its band", over("left", 400.0, 8_000.0), -6.0, 0.3);
    near("right at its band", over("right", 8_000.0, 400.0), 4.0, 0.3);
    near("right where the left has one", over("right", 400.0, 150.0), 0.0, 0.3);
    assert_eq!(stand_in(&project, &[band("left", 400.0, -6.0)], &profile()), None, "they can be played");
    // Without a zero of time in common nobody knows what the drivers sum to.
    let mut untimed = project;
    untimed.captures.iter_mut().for_each(|one| one.meta.reference_channel = None);
    assert_eq!(stand_in(&untimed, &bands, &profile()), None);
}
