//! The work order: seven stages, each with its state and its result.

use iced::widget::{column, container, row};
use iced::{Center, Fill};
use view::{Command, Snapshot, StageLine};

use crate::arrows::up_and_down;
use crate::icon;
use crate::lettering::{M, S, XS, small, strong};
use crate::message::{Element, Message};
use crate::press::{Look, Press};
use crate::room::Room;
use crate::theme::panel;

/// The list of stages.
pub(crate) fn view<'a>(snapshot: &'a Snapshot, room: Room) -> Element<'a> {
    let stages = snapshot.shared.stages.iter().enumerate().map(|(index, line)| stage(index, line, snapshot));
    container(column(stages).spacing(XS)).padding(XS).width(room.order).height(Fill).style(panel).into()
}

fn stage<'a>(index: usize, line: &'a StageLine, snapshot: &'a Snapshot) -> Element<'a> {
    let mut words = column![strong(line.stage.title())].spacing(2);
    if !line.result.is_empty() {
        words = words.push(small(&line.result));
    }
    let content = row![
        small((index + 1).to_string()).width(10),
        words.width(Fill),
        icon::stage_state(line.state, 18.0),
    ]
    .spacing(S)
    .align_y(Center);
    Press::new(container(content).center_y(Fill), Look::Row(line.stage == snapshot.face.stage))
        .id(line.stage.title())
        .padding([S, M])
        .width(Fill)
        .height(Fill)
        .on_press(Message::Ask(Command::OpenStage(line.stage)))
        .on_key(up_and_down)
        .into()
}
