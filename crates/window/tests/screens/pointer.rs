//! The chart under the pointer: drag, wheel, double click, handles, cross-hair.

use iced::{Event, Point, Rectangle, mouse};
use iced_test::selector::id;
use view::{Command, HandleId};

use crate::bench::Bench;
use crate::sample;

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
    let mut bench = Bench::showing(sample::tune());
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
    assert_eq!(bench.asked(), [], "none of this is the session's business");
}

#[test]
fn f_fits_the_chart() {
    let mut bench = Bench::showing(sample::tune());
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

/// The middle of the discs of this colour in the left quarter of the chart; a line of the same
/// colour is thinner than a disc.
fn first_handle(bench: &mut Bench, color: impl Fn(&window::Curves) -> iced::Color) -> Point {
    let place = chart(bench);
    let (width, _, pixels) = bench.picture(1.0);
    let wanted = color(&bench.app.theme().colors().curves).into_rgba8();
    let mut found: Vec<(usize, usize)> = Vec::new();
    for y in place.y as usize..(place.y + place.height) as usize {
        for x in place.x as usize..(place.x + place.width / 4.0) as usize {
            let is_wanted = |y: usize| {
                let at = (y * width as usize + x) * 4;
                pixels[at..at + 3] == wanted[..3]
            };
            if is_wanted(y - 3) && is_wanted(y) && is_wanted(y + 3) {
                found.push((x, y));
            }
        }
    }
    assert!(found.len() > 100, "no handle is drawn");
    let count = found.len() as f32;
    let sum = found.iter().fold((0.0, 0.0), |sum, &(x, y)| (sum.0 + x as f32, sum.1 + y as f32));
    Point::new(sum.0 / count, sum.1 / count)
}

#[test]
fn a_handle_is_dragged_and_ends_as_one_edit() {
    let mut bench = Bench::showing(sample::tune());
    bench.move_to(Point::new(10.0, 10.0));
    // Band 1: 45 Hz, −6 dB.
    let at = first_handle(&mut bench, |curves| curves.bands);
    bench.move_to(at);
    bench.events(&[press()]);
    assert_eq!(bench.asked(), [Command::SelectHandle(Some(HandleId::Band(0)))]);
    std::thread::sleep(std::time::Duration::from_millis(40));
    bench.move_to(Point::new(at.x + 30.0, at.y - 20.0));
    bench.move_to(Point::new(at.x + 60.0, at.y - 40.0));
    bench.events(&[release()]);
    let asked = bench.asked();
    let done = |command: &Command| {
        matches!(command, Command::DragHandle { handle: HandleId::Band(0), done: true, .. })
    };
    assert_eq!(asked.iter().filter(|command| done(command)).count(), 1, "{asked:?}");
    let Some(Command::DragHandle { frequency_hz, db, done: true, .. }) = asked.last() else {
        panic!("{asked:?}")
    };
    // To the right and up from 45 Hz, −6 dB.
    assert!(*frequency_hz > 50.0 && *frequency_hz < 200.0, "{frequency_hz}");
    assert!(*db > -6.0 && *db < 6.0, "{db}");
}

/// The session hears of a drag while it goes on, and of the place where the hand rests.
#[test]
fn the_session_hears_of_a_drag_before_it_ends() {
    let mut bench = Bench::showing(sample::tune());
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
    assert!(*frequency_hz > 50.0, "{frequency_hz}");
    std::thread::sleep(std::time::Duration::from_millis(40));
    bench.picture(1.0);
    assert_eq!(bench.asked(), [], "the same place is told once");
}

/// The low shelf lies in the left quarter by itself; it must not come beyond 300 Hz / 1.02, nor a
/// frequency below 20 Hz.
#[test]
fn a_handle_of_the_target_stops_at_its_limits() {
    for (far, limit_hz) in [(2_000.0, 300.0 / 1.02), (-2_000.0, 20.0)] {
        let mut bench = Bench::showing(sample::target());
        bench.move_to(Point::new(10.0, 10.0));
        let at = first_handle(&mut bench, |curves| curves.target);
        bench.move_to(at);
        bench.events(&[press()]);
        assert_eq!(bench.asked(), [Command::SelectHandle(Some(HandleId::Shelf(0)))]);
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
        assert!((db - 12.0).abs() < 1e-3, "{db}");
    }
}

#[test]
fn the_cross_hair_follows_the_pointer_and_leaves_with_it() {
    let mut bench = Bench::showing(sample::tune());
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
    let mut bench = Bench::showing(sample::tune());
    let still = look(&mut bench);
    let mut last = still.clone();
    for tick in 1..4 {
        let lines = vec![sample::live_spectrum(tick)];
        bench.tell(view::Update::Live(view::Live { lines, ..view::Live::default() }));
        let now = look(&mut bench);
        assert_ne!(now, last, "tick {tick}");
        last = now;
    }
    bench.tell(view::Update::Live(view::Live::default()));
    assert!(look(&mut bench) == still, "nothing is left behind");
}
