//! Which rig is used: the system's own devices, or one that the person has described in a file.

use std::path::{Path, PathBuf};

use library::RememberedRig;
use rig::{OpenRig, RigChoice};
use view::{Action, Button, Choice, ChoiceKey, Setting};

use super::Core;
use super::card::{button, choice};
use super::state::State;
use super::work::Task;
use engine::DeviceInfo;
use library::{Error, Result, place};

impl State {
    /// Which rig, while devices are used.
    pub(super) fn rig_setting(&self) -> Option<Setting> {
        let rig = self.rig.as_ref().filter(|rig| rig.car().is_none())?;
        let own = place::own_names("rigs").into_iter().map(|name| (Some(name.clone()), name));
        let options = std::iter::once((None, "System devices".to_owned())).chain(own);
        let chosen = rig.file().and_then(Path::file_stem).map(|stem| stem.to_string_lossy().into_owned());
        Some(choice(ChoiceKey::Rig, Choice::Rig, "Rig", options, Some(chosen)))
    }

    /// Offered wherever devices are used.
    pub(super) fn rig_action(&self) -> Button {
        button(Action::SetUpRig, "Set up inputs and outputs", self.is_idle())
    }
}

impl Core {
    pub(super) fn use_devices(&mut self) -> Result<()> {
        self.refuse_while_busy()?;
        let task =
            Task { title: "Looking for sound devices".to_owned(), detail: "the audio system is asked" };
        self.think(task, || {
            let devices = engine::devices().map_err(rig::refused)?;
            Ok(Box::new(move |core| core.take_devices(&devices)))
        })
    }

    /// Uses the system's own devices, where there are any that record.
    pub(super) fn take_devices(&mut self, devices: &[DeviceInfo]) -> Result<()> {
        if !devices.iter().any(|device| device.input_channels > 0) {
            return Err(Error::measurement(
                "No microphone input was found. Plug the interface in and press Use sound devices again.",
            ));
        }
        let rig = OpenRig::open(RigChoice::Default)?;
        self.use_own(rig, RememberedRig::Devices);
        Ok(())
    }

    pub(super) fn use_own(&mut self, rig: OpenRig, found_again: RememberedRig) {
        self.hold_rig(rig, found_again);
        for face in self.every_face() {
            face.at_start = false;
        }
        self.state.choices.times = 1;
        self.state.choices.countdown_s = 5;
        self.state.choices.filters_on = true;
    }

    /// Uses this rig from now on.
    pub(super) fn hold_rig(&mut self, rig: OpenRig, found_again: RememberedRig) {
        self.state.rig = Some(rig.facts().clone());
        self.idle_rig = Some(rig);
        self.state.rig_heard = false;
        self.rig_in_use = Some(found_again.clone());
        self.remember(|memory| memory.rig = Some(found_again));
        self.remember_job();
    }

    /// Uses the rig of this name; the system's devices without one.
    pub(super) fn use_rig(&mut self, name: Option<&str>) -> Result<()> {
        match name {
            None => self.use_devices(),
            Some(_) if self.work.is_some() => self.refuse_while_busy(),
            Some(name) => self.take_rig(name.into()),
        }
    }

    /// Uses the person's own rig of this name, or that of this file.
    pub(super) fn take_rig(&mut self, file: PathBuf) -> Result<()> {
        let rig = OpenRig::open(RigChoice::File(file.clone()))?;
        self.use_own(rig, RememberedRig::File(file));
        Ok(())
    }
}
