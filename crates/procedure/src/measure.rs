//! One measurement by its id, with parameters as they were typed.

use job::{Driver, Set, Stage};
use library::{Error, Result};
use measure::StimulusWanted;
use measurements::signals;
use rig::{InputRole, Scene, Sounding};
use tuning::Role;

use crate::capture::capture;
use crate::session::{Go, Session};
use crate::volume_sweep::{VolumeSweep, limiting_reading};
use crate::{Captured, Plan, Request, Until, driver_sweep, plugins};

/// What is to be measured.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct MeasureOrder {
    /// The measurement's id.
    pub id: String,
    /// What the capture is called; by default the driver's name, or else the measurement's title.
    pub label: Option<String>,
    /// The set it belongs to.
    pub set: Option<Set>,
    /// The inputs that are measured at the same time, by name, or `all` for all that carry no
    /// reference; by default one, the electrical one for what belongs to the source, else the microphone.
    pub inputs: Vec<String>,
    /// The driver that plays alone, where one does: a sweep is then the one that it can take, and a simulated car lets
    /// it sound alone.
    pub driver: Option<Driver>,
    /// Parameters as they were typed.
    pub settings: Vec<(String, String)>,
    /// How long to wait first.
    pub after_s: f64,
}

/// The word for all inputs.
const ALL: &str = "all";

/// What a driver of which nothing is known may play.
const UNKNOWN_HZ: (f64, f64) = (30.0, 16_000.0);

/// How long is listened when no stimulus says it.
const LISTEN_S: f64 = 10.0;

/// Measures once. A simulated car's `headroom` is that of the output that limits it: its volume
/// climbs by itself.
///
/// # Errors
/// When something that was given cannot be used, or the rig refuses. A measurement that cannot be
/// made is not an error: the reading says why.
pub fn measure(session: &mut Session<'_>, order: &MeasureOrder) -> Result<Vec<Captured>> {
    let plan = plan(session, order)?;
    if order.after_s > 0.0 {
        let go = session.wait(&Request::GetReady, Some(order.after_s));
        if go != Go::On {
            return Ok(Vec::new());
        }
    }
    if order.id == "headroom" && session.rig.is_simulated() {
        let sweep = VolumeSweep { settings: order.settings.clone(), ..VolumeSweep::default() };
        return limiting_reading(session, &sweep).map(|captured| captured.into_iter().collect());
    }
    capture(session, &plan)
}

fn plan(session: &Session<'_>, order: &MeasureOrder) -> Result<Plan> {
    let registry = plugins::registry(&order.id);
    let manifest = registry.manifest(&order.id).map_err(|unknown| plugins::unknown(&registry, &unknown))?;
    let parameters = manifest
        .parameters(order.settings.iter().map(|(key, value)| (key.as_str(), value.as_str())))
        .map_err(|error| Error::input(error.to_string()))?;
    let rig = &*session.rig;
    let stimulus = match &manifest.stimulus {
        StimulusWanted::Known(_) if order.id == "sweep" && order.driver.is_some() => {
            driver_sweep(order.driver.as_ref().and_then(part))
        }
        StimulusWanted::Known(stimulus) | StimulusWanted::Suggested(stimulus) => Some(stimulus.clone()),
        // A level needs something that sounds; a simulated car plays nothing by itself.
        StimulusWanted::Any if order.id == "level" && rig.is_simulated() => signals::track("pink"),
        StimulusWanted::Any | StimulusWanted::Quiet => None,
    };
    let until = match (order.id.as_str(), &stimulus) {
        ("level", _) | (_, None) => Until::Seconds(LISTEN_S),
        _ => Until::Played,
    };
    let alone = order.driver.as_ref().filter(|_| rig.is_simulated());
    let sounding = alone.map(|driver| Sounding::Only(driver.name.clone()));
    let stage = if order.driver.is_some() { Stage::Drivers } else { Stage::Tune };
    let named = order.driver.as_ref().map(|driver| driver.name.clone());
    let inputs = inputs(session, order)?;
    let (first, also) = inputs.split_first().unwrap_or((&0, &[]));
    Ok(Plan {
        parameters,
        until,
        stimulus,
        also: also.to_vec(),
        reference: rig.input(InputRole::Loopback),
        label: order.label.clone().or(named).unwrap_or_else(|| manifest.title.clone()),
        set: order.set.clone(),
        scene: sounding.map(|sounding| Scene { sounding, ..Scene::default() }),
        ..Plan::of(manifest, stage, *first)
    })
}

/// What a driver is for: what is noted of it, or else what its name says. A full range is taken from nobody's name.
fn part(driver: &Driver) -> Option<Role> {
    let named = || Some(Role::proposed(&driver.name, UNKNOWN_HZ)).filter(|role| *role != Role::FullRange);
    driver.role.or_else(named)
}

/// The inputs that are meant, each once.
fn inputs(session: &Session<'_>, order: &MeasureOrder) -> Result<Vec<usize>> {
    let rig = &*session.rig;
    let mut inputs = Vec::new();
    for name in &order.inputs {
        if name == ALL && rig.input_named(name).is_err() {
            let all = rig.spec().inputs.iter().enumerate();
            inputs.extend(all.filter(|(_, input)| input.role != InputRole::Loopback).map(|(index, _)| index));
        } else {
            inputs.push(rig.input_named(name)?);
        }
    }
    let mut seen = Vec::new();
    inputs.retain(|input| {
        let new = !seen.contains(input);
        seen.push(*input);
        new
    });
    if inputs.is_empty() {
        inputs.push(rig.usual_input(&order.id));
    }
    Ok(inputs)
}
