//! The number of a capture.

use std::fmt;

use serde::{Deserialize, Serialize};

/// The number of a capture within its job, as in `captures/0007`. A number is
/// never given twice, not even after its capture was discarded.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(transparent)]
pub struct CaptureId(pub u32);

impl fmt::Display for CaptureId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:04}", self.0)
    }
}
