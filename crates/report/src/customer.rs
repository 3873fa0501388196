//! The customer's report: what was found and what was set, in plain words, on two pages.

use job::{NoiseLevel, SideError};
use units::quantity::{counted, spoken};

use crate::numbers::{deviation, frequency_in_words};
use crate::paper::{Block, ColumnKind, Paper, Section, Table};
use crate::{CUSTOMER_CAUTIONS, Sheet, Wording, words};

impl Sheet {
    /// The customer's report in these words.
    pub(crate) fn customer_report(&self, said: &Wording) -> Paper {
        let title = said.say("title");
        let car = if self.vehicle.is_empty() { &self.name } else { &self.vehicle };
        let shop: Vec<&str> = std::iter::once(&said.name)
            .chain(&said.contact)
            .map(String::as_str)
            .filter(|line| !line.is_empty())
            .collect();
        let facts = [
            (
                "vehicle",
                [&*self.vehicle, &*self.plate]
                    .into_iter()
                    .filter(|words| !words.is_empty())
                    .collect::<Vec<_>>()
                    .join(" · "),
            ),
            ("customer", self.customer.clone()),
            ("job", self.name.clone()),
            ("begun", self.date.clone()),
            ("shop", shop.join(" · ")),
        ];
        let mut sections = vec![self.volume_section(said)];
        sections.extend(self.change_section(said));
        sections.extend(Section::list(said.say("found"), self.found(said)));
        sections.push(self.set_section(said));
        let advice = [said.say("tone_controls"), said.say("keep_sheet")];
        sections.extend(Section::list(said.say("advice"), advice));
        sections.extend(Section::list(said.say("safety"), CUSTOMER_CAUTIONS.iter().copied()));
        sections.extend(self.next_section(said));
        Paper {
            language: said.language.clone(),
            title: title.to_owned(),
            name: format!("{title}: {car}"),
            subtitle: String::new(),
            facts: labelled(said, facts),
            sections,
        }
    }

    fn volume_section(&self, said: &Wording) -> Section {
        let blocks = match self.source.clean_step {
            Some(step) => {
                let words = said.say("never_above").to_owned();
                let mark = Block::VolumeMark { words, step, remark: String::new() };
                vec![mark, Block::Text(said.say("volume_why").to_owned())]
            }
            None => vec![Block::Text(said.say("volume_unknown").to_owned())],
        };
        Section { together: true, ..Section::new(said.say("volume"), blocks) }
    }

    fn change_section(&self, said: &Wording) -> Option<Section> {
        let mut blocks = Vec::new();
        if !self.target.is_empty() && (self.outcome.is_some() || self.chart.is_some()) {
            blocks.push(Block::Text(said.fill("goal", &[("target", &self.target)])));
        }
        if let Some(outcome) = &self.outcome {
            let (from, to) = (frequency_in_words(outcome.from_hz), frequency_in_words(outcome.to_hz));
            let before = deviation(outcome.before_rms_db);
            let after = outcome.after_rms_db.map(deviation);
            let key = if after.is_some() { "closer" } else { "only_before" };
            let after = after.unwrap_or_default();
            let values = [("from", &*from), ("to", &to), ("before", &before), ("after", &after)];
            blocks.push(Block::Text(said.fill(key, &values)));
        }
        blocks.extend(self.change_table(said).map(Block::Table));
        if let Some(chart) = &self.chart {
            blocks
                .push(Block::Chart { chart: Box::new(chart.clone()), caption: said.say("curve").to_owned() });
        }
        (!blocks.is_empty()).then(|| Section::new(said.say("change"), blocks))
    }

    /// How far from the goal before and after: of all, and of each side where the whole car was tuned.
    fn change_table(&self, said: &Wording) -> Option<Table> {
        let sides = self.sides.as_ref();
        let predicted = sides.is_some_and(|sides| !sides.predicted.is_empty());
        let mut columns =
            vec![(said.say("deviation"), ColumnKind::Label), (said.say("before"), ColumnKind::EntryNumber)];
        if self.outcome.is_some() {
            columns.push((said.say("after"), ColumnKind::EntryNumber));
        }
        if predicted {
            columns.push((said.say("predicted"), ColumnKind::Number));
        }
        let mut table = Table::with(&columns);
        let mut row = |label: &str, before: String, after: Option<String>, expected: Option<String>| {
            let mut cells = vec![said.say(label).to_owned(), before];
            if self.outcome.is_some() {
                cells.push(after.unwrap_or_default());
            }
            if predicted {
                cells.push(expected.unwrap_or_default());
            }
            table.rows.push(cells.into_iter().map(Into::into).collect());
        };
        let unknown = || said.say("not_measured").to_owned();
        if let Some(outcome) = &self.outcome {
            for (label, before, after) in [
                ("average", outcome.before_rms_db, outcome.after_rms_db),
                ("maximum", outcome.before_max_db, outcome.after_max_db),
            ] {
                row(label, deviation(before), Some(after.map_or_else(unknown, deviation)), None);
            }
        }
        for (label, before) in sides.map_or(&[][..], |sides| &sides.before) {
            let db = |error: &SideError| deviation(error.average_rms_db);
            let expected = sides.and_then(|sides| sides.predicted.iter().find(|(side, _)| side == label));
            row(label, db(before), None, expected.map(|(_, error)| db(error)));
        }
        (!table.rows.is_empty()).then_some(table)
    }

