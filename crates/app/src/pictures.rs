//! What is shown where a chart would have nothing to say: the cabin with its drivers, and the
//! chain from the radio to the speakers.

use chart::{Cabin, Chain, ChainPart, MicPlace, PartState, Picture, Speaker, SpeakerState};
use job::Driver;
use project::derive::is_inverted;
use units::quantity;
use view::{ChartFace, Stage, StageState};

use super::captures::CaptureView;
use super::derivation::Derivation;

impl Derivation {
    /// The face of a stage that is a picture.
    pub(super) fn picture_face(&self) -> Option<ChartFace> {
        match self.face.stage {
            Stage::Source | Stage::Gain => Some(ChartFace::Chain),
            Stage::Drivers | Stage::Timing | Stage::Tune => {
                (!self.drivers().is_empty()).then_some(ChartFace::Cabin)
            }
            Stage::Intake | Stage::Handover => None,
        }
    }

    /// What stands in the chart's place.
    pub(super) fn drawn(&self) -> Option<Picture> {
        match self.shown_face() {
            ChartFace::Cabin => Some(Picture::Cabin(self.cabin())),
            ChartFace::Chain => Some(Picture::Chain(self.chain())),
            _ => None,
        }
    }

    fn cabin(&self) -> Cabin {
        let found = |driver: &Driver| self.driver_found(&driver.name);
        // Arrivals say something only against each other, and where they share their zero.
        let arrival_s = |driver: &Driver| {
            let held = found(driver).filter(|_| self.arrivals_compare())?;
            held.reading.values.get("arrival_s").copied()
        };
        let first_s = self.drivers().iter().filter_map(arrival_s).fold(f64::INFINITY, f64::min);
        let speaker = |driver: &Driver| Speaker {
            state: found(driver).map_or(SpeakerState::Open, speaker_state),
            arrival_ms: arrival_s(driver).map(|at_s| 1e3 * (at_s - first_s)),
            ..report::speaker(driver)
        };
        let tuning = self.face.stage == Stage::Tune;
        let title = if tuning { "Where the microphone goes" } else { "The drivers, from above" };
        Cabin {
            title: title.to_owned(),
            speakers: self.drivers().iter().map(speaker).collect(),
            places: match self.face.stage {
                Stage::Tune => self.mic_places(),
                Stage::Drivers if self.choices.driver_places > 1 => self.driver_mic_places(),
                _ => Vec::new(),
            },
            drives_right: false,
        }
    }

    /// The places at which drivers are measured.
    fn driver_mic_places(&self) -> Vec<MicPlace> {
        let open: Vec<usize> = self.drivers_open().into_iter().map(|(place, ..)| place).collect();
        let state = |place: usize| match open.first() {
            Some(next) if *next == place => MicPlace::Next,
            _ if open.contains(&place) => MicPlace::Open,
            _ => MicPlace::Taken,
        };
        (0..self.choices.driver_places).map(state).collect()
    }

    fn mic_places(&self) -> Vec<MicPlace> {
        let open = self.places_open();
        let is_open = |place: &(usize, String, &'static str)| open.iter().any(|other| other.0 == place.0);
        let next = open.first().map(|place| place.0);
        let mut places: Vec<(usize, MicPlace)> = self
            .places()
            .iter()
            .map(|place| match is_open(place) {
                true if next == Some(place.0) => (place.0, MicPlace::Next),
                true => (place.0, MicPlace::Open),
                false => (place.0, MicPlace::Taken),
            })
            .collect();
        // A place that is measured for each side is one place.
        places.dedup_by_key(|place| place.0);
        places.into_iter().map(|place| place.1).collect()
    }

    fn chain(&self) -> Chain {
        let part = |name: &str, lines: Vec<String>, state| ChainPart { name: name.to_owned(), lines, state };
        let source = self.stage_line(Stage::Source);
        let known = |state: StageState| match state {
            StageState::NotBegun => PartState::Open,
            StageState::Begun | StageState::Measured => PartState::Good,
            StageState::NeedsAnotherLook => PartState::Caution,
        };
        let gain = self.gain();
        let plan = gain.plan().filter(|_| gain.measured);
        let stages = plan.map(|plan| plan.stages).unwrap_or_default();
        // The first stage is the radio itself, the last one the amplifier.
        let between = stages.get(1..stages.len().saturating_sub(1)).unwrap_or_default();
        let mut links = vec![part("Radio", split(&source.result), known(source.state))];
        links.extend(between.iter().map(|stage| {
            let state = if stage.headroom_db < -0.1 { PartState::Caution } else { PartState::Good };
            let lines = vec![
                format!("clean to {:.2} V", stage.clips_at_v),
                format!("{:.1} dB in hand", stage.headroom_db).replace('-', "\u{2212}"),
            ];
            part(&quantity::sentence(&stage.stage), lines, state)
        }));
        if between.is_empty() {
            links.push(part("Processor", Vec::new(), PartState::Open));
        }
        let set = self.stage_line(Stage::Gain);
        let power = format!("{} W, {} Ω", self.choices.power_w, self.choices.load_ohm);
        let wanted = gain.target_v().map(|volts| format!("{volts:.2} V wanted"));
        links.push(part("Amplifier", wanted.into_iter().chain([power]).collect(), known(set.state)));
        links.push(part("Speakers", Vec::new(), PartState::Open));
        // The probe goes to the radio's outputs, then to the amplifier's.
        let probe = if self.face.stage == Stage::Gain { links.len() - 2 } else { 0 };
        Chain { title: "From the radio to the speakers".to_owned(), links, probe: Some(probe) }
    }
}

/// A stage's result as short lines.
fn split(result: &str) -> Vec<String> {
    result
        .split([',', ';', '·'])
        .map(|words| words.trim().to_owned())
        .filter(|words| !words.is_empty())
        .collect()
}

fn speaker_state(held: &CaptureView) -> SpeakerState {
    if held.running {
        SpeakerState::Playing
    } else if !held.has_result() {
        SpeakerState::Open
    } else if is_inverted(&held.reading) {
        SpeakerState::Reversed
    } else if held.reading.findings.iter().any(|finding| finding.code == "not-found") {
        SpeakerState::Silent
    } else if !held.remark.is_empty() {
        SpeakerState::Caution
    } else {
        SpeakerState::Good
    }
}
