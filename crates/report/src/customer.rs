//! The customer's report: what was done, in plain words.

use std::fmt::Write as _;

use crate::html::{escape, facts, page, section_list};
use crate::numbers::{deviation, frequency};
use crate::{CUSTOMER_CAUTIONS, Sheet, words};

impl Sheet {
    /// The customer's report as one self-contained HTML page for A4.
    #[must_use]
    pub fn to_customer_html(&self) -> String {
        let title = if self.vehicle.is_empty() { &self.name } else { &self.vehicle };
        let mut body = format!(
            "<header>\n<h1>The sound of your car</h1>\n{}</header>\n<main>\n",
            facts(self.customer_facts())
        );
        body += "<section>\n<h2>Your volume mark</h2>\n";
        match self.never_above_for_customer() {
            Some(mark) => body += &mark,
            None => body += "<p>The highest clean volume step was not measured in this job.</p>\n",
        }
        body += "</section>\n";
        body += &self.done_section();
        body += &self.result_section();
        body += &section_list("Also measured", &self.also);
        body += &section_list("Please keep in mind", self.advice());
        body += &section_list("For your safety", CUSTOMER_CAUTIONS);
        body += "</main>\n";
        page(&format!("The sound of your car: {title}"), &body)
    }

    fn customer_facts(&self) -> Vec<(&'static str, String)> {
        let lines = [
            ("Vehicle", self.vehicle.clone()),
            ("For", self.customer.clone()),
            ("Job", self.name.clone()),
            ("Begun", self.date.clone()),
        ];
        lines.into_iter().filter(|(_, value)| !value.is_empty()).collect()
    }

    fn never_above_for_customer(&self) -> Option<String> {
        let step = self.source.clean_step?;
        let mark = format!("<p class=\"never\">Never above volume step <strong>{step}</strong></p>\n");
        let why = "<p>Up to this step your radio plays cleanly. Above it the radio itself distorts, however good \
                   the rest of the system is: the music becomes harsh, and loudspeakers can be damaged.</p>\n";
        Some(mark + why)
    }

    /// What was done: one line for each stage that has a result.
    fn done_section(&self) -> String {
        if self.stages.is_empty() && self.channels.is_empty() {
            return String::new();
        }
        let mut html = "<section>\n<h2>What was done</h2>\n".to_owned();
        let stages = self.stages.iter().map(|(stage, result)| (in_plain_words(stage), result.clone()));
        html += &facts(stages);
        let bands: usize = self.channels.iter().map(|channel| channel.bands.len()).sum();
        let channels = self.channels.iter().filter(|channel| channel.setting.is_some()).count();
        let inverted: Vec<&str> = self
            .channels
            .iter()
            .filter(|channel| channel.setting.as_ref().is_some_and(|setting| setting.inverted))
            .map(crate::SheetChannel::title)
            .collect();
        if bands + channels > 0 {
            let _ = writeln!(
                html,
                "<p>The signal processor holds {} and {}.</p>",
                counted(bands, "equalizer band", "equalizer bands"),
                counted(
                    channels,
                    "channel with its own delay, level and crossover",
                    "channels with their own delay, level and crossover",
                ),
            );
        }
        if !inverted.is_empty() {
            let _ = writeln!(
                html,
                "<p>The polarity of {} was turned, so that the loudspeakers work together and not against each other.</p>",
                escape(&inverted.join(", "))
            );
        }
        html + "</section>\n"
    }

    fn result_section(&self) -> String {
        let mut html = String::new();
        if !self.target.is_empty() && (self.outcome.is_some() || self.chart.is_some()) {
            let _ = writeln!(html, "<p>The goal is the curve “{}”.</p>", escape(&self.target));
        }
        if let Some(outcome) = &self.outcome {
            let range = format!("{} to {}", frequency(outcome.from_hz), frequency(outcome.to_hz));
            let before = deviation(outcome.before_rms_db);
            let _ = match outcome.after_rms_db {
                Some(after) => writeln!(
                    html,
                    "<p>The sound at your seat was {before} away from the goal on average ({range}). \
                     Now it is {}.</p>",
                    deviation(after)
                ),
                None => writeln!(
                    html,
                    "<p>The sound at your seat was {before} away from the goal on average ({range}). It was not \
                     measured again after the change.</p>"
                ),
            };
        }
        html + &self.outcome_section("Before and after")
    }

    fn advice(&self) -> Vec<String> {
        let mut advice = vec![
            "Leave the tone controls of the radio as they are: the tuning was made for these settings."
                .to_owned(),
            "Keep the entry sheet: with it, anyone can enter the settings again after a fault.".to_owned(),
        ];
        for place in &self.left_alone {
            let at = frequency(place.frequency_hz);
            advice.push(match place.why.as_str() {
                "cancellation" => format!(
                    "At {at} sound that comes by two ways cancels itself at your seat. It was left alone on purpose: \
                     more level there would not be heard, only load the amplifier."
                ),
                _ => format!("At {at} the response was left alone on purpose: {}.", words::why(place)),
            });
        }
        advice
    }
}

/// What a stage is to somebody who has never heard of it.
fn in_plain_words(stage: &str) -> &str {
    match stage {
        "Intake" => "What is in the car",
        "Source" => "How cleanly the radio plays",
        "Gain" => "Levels set",
        "Drivers" => "Loudspeakers measured one by one",
        "Timing" => "Delays and crossovers",
        "Tune" => "Equalizing",
        "Handover" => "Final check",
        other => other,
    }
}

fn counted(count: usize, one: &str, many: &str) -> String {
    match count {
        0 => format!("no {many}"),
        1 => format!("one {one}"),
        _ => format!("{count} {many}"),
    }
}