    /// What was found, one sentence each.
    fn found(&self, said: &Wording) -> Vec<String> {
        let mut found = Vec::new();
        if let Some(step) = self.source.clean_step {
            let values = [("step", &*step.to_string()), ("output", &self.source.limited_by)];
            let key = if self.source.limited_by.is_empty() { "radio_clean" } else { "radio_limit" };
            found.push(said.fill(key, &values));
        }
        let noise = self.source.noise.iter().flat_map(|noise| &noise.recordings);
        found.extend(noise.map(|noise| noise_line(said, noise)));
        for rattle in &self.rattles {
            let at: Vec<String> = rattle.spots_hz.iter().copied().map(frequency_in_words).collect();
            let values = [("name", rattle.name.as_str()), ("at", &at.join(", "))];
            found.push(said.fill(if at.is_empty() { "no_rattle" } else { "rattle" }, &values));
        }
        for (why, at) in words::left_alone_together(self.left_alone().map(|(_, place)| ("", place))) {
            let key = if why == "cancellation" { "cancellation" } else { "left_alone" };
            found.push(said.fill(key, &[("at", &at), ("why", words::why(why))]));
        }
        found
    }

    fn set_section(&self, said: &Wording) -> Section {
        let mut lines = Vec::new();
        let bands: usize = self.channels.iter().map(|channel| channel.bands.len()).sum();
        let set = || self.channels.iter().filter(|channel| channel.setting.is_some());
        if bands > 0 {
            lines.push(said.fill("bands", &[("bands", &counted(bands, "band", "bands"))]));
        }
        if set().count() > 0 {
            let channels = counted(set().count(), "channel", "channels");
            lines.push(said.fill("channels", &[("channels", &channels)]));
        }
        let inverted: Vec<&str> = set()
            .filter(|channel| channel.setting.as_ref().is_some_and(|setting| setting.inverted))
            .map(crate::SheetChannel::title)
            .collect();
        if !inverted.is_empty() {
            lines.push(said.fill("inverted", &[("channels", &inverted.join(", "))]));
        }
        if lines.is_empty() {
            return Section::new(said.say("set"), vec![Block::Text(said.say("nothing_set").to_owned())]);
        }
        Section::new(said.say("set"), vec![Block::List(lines)])
    }

    /// What somebody needs who works on the car after us.
    fn next_section(&self, said: &Wording) -> Option<Section> {
        let facts = [
            ("source", words::source_unit(self)),
            ("processor", self.processor.clone()),
            ("target", self.target.clone()),
            ("amplifiers", self.amplifiers.join("; ")),
            ("drivers", self.drivers.join("; ")),
            ("also", self.also.join("; ")),
        ];
        let facts = labelled(said, facts);
        (!facts.is_empty()).then(|| Section::new(said.say("next"), vec![Block::Facts(facts)]))
    }
}

/// The lines that have a value, each under its label.
fn labelled<const N: usize>(said: &Wording, facts: [(&str, String); N]) -> Vec<(String, String)> {
    let facts = facts.into_iter().filter(|(_, value)| !value.is_empty());
    facts.map(|(key, value)| (said.say(key).to_owned(), value)).collect()
}

fn noise_line(said: &Wording, noise: &NoiseLevel) -> String {
    let level = |name: &str, value: f64| spoken(name, value).value;
    let line = match noise.snr_a_db.or(noise.snr_db) {
        Some(db) => said.fill("noise", &[("name", &noise.name), ("distance", &level("db", db))]),
        None => {
            let db = noise.rms_a_dbfs.unwrap_or(noise.rms_dbfs);
            said.fill("noise_level", &[("name", &noise.name), ("level", &level("dbfs", db))])
        }
    };
    match noise.mains_hz {
        Some(hz) => format!("{line} {}", said.fill("hum", &[("at", &frequency_in_words(hz))])),
        None => line,
    }
}
