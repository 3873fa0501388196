//! Drawing on canvases: charts, pictures and fingerprints.

mod crosshair;
mod curves;
mod fingerprint;
mod layout;
mod lettering;
mod residue;
mod sheet;
mod stroke;

pub(crate) use crosshair::Crosshair;
pub(crate) use curves::Curves;
pub(crate) use fingerprint::Fingerprint;
pub(crate) use layout::longest_name;
pub(crate) use lettering::Lettering;
pub(crate) use residue::Residue;
pub(crate) use sheet::Sheet;
