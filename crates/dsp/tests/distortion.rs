//! THD of waveforms whose series is known.
//!
//! Source: Fourier series. Square: `√(π²/8 − 1)`, of which up to harmonic 19
//! 45.686 %; a sine clipped at `±c` with `a = asin c`:
//! `b1 = (2/π)(a + c·√(1 − c²))`, `bn = (4/π)(sin((n−1)a)/(2(n−1)) −
//! sin((n+1)a)/(2(n+1)) + c·cos(na)/n)` for odd `n`, derived and checked against
//! numerical Fourier integrals to 1e-8.

use std::f64::consts::PI;

use dsp::harmonics::{HarmonicAnalyzer, Harmonics};
use dsp::noise::WhiteNoise;
use testkit::{Verified, at_most, near, published};

/// One second of the odd series `Σ bn·sin(nφ)` up to a harmonic: free of aliasing.
fn series(b: impl Fn(f64) -> f64, highest: u32, frequency_hz: f64) -> Vec<f64> {
    (0..48_000)
        .map(|i| {
            let phase = 2.0 * PI * frequency_hz * f64::from(i) / 48_000.0;
            (1..=highest).step_by(2).map(|n| b(f64::from(n)) * (f64::from(n) * phase).sin()).sum()
        })
        .collect()
}

fn analyzed(samples: &[f64], frequency_hz: f64) -> Harmonics {
    HarmonicAnalyzer::new().analyze(samples, 48_000.0, frequency_hz).unwrap()
}

/// The bar: 0.5 % relative.
#[test]
fn square_up_to_harmonic_19() {
    let got = analyzed(&series(|n| 1.0 / n, 19, 1_000.0), 1_000.0);
    let off = got.thd.unwrap() / 0.456_860_275_271_759_8 - 1.0;
    let what = "THD of a square wave to harmonic 19, 45.686 %: off by, relative";
    published("Fourier series", what, (100.0 * off.abs(), 0.5, "%"), Verified::Analytic);
    near("third", got.ratio(3).unwrap(), 1.0 / 3.0, 1e-4);
    // A triangle's harmonics fall with the square of their order.
    let triangle = analyzed(&series(|n| ((n * PI / 2.0).sin()) / (n * n), 19, 1_000.0), 1_000.0);
    near("triangle, to h19", triangle.thd.unwrap(), 0.121_120, 0.005 * 0.121);
}

fn clipped(c: f64) -> impl Fn(f64) -> f64 {
    let a = c.asin();
    move |n| {
        if n == 1.0 {
            return 2.0 / PI * (a + c * (1.0 - c * c).sqrt());
        }
        4.0 / PI
            * (((n - 1.0) * a).sin() / (2.0 * (n - 1.0)) - ((n + 1.0) * a).sin() / (2.0 * (n + 1.0))
                + c * (n * a).cos() / n)
    }
}

/// A 1 kHz tone has its harmonics to the 19th in the band, a 200 Hz tone to the
/// 99th; the third harmonic alone and the sum within 0.5 % relative.
#[test]
fn clipped_sines() {
    let mut worst = 0.0f64;
    for (c, all, _, to_99, third) in CLIPPED {
        let got = analyzed(&series(clipped(c), 99, 200.0), 200.0);
        worst = worst.max((100.0 * got.thd.unwrap() / to_99 - 1.0).abs());
        near(&format!("clipped at {c}, third, %"), 100.0 * got.ratio(3).unwrap(), third, 0.005 * third);
        assert!(all >= to_99);
    }
    let what = "THD of clipped sines to harmonic 99: off by, relative";
    published("Fourier series", what, (100.0 * worst, 0.5, "%"), Verified::Analytic);
}

/// The two cases that the design page names, with samples clipped as they stand
/// (a little of what lies above the band folds back into it).
#[test]
fn clipped_samples() {
    for (c, wanted) in [(0.95, 1.924), (0.9, 4.220)] {
        let samples: Vec<f64> =
            (0..48_000).map(|n| (2.0 * PI * 100.3 * f64::from(n) / 48_000.0).sin().clamp(-c, c)).collect();
        near(
            &format!("clipped at {c}"),
            100.0 * analyzed(&samples, 100.0).thd.unwrap(),
            wanted,
            0.005 * wanted,
        );
    }
}

