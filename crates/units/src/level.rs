//! Levels (with a reference) and gains (without one).

use std::ops::{Add, AddAssign, Neg, Sub};

use serde::{Deserialize, Serialize};

/// The sound pressure level of one pascal re 20 µPa: `20·log10(1/20e-6)`.
///
/// Calibrators call it 94 dB; the exact figure is 93.9794 dB.
pub const ONE_PASCAL_SPL_DB: f64 = 93.979_400_086_720_37;

/// A difference of two levels in decibels.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Default, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Gain(pub f64);

impl Gain {
    /// The amplitude ratio that this gain stands for.
    #[must_use]
    pub fn ratio(self) -> f64 {
        crate::amplitude_from_db(self.0)
    }

    /// The gain of an amplitude ratio.
    #[must_use]
    pub fn from_ratio(ratio: f64) -> Self {
        Self(crate::db_from_amplitude(ratio))
    }
}

impl Add for Gain {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        Self(self.0 + other.0)
    }
}

impl AddAssign for Gain {
    fn add_assign(&mut self, other: Self) {
        self.0 += other.0;
    }
}

impl Sub for Gain {
    type Output = Self;
    fn sub(self, other: Self) -> Self {
        Self(self.0 - other.0)
    }
}

impl Neg for Gain {
    type Output = Self;
    fn neg(self) -> Self {
        Self(-self.0)
    }
}

macro_rules! level {
    ($(#[$doc:meta])* $name:ident) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize, Deserialize)]
        #[serde(transparent)]
        pub struct $name(pub f64);

        impl Add<Gain> for $name {
            type Output = Self;
            fn add(self, gain: Gain) -> Self {
                Self(self.0 + gain.0)
            }
        }

        impl Sub<Gain> for $name {
            type Output = Self;
            fn sub(self, gain: Gain) -> Self {
                Self(self.0 - gain.0)
            }
        }

        impl Sub for $name {
            type Output = Gain;
            fn sub(self, other: Self) -> Gain {
                Gain(self.0 - other.0)
            }
        }
    };
}

level! {
    /// Level re a full-scale sine: 0 dBFS is the RMS level of a sine whose peak
    /// reaches full scale (AES17).
    LevelDbfs
}
level! {
    /// Sound pressure level re 20 µPa.
    LevelSpl
}
level! {
    /// Voltage level re 0.774597 V (IEC 60268-1's 0 dBu).
    LevelDbu
}
level! {
    /// Voltage level re 1 V.
    LevelDbv
}

impl LevelDbfs {
    /// The level of a signal with this RMS value, where full scale is 1.
    ///
    /// A full-scale sine has an RMS of 1/√2, hence the +3.0103 dB.
    #[must_use]
    pub fn from_rms(rms: f64) -> Self {
        Self(crate::db_from_amplitude(rms * std::f64::consts::SQRT_2))
    }

    /// The level of a sine with this peak, where full scale is 1.
    #[must_use]
    pub fn from_peak(peak: f64) -> Self {
        Self(crate::db_from_amplitude(peak))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: AES17 definition of 0 dBFS (full-scale sine).
    #[test]
    fn full_scale_sine_is_zero_dbfs() {
        let level = LevelDbfs::from_rms(std::f64::consts::FRAC_1_SQRT_2);
        assert!(level.0.abs() < 1e-12, "got {} dBFS, wanted 0", level.0);
    }

    #[test]
    fn levels_subtract_to_a_gain_that_adds_back() {
        let difference = LevelSpl(94.0) - LevelSpl(80.0);
        assert_eq!(difference, Gain(14.0));
        assert_eq!(LevelSpl(80.0) + difference, LevelSpl(94.0));
    }
}
