//! Bands for response files.

use std::fmt;
use std::path::PathBuf;

use tuning::{Band, FitInput, FitOptions, FitResult, band_entries, bands_csv};

use crate::{Error, Result, library, responses};

/// What is to be fitted.
#[derive(Debug, Clone, PartialEq)]
pub struct FitOrder {
    /// The responses, one per position.
    pub responses: Vec<PathBuf>,
    /// A target's name or file.
    pub target: String,
    /// A processor profile's name or file.
    pub processor: String,
    /// At most so many bands.
    pub max_bands: Option<usize>,
    /// From here up.
    pub from_hz: Option<f64>,
    /// Up to here.
    pub to_hz: Option<f64>,
    /// No band may boost more.
    pub max_boost_db: Option<f64>,
}

/// The bands that were found.
#[derive(Debug, Clone, PartialEq)]
pub struct Fitted {
    /// The fit, in the form of the interface contract.
    pub result: FitResult,
    processor: String,
}

/// Fits bands to response files.
///
/// # Errors
/// When something that was given cannot be used.
pub fn fit(order: &FitOrder) -> Result<Fitted> {
    let (from_hz, to_hz) = responses::range(order.from_hz, order.to_hz)?;
    let responses = library::responses(&order.responses)?;
    let target = library::target(&order.target)?;
    let profile = library::profile(&order.processor)?;
    let options = FitOptions {
        max_bands: order.max_bands,
        from_hz,
        to_hz,
        max_boost_db: order.max_boost_db,
        ..FitOptions::default()
    };
    let input = FitInput { responses: &responses, target: &target, profile: &profile, options: &options };
    let result = tuning::fit(&input).map_err(|error| Error::input(error.to_string()))?;
    Ok(Fitted { result, processor: profile.name })
}

impl Fitted {
    /// The band list as it is typed.
    #[must_use]
    pub fn bands_csv(&self) -> String {
        let typed: Vec<Band> = self.result.bands.iter().map(tuning::FittedBand::typed).collect();
        bands_csv(&band_entries("", &typed))
    }
}

impl fmt::Display for Fitted {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let FitResult { bands, before, after, left_alone, findings, .. } = &self.result;
        writeln!(f, "{} bands for {}", bands.len(), self.processor)?;
        for (number, band) in (1..).zip(bands) {
            writeln!(f, "{number:3}  {}", band_text(&band.typed()))?;
            writeln!(f, "     {}", band.why)?;
        }
        writeln!(f, "RMS to target   {:.2} dB before, {:.2} dB after", before.rms_db, after.rms_db)?;
        writeln!(f, "worst           {:.1} dB before, {:.1} dB after", before.max_db, after.max_db)?;
        for place in left_alone {
            writeln!(f, "left alone      {:.0} Hz: {}", place.frequency_hz, why(place))?;
        }
        findings.iter().try_for_each(|finding| writeln!(f, "{}", finding.text))
    }
}

/// A band as a sentence: "Cut 4.5 dB at 160 Hz, Q 3.2".
pub(crate) fn band_text(typed: &Band) -> String {
    let verb = if typed.gain_db < 0.0 { "Cut" } else { "Boost" };
    let place = match typed.kind {
        tuning::BandKind::Peak => "at",
        tuning::BandKind::LowShelf => "below",
        tuning::BandKind::HighShelf => "above",
    };
    format!("{verb} {} dB {place} {} Hz, Q {}", typed.gain_db.abs(), typed.frequency_hz, typed.q)
}

/// Why a place was left alone, in words.
pub(crate) fn why(place: &tuning::LeftAlone) -> &'static str {
    match place.why {
        tuning::LeftAloneReason::Cancellation => "cancellation",
        tuning::LeftAloneReason::RollOff => "the end of what the drivers play",
        tuning::LeftAloneReason::OutOfReach => "too far below the rest to be lifted",
    }
}

/// The type of a band as the job names it.
pub(crate) fn job_type(kind: tuning::BandKind) -> job::BandType {
    match kind {
        tuning::BandKind::Peak => job::BandType::Peak,
        tuning::BandKind::LowShelf => job::BandType::LowShelf,
        tuning::BandKind::HighShelf => job::BandType::HighShelf,
    }
}

/// A band, with the cookbook's Q, as the simulated processor takes it.
pub(crate) fn cabin_band(band: &Band) -> cabin::Band {
    cabin::Band {
        kind: match band.kind {
            tuning::BandKind::Peak => cabin::BandKind::Peak,
            tuning::BandKind::LowShelf => cabin::BandKind::LowShelf,
            tuning::BandKind::HighShelf => cabin::BandKind::HighShelf,
        },
        frequency_hz: band.frequency_hz,
        gain_db: band.gain_db,
        q: band.q,
    }
}
