//! Listening: a track is waited for, recognised as it plays, captured, and its result shown,
//! without a key pressed.

use engine::{InputRole, Pace};
use job::{PlacedBy, Stage};
use measure::{Side, Stimulus};
use measurements::signals;
use procedure::{ListenOrder, at_peak, listen, on_side};
use rig::Scene;
use view::SourceTask;

use super::Core;
use super::run::With;
use super::state::State;
use super::work::{Doing, Listening, nothing_more};
use library::{Error, Result};

/// What is to be heard next.
pub(super) struct NextHeard {
    label: String,
    input: usize,
    /// The track, where it is known.
    track: Option<Stimulus>,
    scene: Option<Scene>,
    pace: Pace,
}

impl NextHeard {
    pub(super) fn text(&self) -> String {
        let track = self.track.as_ref().map(|track| track.name.as_str()).unwrap_or_default();
        let track = if track.is_empty() { String::new() } else { format!(", track {track}") };
        format!("Next: {}{track}. Press Space when all are heard.", self.label)
    }
}

impl State {
    /// What would be measured next, and is to be heard.
    pub(super) fn next_heard(&self) -> Result<NextHeard> {
        if (self.face.stage, self.face.source_task) == (view::Stage::Source, SourceTask::Headroom) {
            let output = self.outputs_wanted().into_iter().next();
            let output = output
                .ok_or_else(|| Error::input("Say which outputs the source has, such as front, rear, sub."))?;
            return Ok(NextHeard {
                label: format!("{output}, headroom"),
                input: self.input(InputRole::Electrical)?,
                track: None,
                scene: None,
                pace: Pace::RealTime,
            });
        }
        let order = self.orders()?.pop_front();
        let order = order.ok_or_else(|| Error::input("Nothing is left to be heard."))?;
        // A track plays both sides alike; which one sounds is up to the person.
        let sides = |stimulus| {
            if order.plan.processor_channel.is_empty() { stimulus } else { on_side(stimulus, Side::Both) }
        };
        let driver = self.drivers().iter().find(|driver| driver.name == order.plan.driver);
        let track = match driver.filter(|_| !self.is_simulated()) {
            // What is on the stick: at several places the track that tells how they add up.
            Some(driver) if self.choices.driver_places > 1 => {
                signals::track(procedure::place_track(driver.role))
            }
            Some(driver) => procedure::driver_sweep(driver.role),
            None => {
                let peak_dbfs = order.plan.peak_dbfs;
                order.plan.stimulus.map(|stimulus| at_peak(sides(stimulus), peak_dbfs))
            }
        };
        Ok(NextHeard {
            label: order.plan.label,
            input: order.plan.input,
            track,
            scene: order.plan.scene,
            pace: order.pace,
        })
    }

    /// Whether the open stage has something that has not been measured.
    fn left_to_hear(&self) -> bool {
        match self.face.stage {
            view::Stage::Drivers => !self.drivers_open().is_empty() && self.choices.driver.is_none(),
            view::Stage::Tune => !self.places_open().is_empty(),
            _ => false,
        }
    }

    /// Where a track is thought to belong that was heard rather than asked for: what comes next in the work
    /// order and can be measured with it. What is being recorded has its place already. It is a proposal, and
    /// where nothing is open there is none.
    pub(super) fn place_for(&self, track: &Stimulus) -> procedure::Placement {
        let proposed = self.proposed(track);
        let placed_by = proposed.is_some().then_some(PlacedBy::Proposal);
        let place = proposed.unwrap_or_else(|| procedure::Placement::named(&track.name));
        procedure::Placement { placed_by, ..place }
    }

    fn proposed(&self, track: &Stimulus) -> Option<procedure::Placement> {
        let (measurement, stage) = procedure::measurement_for(track)?;
        let is_response = ["sweep", "spectrum"].contains(&measurement);
        match (self.face.stage, stage) {
            (view::Stage::Source, Stage::Tune) if is_response => self.next_output("tone", measurement),
            (_, Stage::Source) if measurement == "headroom" => self.next_output("headroom", measurement),
            (view::Stage::Drivers, _) | (_, Stage::Drivers) if is_response => self.next_driver(track),
            (_, Stage::Tune) if is_response => self.next_position(),
            _ => None,
        }
    }

    /// The first output that has not been measured like this.
    fn next_output(&self, what: &str, measurement: &str) -> Option<procedure::Placement> {
        let volume_step = self.step_now().filter(|_| measurement != "headroom");
        let made = |name: &String| {
            self.captures.of(view::Stage::Source).any(|held| {
                held.position == *name && held.measurement == measurement && held.volume_step == volume_step
            })
        };
        let names = self.outputs_wanted();
        let output = names.iter().find(|name| !made(name))?.clone();
        let label = match volume_step {
            Some(step) => format!("{output}, step {step}"),
            None => format!("{output}, {what}"),
        };
        Some(procedure::Placement {
            label,
            stage: Some(Stage::Source),
            position: output,
            volume_step,
            ..procedure::Placement::default()
        })
    }

    /// The first driver that suits the track and has not been measured.
    fn next_driver(&self, track: &Stimulus) -> Option<procedure::Placement> {
        let suits = |driver: &job::Driver| {
            let tracks = [procedure::driver_track(driver.role), procedure::place_track(driver.role)];
            tracks.contains(&&*track.name)
        };
        let mut open = self.drivers_open().into_iter();
        let (_, place, driver) =
            open.find(|(_, place, driver)| suits(driver) && !self.captures.is_running(&driver.name, place))?;
        Some(procedure::Placement {
            label: self.driver_label(driver, &place),
            stage: Some(Stage::Drivers),
            position: place,
            driver: driver.name.clone(),
            ..procedure::Placement::default()
        })
    }

    /// The first position of the set that has not been measured.
    fn next_position(&self) -> Option<procedure::Placement> {
        let (_, name, channel) = self.places_open().into_iter().next()?;
        Some(procedure::Placement {
            label: super::channels::placed(channel, &name),
            stage: Some(Stage::Tune),
            set: Some(self.set_of(self.choices.side)),
            position: name,
            processor_channel: channel.to_owned(),
            ..procedure::Placement::default()
        })
    }
}

impl Core {
    /// Begins to listen. The simulated car plays what comes next by itself.
    pub(super) fn listen(&mut self) -> Result<()> {
        let next = self.next_heard()?;
        self.begin_job("")?;
        let simulated = self.is_simulated();
        if simulated && next.track.is_none() {
            return Err(Error::input("The simulated source has no track for this measurement."));
        }
        let order = ListenOrder {
            input: Some(next.input),
            play: next.track.clone().filter(|_| simulated).into_iter().collect(),
            ..ListenOrder::default()
        };
        let listening = Listening {
            what: "Getting ready to listen".to_owned(),
            next: next.text(),
            ..Listening::default()
        };
        let with = With { headings: Vec::new(), store: self.store()?, pace: next.pace };
        self.start(Doing::Listening(listening), with, false, move |session| {
            if let Some(scene) = &next.scene {
                session.rig.set_scene(scene)?;
            }
            // Each is told as an event too.
            listen(session, &order, &mut drop)?;
            Ok(nothing_more())
        })
    }

    /// Listening has ended by itself: the simulated car plays the next track.
    pub(super) fn listened(&mut self, listening: &Listening) -> Result<()> {
        // When all are measured the orders begin anew, and nobody wants that here.
        if self.is_simulated() && listening.heard > 0 && self.left_to_hear() && self.state.choices.go_on {
            return self.listen();
        }
        Ok(())
    }
}
