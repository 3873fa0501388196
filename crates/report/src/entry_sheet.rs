//! The entry sheet as a paper to be typed from.

use crate::numbers::{deviation, frequency};
use crate::paper::{Block, Cell, ColumnKind, Paper, Section, Table};
use crate::{Sheet, SheetChannel, TECHNICIAN_CAUTIONS, words};

impl Sheet {
    /// The entry sheet.
    pub(crate) fn entry_sheet(&self) -> Paper {
        let title = format!("Entry sheet: {}", self.name);
        let mut sections = vec![self.source_section()];
        if !self.pictures.is_empty() {
            let pictures = self.pictures.iter().cloned();
            let blocks = pictures.map(|(picture, size)| Block::Picture(Box::new(picture), size)).collect();
            sections.push(Section::new("The car", blocks));
        }
        let without = words::without_bands(self);
        sections.extend(
            self.channels
                .iter()
                .map(|channel| channel_section(channel, &self.reasons(&channel.name), without)),
        );
        if self.channels.is_empty() {
            let none = "No bands, delays or crossovers have been chosen yet.";
            sections.push(Section::new("Settings", vec![Block::Text(none.to_owned())]));
        }
        sections.extend(self.outcome_section());
        sections.extend(Section::list("Predicted", self.predicted()));
        sections.extend(Section::list(
            "Left alone",
            words::left_alone_together(self.left_alone())
                .into_iter()
                .map(|(why, at)| format!("{at}: {}", words::why(why))),
        ));
        sections.extend(Section::list("Check of what was entered", self.checked()));
        if !self.notes.trim().is_empty() {
            sections.push(Section::new("Notes", vec![Block::Notes(self.notes.trim().to_owned())]));
        }
        sections.extend(Section::list("Also measured", self.also.iter().cloned()));
        sections.extend(Section::list("Cautions", TECHNICIAN_CAUTIONS.iter().copied()));
        sections.extend(Section::list("Not shown", self.remarks.iter().cloned()));
        let facts = words::particulars(self);
        Paper {
            language: "en".to_owned(),
            name: title.clone(),
            title,
            subtitle: format!("Job begun {} (UTC)", self.date),
            facts: facts.into_iter().map(|(label, value)| (label.to_owned(), value)).collect(),
            sections,
        }
    }

    fn source_section(&self) -> Section {
        let mut blocks = Vec::new();
        match self.source.clean_step {
            Some(step) => blocks.push(Block::VolumeMark {
                words: "Never above volume step".to_owned(),
                step,
                remark: match self.source.limited_by.as_str() {
                    "" => String::new(),
                    output => format!("limited by {output}"),
                },
            }),
            None => {
                blocks.push(Block::Text("The highest clean volume step has not been found yet.".to_owned()));
            }
        }
        if !self.source.outputs.is_empty() {
            let mut table = Table::new([
                ("Output", ColumnKind::Label),
                ("Clean to step", ColumnKind::Number),
                ("Volts there (RMS)", ColumnKind::Number),
            ]);
            self.source.outputs.iter().for_each(|output| table.row(words::output(output)));
            blocks.push(Block::Table(table));
        }
        Section::new("Source", blocks)
    }

    /// The numbers and the chart of before and after, where there are any.
    pub(crate) fn outcome_section(&self) -> Option<Section> {
        let mut blocks = Vec::new();
        if let Some(outcome) = &self.outcome {
            let after = |db: Option<f64>| db.map_or_else(|| "not measured".to_owned(), deviation);
            let (from, to) = (frequency(outcome.from_hz), frequency(outcome.to_hz));
            let mut table = Table::new([
                ("", ColumnKind::Label),
                ("Before", ColumnKind::EntryNumber),
                ("After", ColumnKind::EntryNumber),
            ]);
            table.caption = format!("Deviation from the target, {from} to {to}");
            let rms = [deviation(outcome.before_rms_db), after(outcome.after_rms_db)];
            let max = [deviation(outcome.before_max_db), after(outcome.after_max_db)];
            for (label, [before, after]) in [("Average (RMS)", rms), ("Maximum", max)] {
                table.row([label.to_owned(), before, after]);
            }
            blocks.push(Block::Table(table));
        }
        if let Some(chart) = &self.chart {
            let caption = "Smoothed to 1/6 octave. Each curve is moved up or down to lie around the target, \
                           because only its shape counts.";
            blocks.push(Block::Chart { chart: Box::new(chart.clone()), caption: caption.to_owned() });
        }
        (!blocks.is_empty()).then(|| Section::new("Before and after", blocks))
    }
}

fn channel_section(channel: &SheetChannel, reasons: &[(&str, String)], without_bands: &str) -> Section {
    let mut blocks = Vec::new();
    let entered = |what: &str| format!("{what} of {} entered", channel.title());
    if let Some(setting) = &channel.setting {
        let mut table = Table::new([
            ("", ColumnKind::TickBox),
            ("", ColumnKind::Label),
            ("", ColumnKind::Entry),
            ("", ColumnKind::Reason),
        ]);
        for (label, value) in words::setting(setting, channel.was.as_ref()) {
            let strong = setting.inverted && label == "Polarity";
            let value = Cell { text: value, strong };
            let why = reasons.iter().find(|(of, _)| *of == label).map_or("", |(_, why)| why.as_str());
            table.rows.push(vec![
                entered(label).into(),
                label.to_owned().into(),
                value,
                why.to_owned().into(),
            ]);
        }
        blocks.push(Block::Table(table));
    }
    if channel.bands.is_empty() {
        blocks.push(Block::Text(without_bands.to_owned()));
    } else {
        let mut table = Table::new([
            ("Done", ColumnKind::TickBox),
            ("Band", ColumnKind::Label),
            ("Type", ColumnKind::Text),
            ("Frequency", ColumnKind::EntryNumber),
            ("Gain", ColumnKind::EntryNumber),
            ("Q", ColumnKind::EntryNumber),
            ("Why", ColumnKind::Reason),
        ]);
        for band in &channel.bands {
            let [frequency, gain, q] = words::typed(band);
            let number = band.number.to_string();
            let kind = words::kind(band.kind).to_owned();
            let done = entered(&format!("Band {number}"));
            table.row([done, number, kind, frequency, gain, q, band.reason.clone()]);
        }
        blocks.push(Block::Table(table));
    }
    Section { together: true, ..Section::new(channel.title(), blocks) }
}
