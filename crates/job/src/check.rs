//! Looking through a job folder after a crash, and repairing what is safe.

use std::fs;
use std::path::{Path, PathBuf};

use jiff::Timestamp;
use measure::Finding;
use recording::{ReadError, RepairError, WriteError};

use crate::file::{CaptureFile, JobFile, ReadingFile};
use crate::folder::{
    AUDIO_FILE, CAPTURE_FILE, CAPTURES, DISCARDED, EXPORTS, JOB_FILE, LOCK_FILE, READING_FILE,
    capture_number, names,
};
use crate::job::read_data;
use crate::json;
use crate::lock::Lock;
use crate::save::is_unfinished;
use crate::{CaptureId, CaptureMeta, CaptureState, JobError, Stage};

/// What was found in a job folder, and what was done about it.
#[derive(Debug, Clone, PartialEq)]
pub struct Check {
    /// The folder.
    pub dir: PathBuf,
    /// How many captures it holds, discarded ones included.
    pub captures: usize,
    /// Everything worth saying, in the order of the folder.
    pub lines: Vec<CheckLine>,
}

/// One thing that was found.
#[derive(Debug, Clone, PartialEq)]
pub struct CheckLine {
    /// Where, relative to the job's folder.
    pub path: PathBuf,
    /// What, and what was done or is to be done.
    pub finding: Finding,
    /// Whether it was repaired.
    pub repaired: bool,
}

impl Check {
    /// Whether nothing is left for a person to do.
    #[must_use]
    pub fn is_sound(&self) -> bool {
        self.lines.iter().all(|line| line.repaired || line.finding.level == measure::FindingLevel::Note)
    }

    fn note(&mut self, path: &Path, code: &str, text: String) {
        self.push(path, Finding::note(code, text), false);
    }

    fn caution(&mut self, path: &Path, code: &str, text: String) {
        self.push(path, Finding::caution(code, text), false);
    }

    fn repaired(&mut self, path: &Path, code: &str, text: String) {
        self.push(path, Finding::note(code, text), true);
    }

    fn push(&mut self, path: &Path, finding: Finding, repaired: bool) {
        let path = path.strip_prefix(&self.dir).unwrap_or(path).to_owned();
        self.lines.push(CheckLine { path, finding, repaired });
    }
}

/// Looks through a job folder and repairs what is safe to repair.
///
/// Safe means that no recording and nothing that a person wrote is changed:
/// captures cut off by a crash are marked and their WAV headers set right,
/// recordings without a description get one, what an interrupted save left
/// behind is removed. Everything else is named, with what to do.
///
/// # Errors
/// When the folder is no job, or another process works in it.
pub fn check(dir: &Path) -> Result<Check, JobError> {
    if !dir.join(JOB_FILE).is_file() && !dir.join(CAPTURES).is_dir() {
        return Err(JobError::NotAJob { dir: dir.to_owned() });
    }
    let _lock = Lock::take(dir)?;
    let mut check = Check { dir: dir.to_owned(), captures: 0, lines: Vec::new() };
    check_top(dir, &mut check)?;
    let mut present = Vec::new();
    for place in [CAPTURES, DISCARDED] {
        let place = dir.join(place);
        for name in names(&place)? {
            let path = place.join(&name);
            match capture_number(&name) {
                Some(id) if path.is_dir() => {
                    if check_capture(id, &path, &mut check)? {
                        check.captures += 1;
                        present.push(id);
                    }
                }
                _ => stranger(&path, &name, &mut check)?,
            }
        }
    }
    check_job(dir, &present, &mut check)?;
    Ok(check)
}

fn check_top(dir: &Path, check: &mut Check) -> Result<(), JobError> {
    for name in names(dir)? {
        if ![JOB_FILE, LOCK_FILE, CAPTURES, DISCARDED, EXPORTS].contains(&name.as_str()) {
            stranger(&dir.join(&name), &name, check)?;
        }
    }
    // A save into `exports/` can be interrupted, too; what else is there is
    // the person's own business.
    for name in names(&dir.join(EXPORTS))?.iter().filter(|name| is_unfinished(name)) {
        stranger(&dir.join(EXPORTS).join(name), name, check)?;
    }
    Ok(())
}

/// Something that does not belong to a job: removed when it is the rest of an
/// interrupted save, named otherwise.
fn stranger(path: &Path, name: &str, check: &mut Check) -> Result<(), JobError> {
    if is_unfinished(name) && path.is_file() {
        fs::remove_file(path).map_err(JobError::io("remove", path))?;
        let text = "A save was interrupted; the file it was to replace is whole, so this rest was removed.";
        check.repaired(path, "unfinished-save", text.to_owned());
    } else {
        let text = "This is no part of a job and was left alone. Move it elsewhere if it is not yours.";
        check.note(path, "unknown-file", text.to_owned());
    }
    Ok(())
}

/// Checks `job.json` against the captures that are there.
fn check_job(dir: &Path, present: &[CaptureId], check: &mut Check) -> Result<(), JobError> {
    let file = dir.join(JOB_FILE);
    let mut data = match read_data(dir) {
        Ok(data) => data,
        Err(error) => {
            check.push(&file, Finding::stop("job-unreadable", error.to_string()), false);
            return Ok(());
        }
    };
    let before = data.order.len();
    let mut seen = Vec::new();
    data.order.retain(|id| {
        let keep = present.contains(id) && !seen.contains(id);
        seen.push(*id);
        keep
    });
    if data.order.len() < before {
        json::write(&file, &JobFile::from(data.clone()))?;
        let text = "The order named captures that are not in the folder; their numbers were taken out.";
        check.repaired(&file, "order-mended", text.to_owned());
    }
    Ok(())
}

