//! The live view: the chart keeps its place, its legend switches curves, and the ribbon follows what is heard.

use iced::keyboard::key::Named;
use iced::{Point, Rectangle};
use iced_test::selector::id;
use view::{Live, Stage, Update};
use window::Theme;

use crate::bench::Bench;
use crate::prepared;

/// The pixels of a place, to tell whether it looks different.
fn look(bench: &mut Bench, place: Rectangle) -> Vec<u8> {
    let (width, _, pixels) = bench.picture(1.0);
    let rows = place.y as usize..(place.y + place.height) as usize;
    rows.flat_map(|row| {
        let start = (row * width as usize + place.x as usize) * 4;
        pixels[start..start + place.width as usize * 4].to_vec()
    })
    .collect()
}

fn chart(bench: &mut Bench) -> Rectangle {
    bench.place(id("chart")).expect("the chart is there")
}

#[test]
fn the_chart_is_as_high_and_stands_where_it_stood_when_something_runs() {
    let rising = prepared::rising();
    for size in [(1280.0, 800.0), (1024.0, 700.0)] {
        let idle = chart(&mut prepared::looking_at(Stage::Source, Theme::Garage, size));
        let mut bench = Bench::open(Theme::Garage, size);
        bench.tell(Update::Snapshot(rising.snapshot().clone().into()));
        bench.tell(Update::Live(rising.live.clone()));
        let running = chart(&mut bench);
        assert!((idle.height - running.height).abs() <= 2.0, "{size:?}: {idle:?}, {running:?}");
        assert!((idle.y - running.y).abs() <= 2.0, "{size:?}: {idle:?}, {running:?}");
        assert!(running.height > 0.3 * size.1, "{size:?}: {running:?}");
        assert_eq!(rising.live.figures.len(), 3);
        for number in &rising.live.figures {
            assert!(bench.reads(&number.value), "{size:?}: {} cannot be read", number.value);
        }
    }
}

#[test]
fn the_legend_switches_a_curve_off_and_on_by_pointer_and_by_key() {
    let mut bench = prepared::at(Stage::Tune);
    bench.move_to(Point::new(10.0, 10.0));
    let place = chart(&mut bench);
    let all = look(&mut bench, place);
    bench.click(id("curve-before"));
    bench.move_to(Point::new(10.0, 10.0));
    let without = look(&mut bench, place);
    assert!(without != all, "the curve is gone");
    assert!(bench.place(id("curve-before")).is_some(), "its switch is still there");
    while !bench.has_keyboard("curve-before") {
        bench.tap(Named::Tab);
    }
    bench.tap(Named::Enter);
    assert!(look(&mut bench, place) == all, "and there again");
    // Another stage begins with all of its curves.
    bench.click(id("curve-before"));
    assert_eq!(bench.asked(), [], "none of this is the app's business");
    bench.open(Stage::Drivers);
    bench.open(Stage::Tune);
    bench.move_to(Point::new(10.0, 10.0));
    assert!(look(&mut bench, place) == all);
}

/// What is read at the pointer stands above the chart, and nothing moves for it.
#[test]
fn the_readings_have_a_place_of_their_own() {
    let mut bench = prepared::at(Stage::Tune);
    bench.move_to(Point::new(10.0, 10.0));
    let place = chart(&mut bench);
    let legend = Rectangle { y: place.y - 40.0, height: 40.0, ..place };
    let without = look(&mut bench, legend);
    bench.move_to(place.center());
    assert_eq!(chart(&mut bench), place, "the chart stays where it is");
    assert!(look(&mut bench, legend) != without, "the readings have come");
    // Under a pointer that rests another place comes with the wheel.
    let read = look(&mut bench, legend);
    bench.scroll(3.0);
    bench.move_to(Point::new(place.center_x(), place.center_y() + 1.0));
    bench.scroll(-3.0);
    bench.picture(1.0);
    assert!(look(&mut bench, legend) == read, "the same place is read as before");
    bench.move_to(Point::new(place.x + 0.3 * place.width, place.center_y()));
    let read = look(&mut bench, legend);
    bench.letters("f");
    bench.move_to(Point::new(place.x + 0.3 * place.width, place.center_y()));
    assert!(look(&mut bench, legend) == read);
    bench.move_to(Point::new(10.0, 10.0));
    assert!(look(&mut bench, legend) == without, "and gone");
}

/// What is read belongs to the place that is under the pointer, also when the chart is panned by a key and the pointer
/// rests.
#[test]
fn the_readings_follow_a_chart_that_moves_under_the_pointer() {
    let mut bench = prepared::at(Stage::Tune);
    let place = chart(&mut bench);
    let legend = Rectangle { y: place.y - 40.0, height: 40.0, ..place };
    bench.move_to(place.center());
    let before = look(&mut bench, legend);
    while !bench.has_keyboard("chart") {
        bench.tap(Named::Tab);
    }
    // The whole chart cannot be moved; a part of it can.
    bench.letters("++");
    for _ in 0..3 {
        bench.tap(Named::ArrowRight);
    }
    bench.picture(1.0);
    assert!(look(&mut bench, legend) != before, "another frequency is read");
}

#[test]
fn the_ribbon_is_of_what_is_heard_and_then_of_what_was_measured() {
    let mut bench = prepared::at(Stage::Tune);
    let measured = bench.snapshot().ribbon.clone().expect("a ribbon");
    let caption = measured.caption.clone();
    assert!(bench.reads(&caption));
    let ribbon =
        view::Ribbon { rms_text: "2.7 dB".to_owned(), caption: "Heard − target".to_owned(), ..measured };
    bench.tell(Update::Live(Live { ribbon: Some(ribbon), ..Live::default() }));
    assert!(bench.reads("2.7 dB") && bench.reads("Heard − target") && !bench.reads(&caption));
    bench.tell(Update::Live(Live::default()));
    assert!(bench.reads(&caption) && !bench.reads("2.7 dB"));
}
