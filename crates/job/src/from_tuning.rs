//! What tuning computes, as the job keeps it.

use tuning::{AuditResult, AuditedBand, Band, Deviations, FitResult, FittedBand, Profile};

use crate::{AuditLine, AuditRecord, ChannelFitRecord, Deviation, EnteredBand, LeftAlone};

impl EnteredBand {
    /// A band as it is typed into a channel of a processor.
    #[must_use]
    pub fn of_typed(channel: &str, typed: &Band, profile: &Profile) -> Self {
        let band = profile.cookbook(typed);
        Self {
            channel: channel.to_owned(),
            kind: band.kind,
            frequency_hz: band.frequency_hz,
            gain_db: band.gain_db,
            q: band.q,
            entered_q: ((band.q - typed.q).abs() > 1e-9).then_some(typed.q),
            enabled: true,
            locked: false,
            reason: String::new(),
        }
    }

    /// A band that was fitted for a channel.
    #[must_use]
    pub fn fitted(channel: &str, fitted: &FittedBand) -> Self {
        let band = fitted.band;
        Self {
            channel: channel.to_owned(),
            kind: band.kind,
            frequency_hz: band.frequency_hz,
            gain_db: band.gain_db,
            q: band.q,
            entered_q: fitted.entered_q,
            enabled: true,
            locked: false,
            reason: fitted.why.clone(),
        }
    }
}

impl From<Deviations> for Deviation {
    fn from(Deviations { rms_db, max_db }: Deviations) -> Self {
        Self { rms_db, max_db }
    }
}

impl From<&tuning::LeftAlone> for LeftAlone {
    fn from(place: &tuning::LeftAlone) -> Self {
        Self {
            frequency_hz: place.frequency_hz,
            why: place.why.word().to_owned(),
            text: place.text.clone(),
            from_hz: None,
            to_hz: None,
        }
    }
}

impl ChannelFitRecord {
    /// A whole fit of one channel; an empty name stands for the whole car.
    #[must_use]
    pub fn new(channel: &str, fit: &FitResult) -> Self {
        Self {
            channel: channel.to_owned(),
            bands: fit.bands.iter().map(|band| EnteredBand::fitted(channel, band)).collect(),
            offset_db: Some(fit.offset_db),
            before: Some(fit.before.into()),
            after: Some(fit.after.into()),
            left_alone: fit.left_alone.iter().map(Into::into).collect(),
            headroom_cost_db: Some(fit.headroom_cost_db),
            findings: fit.findings.clone(),
        }
    }
}

impl From<&AuditedBand> for AuditLine {
    fn from(band: &AuditedBand) -> Self {
        Self {
            index: u32::try_from(band.index).unwrap_or(u32::MAX),
            verdict: band.verdict.word().to_owned(),
            text: band.text.clone(),
            channel: String::new(),
            meant: band.meant.band,
            found: band.found.band,
            found_entered_q: band.found.entered_q,
        }
    }
}

impl From<&AuditResult> for AuditRecord {
    fn from(audit: &AuditResult) -> Self {
        Self {
            bands: audit.bands.iter().map(Into::into).collect(),
            residual_rms_db: Some(audit.residual_rms_db),
            findings: audit.findings.clone(),
            ..Self::default()
        }
    }
}
