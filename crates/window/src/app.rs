//! The window's own state: what is looked at and how, never what is measured.

mod update;

use std::sync::Arc;
use std::time::Instant;

use iced::keyboard::{Key, key::Named};
use iced::{Size, Subscription, event, keyboard, window};
use view::{CaptureId, Commands, Cue, Link, Live, Now, Ribbon, Snapshot, StopHandle};

use crate::chart_state::ChartState;
use crate::feed::Feed;
use crate::folders::Folder;
use crate::message::Message;
use crate::modal::Modal;
use crate::options::{LEAST, Options};
use crate::room::Room;
use crate::setting::Drafts;
use crate::theme::Theme;

/// The window's state.
#[derive(Debug)]
pub struct App {
    commands: Commands,
    stop: StopHandle,
    feed: Feed,
    pub(crate) snapshot: Option<Arc<Snapshot>>,
    /// What was told last of what is going on.
    now: Option<Now>,
    pub(crate) live: Live,
    pub(crate) theme: Theme,
    /// The window's size, before any scale.
    window: Size,
    /// How large a person wants everything drawn: 1 as designed.
    text_scale: f32,
    /// Whether only what is read from the far seat is shown.
    pub(crate) large: bool,
    /// The folder that is looked into, while one is chosen.
    pub(crate) folder: Option<Folder>,
    pub(crate) chart: ChartState,
    pub(crate) modal: Option<Modal>,
    pub(crate) notices: Vec<Notice>,
    pub(crate) cue: Option<Cue>,
    pub(crate) drafts: Drafts,
    pub(crate) picked: Option<CaptureId>,
    /// Whether the person has stopped what is under way.
    stopping: bool,
    /// When the last thing ended that nobody stopped.
    ended_at: Option<Instant>,
    notices_given: u64,
    closing: bool,
    pub(crate) ended: bool,
}

/// Something that a person should read once.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Notice {
    pub(crate) id: u64,
    pub(crate) text: String,
    pub(crate) good: bool,
    /// What it speaks of, which can be opened.
    pub(crate) path: Option<String>,
    told: Instant,
}

impl App {
    /// A window at the end of a link.
    #[must_use]
    pub fn new(link: Link, options: &Options) -> Self {
        Self {
            commands: link.commands,
            stop: link.stop,
            feed: Feed::new(link.updates),
            snapshot: None,
            live: Live::default(),
            theme: options.theme,
            window: Size::new(options.size.0, options.size.1),
            text_scale: options.text_scale,
            large: false,
            folder: None,
            chart: ChartState::default(),
            modal: None,
            notices: Vec::new(),
            cue: None,
            drafts: Drafts::default(),
            picked: None,
            stopping: false,
            ended_at: None,
            notices_given: 0,
            closing: false,
            ended: false,
            now: None,
        }
    }

    /// Its look.
    #[must_use]
    pub fn theme(&self) -> Theme {
        self.theme
    }

    /// How large everything is drawn: as large as was asked for, as long as everything has its place.
    #[must_use]
    pub fn scale(&self) -> f32 {
        let most = (self.window.width / LEAST.width).min(self.window.height / LEAST.height);
        self.text_scale.min(most).max(1.0)
    }

    /// The room for everything, at that scale.
    pub(crate) fn room(&self) -> Room {
        let scale = self.scale();
        Room::of(Size::new(self.window.width / scale, self.window.height / scale))
    }

    /// Its title.
    #[must_use]
    pub fn title(&self) -> String {
        match self.snapshot.as_ref().map(|s| s.shared.job.name.as_str()) {
            Some(name) if !name.is_empty() => format!("{name} \u{2013} Headrest"),
            _ => "Headrest".to_owned(),
        }
    }

    /// What it listens to.
    pub fn subscription(&self) -> Subscription<Message> {
        Subscription::batch([
            self.feed.subscription().map(Message::Session),
            event::listen_with(|event, status, _| Self::overheard(event, status)),
            window::close_requests().map(|_| Message::CloseRequested),
        ])
    }

    /// What an event means that no widget took, or that counts in any case.
    #[must_use]
    pub fn overheard(event: iced::Event, status: event::Status) -> Option<Message> {
        match event {
            iced::Event::Keyboard(keyboard::Event::KeyPressed { key, modified_key, modifiers, .. }) => {
                let taken = status == event::Status::Captured;
                // What is typed counts (`?`, `+`), whichever keys make it on this layout.
                let key = if matches!(modified_key, Key::Character(_)) { modified_key } else { key };
                (!taken || key == Key::Named(Named::Escape)).then_some(Message::Key { key, modifiers, taken })
            }
            iced::Event::Window(window::Event::Resized(size)) => Some(Message::Resized(size)),
            iced::Event::Window(window::Event::FileDropped(path)) => Some(Message::Dropped(path)),
            _ => None,
        }
    }

    /// The ribbon: of what is heard at this moment, else of what was measured. It shares the axis of the chart, so there is
    /// none beside an impulse response or a picture.
    pub(crate) fn ribbon(&self) -> Option<&Ribbon> {
        let snapshot = self.snapshot.as_ref()?;
        let shares_axis = snapshot.picture.is_none() && snapshot.chart.x.is_frequency();
        self.live.ribbon.as_ref().or(snapshot.ribbon.as_ref()).filter(|_| shares_axis)
    }

    /// Whether what is shown is of an earlier state.
    pub(crate) fn is_older(&self) -> bool {
        self.now.as_ref().is_some_and(|now| now.older)
    }
}
