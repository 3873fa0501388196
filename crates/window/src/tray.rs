//! The tray: a tile for every capture, in the order of the work.

use iced::keyboard::{Key, Modifiers, key::Named};
use iced::widget::canvas::Canvas;
use iced::widget::operation::AbsoluteOffset;
use iced::widget::scrollable::{Direction, Scrollbar};
use iced::widget::{column, container, row, scrollable, space};
use iced::{Center, Fill};
use view::{CaptureId, Command, SetMark, Snapshot, Stage, Tile, Tone};

use crate::app::App;
use crate::arrows::sideways;
use crate::drawing::Fingerprint;
use crate::hint::hint;
use crate::icon::{Ink, Shape, icon};
use crate::lettering::{L, S, XS, body, small, strong};
use crate::message::{Element, Message};
use crate::modal::Modal;
use crate::press::{Look, Press};
use crate::room::Room;
use crate::theme::{muted, panel, tinted};

/// The list that the tiles scroll in.
pub(crate) const SCROLL: &str = "tray";
/// The width of a tile.
const TILE: f32 = 236.0;
/// About the width of a stage's name between them.
const HEADING: f32 = 60.0;

/// The tray.
pub(crate) fn view<'a>(app: &'a App, snapshot: &'a Snapshot, room: Room) -> Element<'a> {
    let content: Element<'a> = if snapshot.tray.is_empty() {
        container(
            body(
                "Captures appear here, each with its fingerprint: 31 third-octave cells against the target.",
            )
            .style(muted),
        )
        .center_y(Fill)
        .padding([0.0, L])
        .into()
    } else {
        let mut tiles = row![].spacing(S).align_y(Center);
        let mut group: Option<Stage> = None;
        for tile in &snapshot.tray {
            if group.replace(tile.stage) != Some(tile.stage) {
                tiles = tiles.push(heading(tile.stage));
            }
            tiles = tiles.push(view_tile(tile, app.picked == Some(tile.id)));
        }
        scrollable(container(tiles).padding([XS, S]))
            .id(SCROLL)
            .direction(Direction::Horizontal(Scrollbar::new().width(6).scroller_width(6).margin(1)))
            .width(Fill)
            .into()
    };
    container(content).width(Fill).height(room.tray).style(panel).into()
}

/// How far the tray is scrolled to show this capture, with something of those before it.
pub(crate) fn offset_of(snapshot: &Snapshot, id: CaptureId) -> AbsoluteOffset<Option<f32>> {
    let before: Vec<Stage> =
        snapshot.tray.iter().take_while(|tile| tile.id != id).map(|tile| tile.stage).collect();
    let headings = before.windows(2).filter(|two| two[0] != two[1]).count();
    #[expect(clippy::cast_precision_loss, reason = "some hundred tiles")]
    let x = before.len().saturating_sub(2) as f32 * (TILE + S) + headings as f32 * HEADING;
    AbsoluteOffset { x: Some(x), y: None }
}

fn heading<'a>(stage: Stage) -> Element<'a> {
    container(small(stage.title())).padding([0.0, S]).center_y(Fill).into()
}

fn view_tile(tile: &Tile, picked: bool) -> Element<'_> {
    let eye = if tile.shown { Shape::Eye } else { Shape::NoEye };
    let ink = if tile.shown { Ink::Text } else { Ink::Muted };
    let name = strong(chart::shorten(&tile.label, 21)).width(Fill);
    let name: Element<'_> =
        if tile.label.chars().count() > 21 { hint(name, &*tile.label) } else { name.into() };
    let head = row![name, small(&tile.time)].spacing(S).align_y(Center);
    let print: Element<'_> = if tile.result.is_empty() {
        Canvas::new(Fingerprint { deviations_db: tile.fingerprint }).width(Fill).height(26).into()
    } else {
        container(body(&tile.result).style(muted)).height(26).center_y(26).into()
    };
    let remark: Element<'_> = if tile.remark.is_empty() {
        space().width(Fill).into()
    } else {
        let remark = row![
            icon(Shape::Triangle, Ink::Tone(Tone::Caution), 14.0),
            small(chart::shorten(&tile.remark, 15))
                .wrapping(iced::widget::text::Wrapping::None)
                .style(tinted(Tone::Caution)),
        ];
        hint(remark.spacing(XS).align_y(Center).width(Fill), &*tile.remark)
    };
    let show = Press::new(icon(eye, ink, 18.0), Look::Quiet)
        .pointer_only()
        .padding(XS)
        .on_press(Message::Ask(Command::ShowCapture(tile.id, !tile.shown)));
    let show = hint(show, if tile.shown { "Hide its curve" } else { "Show its curve" });
    let bin = Press::new(icon(Shape::Bin, Ink::Muted, 16.0), Look::Quiet)
        .pointer_only()
        .padding(XS)
        .on_press(discard(tile));
    let bin = hint(bin, "Discard (Del); its recording is kept in the job");
    let foot = row![remark, show, mark(tile, SetMark::Before), mark(tile, SetMark::After), bin]
        .spacing(2)
        .align_y(Center);
    let keys = move |key: &Key, modifiers: Modifiers| tile_key(tile, key, modifiers);
    Press::new(column![head, print, foot].spacing(XS), Look::Row(picked))
        .id(format!("tile-{}", tile.id.0))
        .width(TILE)
        .padding([S, S])
        .on_press(Message::Pick(tile.id))
        .on_key(keys)
        .into()
}

fn mark(tile: &Tile, mark: SetMark) -> Element<'_> {
    let name = match mark {
        SetMark::Before => "B",
        SetMark::After => "A",
    };
    let set = tile.mark == Some(mark);
    let words = match mark {
        SetMark::Before => "Before the tuning (B)",
        SetMark::After => "After the tuning (A)",
    };
    let button = Press::new(
        small(name).style(|_| iced::widget::text::Style { color: None }).width(12).align_x(Center),
        Look::Choice(set),
    )
    .id(format!("tile-{}-{name}", tile.id.0))
    .pointer_only()
    .padding([2.0, XS + 1.0])
    .on_press(Message::Ask(toggle(tile, mark)));
    hint(button, words)
}

fn toggle(tile: &Tile, mark: SetMark) -> Command {
    Command::MarkCapture(tile.id, (tile.mark != Some(mark)).then_some(mark))
}

fn discard(tile: &Tile) -> Message {
    Message::OpenModal(Modal::Discard { capture: tile.id, label: tile.label.clone() })
}

fn tile_key(tile: &Tile, key: &Key, modifiers: Modifiers) -> Option<Message> {
    match key.as_ref() {
        Key::Named(Named::Delete | Named::Backspace) => Some(discard(tile)),
        Key::Character("b" | "B") => Some(Message::Ask(toggle(tile, SetMark::Before))),
        Key::Character("a" | "A") => Some(Message::Ask(toggle(tile, SetMark::After))),
        Key::Character("r" | "R") => {
            Some(Message::OpenModal(Modal::Rename { capture: tile.id, text: tile.label.clone() }))
        }
        _ => sideways(key, modifiers),
    }
}
