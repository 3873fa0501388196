//! Recordings that are brought in: the tracks in them are found, cut out, measured, and filed in
//! the order of the work.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use measure::Finding;
use procedure::{Change, Event, ImportOrder, ImportSession};

use super::Desk;
use super::filing::Filed;
use super::work::Task;
use crate::Result;

impl Desk {
    /// Takes recordings; they are searched one after the other, when nothing else is under way.
    pub(super) fn import(&mut self, paths: &[String]) -> Result<()> {
        self.begin_job(None, "")?;
        self.recordings.extend(paths.iter().map(PathBuf::from));
        Ok(())
    }

    /// Begins with the next recording, if there is one.
    pub(super) fn next_recording(&mut self) -> Result<()> {
        let (Some(path), Some(job)) = (self.recordings.pop_front(), &self.job) else { return Ok(()) };
        let (store, file) = (job.store()?, name(&path));
        let mut order = ImportOrder { recordings: vec![path], ..ImportOrder::default() };
        order.recorded.calibration = self.bench.as_ref().map(|bench| bench.calibration(0));
        let token = match &self.run {
            Some(run) => run.clone(),
            None => self.begin_run(),
        };
        let task = Task {
            title: format!("Searching {file}"),
            detail: "for the tracks that were played",
            idle: false,
            broken: "The search broke off. What was cut out is kept in the job.",
        };
        self.think(task, move || {
            let (mut changes, mut remarks) = (Vec::new(), Vec::new());
            let mut session = ImportSession {
                store: Arc::new(move || Ok(store.clone())),
                token: &token,
                on_event: &mut |event| match event {
                    Event::Change(Change::CaptureBegun { .. }) => {}
                    Event::Change(change) => changes.push(change),
                    Event::Finding(finding) => remarks.push(finding),
                    _ => {}
                },
            };
            procedure::import(&mut session, &order)?;
            Ok(Box::new(move |desk| desk.imported(&file, changes, &remarks)))
        })
    }

    /// Gives what was found its place, and keeps it.
    fn imported(&mut self, file: &str, changes: Vec<Change>, remarks: &[Finding]) -> Result<()> {
        for remark in remarks {
            self.notice(remark.text.clone(), false);
        }
        let mut filed = Filed::default();
        let mut count = 0;
        for mut change in changes {
            if let Change::CaptureDone { meta, .. } = &mut change
                && let Some(track) = &meta.stimulus
            {
                self.file(track, &mut filed).note(meta);
            }
            count += usize::from(change.reading().is_some());
            self.note(change)?;
        }
        if count == 0 {
            self.notice(
                format!(
                    "No whole track was found in {file}. Its first channel was searched: check that the microphone is \
                     on it and heard the tracks."
                ),
                false,
            );
            return Ok(());
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
