//! What is said of a channel.

use measure::Finding;
use units::quantity::signed_decibels;

use super::drift::Drift;
use super::mistakes::Belief;
use super::{ChannelSetting, ChannelVerdict, EntryChannel};
use crate::CarFilter;
use crate::fit::hertz;

/// Changes that all channels share are remarked upon from here on.
const LEVEL_DB: f64 = 1.0;
const LATER_S: f64 = 2e-4;

/// The verdict in sentences that say what to look at.
pub(super) fn sentence(channels: &[EntryChannel<'_>], channel: &EntryChannel<'_>, belief: &Belief) -> String {
    let name = channel.channel;
    if let Some([one, other]) = &belief.unclear {
        return format!(
            "{name} is not right: perhaps {}, perhaps {}. Check it, correct it and measure again.",
            mistake(one.verdict, channel.meant, &one.found),
            mistake(other.verdict, channel.meant, &other.found)
        );
    }
    if let Some(swapped) = belief.swapped_with {
        let what = if swapped.driver { "driver" } else { "settings" };
        return format!(
            "{name} plays with the {what} of {}: the two were swapped.",
            channels[swapped.with].channel
        );
    }
    match belief.verdict() {
        ChannelVerdict::AsMeant => format!("{name}: entered correctly."),
        ChannelVerdict::Silent => format!("{name} cannot be heard: is it muted, or not connected?"),
        ChannelVerdict::Unclear => {
            format!("Whether {name} was entered correctly cannot be told: too little of it was captured.")
        }
        _ => {
            let all: Vec<String> = belief
                .mistakes
                .iter()
                .map(|&verdict| mistake(verdict, channel.meant, &belief.found))
                .collect();
            format!("{name} sounds as if {}.", all.join(", and as if "))
        }
    }
}

/// One mistake as half a sentence.
fn mistake(verdict: ChannelVerdict, meant: &ChannelSetting, found: &ChannelSetting) -> String {
    match verdict {
        ChannelVerdict::WrongLevel => {
            format!(
                "a level of {} had been entered instead of {}",
                signed_decibels(found.gain_db),
                signed_decibels(meant.gain_db)
            )
        }
        ChannelVerdict::WrongDelay => format!(
            "a delay of {:.2} ms had been entered instead of {:.2} ms",
            1e3 * found.delay_s,
            1e3 * meant.delay_s
        ),
        ChannelVerdict::WrongPolarity => {
            let words = |inverted| if inverted { "inverted" } else { "normal" };
            format!("its polarity were {} instead of {}", words(found.inverted), words(meant.inverted))
        }
        ChannelVerdict::WrongCrossover => {
            let of = |what: &str, found: Option<CarFilter>, meant: Option<CarFilter>| {
                (found != meant)
                    .then(|| format!("its {what} were {} instead of {}", filter(found), filter(meant)))
            };
            let parts = [
                of("high-pass", found.high_pass, meant.high_pass),
                of("low-pass", found.low_pass, meant.low_pass),
            ];
            parts.into_iter().flatten().collect::<Vec<_>>().join(" and ")
        }
        ChannelVerdict::AsMeant
        | ChannelVerdict::Swapped
        | ChannelVerdict::Silent
        | ChannelVerdict::Unclear => "it were something else".to_owned(),
    }
}

fn filter(filter: Option<CarFilter>) -> String {
    filter.map_or_else(
        || "off".to_owned(),
        |filter| format!("{} with {} dB per octave", hertz(filter.frequency_hz), filter.slope_db_per_octave),
    )
}

/// Remarks on what all channels share.
pub(super) fn findings(drift: Drift, beliefs: &[Belief]) -> Vec<Finding> {
    let mut findings = Vec::new();
    if drift.level_db.abs() > LEVEL_DB {
        findings.push(Finding::note(
            "level-changed",
            format!(
                "Every channel is {:.1} dB {} than its entry explains. That was taken out; check that the volume was \
                 the same for both captures.",
                drift.level_db.abs(),
                if drift.level_db > 0.0 { "louder" } else { "softer" }
            ),
        ));
    }
    if drift.later_s.abs() > LATER_S {
        findings.push(Finding::note(
            "time-zero-moved",
            format!(
                "Every channel is {:.2} ms {} than its entry explains. That was taken out; it does no harm where all \
                 channels share it.",
                1e3 * drift.later_s.abs(),
                if drift.later_s > 0.0 { "later" } else { "earlier" }
            ),
        ));
    }
    let silent = |belief: &Belief| belief.verdict() == ChannelVerdict::Silent;
    if beliefs.len() > 1 && beliefs.iter().all(silent) {
        findings.push(Finding::caution(
            "nothing-plays",
            "No channel can be heard after the entry. Is the processor's output muted, and is its preset the right one?",
        ));
    }
    findings
}
