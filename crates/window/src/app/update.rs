//! What happens in the window, and what it does about it.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::{Duration, Instant};

use iced::Task;
use iced::keyboard::{Key, Modifiers};
use iced::widget::operation;
use view::{
    Activity, CaptureId, Command, HandleId, Look, NotSent, NumberKey, SetMark, SettingKind, SettingValue,
    Snapshot, TextKey, Update,
};

use super::{App, Notice};
use crate::folders::{Entry, Kind};
use crate::keys::{self, Act};
use crate::message::{FromSession, Message};
use crate::modal::Modal;
use crate::options::LARGEST_TEXT;
use crate::theme::Theme;
use crate::{card, focus, folders, handle, setting, tray};

/// So long after something has ended by itself the space bar starts nothing: the finger may have
/// been on its way to stop it.
const PAUSE: Duration = Duration::from_millis(700);
/// The sizes of everything that is drawn, as one goes through them.
const TEXT_SCALES: [f32; 5] = [1.0, 1.15, 1.3, 1.45, LARGEST_TEXT];

/// So long an error stands at least; then the next thing that a person asks for takes it away. What is
/// still wrong is told again.
const READ_IN: Duration = Duration::from_secs(4);

impl App {
    /// Lets something happen.
    pub fn update(&mut self, message: Message) -> Task<Message> {
        match message {
            Message::Session(message) => return self.hear(message),
            Message::Ask(command) => self.ask_settled(command),
            Message::StartOrStop => self.start_or_stop(),
            Message::Mute => self.mute(),
            Message::BySpace(pressed) => return self.by_space(*pressed),
            Message::Key { key, modifiers, taken } => return self.key(&key, modifiers, taken),
            Message::FocusNext => return self.focus_next(),
            Message::FocusPrevious => return focus::previous(),
            Message::SwitchTheme => self.switch_theme(),
            Message::GoToJobs => self.go_to_jobs(),
            Message::Look(view) => self.chart.look(view),
            Message::Fit => self.chart.fit(),
            Message::Point(at) => self.chart.at = at,
            Message::SwitchCurve(name) => {
                if let Some(snapshot) = &self.snapshot {
                    self.chart.switch(name, snapshot);
                }
            }
            Message::Draft(key, text) => {
                self.drafts.texts.insert(key, text);
            }
            Message::TypeNumber(key, text) => return self.type_number(key, text),
            Message::SettleNumber => self.settle_number(),
            Message::SettleDrafts => self.settle_drafts(),
            Message::Set(value) => {
                self.modal.take_if(|modal| matches!(modal, Modal::Choose { .. }));
                self.ask_settled(Command::Set(value));
            }
            Message::Pick(capture) => self.pick(capture),
            Message::OpenModal(modal) => return self.open(modal),
            Message::ModalText(text) => {
                if let Some(modal) = &mut self.modal {
                    modal.type_text(text);
                    return modal.path().map_or_else(Task::none, look);
                }
            }
            Message::Looked(folder) => self.folder = folder,
            Message::CloseModal => self.modal = None,
            Message::ConfirmModal => self.confirm(),
            Message::BeginJob => self.use_job(Command::NewJob),
            Message::OpenJob => self.use_job(Command::OpenJob),
            Message::Entry(entry) => return self.enter(entry),
            Message::Browse => return self.browse(),
            Message::OpenPath(path) => return folders::open(path).map(Message::Opened),
            Message::Opened(Some(problem)) => self.notify(problem, false),
            Message::Opened(None) => {}
            Message::Dropped(path) => self.dropped(&path),
            Message::Browsed(folder) => self.browsed(folder),
            Message::Dismiss(id) => self.notices.retain(|notice| notice.id != id),
            // What the event tells is at the scale that was in use.
            Message::Resized(size) => self.window = size * self.scale(),
            Message::CloseRequested => return self.close(),
        }
        Task::none()
    }

    fn hear(&mut self, message: FromSession) -> Task<Message> {
        let was_busy = self.is_busy();
        let task = self.take_in(message);
        if was_busy && !self.is_busy() {
            self.ended_at = (!self.stopping).then(Instant::now);
            self.stopping = false;
        }
        task
    }

