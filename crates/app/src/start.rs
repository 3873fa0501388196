//! The start page: recent jobs, the simulated cars, and what is remembered from one start to the next.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use job::{CaptureState, Job};
use library::{Remembered, RememberedLook, RememberedRig};
use project::derive::whole_car;
use rig::{OpenRig, RigChoice};
use view::{Action, Button, Look, RecentJob, SetMark, SimulatedCar, StartPage};

use super::captures::{Captures, view_stage};
use super::card::button;
use super::picture::{THIRD_OCTAVES, fingerprint, residual_to};
use super::state::State;
use super::tune::Tune;
use super::{Core, Mail};
use library::{Result, place};

/// How many recent jobs are shown.
const SHOWN: usize = 12;

/// The cars that a person may try.
pub(super) fn simulated_cars() -> Vec<SimulatedCar> {
    let cars = rig::cars().into_iter();
    cars.map(|(id, car)| SimulatedCar { id: id.to_owned(), name: car.name, about: car.description }).collect()
}

/// How the window was left, as a face takes it.
pub(super) fn look(remembered: &Remembered) -> Look {
    remembered.look.map_or_else(Look::default, |kept| Look {
        daylight: kept.daylight,
        size: (kept.width, kept.height),
        text_scale: kept.text_scale,
    })
}

/// The folders of recent jobs: those that were open, the last one first, then what else lies among the
/// person's work, the newest first.
fn recent_folders(remembered: &Remembered) -> Vec<PathBuf> {
    let mut folders: Vec<PathBuf> = remembered.jobs.iter().map(|job| job.folder.clone()).collect();
    let others = job::list(&place::work()).unwrap_or_default();
    let others = others.into_iter().filter(|listed| listed.problem.is_none()).map(|listed| listed.dir);
    for folder in others {
        if !folders.contains(&folder) {
            folders.push(folder);
        }
    }
    folders
}

/// A job as a tile; nothing where its folder is gone.
fn recent(folder: &Path) -> Option<(RecentJob, Option<Job>)> {
    if !folder.is_dir() {
        return None;
    }
    let tile = RecentJob {
        folder: folder.display().to_string(),
        name: folder.file_name().unwrap_or_default().to_string_lossy().into_owned(),
        car: String::new(),
        day: String::new(),
        stage: view::Stage::Intake,
        result: String::new(),
        captures: 0,
        fingerprint: None,
        remark: String::new(),
        readable: false,
    };
    let job = match Job::open_to_read(folder) {
        Ok(job) => job,
        Err(error) => return Some((RecentJob { remark: error.to_string(), ..tile }, None)),
    };
    let data = job.data();
    let newest = job.captures().iter().map(|capture| capture.meta.started).max();
    let day = newest.unwrap_or(data.head.created).to_zoned_datetime(jiff::tz::TimeZone::system());
    let interrupted = job.captures().iter().filter(|capture| capture.state != CaptureState::Done).count();
    let stage = reached(data);
    let result = data.stages.range(..=stage).next_back();
    let tile = RecentJob {
        name: data.head.name.clone(),
        car: data.intake.vehicle.clone(),
        day: day.strftime("%-d %b %Y, %H:%M").to_string(),
        stage: view_stage(stage),
        result: result.map_or_else(String::new, |(_, result)| result.line.clone()),
        captures: job.captures().len(),
        remark: match interrupted {
            0 => String::new(),
            1 => "A capture was interrupted; its recording is kept.".to_owned(),
            several => format!("{several} captures were interrupted; their recordings are kept."),
        },
        readable: true,
        ..tile
    };
    Some((tile, Some(job)))
}

/// The stage that a job had reached: the one that was being worked on, else the last one with a result.
pub(super) fn reached(data: &job::JobData) -> job::Stage {
    let last = || data.stages.keys().next_back().copied();
    data.choices.stage.or_else(last).unwrap_or(job::Stage::Intake)
}

/// How a job's car lies about its target, as it was measured last.
fn fingerprint_of(job: &Job) -> Option<[Option<f32>; 31]> {
    let captures = Captures::of_sets(job);
    let measured = |mark| whole_car(|channel| captures.average(mark, channel, THIRD_OCTAVES));
    let response = measured(SetMark::After).or_else(|| measured(SetMark::Before))?;
    let tune = Tune::restored(job.data().target.as_ref(), None, |_| Vec::new()).ok()?;
    Some(fingerprint(&residual_to(tune.target(), &response)))
}

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
        let thread = std::thread::Builder::new().name("compute".to_owned());
        let thread = thread.spawn(move || {
            let folders = recent_folders(&remembered);
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
            Some(RememberedRig::File(file)) => OpenRig::open(RigChoice::File(file.clone()))
                .map(|rig| self.use_own(rig, RememberedRig::File(file))),
            Some(RememberedRig::Devices) | None => Ok(()),
        };
        // The job can be read without it.
        if let Err(error) = taken {
            self.notice(format!("What this job was measured with is not there: {error}"), false);
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
