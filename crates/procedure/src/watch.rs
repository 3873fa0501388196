//! An input that is watched: how loud it is, until the person has seen enough.

use engine::{CaptureRequest, Length, Next, Play};
use library::Result;
use measure::Stimulus;
use measurements::signals;
use rig::Scene;

use crate::capture::{TELL_EVERY, WAIT};
use crate::session::Session;
use crate::{Event, Instruction};

/// What is watched.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Watch {
    /// The input, from 0.
    pub input: usize,
    /// What is played meanwhile, again and again; nothing for a source that plays itself.
    pub stimulus: Option<Stimulus>,
    /// How a simulated car is set for it; as it is, where that is left open.
    pub scene: Option<Scene>,
}

/// Tells how loud an input is ([`Event::Level`]) until the person says that it is enough
/// ([`Instruction::Continue`]) or it is stopped. Nothing is kept: it is no measurement.
///
/// # Errors
/// When the rig refuses.
pub fn watch(session: &mut Session<'_>, order: &Watch) -> Result<()> {
    if let Some(scene) = &order.scene {
        session.rig.set_scene(scene)?;
    }
    let rate_hz = session.rig.sample_rate_hz();
    let play = order
        .stimulus
        .as_ref()
        .map_or(Play::Nothing, |stimulus| Play::Endless(signals::render_stereo(stimulus, rate_hz).into()));
    let run = Some(session.token.clone());
    let request = CaptureRequest { play, length: Length::UntilStopped, record_to: None, run };
    let mut capture = session.rig.capture(request)?;
    let mut ticker = session.ticker(TELL_EVERY);
    loop {
        if capture.next_within(WAIT) == Next::Over {
            break;
        }
        let elapsed_s = capture.frames() as f64 / rate_hz;
        if ticker.is_due(elapsed_s) {
            let meters = capture.meters();
            session.emit(Event::Level { elapsed_s, input: order.input, meters, blocks: Vec::new() });
        }
        if let Some(Instruction::Continue | Instruction::Skip) = session.instruction() {
            capture.stop();
        }
    }
    for finding in capture.finish().findings.iter().map(rig::finding) {
        session.emit(Event::Finding(finding));
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use measure::{Segment, Signal};
    use testkit::near;

    use super::*;
    use crate::testing::Trial;

    /// Source: arithmetic: the straight wire gives the tap what is played, in its own volts.
    #[test]
    fn the_level_of_a_tone_is_told_until_it_is_enough() {
        let tone = Segment::of(Signal::Sine { frequency_hz: 1e3 }, 1.0, -20.0, 0.0);
        let order = Watch {
            input: 1,
            stimulus: Some(Stimulus { name: "tone".to_owned(), segments: vec![tone] }),
            scene: None,
        };
        let mut trial = Trial::car("straight-wire");
        trial.say_after(40, Instruction::Continue);
        trial.run(|session| watch(session, &order)).unwrap();
        let levels: Vec<f64> = trial
            .events
            .iter()
            .filter_map(|event| match event {
                Event::Level { meters, .. } => meters.get(1).map(|meter| meter.rms),
                _ => None,
            })
            .collect();
        assert!((40..80).contains(&levels.len()), "{} looks", levels.len());
        near("two looks at one tone", levels[30] / levels[20], 1.0, 0.05);
        assert!(levels[20] > 0.0);
    }
}
