//! A window without a display, driven as the library's own runtime drives it:
//! widgets keep their state from view to view, and tasks are carried out.

use std::sync::{Arc, Mutex};

use iced::advanced::widget::operation::{Operation, Outcome, black_box};
use iced::keyboard::{self, Key, Modifiers, key::Named};
use iced::{Event, Point, Rectangle, Size, mouse, window as platform};
use iced_test::core::SmolStr;
use iced_test::core::clipboard;
use iced_test::core::renderer::{Headless, Style};
use iced_test::core::theme::Base;
use iced_test::futures::futures::StreamExt;
use iced_test::futures::futures::executor::block_on;
use iced_test::runtime::task::into_stream;
use iced_test::runtime::user_interface::{Cache, UserInterface};
use iced_test::runtime::{Action, Task};
use iced_test::selector::{Bounded, Selector};
use view::{Command, Commands, Link, LooseEnd, Snapshot, StopHandle, Update};
use window::{App, FromSession, Message, Options, PlacedText, Renderer, Theme, settings};

use crate::display::Display;

/// A window without a display.
pub(crate) struct Bench {
    pub(crate) app: App,
    /// The other end of the link, where no app is behind the window.
    pub(crate) nobody: Option<LooseEnd>,
    asked: Arc<Mutex<Vec<Command>>>,
    stopped: Arc<Mutex<Vec<Option<u64>>>>,
    /// Whether the window asked to end.
    pub(crate) ended: bool,
    renderer: Renderer,
    cache: Option<Cache>,
    cursor: mouse::Cursor,
    size: Size,
}

impl Bench {
    /// A window of the design's size that shows a snapshot, and behind which is nobody.
    pub(crate) fn showing(snapshot: Snapshot) -> Self {
        let mut bench = Self::open(Theme::Garage, (1280.0, 800.0));
        bench.tell(Update::Snapshot(snapshot.into()));
        bench
    }

    /// A window that has heard nothing yet, and behind which is nobody.
    pub(crate) fn open(theme: Theme, size: (f32, f32)) -> Self {
        let (link, nobody) = view::loose_link();
        Self { nobody: Some(nobody), ..Self::at(link, theme, size) }
    }

    /// A window at the end of this link, whose updates are brought by hand.
    pub(crate) fn at(link: Link, theme: Theme, size: (f32, f32)) -> Self {
        for file in settings().fonts {
            let mut fonts = iced_test::renderer::graphics::text::font_system().write().expect("fonts");
            fonts.load_font(file);
        }
        let settings = settings();
        let renderer =
            <Renderer as Headless>::new(settings.default_font, settings.default_text_size, Some("tiny-skia"));
        let options = Options { theme, size, ..Options::default() };
        let (asked, stopped) = (Arc::default(), Arc::default());
        let link = noting(link, Arc::clone(&asked), Arc::clone(&stopped));
        Self {
            app: App::new(link, &options),
            nobody: None,
            asked,
            stopped,
            ended: false,
            renderer: block_on(renderer).expect("a software renderer"),
            cache: None,
            cursor: mouse::Cursor::Unavailable,
            size: Size::new(size.0, size.1),
        }
    }

    /// What the app says.
    pub(crate) fn tell(&mut self, update: Update) {
        self.send(Message::Session(FromSession::Update(update)));
    }

    /// What the window has asked for since the last time.
    pub(crate) fn asked(&self) -> Vec<Command> {
        if let Some(nobody) = &self.nobody {
            nobody.commands.try_iter().for_each(drop);
        }
        std::mem::take(&mut *self.asked.lock().expect("a list"))
    }

    /// The runs that the window has stopped since the last time.
    pub(crate) fn stopped(&self) -> Vec<Option<u64>> {
        std::mem::take(&mut *self.stopped.lock().expect("a list"))
    }

    /// Lets a message happen, with everything that follows from it.
    pub(crate) fn send(&mut self, message: Message) {
        let task = self.app.update(message);
        self.carry_out(task);
    }

    fn carry_out(&mut self, task: Task<Message>) {
        let Some(mut actions) = into_stream(task) else { return };
        while let Some(action) = block_on(actions.next()) {
            match action {
                Action::Output(message) => self.send(message),
                Action::Widget(operation) => self.operate(operation),
                Action::Exit => self.ended = true,
                _ => {}
            }
        }
    }

    fn operate(&mut self, operation: Box<dyn Operation>) {
        let mut next = Some(operation);
        let mut ui = ui(&self.app, self.size, &mut self.cache, &mut self.renderer);
        while let Some(mut operation) = next.take() {
            ui.operate(&self.renderer, operation.as_mut());
            if let Outcome::Chain(chained) = operation.finish() {
                next = Some(chained);
            }
        }
        self.cache = Some(ui.into_cache());
    }

