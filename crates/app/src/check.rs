//! The check of what was entered: whether the processor does what was meant.

use std::sync::Arc;

use job::{AuditRecord, Basis};
use measure::FindingLevel;
use project::derive::{JobAudit, audit_job};
use view::{CardLine, FindingLine, Tone};

use super::derivation::Derivation;
use super::memos::Typed;
use super::state::JobView;

impl Derivation {
    /// What the second set of captures says of everything that was entered, computed once for each state.
    pub(super) fn check(&self) -> Option<Arc<JobAudit>> {
        let job = self.job.as_ref()?;
        let key = self.entered_key(job);
        let bands = key.1.0.clone();
        self.memos.check.get(key, || {
            let mut project = job.project();
            project.data.bands = bands;
            audit_job(&project, self.tune.profile(), self.basis()).ok().map(Arc::new)
        })
    }

    /// What follows from what is entered and measured depends on this.
    pub(super) fn entered_key(&self, job: &JobView) -> Typed {
        let bands = self.tune.settled_bands().iter().map(|band| self.job_band(band)).collect();
        let data = &job.data;
        (
            self.captures.results(),
            (bands, data.channels.clone(), data.preset.clone()),
            data.intake.drivers.clone(),
            self.tune.profile_id().to_owned(),
        )
    }

    /// The verdict in one line, for a card.
    pub(super) fn check_line(&self) -> Option<CardLine> {
        let check = self.check()?;
        let (value, tone) = match check.mistakes() {
            0 if check.doubts().next().is_some() => ("cannot be told".to_owned(), Tone::Caution),
            0 => ("entered correctly".to_owned(), Tone::Good),
            1 => ("1 thing differs".to_owned(), Tone::Bad),
            count => (format!("{count} things differ"), Tone::Bad),
        };
        Some(CardLine { label: "What was typed".to_owned(), value, tone })
    }

    /// What the check says of everything that is not as meant, and every remark.
    pub(super) fn check_lines(&self) -> Vec<FindingLine> {
        let Some(check) = self.check() else { return Vec::new() };
        let record = &check.record;
        let mut lines: Vec<FindingLine> =
            check.doubts().map(|text| FindingLine { tone: Tone::Caution, text: text.to_owned() }).collect();
        if lines.is_empty()
            && let Some(residual_rms_db) = record.residual_rms_db
            && !record.bands.is_empty()
        {
            let text = match record.bands.len() {
                1 => "The band does what it should".to_owned(),
                count => format!("All {count} bands do what they should"),
            };
            let text = format!("{text}; leftover {residual_rms_db:.1} dB RMS.");
            lines.push(FindingLine { tone: Tone::Good, text });
        }
        lines.extend(record.findings.iter().map(|finding| FindingLine {
            tone: if finding.level == FindingLevel::Note { Tone::Plain } else { Tone::Caution },
            text: finding.text.clone(),
        }));
        lines
    }

    /// What the job keeps of the check.
    pub(super) fn audit_record(&self) -> Option<AuditRecord> {
        let found = &self.check()?.record;
        // Found again is not found anew: a job that is opened to be looked at stays as it is.
        let kept = self.job.as_ref().and_then(|job| job.data.audit.as_ref());
        let made = kept.and_then(|kept| kept.basis.made);
        let again = AuditRecord { basis: Basis { made, ..found.basis.clone() }, ..found.clone() };
        Some(if kept == Some(&again) { again } else { found.clone() })
    }
}
