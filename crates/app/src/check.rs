//! The check of what was typed: whether the bands in the processor do what was meant.

use std::sync::Arc;

use job::AuditRecord;
use measure::FindingLevel;
use tuning::{Band, Response};
use view::{CardLine, FindingLine, SetMark, Tone};

use project::derive::{self, Placed};
use tuning::channel_reaches;

use super::audited::Check;
use super::derivation::Derivation;

impl Derivation {
    /// What the second set of captures says of the bands, computed once for each state; for every
    /// channel that is tuned.
    pub(super) fn check(&self) -> Option<Arc<Check>> {
        let profile = self.tune.profile_id().to_owned();
        let typed =
            (self.captures.results(), self.tune.settled_bands().to_vec(), profile, self.choices.by_side);
        self.memos.check.get(typed, || {
            let checks = self.tuned_channels().iter().filter_map(|channel| self.check_of(channel));
            let all = checks.reduce(|mut all, check| {
                all.bands.extend(check.bands);
                all.lines.extend(check.lines);
                all.findings.extend(check.findings);
                all.residual_rms_db = all.residual_rms_db.max(check.residual_rms_db);
                all
            });
            all.map(Arc::new)
        })
    }

    fn check_of(&self, channel: &str) -> Option<Check> {
        let (before, after) = self.before_and_after(channel)?;
        let bands = self.tune.settled_bands().iter().enumerate();
        let (numbers, bands): (Vec<usize>, Vec<Band>) = bands
            .filter(|(_, band)| band.enabled && channel_reaches(&band.channel, channel))
            .map(|(index, band)| (index + 1, band.typed))
            .unzip();
        let audit = derive::audit((&before, &after), &bands, &[], self.tune.profile()).ok()?;
        let mut check = Check::of(audit, &numbers);
        if !channel.is_empty() {
            for (_, _, text) in &mut check.bands {
                *text = format!("On the {channel}: {text}");
            }
            for (line, (_, _, text)) in check.lines.iter_mut().zip(&check.bands) {
                line.text.clone_from(text);
                channel.clone_into(&mut line.channel);
            }
        }
        Some(check)
    }

    /// What changed at the places that both sets have; the averages where they have none.
    fn before_and_after(&self, channel: &str) -> Option<(Response, Response)> {
        let side = |mark: SetMark| -> Vec<Placed<'_>> {
            let held = self.captures.side_of(mark, channel);
            held.filter_map(|held| {
                Some(Placed { position: &held.position, response: held.response.as_deref()? })
            })
            .collect()
        };
        derive::change(&side(SetMark::Before), &side(SetMark::After)).or_else(|| {
            let average = |mark| self.average_of(mark, channel).map(|average| (*average).clone());
            Some((average(SetMark::Before)?, average(SetMark::After)?))
        })
    }

    /// The verdict in one line, for a card.
    pub(super) fn check_line(&self) -> Option<CardLine> {
        let check = self.check()?;
        let (value, tone) = match check.wrong().count() {
            0 => ("entered correctly".to_owned(), Tone::Good),
            1 => ("1 thing differs".to_owned(), Tone::Bad),
            count => (format!("{count} things differ"), Tone::Bad),
        };
        Some(CardLine { label: "What was typed".to_owned(), value, tone })
    }

    /// What the check says, band by band where something is wrong, and every remark.
    pub(super) fn check_lines(&self) -> Vec<FindingLine> {
        let Some(check) = self.check() else { return Vec::new() };
        let mut lines: Vec<FindingLine> = check
            .wrong()
            .map(|(_, _, text)| FindingLine { tone: Tone::Caution, text: text.clone() })
            .collect();
        if lines.is_empty() && !check.bands.is_empty() {
            let text = match check.bands.len() {
                1 => "The band does what it should".to_owned(),
                count => format!("All {count} bands do what they should"),
            };
            let text = format!("{text}; leftover {:.1} dB RMS.", check.residual_rms_db);
            lines.push(FindingLine { tone: Tone::Good, text });
        }
        lines.extend(check.findings.iter().map(|finding| FindingLine {
            tone: if finding.level == FindingLevel::Note { Tone::Plain } else { Tone::Caution },
            text: finding.text.clone(),
        }));
        lines
    }

    /// What the job keeps of the check.
    pub(super) fn audit_record(&self) -> Option<AuditRecord> {
        let check = self.check()?;
        Some(AuditRecord {
            bands: check.lines.clone(),
            residual_rms_db: Some(check.residual_rms_db),
            findings: check.findings.clone(),
            ..AuditRecord::default()
        })
    }
}
