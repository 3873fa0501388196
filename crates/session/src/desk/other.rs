//! Any other measurement, a third party's among them, made from the window.

use std::collections::VecDeque;

use job::Stage;
use measure::FindingLevel;
use view::{Card, CardLine, FindingLine, Tone};

use super::card::{action, choice, line};
use super::order::{Order, Scene};
use super::{Desk, Held};
use crate::take::Until;
use crate::{Result, live, plugins};

/// How long is listened when the measurement wants nothing to be played.
const LISTEN_S: f64 = 10.0;

/// The most values of a reading that a card shows.
const SHOWN: usize = 16;

/// A measurement that can be chosen.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Offer {
    id: String,
    title: String,
    summary: String,
}

impl Desk {
    /// Looks at what there is to choose from, plugins that were dropped in since
    /// then included.
    pub(super) fn offer(&mut self) {
        // These two have their own place in the work order.
        let elsewhere = ["headroom", "sweep"];
        self.choices.offers = plugins::whole_registry()
            .manifests()
            .filter(|manifest| !elsewhere.contains(&manifest.id.as_str()))
            .map(|manifest| Offer {
                id: manifest.id.clone(),
                title: manifest.title.clone(),
                summary: manifest.summary.clone(),
            })
            .collect();
        if self.offered().is_none() {
            self.choices.other =
                self.choices.offers.first().map_or_else(String::new, |offer| offer.id.clone());
        }
    }

    fn offered(&self) -> Option<&Offer> {
        self.choices.offers.iter().find(|offer| offer.id == self.choices.other)
    }

    pub(super) fn other_orders(&self) -> Result<VecDeque<Order>> {
        let id = &self.choices.other;
        let mut plan = self.plan(id, Stage::Source, live::usual_role(id))?;
        if plan.stimulus.is_none() {
            plan.until = Until::Seconds(LISTEN_S);
        }
        let title = self.offered().map_or_else(|| id.clone(), |offer| offer.title.clone());
        plan.label.clone_from(&title);
        Ok(VecDeque::from([Order {
            title,
            hint: "Shut the doors, hold still.".to_owned(),
            detail: if plan.stimulus.is_some() { "playing and listening" } else { "listening" }.to_owned(),
            scene: Scene::default(),
            climb: None,
            pace: self.pace(u32::MAX),
            plan,
        }]))
    }

    pub(super) fn other_card(&self) -> Card {
        let options = self.choices.offers.iter().map(|offer| (offer.id.clone(), offer.title.clone()));
        let made = |held: &&Held| held.reading.measurement == self.choices.other;
        let newest = self.captures.of(view::Stage::Source).rev().find(made);
        Card {
            instruction: "Make any other measurement.".to_owned(),
            detail: self.offered().map_or_else(String::new, |offer| offer.summary.clone()),
            main: Some(action("measure", "Measure", self.bench.is_some() && !self.muted)),
            settings: vec![
                self.task_setting(),
                choice("other", "Measurement", options, &self.choices.other),
                self.countdown_setting(),
            ],
            lines: newest.map(values).unwrap_or_default(),
            findings: newest.map(findings).unwrap_or_default(),
            ..Card::default()
        }
    }
}

/// What a reading says in numbers and words.
fn values(held: &Held) -> Vec<CardLine> {
    let words = held.reading.labels.iter().map(|(name, word)| line(&spoken(name), word.clone()));
    let numbers = held.reading.values.iter().map(|(name, value)| line(&spoken(name), short(*value)));
    words.chain(numbers).take(SHOWN).collect()
}

fn findings(held: &Held) -> Vec<FindingLine> {
    let tone = |level| match level {
        FindingLevel::Note => Tone::Plain,
        FindingLevel::Caution => Tone::Caution,
        FindingLevel::Stop => Tone::Bad,
    };
    let line =
        |finding: &measure::Finding| FindingLine { tone: tone(finding.level), text: finding.text.clone() };
    held.reading.findings.iter().map(line).collect()
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
