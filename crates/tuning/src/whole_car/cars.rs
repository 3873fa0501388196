//! Random cars of the simulated cabin: tuned at four to six places, judged at ten that nobody fitted.
//!
//! As many as the environment variable `HEADREST_CARS` says; a few otherwise. The bars are those of
//! `docs/tuning.md`.

#![expect(clippy::print_stdout, reason = "the table of the cars is what a person reads")]

use std::collections::BTreeMap;
use std::ops::ControlFlow;

use cabin::{Band as OwnBand, BandKind as OwnKind, Cabin, Car, Channel, CrossoverKind, Edge, Position};
use num_complex::Complex64;
use testkit::{at_most, near};

use super::*;
use crate::random_cases::Random;
use crate::{
    CarFilter, CrossoverFamily, Equalizer, Feed, FitInput, FitOptions, Profile, Response, Role, Target,
    average, fit, log_axis,
};

const RATE: f64 = 48_000.0;
const UNSEEN: usize = 10;
const PRESETS: [&str; 3] = ["compact-hatch", "saloon-adapter", "box-van"];
const PLACES: [&str; 6] =
    ["driver", "driver-left-ear", "driver-right-ear", "driver-forward", "driver-back", "driver-low"];

/// So far from the unseen places the microphone stands when the tune is measured back, and so much
/// noise is then in what it hears, as a share of the amplitude.
const MOVED_M: f64 = 0.01;
const NOISE: f64 = 0.03;
/// A side's average measured back is within so much of what was predicted for those places, and so is the level of left
/// against right.
const BACK_DB: f64 = 0.15;
const LEVEL_BACK_DB: f64 = 0.25;

/// A car with what was measured of it.
pub(super) struct Drawn {
    pub(super) name: String,
    pub(super) car: Car,
    pub(super) drivers: Vec<TuneDriver>,
    pub(super) places: Vec<TunePlace>,
    /// The same drivers at places that nobody fitted.
    pub(super) unseen: Vec<TuneDriver>,
    pub(super) unseen_places: Vec<TunePlace>,
}

impl Drawn {
    /// What a tune of it begins with.
    pub(super) fn input<'a>(
        &'a self,
        profile: &'a Profile,
        target: &'a Target,
        options: &'a TuneOptions,
    ) -> TuneInput<'a> {
        TuneInput { drivers: &self.drivers, places: &self.places, profile, target, options }
    }
}

fn role(driver: &cabin::Driver) -> Role {
    if driver.name == "centre" {
        return Role::Centre;
    }
    if driver.name.starts_with("rear") {
        return Role::Fill;
    }
    match driver.role {
        cabin::Role::Sub => Role::Sub,
        cabin::Role::Woofer => Role::Woofer,
        cabin::Role::Mid => Role::Mid,
        cabin::Role::Tweeter => Role::Tweeter,
        cabin::Role::FullRange => Role::FullRange,
    }
}

/// Where a driver of a role is measured: its protected sweep.
fn measured_hz(role: Role) -> (f64, f64) {
    match role {
        Role::Sub => (15.0, 400.0),
        Role::Woofer => (30.0, 4_000.0),
        Role::Mid => (80.0, 12_000.0),
        Role::Tweeter => (1_000.0, 20_000.0),
        Role::Centre | Role::Fill | Role::FullRange => (40.0, 18_000.0),
    }
}

