//! Recordings that are brought in: the tracks in them are found, cut out, measured, and placed in
//! the order of the work.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use procedure::{ImportOrder, ImportSession};

use super::Core;
use super::work::{Doing, Heading, nothing_more, unbroken};
use library::Result;

impl Core {
    /// Takes recordings; they are searched one after the other, when nothing else is under way.
    pub(super) fn import(&mut self, paths: &[String]) -> Result<()> {
        self.begin_job("")?;
        self.recordings.extend(paths.iter().map(PathBuf::from));
        if self.work.is_none() { self.next_recording() } else { Ok(()) }
    }

    /// Begins with the next recording, if there is one.
    pub(super) fn next_recording(&mut self) -> Result<()> {
        let (Some(path), Some(job)) = (self.recordings.pop_front(), &self.job) else { return Ok(()) };
        let (store, file) = (job.store()?, name(&path));
        let mut order = ImportOrder { recordings: vec![path], ..ImportOrder::default() };
        order.recorded.calibration = self.state.rig.as_ref().map(|rig| rig.calibration(0));
        let heading = Heading {
            title: format!("Searching {file}"),
            detail: "for the tracks that were played".to_owned(),
            ..Heading::default()
        };
        self.work_on(Doing::Importing { file, found: 0 }, vec![heading], None, move |token, _, on_event| {
            let store = Arc::new(move || Ok(store.clone()));
            let result = unbroken(|| {
                procedure::import(&mut ImportSession { store, token: &token, on_event }, &order)?;
                Ok(nothing_more())
            });
            (None, result)
        })
    }

    /// Says what was found.
    pub(super) fn imported(&mut self, file: &str, found: usize) -> Result<()> {
        if found == 0 {
            self.notice(
                format!(
                    "No whole track was found in {file}. Its first channel was searched: check that the microphone is \
                     on it and heard the tracks."
                ),
                false,
            );
            return Ok(());
        }
        let tracks = if found == 1 { "1 track" } else { &format!("{found} tracks") };
        self.cue(format!("{tracks} found"), true);
        self.notice(format!("{tracks} of {file}. {}", self.state.where_proposed()), true);
        Ok(())
    }
}

fn name(path: &Path) -> String {
    path.file_name().unwrap_or_default().to_string_lossy().into_owned()
}
