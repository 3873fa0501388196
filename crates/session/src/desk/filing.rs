//! Where a track belongs that was heard rather than asked for: what comes next in the work order
//! and can be measured with it.

use job::{Set, Stage};
use measure::Stimulus;
use view::SetMark;

use super::channels::placed;
use super::{Desk, drivers};
use procedure::{Placement, measurement_for};

/// What has been filed and is no capture yet.
#[derive(Debug, Default)]
pub(super) struct Filed(Vec<(Stage, String, String)>);

impl Filed {
    fn holds(&self, stage: Stage, place: &str, channel: &str) -> bool {
        self.0.iter().any(|(filed, name, of)| *filed == stage && name == place && of == channel)
    }
}

impl Desk {
    /// Files a track after those that have been filed with it.
    pub(super) fn file(&self, track: &Stimulus, filed: &mut Filed) -> Placement {
        let filing = self.place_for(track, filed).unwrap_or_else(|| Placement::named(&track.name));
        if let Some(stage) = filing.stage {
            filed.0.push((stage, filing.position.clone(), filing.processor_channel.clone()));
        }
        filing
    }

    fn place_for(&self, track: &Stimulus, filed: &Filed) -> Option<Placement> {
        let (measurement, stage) = measurement_for(track)?;
        let is_response = ["sweep", "spectrum"].contains(&measurement);
        match (self.face.stage, stage) {
            (view::Stage::Source, Stage::Tune) if is_response => self.file_output("tone", measurement, filed),
            (_, Stage::Source) if measurement == "headroom" => {
                self.file_output("headroom", measurement, filed)
            }
            (view::Stage::Drivers, _) | (_, Stage::Drivers) if is_response => self.file_driver(track, filed),
            (_, Stage::Tune) if is_response => self.file_position(filed),
            _ => None,
        }
    }

    /// The first output that has not been measured like this; the last one again after that.
    fn file_output(&self, what: &str, measurement: &str, filed: &Filed) -> Option<Placement> {
        let volume_step = self.step_now().filter(|_| measurement != "headroom");
        let made = |name: &String| {
            self.captures.of(view::Stage::Source).any(|held| {
                held.position == *name
                    && held.reading.measurement == measurement
                    && held.volume_step == volume_step
            })
        };
        let names = self.outputs_wanted();
        let open = names.iter().find(|name| !made(name) && !filed.holds(Stage::Source, name, ""));
        let output = open.or(names.last())?.clone();
        let label = match volume_step {
            Some(step) => format!("{output}, step {step}"),
            None => format!("{output}, {what}"),
        };
        Some(Placement {
            label,
            stage: Some(Stage::Source),
            position: output,
            volume_step,
            ..Placement::default()
        })
    }

    /// The first driver that suits the track and has not been measured.
    fn file_driver(&self, track: &Stimulus, filed: &Filed) -> Option<Placement> {
        let open = |name: &str| {
            self.captures.newest(view::Stage::Drivers, name).is_none()
                && !filed.holds(Stage::Drivers, name, "")
        };
        let driver = self
            .drivers()
            .iter()
            .find(|driver| drivers::track_of(driver.role) == track.name && open(&driver.name))?;
        Some(Placement {
            label: driver.name.clone(),
            stage: Some(Stage::Drivers),
            position: driver.name.clone(),
            driver: driver.name.clone(),
            ..Placement::default()
        })
    }

    /// The first position of the set that has not been measured.
    fn file_position(&self, filed: &Filed) -> Option<Placement> {
        let mut places = self.places_open().into_iter();
        let (_, name, channel) =
            places.find(|(_, name, channel)| !filed.holds(Stage::Tune, name, channel))?;
        let set = if self.choices.side == SetMark::Before { Set::Before } else { Set::After };
        Some(Placement {
            label: placed(channel, &name),
            stage: Some(Stage::Tune),
            set: Some(set),
            position: name,
            processor_channel: channel.to_owned(),
            ..Placement::default()
        })
    }
}