/// The bar: below −110 dB on clean data, here rounded to single precision as a
/// recording is.
#[test]
fn a_clean_tone_reads_nothing() {
    for frequency_hz in [40.0, 997.0, 1_000.0, 6_000.0] {
        for length in [14_400usize, 48_000] {
            let samples: Vec<f32> = (0..length)
                .map(|n| (0.9 * (2.0 * PI * frequency_hz * n as f64 / 48_000.0).sin()) as f32)
                .collect();
            let got = HarmonicAnalyzer::new().analyze(&samples, 48_000.0, frequency_hz).unwrap();
            at_most(&format!("THD at {frequency_hz} Hz in dB"), 20.0 * got.thd_at_most.log10(), -110.0);
            at_most("THD+N in dB", 20.0 * got.thd_n.log10(), -110.0);
        }
    }
}

/// Source: the ratio of the two RMS values; noise 60 dB under a sine is
/// 0.1 % of it, and its part in 20 Hz to 20 kHz is 20/24 of its power.
#[test]
fn noise_counts_in_thd_n_and_not_in_thd() {
    for frequency_hz in [40.0, 1_000.0] {
        let mut noise = WhiteNoise::new(11);
        let samples: Vec<f64> = (0..96_000)
            .map(|n| {
                (2.0 * PI * frequency_hz * f64::from(n) / 48_000.0).sin()
                    + 0.5f64.sqrt() * 1e-3 * noise.sample()
            })
            .collect();
        let got = analyzed(&samples, frequency_hz);
        let wanted = 1e-3 * (19_980.0f64 / 24_000.0).sqrt();
        near("THD+N", got.thd_n, wanted, 0.02 * wanted);
        near("SNR in dB", 20.0 * got.snr().log10(), -20.0 * wanted.log10(), 0.25);
        at_most(&format!("THD at {frequency_hz} Hz"), got.thd_at_most, 1e-4);
    }
}

/// Ratio of the clip, THD in %, up to harmonic 9, up to harmonic 99, third harmonic.
const CLIPPED: [(f64, f64, f64, f64, f64); 17] = [
    (
        0.999,
        0.017_009_184_599_358_05,
        0.007_530_905_493_569_677,
        0.016_938_626_613_733_247,
        0.003_789_570_816_811_540_6,
    ),
    (
        0.995,
        0.123_263_465_171_191_58,
        0.081_558_152_324_280_53,
        0.123_215_937_537_199_35,
        0.042_088_701_010_690_704,
    ),
    (
        0.99,
        0.286_177_224_403_894_3,
        0.221_896_527_943_574_92,
        0.286_129_813_518_180_1,
        0.118_093_104_350_423_39,
    ),
    (
        0.98,
        0.657_242_982_366_966_9,
        0.582_556_781_285_123_6,
        0.657_204_136_056_053_3,
        0.328_874_607_818_829_16,
    ),
    (
        0.97,
        1.061_607_466_651_882_7,
        0.997_609_124_038_933_6,
        1.061_567_153_599_264_3,
        0.595_178_107_220_377_7,
    ),
    (0.95, 1.924_013_875_342_541_5, 1.889_822_033_937_701, 1.923_979_824_071_911, 1.244_065_001_304_166_5),
    (0.9, 4.219_932_557_387_7, 4.189_833_454_137_253, 4.219_900_705_710_415, 3.286_318_368_630_051),
    (0.85, 6.589_241_666_167_169, 6.546_022_362_019_201, 6.589_207_969_856_418, 5.659_200_335_031_447),
    (0.8, 8.978_575_647_254_328, 8.949_058_867_352_246, 8.978_541_998_884_221, 8.185_915_686_090_82),
    (0.75, 11.370_334_380_238_235, 11.343_749_916_147_37, 11.370_298_940_434_912, 10.764_464_743_600_117),
    (0.7, 13.758_794_220_603_491, 13.716_715_594_482_276, 13.758_757_261_830_487, 13.327_556_776_677_28),
    (0.6, 18.525_187_682_064_676, 18.478_968_458_990_87, 18.525_141_880_862_33, 18.228_731_453_586_988),
    (0.5, 23.293_813_743_253_69, 23.247_822_690_765_787, 23.293_756_827_046_536, 22.632_631_537_525_707),
    (0.4, 28.093_812_421_617_077, 27.982_573_345_214_234, 28.093_728_291_689_075, 26.383_928_643_534_965),
    (0.3, 32.959_229_888_760_625, 32.863_879_262_291_23, 32.959_104_475_285_436, 29.383_051_696_744_7),
    (0.2, 37.927_448_214_552_59, 37.692_570_636_703_97, 37.927_168_451_137_9, 31.565_184_273_032_695),
    (0.1, 43.039_701_921_396_336, 41.446_337_012_493_18, 43.038_622_352_162_385, 32.889_483_749_568_94),
];
