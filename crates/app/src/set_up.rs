//! What is known while a rig is set up, beside the rig itself.

use chart::{Line, Role};
use engine::DeviceInfo;

/// What is known while a rig is set up.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct SetUp {
    /// The devices that there are.
    pub(super) devices: Vec<DeviceInfo>,
    /// The input channel that was tapped last.
    pub(super) tapped: Option<u16>,
    /// The input channels on which something arrived.
    pub(super) heard: Vec<u16>,
}

/// An input on which something arrives, or that was tapped, is louder than this.
pub(super) const TAPPED_DBFS: f64 = -30.0;

/// The lowest level that an input is shown at.
pub(super) const NOTHING_DBFS: f64 = -120.0;

/// A bar for the level of each input, green where something arrives.
pub(super) fn tried_bars(levels: &[(u16, f64)]) -> Vec<Line> {
    let bar = |(channel, dbfs): &(u16, f64)| {
        let role = if *dbfs > TAPPED_DBFS { Role::Clean } else { Role::Live };
        // Its number on the axis is its name.
        Line::bar(String::new(), role, (f64::from(*channel), *dbfs), NOTHING_DBFS)
    };
    levels.iter().map(bar).collect()
}
