//! The plugin's side of Headrest's plugin interface: with it, a measurement in
//! Rust is about forty lines.
//!
//! A plugin implements [`Plugin`] and names itself to [`export!`]. It is built with
//! `cargo build --release --target wasm32-unknown-unknown` as a `cdylib`; the
//! resulting `.wasm` file is all there is to it. `docs/measurements.md` begins at
//! nothing and ends with a working plugin, and describes the interface for those
//! who write in another language.
//!
//! ```
//! use guest::{Block, Feed, Manifest, Plugin, Reading, Refusal, Start};
//!
//! /// The highest sample.
//! struct Peak(f32);
//!
//! impl Plugin for Peak {
//!     fn manifest() -> Manifest {
//!         Manifest::new("example.peak", 1, "Peak", "The highest sample of the measured channel.")
//!     }
//!
//!     fn begin(_: &Start) -> Result<Self, Refusal> {
//!         Ok(Self(0.0))
//!     }
//!
//!     fn feed(&mut self, block: &Block<'_>) -> Feed {
//!         self.0 = block.measured().iter().fold(self.0, |peak, sample| peak.max(sample.abs()));
//!         Feed::More
//!     }
//!
//!     fn reading(&mut self) -> Reading {
//!         let mut reading = Reading::new();
//!         reading.value("peak", f64::from(self.0));
//!         reading
//!     }
//! }
//!
//! guest::export!(Peak);
//! ```

#![no_std]

extern crate alloc;

mod block;
mod export;
mod host;
mod manifest;
mod plugin;
mod reading;
mod start;
mod write;

/// The page for authors: its plugin in Rust is compiled among the examples of the documentation.
#[cfg(doctest)]
#[doc = include_str!("../../../docs/measurements.md")]
pub struct PageForAuthors;

pub use block::Block;
pub use export::ABI_VERSION;
#[doc(hidden)]
pub use export::Slot;
pub use host::{log, real_fft};
pub use manifest::Manifest;
pub use plugin::{Feed, Plugin, Refusal};
pub use reading::{Cell, Reading};
pub use start::Start;
