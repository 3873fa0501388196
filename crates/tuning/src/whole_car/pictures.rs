//! The pictures of `docs/tuning.md`: one random car at places that nobody fitted, as far as a tune helps and where it does
//! not. What the page says of them is asserted; `cargo xtask pictures` has them written (`HEADREST_PICTURES=FOLDER`).

use std::fmt::Write as _;
use std::ops::ControlFlow;
use std::path::PathBuf;

use cabin::Position;
use chart::{Area, Axis, Chart, Dash, Drawing, Line, Mark, Point, Role as Curve, Scale, Size, svg};
use testkit::at_most;

use super::cars::{Drawn, drawn, heard, stepwise};
use super::*;
use crate::random_cases::Random;
use crate::{Profile, Response, Target};

/// The car of the pictures: the first of those in the page's table, with nothing beside the chain of its sides.
const CAR: u64 = 0;
/// So many places about the head at the other seat.
const OTHER_PLACES: usize = 6;
/// One chart of a picture.
const SIZE: Size = Size { width: 820.0, height: 280.0 };

/// What plays.
#[derive(PartialEq)]
enum Signal {
    AtOneInput,
    AtBothInputs,
}

/// The car as it is set in each of three ways.
struct Tuned {
    target: Target,
    profile: Profile,
    options: TuneOptions,
    /// Levels, delays, polarity and crossovers alone; with one common fit of both sides; all of it at once.
    ways: [Vec<ChannelValues>; 3],
}

impl Tuned {
    fn new(car: &Drawn) -> Self {
        let target = Target::preset("car-medium").unwrap();
        let profile = Profile::preset("parametric-gridded").unwrap();
        let options = TuneOptions { keep_out: false, ..TuneOptions::default() };
        let input = car.input(&profile, &target, &options);
        let step = stepwise(&input);
        let bare = |values: &ChannelValues| ChannelValues { bands: Vec::new(), ..values.clone() };
        let aligned = step.iter().map(bare).collect();
        let tune = tune_car(&input, &mut |_| ControlFlow::Continue(())).unwrap();
        let joint = tune.channels.iter().map(TunedChannel::values).collect();
        Self { ways: [aligned, step, joint], target, profile, options }
    }

    /// What is heard at some places, each way.
    fn judged(&self, drivers: &[TuneDriver], places: &[TunePlace]) -> [JudgedCar; 3] {
        let Self { target, profile, options, .. } = self;
        let input = TuneInput { drivers, places, profile, target, options };
        self.ways.each_ref().map(|values| judge_car(&input, values, [&[], &[]]).unwrap())
    }

    /// A chart of lines beside the target, which is lower where one signal is at both inputs.
    fn chart(&self, title: String, lines: Vec<Line>, signal: Signal) -> Chart {
        let mut target = self.target.response(40.0, 16_000.0, 12.0);
        if signal == Signal::AtBothInputs {
            let points = target.magnitude_db.iter_mut().zip(&target.frequency_hz);
            points.for_each(|(db, hz)| *db += problem::both_db(*hz));
        }
        let edge = |aside: f64| points(&target.raised(aside));
        let area = |tolerance_db: f64| Area {
            label: "Target".to_owned(),
            role: Curve::Target,
            lower: edge(-tolerance_db),
            upper: edge(tolerance_db),
        };
        Chart {
            title,
            x: Axis { from: 40.0, to: 16_000.0, ..Axis::audio_frequency() },
            y: Axis {
                label: "Level".to_owned(),
                unit: "dB".to_owned(),
                scale: Scale::Linear,
                from: -15.0,
                to: 10.0,
            },
            areas: vec![area(self.target.tolerance_db)],
            lines,
            handles: Vec::new(),
            marks: vec![Mark { x: 2_000.0, label: "without a head: too good beyond".to_owned() }],
        }
    }
}

fn points(response: &Response) -> std::sync::Arc<[Point]> {
    response.frequency_hz.iter().zip(&response.magnitude_db).map(|(&x, &y)| Point { x, y }).collect()
}

fn line(label: &str, role: Curve, dash: Dash, response: &Response) -> Line {
    Line { label: label.to_owned(), role, dash, points: points(response), certainty: [].into() }
}

/// The same, drawn faintly and without a name, as one of many.
fn one_of_many(response: &Response) -> Line {
    let certainty = vec![0.0; response.frequency_hz.len()];
    Line { certainty: certainty.into(), ..line("", Curve::After, Dash::Solid, response) }
}

/// Left and right of a car.
fn sides(judged: &JudgedCar) -> Vec<Line> {
    vec![
        line("left", Curve::Series(0), Dash::Solid, &judged.left),
        line("right", Curve::Series(1), Dash::Dashed, &judged.right),
    ]
}

fn side_db(judged: &JudgedCar) -> f64 {
    0.5 * (judged.judgement.left.average_rms_db + judged.judgement.right.average_rms_db)
}

fn each_db(judged: &JudgedCar) -> f64 {
    0.5 * (judged.judgement.left.each_rms_db + judged.judgement.right.each_rms_db)
}

/// Charts one below the other as one picture, kept where pictures are wanted.
fn keep(name: &str, charts: &[Chart]) {
    let mut inside = String::new();
    let mut size = Size { width: 0.0, height: 0.0 };
    for chart in charts {
        let drawing = Drawing::of(chart, SIZE);
        let placed = format!("<svg y=\"{}\" xmlns", size.height);
        inside.push_str(&svg::write(&drawing).replacen("<svg xmlns", &placed, 1));
        size.width = size.width.max(drawing.size.width);
        size.height += drawing.size.height;
    }
    let mut text = String::new();
    let Size { width, height } = size;
    writeln!(text, "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {width} {height}\" width=\"{width}\" height=\"{height}\">")
        .unwrap();
    text.push_str(&inside);
    text.push_str("</svg>\n");
    at_most(&format!("{name}: bytes"), text.len() as f64, 150e3);
    if let Some(folder) = std::env::var_os("HEADREST_PICTURES").map(PathBuf::from) {
        std::fs::create_dir_all(&folder).unwrap();
        std::fs::write(folder.join(format!("{name}.svg")), text).unwrap();
    }
}

