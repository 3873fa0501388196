//! What is to be captured and measured.

use job::{Set, Stage};
use measure::{Manifest, Parameters, Segment, Side, Signal, Stimulus, StimulusWanted};
use rig::Scene;

use crate::Request;

/// What is to be captured and measured.
#[derive(Debug, Clone)]
pub struct Plan {
    /// The measurement's id.
    pub measurement: String,
    /// Its parameters, checked.
    pub parameters: Parameters,
    /// What is played; nothing when the source plays by itself.
    pub stimulus: Option<Stimulus>,
    /// How loud its peak is to be, instead of what the stimulus says.
    pub peak_dbfs: Option<f64>,
    /// When it ends.
    pub until: Until,
    /// The input that is measured, from 0.
    pub input: usize,
    /// Further inputs that are measured at the same time. Each makes a capture of its own, whose
    /// place is the input's name.
    pub also: Vec<usize>,
    /// The input that carries the reference.
    pub reference: Option<usize>,
    /// What the capture is called.
    pub label: String,
    /// The set it belongs to.
    pub set: Option<Set>,
    /// The stage it is made for.
    pub stage: Stage,
    /// Where the microphone is, or which output is tapped.
    pub position: String,
    /// The driver that plays alone; empty where several do.
    pub driver: String,
    /// The processor channel or side that plays; empty for the whole car.
    pub processor_channel: String,
    /// The source's volume step, where it is known.
    pub volume_step: Option<u32>,
    /// The engine's speed in turns a minute, where it is known.
    pub engine_rpm: Option<f64>,
    /// How a simulated car is set for it; as it is, where that is left open.
    pub scene: Option<Scene>,
    /// What the person does before it, who has a real car.
    pub request: Option<Request>,
}

impl Plan {
    /// A capture with one input and the measurement's own stimulus and parameters.
    #[must_use]
    pub fn of(manifest: &Manifest, stage: Stage, input: usize) -> Self {
        let stimulus = match &manifest.stimulus {
            StimulusWanted::Known(stimulus) | StimulusWanted::Suggested(stimulus) => Some(stimulus.clone()),
            StimulusWanted::Any | StimulusWanted::Quiet => None,
        };
        Self {
            measurement: manifest.id.clone(),
            parameters: manifest.defaults(),
            stimulus,
            peak_dbfs: None,
            until: Until::Played,
            input,
            also: Vec::new(),
            reference: None,
            label: manifest.title.clone(),
            set: None,
            stage,
            position: String::new(),
            driver: String::new(),
            processor_channel: String::new(),
            volume_step: None,
            engine_rpm: None,
            scene: None,
            request: None,
        }
    }
}

/// When a capture ends.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Until {
    /// Half a second after the stimulus.
    Played,
    /// After so long; the stimulus is repeated if it is shorter.
    Seconds(f64),
    /// When the person says so, or the measurement has enough.
    Told,
    /// The same, and a stop is how they say so: what was captured until then is all that it was to be.
    Stopped,
}

/// The stimulus with its highest peak at another level.
#[must_use]
pub fn at_peak(mut stimulus: Stimulus, peak_dbfs: Option<f64>) -> Stimulus {
    if let (Some(wanted), Some(peak)) = (peak_dbfs, stimulus.peak_dbfs()) {
        let sounding = |segment: &&mut Segment| segment.signal != Signal::Silence;
        for segment in stimulus.segments.iter_mut().filter(sounding) {
            segment.peak_dbfs += wanted - peak;
        }
    }
    stimulus
}

/// The stimulus on one side of the source alone, as the left or the right input of a processor gets it: what plays
/// for both sides, such as a subwoofer, then gets half of what it has when both sides play.
#[must_use]
pub fn on_side(mut stimulus: Stimulus, side: Side) -> Stimulus {
    stimulus.segments.iter_mut().for_each(|segment| segment.side = side);
    stimulus
}

#[cfg(test)]
mod tests {
    use testkit::near;

    use super::*;

    #[test]
    fn a_stimulus_keeps_its_shape_at_another_level() {
        let tone = |peak_dbfs| Segment::of(Signal::Sine { frequency_hz: 1e3 }, 1.0, peak_dbfs, 0.01);
        let stimulus = Stimulus {
            name: "two".to_owned(),
            segments: vec![tone(-6.0), Segment::silence(1.0), tone(-20.0)],
        };
        let quiet = at_peak(stimulus.clone(), Some(-30.0));
        near("the loud one", quiet.segments[0].peak_dbfs, -30.0, 1e-12);
        near("the soft one", quiet.segments[2].peak_dbfs, -44.0, 1e-12);
        assert_eq!(quiet.segments[1], stimulus.segments[1]);
        assert_eq!(at_peak(stimulus.clone(), None), stimulus);
    }
}
