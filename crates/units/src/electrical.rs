//! Volts and the two voltage levels of the trade.

use serde::{Deserialize, Serialize};

use crate::{LevelDbu, LevelDbv};

/// 0 dBu: the voltage that puts 1 mW into 600 Ω, `√0.6` V.
pub const DBU_REFERENCE_V: f64 = 0.774_596_669_241_483_4;

/// An RMS or peak voltage; which of the two, the name of the value says.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Volts(pub f64);

impl Volts {
    /// Level re 0.7746 V.
    #[must_use]
    pub fn dbu(self) -> LevelDbu {
        LevelDbu(crate::db_from_amplitude(self.0 / DBU_REFERENCE_V))
    }

    /// Level re 1 V.
    #[must_use]
    pub fn dbv(self) -> LevelDbv {
        LevelDbv(crate::db_from_amplitude(self.0))
    }

    /// The RMS voltage that puts `power_w` into `load_ohm`: `√(P·R)`.
    #[must_use]
    pub fn for_power(power_w: f64, load_ohm: f64) -> Self {
        Self((power_w * load_ohm).sqrt())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: arithmetic from the definitions of dBu and dBV; +4 dBu is 1.2277 V.
    #[test]
    fn line_level_in_both_references() {
        let line = Volts(1.227_652_987_983_88);
        assert!((line.dbu().0 - 4.0).abs() < 1e-9, "{}", line.dbu().0);
        assert!((line.dbv().0 - 1.781_512_503_836_436).abs() < 1e-9, "{}", line.dbv().0);
    }

    /// Source: Ohm's law.
    #[test]
    fn hundred_watts_into_four_ohms_is_twenty_volts() {
        assert!((Volts::for_power(100.0, 4.0).0 - 20.0).abs() < 1e-12);
    }
}
