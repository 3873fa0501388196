//! The start page: the work that can go on, and what can be begun.

use iced::widget::canvas::Canvas;
use iced::widget::{column, container, row, scrollable, space};
use iced::{Center, Fill};
use view::{Button, Command, RecentJob, SimulatedCar, Snapshot, StartPage, Tone};

use crate::arrows::up_and_down;
use crate::drawing::Fingerprint;
use crate::icon::{Ink, Shape, icon};
use crate::lettering::{BOLD, L, LEAD, M, S, XL, XS, body, lead, small, strong, title};
use crate::message::{Element, Message};
use crate::modal::Modal;
use crate::press::{Look, Press};
use crate::room::Room;
use crate::theme::{muted, panel, tinted};

/// The list of recent jobs.
const JOBS: &str = "start-jobs";
/// The list of what can be begun.
const BEGIN: &str = "start-begin";

/// The page.
pub(crate) fn view<'a>(snapshot: &'a Snapshot, page: &'a StartPage, room: Room) -> Element<'a> {
    row![jobs(snapshot, page), begin(snapshot, page, room)].spacing(S).height(Fill).into()
}

/// The recent jobs; the last one is what the space bar goes on with.
fn jobs<'a>(snapshot: &'a Snapshot, page: &'a StartPage) -> Element<'a> {
    let mut parts = column![title("Your jobs")].spacing(L);
    if let Some(main) = &snapshot.card.main {
        parts = parts.push(go_on(main, snapshot, page));
    }
    let mut tiles = column![].spacing(S);
    for job in &page.jobs {
        tiles = tiles.push(tile(job, &snapshot.shared.job.folder));
    }
    if page.jobs.is_empty() {
        let words = if page.looking {
            "Looking for your jobs…"
        } else {
            "No job yet. A job is a folder with everything about one car: recordings, readings, bands, sheets."
        };
        tiles = tiles.push(body(words).style(muted));
    }
    let list = scrollable(container(tiles).padding([0.0, M])).id(JOBS).height(Fill).width(Fill);
    let back: Element<'a> = if snapshot.shared.job.folder.is_empty() {
        space().into()
    } else {
        Press::new(body(format!("Back to {}", chart::shorten(&snapshot.shared.job.name, 40))), Look::Plain)
            .id("back")
            .padding([S, M])
            .on_press(Message::Ask(Command::LeaveStart))
            .into()
    };
    container(parts.push(list).push(back)).padding(XL).width(Fill).height(Fill).style(panel).into()
}

fn go_on<'a>(main: &'a Button, snapshot: &'a Snapshot, page: &'a StartPage) -> Element<'a> {
    let busy = snapshot.shared.activity != view::Activity::Idle;
    let last = page.jobs.iter().find(|job| job.readable);
    let why = match last {
        Some(job) => format!("{}, as you left it on {}.", job.stage.title(), job.day),
        None => "Everything works, nothing is needed, no sound is made.".to_owned(),
    };
    let words = column![
        iced::widget::text(if busy { "Stop" } else { &*main.label }).size(LEAD).font(BOLD),
        body(why),
    ]
    .spacing(XS)
    .width(Fill);
    let key = small("Space").style(|_| iced::widget::text::Style { color: None });
    Press::new(row![words, key].spacing(S).align_y(Center), if busy { Look::Stop } else { Look::Main })
        .id("main")
        .padding([L, L])
        .width(Fill)
        .on_press_maybe((main.enabled || busy).then_some(Message::StartOrStop))
        .into()
}

fn tile<'a>(job: &'a RecentJob, open: &str) -> Element<'a> {
    let head =
        row![strong(chart::shorten(&job.name, 44)).width(Fill), small(&job.day),].spacing(M).align_y(Center);
    let car = if job.car == job.name { String::new() } else { chart::shorten(&job.car, 40) };
    let captures = match job.captures {
        1 => "1 capture".to_owned(),
        count => format!("{count} captures"),
    };
    let facts = [car, captures].into_iter().filter(|words| !words.is_empty()).collect::<Vec<_>>();
    let stage = if job.result.is_empty() {
        job.stage.title().to_owned()
    } else {
        format!("{} \u{00b7} {}", job.stage.title(), job.result)
    };
    let words = column![head, body(stage), small(facts.join(" \u{00b7} "))].spacing(XS).width(Fill);
    let print: Element<'a> = match job.fingerprint {
        Some(deviations_db) => Canvas::new(Fingerprint { deviations_db }).width(220).height(26).into(),
        None => space().width(220).height(26).into(),
    };
    let mut parts = column![row![words, print].spacing(L).align_y(Center)].spacing(S);
    if !job.remark.is_empty() {
        let remark = row![
            icon(Shape::Triangle, Ink::Tone(Tone::Caution), 16.0),
            body(&job.remark).style(tinted(Tone::Caution)).width(Fill)
        ];
        parts = parts.push(remark.spacing(S).align_y(Center));
    }
    Press::new(parts, Look::Row(job.folder == open))
        .id(format!("job-{}", job.folder))
        .padding([M, M])
        .width(Fill)
        .on_press_maybe(job.readable.then(|| Message::Ask(Command::OpenJob(job.folder.clone()))))
        .on_key(up_and_down)
        .into()
}

/// What can be begun: a job, or a look at the program with a car that needs no hardware.
fn begin<'a>(snapshot: &'a Snapshot, page: &'a StartPage, room: Room) -> Element<'a> {
    let offer = |id: &'static str, what: &'a str, why: &'a str, message: Message| {
        Press::new(column![lead(what), body(why)].spacing(XS).width(Fill), Look::Plain)
            .id(id)
            .padding([M, L])
            .width(Fill)
            .on_press(message)
    };
    let mut parts = column![
        title("Begin"),
        offer(
            "new-job",
            "New job",
            "A folder for another car, with devices or from recordings.",
            Message::Ask(Command::NewJob(String::new())),
        ),
        offer(
            "open-job",
            "Open a folder\u{2026}",
            "A job that lies elsewhere, such as on a memory stick.",
            Message::OpenModal(Modal::Job { path: String::new() }),
        ),
        offer(
            "import",
            "Import a recording\u{2026}",
            "Tracks that were recorded in a car, without an interface here.",
            Message::OpenModal(Modal::Import { path: String::new() }),
        ),
    ]
    .spacing(S);
    if snapshot.shared.rig.state == view::RigState::None {
        parts = parts.push(offer(
            "devices",
            "Use sound devices",
            "Look for interfaces and microphones now.",
            Message::Ask(Command::UseDevices),
        ));
    }
    parts = parts.push(space().height(S)).push(title("Simulated cars"));
    parts = parts.push(body("Try the whole job on a simulated car.").style(muted));
    for car in &page.cars {
        parts = parts.push(car_offer(car));
    }
    let list = scrollable(container(parts).padding([0.0, M])).id(BEGIN).height(Fill);
    container(list).padding([XL, M]).width(room.card + 60.0).height(Fill).style(panel).into()
}

fn car_offer(car: &SimulatedCar) -> Element<'_> {
    Press::new(
        column![lead(&car.name), body(&car.about).style(muted)].spacing(XS).width(Fill),
        Look::Row(false),
    )
    .id(format!("car-{}", car.id))
    .padding([M, L])
    .width(Fill)
    .on_press(Message::Ask(Command::UseSimulatedCar(car.id.clone())))
    .on_key(up_and_down)
    .into()
}
