//! The chart under the pointer: drag, wheel, double click, handles, cross-hair.

use iced::{Event, Point, Rectangle, mouse};
use iced_test::selector::id;
use view::{Command, HandleId, Stage};
use window::Theme;

use crate::bench::Bench;
use crate::driving::Driver;
use crate::prepared;

fn press() -> Event {
    Event::Mouse(mouse::Event::ButtonPressed(mouse::Button::Left))
}

fn release() -> Event {
    Event::Mouse(mouse::Event::ButtonReleased(mouse::Button::Left))
}

fn wheel(lines: f32) -> Event {
    Event::Mouse(mouse::Event::WheelScrolled { delta: mouse::ScrollDelta::Lines { x: 0.0, y: lines } })
}

fn chart(bench: &mut Bench) -> Rectangle {
    bench.place(id("chart")).expect("the chart is there")
}

/// The pixels of the chart, to tell whether it looks different.
fn look(bench: &mut Bench) -> Vec<u8> {
    let place = chart(bench);
    let (width, _, pixels) = bench.picture(1.0);
    let (x, y) = (place.x as usize, place.y as usize);
    let rows = y..y + place.height as usize;
    rows.flat_map(|row| {
        let start = (row * width as usize + x) * 4;
        pixels[start..start + place.width as usize * 4].to_vec()
    })
    .collect()
}

#[test]
fn wheel_drag_and_double_click_change_the_view_and_bring_it_back() {
    let mut bench = prepared::at(Stage::Tune);
    let place = chart(&mut bench);
    let outside = Point::new(10.0, 10.0);
    bench.move_to(outside);
    let whole = look(&mut bench);
    let at = Point::new(place.center_x() + 60.0, place.y + place.height * 0.85);
    bench.move_to(at);
    bench.events(&[wheel(3.0)]);
    bench.move_to(outside);
    let zoomed = look(&mut bench);
    assert_ne!(zoomed, whole, "the wheel zooms");
    bench.move_to(at);
    bench.events(&[press()]);
    bench.move_to(Point::new(at.x - 80.0, at.y));
    bench.events(&[release()]);
    bench.move_to(outside);
    let panned = look(&mut bench);
    assert_ne!(panned, zoomed, "dragging pans");
    bench.move_to(at);
    bench.events(&[press(), release(), press(), release()]);
    bench.move_to(outside);
    assert!(look(&mut bench) == whole, "a double click shows the whole chart");
    assert_eq!(bench.asked(), [], "none of this is the app's business");
}

#[test]
fn f_fits_the_chart() {
    let mut bench = prepared::at(Stage::Tune);
    let place = chart(&mut bench);
    let outside = Point::new(10.0, 10.0);
    bench.move_to(outside);
    let whole = look(&mut bench);
    bench.move_to(Point::new(place.center_x(), place.y + place.height * 0.85));
    bench.events(&[wheel(2.0)]);
    bench.letters("f");
    bench.move_to(outside);
    assert!(look(&mut bench) == whole);
}

/// The middle of the leftmost disc of this colour in the chart; a line of the same colour is thinner than a disc.
fn first_handle(bench: &mut Bench, color: impl Fn(&window::Curves) -> iced::Color) -> Point {
    let place = chart(bench);
    let (width, _, pixels) = bench.picture(1.0);
    let wanted = color(&bench.app.theme().colors().curves).into_rgba8();
    let is_wanted = |x: usize, y: usize| {
        let at = (y * width as usize + x) * 4;
        pixels[at..at + 3] == wanted[..3]
    };
    let rows = place.y as usize + 3..(place.y + place.height) as usize - 3;
    let columns = place.x as usize..(place.x + place.width) as usize;
    let is_of_a_disc = |x: usize, y: usize| is_wanted(x, y - 3) && is_wanted(x, y) && is_wanted(x, y + 3);
    let leftmost = columns.clone().find_map(|x| rows.clone().find(|&y| is_of_a_disc(x, y)).map(|y| (x, y)));
    let (left, row) = leftmost.expect("a handle is drawn");
    // What else belongs to it: a disc is some twenty pixels wide.
    let of_it = rows.filter(|y| y.abs_diff(row) < 12).flat_map(|y| (left..left + 24).map(move |x| (x, y)));
    let found: Vec<(usize, usize)> = of_it.filter(|&(x, y)| is_of_a_disc(x, y)).collect();
    assert!(found.len() > 100, "a disc has more pixels than {}", found.len());
    let count = found.len() as f32;
    let sum = found.iter().fold((0.0, 0.0), |sum, &(x, y)| (sum.0 + x as f32, sum.1 + y as f32));
    Point::new(sum.0 / count, sum.1 / count)
}

/// The band that lies lowest, with its frequency and gain.
fn lowest_band(bench: &Driver) -> (HandleId, f64, f64) {
    let handles = bench.snapshot().chart.handles.iter();
    let lowest = handles.min_by(|a, b| a.at.x.total_cmp(&b.at.x)).expect("a band");
    (lowest.id, lowest.at.x, lowest.at.y)
}

