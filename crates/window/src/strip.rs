//! The top strip: job and car, input meter, output level, devices.

use iced::keyboard::{Key, key::Named};
use iced::widget::text::Wrapping;
use iced::widget::{column, container, row, space};
use iced::{Center, Fill, Shrink};
use view::{Command, Meter, MeterUnit, RigHead, RigState, Snapshot, Tone};

use crate::app::App;
use crate::hint::hint;
use crate::icon::{self, Ink, Shape, icon};
use crate::lettering::{M, S, XS, body, small, strong};
use crate::message::{Element, Message};
use crate::modal::Modal;
use crate::press::{Look, Press};
use crate::room::Room;
use crate::theme::{Theme, panel, tinted};

/// The lowest output level that can be asked for, in dBFS peak.
const LOWEST_DBFS: f64 = -80.0;

/// The strip.
pub(crate) fn view<'a>(app: &'a App, snapshot: &'a Snapshot, room: Room) -> Element<'a> {
    let gap = if room.narrow { S } else { M };
    container(
        row![
            job(snapshot, room),
            meter(app.live.meter.as_ref()),
            output(snapshot),
            rig(&snapshot.shared.rig, room),
            tools(app.theme),
        ]
        .spacing(gap)
        .align_y(Center),
    )
    .padding([XS, S])
    .height(60)
    .align_y(Center)
    .width(Fill)
    .style(panel)
    .into()
}

fn job<'a>(snapshot: &'a Snapshot, room: Room) -> Element<'a> {
    let job = &snapshot.shared.job;
    let most = if room.narrow { 20 } else { 28 };
    let (name, car) = if job.folder.is_empty() && job.name.is_empty() {
        ("No job yet".to_owned(), "All jobs (J)".to_owned())
    } else {
        // A job that is called as its car says so once.
        let below = if job.car == job.name || job.car.is_empty() { "All jobs (J)" } else { &job.car };
        (chart::shorten(&job.name, most), chart::shorten(below, most + 4))
    };
    let words = column![strong(name).wrapping(Wrapping::None), small(car).wrapping(Wrapping::None)];
    // A letter may lean out of its line by a pixel.
    Press::new(container(words.spacing(2)).padding([0.0, 2.0]).clip(true), Look::Quiet)
        .id("job")
        .padding([S, M - 2.0])
        .width(if room.narrow { 180 } else { 240 })
        .on_press(Message::GoToJobs)
        .into()
}

fn meter<'a>(meter: Option<&'a Meter>) -> Element<'a> {
    let Some(meter) = meter else {
        return column![small("Input"), small("not listening")].spacing(XS).width(Fill).into();
    };
    let caption = match meter.unit {
        MeterUnit::Dbfs => "Input",
        MeterUnit::Spl => "Input, sound pressure",
        MeterUnit::Volts => "Input, volts",
    };
    let warning: Element<'a> = if meter.clipped {
        row![
            icon(Shape::Square, Ink::Tone(Tone::Bad), 16.0),
            strong("Input clipped").style(tinted(Tone::Bad))
        ]
        .spacing(XS)
        .align_y(Center)
        .into()
    } else {
        small(caption).into()
    };
    column![
        // On whole pixels, so that the bar's edges are sharp.
        row![warning, space().width(Fill), strong(&meter.text)].align_y(Center).height(20),
        icon::meter(meter.level, meter.peak, meter.clipped),
    ]
    .spacing(XS)
    .width(Fill)
    .into()
}

fn output<'a>(snapshot: &Snapshot) -> Element<'a> {
    let level = snapshot.shared.output_dbfs;
    let step = move |by: f64| Message::Ask(Command::SetOutput((level + by).round().clamp(LOWEST_DBFS, 0.0)));
    let button = |shape, by| {
        let button = Press::new(icon(shape, Ink::Text, 16.0), Look::Plain).pointer_only().repeating();
        button.padding(S).on_press(step(by))
    };
    let shown =
        column![small("Output"), strong(format!("{} dBFS", chart::number((level * 10.0).round() / 10.0))),]
            .align_x(Center)
            .width(92);
    let stepper = Press::new(
        row![button(Shape::Minus, -1.0), shown, button(Shape::Plus, 1.0)].align_y(Center),
        Look::Bare,
    )
    .id("output")
    .padding(XS)
    .on_key(move |key, _| match key.as_ref() {
        Key::Named(Named::ArrowUp | Named::ArrowRight) => Some(step(1.0)),
        Key::Named(Named::ArrowDown | Named::ArrowLeft) => Some(step(-1.0)),
        _ => None,
    });
    let mute = if snapshot.shared.muted {
        let content = row![icon(Shape::Silent, Ink::OnTone, 20.0), strong("Muted")];
        Press::new(content.spacing(S).align_y(Center), Look::Stop).on_press(Message::Ask(Command::Unmute))
    } else {
        let content = row![icon(Shape::Speaker, Ink::Text, 20.0), strong("Mute")];
        Press::new(content.spacing(S).align_y(Center), Look::Plain).on_press(Message::Mute)
    };
    row![stepper, mute.id("mute").width(112).padding([M, M])].spacing(XS).align_y(Center).into()
}

fn rig<'a>(rig: &'a RigHead, room: Room) -> Element<'a> {
    let (shape, tone) = match rig.state {
        RigState::None => (Shape::Broken, Tone::Caution),
        RigState::Untried => (Shape::Link, Tone::Plain),
        RigState::Ready => (Shape::Link, Tone::Good),
        RigState::Gone => (Shape::Triangle, Tone::Bad),
    };
    let most = if room.narrow { 24 } else { 26 };
    let words = column![
        strong(chart::shorten(&rig.name, most)).wrapping(Wrapping::None),
        small(chart::shorten(&rig.text, most + 2)).wrapping(Wrapping::None),
    ];
    // What is wider than its letters are on the average ends at the edge, and not in a second line.
    let head = container(
        row![icon(shape, Ink::Tone(tone), 22.0), words.spacing(2).width(Shrink)].spacing(S).align_y(Center),
    )
    .width(if room.narrow { 212 } else { 224 })
    .clip(true);
    if shown_whole(rig, most) { head.into() } else { hint(head, format!("{}: {}", rig.name, rig.text)) }
}

/// Whether both lines about a rig fit.
fn shown_whole(rig: &RigHead, most: usize) -> bool {
    rig.name.chars().count() <= most && rig.text.chars().count() <= most + 2
}

fn tools<'a>(theme: Theme) -> Element<'a> {
    let shape = match theme {
        Theme::Garage => Shape::Sun,
        Theme::Daylight => Shape::Moon,
    };
    let look = match theme {
        Theme::Garage => "Daylight: for a bright place (T)",
        Theme::Daylight => "Garage: for a dark place (T)",
    };
    let switch = Press::new(icon(shape, Ink::Text, 20.0), Look::Quiet).id("theme").padding(S);
    let keys = Press::new(body("?").width(20).align_x(Center), Look::Quiet).id("keys").padding(S);
    row![
        hint(switch.on_press(Message::SwitchTheme), look),
        hint(keys.on_press(Message::OpenModal(Modal::Keys)), "All keys (?)"),
    ]
    .align_y(Center)
    .into()
}
