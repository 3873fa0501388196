//! Rigs: what plays and records.
//!
//! A [`Rig`] is a set of devices ([`DeviceRig`]) or a simulated car
//! ([`SimulatedRig`]) behind one interface. [`Rig::capture`] plays, records to disk
//! and hands the same samples out in blocks; whatever goes wrong on the way becomes an
//! [`EngineFinding`] in the [`CaptureEnd`], and what was recorded stays.
//!
//! The engine knows no measurement: it deals in samples only.

mod capture;
mod clock;
mod device;
mod enumerate;
mod finding;
mod input_calibration;
mod meter;
mod player;
mod realtime;
mod recorder;
mod request;
mod rig;
mod simulated;
mod spec;
mod stage;
mod stop;
mod through;
mod within;

#[cfg(test)]
mod tests;

pub use capture::{Capture, CaptureEnd, CapturedBlock, Gap, Next, Stopper};
pub use clock::ClockRatio;
pub use device::{CueOutput, DeviceRig};
pub use enumerate::{DeviceInfo, devices};
pub use finding::{EngineError, EngineFinding, EngineLevel};
pub use input_calibration::InputCalibration;
pub use meter::InputMeter;
pub use request::{CaptureRequest, Length, Play};
pub use rig::Rig;
pub use simulated::{Pace, Plant, SimulatedRig, StraightWire};
pub use spec::{Input, InputRole, Output, RigSpec, SpecError};
pub use stop::{RunToken, StopSwitch};
pub use through::{PreviewHand, PreviewPath, preview_path};