    fn take_in(&mut self, message: FromSession) -> Task<Message> {
        match message {
            FromSession::Update(Update::Snapshot(snapshot)) => return self.show(snapshot),
            FromSession::Update(Update::Live(live)) => {
                self.chart.live_changed(&self.live.lines, &live.lines);
                self.live = live;
                self.show_ribbon();
            }
            FromSession::Update(Update::Now(now)) => {
                self.now = Some(now);
                self.bring_up_to_date();
            }
            FromSession::Update(Update::Cue(cue)) => self.cue = Some(cue),
            FromSession::Update(Update::Notice { text, good, path }) => self.tell(text, good, path),
            FromSession::CueOver => self.cue = None,
            FromSession::NewsOver => self.notices.retain(|notice| !notice.good),
            FromSession::Ended => {
                self.ended = true;
                if self.closing {
                    return iced::exit();
                }
            }
        }
        Task::none()
    }

    /// Shows a newer snapshot; one that comes too late is dropped.
    fn show(&mut self, snapshot: Arc<Snapshot>) -> Task<Message> {
        if self.snapshot.as_ref().is_some_and(|shown| shown.revision > snapshot.revision) {
            return Task::none();
        }
        let newest = |snapshot: &Snapshot| snapshot.tray.iter().map(|tile| tile.id).max();
        let before = self.snapshot.as_ref().map(|shown| (newest(shown), shown.face.stage));
        let added = newest(&snapshot).filter(|id| before.is_none_or(|(newest, _)| newest < Some(*id)));
        let turned = before.is_some_and(|(_, stage)| stage != snapshot.face.stage);
        let chosen = |snapshot: &Snapshot| -> Option<HandleId> {
            snapshot.handles.iter().find(|handle| handle.selected).map(|handle| handle.id)
        };
        let shown = self.snapshot.as_deref().filter(|shown| shown.face.stage == snapshot.face.stage);
        let newly_chosen = shown.and_then(|shown| chosen(&snapshot).filter(|id| chosen(shown) != Some(*id)));
        self.chart.show(&snapshot);
        let differs = |key: TextKey, draft: &str| {
            let is_other = |kind: &SettingKind| matches!(kind, SettingKind::Text(other, text) if *other == key && text != draft);
            snapshot.card.settings.iter().any(|setting| is_other(&setting.kind))
        };
        self.drafts.texts.retain(|key, draft| differs(*key, draft));
        self.picked.take_if(|picked| !snapshot.tray.iter().any(|tile| tile.id == *picked));
        let to_newest = match added {
            Some(id) => operation::scroll_to(tray::SCROLL, tray::offset_of(&snapshot, id)),
            None => Task::none(),
        };
        self.snapshot = Some(snapshot);
        self.show_ribbon();
        self.bring_up_to_date();
        // Another stage's card is read from its beginning.
        let to_top = if turned {
            operation::snap_to(card::SCROLL, operation::RelativeOffset { x: None, y: Some(0.0) })
        } else {
            Task::none()
        };
        // What is chosen on the chart is to be read on its card.
        let to_chosen = newly_chosen.map_or_else(Task::none, |id| focus::show(handle::name(id)));
        Task::batch([to_newest, to_top, to_chosen])
    }

    fn show_ribbon(&mut self) {
        let ribbon = self.ribbon().cloned();
        self.chart.show_ribbon(ribbon.as_ref());
    }

    /// What is going on is newer than a snapshot that was computed before it was told.
    fn bring_up_to_date(&mut self) {
        let (Some(now), Some(snapshot)) = (&self.now, &mut self.snapshot) else { return };
        if now.revision <= snapshot.revision {
            self.now = None;
            return;
        }
        let shown = &snapshot.shared;
        if shown.activity != now.activity || shown.run != now.run {
            let shared = &mut Arc::make_mut(snapshot).shared;
            (shared.activity, shared.run) = (now.activity.clone(), now.run);
        }
    }

    fn notify(&mut self, text: String, good: bool) {
        self.tell(text, good, None);
    }

    fn tell(&mut self, text: String, good: bool, path: Option<String>) {
        self.notices_given += 1;
        // What is said once more stands once.
        self.notices.retain(|notice| notice.text != text);
        self.notices.push(Notice { id: self.notices_given, text, good, path, told: Instant::now() });
        // More than three would cover the work; the oldest has been seen longest.
        if self.notices.len() > 3 {
            self.notices.remove(0);
        }
    }

    /// An error goes away when a person has had the time to read it and goes on.
    fn forget_errors(&mut self, now: Instant) {
        self.notices.retain(|notice| notice.good || now.duration_since(notice.told) < READ_IN);
    }

