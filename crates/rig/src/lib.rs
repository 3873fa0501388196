//! The rig: what plays and records, opened once, with what the numbers of each input mean.
//!
//! [`OpenRig::open`] is the one place where a rig is opened, be it the system's devices, those
//! of a rig file, or a simulated car. Each input has a calibration of its own. A simulated car
//! is set by a [`Scene`]; to devices a scene means nothing, for there a person does the same.

mod calibration;
mod choice;
mod error;
mod facts;
mod open;
mod scene;
mod setting;
mod simulated;

pub use calibration::{electrical_input, read_spec, usual_role, with_microphone, write_calibration};
pub use choice::RigChoice;
pub use engine::{
    Capture, CaptureEnd, CaptureRequest, CapturedBlock, Input, InputMeter, InputRole, Length, Next, Output,
    Pace, Play, PreviewPath, RigSpec,
};
pub use error::{finding, refused};
pub use facts::{CarFacts, RigFacts};
pub use open::OpenRig;
pub use scene::{Entered, Scene, Sounding};
pub use setting::preset;
pub use simulated::{Simulated, car, car_names, cars, role_of};
