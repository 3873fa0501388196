//! The cabin's acoustics as numbers: distances, reflections, standing waves,
//! pressurisation.

use std::f64::consts::{PI, TAU};

use dsp::biquad::Biquad;

use crate::car::{Car, Driver, Modes, Space, WallSide};

/// The most standing waves that are used.
pub(crate) const MOST_MODES: usize = 16;

/// The way of the direct sound from a driver to a position; 1 m in a car
/// without a cabin, where it takes no time.
pub(crate) fn distance_m(car: &Car, driver: &Driver, position: &str) -> f64 {
    match (&car.cabin, car.position(position)) {
        (Some(_), Some(at_m)) => distance(driver.at_m, at_m),
        _ => 0.0,
    }
}

pub(crate) fn distance(a: [f64; 3], b: [f64; 3]) -> f64 {
    a.iter().zip(b).map(|(a, b)| (a - b).powi(2)).sum::<f64>().sqrt()
}

/// Where a driver seems to be when it is seen in a wall of the box.
///
/// References: J. B. Allen and D. A. Berkley, *Image method for efficiently
/// simulating small-room acoustics*, JASA 65(4), 1979 (first order only).
pub(crate) fn image(at_m: [f64; 3], wall: WallSide, size_m: [f64; 3]) -> [f64; 3] {
    let (axis, far) = match wall {
        WallSide::Front => (0, false),
        WallSide::Rear => (0, true),
        WallSide::Left => (1, false),
        WallSide::Right => (1, true),
        WallSide::Floor => (2, false),
        WallSide::Roof => (2, true),
    };
    let mut image = at_m;
    image[axis] = if far { 2.0 * size_m[axis] - at_m[axis] } else { -at_m[axis] };
    image
}

/// A standing wave of the box.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Mode {
    pub(crate) frequency_hz: f64,
    order: [u32; 3],
}

impl Mode {
    /// The pressure of the standing wave at a place re its maximum:
    /// `Π cos(nᵢ·π·xᵢ/Lᵢ)`.
    pub(crate) fn shape(&self, at_m: [f64; 3], size_m: [f64; 3]) -> f64 {
        (0..3).map(|i| (f64::from(self.order[i]) * PI * at_m[i] / size_m[i]).cos()).product()
    }
}

/// The lowest standing waves of a box with hard walls:
/// `f = c/2·√((n₁/L₁)² + (n₂/L₂)² + (n₃/L₃)²)`.
///
/// References: H. Kuttruff, *Room Acoustics*, the rigid rectangular room.
pub(crate) fn modes(size_m: [f64; 3], speed_m_s: f64, modes: Modes) -> Vec<Mode> {
    let mut found = Vec::new();
    for x in 0..8u32 {
        for y in 0..8u32 {
            for z in 0..8u32 {
                let order = [x, y, z];
                let squares = order.iter().zip(size_m).map(|(&n, size)| (f64::from(n) / size).powi(2));
                let frequency_hz = speed_m_s / 2.0 * squares.sum::<f64>().sqrt();
                if frequency_hz > 0.0 && frequency_hz <= modes.up_to_hz {
                    found.push(Mode { frequency_hz, order });
                }
            }
        }
    }
    found.sort_by(|a, b| a.frequency_hz.total_cmp(&b.frequency_hz));
    found.truncate(MOST_MODES);
    found
}

/// The rise of pressure in a small closed space, levelled off by leaks:
/// `H(s) = (s² + √2·w0·s + w0²)/(s² + √2·wl·s + wl²)`, bilinear.
///
/// `w0 = 2π·pressurisation_hz` is the corner under which a closed box with a
/// corner at the same frequency plays flat; `wl = 2π·leak_hz`.
///
/// References: the smooth second-order cabin model with Q 0.707 after
/// J. L. Murphy, mailing-list post, 18 March 1999 (12 dB per octave below 48,
/// 66 or 87 Hz); the leak is ours, no source.
/// Accuracy: `pressurisation_follows_the_published_model`.
pub(crate) fn pressurisation(space: &Space, sample_rate_hz: f64) -> Biquad {
    // Prewarped, so that both corners stay where they are; k = tan(w·T/2).
    let polynomial = |corner_hz: f64| {
        let k = (PI * corner_hz / sample_rate_hz).tan();
        let root = std::f64::consts::SQRT_2 * k;
        [1.0 + root + k * k, 2.0 * (k * k - 1.0), 1.0 - root + k * k]
    };
    let (b, a) = (polynomial(space.pressurisation_hz), polynomial(space.leak_hz));
    Biquad::from_coefficients(sample_rate_hz, b.map(|b| b / a[0]), [a[1] / a[0], a[2] / a[0]])
}

/// The pressure in pascals of a sine at this level.
pub(crate) fn rms_pascals(db_spl: f64) -> f64 {
    20e-6 * 10f64.powf(db_spl / 20.0)
}

/// The phase of a tone at a frame, between 0 and 2π.
pub(crate) fn phase(frame: u64, frequency_hz: f64, sample_rate_hz: f64) -> f64 {
    #[expect(clippy::cast_precision_loss, reason = "2⁵³ frames last for thousands of years")]
    let turns = frame as f64 * frequency_hz / sample_rate_hz;
    TAU * turns.fract()
}

#[cfg(test)]
mod tests {
    use testkit::{all_near, near};

    use super::*;

    /// Source: the formula for a rigid rectangular room, worked for a box of
    /// 2.4 × 1.4 × 1.15 m at 343.2 m/s by an independent script.
    #[test]
    fn a_small_box_has_its_published_modes() {
        let wanted = [71.5, 122.571_429, 141.901_392, 143.0, 149.217_391, 165.463_228, 188.342_122];
        let found = modes([2.4, 1.4, 1.15], 343.2, Modes { up_to_hz: 190.0, q: 5.0, strength: 1.0 });
        let got: Vec<f64> = found.iter().map(|mode| mode.frequency_hz).collect();
        all_near("mode in Hz", &got, &wanted, 1e-3);
    }

    /// Source: J. L. Murphy's cabin model, smooth second order with Q 0.707,
    /// 66 Hz ("midsize"); the leak's own Butterworth high-pass is taken off.
    #[test]
    fn pressurisation_follows_the_published_model() {
        let space: Space = toml::from_str(
            "size_m = [3.0, 1.5, 1.2]\npressurisation_hz = 66\nleak_hz = 5\n\
             modes = { up_to_hz = 0, q = 1, strength = 0 }\nposition = []",
        )
        .unwrap();
        let section = pressurisation(&space, 48_000.0);
        for (hz, wanted_db) in [
            (200.0, 0.051_201),
            (100.0, 0.754_547),
            (60.0, 3.916_583),
            (40.0, 9.248_996),
            (30.0, 13.878_452),
            (20.0, 20.777_025),
        ] {
            let leak_db = -10.0 * (1.0 + (5.0f64 / hz).powi(4)).log10();
            near("cabin gain in dB", section.magnitude_db(hz), wanted_db + leak_db, 2e-3);
        }
    }

    #[test]
    fn an_image_is_as_far_behind_the_wall_as_its_source_is_before_it() {
        let size = [3.0, 1.5, 1.2];
        assert_eq!(image([1.0, 0.5, 0.4], WallSide::Right, size), [1.0, 2.5, 0.4]);
        assert_eq!(image([1.0, 0.5, 0.4], WallSide::Front, size), [-1.0, 0.5, 0.4]);
    }
}
