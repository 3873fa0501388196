//! The recent jobs: where they are, how far each is, and how its car lies about its target.

use std::path::{Path, PathBuf};

use job::{CaptureState, Job};
use library::Remembered;
use project::derive::whole_car;
use view::{Look, RecentJob, SetMark};

use super::captures::{Captures, view_stage};
use super::picture::{THIRD_OCTAVES, fingerprint, residual_to};
use super::tune::Tune;

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
pub(super) fn recent_folders(remembered: &Remembered, work: &Path) -> Vec<PathBuf> {
    let mut folders: Vec<PathBuf> = remembered.jobs.iter().map(|job| job.folder.clone()).collect();
    let others = job::list(work).unwrap_or_default();
    let others = others.into_iter().filter(|listed| listed.problem.is_none()).map(|listed| listed.dir);
    for folder in others {
        if !folders.contains(&folder) {
            folders.push(folder);
        }
    }
    folders
}

/// A job as a tile; nothing where its folder is gone.
pub(super) fn recent(folder: &Path) -> Option<(RecentJob, Option<Job>)> {
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
pub(super) fn fingerprint_of(job: &Job) -> Option<[Option<f32>; 31]> {
    let captures = Captures::of_sets(job);
    let measured = |mark| whole_car(|channel| captures.average(mark, channel, THIRD_OCTAVES));
    let response = measured(SetMark::After).or_else(|| measured(SetMark::Before))?;
    let tune = Tune::restored(job.data().target.as_ref(), None, |_| Vec::new()).ok()?;
    Some(fingerprint(&residual_to(tune.target(), &response)))
}
