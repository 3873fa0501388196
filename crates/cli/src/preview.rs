//! Carries out `preview`: a tuning heard before it is typed.

use std::io::{self, IsTerminal};

use library::Error;
use procedure::{Event, Instruction, PreviewOrder};
use rig::{OpenRig, Pace, RigChoice};

use crate::keyboard::{self, Screen};
use crate::outcome::{Outcome, print};
use crate::runner::Runner;
use crate::{flags, output, preview_tuning};

/// How long it lasts, and after how long it changes, where nobody can say so meanwhile.
const UNWATCHED_S: (f64, f64) = (60.0, 10.0);

pub(crate) fn run(flags: flags::Preview) -> Outcome {
    let bits = flags.bits.parse().map_err(|_| Error::input(format!("--bits {}", flags.bits)))?;
    let tuning = || {
        let (bands, job, car) = (flags.bands.as_deref(), flags.job.as_deref(), flags.car.as_deref());
        preview_tuning::preview_tuning(bands, &flags.processor, job, car)
    };
    let mut order = PreviewOrder {
        recording: flags.recording,
        without: flags.bypass,
        seconds: flags.seconds,
        every_s: flags.every,
        level_dbfs: flags.level,
        curves: false,
    };
    let report = match &flags.out {
        Some(out) => procedure::preview_file(&tuning()?, &order, out, bits)?,
        None => {
            // Nobody hears a simulated car, so nobody can say when.
            let keyboard = io::stdin().is_terminal() && flags.simulated.is_none();
            if !keyboard {
                order.seconds.get_or_insert(UNWATCHED_S.0);
                order.every_s.get_or_insert(UNWATCHED_S.1);
            }
            let tuning = tuning()?;
            let rig = OpenRig::open(RigChoice::of(flags.rig, flags.simulated, Pace::AsFastAsPossible))?;
            let inbox = if keyboard { keyboard::instructions(meaning)? } else { keyboard::nobody() };
            let mut listener =
                Listener { simulated: rig.is_simulated(), peak_dbfs: order.peak_dbfs(), keyboard };
            let mut runner = Runner::new(rig, None, inbox)?;
            runner.run(&mut |event| listener.tell(event), |session| {
                procedure::preview(session, tuning, &order)
            })?
        }
    };
    print(&report, flags.json.json)?;
    Ok(output::remarks(&report.findings)?)
}

/// Enter: switch (A/B). `q`: the end.
fn meaning(line: &str) -> Option<Instruction> {
    let end = line.trim().eq_ignore_ascii_case("q");
    Some(if end { Instruction::Continue } else { Instruction::Switch })
}

/// The person who listens.
struct Listener {
    simulated: bool,
    peak_dbfs: f64,
    keyboard: bool,
}

impl Listener {
    fn tell(&mut self, event: &Event) {
        let screen = Screen::new();
        match event {
            Event::Began { label, .. } if self.simulated => {
                screen.say(&format!("{label} makes no sound; what its microphone hears is told at the end."));
            }
            Event::Began { label, .. } => {
                screen.say(&format!(
                    "Playing through {label}, rising to a peak of {} dBFS. It is loud before it seems so: start \
                     with the amplifiers turned down, and leave the processor's own bands off.",
                    self.peak_dbfs
                ));
                if self.keyboard {
                    screen.say("Enter: switch (A/B). q and Enter: end.");
                }
            }
            Event::Heard { at_s, with } => {
                let word = if *with { "with the bands" } else { "bypassed" };
                screen.say(&format!("{at_s:7.1} s  {word}"));
            }
            _ => {}
        }
    }
}
