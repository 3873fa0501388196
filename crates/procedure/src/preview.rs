//! Hearing a tuning before it is entered in the processor: through a rig, or in a file for a memory stick.

mod ear;
mod file;
mod live;
mod order;
mod program;
mod report;
mod tuning;

pub use file::preview_file;
pub use live::preview;
pub use order::PreviewOrder;
pub use program::{LOUDEST_DBFS, Program};
pub use report::{HeardLevel, PreviewFile, PreviewHeard, PreviewReport};
pub use tuning::PreviewTuning;