/// Car number `seed`: drivers moved by 3 to 6 cm, sensitivities changed by up to 3 dB, own peaks and
/// dips; one driver wired backwards in a third of them, a centre or a fill in another third.
pub(super) fn drawn(seed: u64) -> Drawn {
    let mut random = Random::new(7_000 + seed);
    let preset = PRESETS[usize::try_from(seed / 3 % 3).unwrap()];
    let mut car = Car::preset(preset).unwrap();
    if seed % 3 == 1 && preset == "compact-hatch" {
        let mut centre = Car::preset("saloon-adapter").unwrap().driver("centre").unwrap().clone();
        centre.at_m[1] = 0.5 * car.cabin.as_ref().unwrap().size_m[1];
        car.drivers.push(centre);
    }
    if seed % 3 != 1 {
        car.drivers.retain(|driver| role(driver).is_in_chain());
    }
    car.microphone.bands.clear();
    car.microphone.high_pass = None;
    let count = car.drivers.len();
    let backwards = (seed % 3 == 2).then(|| (random.unit() * count as f64) as usize);
    for (index, driver) in car.drivers.iter_mut().enumerate() {
        let (turn, lift) = (random.between(0.0, std::f64::consts::TAU), random.between(-1.0, 1.0));
        let way_m = random.between(0.03, 0.06);
        let flat = (1.0 - lift * lift).sqrt();
        for (at, by) in driver.at_m.iter_mut().zip([flat * turn.cos(), flat * turn.sin(), lift]) {
            *at = (*at + way_m * by).max(0.02);
        }
        driver.sensitivity_db += random.between(-3.0, 3.0);
        let (from_hz, to_hz) = measured_hz(role(driver));
        for _ in 0..3 {
            let frequency_hz = (2.0 * from_hz) * (to_hz / from_hz / 4.0).powf(random.unit());
            let gain_db = random.between(-4.0, 4.0);
            driver.bands.push(OwnBand {
                kind: OwnKind::Peak,
                frequency_hz,
                gain_db,
                q: random.between(1.0, 4.0),
            });
        }
        driver.reversed = backwards == Some(index);
        // Each has its channel, as the tune takes for granted.
        driver.processed = true;
    }
    let space = car.cabin.as_mut().unwrap();
    let seat = space.positions.iter().find(|position| position.name == "driver").unwrap().at_m;
    for number in 0..UNSEEN {
        let at_m = [0.12, 0.10, 0.09].iter().zip(seat).map(|(by, at)| at + random.between(-by, *by));
        let at_m: Vec<f64> = at_m.collect();
        space
            .positions
            .push(Position { name: format!("unseen-{number}"), at_m: [at_m[0], at_m[1], at_m[2]] });
    }
    for number in 0..UNSEEN {
        let turn = random.between(0.0, std::f64::consts::TAU);
        let at_m = space.positions[space.positions.len() - UNSEEN].at_m;
        space.positions.push(Position {
            name: format!("moved-{number}"),
            at_m: [at_m[0] + MOVED_M * turn.cos(), at_m[1] + MOVED_M * turn.sin(), at_m[2]],
        });
    }
    let given = 4 + usize::try_from(seed % 3).unwrap();
    let names: Vec<String> = PLACES[..given].iter().map(ToString::to_string).collect();
    let unseen: Vec<String> = (0..UNSEEN).map(|number| format!("unseen-{number}")).collect();
    let places = |names: &[String]| {
        names.iter().map(|name| TunePlace { name: name.clone(), seat: PlaceSeat::Driver }).collect()
    };
    Drawn {
        name: format!("{seed} {preset}"),
        drivers: car.drivers.iter().map(|driver| heard(&car, driver, &names)).collect(),
        unseen: car.drivers.iter().map(|driver| heard(&car, driver, &unseen)).collect(),
        places: places(&names),
        unseen_places: places(&unseen),
        car,
    }
}

/// One driver alone, through a flat channel, at some places.
pub(super) fn heard(car: &Car, driver: &cabin::Driver, places: &[String]) -> TuneDriver {
    let mut alone = car.clone();
    alone.drivers = vec![driver.clone()];
    alone.rattles.clear();
    alone.drivers[0].channel = Channel::default();
    let role = role(driver);
    let sides: Vec<cabin::Side> = driver
        .inputs
        .iter()
        .map(|input| car.radio.outputs.iter().find(|output| output.name == *input).unwrap().side)
        .collect();
    let feed = if sides.iter().all(|side| *side == cabin::Side::Left) {
        Feed::Left
    } else if sides.iter().all(|side| *side == cabin::Side::Right) {
        Feed::Right
    } else {
        Feed::Both
    };
    let (from_hz, to_hz) = measured_hz(role);
    let frequency_hz = log_axis::grid(from_hz, to_hz, 96.0);
    let at = |place: &String| {
        let mut setup = alone.setup();
        setup.mic_position.clone_from(place);
        setup.noise = false;
        let mut cabin = Cabin::new(&alone, RATE).unwrap();
        cabin.apply(&setup).unwrap();
        let (left, right) = match feed {
            Feed::Left => (1.0, 0.0),
            Feed::Right => (0.0, 1.0),
            Feed::Both => (1.0, 1.0),
        };
        let values: Vec<_> = frequency_hz.iter().map(|&hz| cabin.response(left, right, hz).mic).collect();
        Response {
            magnitude_db: values.iter().map(|value| 20.0 * value.norm().log10()).collect(),
            phase_deg: Some(values.iter().map(|value| value.arg().to_degrees()).collect()),
            coherence: None,
            spread_db: None,
            frequency_hz: frequency_hz.clone(),
        }
    };
    TuneDriver {
        channel: driver.name.clone(),
        role,
        feed,
        responses: places.iter().map(at).collect(),
        usable_hz: None,
        protect_hz: (role == Role::Tweeter).then_some(2_000.0),
        arrival_s: None,
        present: ChannelValues::default(),
    }
}

