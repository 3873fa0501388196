//! A setting that a search has found.

use super::on_grid::Typed;
use super::problem::Problem;
use super::start::Start;

/// A setting that was found.
pub(super) struct Found {
    pub(super) start: Start,
    pub(super) problem: Problem,
    pub(super) typed: Typed,
    /// How hard each channel is driven in the plan: aligned, with the levels that suit the target, no bands.
    pub(super) plan_drive_db: Vec<f64>,
    /// The cost on the grid, and before.
    #[cfg_attr(not(test), expect(dead_code, reason = "the tests hold the grid to it"))]
    pub(super) cost: f64,
    #[cfg_attr(not(test), expect(dead_code, reason = "the tests hold the grid to it"))]
    pub(super) free_cost: f64,
    pub(super) evaluations: usize,
    pub(super) stopped: bool,
}