    /// Hands a command to the session without ever waiting for it.
    fn ask(&mut self, command: Command) {
        if !matches!(command, Command::Remember(_)) {
            self.forget_errors(Instant::now());
        }
        match self.commands.send(command) {
            Ok(()) => {}
            Err(NotSent::Busy) => self.notify(
                "Headrest is still busy with what you asked before, so this was not done. Try again in a moment."
                    .to_owned(),
                false,
            ),
            Err(NotSent::Ended) => self.ended = true,
        }
    }

    /// The same, after everything that was typed has been handed on.
    fn ask_settled(&mut self, command: Command) {
        self.settle_drafts();
        self.ask(command);
    }

    /// Types the value of a stepper; the first digit opens the field.
    fn type_number(&mut self, key: NumberKey, text: String) -> Task<Message> {
        let opened = self.drafts.number.as_ref().is_none_or(|(typed, _)| *typed != key);
        self.drafts.number = Some((key, text));
        if opened {
            operation::focus(setting::TYPED).chain(operation::move_cursor_to_end(setting::TYPED))
        } else {
            Task::none()
        }
    }

    /// The typed number counts now, within its limits; what is no number is said.
    fn settle_number(&mut self) {
        let Some((key, text)) = self.drafts.number.take() else { return };
        let Some(snapshot) = self.snapshot.clone().filter(|_| !text.trim().is_empty()) else { return };
        let limits = snapshot.card.settings.iter().find_map(|setting| match setting.kind {
            SettingKind::Number { key: other, min, max, step, .. } if other == key => Some((min, max, step)),
            _ => None,
        });
        let Some((min, max, step)) = limits else { return };
        let Some(value) = setting::number_of(&text) else {
            self.notify(
                format!("\u{201c}{}\u{201d} is not a number. Type it as 75 or 3.5.", text.trim()),
                false,
            );
            return;
        };
        let value = if step.fract() == 0.0 { value.round() } else { value };
        if !(min..=max).contains(&value) {
            let (min, max) = (chart::number(min), chart::number(max));
            self.notify(
                format!("{} is outside of {min} to {max}; the nearest was taken.", text.trim()),
                false,
            );
        }
        self.ask(Command::Set(SettingValue::Number(key, value.clamp(min, max))));
    }

    fn settle_drafts(&mut self) {
        self.settle_number();
        let Some(snapshot) = self.snapshot.clone() else { return };
        for setting in &snapshot.card.settings {
            if let SettingKind::Text(key, text) = &setting.kind
                && let Some(draft) = self.drafts.texts.get(key).filter(|draft| *draft != text).cloned()
            {
                self.ask(Command::Set(SettingValue::Text(*key, draft)));
            }
        }
    }

    fn key(&mut self, key: &Key, modifiers: Modifiers, taken: bool) -> Task<Message> {
        let Some(act) = keys::act(key, modifiers) else { return Task::none() };
        // A text field keeps its keys, but silence and Tab work everywhere.
        if taken && act != Act::Silence {
            return Task::none();
        }
        if act == Act::Silence {
            self.drafts.number = None;
        }
        if self.modal.is_some() {
            return match act {
                Act::Silence => {
                    self.modal = None;
                    self.silence();
                    Task::none()
                }
                Act::Next => self.focus_next(),
                Act::Previous => focus::previous(),
                Act::StartOrStop if self.is_busy() => {
                    self.start_or_stop();
                    Task::none()
                }
                _ => Task::none(),
            };
        }
        self.act(act)
    }

    fn act(&mut self, act: Act) -> Task<Message> {
        match act {
            Act::StartOrStop if self.has_just_ended() => {}
            Act::StartOrStop => self.start_or_stop(),
            Act::Silence => self.silence(),
            Act::Mute => self.mute_or_unmute(),
            Act::Stage(stage) => self.ask_settled(Command::OpenStage(stage)),
            Act::MarkBefore => self.mark(SetMark::Before),
            Act::MarkAfter => self.mark(SetMark::After),
            Act::Smoothing => self.ask(Command::NextSmoothing),
            Act::Theme => self.switch_theme(),
            Act::TextSize => self.next_text_size(),
            Act::Large => self.large = !self.large,
            Act::Undo => self.ask(Command::Undo),
            Act::Redo => self.ask(Command::Redo),
            Act::Fit => self.chart.fit(),
            Act::Export => self.ask(Command::ExportBands),
            Act::Job => self.go_to_jobs(),
            Act::Help => return self.open(Modal::Keys),
            Act::Next => return self.focus_next(),
            Act::Previous => return focus::previous(),
        }
        Task::none()
    }

