//! Runs measurements: finds them by name, feeds them, and holds them to their
//! contract.
//!
//! A measurement that panics or answers with something that the contract does
//! not allow ends in a finding; it cannot take the program down. Those from third
//! parties are files in a folder and run in the crate `sandbox`.

mod plugins;
mod registry;
mod run;

pub use plugins::{PluginFile, check_plugin, plugin_in, plugins_in};
pub use registry::{Registry, UnknownMeasurement};
pub use run::Run;
pub use sandbox::{Answer, MOST_FILE_BYTES, Pace, Plugin, Trial};
