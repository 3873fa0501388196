//! The bands that bring a response to a target inside a processor's real limits.

mod cancellation;
mod deviation;
mod excess_phase;
mod explain;
mod notch;
mod one;
mod placement;
mod problem;
mod quantise;
mod search;
mod several;
mod solver;
mod terms;
mod usable_range;

pub(crate) use explain::hertz;
pub use one::fit;
pub(crate) use one::fit_at_level;
pub use several::{ChannelFit, ChannelInput, fit_channels};
pub use terms::{
    Deviations, FitError, FitInput, FitOptions, FitResult, FittedBand, LeftAlone, LeftAloneReason,
    left_alone_lines,
};

#[cfg(test)]
mod left_alone_tests;
#[cfg(test)]
mod order_tests;
#[cfg(test)]
mod tests;
