//! Carries out `preview`: a tuning heard before it is typed.

use std::io::{self, IsTerminal};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use session::{Error, PreviewNow, PreviewOrder, PreviewWish};
use signal_hook::consts::{SIGINT, SIGTERM};
use signal_hook::flag;

use crate::hands::{Hands, Typed};
use crate::run::{Outcome, print};
use crate::{flags, output};

/// How long it lasts, and after how long it changes, where nobody can say so meanwhile.
const UNWATCHED_S: (f64, f64) = (60.0, 10.0);

pub(crate) fn run(flags: flags::Preview) -> Outcome {
    let bits = flags.bits.parse().map_err(|_| Error::input(format!("--bits {}", flags.bits)))?;
    let mut order = PreviewOrder {
        bands: flags.bands,
        processor: flags.processor,
        job: flags.job,
        car: flags.car,
        recording: flags.recording,
        without: flags.without,
        seconds: flags.seconds,
        every_s: flags.every,
        level_dbfs: flags.level,
    };
    let report = match &flags.out {
        Some(out) => session::preview_file(&order, out, bits)?,
        None => {
            // Nobody hears a simulated car, so nobody can say when.
            let keyboard = io::stdin().is_terminal() && flags.simulated.is_none();
            if !keyboard {
                order.seconds.get_or_insert(UNWATCHED_S.0);
                order.every_s.get_or_insert(UNWATCHED_S.1);
            }
            let mut player = Player::new(keyboard)?;
            session::preview(&order, flags.rig.as_deref(), flags.simulated.as_deref(), &mut |now| {
                player.answer(now)
            })?
        }
    };
    print(&report, flags.json.json)?;
    Ok(output::remarks(&report.findings)?)
}

/// The person who listens.
struct Player {
    hands: Hands,
    keyboard: bool,
    interrupted: Arc<AtomicBool>,
}

impl Player {
    /// From here on an interruption ends what is played with a fade; a second one ends the program.
    fn new(keyboard: bool) -> io::Result<Self> {
        let interrupted = Arc::new(AtomicBool::new(false));
        for signal in [SIGINT, SIGTERM] {
            flag::register_conditional_shutdown(signal, 128 + signal, Arc::clone(&interrupted))?;
            flag::register(signal, Arc::clone(&interrupted))?;
        }
        Ok(Self { hands: if keyboard { Hands::new()? } else { Hands::idle() }, keyboard, interrupted })
    }

    fn answer(&mut self, now: PreviewNow<'_>) -> PreviewWish {
        match now {
            PreviewNow::Begins { rig, simulated: true, .. } => {
                self.hands
                    .say(&format!("{rig} makes no sound; what its microphone hears is told at the end."));
            }
            PreviewNow::Begins { rig, peak_dbfs, .. } => {
                self.hands.say(&format!(
                    "Playing through {rig}, rising to a peak of {peak_dbfs} dBFS. It is loud before it seems so: start \
                     with the amplifiers turned down, and leave the processor's own bands off."
                ));
                if self.keyboard {
                    self.hands.say("Enter: the other way. q and Enter: the end.");
                }
            }
            PreviewNow::Heard { at_s, with } => {
                let word = if with { "with the bands" } else { "without the bands" };
                self.hands.say(&format!("{at_s:7.1} s  {word}"));
            }
            PreviewNow::On => return self.wish(),
        }
        PreviewWish::On
    }

    fn wish(&self) -> PreviewWish {
        if self.interrupted.load(Ordering::Relaxed) {
            return PreviewWish::Stop;
        }
        match self.hands.typed() {
            Typed::Line(line) if line.trim().eq_ignore_ascii_case("q") => PreviewWish::Stop,
            Typed::Line(_) => PreviewWish::Switch,
            Typed::Nothing | Typed::Nobody => PreviewWish::On,
        }
    }
}
