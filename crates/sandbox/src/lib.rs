//! Runs a stranger's measurement as WebAssembly, where it can do no harm.
//!
//! A plugin is one file, a core WebAssembly module with the few functions that
//! `docs/measurements.md` describes. It sees the samples that it is given and a
//! memory of its own; it has no file, network, clock or randomness. A [`Sandbox`]
//! turns the file into a [`Plugin`], whose [`Plugin::measurement`] behaves like
//! one that is built in. Whatever the plugin does wrong (it never returns, takes
//! all memory, breaks off, lies) ends in a finding and nothing else.

mod abi;
mod clock;
mod fault;
mod instance;
mod manifest;
mod measurement;
mod offer;
mod plugin;
mod reading;
mod sandbox;
mod start;
mod text;
mod transform;
mod trial;
mod vet;

pub use abi::{ABI_VERSION, MOST_FILE_BYTES, MOST_MEMORY_BYTES};
pub use plugin::Plugin;
pub use sandbox::Sandbox;
pub use trial::{Answer, Pace, Trial};