/// What is heard once a tune is entered: the settings go into the processor of the simulated car, the left
/// and then the right input is driven, and the microphone stands a centimetre from each unseen place.
struct MeasuredBack {
    /// How far each side's average is from the target, the mean of both.
    side_rms_db: f64,
    /// How much louder the left is.
    left_right_db: f64,
}

impl MeasuredBack {
    fn new(car: &Drawn, tune: &CarTune, target: &Target, random: &mut Random) -> Self {
        let mut setup = car.car.setup();
        setup.noise = false;
        setup.rattles = false;
        setup.processor =
            tune.channels.iter().map(|channel| (channel.channel.clone(), entered(channel))).collect();
        setup.processor_inputs = entered_at_inputs(&car.car, tune);
        let hz = log_axis::grid(32.0, 20_000.0, 96.0);
        let judged_hz = log_axis::grid(40.0, 16_000.0, 12.0);
        let mut cabin = Cabin::new(&car.car, RATE).unwrap();
        let sides = [(1.0, 0.0), (0.0, 1.0)].map(|(left, right)| {
            let places: Vec<Response> = (0..UNSEEN)
                .map(|number| {
                    setup.mic_position = format!("moved-{number}");
                    cabin.apply(&setup).unwrap();
                    let mut noise = || NOISE * Complex64::new(random.normal(), random.normal()) / 2f64.sqrt();
                    let heard = hz.iter().map(|&hz| cabin.response(left, right, hz).mic * (1.0 + noise()));
                    let db = heard.map(|pressure| 20.0 * pressure.norm().log10()).collect();
                    Response::new(hz.clone(), db).unwrap().smoothed(12)
                })
                .collect();
            let average = average(&places).unwrap();
            let left_db: Vec<f64> =
                judged_hz.iter().map(|&hz| average.db_at(hz).unwrap() - target.db_at(hz)).collect();
            let level_db = left_db.iter().sum::<f64>() / left_db.len() as f64;
            let square: f64 = left_db.iter().map(|db| (db - level_db).powi(2)).sum();
            (level_db, (square / left_db.len() as f64).sqrt())
        });
        Self { side_rms_db: 0.5 * (sides[0].1 + sides[1].1), left_right_db: sides[0].0 - sides[1].0 }
    }
}

/// A channel of the tune as it is typed into the simulated processor.
fn entered(channel: &TunedChannel) -> Channel {
    let edge = |filter: Option<CarFilter>| {
        filter.map(|filter| Edge {
            frequency_hz: filter.frequency_hz,
            order: filter.slope_db_per_octave / 6,
            kind: match filter.family {
                CrossoverFamily::Butterworth => CrossoverKind::Butterworth,
                CrossoverFamily::LinkwitzRiley => CrossoverKind::LinkwitzRiley,
                CrossoverFamily::Bessel => CrossoverKind::Bessel,
            },
        })
    };
    Channel {
        bands: channel.bands.iter().map(|fitted| fitted.band).collect(),
        high_pass: edge(channel.high_pass),
        low_pass: edge(channel.low_pass),
        delay_s: channel.delay_s,
        gain_db: channel.gain_db,
        invert: channel.inverted,
        amplifier_gain_db: None,
    }
}

/// The equalizers of a tune's inputs as they are typed in: at every output of the radio that carries the side.
fn entered_at_inputs(car: &Car, tune: &CarTune) -> BTreeMap<String, Vec<OwnBand>> {
    let bands = |output: &cabin::Output| -> Vec<OwnBand> {
        let is_its = |input: &&TunedInput| match input.input {
            Feed::Left => output.side == cabin::Side::Left,
            Feed::Right => output.side == cabin::Side::Right,
            Feed::Both => true,
        };
        let own = tune.inputs.iter().filter(is_its);
        own.flat_map(|input| input.bands.iter().map(|fitted| fitted.band)).collect()
    };
    car.radio.outputs.iter().map(|output| (output.name.clone(), bands(output))).collect()
}