    fn focus_next(&mut self) -> Task<Message> {
        self.settle_drafts();
        focus::next()
    }

    fn is_busy(&self) -> bool {
        self.snapshot.as_ref().is_some_and(|snapshot| snapshot.shared.activity != Activity::Idle)
    }

    /// Whether something ended by itself so lately that a key may have been meant for it.
    fn has_just_ended(&self) -> bool {
        !self.is_busy() && self.ended_at.is_some_and(|at| at.elapsed() < PAUSE)
    }

    /// The space bar on the control with the ring: stops whatever is under way, else works the control.
    fn by_space(&mut self, pressed: Message) -> Task<Message> {
        if self.is_busy() {
            self.start_or_stop();
        } else if !self.has_just_ended() {
            return self.update(pressed);
        }
        Task::none()
    }

    /// Stops what is under way, past everything that waits; or asks for what the stage offers first.
    fn start_or_stop(&mut self) {
        match self.snapshot.as_ref().and_then(|snapshot| snapshot.shared.run) {
            Some(run) => {
                self.stopping = true;
                self.stop.stop_run(run);
            }
            None => self.ask_settled(Command::StartOrStop),
        }
    }

    /// Silence at once: whatever sounds ends before the app hears that it is muted.
    fn mute(&mut self) {
        self.stopping = true;
        self.stop.stop();
        self.ask(Command::Mute);
    }

    /// The same, while something sounds.
    fn silence(&mut self) {
        if self.is_busy() {
            self.mute();
        }
    }

    fn mute_or_unmute(&mut self) {
        if self.snapshot.as_ref().is_some_and(|snapshot| snapshot.shared.muted) {
            self.ask(Command::Unmute);
        } else {
            self.mute();
        }
    }

    fn switch_theme(&mut self) {
        self.theme = self.theme.other();
        self.chart.redraw();
        self.remember();
    }

    /// The next larger size of everything, and after the largest the designed one.
    fn next_text_size(&mut self) {
        let next = TEXT_SCALES.into_iter().find(|scale| *scale > self.text_scale);
        self.text_scale = next.unwrap_or(TEXT_SCALES[0]);
        if self.scale() < self.text_scale {
            self.notify("The window is too small for larger text. Make it larger first.".to_owned(), false);
            self.text_scale = TEXT_SCALES[0];
        }
        self.chart.redraw();
        self.remember();
    }

    /// Has the app remember how the window is looked at.
    fn remember(&mut self) {
        self.ask(Command::Remember(Look {
            daylight: self.theme == Theme::Daylight,
            size: (self.window.width, self.window.height),
            text_scale: self.text_scale,
        }));
    }

    /// The start page, and from there back to the open job.
    fn go_to_jobs(&mut self) {
        let at_start = self.snapshot.as_ref().is_some_and(|snapshot| snapshot.start.is_some());
        let has_job = self.snapshot.as_ref().is_some_and(|snapshot| !snapshot.shared.job.folder.is_empty());
        if !at_start {
            self.ask_settled(Command::ShowStart);
        } else if has_job {
            self.ask(Command::LeaveStart);
        }
    }

    /// Marks the picked capture, or the newest; takes the mark away where it is.
    fn mark(&mut self, mark: SetMark) {
        let Some(snapshot) = self.snapshot.clone() else { return };
        let tile = match self.picked {
            Some(picked) => snapshot.tray.iter().find(|tile| tile.id == picked),
            None => snapshot.tray.iter().max_by_key(|tile| tile.id),
        };
        if let Some(tile) = tile {
            let wanted = (tile.mark != Some(mark)).then_some(mark);
            self.ask(Command::MarkCapture(tile.id, wanted));
        }
    }

    /// Picks a capture; picking the picked one shows or hides its curve.
    fn pick(&mut self, capture: CaptureId) {
        let Some(snapshot) = self.snapshot.clone() else { return };
        let Some(tile) = snapshot.tray.iter().find(|tile| tile.id == capture) else { return };
        if self.picked == Some(capture) || !tile.shown {
            self.ask(Command::ShowCapture(capture, !tile.shown));
        }
        if self.picked != Some(capture) {
            self.ask(Command::PickCapture(Some(capture)));
        }
        self.picked = Some(capture);
    }

