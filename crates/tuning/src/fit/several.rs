//! Several channels at once: the left and the right of a pair get the same band
//! where that costs little, because that is what a person types and remembers.

use serde::Serialize;

use super::{FitError, FitInput, FitOptions, FitResult, fit};
use crate::linear::dot;
use crate::{Band, Profile, Response, Target, bands_db, log_axis};

/// One channel of the processor and what was measured of it.
#[derive(Debug, Clone, Copy)]
pub struct ChannelInput<'a> {
    /// What the channel is called. Names that differ only in `left` and `right` are a pair.
    pub channel: &'a str,
    /// One response per position.
    pub responses: &'a [Response],
    /// What the channel should become.
    pub target: &'a Target,
}

/// The fit of one channel among several. Serialises to the JSON of one fit with the
/// channel's name and the numbers of its shared bands beside it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ChannelFit {
    /// The channel.
    pub channel: String,
    /// The other side of its pair, if there is one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub paired_with: Option<String>,
    /// The numbers, from 1, of the bands that the other side has as well.
    pub shared_bands: Vec<usize>,
    /// Its bands and what they do.
    #[serde(flatten)]
    pub fit: FitResult,
}

/// So much more error each side of a pair may keep for the sake of a common band
/// (our choice, no published source).
const COSTS_LITTLE_DB: f64 = 0.15;
/// So many bands more it may take.
const MORE_BANDS: usize = 1;

