//! What opens over the window: questions, lists, the keys, the job's folder.

use iced::widget::{column, container, opaque, row, scrollable, space, text_input};
use iced::{Center, Fill, Length};
use view::{ChoiceKey, SettingKind, SettingValue, Snapshot};

use crate::arrows::up_and_down;
use crate::folders::{Entry, Folder, Kind};
use crate::icon::{Ink, Shape, icon};
use crate::keys::{BINDINGS, Binding};
use crate::lettering::{self, L, M, PLAIN, S, XL, XS, body, lead, small, strong, title};
use crate::message::{Element, Message};
use crate::modal::{FIELD, Modal, SAFE};
use crate::press::{Look, Press};
use crate::theme::{key_cap, scrim, sheet};

/// The list of choices.
const CHOICES: &str = "sheet-choices";
/// The list of folders.
const FOLDER: &str = "sheet-folder";
/// The list of keys.
const KEYS: &str = "sheet-keys";

/// The sheet, over a veil.
pub(crate) fn view<'a>(
    modal: &'a Modal,
    snapshot: &'a Snapshot,
    folder: Option<&'a Folder>,
    height: f32,
) -> Element<'a> {
    let (content, width): (Element<'a>, f32) = match modal {
        Modal::Keys => (keys(), 620.0),
        Modal::Discard { label, .. } => (discard(label), 480.0),
        Modal::Rename { text, .. } => (rename(text), 480.0),
        Modal::Job { path } => (job(path, folder), 680.0),
        Modal::Import { path } => (import(path, folder), 680.0),
        Modal::Choose { setting } => (choose(*setting, snapshot), 480.0),
    };
    let sheet = container(content).padding(XL).width(width).max_height(height - 2.0 * L).style(sheet);
    opaque(container(sheet).center(Fill).style(scrim))
}

fn close<'a>(label: &'a str) -> Element<'a> {
    Press::new(body(label), Look::Plain).id(SAFE).on_press(Message::CloseModal).padding([M, L]).into()
}

fn discard<'a>(label: &'a str) -> Element<'a> {
    column![
        title("Discard this capture?"),
        body(format!(
            "“{label}” is moved to the folder “discarded” of this job. Its recording is kept there."
        )),
        row![
            close("Keep it"),
            space().width(Fill),
            Press::new(strong("Discard"), Look::Stop).on_press(Message::ConfirmModal).padding([M, L]),
        ]
        .align_y(Center),
    ]
    .spacing(L)
    .into()
}

fn rename<'a>(text: &'a str) -> Element<'a> {
    column![
        title("Rename this capture"),
        field("Where or what, such as: driver’s head, left ear", text, Some(Message::ConfirmModal)),
        row![
            close("Cancel"),
            space().width(Fill),
            Press::new(strong("Rename"), Look::Main)
                .on_press_maybe((!text.trim().is_empty()).then_some(Message::ConfirmModal))
                .padding([M, L]),
        ],
    ]
    .spacing(L)
    .into()
}

fn job<'a>(path: &'a str, folder: Option<&'a Folder>) -> Element<'a> {
    let ready = !path.trim().is_empty();
    let press = |label: &'a str, look, message| {
        Press::new(strong(label), look).on_press_maybe(ready.then_some(message)).padding([M, L])
    };
    column![
        title("Open a job"),
        body("A job is a folder with everything about one car: recordings, readings, bands, sheets."),
        row![
            field("Path of the folder", path, Some(Message::OpenJob)),
            Press::new(body("Browse…"), Look::Plain).on_press(Message::Browse).padding([M, L]),
        ]
        .spacing(S)
        .align_y(Center),
        entries(folder, Kind::Job),
        row![
            close("Cancel"),
            space().width(Fill),
            press("Begin a new job there", Look::Plain, Message::BeginJob),
            press("Open job", Look::Main, Message::OpenJob),
        ]
        .spacing(S),
    ]
    .spacing(L)
    .into()
}

