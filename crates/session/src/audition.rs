//! Hearing a tuning before it is typed: through a rig, or in a file for a memory stick. What is
//! played, how loud, and how levels are matched is the same in the window.

mod ear;
mod file;
mod live;
mod order;
mod program;
mod report;

pub use file::preview_file;
pub use live::{PreviewNow, PreviewWish, preview};
pub use order::PreviewOrder;
pub(crate) use program::{LOUDEST_DBFS, Program};
pub use report::{HeardLevel, PreviewFile, PreviewHeard, PreviewReport};
