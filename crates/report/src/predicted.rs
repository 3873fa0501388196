//! What was predicted of what is entered, and why each value is what it is.

use job::{Judgement, SideError, TuneRecord};
use units::quantity::sentence;

use crate::Sheet;
use crate::numbers::{deviation, frequency_in_words, gain};

impl Sheet {
    /// Why each value of a channel is what it is, by the label that it has on the sheet.
    pub(crate) fn reasons(&self, channel: &str) -> Vec<(&'static str, String)> {
        const LABELS: [(&str, &str); 5] = [
            ("gain_db", "Gain"),
            ("inverted", "Polarity"),
            ("delay_s", "Delay"),
            ("high_pass", "High-pass"),
            ("low_pass", "Low-pass"),
        ];
        let tuned = self.tune.iter().flat_map(|tune| &tune.channels);
        let timed = self.timing.iter().flat_map(|timing| &timing.drivers);
        let why = tuned
            .map(|one| (&one.setting, &one.why))
            .chain(timed.map(|one| (&one.setting, &one.why)))
            .find(|(setting, _)| setting.channel == channel)
            .map(|(_, why)| why);
        let reason = |(key, label): (&str, &'static str)| Some((label, why?.get(key)?.clone()));
        LABELS.into_iter().filter_map(reason).collect()
    }

    /// What the audit says of every channel and band, and what it remarks.
    pub(crate) fn checked(&self) -> Vec<String> {
        let channels = self.audited_channels.iter().map(|one| one.text.clone());
        let remarks = self.audit_findings.iter().map(|finding| finding.text.clone());
        channels.chain(crate::words::checked(&self.audit)).chain(remarks).collect()
    }

    /// What the fit, the alignment and the tune predict, what they cost, and what they remark, a line each.
    pub(crate) fn predicted(&self) -> Vec<String> {
        let mut lines = Vec::new();
        for fit in self.fit.iter().flat_map(|fit| &fit.channels) {
            let of = if fit.channel.is_empty() { String::new() } else { format!("{}: ", fit.channel) };
            // What is said of all channels begins the line.
            let said = |words: &str| if of.is_empty() { sentence(words) } else { format!("{of}{words}") };
            if let (Some(before), Some(after)) = (fit.before, fit.after) {
                lines.push(said(&format!(
                    "deviation from target {} RMS before, {} with the bands; maximum {} and {}",
                    deviation(before.rms_db),
                    deviation(after.rms_db),
                    deviation(before.max_db),
                    deviation(after.max_db)
                )));
            }
            lines.extend(fit.findings.iter().map(|finding| format!("{of}{}", finding.text)));
        }
        if let Some(timing) = &self.timing {
            let sums = timing.sums.iter().map(|sum| {
                format!(
                    "Combined response, {}: worst dip {} at {}; {} before",
                    sum.heard,
                    deviation(sum.worst_db.abs()),
                    frequency_in_words(sum.worst_hz),
                    deviation(sum.before_worst_db.abs())
                )
            });
            lines.extend(sums);
            lines.extend(timing.findings.iter().map(|finding| finding.text.clone()));
        }
        if let Some(tune) = &self.tune {
            lines.extend(tune_lines(tune));
            let drive: Vec<String> =
                tune.drive_db.iter().map(|(channel, db)| format!("{channel} {}", gain(*db))).collect();
            if !drive.is_empty() {
                lines.push(format!("drive beside the plan without bands: {}", drive.join(", ")));
            }
            if let Some(db) = tune.separation_db {
                lines.push(format!("separation of the sides: {}", deviation(db)));
            }
            lines.extend(tune.findings.iter().map(|finding| finding.text.clone()));
        }
        lines
    }
}

/// A line for each side: before, predicted, at places that the tune did not know, and measured after.
fn tune_lines(tune: &TuneRecord) -> Vec<String> {
    let all = [
        ("before", &tune.before),
        ("predicted", &tune.predicted),
        ("where it was not measured", &tune.kept_out),
        ("measured after", &tune.measured),
    ];
    let row = |name: &str, of: &dyn Fn(&Judgement) -> Option<String>| {
        let parts: Vec<String> = all
            .iter()
            .filter_map(|(when, judged)| Some(format!("{} {when}", of(judged.as_ref()?)?)))
            .collect();
        (!parts.is_empty()).then(|| format!("{name}: {}", parts.join(", ")))
    };
    let side = |name: &str, judged: &Judgement| {
        let error: SideError = match name {
            "left" => judged.left,
            "right" => judged.right,
            _ => judged.both,
        }?;
        Some(format!("{} (each place {})", deviation(error.average_rms_db), deviation(error.each_rms_db)))
    };
    let mut lines: Vec<String> = ["left", "right", "both together"]
        .into_iter()
        .filter_map(|name| row(name, &|judged| side(name, judged)))
        .collect();
    lines.extend(row("left against right", &|one| {
        let difference = one.left_right?;
        Some(format!("{}, left louder by {}", deviation(difference.rms_db), gain(difference.level_db)))
    }));
    lines
}
