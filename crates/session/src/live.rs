//! A measurement made with a rig, from the command line.

use std::path::PathBuf;
use std::time::Duration;

use engine::{InputRole, Pace};
use job::{Set, Stage};
use measure::{Reading, StimulusWanted};
use measurements::signals;

use crate::source::{HeadroomOrder, simulated_reading};
use crate::take::{self, Plan, Until};
use crate::{Error, Result, jobs, place, plugins};
use rig::{OpenRig, RigChoice};

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
    /// The input that is measured; by default the electrical one for what belongs to
    /// the source, else the microphone.
    pub input: Option<String>,
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
    let registry = plugins::registry(&order.id);
    let manifest = registry.manifest(&order.id).map_err(|unknown| plugins::unknown(&registry, &unknown))?;
    let parameters = manifest
        .parameters(order.settings.iter().map(|(key, value)| (key.as_str(), value.as_str())))
        .map_err(|error| Error::input(error.to_string()))?;
    if let ("headroom", Some(car), None) = (order.id.as_str(), &order.simulated, &order.rig) {
        count_down(order.after_s, progress);
        return Ok(Measured { reading: climb_simulated(order, car, progress)?, recording: None });
    }
    let mut bench =
        OpenRig::open(RigChoice::of(order.rig.clone(), order.simulated.clone(), Pace::AsFastAsPossible))?;
    let stimulus = match &manifest.stimulus {
        StimulusWanted::Known(stimulus) | StimulusWanted::Suggested(stimulus) => Some(stimulus.clone()),
        // A level needs something that sounds; a simulated car plays nothing by itself.
        StimulusWanted::Any if order.id == "level" && bench.car().is_some() => signals::track("pink"),
        StimulusWanted::Any | StimulusWanted::Quiet => None,
    };
    let input = match &order.input {
        Some(name) => bench.input_named(name)?,
        None => bench.usual_input(&order.id),
    };
    let until = match (order.id.as_str(), &stimulus) {
        ("level", _) | (_, None) => Until::Seconds(LISTEN_S),
        _ => Until::Played,
    };
    let plan = Plan {
        parameters,
        until,
        stimulus,
        reference: bench.input(InputRole::Loopback),
        label: order.label.clone().unwrap_or_else(|| manifest.title.clone()),
        set: order.set.as_deref().and_then(Set::from_word),
        ..Plan::of(manifest, Stage::Tune, input)
    };
    let mut job = order.job.as_deref().map(jobs::open_or_create).transpose()?;
    count_down(order.after_s, progress);
    // The simulated car can be asked again, to the bit; a real one cannot.
    let loose =
        (job.is_none() && bench.car().is_none()).then(|| place::loose_recording(&order.id)).transpose()?;
    let taken = take::take(&plan, &mut bench, job.as_mut(), loose.clone(), &mut |take, _| {
        progress("Measuring", take.progress().unwrap_or(0.0));
        Ok(())
    })?;
    Ok(Measured { reading: taken.reading, recording: loose })
}

/// The clean limit of a simulated car, whose volume climbs by itself.
fn climb_simulated(order: &LiveOrder, car: &str, progress: &mut dyn FnMut(&str, f64)) -> Result<Reading> {
    let first = order.settings.iter().find(|(key, _)| key == "first_step");
    let climb = HeadroomOrder {
        simulated: Some(car.to_owned()),
        job: order.job.clone(),
        first_step: first.and_then(|(_, value)| value.parse().ok()),
        settings: order.settings.clone(),
        ..HeadroomOrder::default()
    };
    simulated_reading(&climb, progress)
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
