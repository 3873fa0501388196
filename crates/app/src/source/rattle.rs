//! Rattles: a slow sweep through the cabin, the spots at which something buzzes, and each spot
//! played again until a hand has found the panel.

use chart::{Axis, Chart};
use engine::InputRole;
use job::Stage;
use measurements::signals;
use project::hertz;
use tuning::Response;
use view::{Action, Button, Card, CardLine, Choice, ChoiceKey, RattleRange, Tone};

use crate::Core;
use crate::captures::CaptureView;
use crate::card::{button, choice};
use crate::faces::{empty, linear, series};
use crate::order::{Order, sweep_text};
use crate::state::State;
use crate::work::Heading;
use library::{Error, Result};
use procedure::{Request, Spot, Watch, at_peak, spots};
use rig::Scene;

/// So many spots can be played from the card; the loudest come first.
const PLAYABLE: u8 = 6;

impl State {
    pub(super) fn rattle_card(&self) -> Card {
        let spots = self.spots();
        let idle = self.ready().can_begin();
        let play = |(number, spot): (u8, &Spot)| -> Button {
            button(Action::PlaySpot(number), &format!("Play {}", stretch(spot)), idle)
        };
        let lines = spots.iter().map(|spot| CardLine {
            label: stretch(spot),
            value: format!("{:.0} dB below the sweep", -spot.level_db),
            tone: Tone::Caution,
        });
        let ranges = [(RattleRange::Low, "15 to 250 Hz"), (RattleRange::Middle, "80 Hz to 8 kHz")];
        let range = Some(self.source.rattle_range);
        Card {
            instruction: match (self.rattled().is_some(), spots.is_empty()) {
                (false, _) => "Find the panels that buzz.".to_owned(),
                (true, true) => "Nothing buzzes at this level.".to_owned(),
                (true, false) => "Play a spot and feel the panels.".to_owned(),
            },
            detail: "A slow sweep at working level, the doors shut, the microphone in the cabin. What is quiet may not buzz: \
                     turn up to where the customer listens, and protect your hearing."
                .to_owned(),
            actions: (0..PLAYABLE).zip(&spots).map(play).collect(),
            settings: vec![choice(ChoiceKey::RattleRange, Choice::RattleRange, "Sweep", ranges, range)],
            lines: lines.collect(),
            findings: self.findings(view::Stage::Source),
            ..Card::default()
        }
    }

    pub(super) fn rattle_order(&self) -> Result<Order> {
        let mut plan = self.plan("rattle", Stage::Source, InputRole::Microphone)?;
        plan.stimulus = signals::track(match self.source.rattle_range {
            RattleRange::Low => "sweep-sub",
            RattleRange::Middle => "sweep-mid",
        });
        if self.is_simulated() {
            // As loud as the track is: nobody sits in it, and a quiet sweep finds nothing.
            plan.peak_dbfs = None;
        }
        plan.scene = Some(Scene { volume_step: self.step_now(), ..self.scene() });
        plan.request = Some(Request::GetReady);
        let heading = Heading {
            title: "Sweep for rattles".to_owned(),
            hint: "Shut the doors, hold still.".to_owned(),
            detail: sweep_text(plan.stimulus.as_ref()),
        };
        Ok(Order { plan, heading, pace: self.pace(u32::MAX) })
    }

    /// The newest sweep for rattles, or the picked one.
    fn rattled(&self) -> Option<&CaptureView> {
        self.chosen_of(|held| held.reading.measurement == "rattle" && held.has_result())
    }

    fn spots(&self) -> Vec<Spot> {
        self.rattled().map_or_else(Vec::new, |held| spots(&held.reading))
    }

    /// What sounds far above the sweep, over the sweep's frequency.
    pub(super) fn rattle_chart(&self) -> Chart {
        let found = self.rattled().and_then(|held| {
            let curve = held.reading.curves.get("rattle")?;
            Response::new(curve.get("frequency_hz")?.clone(), curve.get("level_db")?.clone()).ok()
        });
        let lines = found.iter().map(|response| series(0, "10th harmonic and up", response, 0.0));
        let marks = self
            .spots()
            .into_iter()
            .map(|spot| chart::Mark { x: (spot.from_hz * spot.to_hz).sqrt(), label: stretch(&spot) });
        Chart {
            lines: lines.collect(),
            marks: marks.collect(),
            ..empty(
                "What buzzes under the sweep".to_owned(),
                Axis::audio_frequency(),
                linear("Re the sweep", "dB", -100.0, 0.0),
            )
        }
    }
}

impl Core {
    /// Plays a spot again and again, until it is stopped.
    pub(crate) fn play_spot(&mut self, number: u8) -> Result<()> {
        let found = self.spots();
        let spot =
            found.get(usize::from(number)).ok_or_else(|| Error::input("This spot is no longer there."))?;
        let Some(rig) = &self.state.rig else {
            return Err(Error::input("Choose what to measure with first: devices, or the simulated car."));
        };
        if self.state.muted {
            return Err(Error::input("The output is muted. Allow output first, then play the spot."));
        }
        let watch = Watch {
            input: rig.input(InputRole::Microphone).unwrap_or(0),
            stimulus: Some(at_peak(spot.stimulus.clone(), Some(self.state.output_dbfs))),
            scene: None,
        };
        let heading = Heading {
            title: stretch(spot),
            detail: "again and again, until you press Space: feel the panels".to_owned(),
            ..Heading::default()
        };
        self.watch_input(heading, false, watch)
    }
}

fn stretch(spot: &Spot) -> String {
    format!("{} to {}", hertz(spot.from_hz), hertz(spot.to_hz))
}