/// What alignment and one common fit of both inputs together would give: the settings, and how hard each
/// channel is driven with them for the level at the listener.
pub(super) fn stepwise(input: &TuneInput<'_>) -> Vec<ChannelValues> {
    let drivers = bare::bare(input);
    let weigh = problem::place_weights(input);
    let problem = problem::Problem::new(input, &drivers, &weigh);
    let start = start::Start::new(input, &drivers, &problem, 0).unwrap();
    let (mut values, _) = on_grid::Typed::nearest(input, &start, &start.state).values(input, &start);
    let both: Vec<Response> = (0..input.places.len())
        .map(|place| {
            let hz = log_axis::grid(32.0, 17_500.0, 96.0);
            let axis = transfer::Axis::new(hz.clone(), RATE);
            let mut sum = vec![Complex64::ZERO; hz.len()];
            for (driver, values) in drivers.iter().zip(&values) {
                // `sampled` gives half of what both inputs feed, so that one of them is half of each side.
                let share = if driver.feed == Feed::Both { 2.0 } else { 1.0 };
                let channel = judge::channel_response(&axis, values);
                let responses = problem::sampled(driver, &[place], &hz);
                for ((sum, response), channel) in sum.iter_mut().zip(responses).zip(channel) {
                    *sum += share * response * channel;
                }
            }
            Response::new(hz, sum.iter().map(|sum| 20.0 * (sum.norm() + 1e-9).log10()).collect()).unwrap()
        })
        .collect();
    let options = FitOptions { from_hz: 40.0, to_hz: 16_000.0, ..FitOptions::default() };
    let fitted =
        fit(&FitInput { responses: &both, target: input.target, profile: input.profile, options: &options })
            .unwrap();
    for channel in &mut values {
        channel.bands = fitted.bands.iter().map(|band| band.band).collect();
    }
    values
}

/// Seconds of computing of this thread.
fn computing_s() -> f64 {
    let text = std::fs::read_to_string("/proc/thread-self/schedstat").unwrap_or_default();
    text.split_whitespace().next().and_then(|ns| ns.parse::<f64>().ok()).unwrap_or(0.0) / 1e9
}

/// One line of the table.
struct Line {
    name: String,
    stepwise: Judgement,
    tuned: Judgement,
    tune: CarTune,
    measured: MeasuredBack,
    /// How far the level of left against right may be off elsewhere, as the places say.
    balance_db: f64,
    free_cost: f64,
    cost: f64,
    seconds: f64,
}

impl Line {
    fn side(judged: &Judgement) -> f64 {
        0.5 * (judged.left.average_rms_db + judged.right.average_rms_db)
    }

    fn each(judged: &Judgement) -> f64 {
        0.5 * (judged.left.each_rms_db + judged.right.each_rms_db)
    }

    fn new(seed: u64) -> Self {
        let car = drawn(seed);
        let profile = Profile::preset("parametric-gridded").unwrap();
        let target = Target::preset("car-medium").unwrap();
        let options = TuneOptions { keep_out: false, ..TuneOptions::default() };
        let input = car.input(&profile, &target, &options);
        let unseen = TuneInput { drivers: &car.unseen, places: &car.unseen_places, ..input };
        let began = computing_s();
        let bare = bare::bare(&input);
        let weigh = problem::place_weights(&input);
        let found = search::search(&input, &bare, &weigh, options.effort, &mut |_| ControlFlow::Continue(()))
            .unwrap();
        let seconds = computing_s() - began;
        let (free_cost, cost) = (found.free_cost, found.cost);
        let tune = search::assembled(&input, &bare, found, None);
        let values: Vec<ChannelValues> = tune.channels.iter().map(TunedChannel::values).collect();
        let tuned = judge_car(&unseen, &values, [&[], &[]]).unwrap().judgement;
        let stepwise = judge_car(&unseen, &stepwise(&input), [&[], &[]]).unwrap().judgement;
        let measured = MeasuredBack::new(&car, &tune, &target, &mut Random::new(9_000 + seed));
        let counted = judge::counted(&input);
        let heard = judge::Heard::new(&input, &bare, &values, [&[], &[]], &counted);
        let balance_db = findings::balance_uncertain_db(&heard.left_right_levels_db());
        Self { name: car.name, stepwise, tuned, tune, measured, balance_db, free_cost, cost, seconds }
    }

