//! Recordings that are brought in: the tracks in them are found, cut out, measured, and filed in
//! the order of the work.

use std::path::{Path, PathBuf};

use measure::{Reading, Stimulus};
use measurements::{Extent, Heard};
use recording::Audio;

use super::Desk;
use super::filing::Filed;
use super::work::Task;
use crate::import::{clock, cut_out, listen};
use crate::stretch::{self, Keeping, Kept, measurement_for};
use crate::{Result, tracks};

/// A recording and the tracks that were heard in it.
struct Searched {
    path: PathBuf,
    audio: Audio,
    stimuli: Vec<Stimulus>,
    heard: Vec<Heard>,
}

impl Desk {
    /// Takes recordings; they are searched one after the other, when nothing else is under way.
    pub(super) fn import(&mut self, paths: &[String]) -> Result<()> {
        self.begin_job(None, "")?;
        self.recordings.extend(paths.iter().map(PathBuf::from));
        Ok(())
    }

    /// Begins with the next recording, if there is one.
    pub(super) fn next_recording(&mut self) -> Result<()> {
        let Some(path) = self.recordings.pop_front() else { return Ok(()) };
        let task = Task {
            title: format!("Searching {}", name(&path)),
            detail: "for the tracks that were played",
            idle: true,
            broken: "The search broke off; nothing was changed.",
        };
        self.think(task, move || {
            let stimuli = tracks::all(None)?;
            let audio = recording::read(&path)?;
            let heard = listen(&audio, 0, &stimuli, &mut |_| ());
            let searched = Searched { path, audio, stimuli, heard };
            Ok(Box::new(move |desk| desk.cut(searched)))
        })
    }

    /// Makes captures of what was heard, and has them measured.
    fn cut(&mut self, searched: Searched) -> Result<()> {
        let Searched { path, audio, stimuli, heard } = searched;
        let file = name(&path);
        let keeping = Keeping {
            rig: format!("recording {file}"),
            calibration: self.bench.as_ref().map(|bench| bench.calibration(0)).unwrap_or_default(),
            ..Keeping::default()
        };
        let mut filed = Filed::default();
        let mut kept: Vec<Kept> = Vec::new();
        for heard in &heard {
            let track = stimuli.iter().find(|track| track.name == heard.track);
            let Some(track) = track.filter(|track| measurement_for(track).is_some()) else { continue };
            if heard.extent != Extent::Whole {
                let at = clock(heard.start_s.max(0.0));
                self.notice(format!("{file}, {at}: {}", stretch::cut(&track.name).text), false);
                continue;
            }
            let filing = self.file(track, &mut filed);
            let Some(job) = &mut self.job else { return Ok(()) };
            let samples = cut_out(&audio, heard);
            kept.push(keeping.keep(job, track, &filing, audio.sample_rate_hz, &samples)?);
        }
        if kept.is_empty() {
            self.notice(
                format!(
                    "No whole track was found in {file}. Its first channel was searched: check that the microphone is \
                     on it and heard the tracks."
                ),
                false,
            );
            return Ok(());
        }
        let task = Task {
            title: format!("Measuring what was found in {file}"),
            detail: "computing",
            idle: false,
            broken: "The measurement broke off. The recordings are kept in the job.",
        };
        self.think(task, move || {
            let measured = kept.into_iter().map(|kept| kept.reading().map(|reading| (kept, reading)));
            let measured = measured.collect::<Result<Vec<(Kept, Reading)>>>()?;
            Ok(Box::new(move |desk| desk.imported(&file, measured)))
        })
    }

    fn imported(&mut self, file: &str, measured: Vec<(Kept, Reading)>) -> Result<()> {
        let count = measured.len();
        for (kept, reading) in measured {
            let Some(job) = &mut self.job else { return Ok(()) };
            let id = kept.end(job, &reading)?;
            self.add(Some(id), Some(reading));
        }
        self.found()?;
        let tracks = if count == 1 { "1 track" } else { &format!("{count} tracks") };
        self.cue(format!("{tracks} found"), true);
        self.notice(
            format!("{tracks} of {file} are captures now. Rename or discard what stands in the wrong place."),
            true,
        );
        Ok(())
    }
}

fn name(path: &Path) -> String {
    path.file_name().unwrap_or_default().to_string_lossy().into_owned()
}
