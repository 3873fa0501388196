//! The window and the app behind it, without a display: keys and clicks go in as a person gives them, and what
//! is seen is known exactly, so that nothing needs to be waited for by the clock.

use std::fs::File;
use std::io::BufWriter;
use std::ops::{Deref, DerefMut};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::mpsc::{Receiver, RecvTimeoutError, sync_channel};
use std::thread::sleep;
use std::time::{Duration, Instant};

use iced::Point;
use iced::keyboard::key::Named;
use iced_test::selector::id;
use view::{Activity, Command, Link, Live, Now, Snapshot, Stage, StageState, Update};
use window::{FromSession, Message, Theme};

use crate::bench::Bench;

/// How long anything is waited for; a busy machine computes slowly.
const PATIENCE: Duration = Duration::from_secs(600);
/// So long after something has ended by itself keys start nothing.
pub(crate) const PAUSE: Duration = Duration::from_millis(750);

/// How the person works.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum By {
    /// By keys alone.
    Keyboard,
    /// By the mouse alone.
    Mouse,
}

/// A folder that is gone when the test ends, where the build keeps its own.
pub(crate) fn folder() -> tempfile::TempDir {
    tempfile::tempdir_in(env!("CARGO_TARGET_TMPDIR")).expect("a temporary folder")
}

/// Where what is the person's own lies in it.
pub(crate) fn own(folder: &tempfile::TempDir) -> PathBuf {
    folder.path().join("own")
}

/// A person at the window.
pub(crate) struct Driver {
    pub(crate) bench: Bench,
    by: By,
    size: (f32, f32),
    updates: Receiver<Update>,
    seen: Option<Arc<Snapshot>>,
    now: Option<Now>,
    pub(crate) live: Live,
    /// What was said, the oldest first.
    pub(crate) notices: Vec<String>,
    pub(crate) folder: tempfile::TempDir,
}

impl Deref for Driver {
    type Target = Bench;

    fn deref(&self) -> &Bench {
        &self.bench
    }
}

impl DerefMut for Driver {
    fn deref_mut(&mut self) -> &mut Bench {
        &mut self.bench
    }
}

impl Driver {
    /// The window of an app, with a new job in a folder of its own.
    pub(crate) fn at(app: app::App, by: By, theme: Theme, size: (f32, f32)) -> Self {
        let mut driver = Self::before(app, by, theme, size, folder());
        let job = driver.folder.path().join("job").display().to_string();
        driver.ask(Command::NewJob(job));
        driver.wait("the job", |driver| driver.seen().is_some_and(|seen| !seen.shared.job.folder.is_empty()));
        driver
    }

    /// The window of an app that begins as the app does; what is the person's own lies in this folder.
    pub(crate) fn before(
        app: app::App,
        by: By,
        theme: Theme,
        size: (f32, f32),
        folder: tempfile::TempDir,
    ) -> Self {
        let link = app.door().attach();
        let own = own(&folder);
        let serve = move || {
            library::place::DATA.set(Some(own));
            app.serve();
        };
        std::thread::Builder::new().name("app".to_owned()).spawn(serve).expect("a thread");
        let (_, nothing) = sync_channel(1);
        let Link { commands, updates, stop } = link;
        let bench = Bench::at(Link { commands, updates: nothing, stop }, theme, size);
        let (seen, now, live, notices) = (None, None, Live::default(), Vec::new());
        let mut driver = Self { bench, by, size, updates, seen, now, live, notices, folder };
        driver.wait("the first picture", |driver| driver.seen().is_some());
        driver
    }

    /// What is seen.
    pub(crate) fn seen(&self) -> Option<&Snapshot> {
        self.seen.as_deref()
    }

    pub(crate) fn snapshot(&self) -> &Snapshot {
        self.seen().expect("there is something to be seen")
    }

    /// What is going on.
    pub(crate) fn activity(&self) -> Option<&Activity> {
        let shown = self.seen.as_deref()?;
        let newer = self.now.as_ref().filter(|now| now.revision > shown.revision);
        Some(newer.map_or(&shown.shared.activity, |now| &now.activity))
    }

    /// Whether nothing is going on, and what is seen knows it.
    pub(crate) fn is_idle(&self) -> bool {
        let told = self.now.as_ref().map_or(0, |now| now.revision);
        self.activity() == Some(&Activity::Idle) && self.seen().is_some_and(|seen| seen.revision >= told)
    }

    fn take(&mut self, update: Update) {
        match &update {
            Update::Snapshot(snapshot) => self.seen = Some(Arc::clone(snapshot)),
            Update::Now(now) => self.now = Some(now.clone()),
            Update::Live(live) => self.live = live.clone(),
            Update::Notice { text, .. } => self.notices.push(text.clone()),
            Update::Cue(_) => {}
        }
        self.bench.tell(update);
    }

