//! What an audit says of the bands on their cards.

use job::AuditLine;
use tuning::{AuditResult, Verdict};

/// What the second set of captures says of the bands.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Check {
    /// The band's number on its card, where it is one that was meant; and what became of it.
    pub(super) bands: Vec<(Option<usize>, Verdict, String)>,
    /// The same as the job keeps it.
    pub(super) lines: Vec<AuditLine>,
    pub(super) residual_rms_db: f64,
    /// Remarks.
    pub(super) findings: Vec<measure::Finding>,
}

impl Check {
    /// Those that are not as meant.
    pub(super) fn wrong(&self) -> impl Iterator<Item = &(Option<usize>, Verdict, String)> {
        self.bands.iter().filter(|(_, verdict, _)| *verdict != Verdict::AsMeant)
    }

    pub(super) fn of(audit: AuditResult, numbers: &[usize]) -> Self {
        let mut lines = Vec::new();
        let bands = audit.bands.into_iter().map(|band| {
            // A band that is switched off has a card and a number, but is not checked.
            let number = numbers.get(band.index - 1).copied().filter(|_| band.verdict != Verdict::Extra);
            let text = number.map_or_else(
                || band.text.clone(),
                |number| band.text.replacen(&format!("Band {} ", band.index), &format!("Band {number} "), 1),
            );
            let index = number.and_then(|number| u32::try_from(number).ok());
            let line = AuditLine::from(&band);
            lines.push(AuditLine { index: index.unwrap_or(line.index), text: text.clone(), ..line });
            (number, band.verdict, text)
        });
        let bands = bands.collect();
        Self { bands, lines, residual_rms_db: audit.residual_rms_db, findings: audit.findings }
    }
}
