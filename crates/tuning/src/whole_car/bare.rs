//! The drivers as they are without what their channels held while they were measured.

use num_complex::Complex64;

use super::judge::channel_response;
use super::transfer::Axis;
use super::{TuneDriver, TuneError, TuneInput};
use crate::car::usable_hz;
use crate::{CarDriver, Equalizer, Feed, Response};

/// What a filter took away by more than this cannot be given back: it is noise by then (our choice).
const LOST_DB: f64 = 30.0;
/// A response is of use from this width on.
const LEAST_OCTAVES: f64 = 1.0 / 3.0;

/// Whether the input can be used.
pub(super) fn check(input: &TuneInput<'_>) -> Result<(), TuneError> {
    for driver in input.drivers {
        let channel = || driver.channel.clone();
        if driver.responses.len() != input.places.len() {
            let (given, wanted) = (driver.responses.len(), input.places.len());
            return Err(TuneError::Places { channel: channel(), given, wanted });
        }
        for (place, response) in (1..).zip(&driver.responses) {
            response.check().map_err(|error| TuneError::Response { channel: channel(), place, error })?;
            if response.phase_deg.is_none() {
                return Err(TuneError::NoPhase { channel: channel(), place });
            }
        }
        let (from_hz, to_hz) = driver.measured_hz();
        if to_hz < from_hz * LEAST_OCTAVES.exp2() {
            return Err(TuneError::TooNarrow(channel()));
        }
    }
    let plays = |feed: Feed| input.drivers.iter().any(|driver| driver.feed == feed);
    match (plays(Feed::Left), plays(Feed::Right)) {
        (true, false) => return Err(TuneError::NoSide("right")),
        (false, true) => return Err(TuneError::NoSide("left")),
        _ => {}
    }
    let inputs: &[&str] = match input.options.equalizer {
        Equalizer::Channels => &[],
        Equalizer::Sides => &["left", "right"],
        Equalizer::One => &["both"],
    };
    let known = |channel: &str| {
        inputs.contains(&channel) || input.drivers.iter().any(|driver| driver.channel == channel)
    };
    match input.options.locked.iter().find(|lock| !known(&lock.channel)) {
        Some(lock) => Err(TuneError::NoChannel(lock.channel.clone())),
        None => Ok(()),
    }
}

/// The drivers with flat channels, and with the range that each may be used in.
pub(super) fn bare(input: &TuneInput<'_>) -> Vec<TuneDriver> {
    let rate = input.profile.sample_rate_hz;
    let bare = |driver: &TuneDriver| {
        let mut bare = driver.clone();
        let flat = driver.present == super::ChannelValues::default();
        if !flat {
            bare.responses =
                driver.responses.iter().map(|response| without(response, driver, rate)).collect();
        }
        let found = usable_hz(&CarDriver {
            name: driver.channel.clone(),
            role: Some(driver.role),
            feed: Some(driver.feed),
            response: bare.responses[0].clone(),
            distance_m: None,
            arrival_s: None,
        });
        bare.usable_hz = Some(driver.usable_hz.unwrap_or(found));
        bare
    };
    input.drivers.iter().map(bare).collect()
}

/// A response with what the channel did taken out, where enough of it is left.
fn without(response: &Response, driver: &TuneDriver, sample_rate_hz: f64) -> Response {
    let axis = Axis::new(response.frequency_hz.clone(), sample_rate_hz);
    let filters = super::ChannelValues { gain_db: 0.0, ..driver.present.clone() };
    let filters = channel_response(&axis, &filters);
    let gain = 10f64.powf(driver.present.gain_db / 20.0);
    let least = 10f64.powf(-LOST_DB / 20.0);
    let kept: Vec<usize> = (0..filters.len()).filter(|&point| filters[point].norm() >= least).collect();
    // A notch inside of what is kept stays: only the ends are cut off.
    let (Some(&first), Some(&last)) = (kept.first(), kept.last()) else { return response.clone() };
    let point = |at: usize| -> Complex64 {
        let deg = response.phase_deg.as_ref().map_or(0.0, |phase| phase[at]);
        Complex64::from_polar(10f64.powf(response.magnitude_db[at] / 20.0), deg.to_radians())
            / (filters[at] * gain)
    };
    let values: Vec<Complex64> = (first..=last).map(point).collect();
    Response {
        frequency_hz: response.frequency_hz[first..=last].to_vec(),
        magnitude_db: values.iter().map(|value| 20.0 * (value.norm() + 1e-15).log10()).collect(),
        phase_deg: Some(values.iter().map(|value| value.arg().to_degrees()).collect()),
        coherence: None,
        spread_db: None,
    }
}
