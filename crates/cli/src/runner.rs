//! Runs a procedure on the command line's own thread: a rig, a job, Ctrl-C.

use std::io;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::Receiver;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use ::job::{Conditions, PlacedBy};
use engine::{RunToken, StopSwitch};
use library::Error;
use procedure::{Event, Hand, ImportSession, Instruction, MakeStore, Session, Store, WhenKept};
use project::{Change, Placement};
use rig::OpenRig;
use signal_hook::consts::{SIGINT, SIGTERM};
use signal_hook::flag;

/// How often it is looked whether somebody pressed Ctrl-C: a fifth of what a person notices.
const LOOK_EVERY: Duration = Duration::from_millis(20);

/// From here on Ctrl-C ends the run that is given back, with its fade; a second one ends the program.
pub(crate) fn interruptible() -> io::Result<RunToken> {
    let switch = StopSwitch::default();
    let token = switch.begin();
    let pressed = Arc::new(AtomicBool::new(false));
    for signal in [SIGINT, SIGTERM] {
        flag::register_conditional_shutdown(signal, 128 + signal, Arc::clone(&pressed))?;
        flag::register(signal, Arc::clone(&pressed))?;
    }
    std::thread::Builder::new().name("cli-signals".to_owned()).spawn(move || {
        while !pressed.load(Ordering::Relaxed) {
            std::thread::sleep(LOOK_EVERY);
        }
        switch.stop();
    })?;
    Ok(token)
}

/// The job that a command keeps its captures in, if it names one. It is opened, or made, when there is
/// something to keep.
#[derive(Clone)]
pub(crate) struct Keeper {
    named: bool,
    job: Arc<Mutex<WhenKept>>,
    /// Why something could not be noted, the first time.
    failed: Arc<Mutex<Option<Error>>>,
    said: Said,
}

/// What a person says of the captures that a command makes.
#[derive(Debug, Clone, Default, PartialEq)]
pub(crate) struct Said {
    pub(crate) position: Option<String>,
    pub(crate) driver: Option<String>,
    pub(crate) channel: Option<String>,
    pub(crate) conditions: Conditions,
}

impl Said {
    /// Where a capture belongs with that; nothing where nothing was said.
    fn on(&self, was: Placement) -> Option<Placement> {
        if *self == Self::default() {
            return None;
        }
        let Self { position, driver, channel, conditions } = self;
        Some(Placement {
            position: position.clone().unwrap_or(was.position),
            driver: driver.clone().unwrap_or(was.driver),
            processor_channel: channel.clone().unwrap_or(was.processor_channel),
            conditions: conditions.clone().or(was.conditions),
            placed_by: Some(PlacedBy::Person),
            ..was
        })
    }
}

impl Keeper {
    pub(crate) fn new(dir: Option<&Path>) -> Self {
        Self {
            named: dir.is_some(),
            job: Arc::new(Mutex::new(WhenKept::new(dir))),
            failed: Arc::default(),
            said: Said::default(),
        }
    }

    /// From now on this is noted of every capture that begins.
    pub(crate) fn say(&mut self, said: Said) {
        self.said = said;
    }

    fn make(&self) -> MakeStore {
        let job = Arc::clone(&self.job);
        Arc::new(move || {
            let mut job = job.lock().unwrap_or_else(PoisonError::into_inner);
            let nothing = || Error::input("no job was named; add --job");
            job.job()?.ok_or_else(nothing)?.store()
        })
    }

    fn store(&self) -> Store {
        if self.named { Store::WhenNeeded(self.make()) } else { Store::Loose }
    }

    fn note(&self, change: &Change) {
        let mut job = self.job.lock().unwrap_or_else(PoisonError::into_inner);
        let placed = match change {
            Change::CaptureBegun { id, meta } => {
                self.said.on(Placement::of(meta)).map(|placement| (*id, placement))
            }
            _ => None,
        };
        let noted = job.job().and_then(|job| {
            let Some(job) = job else { return Ok(()) };
            job.apply(change.clone())?;
            if let (Some(id), Some(_)) = (change.capture(), change.reading()) {
                // It is on disk, and many of them make the memory of hours.
                job.forget(id);
            }
            placed.map_or(Ok(()), |(id, placement)| job.apply(Change::Placed { id, placement }))
        });
        if let (Err(error), true) = (noted, self.named) {
            self.failed.lock().unwrap_or_else(PoisonError::into_inner).get_or_insert(error);
        }
    }

    /// The result, unless something could not be noted.
    fn settle<T>(&self, result: Result<T, Error>) -> Result<T, Error> {
        let failed = self.failed.lock().unwrap_or_else(PoisonError::into_inner).take();
        match (result, failed) {
            (Ok(_), Some(error)) => Err(error),
            (result, _) => result,
        }
    }
}

/// What a command runs a procedure with.
pub(crate) struct Runner {
    pub(crate) rig: OpenRig,
    pub(crate) keeper: Keeper,
    token: RunToken,
    inbox: Receiver<Instruction>,
    hand: Hand,
}

impl Runner {
    /// With what a person types. Whatever is asked of them, they confirm.
    pub(crate) fn new(rig: OpenRig, job: Option<&PathBuf>, inbox: Receiver<Instruction>) -> io::Result<Self> {
        let keeper = Keeper::new(job.map(PathBuf::as_path));
        Ok(Self { rig, keeper, token: interruptible()?, inbox, hand: Hand::Confirms })
    }

    /// Runs a procedure, and shows what happens.
    pub(crate) fn run<T>(
        &mut self,
        show: &mut dyn FnMut(&Event),
        procedure: impl FnOnce(&mut Session<'_>) -> Result<T, Error>,
    ) -> Result<T, Error> {
        let keeper = self.keeper.clone();
        let result = procedure(&mut Session {
            rig: &mut self.rig,
            store: keeper.store(),
            token: self.token.clone(),
            inbox: &self.inbox,
            hand: self.hand,
            on_event: &mut |event| {
                show(&event);
                if let Event::Change(change) = &event {
                    keeper.note(change);
                }
            },
        });
        keeper.settle(result)
    }
}

/// Runs an import, and shows what happens.
pub(crate) fn import(
    job: &Path,
    show: &mut dyn FnMut(&Event),
    order: &procedure::ImportOrder,
) -> Result<procedure::Imported, Error> {
    let keeper = Keeper::new(Some(job));
    let token =
        interruptible().map_err(|error| Error::measurement(format!("Ctrl-C cannot be caught: {error}")))?;
    let mut session = ImportSession {
        store: keeper.make(),
        token: &token,
        on_event: &mut |event| {
            show(&event);
            if let Event::Change(change) = &event {
                keeper.note(change);
            }
        },
    };
    let result = procedure::import(&mut session, order);
    keeper.settle(result)
}
