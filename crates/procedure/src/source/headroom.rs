//! The clean limit of a source from recordings: each output by itself, then all of them.

use std::path::Path;

use job::Stage;
use library::{Error, Result};
use measure::Reading;
use project::derive::SourceHeadroom;

use super::named::Named;
use crate::analysis::analyze_and_keep;
use crate::volume_sweep::BassControl;
use crate::{Analysis, Placement, Recorded, WhenKept};

/// Finds the clean limit of a source from one recording per output, each of a tone
/// while the volume was raised. `common` holds what they share: calibration, parameters. A job
/// keeps the recordings as captures, and the verdict.
///
/// # Errors
/// When something that was given cannot be used. Without a clean step the findings say why.
pub fn headroom_from_recordings(
    recordings: &[Named],
    common: &Analysis,
    bass: Option<BassControl>,
    job: Option<&Path>,
) -> Result<SourceHeadroom> {
    if let Some(twice) = recordings
        .iter()
        .enumerate()
        .find(|(index, one)| recordings[..*index].iter().any(|other| other.name == one.name))
    {
        return Err(Error::input(format!(
            "the output `{}` is given twice; give each output a name of its own",
            twice.1.name
        )));
    }
    let mut job = WhenKept::new(job);
    let readings: Result<Vec<(String, Reading)>> = recordings
        .iter()
        .map(|named| {
            let placement = Placement {
                stage: Some(Stage::Source),
                position: named.name.clone(),
                ..Placement::named(&format!("{}, headroom", named.name))
            };
            let analysis = Analysis {
                id: "headroom".to_owned(),
                recording: named.path.clone(),
                recorded: Recorded { channel: named.channel, ..common.recorded.clone() },
                ..common.clone()
            };
            let (reading, _) = analyze_and_keep(&analysis, &mut job, &placement)?;
            Ok((named.name.clone(), reading))
        })
        .collect();
    let verdict = SourceHeadroom::of(&readings?, bass.map(BassControl::remark));
    if let Some(job) = job.job()? {
        job.apply(verdict.change())?;
    }
    Ok(verdict)
}
