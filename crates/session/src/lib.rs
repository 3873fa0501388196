//! The headless application: everything that the window and the command line
//! can do, without either.
//!
//! The command line calls these functions one at a time. The window talks to
//! [`serve`] through the plain data of the crate `view`.

mod alignment;
mod analysis;
mod audition;
mod car;
mod catalogue;
mod demo;
mod desk;
mod fitting;
mod import;
mod jobs;
mod listen;
mod listening;
mod live;
mod papers;
mod playback;
mod plugins;
mod proof;
mod reading_csv;
mod recorded;
mod responses;
mod source;
mod spectrum;
mod stretch;
mod take;
mod targets;
mod tracks;
mod verify;

pub(crate) use ::library;
pub use analysis::{Analysis, analyze};
pub use audition::{
    HeardLevel, PreviewFile, PreviewHeard, PreviewNow, PreviewOrder, PreviewReport, PreviewWish, preview,
    preview_file,
};
pub use car::{CarOrder, CarTiming, PlacedDriver, align_car};
pub use catalogue::{Devices, MeasurementCard, Measurements, devices, measurement, measurements};
pub use demo::{DemoOrder, DemoSummary, demo};
pub use desk::serve;
pub use files::{Written, write_text};
pub use fitting::{ChannelResponses, FitOrder, Fitted, FittedChannels, fit, fit_channels};
pub use import::{ImportOrder, Imported, ToldTrack, import};
pub use jobs::{JobCheck, JobList, JobSummary, check_job, list_jobs, new_job, show_job};
pub use library::{Error, Fault, Result};
pub(crate) use library::{files, place};
pub use listen::{ListenOrder, Listened, ListenedTrack, listen};
pub use listening::{HeardTrack, ListenEvent, Listening};
pub use live::{LiveOrder, Measured, measure};
pub use measure::{Cell, Curve, Finding, FindingLevel, Reading, Table};
pub use papers::{SheetForm, sheet, write_report};
pub use plugins::{PluginCheck, check_plugin, plugin_folder};
pub use reading_csv::write_csv;
pub use recorded::Recorded;
pub(crate) use responses::reading_response;
pub use responses::{average, compare};
pub use source::{
    BassControl, GainMeterOrder, GainOrder, GainReport, Go, HeadroomEvent, HeadroomNow, HeadroomOrder,
    HeardInput, Named, NoiseFound, NoiseOrder, NoiseReport, OutputTone, PadOrder, PadReport, SourceHeadroom,
    Spot, ToneNow, ToneOfOutput, ToneOrder, ToneReport, VoltsCalibrated, VoltsOrder, calibrate_volts, gain,
    gain_meter, headroom_from_recordings, headroom_live, headroom_now, hear_tone, output_headroom, pad,
    source_noise, source_tone, spots, write_spots,
};
pub use targets::{
    DriverEnds, TargetList, TargetShown, export_target, import_target, list_targets, show_target,
};
pub use tracks::write_tracks;
pub use tuning::{Attenuator, GainInput, Turn, parse_ohms, parse_volts};
pub use verify::{align, alignment_text, audit, audit_text, meaning_of_q, meaning_of_q_text};
