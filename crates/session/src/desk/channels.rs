//! The channels that are tuned: the whole car as one, or its left and its right by themselves.

use tuning::{Band, ChannelFit, ChannelInput, FitOptions, FittedBand, Profile, Response, Target};
use view::{SetMark, Setting};

use super::Desk;
use super::card::choice;
use super::tune::DeskBand;
use crate::{Error, Result};
use tuning::channel_reaches;

/// The two sides of a car.
pub(super) const SIDES: [&str; 2] = ["left", "right"];

/// What a capture of a channel at a place is called.
pub(super) fn placed(channel: &str, position: &str) -> String {
    if channel.is_empty() { position.to_owned() } else { format!("{channel}: {position}") }
}

/// What a band is said to be for.
pub(super) fn channel_word(channel: &str, by_side: bool) -> &str {
    match (channel, by_side) {
        ("", true) => "both",
        (channel, _) => channel,
    }
}

/// What bands are fitted to: each channel with what was measured of it.
pub(super) struct Wanted {
    pub(super) channels: Vec<(&'static str, Vec<Response>)>,
    pub(super) locked: Vec<DeskBand>,
    pub(super) target: Target,
    pub(super) profile: Profile,
    pub(super) options: FitOptions,
}

impl Wanted {
    /// The bands for all channels; the sides get the same ones where that costs little.
    pub(super) fn fit(&self) -> Result<Vec<DeskBand>> {
        let inputs: Vec<ChannelInput<'_>> = self
            .channels
            .iter()
            .map(|(channel, responses)| ChannelInput { channel, responses, target: &self.target })
            .collect();
        // A band that is locked for one side is no common ground for both.
        let own = self.locked.iter().any(|band| !band.channel.is_empty());
        let groups: Vec<&[ChannelInput<'_>]> =
            if own { inputs.chunks(1).collect() } else { vec![&inputs[..]] };
        let mut fits: Vec<ChannelFit> = Vec::new();
        for group in groups {
            let channel = group.first().map_or("", |input| input.channel);
            let locked = self.locked.iter().filter(|band| !own || channel_reaches(&band.channel, channel));
            let options =
                FitOptions { locked: locked.map(|band| band.typed).collect(), ..self.options.clone() };
            let fitted = tuning::fit_channels(group, &self.profile, &options);
            fits.extend(fitted.map_err(|(_, error)| Error::measurement(error.to_string()))?);
        }
        Ok(self.merged(&fits))
    }

    /// One list: what both sides have once, then what each has by itself.
    fn merged(&self, fits: &[ChannelFit]) -> Vec<DeskBand> {
        let mut bands: Vec<DeskBand> = Vec::new();
        for fit in fits {
            for (number, fitted) in (1..).zip(&fit.fit.bands) {
                let typed = fitted.typed();
                let kept = self.locked.iter().find(|band| {
                    band.typed == typed && (band.channel.is_empty() || band.channel == fit.channel)
                });
                let band = match kept {
                    Some(kept) => kept.clone(),
                    None => self.fresh(fit, number, typed, fitted),
                };
                if !bands.contains(&band) {
                    bands.push(band);
                }
            }
        }
        bands.sort_by(|one, other| {
            (&one.channel, one.typed.frequency_hz)
                .partial_cmp(&(&other.channel, other.typed.frequency_hz))
                .unwrap_or(std::cmp::Ordering::Equal)
        });
        bands
    }

    fn fresh(&self, fit: &ChannelFit, number: usize, typed: Band, fitted: &FittedBand) -> DeskBand {
        let shared = self.channels.len() < 2 || fit.shared_bands.contains(&number);
        let channel = if shared { String::new() } else { fit.channel.clone() };
        DeskBand { typed, channel, enabled: true, locked: false, reason: fitted.why.clone() }
    }
}

impl Desk {
    /// The channels that are tuned; one without a name is the whole car.
    pub(super) fn tuned_channels(&self) -> &'static [&'static str] {
        if self.choices.by_side { &SIDES } else { &[""] }
    }

    /// Looks at one of them.
    pub(super) fn look_at(&mut self, channel: &str) {
        let known = self.tuned_channels();
        let channel = known.iter().copied().find(|known| *known == channel).unwrap_or(known[0]);
        self.captures.look_at(channel);
        self.tune.look_at(channel);
    }

    /// What was measured of each channel before.
    pub(super) fn wanted(&self) -> Vec<(&'static str, Vec<Response>)> {
        let of = |channel: &&'static str| {
            let side = self.captures.side_of(SetMark::Before, channel);
            let smoothed = side.filter_map(|held| self.captures.smoothed(held, self.smoothing.max(12)));
            (*channel, smoothed.map(|response| (*response).clone()).collect())
        };
        self.tuned_channels().iter().map(of).collect()
    }

    pub(super) fn channel_settings(&self) -> Vec<Setting> {
        let ways = [("all", "Whole car"), ("sides", "Left and right")];
        let ways = ways.map(|(id, label)| (id.to_owned(), label.to_owned()));
        let mut settings =
            vec![choice("by-side", "Tune", ways, if self.choices.by_side { "sides" } else { "all" })];
        if self.choices.by_side {
            let sides = [("left", "Left"), ("right", "Right")];
            let sides = sides.map(|(id, label)| (id.to_owned(), label.to_owned()));
            settings.push(choice("looked-at", "The chart shows", sides, self.captures.looked_at()));
        }
        settings
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

    fn wanted(locked: Vec<DeskBand>) -> Wanted {
        Wanted {
            channels: vec![
                ("left", vec![response(200.0, None)]),
                ("right", vec![response(200.0, Some(3_000.0))]),
            ],
            locked,
            target: library::target("flat").expect("a target"),
            profile: library::profile("parametric-gridded").expect("a profile"),
            options: FitOptions { from_hz: 30.0, to_hz: 16_000.0, ..FitOptions::default() },
        }
    }

    /// Source: the responses are made here: one bump on both sides, one on the right alone.
    #[test]
    fn both_sides_get_the_same_band_where_they_ask_for_it_and_their_own_elsewhere() {
        let bands = wanted(Vec::new()).fit().expect("a fit");
        let near = |hz: f64| -> Vec<&str> {
            let close = bands.iter().filter(|band| (band.typed.frequency_hz / hz).ln().abs() < 0.1);
            close.map(|band| band.channel.as_str()).collect()
        };
        assert_eq!(near(200.0), [""], "{bands:?}");
        assert_eq!(near(3_000.0), ["right"], "{bands:?}");
    }

    #[test]
    fn what_is_locked_stays_as_it_is_for_its_own_side() {
        let profile = library::profile("parametric-gridded").expect("a profile");
        let tuning::BandLayout::Parametric { frequency_hz, .. } = &profile.bands else { panic!("a grid") };
        let typed = Band::peak(frequency_hz.nearest(200.0), -3.0, 2.0);
        for channel in ["", "left"] {
            let locked = DeskBand {
                typed,
                channel: channel.to_owned(),
                enabled: true,
                locked: true,
                reason: "kept".to_owned(),
            };
            let bands = wanted(vec![locked.clone()]).fit().expect("a fit");
            assert_eq!(bands.iter().filter(|band| **band == locked).count(), 1, "{bands:?}");
        }
    }
}
