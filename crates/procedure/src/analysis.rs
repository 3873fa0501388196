//! A measurement computed from a recording.

use std::path::{Path, PathBuf};

use host::Run;
use job::CaptureId;
use library::{Error, Result};
use measure::{Finding, Reading, Start, StimulusWanted};
use recording::{Condition, Reader};

use crate::feed::feed_recording;
use crate::{Placement, Recorded, WhenKept, plugins, tracks};

/// What is to be computed from which recording.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Analysis {
    /// The measurement's id.
    pub id: String,
    /// The recording.
    pub recording: PathBuf,
    /// The track that was played.
    pub track: Option<String>,
    /// The `tracks.json` that describes it, or the sound file that was played.
    pub stimulus: Option<PathBuf>,
    /// How it was made.
    pub recorded: Recorded,
    /// Parameters of the measurement as they were typed.
    pub settings: Vec<(String, String)>,
}

/// Computes a reading from a recording.
///
/// # Errors
/// When something that was given cannot be used. A measurement that cannot be
/// made is not an error: the reading says why.
pub fn analyze(analysis: &Analysis) -> Result<Reading> {
    analyze_and_keep(analysis, &mut WhenKept::default(), &Placement::default()).map(|(reading, _)| reading)
}

/// Computes a reading from a recording, and makes both a capture of the job, if there is one; its number.
pub(crate) fn analyze_and_keep(
    analysis: &Analysis,
    job: &mut WhenKept,
    placement: &Placement,
) -> Result<(Reading, Option<CaptureId>)> {
    let registry = plugins::registry(&analysis.id);
    let measurement =
        registry.measurement(&analysis.id).map_err(|unknown| plugins::unknown(&registry, &unknown))?;
    let manifest = measurement.manifest();
    let parameters = manifest
        .parameters(analysis.settings.iter().map(|(key, value)| (key.as_str(), value.as_str())))
        .map_err(|error| Error::input(error.to_string()))?;
    let stimulus = tracks::stimulus(analysis.track.as_deref(), analysis.stimulus.as_deref())?;
    let calibration = analysis.recorded.calibration()?;
    let mut audio = Reader::open(&analysis.recording)?;
    let channels = audio.channels();
    analysis.recorded.check(&analysis.recording, channels)?;
    if let StimulusWanted::Known(default) = &manifest.stimulus
        && stimulus.is_none()
        && analysis.recorded.reference_channel.is_none()
    {
        return Err(Error::input(format!(
            "`{}` must know what was played; add --track {} or --stimulus FILE",
            manifest.id, default.name
        )));
    }
    let start = Start {
        sample_rate_hz: f64::from(audio.sample_rate_hz()),
        channels,
        channel: analysis.recorded.channel,
        reference_channel: analysis.recorded.reference_channel,
        calibration,
        stimulus,
        parameters,
    };
    let mut reading = feed_recording(Run::start(measurement, &start), &mut audio)?;
    let condition = audio.condition();
    refuse_what_is_no_number(&analysis.recording, condition)?;
    if condition.truncated {
        reading.finding(Finding::caution(
            "recording-damaged",
            format!(
                "The header of the file promises another length than it has, as after a battery that ran out; the {:.1} s that \
                 are there were read. If the recorder has more of it, copy it again.",
                audio.duration_s()
            ),
        ));
    }
    if condition.lost_packets > 0 {
        reading.finding(Finding::caution(
            "recording-damaged",
            format!(
                "{} stretches of the file could not be decoded and are missing. Record again.",
                condition.lost_packets
            ),
        ));
    }
    if let Some(job) = job.job()? {
        let change = placement.keep(&job.store()?, &start, &analysis.recording, &reading)?;
        let id = change.capture();
        job.apply(change)?;
        return Ok((reading, id));
    }
    Ok((reading, None))
}

/// Refuses a recording that holds numbers that are none: a figure computed from what is left would look like
/// any other.
///
/// One whose header promises another length (a recorder whose battery ran out) is read as far as it goes, and the
/// analysis says so.
pub(crate) fn refuse_what_is_no_number(path: &Path, condition: Condition) -> Result<()> {
    if condition.not_finite > 0 {
        return Err(Error::input(format!(
            "{}: {} samples are not numbers (NaN or infinite). Record again, or export the recording as \
             16- or 24-bit WAV",
            path.display(),
            condition.not_finite
        )));
    }
    Ok(())
}
