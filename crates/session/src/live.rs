//! A measurement made with a rig, from the command line.

use std::path::PathBuf;
use std::time::Duration;

use engine::{InputRole, Pace, RigSpec};
use host::Registry;
use job::{Set, Stage};
use measure::{Reading, StimulusWanted};

use crate::bench::Bench;
use crate::take::{self, Plan, Until};
use crate::{Error, Result, jobs, place};

/// What is to be measured with which rig.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct LiveOrder {
    /// The measurement's id.
    pub id: String,
    /// The rig file.
    pub rig: Option<PathBuf>,
    /// A simulated car's name or file; empty for the usual one.
    pub simulated: Option<String>,
    /// The job that keeps the capture.
    pub job: Option<PathBuf>,
    /// What the capture is called.
    pub label: Option<String>,
    /// The set it belongs to.
    pub set: Option<String>,
    /// Parameters as they were typed.
    pub settings: Vec<(String, String)>,
    /// How long to wait first.
    pub after_s: f64,
}

/// What came of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Measured {
    /// The reading.
    pub reading: Reading,
    /// The recording, when no job keeps it.
    pub recording: Option<PathBuf>,
}

/// How long is listened when no stimulus says it.
const LISTEN_S: f64 = 10.0;

/// Measures with a rig.
///
/// # Errors
/// When something that was given cannot be used, or the rig refuses. A
/// measurement that cannot be made is not an error: the reading says why.
pub fn measure(order: &LiveOrder, progress: &mut dyn FnMut(&str, f64)) -> Result<Measured> {
    let registry = Registry::built_in();
    let manifest = registry.manifest(&order.id).map_err(|unknown| Error::input(unknown.to_string()))?;
    let parameters = manifest
        .parameters(order.settings.iter().map(|(key, value)| (key.as_str(), value.as_str())))
        .map_err(|error| Error::input(error.to_string()))?;
    let mut bench = match (&order.rig, &order.simulated) {
        (Some(file), _) => Bench::from_file(file)?,
        (None, Some(car)) => Bench::simulated(car, Pace::AsFastAsPossible)?,
        (None, None) => Bench::devices(RigSpec::system_default(), None)?,
    };
    let stimulus = match &manifest.stimulus {
        StimulusWanted::Known(stimulus) | StimulusWanted::Suggested(stimulus) => Some(stimulus.clone()),
        StimulusWanted::Any | StimulusWanted::Quiet => None,
    };
    let plan = Plan {
        measurement: order.id.clone(),
        parameters,
        until: if stimulus.is_some() { Until::Played } else { Until::Seconds(LISTEN_S) },
        stimulus,
        peak_dbfs: None,
        input: bench.input(InputRole::Microphone).unwrap_or(0),
        reference: bench.input(InputRole::Loopback),
        label: order.label.clone().unwrap_or_else(|| manifest.title.clone()),
        set: order.set.as_deref().and_then(Set::from_word),
        stage: Stage::Tune,
        position: String::new(),
    };
    let mut job = order.job.as_deref().map(jobs::open_or_create).transpose()?;
    count_down(order.after_s, progress);
    // The simulated car can be asked again, to the bit; a real one cannot.
    let loose = (job.is_none() && bench.car().is_none()).then(|| loose_recording(&order.id)).transpose()?;
    let taken = take::take(&plan, &mut bench, job.as_mut(), loose.clone(), &mut |take, _| {
        progress("Measuring", take.progress().unwrap_or(0.0));
        Ok(())
    })?;
    Ok(Measured { reading: taken.reading, recording: loose })
}

/// Where a recording that belongs to no job is kept.
fn loose_recording(id: &str) -> Result<PathBuf> {
    let folder = place::work().join("recordings");
    std::fs::create_dir_all(&folder).map_err(|error| Error::io("make", &folder, &error))?;
    Ok(place::unused(&folder, &format!("-{id}.wav")))
}

fn count_down(after_s: f64, progress: &mut dyn FnMut(&str, f64)) {
    let mut left_s = after_s;
    while left_s > 0.0 {
        progress(&format!("Starting in {left_s:.0} s"), 1.0 - left_s / after_s);
        let step_s = left_s.min(1.0);
        std::thread::sleep(Duration::from_secs_f64(step_s));
        left_s -= step_s;
    }
}
