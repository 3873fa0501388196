//! The fingerprint: 31 third-octave deviations as a strip of cells.

/// Nominal mid-bands of the 31 third-octave bands from 20 Hz to 20 kHz.
///
/// Source: IEC 61260-1:2014, Annex E (nominal mid-band frequencies).
pub const THIRD_OCTAVES: [f64; 31] = [
    20.0, 25.0, 31.5, 40.0, 50.0, 63.0, 80.0, 100.0, 125.0, 160.0, 200.0, 250.0, 315.0, 400.0, 500.0, 630.0,
    800.0, 1000.0, 1250.0, 1600.0, 2000.0, 2500.0, 3150.0, 4000.0, 5000.0, 6300.0, 8000.0, 10_000.0,
    12_500.0, 16_000.0, 20_000.0,
];

/// Deviations of this many dB and more have the full shade.
const FULL_SHADE_DB: f32 = 9.0;
/// Deviations up to this many dB count as on target.
const ON_TARGET_DB: f32 = 1.0;

/// Whether a cell lies above or below the target.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Lean {
    /// Too loud.
    Above,
    /// Too soft.
    Below,
    /// Within 1 dB.
    On,
    /// Not known.
    Unknown,
}

/// One cell of a fingerprint.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Cell {
    /// Above or below.
    pub lean: Lean,
    /// How strongly it is shaded, 0 to 1: in proportion to the deviation, full
    /// at 9 dB.
    pub shade: f32,
}

/// The cells for 31 deviations in dB.
#[must_use]
pub fn cells(deviations_db: &[Option<f32>; 31]) -> [Cell; 31] {
    deviations_db.map(|deviation| match deviation.filter(|d| d.is_finite()) {
        None => Cell { lean: Lean::Unknown, shade: 0.0 },
        Some(db) => {
            let lean = match db {
                d if d > ON_TARGET_DB => Lean::Above,
                d if d < -ON_TARGET_DB => Lean::Below,
                _ => Lean::On,
            };
            Cell { lean, shade: (db.abs() / FULL_SHADE_DB).min(1.0) }
        }
    })
}

#[cfg(test)]
mod tests {
    use testkit::near;

    use super::*;

    #[test]
    fn shade_follows_the_deviation_and_is_capped() {
        let mut deviations = [Some(0.0); 31];
        deviations[0] = Some(4.5);
        deviations[1] = Some(-30.0);
        deviations[2] = None;
        deviations[3] = Some(f32::NAN);
        deviations[4] = Some(-0.9);
        let cells = cells(&deviations);
        assert_eq!(cells[0].lean, Lean::Above);
        near("half of 9 dB", cells[0].shade.into(), 0.5, 1e-7);
        assert_eq!(cells[1], Cell { lean: Lean::Below, shade: 1.0 });
        assert_eq!(cells[2].lean, Lean::Unknown);
        assert_eq!(cells[3].lean, Lean::Unknown);
        assert_eq!(cells[4].lean, Lean::On);
    }

    /// The nominal values lie within 1.3 % of 1000·10^(k/10): rounding of the
    /// standard's own (315 for 316.23 … 1250 for 1258.9, 800 for 794.33).
    #[test]
    fn mid_bands_follow_the_base_ten_series() {
        for (index, nominal) in THIRD_OCTAVES.iter().enumerate() {
            let exact = 1000.0 * 10f64.powf((index as f64 - 17.0) / 10.0);
            near("ratio", nominal / exact, 1.0, 0.013);
        }
    }
}