/// The same drivers at places about the head at the other seat.
fn other_seat(car: &Drawn) -> (Vec<TuneDriver>, Vec<TunePlace>) {
    let mut all = car.car.clone();
    let space = all.cabin.as_mut().unwrap();
    let seat = space.positions.iter().find(|position| position.name == "passenger").unwrap().at_m;
    let mut random = Random::new(7_500);
    let names: Vec<String> = (0..OTHER_PLACES).map(|number| format!("other-{number}")).collect();
    for name in &names {
        let at_m = [0, 1, 2].map(|axis| seat[axis] + random.between(-0.1, 0.1));
        space.positions.push(Position { name: name.clone(), at_m });
    }
    let drivers = all.drivers.iter().map(|driver| heard(&all, driver, &names)).collect();
    // Judged as the seat that is tuned for: nothing is tuned here.
    let place = |name: &String| TunePlace { name: name.clone(), seat: PlaceSeat::Driver };
    (drivers, names.iter().map(place).collect())
}

/// Source: the simulated cabin. The limits are far from what is found, and hold what the page says.
#[test]
fn the_pictures_of_the_page_show_what_it_says() {
    let car = drawn(CAR);
    let tuned = Tuned::new(&car);
    let seat = tuned.judged(&car.unseen, &car.unseen_places);
    let [aligned, step, joint] = &seat;

    // Each side at places that nobody fitted.
    at_most("a side tuned jointly, against stepwise", side_db(joint) / side_db(step), 0.75);
    at_most("stepwise, against no bands", side_db(step) / side_db(aligned), 1.0);
    let names = ["Aligned, no bands", "Aligned, then one equalizer for both sides", "Tuned jointly"];
    let charts: Vec<Chart> = names
        .iter()
        .zip(&seat)
        .map(|(name, judged)| {
            let (sides, apart) = (&judged.judgement, judged.judgement.left_right.rms_db);
            let title = format!(
                "{name}: left {:.1}, right {:.1} dB from the target, {apart:.1} dB from each other",
                sides.left.average_rms_db, sides.right.average_rms_db
            );
            tuned.chart(title, self::sides(judged), Signal::AtOneInput)
        })
        .collect();
    keep("tune-sides", &charts);

    // Each place by itself gains less than the average of all.
    let gained = |of: fn(&JudgedCar) -> f64| of(joint) / of(step);
    assert!(gained(each_db) > gained(side_db), "{} and {}", gained(each_db), gained(side_db));
    let places: Vec<[JudgedCar; 3]> = (0..car.unseen_places.len())
        .map(|place| {
            let only = |driver: &TuneDriver| TuneDriver {
                responses: vec![driver.responses[place].clone()],
                ..driver.clone()
            };
            let drivers: Vec<TuneDriver> = car.unseen.iter().map(only).collect();
            tuned.judged(&drivers, &car.unseen_places[place..=place])
        })
        .collect();
    let charts: Vec<Chart> = [1, 2]
        .into_iter()
        .map(|way| {
            let mut lines: Vec<Line> = places.iter().map(|judged| one_of_many(&judged[way].left)).collect();
            lines.push(line("average", Curve::Average, Dash::Solid, &seat[way].left));
            let left = &seat[way].judgement.left;
            let title = format!(
                "{}, left: each place {:.1} dB from the target, their average {:.1}",
                names[way], left.each_rms_db, left.average_rms_db
            );
            tuned.chart(title, lines, Signal::AtOneInput)
        })
        .collect();
    keep("tune-places", &charts);

    // The other seat, and one signal at both inputs.
    let (drivers, other_places) = other_seat(&car);
    let other = tuned.judged(&drivers, &other_places);
    let two = |which: fn(&JudgedCar) -> &Response, all: &[JudgedCar; 3]| {
        vec![
            line("one equalizer", Curve::Before, Dash::Dashed, which(&all[1])),
            line("tuned jointly", Curve::After, Dash::Solid, which(&all[2])),
        ]
    };
    let other_db = other.each_ref().map(side_db);
    assert!(other_db[2] > 1.5 * side_db(joint), "the other seat is not tuned for: {other_db:?}");
    assert!(other_db[2] > 0.9 * other_db[1], "the other seat gains nothing to speak of: {other_db:?}");
    let left = |way: usize| other[way].judgement.left.average_rms_db;
    let beside = format!(
        "The other seat, left: one equalizer {:.1} dB from the target, tuned jointly {:.1}",
        left(1),
        left(2)
    );
    let both = |way: usize| &seat[way].judgement.both;
    assert!(both(2).each_rms_db > 1.3 * both(2).average_rms_db, "{:?}", both(2));
    let as_one = format!(
        "One signal at both inputs: {:.1} and {:.1} dB from the target, each place by itself {:.1} and {:.1}",
        both(1).average_rms_db,
        both(2).average_rms_db,
        both(1).each_rms_db,
        both(2).each_rms_db
    );
    let mut lines: Vec<Line> = places.iter().map(|judged| one_of_many(&judged[2].both)).collect();
    lines.extend(two(|judged| &judged.both, &seat));
    let charts = [
        tuned.chart(beside, two(|judged| &judged.left, &other), Signal::AtOneInput),
        tuned.chart(as_one, lines, Signal::AtBothInputs),
    ];
    keep("tune-other", &charts);
}