    /// Lets events happen; those that no widget took go where the window listens.
    pub(crate) fn events(&mut self, events: &[Event]) {
        let mut messages = Vec::new();
        let mut ui = ui(&self.app, self.size, &mut self.cache, &mut self.renderer);
        let (_, statuses) =
            ui.update(events, self.cursor, &mut self.renderer, &mut clipboard::Null, &mut messages);
        self.cache = Some(ui.into_cache());
        for (event, status) in events.iter().zip(statuses) {
            messages.extend(App::overheard(event.clone(), status));
        }
        for message in messages {
            self.send(message);
        }
    }

    /// Where something is; nothing when it is not there.
    pub(crate) fn place<S>(&mut self, selector: S) -> Option<Rectangle>
    where
        S: Selector + Send,
        S::Output: Bounded + Clone + Send + Sync + 'static,
    {
        let mut find = selector.find();
        let mut ui = ui(&self.app, self.size, &mut self.cache, &mut self.renderer);
        ui.operate(&self.renderer, &mut black_box(&mut find));
        self.cache = Some(ui.into_cache());
        match find.finish() {
            Outcome::Some(Some(found)) => found.visible_bounds(),
            _ => None,
        }
    }

    /// Where a text is that was told by the app.
    pub(crate) fn place_of(&mut self, text: &str) -> Option<Rectangle> {
        // A selector lives as long as the library likes, and a test is short.
        self.place(&*text.to_owned().leak())
    }

    /// Whether a text can be read.
    pub(crate) fn reads(&mut self, text: &str) -> bool {
        self.place_of(text).is_some()
    }

    /// Whether a thing with this id has the keyboard.
    pub(crate) fn has_keyboard(&mut self, id: &str) -> bool {
        let focused = self.place(iced_test::selector::is_focused());
        focused.is_some() && focused == self.place(iced_test::selector::id(id.to_owned()))
    }

    /// Clicks the middle of something.
    #[track_caller]
    pub(crate) fn click<S>(&mut self, selector: S)
    where
        S: Selector + Send,
        S::Output: Bounded + Clone + Send + Sync + 'static,
    {
        let what = selector.description();
        let Some(bounds) = self.place(selector) else { panic!("{what} is not to be seen") };
        self.press_at(bounds.center());
    }

    /// Clicks somewhere.
    pub(crate) fn press_at(&mut self, position: Point) {
        self.move_to(position);
        self.events(&[
            Event::Mouse(mouse::Event::ButtonPressed(mouse::Button::Left)),
            Event::Mouse(mouse::Event::ButtonReleased(mouse::Button::Left)),
        ]);
    }

    /// Moves the pointer.
    pub(crate) fn move_to(&mut self, position: Point) {
        self.cursor = mouse::Cursor::Available(position);
        self.events(&[Event::Mouse(mouse::Event::CursorMoved { position })]);
    }

    /// Presses and lets go of a key.
    pub(crate) fn tap(&mut self, key: Named) {
        self.tap_with(Key::Named(key), Modifiers::empty());
    }

    /// The same with something held down.
    pub(crate) fn tap_with(&mut self, key: Key, modifiers: Modifiers) {
        let text = match &key {
            Key::Character(text) => Some(text.clone()),
            Key::Named(Named::Space) => Some(SmolStr::new(" ")),
            _ => None,
        };
        self.events(&[Event::Keyboard(keyboard::Event::KeyPressed {
            key: key.clone(),
            modified_key: key,
            physical_key: keyboard::key::Physical::Unidentified(keyboard::key::NativeCode::Unidentified),
            location: keyboard::Location::Standard,
            modifiers,
            repeat: false,
            text,
        })]);
    }

    /// Types letters.
    pub(crate) fn letters(&mut self, text: &str) {
        for c in text.chars() {
            let modifiers = if c.is_uppercase() { Modifiers::SHIFT } else { Modifiers::empty() };
            self.tap_with(Key::Character(SmolStr::new(c.to_string())), modifiers);
        }
    }

    /// Turns the wheel where the pointer is.
    pub(crate) fn scroll(&mut self, lines: f32) {
        let delta = mouse::ScrollDelta::Lines { x: 0.0, y: lines };
        self.events(&[Event::Mouse(mouse::Event::WheelScrolled { delta })]);
    }

    /// The part of a display that this window fills, with nothing on it.
    pub(crate) fn display(&self, scale: f32, buffers: usize) -> Display {
        Display::new(self.size, scale, buffers)
    }