    /// Takes what comes until it is as wanted.
    #[track_caller]
    pub(crate) fn wait(&mut self, what: &str, wanted: impl Fn(&Self) -> bool) {
        let began = Instant::now();
        while !wanted(self) {
            match self.updates.recv_timeout(Duration::from_millis(20)) {
                Ok(update) => self.take(update),
                Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => panic!("the app ended before {what}"),
            }
            assert!(
                began.elapsed() < PATIENCE,
                "{what} did not come: {:?}, {:?}",
                self.activity(),
                self.notices
            );
        }
    }

    /// Waits until nothing is going on any more.
    #[track_caller]
    pub(crate) fn wait_idle(&mut self) {
        // What was asked for begins first.
        self.drain(Duration::from_millis(60));
        self.wait("the end", Self::is_idle);
        self.drain(Duration::from_millis(60));
        self.wait("the end of what followed by itself", Self::is_idle);
    }

    /// Takes what comes within this time.
    pub(crate) fn drain(&mut self, time: Duration) {
        let until = Instant::now() + time;
        while let Ok(update) = self.updates.recv_timeout(until.saturating_duration_since(Instant::now())) {
            self.take(update);
        }
    }

    /// What was told is no longer shown over the window.
    pub(crate) fn clear_news(&mut self) {
        self.bench.send(Message::Session(FromSession::CueOver));
        self.bench.send(Message::Session(FromSession::NewsOver));
    }

    /// Asks the app for something without a hand on the window.
    pub(crate) fn ask(&mut self, command: Command) {
        self.bench.send(Message::Ask(command));
    }

    /// Goes to something by its name and works it.
    #[track_caller]
    pub(crate) fn work(&mut self, name: &str) {
        match self.by {
            By::Mouse => {
                // What lies further down in a list at the right comes into view with the wheel.
                let (width, height) = self.size;
                for _ in 0..40 {
                    if self.bench.place(id(name.to_owned())).is_some() {
                        break;
                    }
                    self.bench.move_to(Point::new(width - 150.0, height / 2.0));
                    self.bench.scroll(-1.0);
                }
                self.bench.click(id(name.to_owned()));
            }
            By::Keyboard => {
                let tabs = (0..200).take_while(|_| {
                    let there = self.bench.has_keyboard(name);
                    if !there {
                        self.bench.tap(Named::Tab);
                    }
                    !there
                });
                let tabs = tabs.count();
                assert!(tabs < 200, "{name} cannot be reached by Tab");
                self.bench.tap(Named::Enter);
            }
        }
    }

    /// Does what the window offers first.
    #[track_caller]
    pub(crate) fn go_on(&mut self) {
        let offered = |driver: &Self| {
            let snapshot = driver.snapshot();
            (snapshot.face.stage, snapshot.card.main.clone(), driver.is_idle())
        };
        let before = offered(self);
        match self.by {
            By::Mouse => self.bench.click(id("main")),
            By::Keyboard => {
                sleep(PAUSE);
                self.bench.tap(Named::Space);
            }
        }
        // The next picture may take long to compute; something that changes nothing is the caller's to notice.
        let until = Instant::now() + Duration::from_secs(20);
        self.wait("an answer", |driver| offered(driver) != before || Instant::now() > until);
    }

    /// Opens a stage.
    #[track_caller]
    pub(crate) fn open(&mut self, stage: Stage) {
        match self.by {
            By::Mouse => self.bench.click(id(stage.title())),
            By::Keyboard => {
                let number = Stage::ALL.iter().position(|other| *other == stage).expect("one of seven") + 1;
                self.bench.letters(&number.to_string());
            }
        }
        self.wait("the stage", |driver| driver.snapshot().face.stage == stage);
        self.wait_idle();
    }

    /// Takes a simulated car from the start page.
    #[track_caller]
    pub(crate) fn take_car(&mut self, car: &str) {
        match self.by {
            By::Mouse => self.bench.click(id("job")),
            By::Keyboard => self.bench.letters("j"),
        }
        self.wait("the start page", |driver| driver.snapshot().start.is_some());
        self.work(&format!("car-{car}"));
        self.wait("the car", |driver| driver.snapshot().start.is_none());
        self.wait_idle();
    }

    /// How far a stage is.
    pub(crate) fn stage(&self, stage: Stage) -> (StageState, &str) {
        let lines = &self.snapshot().shared.stages;
        let line = lines.iter().find(|line| line.stage == stage).expect("one of seven");
        (line.state, &line.result)
    }

    /// Keeps what the window shows as a picture.
    pub(crate) fn keep(&mut self, path: &Path, scale: f32) {
        let (width, height, rgba) = self.bench.picture(scale);
        let rgb: Vec<u8> = rgba.chunks_exact(4).flat_map(|pixel| [pixel[0], pixel[1], pixel[2]]).collect();
        let mut encoder =
            png::Encoder::new(BufWriter::new(File::create(path).expect("a file")), width, height);
        encoder.set_color(png::ColorType::Rgb);
        encoder.set_compression(png::Compression::High);
        encoder.write_header().and_then(|mut w| w.write_image_data(&rgb)).expect("the picture is written");
    }
}