#[test]
fn a_handle_is_dragged_and_ends_as_one_edit() {
    let mut bench = prepared::at(Stage::Tune);
    bench.move_to(Point::new(10.0, 10.0));
    let (band, from_hz, from_db) = lowest_band(&bench);
    let at = first_handle(&mut bench, |curves| curves.bands);
    bench.move_to(at);
    bench.events(&[press()]);
    assert_eq!(bench.asked(), [Command::SelectHandle(Some(band))]);
    std::thread::sleep(std::time::Duration::from_millis(40));
    bench.move_to(Point::new(at.x + 30.0, at.y - 10.0));
    bench.move_to(Point::new(at.x + 60.0, at.y - 20.0));
    bench.events(&[release()]);
    let asked = bench.asked();
    let done = |command: &Command| matches!(command, Command::DragHandle { handle, done: true, .. } if *handle == band);
    assert_eq!(asked.iter().filter(|command| done(command)).count(), 1, "{asked:?}");
    let Some(Command::DragHandle { frequency_hz, db, done: true, .. }) = asked.last() else {
        panic!("{asked:?}")
    };
    // To the right and up.
    assert!(*frequency_hz > 1.2 * from_hz && *frequency_hz < 5.0 * from_hz, "{from_hz} to {frequency_hz}");
    assert!(*db > from_db && *db < from_db + 10.0, "{from_db} to {db}");
    // It lands on the processor's grid, is one edit, and is taken back as one.
    let hz = |driver: &Driver| {
        driver.snapshot().chart.handles.iter().find(|one| one.id == band).expect("the band").at.x
    };
    bench.wait("the band elsewhere", |driver| hz(driver) > from_hz);
    bench.letters("z");
    bench.wait("the band where it was", |driver| (hz(driver) - from_hz).abs() < 1e-9);
}

/// The app hears of a drag while it goes on, and of the place where the hand rests.
#[test]
fn the_app_hears_of_a_drag_before_it_ends() {
    let mut bench = prepared::at(Stage::Tune);
    bench.move_to(Point::new(10.0, 10.0));
    let at = first_handle(&mut bench, |curves| curves.bands);
    bench.move_to(at);
    bench.events(&[press()]);
    bench.asked();
    bench.move_to(Point::new(at.x + 30.0, at.y - 20.0));
    std::thread::sleep(std::time::Duration::from_millis(40));
    bench.picture(1.0);
    let heard = bench.asked();
    let [Command::DragHandle { done: false, frequency_hz, .. }] = &heard[..] else { panic!("{heard:?}") };
    assert!(*frequency_hz > 1.1 * lowest_band(&bench).1, "{frequency_hz}");
    std::thread::sleep(std::time::Duration::from_millis(40));
    bench.picture(1.0);
    assert_eq!(bench.asked(), [], "the same place is told once");
}

/// The low shelf lies furthest left; it goes no further than its limits.
#[test]
fn a_handle_of_the_target_stops_at_its_limits() {
    for far in [2_000.0, -2_000.0] {
        let mut bench = prepared::shaping(Theme::Garage, prepared::DESIGN);
        let shelf = HandleId::Shelf(0);
        let handles = &bench.snapshot().chart.handles;
        let limits = handles.iter().find(|handle| handle.id == shelf).expect("a low shelf").clone();
        let limit_hz = if far > 0.0 { limits.greatest.x } else { limits.least.x };
        bench.move_to(Point::new(10.0, 10.0));
        let at = first_handle(&mut bench, |curves| curves.target);
        bench.move_to(at);
        bench.events(&[press()]);
        assert_eq!(bench.asked(), [Command::SelectHandle(Some(shelf))]);
        bench.move_to(Point::new(at.x + far, at.y - 2_000.0));
        bench.events(&[release()]);
        let asked = bench.asked();
        let Some(Command::DragHandle { handle: HandleId::Shelf(0), frequency_hz, db, done: true }) =
            asked.last()
        else {
            panic!("{asked:?}")
        };
        // A pixel is `f32`, a 200th of an octave wide.
        assert!((frequency_hz / limit_hz).ln().abs() < 1e-3, "{frequency_hz} against {limit_hz}");
        assert!((db - limits.greatest.y).abs() < 1e-3, "{db} against {}", limits.greatest.y);
    }
}

#[test]
fn the_cross_hair_follows_the_pointer_and_leaves_with_it() {
    let mut bench = prepared::at(Stage::Tune);
    let place = chart(&mut bench);
    bench.move_to(Point::new(10.0, 10.0));
    let without = look(&mut bench);
    bench.move_to(place.center());
    let with = look(&mut bench);
    bench.move_to(Point::new(10.0, 10.0));
    assert!(with != without && look(&mut bench) == without);
}

#[test]
fn live_curves_are_drawn_and_the_newest_replaces_the_last() {
    let mut running = prepared::running();
    let mut told = vec![running.live.clone()];
    while told.len() < 3 {
        running.wait("more of it", |driver| driver.live.lines != told[told.len() - 1].lines);
        told.push(running.live.clone());
    }
    let mut bench = Bench::showing(running.snapshot().clone());
    let still = look(&mut bench);
    let mut last = still.clone();
    for (number, live) in told.iter().enumerate() {
        let lines = live.lines.clone();
        bench.tell(view::Update::Live(view::Live { lines, ..view::Live::default() }));
        let now = look(&mut bench);
        assert_ne!(now, last, "update {number}");
        last = now;
    }
    bench.tell(view::Update::Live(view::Live::default()));
    assert!(look(&mut bench) == still, "nothing is left behind");
}