    /// Draws what has changed on a display; what is stale on it afterwards.
    pub(crate) fn present(&mut self, display: &mut Display) -> Option<(usize, u8, Rectangle<u32>)> {
        self.draw();
        display.present(&mut self.renderer, self.app.theme().base().background_color);
        self.stale(display)
    }

    /// What is stale on a display, by what was drawn last.
    pub(crate) fn stale(&mut self, display: &Display) -> Option<(usize, u8, Rectangle<u32>)> {
        display.stale(&mut self.renderer, self.app.theme().base().background_color)
    }

    /// A picture of the window: its size and its pixels.
    pub(crate) fn picture(&mut self, scale: f32) -> (u32, u32, Vec<u8>) {
        self.draw();
        let base = self.app.theme().base();
        let size = Size::new((self.size.width * scale) as u32, (self.size.height * scale) as u32);
        let pixels = self.renderer.screenshot(size, scale, base.background_color);
        (size.width, size.height, pixels)
    }

    /// Every text that is written in the window.
    pub(crate) fn texts(&mut self) -> Vec<PlacedText> {
        self.draw();
        self.renderer.texts()
    }

    /// The texts of which a part cannot be read: cut by something that does not scroll, or written over one
    /// another.
    pub(crate) fn unreadable(&mut self) -> Vec<String> {
        // What lies in a list is brought into view by scrolling it: cards up and down, the tray across.
        let up_and_down = ["card", "start-jobs", "start-begin", "modal", "large"];
        let places: Vec<Rectangle> =
            up_and_down.into_iter().filter_map(|list| self.place(iced_test::selector::id(list))).collect();
        let tray = self.place(iced_test::selector::id("tray"));
        let within = |list: &Rectangle, text: &PlacedText| list.expand(1.0).contains(text.has.center());
        let texts = self.texts();
        let mut wrong = Vec::new();
        for text in texts.iter().filter(|text| !text.content.trim().is_empty()) {
            let scrolls_down = places.iter().any(|list| within(list, text));
            let scrolls_across = tray.is_some_and(|list| within(&list, text));
            if text.is_cut_across() && !scrolls_across || text.is_cut_up_and_down() && !scrolls_down {
                wrong.push(format!("“{}” needs {:?} and has {:?}", text.content, text.needs, text.has));
            }
        }
        let shown: Vec<&PlacedText> = texts.iter().filter(|text| !text.drawn).collect();
        for (index, text) in shown.iter().enumerate() {
            let seen = |text: &PlacedText| text.needs.intersection(&text.has);
            for other in &shown[index + 1..] {
                let both = seen(text).zip(seen(other)).and_then(|(one, other)| one.intersection(&other));
                if both.is_some_and(|both| both.width > 2.0 && both.height > 6.0) {
                    wrong.push(format!("“{}” lies on “{}”", text.content, other.content));
                }
            }
        }
        wrong
    }

    /// Has every widget put what it shows into the renderer's hands.
    fn draw(&mut self) {
        let redraw = Event::Window(platform::Event::RedrawRequested(std::time::Instant::now()));
        let theme = self.app.theme();
        let base = theme.base();
        let mut ui = ui(&self.app, self.size, &mut self.cache, &mut self.renderer);
        let mut messages = Vec::new();
        let _ = ui.update(&[redraw], self.cursor, &mut self.renderer, &mut clipboard::Null, &mut messages);
        ui.draw(&mut self.renderer, &theme, &Style { text_color: base.text_color }, self.cursor);
        self.cache = Some(ui.into_cache());
        for message in messages {
            self.send(message);
        }
    }
}

/// A link that notes what goes through it.
fn noting(link: Link, asked: Arc<Mutex<Vec<Command>>>, stopped: Arc<Mutex<Vec<Option<u64>>>>) -> Link {
    let Link { commands, updates, stop } = link;
    Link {
        commands: Commands::new(move |command| {
            commands.send(command.clone())?;
            asked.lock().expect("a list").push(command);
            Ok(())
        }),
        updates,
        stop: StopHandle::new(move |run| {
            match run {
                Some(run) => stop.stop_run(run),
                None => stop.stop(),
            }
            stopped.lock().expect("a list").push(run);
        }),
    }
}

fn ui<'a>(
    app: &'a App,
    size: Size,
    cache: &mut Option<Cache>,
    renderer: &mut Renderer,
) -> UserInterface<'a, Message, Theme, Renderer> {
    UserInterface::build(app.view(), size, cache.take().unwrap_or_default(), renderer)
}
