//! Source and gain: calibration in volts, the clean limit over all outputs, the
//! source's tone and noise, the volts to turn to.

mod calibrate;
mod gain;
mod headroom;
mod kept;
mod named;
mod noise;
mod pad;
mod spots;
mod tone;
mod tone_conditions;

pub use calibrate::{
    CalibrateOrder, HeardInput, VoltsCalibrated, calibrate_volts, calibration_tone, heard_tone, recorded_tone,
};
pub use gain::{GainMeter, GainOrder, GainReport, gain, gain_meter};
pub use headroom::headroom_from_recordings;
pub use named::Named;
pub use noise::{
    LISTEN_S, NoiseFound, NoiseOrder, NoiseReadings, NoiseReport, POOR_SNR_DB, USUAL_RPM, at_speed,
    level_of_clean, noise_from_recordings, noise_of, source_noise,
};
pub use pad::{PadOrder, PadReport, pad};
pub use project::derive::{SourceHeadroom, output_headroom};
pub use spots::{Spot, spots, write_spots};
pub use tone::{
    FLAT_DB, OutputCapture, ToneCurve, ToneOfOutput, ToneOrder, ToneReport, short_sweep, source_tone,
    tone_from_job, tone_from_recordings, tone_of, undo, usual_steps,
};
pub use tone_conditions::ConditionTone;
