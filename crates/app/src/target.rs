//! Editing the target: its card, what can be added, and where it is kept.

use tuning::{BandKind, Target};
use units::quantity::signed_decibels;
use view::{
    Action, Card, ChartFace, Choice, ChoiceKey, HandleId, NumberKey, Setting, SettingKind, Shelf, Stage,
    TextKey, TuneCard,
};

use super::Core;
use super::card::{button, choice, text};
use super::state::State;
use library::{Error, Result, targets};

impl State {
    /// Whether the chart has the target's handles.
    pub(super) fn is_editing_target(&self) -> bool {
        self.face.stage == Stage::Tune && self.face.tune_card == TuneCard::Target
    }

    /// The targets that there are, and the one that was edited, if that is aimed at.
    pub(super) fn target_setting(&self) -> Setting {
        let named = targets::target_names().into_iter().map(|(name, _)| {
            let label = library::target(&name).map_or_else(|_| name.clone(), |target| target.name);
            (Some(name), label)
        });
        let chosen = self.tune.target_id().map(str::to_owned);
        let edited = chosen.is_none().then(|| (None, self.tune.target().name.clone()));
        choice(ChoiceKey::Target, Choice::Target, "Target", named.chain(edited), Some(chosen))
    }

    pub(super) fn target_card(&self) -> Card {
        let target = self.tune.target();
        let idle = self.is_idle();
        let is_kept = self.tune.target_id().is_some();
        Card {
            instruction: format!("Shape the target “{}”.", target.name),
            detail: "Drag its handles, or choose one below and use the arrow keys.".to_owned(),
            actions: vec![
                button(Action::AddPoint, "+ Point", idle),
                button(Action::AddShelf(Shelf::Low), "+ Low shelf", idle),
                button(Action::AddShelf(Shelf::High), "+ High shelf", idle),
                button(Action::KeepTarget, "Save as my target", idle && !is_kept),
            ],
            settings: vec![
                stepped(NumberKey::Tilt, "Tilt per octave", target.tilt_db_per_octave, Target::TILTS),
                stepped(NumberKey::Tolerance, "Tolerance", target.tolerance_db, Target::TOLERANCES),
                text(TextKey::TargetName, "Name", &target.name),
                self.target_setting(),
            ],
            first_settings: 2,
            ..Card::default()
        }
    }
}

impl Core {
    /// Gives the chart to the target's handles. A curve of many points is first made one of few.
    pub(super) fn edit_target(&mut self) {
        self.state.face.tune_card = TuneCard::Target;
        self.state.face.chart = ChartFace::Response;
        self.select(None);
        if let Some((few, off_db)) = self.state.tune.target().with_few_points() {
            let (many, count) = (self.state.tune.target().points.len(), few.points.len());
            self.state.tune.edit_target(|target| *target = few);
            self.notice(
                format!(
                    "{many} points cannot be told apart on a chart. {count} stand for them now, within {off_db:.1} dB; \
                     undo brings all of them back."
                ),
                true,
            );
        }
    }

    /// Adds a point after the chosen one.
    pub(super) fn add_point(&mut self) -> Result<()> {
        let after = match self.selected() {
            Some(HandleId::Point(index)) => Some(index),
            _ => None,
        };
        self.add_handle(|target| target.add_point(after).map(HandleId::Point))
    }

    /// Adds a shelf.
    pub(super) fn add_shelf(&mut self, shelf: Shelf) -> Result<()> {
        let kind = match shelf {
            Shelf::Low => BandKind::LowShelf,
            Shelf::High => BandKind::HighShelf,
        };
        self.add_handle(|target| target.add_shelf(kind).map(HandleId::Shelf))
    }

    fn add_handle(&mut self, add: impl FnOnce(&mut Target) -> Option<HandleId>) -> Result<()> {
        let mut added = None;
        self.state.tune.edit_target(|target| added = add(target));
        if added.is_none() {
            return Err(Error::input("There is no room for another one: take one away first."));
        }
        self.select(added);
        Ok(())
    }

    /// Gives the target another name; an empty one is none.
    pub(super) fn name_target(&mut self, name: &str) {
        let name = name.trim();
        if !name.is_empty() {
            self.state.tune.edit_target(|target| name.clone_into(&mut target.name));
        }
    }

    /// Takes a shelf or a point away.
    pub(super) fn remove_handle(&mut self, handle: HandleId) {
        if let Some(handle) = super::tune::of_target(handle) {
            self.select(None);
            self.state.tune.edit_target(|target| target.remove(handle));
        }
    }

    /// Writes the target among the person's own, and chooses it by its name from now on.
    pub(super) fn keep_target(&mut self) -> Result<()> {
        let target = self.state.tune.target();
        let name = targets::plain_name(&target.name);
        if name.is_empty() {
            return Err(Error::input("Give the target a name of letters or digits first."));
        }
        let path = targets::keep_target(target, &name, "give this one another name")?;
        self.state.tune.target_is_kept(&name);
        self.notice(format!("The target is kept as “{name}”, in {}", path.display()), true);
        Ok(())
    }
}

/// Decibels that are stepped, to one side or to both.
fn stepped(key: NumberKey, label: &str, value: f64, (min, max, step): (f64, f64, f64)) -> Setting {
    let text = if min < 0.0 { signed_decibels(value) } else { format!("±{value:.1} dB") };
    let kind = SettingKind::Number { key, value, min, max, step, text };
    Setting { label: label.to_owned(), kind }
}
