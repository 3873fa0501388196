//! A procedure run by a test.

use std::sync::mpsc::{Receiver, SyncSender, sync_channel};

use engine::{Pace, StopSwitch};
use rig::{OpenRig, RigChoice};

use crate::{Change, Event, Hand, Instruction, Session, Store, SweepNow};

/// A simulated car, what a person says while a procedure runs, and everything that it tells.
pub(crate) struct Trial {
    pub(crate) rig: OpenRig,
    pub(crate) store: Store,
    pub(crate) switch: StopSwitch,
    pub(crate) events: Vec<Event>,
    said: Option<(SyncSender<Instruction>, Receiver<Instruction>)>,
    /// After so many events somebody says something.
    later: Option<(usize, Instruction)>,
    /// After so many events the switch is thrown.
    pub(crate) stop_after: Option<usize>,
}

impl Trial {
    /// With this simulated car, as fast as it goes, and nobody who says anything.
    pub(crate) fn car(name: &str) -> Self {
        Self::with(RigChoice::fast_car(name))
    }

    /// By the clock.
    pub(crate) fn car_by_the_clock(name: &str) -> Self {
        Self::with(RigChoice::Simulated { car: name.to_owned(), pace: Pace::RealTime })
    }

    fn with(choice: RigChoice) -> Self {
        Self {
            rig: OpenRig::open(choice).expect("a rig"),
            store: Store::Nowhere,
            switch: StopSwitch::default(),
            events: Vec::new(),
            said: None,
            later: None,
            stop_after: None,
        }
    }

    /// Somebody says this at the very beginning.
    pub(crate) fn say(&mut self, instruction: Instruction) {
        let (sender, _) = self.said.get_or_insert_with(|| sync_channel(16));
        sender.send(instruction).expect("room");
    }

    /// Somebody says this after so many events.
    pub(crate) fn say_after(&mut self, events: usize, instruction: Instruction) {
        self.said.get_or_insert_with(|| sync_channel(16));
        self.later = Some((events, instruction));
    }

    /// What was seen of volume sweeps.
    pub(crate) fn steps(&self) -> impl Iterator<Item = &SweepNow> {
        self.events.iter().filter_map(|event| match event {
            Event::Step(now) => Some(now),
            _ => None,
        })
    }

    /// What the project was to note.
    pub(crate) fn changes(&self) -> impl Iterator<Item = &Change> {
        self.events.iter().filter_map(|event| match event {
            Event::Change(change) => Some(change),
            _ => None,
        })
    }

    /// Runs a procedure.
    pub(crate) fn run<T>(&mut self, procedure: impl FnOnce(&mut Session<'_>) -> T) -> T {
        let alone = sync_channel(0).1;
        let inbox = self.said.as_ref().map_or(&alone, |(_, inbox)| inbox);
        let sender = self.said.as_ref().map(|(sender, _)| sender.clone());
        let (switch, stop_after, events) = (self.switch.clone(), self.stop_after, &mut self.events);
        let mut later = self.later.take();
        procedure(&mut Session {
            rig: &mut self.rig,
            store: self.store.clone(),
            token: self.switch.begin(),
            inbox,
            hand: Hand::Confirms,
            on_event: &mut |event| {
                events.push(event);
                if let Some((_, instruction)) = later.take_if(|(after, _)| *after == events.len())
                    && let Some(sender) = &sender
                {
                    sender.send(instruction).expect("room");
                }
                if stop_after.is_some_and(|most| events.len() == most) {
                    switch.stop();
                }
            },
        })
    }
}
