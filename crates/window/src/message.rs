//! What can happen in the window.

use std::path::PathBuf;

use chart::Viewport;
use iced::{Size, keyboard};
use view::{CaptureId, Command, NumberKey, SettingValue, TextKey, Update};

use crate::folders::{Entry, Folder};
use crate::modal::Modal;
use crate::painter::Renderer;
use crate::theme::Theme;

/// A piece of our window.
pub(crate) type Element<'a> = iced::Element<'a, Message, Theme, Renderer>;

/// Something that happened.
#[derive(Debug, Clone)]
pub enum Message {
    /// The session said something.
    Session(FromSession),
    /// The person asks the session for something.
    Ask(Command),
    /// Start what comes next, or stop what is under way.
    StartOrStop,
    /// Silence at once.
    Mute,
    /// The control with the ring was worked by the space bar, which stops whatever is under way.
    BySpace(Box<Message>),
    /// The value of a stepper is typed.
    TypeNumber(NumberKey, String),
    /// What was typed counts now.
    SettleNumber,
    /// A key that no widget took for itself, or that counts in any case.
    Key {
        /// Which.
        key: keyboard::Key,
        /// With what held down.
        modifiers: keyboard::Modifiers,
        /// Whether a text field has taken it already.
        taken: bool,
    },
    /// The keyboard goes to the next thing.
    FocusNext,
    /// The keyboard goes to the thing before.
    FocusPrevious,
    /// The other look.
    SwitchTheme,
    /// The start page, and from there back to the open job.
    GoToJobs,
    /// The chart is looked at differently.
    Look(Viewport),
    /// The whole chart.
    Fit,
    /// The pointer is at this place of the chart's level axis, or at none.
    Point(Option<f64>),
    /// A curve is switched off, or on again.
    SwitchCurve(String),
    /// A text field of the card was typed into.
    Draft(TextKey, String),
    /// The text of a field counts now.
    SettleDrafts,
    /// A setting is set.
    Set(SettingValue),
    /// A capture was picked in the tray.
    Pick(CaptureId),
    /// Something opens over the window.
    OpenModal(Modal),
    /// What was typed into it.
    ModalText(String),
    /// It closes without effect.
    CloseModal,
    /// It closes and does what it says.
    ConfirmModal,
    /// A job begins in the folder that was typed.
    BeginJob,
    /// The job in that folder is opened.
    OpenJob,
    /// A folder was looked into.
    Looked(Option<Folder>),
    /// Something in it was chosen.
    Entry(Entry),
    /// The dialog for a folder or a recording is asked for.
    Browse,
    /// A file or a folder is opened with what the system opens it with.
    OpenPath(String),
    /// It was; or why not.
    Opened(Option<String>),
    /// It has answered.
    Browsed(Option<PathBuf>),
    /// A file or folder was dropped on the window.
    Dropped(PathBuf),
    /// A notice was read.
    Dismiss(u64),
    /// The window has another size.
    Resized(Size),
    /// The window is asked to close.
    CloseRequested,
}

/// What comes from the session's side, as it reaches the window.
#[derive(Debug, Clone)]
pub enum FromSession {
    /// An update.
    Update(Update),
    /// The last cue has been shown long enough.
    CueOver,
    /// Good news has been shown long enough.
    NewsOver,
    /// The session has ended.
    Ended,
}
