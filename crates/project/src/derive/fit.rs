//! The bands for all channels that are tuned, with everything that the fit says of them.

use job::{Basis, ChannelFitRecord, EnteredBand, FitRecord};
use measure::Finding;
use tuning::{
    Band, ChannelFit, ChannelInput, FitError, FitOptions, FitResult, Profile, Response, Target,
    channel_reaches,
};

/// From what bands are fitted.
#[derive(Debug, Clone, PartialEq)]
pub struct FitInputs {
    /// Each channel (an empty name for the whole car) with what was measured of it.
    pub channels: Vec<(String, Vec<Response>)>,
    /// The bands that stay as they are.
    pub locked: Vec<EnteredBand>,
    /// What the response should become.
    pub target: Target,
    /// What the processor can hold.
    pub profile: Profile,
    /// What the fit may do; `locked` in here is not looked at.
    pub options: FitOptions,
    /// What the job is told of the target, the processor and the captures.
    pub basis: Basis,
    /// Why what was measured is doubtful.
    pub doubt: Option<Finding>,
}

/// What a fit found.
#[derive(Debug, Clone, PartialEq)]
pub struct Fitted {
    /// The bands to enter: what several channels share once, then what each has by itself.
    pub bands: Vec<EnteredBand>,
    /// The whole result.
    pub record: FitRecord,
}

impl FitInputs {
    /// What was measured, with nothing locked and nothing that a job would be told.
    #[must_use]
    pub fn of_channels(
        channels: Vec<(String, Vec<Response>)>,
        target: Target,
        profile: Profile,
        options: FitOptions,
    ) -> Self {
        let (locked, basis) = (Vec::new(), Basis::default());
        Self { channels, locked, target, profile, options, basis, doubt: None }
    }

    /// The fit of the first channel.
    ///
    /// # Errors
    /// When it cannot be fitted, or there is none.
    pub fn first_fit(&self) -> Result<FitResult, FitError> {
        let mut fits = self.fits().map_err(|(_, error)| error)?;
        if fits.is_empty() { Err(FitError::NoResponse) } else { Ok(fits.swap_remove(0).fit) }
    }

    /// The bands for all channels; channels get the same ones where that costs little.
    ///
    /// # Errors
    /// When a channel cannot be fitted; its name comes with the reason.
    pub fn fit(&self) -> Result<Fitted, (String, FitError)> {
        Ok(self.fitted(&self.fits()?))
    }

