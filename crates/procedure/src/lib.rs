//! How one piece of work is done, each written once: a capture, a volume sweep, listening, an import,
//! a calibration, the source's tone and noise, setting a gain, a preview.
//!
//! A procedure is a function of a [`Session`]. It **owns the rig while it runs, and never a job**. It
//! runs on the thread of whoever calls it: the command line and the demonstration on their own, an
//! application on a worker.
//!
//! # What goes in
//!
//! - [`Session::rig`]: what plays and records. A simulated car is set by the procedure itself.
//! - [`Session::store`]: where recordings go. Audio streams to disk before it is measured.
//! - [`Session::token`]: the run's own view of the [`StopSwitch`](engine::StopSwitch). Every capture of
//!   the run carries it, so that the first callback after *stop* begins the fade, whatever the
//!   procedure is computing. The procedure then ends by itself, keeps what was recorded, and returns the
//!   result as far as there is one, with the finding `interrupted`.
//! - [`Session::inbox`]: what the person says meanwhile, as [`Instruction`]s; it is read between blocks.
//!   What means nothing to the procedure at the moment is dropped. A sender that is gone means that nobody will
//!   say anything: what waits for a person goes on.
//! - [`Session::hand`]: how the person does what only a hand can do. A [`Request`] is told as
//!   [`Event::Asked`]; then the procedure waits as [`Hand`] says. [`Instruction::Continue`] begins at once,
//!   [`Instruction::Skip`] leaves this part out.
//!
//! # What comes out
//!
//! [`Event`]s, in order, on the procedure's own thread, and the result as the function's value.
//! [`Event::Change`] is what the project has to note, and the only way in which it learns of anything:
//! [`OpenJob::apply`] makes it, whoever runs the procedure. Of one capture come [`Change::CaptureBegun`],
//! with a proposal where it belongs, and then either [`Change::CaptureDone`] or [`Change::CaptureInterrupted`].
//! Between them the capture may be renamed or placed by anybody: what comes last fills in what the procedure owns.
//! An error is returned only when something cannot be used or the rig refuses; a measurement that could not be made
//! is a reading whose findings say why.

mod analysis;
mod burst;
mod capture;
mod capture_run;
mod driver_sweep;
mod event;
mod excerpt;
mod feed;
mod import;
mod listen;
mod measure;
mod open_job;
pub mod papers;
mod pieces;
mod plan;
mod plugins;
mod preview;
mod program_version;
mod rattle;
mod recompute;
mod recorded;
mod session;
mod side_by_side;
mod source;
mod spectrum;
mod sweep_now;
#[cfg(test)]
mod testing;
mod track_listener;
mod tracks;
mod volume_sweep;
mod watch;

pub use crate::measure::{MeasureOrder, measure};
pub use crate::preview::{
    HeardLevel, LOUDEST_DBFS, PreviewFile, PreviewHeard, PreviewOrder, PreviewReport, PreviewTuning, Program,
    preview, preview_file,
};
pub use analysis::{Analysis, analyze};
pub use burst::play_burst;
pub use capture::{capture, captures};
pub use driver_sweep::{driver_sweep, driver_track, place_track, short_driver_sweep};
pub use event::{BlockLevel, Captured, Event, Hand, Instruction, LevelA, Request};
pub use excerpt::{Placement, measurement_for};
pub use import::{ImportOrder, ImportSession, Imported, ToldTrack, import};
pub use library::reading_response;
pub use listen::{ListenOrder, ListenedTrack, listen};
pub use open_job::{OpenJob, WhenKept, create_job};
pub use plan::{Plan, Until, at_peak, on_side};
pub use plugins::{PluginCheck, check_plugin, plugin_folder, registry, unknown, whole_registry};
pub use project::Change;
pub use rattle::rattle;
pub use recompute::{Recomputed, recompute_all};
pub use recorded::Recorded;
pub use session::{MakeStore, Session, Store};
pub use source::*;
pub use spectrum::{SLOW_S, Spectrum};
pub use sweep_now::SweepNow;
pub use tracks::{track_named, write_tracks};
pub use volume_sweep::{BassControl, OutputTone, VolumeSweep, volume_sweep};
pub use watch::{Watch, watch};
