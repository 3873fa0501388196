//! The one interface of all rigs.

use crate::{Capture, CaptureRequest, EngineError, PreviewPath, RigSpec};

/// What plays and records: devices or a simulated car.
pub trait Rig: Send {
    /// How it is wired and calibrated.
    fn spec(&self) -> &RigSpec;

    /// Begins a capture. It runs until its length is reached, or until it is stopped,
    /// dropped, or its devices are gone; only one runs at a time.
    ///
    /// # Errors
    /// When the request does not fit the rig, a device is missing or refuses, or the
    /// recording cannot be begun.
    fn capture(&mut self, request: CaptureRequest) -> Result<Capture, EngineError> {
        self.capture_through(None, request)
    }

    /// The same, with what is played going through a virtual processor.
    ///
    /// # Errors
    /// As [`capture`](Self::capture), and when the processor does not fit the rig's outputs
    /// and rate.
    fn capture_through(
        &mut self,
        path: Option<PreviewPath>,
        request: CaptureRequest,
    ) -> Result<Capture, EngineError>;
}
