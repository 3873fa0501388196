//! What is known while a rig is set up, beside the rig itself.

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
