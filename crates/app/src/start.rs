//! The start page, and what is remembered from one start to the next.

use std::path::Path;
use std::sync::Arc;

use library::{Remembered, RememberedLook, RememberedRig, Result, place};
use view::{Action, Button, Look, RecentJob, StartPage};

use super::card::button;
use super::recent::{fingerprint_of, recent, recent_folders};
use super::state::State;
use super::{Core, Mail};

/// How many recent jobs are shown.
const SHOWN: usize = 12;

impl State {
    /// The start page's main button, and its space bar.
    pub(super) fn start_main(&self) -> Button {
        match self.recent_job() {
            Some(job) => button(Action::ContinueJob, &format!("Continue with {}", job.name), true),
            None => button(Action::UseSimulatedCar, "Use the simulated car", true),
        }
    }

    /// The job that was open last, where it can be opened.
    fn recent_job(&self) -> Option<&RecentJob> {
        self.start.jobs.iter().find(|job| job.readable)
    }
}

impl Core {
    /// Takes what is remembered, and shows the start page first.
    pub(super) fn remembering(&mut self, remembered: Remembered) {
        self.memory = Some(remembered);
        self.look_for_jobs();
    }

    /// Looks for recent jobs on a thread of its own: first what they are, then how they lie about their
    /// targets.
    pub(super) fn look_for_jobs(&mut self) {
        let Some(remembered) = self.memory.clone() else { return };
        let Ok(mail) = self.mail() else { return };
        let looking = StartPage { looking: true, ..(*self.state.start).clone() };
        self.state.start = Arc::new(looking);
        self.changed = true;
        let work = place::work();
        let thread = std::thread::Builder::new().name("compute".to_owned());
        let thread = thread.spawn(move || {
            let folders = recent_folders(&remembered, &work);
            let found: Vec<_> = folders.iter().filter_map(|folder| recent(folder)).take(SHOWN).collect();
            let tiles: Vec<RecentJob> = found.iter().map(|(tile, _)| tile.clone()).collect();
            // An app that has ended wants no answer.
            _ = mail.send(Mail::Recent(tiles));
            let printed = found
                .into_iter()
                .map(|(tile, job)| RecentJob { fingerprint: job.as_ref().and_then(fingerprint_of), ..tile });
            _ = mail.send(Mail::Recent(printed.collect()));
        });
        if let Err(error) = thread {
            tracing::error!(%error, "no thread to look for jobs");
        }
    }

    /// Takes the recent jobs that were found.
    pub(super) fn take_recent(&mut self, jobs: Vec<RecentJob>) {
        self.state.start = Arc::new(StartPage { jobs, looking: false, ..(*self.state.start).clone() });
        self.changed = true;
    }

    /// Shows the start page; the open job stays open.
    pub(super) fn show_start(&mut self) {
        self.state.face.at_start = true;
        self.look_for_jobs();
    }

    /// Opens the job that was open last.
    pub(super) fn continue_job(&mut self) -> Result<()> {
        match self.state.recent_job().map(|job| job.folder.clone()) {
            Some(folder) => self.open_job(&folder),
            None => Ok(()),
        }
    }

    /// What a job was measured with is taken again, where that needs no device.
    pub(super) fn take_rig_of(&mut self, folder: &Path) {
        let memory = self.memory.as_ref();
        let known = memory.and_then(|memory| memory.jobs.iter().find(|job| job.folder == folder));
        let taken = match known.and_then(|job| job.rig.clone()) {
            Some(RememberedRig::Simulated(car)) => self.take_car(&car).map(drop),
            Some(RememberedRig::File(file)) => self.take_rig(file),
            Some(RememberedRig::Devices) | None => Ok(()),
        };
        // The job can be read without it.
        if let Err(error) = taken {
            self.notice(format!("What this job was measured with is not there: {error}"), false);
        }
    }

    /// Another car comes to the rig that was set up last.
    pub(super) fn take_last_rig(&mut self) {
        let last = self.memory.as_ref().and_then(|memory| memory.rig.clone());
        let Some(RememberedRig::File(file)) = last.filter(|_| self.state.rig.is_none()) else { return };
        if let Err(error) = self.take_rig(file) {
            self.notice(format!("The rig that was used last is not there: {error}"), false);
        }
    }

    /// Remembers the open job and what it is measured with.
    pub(super) fn remember_job(&mut self) {
        let Some(folder) = self.job.as_ref().map(|job| job.job().dir().to_owned()) else { return };
        let rig = self.rig_in_use.clone();
        self.remember(|memory| memory.opened(&folder, rig));
    }

    /// Remembers how the window is looked at.
    pub(super) fn remember_look(&mut self, look: Look) {
        self.remember(|memory| {
            memory.look = Some(RememberedLook {
                daylight: look.daylight,
                width: look.size.0,
                height: look.size.1,
                text_scale: look.text_scale,
            });
        });
    }

    /// Changes what is remembered, and keeps it.
    pub(super) fn remember(&mut self, change: impl FnOnce(&mut Remembered)) {
        let Some(memory) = &mut self.memory else { return };
        let before = memory.clone();
        change(memory);
        if *memory != before
            && let Err(error) = memory.save()
        {
            // Nothing of the work is lost by it.
            tracing::warn!(%error, "nothing is remembered");
        }
    }
}
