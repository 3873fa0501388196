//! Any other measurement, a third party's among them, made from the window.

use std::collections::VecDeque;

use job::Stage;
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
            instruction: "Make any other measurement.".to_owned(),
            detail: self.offered().map_or_else(String::new, |offer| offer.summary.clone()),
            settings: vec![choice(
                ChoiceKey::Measurement,
                Choice::Measurement,
                "Measurement",
                options,
                chosen,
            )],
            lines: newest.map(values).unwrap_or_default(),
            findings: newest.map(|held| remarks(&held.reading.findings)).unwrap_or_default(),
            ..Card::default()
        }
    }
}

impl Core {
    /// Looks at what there is to choose from, plugins that were dropped in since
    /// then included.
    pub(super) fn offer(&mut self) {
        // These have their own place in the work order.
        let elsewhere = ["headroom", "sweep", "noise", "rattle"];
        self.state.source.offers = procedure::whole_registry()
            .manifests()
            .filter(|manifest| !elsewhere.contains(&manifest.id.as_str()))
            .map(|manifest| Offer {
                id: manifest.id.clone(),
                title: manifest.title.clone(),
                summary: manifest.summary.clone(),
            })
            .collect();
        if self.offered().is_none() {
            self.state.source.other =
                self.state.source.offers.first().map_or_else(String::new, |offer| offer.id.clone());
        }
    }
}

/// What a reading says in numbers and words.
fn values(held: &CaptureView) -> Vec<CardLine> {
    let words = held.reading.labels.iter().map(|(name, word)| line(&spoken(name), word.clone()));
    let numbers = held.reading.values.iter().map(|(name, value)| line(&spoken(name), short(*value)));
    words.chain(numbers).take(SHOWN).collect()
}

fn spoken(name: &str) -> String {
    name.replace('_', " ")
}

/// A number with four figures that count.
fn short(value: f64) -> String {
    let before_point = if value == 0.0 { 0.0 } else { value.abs().log10().floor() };
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "clamped to 0 to 9")]
    let places = (3.0 - before_point).clamp(0.0, 9.0) as usize;
    format!("{value:.places$}")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_shown_with_four_figures() {
        assert_eq!(
            [1234.56, -12.3456, 0.001_234_56, 0.0].map(short),
            ["1235", "-12.35", "0.001235", "0.000"]
        );
    }
}