/// Fits several channels; pairs get the same bands where neither side ends more than
/// 0.15 dB RMS above what bands of its own would have left, nor needs more than one band more.
///
/// The bands that the average of both sides asks for are held, and each side is fitted
/// around them. Where that costs a side too much, the band about which the two disagree
/// most is given up, until the rest can be held or none is left.
///
/// # Errors
/// When a channel cannot be fitted; the channel's name is given beside it.
pub fn fit_channels(
    channels: &[ChannelInput<'_>],
    profile: &Profile,
    options: &FitOptions,
) -> Result<Vec<ChannelFit>, (String, FitError)> {
    let mut fits: Vec<ChannelFit> = Vec::new();
    for channel in channels {
        let input = FitInput { responses: channel.responses, target: channel.target, profile, options };
        let fit = fit(&input).map_err(|error| (channel.channel.to_owned(), error))?;
        let channel = channel.channel.to_owned();
        fits.push(ChannelFit { channel, paired_with: None, shared_bands: Vec::new(), fit });
    }
    for (left, right) in pairs(channels) {
        let sides = [&channels[left], &channels[right]];
        let alone = [&fits[left].fit, &fits[right].fit];
        let (shared, together) = share(sides, alone, profile, options);
        for (index, other, fit) in [(left, right, 0), (right, left, 1)] {
            if let Some(together) = &together {
                fits[index].fit = together[fit].clone();
                fits[index].shared_bands = numbers(&fits[index].fit, &shared);
            }
            fits[index].paired_with = Some(channels[other].channel.to_owned());
        }
    }
    Ok(fits)
}

/// The channels that belong together, the left one first.
fn pairs(channels: &[ChannelInput<'_>]) -> Vec<(usize, usize)> {
    let is_left = |channel: &ChannelInput<'_>| channel.channel.to_lowercase().contains("left");
    (0..channels.len())
        .filter(|&left| is_left(&channels[left]))
        .filter_map(|left| {
            let wanted = channels[left].channel.to_lowercase().replace("left", "right");
            let right = channels.iter().position(|other| other.channel.to_lowercase() == wanted)?;
            // Two sides with different targets are no pair.
            (channels[left].target == channels[right].target).then_some((left, right))
        })
        .collect()
}

/// The numbers, from 1, of the bands that are shared.
fn numbers(fit: &FitResult, shared: &[Band]) -> Vec<usize> {
    (1..)
        .zip(&fit.bands)
        .filter(|(_, band)| shared.contains(&band.typed()))
        .map(|(number, _)| number)
        .collect()
}

/// The bands that both sides can share, and both fits around them; no fits when there is
/// nothing that is worth sharing.
fn share(
    sides: [&ChannelInput<'_>; 2],
    alone: [&FitResult; 2],
    profile: &Profile,
    options: &FitOptions,
) -> (Vec<Band>, Option<[FitResult; 2]>) {
    let nothing = (Vec::new(), None);
    let both: Vec<Response> = sides.iter().flat_map(|side| side.responses.iter().cloned()).collect();
    let input = FitInput { responses: &both, target: sides[0].target, profile, options };
    let Ok(common) = fit(&input) else { return nothing };
    let mut shared: Vec<Band> = common
        .bands
        .iter()
        .map(super::FittedBand::typed)
        .filter(|band| !options.locked.contains(band))
        .collect();
    while !shared.is_empty() {
        let mut held = options.clone();
        held.locked.extend(&shared);
        let around = |side: &ChannelInput<'_>| {
            fit(&FitInput { responses: side.responses, target: side.target, profile, options: &held })
        };
        let (Ok(left), Ok(right)) = (around(sides[0]), around(sides[1])) else { return nothing };
        let mut together = [left, right];
        let dear = |i: usize| {
            together[i].after.rms_db > alone[i].after.rms_db + COSTS_LITTLE_DB
                || together[i].bands.len() > alone[i].bands.len() + MORE_BANDS
        };
        if !dear(0) && !dear(1) {
            for fit in &mut together {
                explain(fit, &common, &shared);
            }
            return (shared, Some(together));
        }
        let disagreement = |band: &Band| {
            let wish = |i: usize| wished_db(sides[i], &held.locked, together[i].range_hz, profile, band);
            (wish(0) - wish(1)).abs()
        };
        let worst = (0..shared.len())
            .max_by(|&a, &b| disagreement(&shared[a]).total_cmp(&disagreement(&shared[b])))
            .unwrap_or(0);
        shared.remove(worst);
    }
    nothing
}

/// How much more of a band a side would like beside the held ones alone, in dB: the gain
/// that removes most of its error, times what the band's width makes of it.
fn wished_db(
    side: &ChannelInput<'_>,
    held: &[Band],
    (from_hz, to_hz): (f64, f64),
    profile: &Profile,
    band: &Band,
) -> f64 {
    let grid = log_axis::grid(from_hz, to_hz, 24.0);
    let bands: Vec<Band> = held.iter().map(|typed| profile.cookbook(typed)).collect();
    let added = bands_db(&bands, &grid, profile.sample_rate_hz);
    let unit = Band { gain_db: 3.0, ..profile.cookbook(band) };
    let shape = centred(bands_db(&[unit], &grid, profile.sample_rate_hz));
    #[expect(clippy::cast_precision_loss, reason = "a handful of positions")]
    let count = side.responses.len().max(1) as f64;
    let level = |hz: f64| side.responses.iter().filter_map(|r| r.db_at(hz)).sum::<f64>() / count;
    let left = grid.iter().zip(added).map(|(&hz, added)| side.target.db_at(hz) - level(hz) - added).collect();
    let power: f64 = shape.iter().map(|s| s * s).sum::<f64>() + 1e-12;
    dot(&shape, &centred(left)) / power.sqrt()
}

/// The values less their mean, because the level is free.
fn centred(mut values: Vec<f64>) -> Vec<f64> {
    #[expect(clippy::cast_precision_loss, reason = "a few hundred points")]
    let mean = values.iter().sum::<f64>() / values.len().max(1) as f64;
    values.iter_mut().for_each(|value| *value -= mean);
    values
}

/// Gives the shared bands the reason that the average of both sides has for them.
fn explain(fit: &mut FitResult, common: &FitResult, shared: &[Band]) {
    for band in fit.bands.iter_mut().filter(|band| shared.contains(&band.typed())) {
        let reason = common.bands.iter().find(|other| other.typed() == band.typed());
        let reason = reason.map_or("", |other| other.why.as_str());
        band.why = format!("{reason} The same on both sides.");
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::random_cases::Random;
    use testkit::at_most;

    fn response(bands: &[Band], random: &mut Random) -> Response {
        let grid = log_axis::grid(20.0, 20_000.0, 96.0);
        let db = bands_db(bands, &grid, 48_000.0).into_iter().map(|db| db + 0.1 * random.normal()).collect();
        Response::new(grid, db).unwrap()
    }

    /// Source: analytic; both sides share two humps, and each has one of its own.
    #[test]
    fn what_both_sides_need_is_the_same_on_both() {
        let mut random = Random::new(31);
        let common = [Band::peak(90.0, 6.0, 2.0), Band::peak(2_500.0, 4.0, 1.5)];
        let left = [response(&[common[0], common[1], Band::peak(400.0, 5.0, 3.0)], &mut random)];
        let right = [response(&[common[0], common[1], Band::peak(800.0, 5.0, 3.0)], &mut random)];
        let target = Target::flat();
        let profile = Profile::preset("parametric-free").unwrap();
        let sub = [response(&[], &mut random)];
        let channels = [
            ChannelInput { channel: "Front Left", responses: &left, target: &target },
            ChannelInput { channel: "sub", responses: &sub, target: &target },
            ChannelInput { channel: "front right", responses: &right, target: &target },
        ];
        let fits = fit_channels(&channels, &profile, &FitOptions::default()).unwrap();
        assert_eq!(fits[0].paired_with.as_deref(), Some("front right"));
        assert_eq!(fits[1].paired_with, None);
        for fit in [&fits[0], &fits[2]] {
            at_most(&format!("error of {}", fit.channel), fit.fit.after.rms_db, 0.3);
            assert!(fit.shared_bands.len() >= 2, "{fit:#?}");
            for number in &fit.shared_bands {
                assert!(fit.fit.bands[number - 1].why.ends_with("The same on both sides."));
            }
        }
        let typed = |fit: &ChannelFit| -> Vec<Band> {
            fit.shared_bands.iter().map(|number| fit.fit.bands[number - 1].typed()).collect()
        };
        assert_eq!(typed(&fits[0]), typed(&fits[2]));
        assert!(typed(&fits[0]).iter().any(|band| (band.frequency_hz - 90.0).abs() < 6.0), "{fits:#?}");
    }

    #[test]
    fn sides_that_have_nothing_in_common_keep_their_own() {
        let mut random = Random::new(32);
        let left = [response(&[Band::peak(100.0, 6.0, 4.0)], &mut random)];
        let right = [response(&[Band::peak(3_000.0, 6.0, 4.0)], &mut random)];
        let target = Target::flat();
        let profile = Profile::preset("parametric-free").unwrap();
        let channels = [
            ChannelInput { channel: "left", responses: &left, target: &target },
            ChannelInput { channel: "right", responses: &right, target: &target },
        ];
        let fits = fit_channels(&channels, &profile, &FitOptions::default()).unwrap();
        for fit in &fits {
            at_most(&format!("error of {}", fit.channel), fit.fit.after.rms_db, 0.15);
            assert_eq!(fit.fit.bands.len(), 1, "{fit:#?}");
        }
    }
}
