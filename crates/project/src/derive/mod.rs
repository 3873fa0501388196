//! What follows from a project: pure functions, each of its own inputs.

mod average;
mod car_plan;
mod fit;
mod headroom;
mod proof;
mod response;

pub use average::{SIDES, average, whole_car};
pub use car_plan::{
    CarPlan, FoundDriver, TEMPERATURE_C, car_plan, crossovers, drivers_found, is_inverted, sum_text, timing,
};
pub use fit::{FitInputs, Fitted};
pub use headroom::{SourceHeadroom, limit_change, output_headroom};
pub use proof::{Placed, audit, change, mistype};
pub use response::{NoResponse, impulse_of, later, response_of};
