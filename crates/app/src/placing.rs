//! Tracks that were imported or heard: where each is thought to belong, until a person says so.

use procedure::Change;
use project::Placement;
use view::{Action, Button, CaptureId, Card, Choice, ChoiceKey, SetMark, Setting, Stage};

use super::Core;
use super::captures::CaptureView;
use super::card::{button, choice};
use super::channels::placed;
use super::state::State;
use job::PlacedBy;
use library::Result;

impl State {
    /// Whether the open stage has tracks whose places are only proposed.
    pub(super) fn is_placing(&self) -> bool {
        self.is_idle() && self.proposals().next().is_some()
    }

    /// Where proposals wait for a person, as a sentence.
    pub(super) fn where_proposed(&self) -> String {
        let waits = |stage: &Stage| self.captures.of(*stage).any(|held| held.proposed);
        let stages: Vec<&str> = Stage::ALL.into_iter().filter(waits).map(Stage::title).collect();
        match stages.as_slice() {
            [] => "Nobody knows where it belongs: it counts nowhere.".to_owned(),
            stages => format!("Say under {} where each belongs.", stages.join(" and ")),
        }
    }

    fn proposals(&self) -> impl Iterator<Item = &CaptureView> {
        self.captures.of(self.face.stage).filter(|held| held.proposed)
    }

    pub(super) fn placing_main(&self) -> Button {
        let label = match self.proposals().count() {
            1 => "Take the proposed place".to_owned(),
            count => format!("Take the {count} proposed places"),
        };
        button(Action::AcceptPlaces, &label, true)
    }

    /// The stage's card while places are proposed: each with a menu, and nothing counts yet.
    pub(super) fn placing_card(&self, card: Card) -> Card {
        let places: Vec<Setting> = self.proposals().map(|held| self.place_setting(held)).collect();
        let first_settings = places.len().saturating_add(card.first_settings);
        Card {
            instruction: "Where does each track belong?".to_owned(),
            detail: "These places are proposed. Until you take them, nothing of it counts.".to_owned(),
            settings: places.into_iter().chain(card.settings).collect(),
            first_settings,
            headline: String::new(),
            headline_caption: String::new(),
            ..card
        }
    }

    fn place_setting(&self, held: &CaptureView) -> Setting {
        let places = self.places_of(held.stage);
        let is_here = |place: &Placement| {
            let mark = place.set.as_ref().map(|set| *set == job::Set::Before);
            place.position == held.position
                && place.processor_channel == held.channel
                && mark == held.mark.map(|mark| mark == SetMark::Before)
        };
        let number = |index: usize| u16::try_from(index).unwrap_or(u16::MAX);
        let here = places.iter().position(is_here).map(number);
        let id = held.id;
        let nowhere = std::iter::once((None, "nowhere: it does not count".to_owned()));
        let options =
            places.iter().enumerate().map(|(index, place)| (Some(number(index)), place_text(place)));
        let label = format!("{} at {}, proposed:", held.track, held.time);
        choice(
            ChoiceKey::Place(id),
            |place| Choice::Place(id, place),
            &label,
            nowhere.chain(options),
            Some(here),
        )
    }

    /// Every place that a track of a stage can belong to, in the order of the work.
    fn places_of(&self, stage: Stage) -> Vec<Placement> {
        let known = Placement { placed_by: Some(PlacedBy::Person), ..Placement::default() };
        match stage {
            Stage::Drivers => {
                let driver = |driver: &job::Driver| Placement {
                    label: driver.name.clone(),
                    position: driver.name.clone(),
                    driver: driver.name.clone(),
                    ..known.clone()
                };
                self.drivers().iter().map(driver).collect()
            }
            Stage::Tune => {
                let sets = [SetMark::Before, SetMark::After].map(|mark| self.set_of(mark));
                let at = |set: &job::Set| {
                    let set = set.clone();
                    let known = known.clone();
                    self.places().into_iter().map(move |(_, name, channel)| Placement {
                        label: placed(channel, &name),
                        set: Some(set.clone()),
                        position: name,
                        processor_channel: channel.to_owned(),
                        ..known.clone()
                    })
                };
                sets.iter().flat_map(at).collect()
            }
            _ => {
                let output =
                    |name: String| Placement { label: name.clone(), position: name, ..known.clone() };
                self.output_names().into_iter().map(output).collect()
            }
        }
    }
}

/// A place as a person reads it in a list.
fn place_text(place: &Placement) -> String {
    match &place.set {
        Some(set) => format!("{}, {}", set.word(), place.label),
        None => place.label.clone(),
    }
}

impl Core {
    /// Takes all proposed places of the open stage.
    pub(super) fn accept_places(&mut self) -> Result<()> {
        let proposed: Vec<CaptureId> = self.state.proposals().map(|held| held.id).collect();
        let taken = proposed.into_iter().filter_map(|id| {
            let id = job::CaptureId(id.0);
            let known = self.job.as_ref()?.project().capture(id)?;
            let placement = Placement { placed_by: Some(PlacedBy::Person), ..Placement::of(&known.meta) };
            Some(Change::Placed { id, placement })
        });
        let taken: Vec<Change> = taken.collect();
        self.edit(Change::Together(taken))
    }

    /// Puts a track where a person says that it belongs; or nowhere.
    pub(super) fn place_chosen(&mut self, id: CaptureId, place: Option<u16>) -> Result<()> {
        let Some(held) = self.state.captures.get(id) else { return Ok(()) };
        let places = self.state.places_of(held.stage);
        let nowhere = Placement {
            label: held.track.clone(),
            placed_by: Some(PlacedBy::Person),
            ..Placement::default()
        };
        let chosen = place.and_then(|place| places.into_iter().nth(usize::from(place))).unwrap_or(nowhere);
        self.place(id, |placement| {
            *placement = Placement { conditions: placement.conditions.clone(), ..chosen };
        })
    }
}
