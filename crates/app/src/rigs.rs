//! Which rig is used: the system's own devices, or one that the person has described in a file.

use std::path::Path;

use library::RememberedRig;
use rig::{OpenRig, RigChoice};
use view::{Action, Button, Choice, ChoiceKey, Setting};

use super::Core;
use super::card::{button, choice};
use super::state::State;
use library::files::write_text;
use library::{Error, Result, place};

/// The rig that is begun for somebody who has none.
const BEGUN: &str = "bench";
const BEGUN_TEXT: &str = include_str!("rigs/begun.toml");

impl State {
    /// Which rig, while devices are used.
    pub(super) fn rig_setting(&self) -> Option<Setting> {
        let rig = self.rig.as_ref().filter(|rig| rig.car().is_none())?;
        let own = place::own_names("rigs").into_iter().map(|name| (Some(name.clone()), name));
        let options = std::iter::once((None, "System devices".to_owned())).chain(own);
        let chosen = rig.file().and_then(Path::file_stem).map(|stem| stem.to_string_lossy().into_owned());
        Some(choice(ChoiceKey::Rig, Choice::Rig, "Rig", options, Some(chosen)))
    }

    /// Offered to somebody who has no rig of their own.
    pub(super) fn rig_action(&self) -> Option<Button> {
        let devices = self.rig.as_ref().is_some_and(|rig| rig.car().is_none());
        let none = place::own_names("rigs").is_empty();
        (devices && none).then(|| button(Action::BeginRigFile, "Begin a rig file", self.is_idle()))
    }
}

impl Core {
    pub(super) fn use_devices(&mut self) -> Result<()> {
        self.refuse_while_busy()?;
        let rig = OpenRig::open(RigChoice::Default)?;
        self.use_own(rig, RememberedRig::Devices);
        Ok(())
    }

    pub(super) fn use_own(&mut self, rig: OpenRig, found_again: RememberedRig) {
        self.hold_rig(rig, found_again);
        self.state.face.at_start = false;
        self.state.choices.times = 1;
        self.state.choices.countdown_s = 5;
        self.state.choices.filters_on = true;
    }

    /// Uses this rig from now on.
    pub(super) fn hold_rig(&mut self, rig: OpenRig, found_again: RememberedRig) {
        self.state.rig = Some(rig.facts().clone());
        self.idle_rig = Some(rig);
        self.rig_in_use = Some(found_again.clone());
        self.remember(|memory| memory.rig = Some(found_again));
        self.remember_job();
    }

    /// Uses the rig of this name; the system's devices without one.
    pub(super) fn use_rig(&mut self, name: Option<&str>) -> Result<()> {
        match name {
            None => self.use_devices(),
            Some(_) if self.work.is_some() => self.refuse_while_busy(),
            Some(name) => {
                let rig = OpenRig::open(RigChoice::File(name.into()))?;
                self.use_own(rig, RememberedRig::File(name.into()));
                Ok(())
            }
        }
    }

    /// Writes a first rig file, and uses it.
    pub(super) fn begin_rig(&mut self) -> Result<()> {
        let folder = place::data()
            .ok_or_else(|| {
                Error::input("The system names no folder for a program's data; write the rig file by hand.")
            })?
            .join("rigs");
        let path = folder.join(format!("{BEGUN}.toml"));
        if !path.exists() {
            std::fs::create_dir_all(&folder).map_err(|error| Error::io("make", &folder, &error))?;
            write_text(&path, BEGUN_TEXT)?;
        }
        self.use_rig(Some(BEGUN))?;
        self.notice(
            format!(
                "The rig is described in {}. Open it in an editor to say what is wired to what.",
                path.display()
            ),
            true,
        );
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_rig_that_is_begun_has_an_input_for_volts() {
        let spec = engine::RigSpec::parse(BEGUN_TEXT, "begun.toml").unwrap();
        assert!(spec.inputs.iter().any(|input| input.role == engine::InputRole::Electrical));
        assert!(spec.inputs.iter().any(|input| input.role == engine::InputRole::Microphone));
    }
}