    /// The fit of each channel.
    ///
    /// # Errors
    /// When a channel cannot be fitted; its name comes with the reason.
    pub fn fits(&self) -> Result<Vec<ChannelFit>, (String, FitError)> {
        let inputs: Vec<ChannelInput<'_>> = self
            .channels
            .iter()
            .map(|(channel, responses)| ChannelInput { channel, responses, target: &self.target })
            .collect();
        // A band that is locked for one channel is no common ground for all.
        let own = self.locked.iter().any(|band| !band.channel.is_empty());
        let groups: Vec<&[ChannelInput<'_>]> =
            if own { inputs.chunks(1).collect() } else { vec![&inputs[..]] };
        let mut fits: Vec<ChannelFit> = Vec::new();
        for group in groups {
            let channel = group.first().map_or("", |input| input.channel);
            let locked = self.locked.iter().filter(|band| !own || channel_reaches(&band.channel, channel));
            let locked: Vec<Band> = locked.map(EnteredBand::typed).collect();
            let options = FitOptions { locked, ..self.options.clone() };
            fits.extend(tuning::fit_channels(group, &self.profile, &options)?);
        }
        if let (Some(first), Some(doubt)) = (fits.first_mut(), &self.doubt) {
            first.fit.findings.push(doubt.clone());
        }
        Ok(fits)
    }

    /// The bands to enter and the whole result of these fits.
    #[must_use]
    pub fn fitted(&self, fits: &[ChannelFit]) -> Fitted {
        let range = fits.first().map(|fit| fit.fit.range_hz);
        let basis = Basis {
            from_hz: range.map(|range| range.0),
            to_hz: range.map(|range| range.1),
            ..self.basis.clone()
        };
        let channels = fits.iter().map(|fit| ChannelFitRecord::new(&fit.channel, &fit.fit)).collect();
        Fitted { bands: self.merged(fits), record: FitRecord { basis, channels } }
    }

    /// One list of all bands.
    fn merged(&self, fits: &[ChannelFit]) -> Vec<EnteredBand> {
        let mut bands: Vec<EnteredBand> = Vec::new();
        for fit in fits {
            for (number, fitted) in (1..).zip(&fit.fit.bands) {
                let typed = fitted.typed();
                let stays = |band: &&EnteredBand| {
                    band.typed() == typed && (band.channel.is_empty() || band.channel == fit.channel)
                };
                let shared = self.channels.len() < 2 || fit.shared_bands.contains(&number);
                let channel = if shared { "" } else { &fit.channel };
                let band = match self.locked.iter().find(stays) {
                    Some(locked) => locked.clone(),
                    None => EnteredBand::fitted(channel, fitted),
                };
                if !bands.contains(&band) {
                    bands.push(band);
                }
            }
        }
        bands.sort_by(|one, other| {
            one.channel.cmp(&other.channel).then(one.frequency_hz.total_cmp(&other.frequency_hz))
        });
        bands
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn response(bump_hz: f64, extra_hz: Option<f64>) -> Response {
        let grid = dsp::response::log_grid(30.0, 16_000.0, 24.0);
        let mut bands = vec![Band::peak(bump_hz, 6.0, 2.0)];
        bands.extend(extra_hz.map(|hz| Band::peak(hz, 7.0, 3.0)));
        let level = tuning::bands_db(&bands, &grid, 48_000.0);
        Response::new(grid, level).expect("a response")
    }

    fn inputs(locked: Vec<EnteredBand>) -> FitInputs {
        FitInputs {
            channels: vec![
                ("left".to_owned(), vec![response(200.0, None)]),
                ("right".to_owned(), vec![response(200.0, Some(3_000.0))]),
            ],
            locked,
            target: Target::preset("flat").expect("a target"),
            profile: Profile::preset("parametric-gridded").expect("a profile"),
            options: FitOptions { from_hz: 30.0, to_hz: 16_000.0, ..FitOptions::default() },
            basis: Basis::default(),
            doubt: None,
        }
    }

    /// Source: the responses are made here: one bump on both sides, one on the right alone.
    #[test]
    fn both_sides_get_the_same_band_where_they_ask_for_it_and_their_own_elsewhere() {
        let Fitted { bands, record } = inputs(Vec::new()).fit().expect("a fit");
        let near = |hz: f64| -> Vec<&str> {
            let close = bands.iter().filter(|band| (band.frequency_hz / hz).ln().abs() < 0.1);
            close.map(|band| band.channel.as_str()).collect()
        };
        assert_eq!(near(200.0), [""], "{bands:?}");
        assert_eq!(near(3_000.0), ["right"], "{bands:?}");
        let channels: Vec<&str> = record.channels.iter().map(|fit| fit.channel.as_str()).collect();
        assert_eq!(channels, ["left", "right"]);
        let (from_hz, to_hz) = (record.basis.from_hz.expect("a range"), record.basis.to_hz.expect("a range"));
        assert!(
            (30.0..40.0).contains(&from_hz) && (12_000.0..=16_000.0).contains(&to_hz),
            "{from_hz} {to_hz}"
        );
        for fit in &record.channels {
            let (before, after) = (fit.before.expect("before"), fit.after.expect("after"));
            assert!(after.rms_db < 0.5 * before.rms_db, "{before:?} {after:?}");
            assert!(fit.bands.iter().all(|band| !band.reason.is_empty()), "{:?}", fit.bands);
        }
    }

    #[test]
    fn what_is_locked_stays_as_it_is_for_its_own_side() {
        let profile = Profile::preset("parametric-gridded").expect("a profile");
        let tuning::BandLayout::Parametric { frequency_hz, .. } = &profile.bands else { panic!("a grid") };
        let typed = Band::peak(frequency_hz.nearest(200.0), -3.0, 2.0);
        for channel in ["", "left"] {
            let locked = EnteredBand {
                locked: true,
                reason: "kept".to_owned(),
                ..EnteredBand::of_typed(channel, &typed, &profile)
            };
            let bands = inputs(vec![locked.clone()]).fit().expect("a fit").bands;
            assert_eq!(bands.iter().filter(|band| **band == locked).count(), 1, "{bands:?}");
        }
    }

    #[test]
    fn a_channel_that_cannot_be_fitted_is_named() {
        let mut none = inputs(Vec::new());
        none.channels[1].1.clear();
        assert_eq!(none.fit().map_err(|(channel, _)| channel), Err("right".to_owned()));
    }
}
