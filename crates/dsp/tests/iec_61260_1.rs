//! The octave and third-octave banks against the class 1 mask.
//!
//! Source: IEC 61260-1:2014, 5.10, Table 1 (limits on relative attenuation,
//! class 1) and Formulas (9) and (10) (breakpoints of narrower bands), read in
//! two public transcriptions of the standard.

use dsp::octave::OCTAVE_RATIO;
use dsp::octave_bank::OctaveBank;
use testkit::{at_most, near};

/// Exponent of G for an octave band, least and greatest relative attenuation in dB.
/// The edge occurs twice, just inside and just outside the band.
const CLASS_1: [(f64, f64, f64); 10] = [
    (0.0, -0.4, 0.4),
    (0.125, -0.4, 0.5),
    (0.25, -0.4, 0.7),
    (0.375, -0.4, 1.4),
    (0.5, -0.4, 5.3),
    (0.5, 1.2, f64::INFINITY),
    (1.0, 16.6, f64::INFINITY),
    (2.0, 40.5, f64::INFINITY),
    (3.0, 60.0, f64::INFINITY),
    (4.0, 70.0, f64::INFINITY),
];

/// Formula (9): where the breakpoint of an octave band lies for a 1/b-octave band.
fn breakpoint(fraction: u32, exponent: f64) -> f64 {
    let g = OCTAVE_RATIO;
    let b = f64::from(fraction);
    1.0 + (g.powf(1.0 / (2.0 * b)) - 1.0) / (g.sqrt() - 1.0) * (g.powf(exponent) - 1.0)
}

fn check(fraction: u32, sample_rate_hz: f64, count: usize) {
    let bank = OctaveBank::new(fraction, sample_rate_hz, 16.0, 20_000.0).unwrap();
    assert_eq!(bank.bands().len(), count, "bands of 1/{fraction} at {sample_rate_hz} Hz");
    for (index, band) in bank.bands().enumerate() {
        let attenuation_db = |f: f64| -10.0 * bank.power_response(index, f).log10();
        for (exponent, least, greatest) in CLASS_1 {
            let ratio = breakpoint(fraction, exponent);
            for frequency_hz in [band.mid_hz * ratio, band.mid_hz / ratio] {
                // Above half the sample rate there is nothing to attenuate.
                if frequency_hz < sample_rate_hz / 2.0 {
                    let got = attenuation_db(frequency_hz);
                    assert!(
                        least <= got && got <= greatest,
                        "1/{fraction} at {sample_rate_hz} Hz, band {} Hz at {frequency_hz} Hz: \
                         attenuation {got} dB, wanted {least} to {greatest} dB",
                        band.mid_hz
                    );
                }
            }
        }
        // Beyond the last breakpoint the limit of 70 dB stays.
        for octaves in [5.0, 6.0, 8.0] {
            let frequency_hz = band.mid_hz / breakpoint(fraction, octaves);
            at_most("power far below the band in dB", -attenuation_db(frequency_hz), -70.0);
        }
    }
}

#[test]
fn third_octaves_stay_inside_the_class_1_mask() {
    for (sample_rate_hz, count) in
        [(44_100.0, 32), (48_000.0, 32), (88_200.0, 32), (96_000.0, 32), (176_400.0, 32), (192_000.0, 32)]
    {
        check(3, sample_rate_hz, count);
    }
    // At low rates the bank ends where the bands end.
    check(3, 8_000.0, 24);
    check(3, 16_000.0, 27);
    check(3, 22_050.0, 29);
    check(3, 32_000.0, 30);
}

#[test]
fn octaves_stay_inside_the_class_1_mask() {
    for (sample_rate_hz, count) in
        [(44_100.0, 11), (48_000.0, 11), (96_000.0, 11), (192_000.0, 11), (8_000.0, 8), (16_000.0, 9)]
    {
        check(1, sample_rate_hz, count);
    }
}

/// IEC 61260-1:2014, 5.12: the effective bandwidth deviates by at most ±0.4 dB
/// from the band's own (class 1). Integrated in steps of a thousandth of a band.
#[test]
fn effective_bandwidth_is_that_of_the_band() {
    for fraction in [1, 3] {
        let bank = OctaveBank::new(fraction, 48_000.0, 20.0, 20_000.0).unwrap();
        for (index, band) in bank.bands().enumerate() {
            let ratio: f64 = (band.upper_hz / band.lower_hz).powf(1e-3);
            let mut effective_hz = 0.0;
            let mut frequency_hz = band.lower_hz / 4.0;
            while frequency_hz < (band.upper_hz * 4.0).min(24_000.0) {
                let step_hz = frequency_hz * (ratio - 1.0);
                effective_hz += bank.power_response(index, frequency_hz + 0.5 * step_hz) * step_hz;
                frequency_hz += step_hz;
            }
            let deviation_db = 10.0 * (effective_hz / band.bandwidth_hz()).log10();
            near(&format!("effective bandwidth of {} Hz", band.mid_hz), deviation_db, 0.0, 0.4);
        }
    }
}
