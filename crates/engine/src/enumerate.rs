//! Which devices there are.

use std::time::Duration;

use cpal::SupportedStreamConfigRange;
use cpal::traits::{DeviceTrait, HostTrait};

use crate::EngineError;
use crate::within::within;

/// One audio device.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DeviceInfo {
    /// What a rig file calls it.
    pub id: String,
    /// What people call it.
    pub name: String,
    /// How many channels it records at most; 0 when it records nothing.
    pub input_channels: u16,
    /// How many channels it plays at most; 0 when it plays nothing.
    pub output_channels: u16,
    /// The usual rates that it runs at, both ways where it has both.
    pub sample_rates_hz: Vec<u32>,
    /// Whether the system records from it by itself.
    pub is_default_input: bool,
    /// Whether the system plays on it by itself.
    pub is_default_output: bool,
}

/// The rates that are worth listing.
const USUAL_RATES_HZ: [u32; 6] = [44_100, 48_000, 88_200, 96_000, 176_400, 192_000];

/// Names of ALSA that convert, discard, or lead to another sound system: no devices, and asking
/// the last kind makes its library write on the terminal. A rig file may still name them.
const NO_DEVICES: [&str; 8] = [
    "alsa:null",
    "alsa:jack",
    "alsa:oss",
    "alsa:lavrate",
    "alsa:samplerate",
    "alsa:speexrate",
    "alsa:upmix",
    "alsa:vdownmix",
];

/// Drivers are given so long to answer.
const LIMIT: Duration = Duration::from_secs(20);

/// Lists the devices that play or record, the system's own choice first.
///
/// # Errors
/// When the audio system does not answer.
pub fn devices() -> Result<Vec<DeviceInfo>, EngineError> {
    within(LIMIT, "engine-devices", || list(&cpal::default_host())).unwrap_or_else(|| {
        let text =
            "The audio system did not list its devices within 20 s. Restart the audio server and try again.";
        Err(EngineError::Refused { text: text.to_owned() })
    })
}

pub(crate) fn list(host: &cpal::Host) -> Result<Vec<DeviceInfo>, EngineError> {
    let id = |device: cpal::Device| device.id().map(|id| id.to_string()).ok();
    let default_input = host.default_input_device().and_then(id);
    let default_output = host.default_output_device().and_then(id);
    let found = host.devices().map_err(|error| EngineError::Refused {
        text: format!(
            "The audio system does not list its devices: {error}. Start the audio server and try again."
        ),
    })?;
    let mut devices: Vec<DeviceInfo> = found
        .filter_map(|device| {
            let id = device.id().ok()?.to_string();
            if NO_DEVICES.contains(&id.as_str()) {
                return None;
            }
            let inputs: Vec<_> = device.supported_input_configs().map(Iterator::collect).unwrap_or_default();
            let outputs: Vec<_> =
                device.supported_output_configs().map(Iterator::collect).unwrap_or_default();
            Some(DeviceInfo {
                name: device.to_string(),
                input_channels: channels(&inputs),
                output_channels: channels(&outputs),
                sample_rates_hz: rates(&inputs, &outputs),
                is_default_input: default_input.as_deref() == Some(&id),
                is_default_output: default_output.as_deref() == Some(&id),
                id,
            })
        })
        .filter(|device| device.input_channels + device.output_channels > 0)
        .collect();
    devices.sort_by_key(|device| !(device.is_default_input || device.is_default_output));
    Ok(devices)
}

fn channels(ranges: &[SupportedStreamConfigRange]) -> u16 {
    ranges.iter().map(SupportedStreamConfigRange::channels).max().unwrap_or(0)
}

fn rates(inputs: &[SupportedStreamConfigRange], outputs: &[SupportedStreamConfigRange]) -> Vec<u32> {
    let runs = |ranges: &[SupportedStreamConfigRange], rate: u32| {
        ranges.is_empty()
            || ranges.iter().any(|range| (range.min_sample_rate()..=range.max_sample_rate()).contains(&rate))
    };
    USUAL_RATES_HZ.into_iter().filter(|&rate| runs(inputs, rate) && runs(outputs, rate)).collect()
}
