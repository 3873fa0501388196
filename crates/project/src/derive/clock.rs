//! Which captures share their zero of time, and responses that keep the way of their sound.

use job::CaptureMeta;
use tuning::Response;

use super::response::later;
use crate::CaptureEntry;

/// Whether the arrivals of a capture count from the same zero as those of others made like it: a loopback
/// channel was recorded with it, or the car is simulated. A recorder that runs by itself has no such zero.
#[must_use]
pub fn shares_clock(meta: &CaptureMeta) -> bool {
    meta.reference_channel.is_some() || (meta.rig.starts_with("Simulated: ") && meta.imported_from.is_none())
}

/// The response of a capture with the way of its sound in its phase, where the capture shares its zero of
/// time with others; the reading's own phase counts from its arrival.
#[must_use]
pub fn on_clock(capture: &CaptureEntry) -> Option<Response> {
    if !shares_clock(&capture.meta) {
        return None;
    }
    delayed(capture.response.as_deref()?, capture.value("arrival_s")?)
}

/// A response that arrives so much later than its own phase says.
pub(super) fn delayed(response: &Response, later_s: f64) -> Option<Response> {
    let phase_deg = later(response.phase_deg.as_ref()?, &response.frequency_hz, later_s).collect();
    Some(Response { phase_deg: Some(phase_deg), ..response.clone() })
}
