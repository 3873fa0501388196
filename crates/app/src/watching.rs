//! An input that is watched: the volts to turn an amplifier to, a spot that buzzes.

use engine::{InputRole, Pace};
use measure::{Segment, Signal, Stimulus};
use procedure::{Store, Watch, watch};
use rig::Scene;

use super::Core;
use super::run::With;
use super::work::{Doing, Heading, nothing_more};
use library::{Error, Result};

impl Core {
    /// Shows the volts at the tap until it is stopped. The simulated source plays the tone by itself.
    pub(super) fn watch_volts(&mut self) -> Result<()> {
        let Some(rig) = &self.state.rig else {
            return Err(Error::input("Choose what to measure with first: devices, or the simulated car."));
        };
        let input = rig
            .input(InputRole::Electrical)
            .ok_or_else(|| Error::input("The rig has no electrical input. Add one to its file."))?;
        let tone = Segment::of(
            Signal::Sine { frequency_hz: 1000.0 },
            1.0,
            // Less what keeps dither from passing full scale.
            self.state.choices.tone_dbfs - 0.01,
            0.0,
        );
        let simulated = rig.is_simulated();
        let clean = self.job.as_ref().and_then(|job| job.project().data.source.clean_step);
        let watch = Watch {
            input,
            stimulus: simulated.then(|| Stimulus { name: "tone".to_owned(), segments: vec![tone] }),
            scene: Some(Scene { volume_step: clean, ..self.scene() }),
        };
        self.state.gain_meter.begin();
        let heading = Heading {
            title: "Setting the gain".to_owned(),
            detail: "turn the amplifier until it is there; Space ends it".to_owned(),
            ..Heading::default()
        };
        self.watch_input(heading, true, watch)
    }

    /// Shows the level at an input until it is stopped; nothing is kept.
    pub(super) fn watch_input(&mut self, heading: Heading, gain: bool, order: Watch) -> Result<()> {
        let with = With { headings: vec![heading], store: Store::Nowhere, pace: Pace::RealTime };
        self.start(Doing::Watching { gain }, with, false, move |session| {
            watch(session, &order)?;
            Ok(nothing_more())
        })
    }
}
