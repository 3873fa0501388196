//! Every pixel that changed is drawn again: what a display shows is compared with the same drawn
//! whole, after each of many random actions.

use std::sync::Arc;

use iced::Point;
use iced::keyboard::key::Named;
use rand::seq::IndexedRandom;
use rand::{RngExt, SeedableRng};
use rand_pcg::Pcg64Mcg;
use view::{Activity, Cue, Snapshot, Stage, Update};
use window::Theme;

use crate::bench::Bench;
use crate::prepared::{self, Scene};

/// Does something that a person or the app might do; says what.
fn act(
    bench: &mut Bench,
    random: &mut Pcg64Mcg,
    size: (f32, f32),
    revision: &mut u64,
    (scenes, tune): (&[Scene], &Snapshot),
) -> String {
    let point = Point::new(random.random_range(0.0..size.0), random.random_range(0.0..size.1));
    match random.random_range(0..14) {
        0..=2 => {
            let times = random.random_range(1..8);
            (0..times).for_each(|_| bench.tap(Named::Tab));
            format!("Tab {times} times")
        }
        3 | 4 => {
            bench.move_to(point);
            format!("pointer to {point:?}")
        }
        5 => {
            bench.move_to(point);
            let lines = random.random_range(-3.0..3.0);
            bench.scroll(lines);
            format!("wheel {lines} at {point:?}")
        }
        6 => {
            let key = *["t", "j", "?", "z", "2"].choose(random).expect("a key");
            bench.letters(key);
            format!("key {key}")
        }
        7 => {
            bench.tap(Named::Escape);
            "Escape".to_owned()
        }
        8 => {
            bench.press_at(point);
            format!("click at {point:?}")
        }
        9 => {
            let text = ["Wrote sheet and report.", "The interface was unplugged. What was recorded is kept."];
            bench.tell(Update::Notice {
                text: (*text.choose(random).expect("a text")).into(),
                good: random.random(),
                path: random.random::<bool>().then(|| "/jobs/x/exports".to_owned()),
            });
            "a notice".to_owned()
        }
        10 => {
            bench.tell(Update::Cue(Cue { text: "Position 4 of 6 done".into(), good: random.random() }));
            "a cue".to_owned()
        }
        11 => {
            let live =
                scenes.choose(random).expect("a scene").updates.iter().find_map(|update| match update {
                    Update::Live(live) => Some(live.clone()),
                    _ => None,
                });
            let mut live = live.unwrap_or_default();
            if let Some(meter) = &mut live.meter {
                meter.text = format!("{:.1}", random.random_range(-60.0..0.0));
            }
            bench.tell(Update::Live(live));
            "live".to_owned()
        }
        12 => {
            // The same state with other words in it, as a job goes on.
            let mut snapshot = tune.clone();
            *revision += 1;
            snapshot.revision = *revision;
            for line in &mut snapshot.shared.stages {
                let results = [
                    "",
                    "written",
                    "sheet and report written",
                    "2.8 dB RMS from the target",
                    "clean to step 34 · 4.1 V",
                    "8 measured; reversed: right-mid",
                ];
                line.result = (*results.choose(random).expect("a result")).into();
            }
            snapshot.shared.activity = match random.random_range(0..3) {
                0 => Activity::Idle,
                _ => Activity::Countdown {
                    title: "Position 4 of 6".into(),
                    hint: "Hold still.".into(),
                    seconds: random.random_range(1..6),
                },
            };
            bench.tell(Update::Snapshot(Arc::new(snapshot)));
            "other results".to_owned()
        }
        _ => {
            let scene = scenes.choose(random).expect("a scene");
            for update in &scene.updates {
                let mut update = update.clone();
                if let Update::Snapshot(snapshot) = &mut update {
                    *revision += 1;
                    let mut newer = (**snapshot).clone();
                    newer.revision = *revision;
                    *snapshot = Arc::new(newer);
                }
                bench.tell(update);
            }
            format!("scene {}", scene.name)
        }
    }
}

/// Drives a window and looks at the display after each action; says what was stale.
#[track_caller]
fn nothing_stays_behind(theme: Theme, size: (f32, f32), scale: f32, buffers: usize, actions: usize) {
    let mut random = Pcg64Mcg::seed_from_u64(1);
    let (scenes, tune) = (prepared::scenes(), prepared::at(Stage::Tune).snapshot().clone());
    let mut bench = Bench::open(theme, size);
    let mut display = bench.display(scale, buffers);
    let mut revision = 1_000_000;
    let mut stale = Vec::new();
    for number in 0..actions {
        let what = act(&mut bench, &mut random, size, &mut revision, (&scenes, &tune));
        if let Some((pixels, by, place)) = bench.present(&mut display) {
            stale.push(format!("{number}, {what}: {pixels} pixels by {by} in {place:?}"));
            // The next fault is to be its own.
            display = bench.display(scale, buffers);
        }
        bench.asked();
    }
    assert!(stale.is_empty(), "{} times:\n{}", stale.len(), stale.join("\n"));
}

#[test]
fn every_pixel_that_changed_is_drawn_again() {
    nothing_stays_behind(Theme::Garage, (1280.0, 800.0), 1.0, 1, 200);
}

#[test]
fn every_pixel_is_drawn_again_in_daylight_at_a_scale_on_two_buffers() {
    nothing_stays_behind(Theme::Daylight, (1024.0, 700.0), 1.25, 2, 40);
}

/// A comparison that finds nothing where something stays behind would prove nothing.
#[test]
fn what_stays_behind_is_found() {
    let mut bench = Bench::open(Theme::Garage, (1024.0, 700.0));
    let mut display = bench.display(1.0, 1);
    bench.tell(Update::Snapshot(Arc::new(prepared::at(Stage::Tune).snapshot().clone())));
    assert_eq!(bench.present(&mut display), None);
    bench.tell(Update::Cue(Cue { text: "Done".into(), good: true }));
    bench.picture(1.0);
    let stale = bench.stale(&display).expect("the cue was not drawn yet");
    assert!(stale.0 > 1_000, "{stale:?}");
}
