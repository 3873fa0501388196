//! A plugin as a measurement like any other.

use measure::{Block, Feed, Finding, Manifest, Measurement, Reading, Start};

use crate::fault::{Fault, Kind, UNEXPLAINED};
use crate::instance::{Begun, Instance};
use crate::plugin::Plugin;
use crate::{reading, start};

/// A plugin at work. It is in memory from `start` to `finish`, or until its first
/// fault.
struct Sandboxed {
    plugin: Plugin,
    sample_rate_hz: f64,
    state: State,
}

enum State {
    /// Not started, or finished.
    Idle,
    /// Being fed.
    Running(Box<Instance>),
    /// Ended by a fault of its own.
    Failed(Finding),
}

impl Plugin {
    /// It as a measurement like any other.
    #[must_use]
    pub fn measurement(&self) -> Box<dyn Measurement> {
        Box::new(Sandboxed::new(self.clone()))
    }
}

impl Sandboxed {
    fn new(plugin: Plugin) -> Self {
        Self { plugin, sample_rate_hz: 0.0, state: State::Idle }
    }

    fn begin(&mut self, start: &Start) -> Result<Result<Box<Instance>, Finding>, Fault> {
        let mut instance = Box::new(self.plugin.instance()?);
        let begun = instance.begin(&start::encode(start), start.channels, start.sample_rate_hz)?;
        if begun == Begun::Ready {
            return Ok(Ok(instance));
        }
        let told = self.read(&instance.reading()?)?;
        match told.stopped() {
            Some(finding) => Ok(Err(finding.clone())),
            None => Err(Fault::new(Kind::Refused, UNEXPLAINED)),
        }
    }

    /// Does something with the running plugin; a fault ends it.
    fn ask<T>(&mut self, question: impl FnOnce(&mut Instance) -> Result<T, Fault>) -> Option<T> {
        let State::Running(instance) = &mut self.state else { return None };
        let answer = question(instance);
        for line in instance.log() {
            tracing::info!(plugin = self.plugin.manifest().id, "{line}");
        }
        answer.map_err(|fault| self.state = State::Failed(self.plugin.finding_of_run(&fault))).ok()
    }

    fn empty(&self) -> Reading {
        let manifest = self.plugin.manifest();
        Reading::new(&manifest.id, manifest.version, self.sample_rate_hz)
    }

    fn read(&self, text: &str) -> Result<Reading, Fault> {
        reading::decode(text, self.empty())
            .map_err(|why| Fault::new(Kind::Reading, format!("gave a reading that {why}")))
    }

    fn answer(&mut self, text: Option<String>) -> Reading {
        let told = text.map(|text| self.read(&text));
        if let Some(Err(fault)) = &told {
            self.state = State::Failed(self.plugin.finding_of_run(fault));
        }
        if let Some(Ok(told)) = told {
            return told;
        }
        let mut reading = self.empty();
        if let State::Failed(finding) = &self.state {
            reading.finding(finding.clone());
        }
        reading
    }
}

impl Measurement for Sandboxed {
    fn manifest(&self) -> Manifest {
        self.plugin.manifest().clone()
    }

    fn start(&mut self, start: &Start) -> Result<(), Finding> {
        self.sample_rate_hz = start.sample_rate_hz;
        let begun = self.begin(start).map_err(|fault| self.plugin.finding(&fault)).and_then(|begun| begun);
        match begun {
            Ok(instance) => {
                self.state = State::Running(instance);
                Ok(())
            }
            Err(finding) => {
                self.state = State::Failed(finding.clone());
                Err(finding)
            }
        }
    }

    fn feed(&mut self, block: &Block<'_>) -> Feed {
        self.ask(|instance| instance.feed(block)).unwrap_or(Feed::Enough)
    }

    fn reading(&mut self) -> Reading {
        let text = self.ask(Instance::reading);
        self.answer(text)
    }

    fn finish(&mut self) -> Reading {
        let text = self.ask(Instance::finish);
        let reading = self.answer(text);
        if matches!(self.state, State::Running(_)) {
            self.state = State::Idle;
        }
        reading
    }
}
