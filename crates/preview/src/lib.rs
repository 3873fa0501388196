//! The virtual processor: bands, crossovers, delays, gains and polarity in the playback
//! path, so that a tuning can be heard before it is typed.
//!
//! A [`Chain`] is prepared where allocating is allowed; a [`Preview`] runs where it is not,
//! fades from one chain to the next without a click, and gives the old one back to be
//! dropped elsewhere.

mod chain;
mod switch;

pub use chain::{Chain, ChannelSettings, LONGEST_DELAY_S, PreviewError};
pub use switch::Preview;