/// What can be chosen in the folder: what is wanted, and folders that lead there.
fn entries<'a>(folder: Option<&'a Folder>, wanted: Kind) -> Element<'a> {
    let Some(folder) = folder else { return space().into() };
    let line = |name: &'a str, shape: Shape, entry: Entry| {
        Press::new(
            row![icon(shape, Ink::Muted, 18.0), body(name).width(Fill)].spacing(M).align_y(Center),
            Look::Row(false),
        )
        .padding([S, M])
        .width(Fill)
        .on_press(Message::Entry(entry))
        .on_key(up_and_down)
    };
    let mut list = column![].spacing(XS);
    if let Some(above) = folder.path.parent() {
        let entry = Entry { path: above.to_owned(), name: String::new(), kind: Kind::Folder };
        list = list.push(line("One folder up", Shape::Up, entry));
    }
    let shown = folder.entries.iter().filter(|entry| entry.kind == wanted || entry.kind != Kind::Recording);
    for entry in shown {
        let shape = if entry.kind == wanted { Shape::Check } else { Shape::Folder };
        list = list.push(line(&entry.name, shape, entry.clone()));
    }
    let list = scrollable(container(list).padding([0.0, M])).id(FOLDER).height(240);
    column![small(folder.path.display().to_string()), list].spacing(S).into()
}

fn import<'a>(path: &'a str, folder: Option<&'a Folder>) -> Element<'a> {
    let ready = !path.trim().is_empty();
    column![
        title("Import a recording"),
        body(
            "Headrest finds the tracks that were played, cuts them out and measures them. Where each belongs is \
             proposed; you say so before anything counts. A recording can also be dropped on the window."
        ),
        row![
            field("Path of the recording: WAV, FLAC, MP3, AAC, Ogg", path, Some(Message::ConfirmModal)),
            Press::new(body("Browse…"), Look::Plain).on_press(Message::Browse).padding([M, L]),
        ]
        .spacing(S)
        .align_y(Center),
        entries(folder, Kind::Recording),
        row![
            close("Cancel"),
            space().width(Fill),
            Press::new(strong("Import"), Look::Main)
                .on_press_maybe(ready.then_some(Message::ConfirmModal))
                .padding([M, L]),
        ],
    ]
    .spacing(L)
    .into()
}

fn field<'a>(placeholder: &'a str, value: &'a str, on_submit: Option<Message>) -> Element<'a> {
    text_input(placeholder, value)
        .id(FIELD)
        .on_input(Message::ModalText)
        .on_submit_maybe(on_submit)
        .font(PLAIN)
        .size(lettering::LEAD)
        .padding(M)
        .width(Fill)
        .into()
}

fn choose(wanted: ChoiceKey, snapshot: &Snapshot) -> Element<'_> {
    let choices = snapshot.card.settings.iter().find_map(|setting| match &setting.kind {
        SettingKind::Choice { key, options, chosen } if *key == wanted => Some((setting, options, chosen)),
        _ => None,
    });
    let Some((setting, options, chosen)) = choices else {
        return column![body("This setting is no longer there."), close("Close")].spacing(L).into();
    };
    let list = options.iter().map(|option| {
        let is_chosen = chosen.as_ref() == Some(&option.choice);
        let mark: Element<'_> =
            if is_chosen { icon(Shape::Check, Ink::Accent, 18.0) } else { space().width(18).into() };
        let row = Press::new(
            row![mark, body(&option.label).width(Fill)].spacing(M).align_y(Center),
            Look::Row(is_chosen),
        )
        .width(Fill)
        .padding([M, M])
        .on_press(Message::Set(SettingValue::Choice(option.choice.clone())))
        .on_key(up_and_down);
        Element::from(if is_chosen { row.id(SAFE) } else { row })
    });
    let list = scrollable(column(list).spacing(XS).padding([0.0, M])).id(CHOICES).height(Length::Shrink);
    let cancel = Press::new(body("Cancel"), Look::Plain).on_press(Message::CloseModal).padding([M, L]);
    column![lead(&setting.label), container(list).max_height(440), cancel].spacing(L).into()
}

fn keys<'a>() -> Element<'a> {
    let lines = BINDINGS.iter().map(key_line);
    let list = scrollable(column(lines).spacing(S).padding([0.0, M])).id(KEYS).height(Length::Shrink);
    column![row![title("Keys").width(Fill), close("Close")].align_y(Center), container(list).max_height(600),]
        .spacing(L)
        .into()
}

fn key_line<'a>(binding: &Binding) -> Element<'a> {
    let caps = binding.caps.iter().map(|cap| {
        if *cap == "…" {
            return small("…").into();
        }
        container(small(*cap)).padding([XS, S]).style(key_cap).into()
    });
    row![row(caps).spacing(XS).align_y(Center).width(190), body(binding.does).width(Fill)]
        .spacing(M)
        .align_y(Center)
        .into()
}
