//! What every stage of the demonstration works with.

use std::sync::mpsc::sync_channel;

use engine::RunToken;
use job::{ChannelSetting, Stage, StageResult, StageState};
use measure::Reading;
use procedure::{Captured, Change, Event, Hand, OpenJob, Session, Store};
use rig::OpenRig;

use library::{Error, Result};

/// The processor of the demonstration.
pub(super) const PROCESSOR: &str = "parametric-gridded";

/// What every stage of the demonstration works with.
pub(super) struct Demo<'a> {
    pub(super) rig: OpenRig,
    pub(super) job: OpenJob,
    /// What is entered for each driver, once it is known.
    pub(super) channels: Vec<ChannelSetting>,
    pub(super) token: RunToken,
    pub(super) progress: &'a mut dyn FnMut(&str, f64),
    pub(super) say: &'a mut dyn FnMut(&str),
}

impl Demo<'_> {
    /// Runs a procedure on the rig, with its captures in the job.
    pub(super) fn run<T>(&mut self, procedure: impl FnOnce(&mut Session<'_>) -> Result<T>) -> Result<T> {
        let Self { rig, job, token, progress, .. } = self;
        let (_, nobody) = sync_channel(0);
        let mut failed = None;
        let result = procedure(&mut Session {
            rig,
            store: Store::Job(job.store()?),
            token: token.clone(),
            inbox: &nobody,
            hand: Hand::Ready,
            on_event: &mut |event| match event {
                Event::Progress { what, share } => progress(&what, share.unwrap_or(0.0)),
                Event::Change(change) => {
                    if let Err(error) = job.apply(change) {
                        failed.get_or_insert(error);
                    }
                }
                _ => {}
            },
        })?;
        if token.is_stopped() {
            let text = format!(
                "the demonstration was stopped; what was measured so far is kept in {}",
                job.job().dir().display()
            );
            return Err(Error::measurement(text));
        }
        failed.map_or(Ok(result), Err)
    }

    /// Prints a stage's result and keeps it in the job.
    pub(super) fn result(&mut self, stage: Stage, title: &str, line: &str) -> Result<()> {
        (self.say)(&format!("{title:9} {line}"));
        let line = line.to_owned();
        let result = StageResult { state: StageState::Measured, line };
        self.job.apply(Change::StageResult(stage, Some(result)))
    }

    /// Prints a detail under a stage's result.
    pub(super) fn detail(&mut self, line: &str) {
        (self.say)(&format!("          {line}"));
    }
}

/// The reading of one capture, or why there is none.
pub(super) fn one(captured: Vec<Captured>) -> Result<Reading> {
    let nothing = || Error::measurement("nothing was captured");
    let reading = captured.into_iter().next().ok_or_else(nothing)?.reading;
    match reading.stopped() {
        Some(finding) => Err(finding.into()),
        None => Ok(reading),
    }
}
