//! Captures: one, or several in a row, each measured as it comes in.

use std::time::Duration;

use library::Result;

use crate::capture_run::{CaptureRun, Computed, Pumped};
use crate::session::{Go, Session, Ticker};
use crate::{Captured, Event, Instruction, Plan, Until};

/// How often it is told how loud the inputs are: at least ten times a second is promised.
pub(crate) const TELL_EVERY: Duration = Duration::from_millis(60);
/// How long is waited for samples before instructions are looked at again.
pub(crate) const WAIT: Duration = Duration::from_millis(20);

impl Session<'_> {
    /// Sets the scene, and has the person do their part.
    pub(crate) fn prepare(&mut self, plan: &Plan) -> Result<Go> {
        if let Some(scene) = &plan.scene {
            self.rig.set_scene(scene)?;
        }
        Ok(match &plan.request {
            Some(request) => self.ask(request),
            None if self.is_stopped() => Go::Stop,
            None => Go::On,
        })
    }

    /// Begins a capture, and tells so.
    pub(crate) fn begin(&mut self, plan: &Plan, place: (usize, usize)) -> Result<CaptureRun> {
        let run = CaptureRun::begin(plan, self.rig, &self.store, Some(self.token.clone()))?;
        let stimulus = run.stimulus().cloned();
        self.emit(Event::Began { label: plan.label.clone(), place, stimulus });
        run.begun().into_iter().for_each(|change| self.change(change));
        Ok(run)
    }

    /// Ends a capture: computes, and has it noted.
    pub(crate) fn end(&mut self, run: CaptureRun) -> Vec<Captured> {
        let noted: Vec<_> = run.end().compute().into_iter().map(Computed::noted).collect();
        let mut all = Vec::new();
        for (change, captured) in noted {
            if let Some(change) = change {
                self.change(change);
            }
            if let Some(path) = &captured.recording {
                self.emit(Event::Recording(path.clone()));
            }
            self.emit(Event::Captured(captured.clone()));
            all.push(captured);
        }
        all
    }

    /// Tells how loud it is and how far it came.
    pub(crate) fn tell(&mut self, run: &mut CaptureRun, what: &str) {
        let (elapsed_s, input, meters, blocks) = (run.elapsed_s(), run.input(), run.meters(), run.levels());
        self.emit(Event::Level { elapsed_s, input, meters, blocks });
        self.emit(Event::Progress { what: what.to_owned(), share: run.progress() });
    }

    /// How often something is told: by the clock, unless a simulated car runs as fast as it can.
    pub(crate) fn ticker(&self, every: Duration) -> Ticker {
        Ticker::new(every, !self.rig.runs_ahead_of_the_clock())
    }
}

/// Makes one capture from beginning to end, of one input or of several at once. Nothing when the
/// person left it out, or stopped before it began.
///
/// # Errors
/// When the plan does not fit the rig, or the rig refuses. A measurement that cannot be made is not an
/// error: the reading says why.
pub fn capture(session: &mut Session<'_>, plan: &Plan) -> Result<Vec<Captured>> {
    capture_of(session, plan, (0, 1)).map(|(_, captured)| captured)
}

/// Makes captures one after the other. It ends early when it is stopped, or with the first of which
/// there is no result.
///
/// # Errors
/// As for [`capture`].
pub fn captures(session: &mut Session<'_>, plans: &[Plan]) -> Result<Vec<Captured>> {
    let mut all = Vec::new();
    for (index, plan) in plans.iter().enumerate() {
        let (go, captured) = capture_of(session, plan, (index, plans.len()))?;
        let failed = captured.iter().any(|captured| captured.reading.stopped().is_some());
        all.extend(captured);
        if go == Go::Stop || failed {
            break;
        }
    }
    Ok(all)
}

fn capture_of(session: &mut Session<'_>, plan: &Plan, place: (usize, usize)) -> Result<(Go, Vec<Captured>)> {
    let go = session.prepare(plan)?;
    if go != Go::On {
        return Ok((go, Vec::new()));
    }
    let mut run = session.begin(plan, place)?;
    let mut ticker = session.ticker(TELL_EVERY);
    while run.pump(WAIT) != Pumped::Over {
        if ticker.is_due(run.elapsed_s()) {
            session.tell(&mut run, "Measuring");
        }
        match session.instruction() {
            Some(Instruction::Continue) if matches!(plan.until, Until::Told | Until::Stopped) => run.finish(),
            Some(Instruction::Skip) => run.stop(),
            _ => {}
        }
    }
    let captured = session.end(run);
    let go = if session.is_stopped() { Go::Stop } else { Go::On };
    Ok((go, captured))
}
