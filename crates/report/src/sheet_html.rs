//! The entry sheet as a page to be printed and typed from.

use std::fmt::Write as _;

use chart::svg;

use crate::html::{escape, facts, page, section_list};
use crate::numbers::{deviation, frequency};
use crate::{Entry, Sheet, SheetChannel, TECHNICIAN_CAUTIONS, words};

impl Sheet {
    /// The entry sheet as one self-contained HTML page for A4.
    #[must_use]
    pub fn to_html(&self) -> String {
        let mut body = format!(
            "<header>\n<h1>Entry sheet: {}</h1>\n<p>Job begun {} (UTC)</p>\n{}</header>\n<main>\n",
            escape(&self.name),
            escape(&self.date),
            facts(words::particulars(self)),
        );
        body += &self.source_section();
        for channel in &self.channels {
            body += &channel_section(channel);
        }
        if self.channels.is_empty() {
            body += "<p>No bands, delays or crossovers have been chosen yet.</p>\n";
        }
        body += &self.outcome_section("Before and after");
        body += &section_list(
            "Left alone",
            self.left_alone
                .iter()
                .map(|place| format!("{}: {}", frequency(place.frequency_hz), words::why(place))),
        );
        body += &section_list(
            "Check of what was typed",
            self.audit
                .iter()
                .map(|line| format!("Band {}: {}. {}", line.index, words::verdict(&line.verdict), line.text)),
        );
        if !self.notes.trim().is_empty() {
            let _ = writeln!(
                body,
                "<section>\n<h2>Notes</h2>\n<p class=\"notes\">{}</p>\n</section>",
                escape(self.notes.trim())
            );
        }
        body += &section_list("Also measured", &self.also);
        body += &section_list("Cautions", TECHNICIAN_CAUTIONS);
        body += &section_list("Not shown", &self.remarks);
        body += "</main>\n";
        page(&format!("Entry sheet: {}", self.name), &body)
    }

    /// The mark on the volume, in a box that is seen across the car.
    pub(crate) fn never_above(&self) -> Option<String> {
        let step = self.source.clean_step?;
        let limited = match self.source.limited_by.as_str() {
            "" => String::new(),
            output => format!("limited by {}", escape(output)),
        };
        Some(format!("<p class=\"never\">Never above volume step <strong>{step}</strong>{limited}</p>\n"))
    }

    fn source_section(&self) -> String {
        let mut html = "<section>\n<h2>Source</h2>\n".to_owned();
        match self.never_above() {
            Some(mark) => html += &mark,
            None => html += "<p>The highest clean volume step has not been found yet.</p>\n",
        }
        if !self.source.outputs.is_empty() {
            html += "<table>\n<thead><tr><th scope=\"col\">Output</th>\
                     <th scope=\"col\" class=\"number\">Clean to step</th>\
                     <th scope=\"col\" class=\"number\">Volts there (RMS)</th></tr></thead>\n<tbody>\n";
            for output in &self.source.outputs {
                let [name, step, volts] = words::output(output).map(|cell| escape(&cell));
                let _ = writeln!(
                    html,
                    "<tr><th scope=\"row\">{name}</th><td class=\"number\">{step}</td>\
                     <td class=\"number\">{volts}</td></tr>"
                );
            }
            html += "</tbody>\n</table>\n";
        }
        html + "</section>\n"
    }

    /// The numbers and the chart of before and after, where there are any.
    pub(crate) fn outcome_section(&self, heading: &str) -> String {
        let mut html = String::new();
        if let Some(outcome) = &self.outcome {
            let after = |db: Option<f64>| db.map_or_else(|| "not measured".to_owned(), deviation);
            let (from, to) = (frequency(outcome.from_hz), frequency(outcome.to_hz));
            let _ = writeln!(
                html,
                "<table class=\"together\">\n<caption>Distance from the target, {from} to {to}</caption>\n\
                 <thead><tr><td></td><th scope=\"col\" class=\"number\">Before</th>\
                 <th scope=\"col\" class=\"number\">After</th></tr></thead>\n<tbody>"
            );
            for (label, before, after) in [
                ("Average (RMS)", deviation(outcome.before_rms_db), after(outcome.after_rms_db)),
                ("Greatest", deviation(outcome.before_max_db), after(outcome.after_max_db)),
            ] {
                let _ = writeln!(
                    html,
                    "<tr><th scope=\"row\">{label}</th><td class=\"number typed\">{before}</td>\
                     <td class=\"number typed\">{after}</td></tr>"
                );
            }
            html += "</tbody>\n</table>\n";
        }
        if let Some(chart) = &self.chart {
            let picture = svg::write(chart, svg::Size { width: 760.0, height: 380.0 });
            let _ = writeln!(
                html,
                "<figure>\n{picture}<figcaption>Smoothed to 1/6 octave; each curve is laid around the target, \
                 because only its shape counts.</figcaption>\n</figure>"
            );
        }
        if html.is_empty() {
            html
        } else {
            format!("<section>\n<h2>{}</h2>\n{html}</section>\n", escape(heading))
        }
    }
}

fn channel_section(channel: &SheetChannel) -> String {
    let title = escape(channel.title());
    let mut html = format!("<section class=\"channel\">\n<h2>{title}</h2>\n");
    if let Some(setting) = &channel.setting {
        html += "<table>\n<tbody>\n";
        for (label, value) in words::setting(setting) {
            let class = if setting.inverted && label == "Polarity" { " class=\"inverted\"" } else { "" };
            let _ = writeln!(
                html,
                "<tr><td class=\"box\">{}</td><th scope=\"row\">{label}</th><td class=\"typed\"><span{class}>{}</span></td></tr>",
                check_box(&format!("{label} of {}", channel.title())),
                escape(&value)
            );
        }
        html += "</tbody>\n</table>\n";
    }
    if channel.bands.is_empty() {
        html += "<p>No bands.</p>\n";
    } else {
        html += "<table>\n<thead><tr><th scope=\"col\">Done</th><th scope=\"col\">Band</th>\
                 <th scope=\"col\">Type</th><th scope=\"col\" class=\"number\">Frequency</th>\
                 <th scope=\"col\" class=\"number\">Gain</th><th scope=\"col\" class=\"number\">Q</th>\
                 <th scope=\"col\">Why</th></tr></thead>\n<tbody>\n";
        for band in &channel.bands {
            html += &band_row(band, channel.title());
        }
        html += "</tbody>\n</table>\n";
    }
    html + "</section>\n"
}

fn band_row(band: &Entry, channel: &str) -> String {
    let [frequency, gain, q] = words::typed(band);
    format!(
        "<tr><td class=\"box\">{}</td><th scope=\"row\">{}</th><td>{}</td><td class=\"number typed\">{frequency}</td>\
         <td class=\"number typed\">{gain}</td><td class=\"number typed\">{q}</td>\
         <td class=\"why\">{}</td></tr>\n",
        check_box(&format!("Band {} of {channel}", band.number)),
        band.number,
        words::kind(band.kind),
        escape(&band.reason),
    )
}

/// A box to be ticked on paper or on screen.
fn check_box(what: &str) -> String {
    format!("<input type=\"checkbox\" aria-label=\"{} entered\"/>", escape(what))
}