    fn print(&self) {
        let (before, after) = (&self.stepwise, &self.tuned);
        let drive = self.tune.drive_db.values().copied().fold(f64::NEG_INFINITY, f64::max);
        println!(
            "{:20} side {:.2} {:.2} ({:.2}) each {:.2} {:.2} | left-right {:.2} {:.2} level {:+.2} {:+.2} (±{:.2}) | both {:.2} {:.2} each {:.2} {:.2} | \
             back {:.2} level {:+.2} | drive {:+.1} separation {:?} | cost {:.3} grid {:.3} bands {} evaluations {} {:.2} s",
            self.name,
            Self::side(before),
            Self::side(after),
            Self::side(after) / Self::side(before),
            Self::each(before),
            Self::each(after),
            before.left_right.rms_db,
            after.left_right.rms_db,
            before.left_right.level_db,
            after.left_right.level_db,
            self.balance_db,
            before.both.average_rms_db,
            after.both.average_rms_db,
            before.both.each_rms_db,
            after.both.each_rms_db,
            self.measured.side_rms_db,
            self.measured.left_right_db,
            drive,
            self.tune.separation_db.map(|db| (10.0 * db).round() / 10.0),
            self.free_cost,
            self.cost,
            self.tune.channels.iter().map(|channel| channel.bands.len()).sum::<usize>(),
            self.tune.evaluations,
            self.seconds,
        );
    }
}

/// Equalizers of the sides, and one for all, are at the processor's inputs: a subwoofer gets them with each side's signal.
/// Source: the simulated cabin, which knows nothing of the tune; the limits are those of the test of all channels. What the
/// radio sums by itself is of no side (`sides-at-inputs`), so the cars with sides are those whose subwoofer both inputs feed.
#[test]
fn a_tune_at_the_inputs_is_what_the_simulated_processor_gives() {
    let (profile, target) =
        (Profile::preset("parametric-gridded").unwrap(), Target::preset("car-medium").unwrap());
    for (equalizer, seeds) in [(Equalizer::Sides, [0, 1, 2]), (Equalizer::One, [0, 4, 8])] {
        for seed in seeds {
            let car = drawn(seed);
            let options = TuneOptions { equalizer, keep_out: false, ..TuneOptions::default() };
            let input = car.input(&profile, &target, &options);
            let tune = tune_car(&input, &mut |_| ControlFlow::Continue(())).unwrap();
            let values: Vec<ChannelValues> = tune.channels.iter().map(TunedChannel::values).collect();
            let of = |feed: Feed| -> Vec<Band> {
                let its = |input: &&TunedInput| input.input == feed || input.input == Feed::Both;
                let its = tune.inputs.iter().filter(its);
                its.flat_map(|input| input.bands.iter().map(|fitted| fitted.band)).collect()
            };
            let (left, right) = (of(Feed::Left), of(Feed::Right));
            assert!(!left.is_empty() && !right.is_empty());
            assert_eq!(left == right, equalizer == Equalizer::One);
            let unseen = TuneInput { drivers: &car.unseen, places: &car.unseen_places, ..input };
            let promised = judge_car(&unseen, &values, [&left, &right]).unwrap().judgement;
            let measured = MeasuredBack::new(&car, &tune, &target, &mut Random::new(9_000 + seed));
            let what = |what: &str| format!("{} {equalizer}: {what}", car.name);
            near(&what("a side's average"), measured.side_rms_db, Line::side(&promised), BACK_DB);
            near(&what("left louder"), measured.left_right_db, promised.left_right.level_db, LEVEL_BACK_DB);
            let said = tune.findings.iter().any(|finding| finding.code == "sides-at-inputs");
            assert_eq!(said, equalizer == Equalizer::Sides);
        }
    }
}

fn sorted(values: impl Iterator<Item = f64>) -> Vec<f64> {
    let mut values: Vec<f64> = values.collect();
    values.sort_by(f64::total_cmp);
    values
}

