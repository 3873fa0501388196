//! Bands for response files.

use std::fmt;
use std::path::PathBuf;

use job::EnteredBand;
use project::derive::FitInputs;
use serde::Serialize;
use tuning::{Band, BandEntry, ChannelFit, FitOptions, FitResult, Response, band_entries, bands_csv};
use units::quantity::{counted, decibels as db};

use library::files::read_text;
use library::targets::DriverEnds;
use library::{Error, Result};

use crate::responses;

/// What is to be fitted.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct FitOrder {
    /// The responses, one per position.
    pub(crate) responses: Vec<PathBuf>,
    /// A target's name or file.
    pub(crate) target: String,
    /// A processor profile's name or file.
    pub(crate) processor: String,
    /// At most so many bands.
    pub(crate) max_bands: Option<usize>,
    /// From here up.
    pub(crate) from_hz: Option<f64>,
    /// Up to here.
    pub(crate) to_hz: Option<f64>,
    /// No band may boost more.
    pub(crate) max_boost_db: Option<f64>,
    /// A band list whose bands stay as they are.
    pub(crate) lock: Option<PathBuf>,
    /// The target is that of one driver: from here up.
    pub(crate) high_pass_hz: Option<f64>,
    /// And up to here.
    pub(crate) low_pass_hz: Option<f64>,
}

/// The responses of one channel.
pub(crate) type ChannelResponses = (String, Vec<PathBuf>);

/// The bands that were found.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Fitted {
    /// The fit, in the form of the interface contract.
    pub(crate) result: FitResult,
    processor: String,
}

/// The bands of several channels.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub(crate) struct FittedChannels {
    /// One fit for each.
    pub(crate) channels: Vec<ChannelFit>,
    #[serde(skip)]
    processor: String,
}

impl FitOrder {
    /// From what the bands of these channels are fitted, and the processor's name.
    fn inputs(&self, channels: Vec<(String, Vec<Response>)>) -> Result<(FitInputs, String)> {
        let (from_hz, to_hz) = responses::range(self.from_hz, self.to_hz)?;
        let profile = library::profile(&self.processor)?;
        let ends = DriverEnds { high_pass_hz: self.high_pass_hz, low_pass_hz: self.low_pass_hz };
        let target = ends.of(library::target(&self.target)?, profile.sample_rate_hz)?;
        let locked = match &self.lock {
            Some(path) => tuning::parse_bands_csv(&read_text(path)?, &path.display().to_string())?,
            None => Vec::new(),
        };
        if channels.len() > 1
            && let Some(entry) = locked.iter().find(|entry| !entry.channel.is_empty())
        {
            return Err(Error::input(format!(
                "a locked band belongs to the channel `{}`; with several channels, lock bands without a channel, which \
                 all share, or fit one channel at a time",
                entry.channel
            )));
        }
        let options = FitOptions {
            max_bands: self.max_bands,
            from_hz,
            to_hz,
            max_boost_db: self.max_boost_db,
            ..FitOptions::default()
        };
        let locked = locked.iter().map(|entry| EnteredBand::of_typed("", &entry.band, &profile)).collect();
        let processor = profile.name.clone();
        let inputs = FitInputs::of_channels(channels, target, profile, options);
        Ok((FitInputs { locked, ..inputs }, processor))
    }
}

/// Fits bands to response files.
///
/// # Errors
/// When something that was given cannot be used.
pub(crate) fn fit(order: &FitOrder) -> Result<Fitted> {
    let channels = vec![(String::new(), library::responses(&order.responses)?)];
    let (inputs, processor) = order.inputs(channels)?;
    let result = inputs.first_fit().map_err(|error| Error::input(error.to_string()))?;
    Ok(Fitted { result, processor })
}

/// Fits bands for several channels at once; the sides of a pair get the same bands where
/// that costs little. Bands that are locked must be the same for all channels.
///
/// # Errors
/// When something that was given cannot be used.
pub(crate) fn fit_channels(order: &FitOrder, channels: &[ChannelResponses]) -> Result<FittedChannels> {
    let channels: Vec<(String, Vec<Response>)> = channels
        .iter()
        .map(|(name, paths)| Ok((name.clone(), library::responses(paths)?)))
        .collect::<Result<_>>()?;
    let (inputs, processor) = order.inputs(channels)?;
    let channels = inputs.fits().map_err(|(channel, error)| Error::input(format!("{channel}: {error}")))?;
    Ok(FittedChannels { channels, processor })
}

impl FittedChannels {
    /// The fits of several channels for a processor of this name.
    #[must_use]
    pub(crate) fn new(channels: Vec<ChannelFit>, processor: &str) -> Self {
        Self { channels, processor: processor.to_owned() }
    }

    /// The band list as it is typed.
    #[must_use]
    pub(crate) fn bands_csv(&self) -> String {
        let entries: Vec<BandEntry> = self
            .channels
            .iter()
            .flat_map(|channel| {
                let typed: Vec<Band> = channel.fit.bands.iter().map(tuning::FittedBand::typed).collect();
                band_entries(&channel.channel, &typed)
            })
            .collect();
        bands_csv(&entries)
    }
}

impl fmt::Display for FittedChannels {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for channel in &self.channels {
            write!(f, "{}: ", channel.channel)?;
            fmt::Display::fmt(&Fitted { result: channel.fit.clone(), processor: self.processor.clone() }, f)?;
            if let (Some(other), false) = (&channel.paired_with, channel.shared_bands.is_empty()) {
                let numbers: Vec<String> = channel.shared_bands.iter().map(usize::to_string).collect();
                let word = if numbers.len() == 1 { "band" } else { "bands" };
                writeln!(f, "The same on {other}: {word} {}", numbers.join(", "))?;
            }
            writeln!(f)?;
        }
        Ok(())
    }
}

impl Fitted {
    /// A fit for a processor of this name.
    #[must_use]
    pub(crate) fn new(result: FitResult, processor: &str) -> Self {
        Self { result, processor: processor.to_owned() }
    }

    /// The band list as it is typed.
    #[must_use]
    pub(crate) fn bands_csv(&self) -> String {
        let typed: Vec<Band> = self.result.bands.iter().map(tuning::FittedBand::typed).collect();
        bands_csv(&band_entries("", &typed))
    }
}

impl fmt::Display for Fitted {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let FitResult { bands, before, after, left_alone, findings, .. } = &self.result;
        writeln!(f, "{} for {}", counted(bands.len(), "band", "bands"), self.processor)?;
        for (number, band) in (1..).zip(bands) {
            writeln!(f, "{number:3}  {}", band.typed().sentence())?;
            writeln!(f, "     {}", band.why)?;
        }
        writeln!(
            f,
            "Deviation from target  {:>7} RMS, {:>7} maximum before",
            db(before.rms_db),
            db(before.max_db)
        )?;
        writeln!(
            f,
            "                       {:>7} RMS, {:>7} maximum after",
            db(after.rms_db),
            db(after.max_db)
        )?;
        for line in tuning::left_alone_lines(left_alone) {
            writeln!(f, "Left alone             {line}")?;
        }
        findings.iter().try_for_each(|finding| writeln!(f, "{}", finding.text))
    }
}
