//! The whole car at once: levels, delays, polarity, crossovers and bands of every channel, so that the
//! left and the right input each meet the target at the places of the seat, on the processor's grid.

mod bands;
mod bare;
mod cost;
mod descent;
mod findings;
mod found;
mod judge;
mod on_grid;
mod problem;
mod quick;
mod search;
mod settings;
mod start;
mod terms;
mod transfer;
mod why;

use crate::Band;

pub use judge::judge_measured;
pub use quick::quick_tune;
pub use search::tune_car;
pub use terms::{
    CarTune, ChannelValues, JudgedCar, Judgement, LeftRight, Lock, LockedValue, OnProgress, PlaceDeviation,
    PlaceSeat, Reasons, SideDeviation, TuneDriver, TuneError, TuneInput, TuneOptions, TunePlace,
    TuneProgress, TunedChannel, TunedInput,
};

/// What a car's settings come to at its places, without tuning anything: for the prediction that follows
/// an edited value. `values` are those of the drivers, in their order; `inputs` what the equalizers of the
/// left and the right input hold besides.
///
/// # Errors
/// When the drivers cannot be used.
pub fn judge_car(
    input: &TuneInput<'_>,
    values: &[ChannelValues],
    inputs: [&[Band]; 2],
) -> Result<JudgedCar, TuneError> {
    bare::check(input)?;
    let drivers = bare::bare(input);
    Ok(judge::heard(input, &drivers, values, inputs))
}

#[cfg(test)]
mod cars;
#[cfg(test)]
mod pictures;
#[cfg(test)]
mod tests;
