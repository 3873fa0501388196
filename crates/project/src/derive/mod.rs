//! What follows from a project: pure functions, each of its own inputs.

mod audit_job;
mod average;
mod car_plan;
mod clock;
mod fit;
mod fit_job;
mod gain;
mod headroom;
mod outcome;
mod place;
mod placing;
mod proof;
mod response;
mod setting;
mod stand_in;
mod timing_job;
mod tune_job;

pub use audit_job::{JobAudit, NoAudit, audit_job, is_mistake};
pub use average::{SIDES, average, whole_car};
pub use car_plan::{
    CarPlan, FoundDriver, TEMPERATURE_C, absolute, car_plan, crossover, crossover_text, crossover_timing,
    crossovers, from_one_zero, is_inverted, sum_text, timing,
};
pub use clock::{TimeZero, is_against_reference, on_clock, time_zero};
pub use fit::{FitInputs, Fitted};
pub use fit_job::outcome_changes;
pub use gain::gain_changes;
pub use headroom::{SourceHeadroom, limit_change, output_headroom};
pub use outcome::{SMOOTHING, measured_channels, outcome, together};
pub use place::main_place;
pub use placing::{PlacedTrack, Placing, PlacingError, SaidPlace, TrackAt};
pub use proof::{Placed, audit, change, mistype};
pub use response::{NoResponse, impulse_of, later, response_of};
pub use setting::set_since;
pub use stand_in::{StandIn, stand_in};
pub use timing_job::{JobTiming, NoTiming, TimingWish, timing_job};
pub use tune_job::{NoTune, ProposedTune, TuneInputs, judgement, measured_sides};
