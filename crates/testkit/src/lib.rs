//! What tests share: float assertions that print got, wanted and tolerance, and an
//! allocator that counts.
//!
//! Only tests depend on this crate.

mod allocations;
mod near;
mod published;

pub use allocations::{Counting, allocations};
pub use near::{all_near, at_most, near};
pub use published::{Verified, budgeted, published};