/// Checks one capture; says whether there is one at all.
fn check_capture(id: CaptureId, folder: &Path, check: &mut Check) -> Result<bool, JobError> {
    let mut found = names(folder)?;
    for name in &found {
        if ![CAPTURE_FILE, AUDIO_FILE, READING_FILE].contains(&name.as_str()) {
            stranger(&folder.join(name), name, check)?;
        }
    }
    found.retain(|name| !is_unfinished(name));
    if found.is_empty() {
        fs::remove_dir(folder).map_err(JobError::io("remove the empty folder", folder))?;
        let text = format!("Capture {id} was begun and never recorded; its empty folder was removed.");
        check.repaired(folder, "capture-empty", text);
        return Ok(false);
    }
    let audio = folder.join(AUDIO_FILE);
    check_audio(id, &audio, check);
    check_description(id, folder, &audio, check)?;
    check_reading(id, folder, &audio, check);
    Ok(true)
}

/// Sets the header of a recording right that was cut off. A file that was not
/// recorded by this program (one that was brought along) is none of our business.
fn check_audio(id: CaptureId, audio: &Path, check: &mut Check) {
    if !audio.is_file() {
        let text = format!(
            "Capture {id} has no `audio.wav`, so it cannot be computed again. Put the file back if it was moved."
        );
        check.caution(audio, "audio-missing", text);
        return;
    }
    match recording::repair(audio) {
        Ok(repair) => {
            if repair.mended {
                let seconds = seconds(repair.frames, repair.sample_rate_hz);
                let text = format!(
                    "The header of capture {id}'s recording did not agree with its samples; it was set right. \
                     The recording holds {seconds:.1} s."
                );
                check.repaired(audio, "audio-repaired", text);
            }
            if repair.frames == 0 {
                let text = format!("Capture {id} was begun, but nothing of it was recorded.");
                check.note(audio, "audio-empty", text);
            }
        }
        Err(RepairError::Write(WriteError::Unfit { .. })) => {}
        Err(RepairError::Read(ReadError::Empty { .. })) => {
            check.note(
                audio,
                "audio-empty",
                format!("Capture {id} was begun, but nothing of it was recorded."),
            );
        }
        Err(error) => {
            let text = format!("Capture {id}'s recording was left as it is. {error}");
            check.caution(audio, "audio-damaged", text);
        }
    }
}

#[expect(clippy::cast_precision_loss, reason = "no recording is longer than 2^53 frames")]
fn seconds(frames: u64, sample_rate_hz: u32) -> f64 {
    frames as f64 / f64::from(sample_rate_hz.max(1))
}

fn check_description(id: CaptureId, folder: &Path, audio: &Path, check: &mut Check) -> Result<(), JobError> {
    let file = folder.join(CAPTURE_FILE);
    match json::read::<CaptureFile>(&file) {
        Ok(Some(description)) => {
            let (meta, state) = description.into_parts();
            if state == CaptureState::Recording {
                interrupt(&file, meta)?;
                let text = format!(
                    "Capture {id} was being recorded when the program ended. It is marked as interrupted; \
                     what had been recorded is kept."
                );
                check.repaired(&file, "capture-interrupted", text);
            }
        }
        Ok(None) if audio.is_file() => {
            interrupt(&file, recovered(audio))?;
            let text = format!(
                "Capture {id} had a recording and no description; it got one, named `Recovered recording`. \
                 What was played and measured is not known any more."
            );
            check.repaired(&file, "capture-undescribed", text);
        }
        Ok(None) => {
            let text = format!("Capture {id} has neither a description nor a recording; it was left alone.");
            check.caution(folder, "capture-undescribed", text);
        }
        Err(error) => check.caution(&file, "capture-unreadable", error.to_string()),
    }
    Ok(())
}

fn check_reading(id: CaptureId, folder: &Path, audio: &Path, check: &mut Check) {
    let file = folder.join(READING_FILE);
    match json::read::<ReadingFile>(&file) {
        Ok(Some(_)) => {}
        Ok(None) if audio.is_file() => {
            let text = format!("Capture {id} has no reading yet; analyze its `audio.wav` to get one.");
            check.note(folder, "reading-missing", text);
        }
        Ok(None) => {}
        Err(error) => check.caution(&file, "reading-unreadable", error.to_string()),
    }
}

/// Writes a description that says that the capture ended early.
fn interrupt(file: &Path, mut meta: CaptureMeta) -> Result<(), JobError> {
    meta.findings.push(Finding::caution(
        "capture-interrupted",
        "The program ended while this was being recorded; the recording stops early.",
    ));
    json::write(file, &CaptureFile::new(&meta, CaptureState::Interrupted))
}

/// What can be said about a recording of which nothing is known: when it was
/// last written to.
fn recovered(audio: &Path) -> CaptureMeta {
    let started = fs::metadata(audio)
        .and_then(|metadata| metadata.modified())
        .ok()
        .and_then(|time| Timestamp::try_from(time).ok())
        .unwrap_or(Timestamp::UNIX_EPOCH);
    let mut meta = CaptureMeta::new("", 0, Stage::Source, started);
    "Recovered recording".clone_into(&mut meta.label);
    meta
}
