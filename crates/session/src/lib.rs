//! The headless application: everything that the window and the command line
//! can do, without either.
//!
//! The command line calls these functions one at a time. The window talks to
//! [`App`] through the plain data of the crate `view`.

mod app;
mod car;
mod catalogue;
mod demo;
mod fitting;
mod jobs;
mod papers;
mod preview_tuning;
mod reading_csv;
mod responses;
mod targets;
mod verify;

pub(crate) use ::library;
pub use app::{App, Door};
pub use car::{CarOrder, CarTiming, PlacedDriver, align_car, crossover_text};
pub use catalogue::{Devices, MeasurementCard, Measurements, devices, measurement, measurements};
pub use demo::{DemoOrder, DemoSummary, demo};
pub use files::{Written, write_bytes, write_text};
pub use fitting::{ChannelResponses, FitOrder, Fitted, FittedChannels, fit, fit_channels};
pub use jobs::{JobCheck, JobList, JobSummary, check_job, list_jobs, new_job, show_job};
pub use library::{Error, Fault, Result};
pub(crate) use library::{files, place};
pub use measure::{Cell, Curve, Finding, FindingLevel, Reading, Table, nearest};
pub use papers::{PageSize, SheetForm, sheet, sheet_form, wording, write_report};
pub use preview_tuning::preview_tuning;
pub use procedure::reading_response;
pub use reading_csv::write_csv;
pub use responses::average;
pub use targets::{
    DriverEnds, TargetList, TargetShown, export_target, import_target, list_targets, show_target,
};
pub use verify::{align, alignment_text, audit, audit_text, meaning_of_q, meaning_of_q_text};