    fn open(&mut self, mut modal: Modal) -> Task<Message> {
        if let Modal::Job { path } = &mut modal
            && path.is_empty()
        {
            let folder = self.snapshot.as_ref().map(|s| s.shared.job.folder.clone()).unwrap_or_default();
            *path = folder;
        }
        let first = modal.first_focus();
        let looked = modal.path().map_or_else(Task::none, look);
        self.modal = Some(modal);
        Task::batch([operation::focus(first), looked])
    }

    fn confirm(&mut self) {
        match self.modal.take() {
            Some(Modal::Discard { capture, .. }) => self.ask(Command::DiscardCapture(capture)),
            Some(Modal::Rename { capture, text }) if !text.trim().is_empty() => {
                self.ask(Command::RenameCapture(capture, text.trim().to_owned()));
            }
            Some(Modal::Import { path }) if !path.trim().is_empty() => {
                self.ask(Command::Import(vec![path.trim().to_owned()]));
            }
            _ => {}
        }
    }

    fn job_path(&self) -> String {
        match &self.modal {
            Some(Modal::Job { path }) => path.trim().to_owned(),
            _ => String::new(),
        }
    }

    fn use_job(&mut self, command: fn(String) -> Command) {
        let path = self.job_path();
        if !path.is_empty() {
            self.modal = None;
            self.ask(command(path));
        }
    }

    /// A folder is looked into; a job is opened, and a recording is taken.
    fn enter(&mut self, entry: Entry) -> Task<Message> {
        let chosen = entry.path.display().to_string();
        let is_wanted = matches!(
            (&self.modal, entry.kind),
            (Some(Modal::Job { .. }), Kind::Job) | (Some(Modal::Import { .. }), Kind::Recording)
        );
        let Some(modal) = &mut self.modal else { return Task::none() };
        modal.type_text(chosen.clone());
        if is_wanted {
            match entry.kind {
                Kind::Job => self.use_job(Command::OpenJob),
                Kind::Folder | Kind::Recording => self.confirm(),
            }
            return Task::none();
        }
        look(&chosen)
    }

    fn browsed(&mut self, folder: Option<PathBuf>) {
        if let (Some(Modal::Job { path } | Modal::Import { path }), Some(chosen)) = (&mut self.modal, folder)
        {
            *path = chosen.display().to_string();
        }
    }

    fn browse(&self) -> Task<Message> {
        if matches!(self.modal, Some(Modal::Import { .. })) {
            browse_recording()
        } else {
            browse(self.job_path())
        }
    }

    /// A folder that is dropped is a job; a file is a recording.
    fn dropped(&mut self, path: &Path) {
        let text = path.display().to_string();
        self.ask(if path.is_dir() { Command::OpenJob(text) } else { Command::Import(vec![text]) });
    }

    /// Asks the session to save and end; the window closes when it has. Asked a
    /// second time, or without a session, it closes at once.
    fn close(&mut self) -> Task<Message> {
        if self.closing || self.ended {
            return iced::exit();
        }
        self.closing = true;
        self.remember();
        self.ask_settled(Command::Close);
        if self.ended { iced::exit() } else { Task::none() }
    }
}

/// Looks into the folder that a typed path names, or lies in.
fn look(typed: &str) -> Task<Message> {
    folders::look(typed).map(Message::Looked)
}

fn browse_recording() -> Task<Message> {
    let dialog =
        rfd::AsyncFileDialog::new().set_title("Recording").add_filter("Recordings", &folders::RECORDINGS);
    Task::perform(dialog.pick_file(), |file| Message::Browsed(file.map(|file| file.path().to_owned())))
}

fn browse(start: String) -> Task<Message> {
    let mut dialog = rfd::AsyncFileDialog::new().set_title("Folder of the job");
    if !start.is_empty() {
        dialog = dialog.set_directory(start);
    }
    Task::perform(dialog.pick_folder(), |folder| {
        Message::Browsed(folder.map(|folder| folder.path().to_owned()))
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::options::Options;

    #[test]
    fn an_error_is_gone_when_it_was_read_and_a_person_goes_on() {
        let (link, _session) = view::loose_link();
        let mut app = App::new(link, &Options::default());
        app.notify("The disk is full.".to_owned(), false);
        app.notify("The disk is full.".to_owned(), false);
        assert_eq!(app.notices.len(), 1, "what is said again stands once");
        app.ask(Command::NextSmoothing);
        assert_eq!(app.notices.len(), 1, "nobody has read it yet");
        app.forget_errors(Instant::now() + READ_IN);
        assert!(app.notices.is_empty());
    }
}
