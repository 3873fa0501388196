//! The entry sheet and the customer's report: a job as text to be read.
//!
//! [`Sheet::from_job`] gathers what is to be said. The sheet and the report are then described
//! once, as plain data, and written as HTML and as PDF; CSV, JSON and plain text are written
//! from the [`Sheet`] itself. All of it is pure: nothing here writes files.

mod also;
mod cautions;
mod channel;
mod customer;
mod entered;
mod entry_sheet;
mod html;
mod json;
mod numbers;
mod paper;
mod pdf;
mod picture;
mod pictures;
mod predicted;
mod sheet;
mod text;
mod wording;
mod words;

pub use also::Rattle;
pub use cautions::{CUSTOMER_CAUTIONS, TECHNICIAN_CAUTIONS};
pub use channel::{Entry, SheetChannel};
pub use pdf::PageSize;
pub use pictures::speaker;
pub use sheet::{Sheet, Sides};
pub use wording::Wording;
