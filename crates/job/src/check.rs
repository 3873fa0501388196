//! Looking through a job folder after a crash, and repairing what is safe.

use std::collections::HashSet;
use std::fs;
use std::path::{Path, PathBuf};

use jiff::Timestamp;
use measure::Finding;
use recording::{ReadError, Reader, RepairError, WriteError};

use crate::file::{CaptureFile, JobFile, ReadingFile};
use crate::folder::{
    AUDIO_FILE, CAPTURE_FILE, CAPTURES, DISCARDED, EXPORTS, JOB_FILE, LOCK_FILE, READING_FILE,
    capture_number, names,
};
use crate::job::{changed_outside, move_capture, read_data};
use crate::json;
use crate::lock::Lock;
use crate::save::is_unfinished;
use crate::seal::{Seal, sha256_of_file};
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
    /// Why nothing could be repaired, where the folder cannot be written.
    pub read_only: Option<String>,
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

    /// Repairs something that was found, and says both; where it cannot be repaired, it says why and leaves
    /// it for the person.
    fn repair(
        &mut self,
        path: &Path,
        code: &str,
        found: &str,
        done: &str,
        repair: impl FnOnce() -> Result<(), JobError>,
    ) -> bool {
        let why = match &self.read_only {
            Some(why) => why.clone(),
            None => match repair() {
                Ok(()) => {
                    self.push(path, Finding::note(code, format!("{found} {done}")), true);
                    return true;
                }
                Err(error) => error.to_string(),
            },
        };
        self.caution(path, code, format!("{found} It was not repaired: {why}."));
        false
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
/// Where the folder cannot be written, everything is named and nothing repaired.
///
/// # Errors
/// When the folder is no job, or another process works in it.
pub fn check(dir: &Path) -> Result<Check, JobError> {
    if !dir.join(JOB_FILE).is_file() && !dir.join(CAPTURES).is_dir() {
        return Err(JobError::NotAJob { dir: dir.to_owned() });
    }
    let (_lock, read_only) = match Lock::take(dir) {
        Ok(lock) => (Some(lock), None),
        Err(error @ JobError::Locked { .. }) => return Err(error),
        // A disk that is full or cannot be written is looked through all the same.
        Err(error) => (None, Some(error.to_string())),
    };
    let mut check = Check { dir: dir.to_owned(), captures: 0, lines: Vec::new(), read_only };
    check_top(dir, &mut check)?;
    let mut present = HashSet::new();
    for place in [CAPTURES, DISCARDED] {
        let place = dir.join(place);
        for name in names(&place)? {
            let path = place.join(&name);
            match capture_number(&name) {
                Some(id) if path.is_dir() => {
                    if check_capture(id, &path, &mut check)? {
                        check.captures += 1;
                        present.insert(id);
                    }
                }
                _ => stranger(&path, &name, &mut check),
            }
        }
    }
    check_job(dir, &present, &mut check);
    Ok(check)
}

fn check_top(dir: &Path, check: &mut Check) -> Result<(), JobError> {
    for name in names(dir)? {
        if ![JOB_FILE, LOCK_FILE, CAPTURES, DISCARDED, EXPORTS].contains(&name.as_str()) {
            stranger(&dir.join(&name), &name, check);
        }
    }
    // A save into `exports/` can be interrupted, too; what else is there is
    // the person's own business.
    for name in names(&dir.join(EXPORTS))?.iter().filter(|name| is_unfinished(name)) {
        stranger(&dir.join(EXPORTS).join(name), name, check);
    }
    Ok(())
}

/// Something that does not belong to a job: removed when it is the rest of an
/// interrupted save, named otherwise.
fn stranger(path: &Path, name: &str, check: &mut Check) {
    if is_unfinished(name) && path.is_file() {
        let found = "A save was interrupted; the file it was to replace is whole.";
        check.repair(path, "unfinished-save", found, "Its rest was removed.", || {
            fs::remove_file(path).map_err(JobError::io("remove", path))
        });
    } else {
        let text = "This is no part of a job and was left alone. Move it elsewhere if it is not yours.";
        check.note(path, "unknown-file", text.to_owned());
    }
}

/// Checks `job.json` against the captures that are there.
fn check_job(dir: &Path, present: &HashSet<CaptureId>, check: &mut Check) {
    let file = dir.join(JOB_FILE);
    let (mut data, seal) = match read_data(dir) {
        Ok(read) => read,
        Err(error) => {
            check.push(&file, Finding::stop("job-unreadable", error.to_string()), false);
            return;
        }
    };
    if seal == Seal::Broken {
        // Nothing is written over a file that somebody may want to compare with a copy.
        check.push(&file, changed_outside(JOB_FILE), false);
        return;
    }
    let before = data.order.len();
    let mut seen = HashSet::new();
    data.order.retain(|id| present.contains(id) && seen.insert(*id));
    if data.order.len() < before {
        let found = "The order names captures that are not in the folder.";
        check.repair(&file, "order-mended", found, "Their numbers were taken out.", || {
            json::write(&file, &JobFile::from(data)).map(drop)
        });
    }
}

/// Checks one capture; says whether there is one at all.
fn check_capture(id: CaptureId, folder: &Path, check: &mut Check) -> Result<bool, JobError> {
    let mut found = names(folder)?;
    for name in &found {
        if ![CAPTURE_FILE, AUDIO_FILE, READING_FILE].contains(&name.as_str()) {
            stranger(&folder.join(name), name, check);
        }
    }
    found.retain(|name| !is_unfinished(name));
    if found.is_empty() {
        let text = format!("Capture {id} was begun and never recorded.");
        let removed = check.repair(folder, "capture-empty", &text, "Its empty folder was removed.", || {
            fs::remove_dir(folder).map_err(JobError::io("remove the empty folder", folder))
        });
        return Ok(!removed);
    }
    let audio = folder.join(AUDIO_FILE);
    if never_recorded(folder, &audio) {
        if folder.parent().is_some_and(|place| place.ends_with(DISCARDED)) {
            return Ok(true);
        }
        let text = format!("Capture {id} was begun, and the program ended before anything was recorded.");
        let dir = check.dir.clone();
        check.repair(folder, "capture-empty", &text, "It was moved to `discarded/`.", || {
            move_capture(&dir, id, CAPTURES, DISCARDED)
        });
        // It still has its number and its place in the order.
        return Ok(true);
    }
    check_audio(id, &audio, check);
    check_description(id, folder, &audio, check);
    check_reading(id, folder, &audio, check);
    Ok(true)
}

/// Whether a capture was broken off before its first sample: no one could put a recording back.
fn never_recorded(folder: &Path, audio: &Path) -> bool {
    let is_empty = match fs::metadata(audio) {
        Ok(file) if file.len() > HEADER_BYTES || !file.is_file() => false,
        Ok(_) => matches!(Reader::open(audio), Err(ReadError::Empty { .. } | ReadError::NoFrames { .. })),
        Err(error) => error.kind() == std::io::ErrorKind::NotFound,
    };
    if !is_empty || folder.join(READING_FILE).exists() {
        return false;
    }
    let described = json::read::<CaptureFile>(&folder.join(CAPTURE_FILE)).ok().flatten();
    described.is_some_and(|file| file.into_parts().1 != CaptureState::Done)
}

/// No header of a recording is longer.
const HEADER_BYTES: u64 = 4_096;

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
    if let Some(why) = check.read_only.clone() {
        if let Err(error) = Reader::open(audio) {
            check.caution(audio, "audio-damaged", format!("{error}. It was not repaired: {why}."));
        }
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
                check.push(audio, Finding::note("audio-repaired", text), true);
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

fn check_description(id: CaptureId, folder: &Path, audio: &Path, check: &mut Check) {
    let file = folder.join(CAPTURE_FILE);
    match json::read_sealed::<CaptureFile>(&file) {
        Ok(Some(found)) => {
            if found.seal == Seal::Broken {
                check.push(&file, changed_outside(&format!("{CAPTURES}/{id}/{CAPTURE_FILE}")), false);
            }
            if let Some(exchanged) = found.document.misplaced(id) {
                check.push(&file, exchanged, false);
            }
            let (meta, state) = found.document.into_parts();
            if state == CaptureState::Recording {
                let text = format!("Capture {id} was being recorded when the program ended.");
                let done = "It is marked as interrupted; what had been recorded is kept.";
                check.repair(&file, "capture-interrupted", &text, done, || interrupt(id, &file, audio, meta));
            } else {
                check_hash(id, audio, meta.audio_sha256.as_deref(), check);
            }
        }
        Ok(None) if audio.is_file() => {
            let text = format!("Capture {id} has a recording and no description.");
            let done = "It got one, named `Recovered recording`. What was played and measured is not known any more.";
            check.repair(&file, "capture-undescribed", &text, done, || {
                interrupt(id, &file, audio, recovered(audio))
            });
        }
        Ok(None) => {
            let text = format!("Capture {id} has neither a description nor a recording; it was left alone.");
            check.caution(folder, "capture-undescribed", text);
        }
        Err(error) => check.caution(&file, "capture-unreadable", error.to_string()),
    }
}

/// Compares a recording with what was recorded.
fn check_hash(id: CaptureId, audio: &Path, wanted: Option<&str>, check: &mut Check) {
    let found = audio.is_file().then(|| sha256_of_file(audio));
    if let (Some(wanted), Some(Ok(found))) = (wanted, found)
        && wanted != found
    {
        let text = format!(
            "Capture {id}'s recording is not the one that was made for it: it was exchanged or changed, or the disk \
             is failing. Fetch it from a copy; its reading is still that of the true one."
        );
        check.caution(audio, "audio-changed", text);
    }
}

fn check_reading(id: CaptureId, folder: &Path, audio: &Path, check: &mut Check) {
    let file = folder.join(READING_FILE);
    match json::read_sealed::<ReadingFile>(&file) {
        Ok(Some(found)) => {
            let meta = json::read::<CaptureFile>(&folder.join(CAPTURE_FILE)).ok().flatten();
            let wanted = meta.and_then(|file| file.into_parts().0.reading_sha256);
            if found.seal == Seal::Broken || wanted.is_some_and(|wanted| wanted != found.sha256) {
                check.push(&file, changed_outside(&format!("{CAPTURES}/{id}/{READING_FILE}")), false);
            }
        }
        Ok(None) if audio.is_file() => {
            let text = format!("Capture {id} has no reading yet; analyze its `audio.wav` to get one.");
            check.note(folder, "reading-missing", text);
        }
        Ok(None) => {}
        Err(error) => check.caution(&file, "reading-unreadable", error.to_string()),
    }
}

/// Writes a description that says that the capture ended early.
fn interrupt(id: CaptureId, file: &Path, audio: &Path, mut meta: CaptureMeta) -> Result<(), JobError> {
    meta.audio_sha256 = sha256_of_file(audio).ok();
    meta.findings.push(Finding::caution(
        "capture-interrupted",
        "The program ended while this was being recorded; the recording stops early.",
    ));
    json::write(file, &CaptureFile::new(id, &meta, CaptureState::Interrupted)).map(drop)
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