/// Source: the simulated cabin, which knows nothing of the tune; the bars are the design's.
#[test]
fn random_cars_are_better_where_nobody_measured() {
    let all = std::env::var("HEADREST_CARS").ok().and_then(|cars| cars.parse::<u64>().ok());
    // One of each kind: without anything beside, with a centre, with a driver wired backwards.
    let seeds = all.map_or_else(|| vec![0, 4, 8], |cars| (0..cars).collect());
    let lines: Vec<Line> = seeds
        .into_iter()
        .map(|seed| {
            let line = Line::new(seed);
            line.print();
            line
        })
        .collect();
    let middle = |values: &[f64]| values[values.len() / 2];
    let ninth = |values: &[f64]| values[(values.len() * 9 / 10).min(values.len() - 1)];
    let report = |name: &str, values: &[f64]| {
        println!(
            "{name}: median {:.3}, nine of ten {:.3}, most {:.3}",
            middle(values),
            ninth(values),
            values[values.len() - 1]
        );
    };
    let side = sorted(lines.iter().map(|line| Line::side(&line.tuned) / Line::side(&line.stepwise)));
    let absolute = sorted(lines.iter().map(|line| Line::side(&line.tuned)));
    let each = sorted(lines.iter().map(|line| Line::each(&line.tuned) / Line::each(&line.stepwise)));
    let apart = sorted(lines.iter().map(|line| line.tuned.left_right.rms_db));
    let level = sorted(lines.iter().map(|line| line.tuned.left_right.level_db.abs()));
    let both =
        sorted(lines.iter().map(|line| line.tuned.both.average_rms_db - line.stepwise.both.average_rms_db));
    let drive = sorted(
        lines.iter().map(|line| line.tune.drive_db.values().copied().fold(f64::NEG_INFINITY, f64::max)),
    );
    let grid = sorted(lines.iter().map(|line| line.cost / line.free_cost));
    let seconds = sorted(lines.iter().map(|line| line.seconds));
    report("side average, ratio", &side);
    report("side average, dB", &absolute);
    report("each place, ratio", &each);
    report("left-right, dB", &apart);
    report("left-right level, dB", &level);
    report("both, more by dB", &both);
    report("drive, dB", &drive);
    report("on the grid, ratio", &grid);
    report("seconds", &seconds);
    let back = sorted(lines.iter().map(|line| line.measured.side_rms_db - Line::side(&line.tuned)));
    let back_ratio = sorted(lines.iter().map(|line| line.measured.side_rms_db / Line::side(&line.stepwise)));
    let back_level =
        sorted(lines.iter().map(|line| (line.measured.left_right_db - line.tuned.left_right.level_db).abs()));
    report("measured back, more by dB", &back);
    report("measured back, ratio", &back_ratio);
    report("measured back, level of left against right, off by dB", &back_level);
    // Medians say something of many cars only.
    if lines.len() >= 30 {
        at_most("side average, median ratio", middle(&side), 0.6);
        at_most("each place, median ratio", middle(&each), 0.75);
        at_most("left-right, median", middle(&apart), 1.8);
    }
    // What is entered is what was promised: the simulated processor and the microphone a centimetre
    // elsewhere know nothing of the prediction.
    at_most("measured back, more by", back[back.len() - 1], BACK_DB);
    at_most("measured back, less by", -back[0], BACK_DB);
    at_most("measured back, level off by", back_level[back_level.len() - 1], LEVEL_BACK_DB);
    at_most("measured back, nine of ten", ninth(&back_ratio), 0.75);
    at_most("side average, nine of ten", ninth(&side), 0.75);
    at_most("side average, worst ratio", side[side.len() - 1], 1.05);
    at_most("level of left against right, nine of ten", ninth(&level), 0.5);
    // Where it is farther off at places that nobody fitted, the places that were given say so.
    for line in lines.iter().filter(|line| line.tuned.left_right.level_db.abs() > 0.5) {
        let said = line.tune.findings.iter().any(|finding| finding.code == "balance-uncertain");
        assert!(said, "{}: left against right {:+.2} dB", line.name, line.tuned.left_right.level_db);
    }
    at_most("both together, more by", both[both.len() - 1], 0.7);
    at_most("drive, most", drive[drive.len() - 1], 2.0);
    at_most("on the grid, worst ratio", grid[grid.len() - 1], 1.05);
    for line in &lines {
        assert!(line.tune.separation_db.is_none_or(|db| db >= 8.0), "{}: separation", line.name);
    }
}
