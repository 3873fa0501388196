//! The cabin swept for panels that buzz.

use host::Registry;
use job::Stage;
use library::{Error, Result};
use rig::{InputRole, Scene};

use crate::capture::capture;
use crate::session::Session;
use crate::{Captured, Plan, Request};

/// Sweeps the cabin slowly, at a volume step of a simulated car; [`crate::spots`] says what buzzes. Nothing when
/// the person left it out.
///
/// # Errors
/// When the rig refuses.
pub fn rattle(
    session: &mut Session<'_>,
    position: &str,
    volume_step: Option<u32>,
) -> Result<Option<Captured>> {
    let registry = Registry::built_in();
    let manifest = registry.manifest("rattle").map_err(|unknown| Error::input(unknown.to_string()))?;
    let plan = Plan {
        position: position.to_owned(),
        volume_step,
        scene: Some(Scene { volume_step, ..Scene::default() }),
        request: Some(Request::GetReady),
        ..Plan::of(manifest, Stage::Source, session.rig.input(InputRole::Microphone).unwrap_or(0))
    };
    Ok(capture(session, &plan)?.into_iter().next())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::spots;
    use crate::testing::Trial;

    /// The door panel of the usual car buzzes from 80 to 95 Hz, as its file says.
    #[test]
    fn the_door_panel_of_the_simulated_car_is_found() {
        let mut trial = Trial::car("");
        let step = trial.rig.car().map(|simulated| simulated.truth.clean_step);
        let captured = trial.run(|session| rattle(session, "driver's seat", step)).unwrap().unwrap();
        let found = spots(&captured.reading);
        assert!(found.iter().any(|spot| spot.from_hz >= 75.0 && spot.to_hz <= 100.0), "{found:?}");
    }
}
