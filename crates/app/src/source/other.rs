//! Any other measurement, a third party's among them, made from the window.

use std::collections::VecDeque;

use job::Stage;
use units::quantity;
use view::{Card, CardLine, Choice, ChoiceKey};

use super::choices::Offer;
use crate::Core;
use crate::captures::CaptureView;
use crate::card::{choice, line, remarks};
use crate::order::Order;
use crate::state::State;
use crate::work::Heading;
use library::Result;
use procedure::{Request, Until};

/// How long is listened when the measurement wants nothing to be played.
const LISTEN_S: f64 = 10.0;

/// The most values of a reading that a card shows.
const SHOWN: usize = 16;

impl State {
    fn offered(&self) -> Option<&Offer> {
        self.source.offers.iter().find(|offer| offer.id == self.source.other)
    }

    pub(super) fn other_orders(&self) -> Result<VecDeque<Order>> {
        let id = &self.source.other;
        let mut plan = self.plan(id, Stage::Source, rig::usual_role(id))?;
        if plan.stimulus.is_none() {
            plan.until = Until::Seconds(LISTEN_S);
        }
        let title = self.offered().map_or_else(|| id.clone(), |offer| offer.title.clone());
        plan.label.clone_from(&title);
        plan.request = Some(Request::GetReady);
        let heading = Heading {
            title,
            hint: "Shut the doors, hold still.".to_owned(),
            detail: if plan.stimulus.is_some() { "playing and listening" } else { "listening" }.to_owned(),
        };
        Ok(VecDeque::from([Order { plan, heading, pace: self.pace(u32::MAX) }]))
    }

    pub(super) fn other_card(&self) -> Card {
        let options = self.source.offers.iter().map(|offer| (offer.id.clone(), offer.title.clone()));
        let made = |held: &&CaptureView| held.reading.measurement == self.source.other;
        let chosen = Some(self.source.other.clone());
        let newest = self.captures.of(view::Stage::Source).rev().find(made);
        Card {
            instruction: "More measurements".to_owned(),
            detail: self.offered().map_or_else(String::new, |offer| offer.summary.clone()),
            settings: vec![choice(
                ChoiceKey::Measurement,
                Choice::Measurement,
                "Measurement",
                options,
                chosen,
            )],
            headline: newest.and_then(headline).map(|(value, _)| value).unwrap_or_default(),
            headline_caption: newest.and_then(headline).map(|(_, label)| label).unwrap_or_default(),
            lines: newest.map(values).unwrap_or_default(),
            findings: newest.map(|held| remarks(&held.reading.findings)).unwrap_or_default(),
            ..Card::default()
        }
    }
}

impl Core {
    /// Looks at what there is to choose from, plugins that were dropped in since
    /// then included.
    pub(super) fn offer(&mut self) -> Result<()> {
        self.ask(|_| {
            let offers = offers();
            Box::new(move |core| {
                let source = &mut core.state.source;
                source.offers = offers;
                if !source.offers.iter().any(|offer| offer.id == source.other) {
                    source.other = source.offers.first().map_or_else(String::new, |offer| offer.id.clone());
                }
                Ok(())
            })
        })
    }
}

/// Every measurement that has no place of its own in the work order.
fn offers() -> Vec<Offer> {
    let elsewhere = ["headroom", "sweep", "noise", "rattle"];
    let registry = procedure::whole_registry();
    let others = registry.manifests().filter(|manifest| !elsewhere.contains(&manifest.id.as_str()));
    let offer = |manifest: &measure::Manifest| Offer {
        id: manifest.id.clone(),
        title: manifest.title.clone(),
        summary: manifest.summary.clone(),
    };
    others.map(offer).collect()
}

/// The numbers that a person measures for, the most telling first.
const TELLING: [&str; 8] =
    ["leq_a_db", "thd_n_percent", "thd_percent", "arrival_s", "delay_s", "rms_v", "rms_dbfs", "snr_db"];

/// What a reading says in numbers and words.
fn values(held: &CaptureView) -> Vec<CardLine> {
    let words = held
        .reading
        .labels
        .iter()
        .map(|(name, word)| line(&quantity::sentence(&name.replace('_', " ")), word.clone()));
    let numbers = held.reading.values.iter().map(|(name, value)| {
        let spoken = quantity::spoken(name, *value);
        line(&spoken.label, spoken.value)
    });
    words.chain(numbers).take(SHOWN).collect()
}

/// The one number that a reading is about: its value, and what it is.
fn headline(held: &CaptureView) -> Option<(String, String)> {
    let values = &held.reading.values;
    let name = TELLING.iter().find(|name| values.contains_key(**name)).copied();
    let name = name.or_else(|| values.keys().next().map(String::as_str))?;
    let spoken = quantity::spoken(name, *values.get(name)?);
    Some((spoken.value, spoken.label))
}

#[cfg(test)]
mod tests {
    use measure::Reading;

    use super::*;

    #[test]
    fn a_reading_is_a_large_number_and_lines_with_labels_and_units() {
        let mut reading = Reading::new("level", 1, 48_000.0);
        reading
            .value("rms_dbfs", -96.413)
            .value("leq_a_db", 71.26)
            .value("crest_db", 30.48)
            .value("rms_v", 0.0001);
        let capture = job::Capture {
            id: job::CaptureId(1),
            meta: job::CaptureMeta::new("level", 1, Stage::Source, jiff::Timestamp::UNIX_EPOCH),
            state: job::CaptureState::Done,
        };
        let held = CaptureView::of(&project::CaptureEntry::new(capture, Some(reading)));
        let lines: Vec<(String, String)> =
            values(&held).into_iter().map(|line| (line.label, line.value)).collect();
        let line = |label: &str, value: &str| (label.to_owned(), value.to_owned());
        assert!(lines.contains(&line("RMS level", "\u{2212}96.4 dBFS")), "{lines:?}");
        assert!(lines.contains(&line("Crest factor", "30.5 dB")), "{lines:?}");
        assert!(lines.iter().any(|(label, value)| label == "RMS level" && value == "0.1 mV"), "{lines:?}");
        let large = Some(("71.3 dB".to_owned(), "Average level (A-weighted)".to_owned()));
        assert_eq!(headline(&held), large);
    }
}
