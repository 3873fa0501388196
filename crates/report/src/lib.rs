//! The entry sheet and the customer's report: a job as text to be read.
//!
//! [`Sheet::from_job`] gathers what is to be said; everything after that is a
//! pure function from a [`Sheet`] to a `String`. Nothing here writes files.

mod also;
mod cautions;
mod customer;
mod html;
mod json;
mod numbers;
mod pdf;
mod picture;
mod sheet;
mod sheet_html;
mod text;
mod words;

pub use cautions::{CUSTOMER_CAUTIONS, TECHNICIAN_CAUTIONS};
pub use pdf::PdfNotYet;
pub use sheet::{Entry, Sheet, SheetChannel};
