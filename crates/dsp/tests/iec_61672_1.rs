//! Frequency and time weighting against the sound level meter standard.
//!
//! Source: IEC 61672-1:2013, Table 3 (frequency weighting and class 1 limits),
//! Table 4 (toneburst response), Table 5 (C-weighted peak), read in public
//! transcriptions; exact values from Annex E and from the standard's Equations
//! (7) and (8).

use std::f64::consts::PI;

use dsp::detector::{Exponential, FAST_S, MeanSquare, Peak, SLOW_S};
use dsp::weighting::Weighting;
use testkit::{Verified, near, published};

fn db(mean_square: f64) -> f64 {
    10.0 * mean_square.log10()
}

/// Annex E at the exact frequencies: 0.01 dB.
#[test]
fn the_analogue_curves_have_the_exact_values() {
    for (frequency_hz, _, _, _, _, a_db, c_db) in TABLE_3 {
        near(&format!("A at {frequency_hz} Hz"), Weighting::A.db(frequency_hz), a_db, 0.01);
        near(&format!("C at {frequency_hz} Hz"), Weighting::C.db(frequency_hz), c_db, 0.01);
    }
}

/// Table 3: class 1 limits at all frequencies below half the sample rate, and
/// the design's own bar of ±0.3 dB of the table to 10 kHz.
#[test]
fn the_digital_filters_stay_within_class_1() {
    let (mut beyond_db, mut worst_db) = (f64::NEG_INFINITY, 0.0f64);
    for sample_rate_hz in [8_000.0, 16_000.0, 32_000.0, 44_100.0, 48_000.0, 88_200.0, 96_000.0, 192_000.0] {
        for weighting in [Weighting::A, Weighting::C, Weighting::Z] {
            let filter = weighting.filter(sample_rate_hz).unwrap();
            for (frequency_hz, a_db, c_db, below, above, ..) in TABLE_3 {
                if frequency_hz > 0.46 * sample_rate_hz {
                    continue;
                }
                let table_db = match weighting {
                    Weighting::A => a_db,
                    Weighting::C => c_db,
                    Weighting::Z => 0.0,
                };
                let error_db = filter.magnitude_db(frequency_hz) - table_db;
                let what = format!("{weighting:?} at {frequency_hz} Hz, {sample_rate_hz} Hz");
                assert!(below <= error_db && error_db <= above, "{what}: {error_db} dB off");
                beyond_db = beyond_db.max(below - error_db).max(error_db - above);
                if (20.0..10_001.0).contains(&frequency_hz) {
                    worst_db = worst_db.max(error_db.abs());
                }
            }
        }
    }
    let source = "IEC 61672-1:2013, Table 3";
    let what = "A, C and Z at 8 to 192 kHz, limits of class 1: beyond them by (negative: inside)";
    published(source, what, (beyond_db, 0.0, "dB"), Verified::Transcribed);
    let what = "A, C and Z, 20 Hz to 10 kHz: off the table by (the bar is ours)";
    published(source, what, (worst_db, 0.3, "dB"), Verified::Transcribed);
}

/// A 4 kHz toneburst after silence, and the steady tone that it is cut from.
fn bursts(sample_rate_hz: f64, milliseconds: f64) -> (f64, f64, f64, f64) {
    let tone = |n: usize| (2.0 * PI * 4_000.0 * n as f64 / sample_rate_hz).sin();
    let mut weighting = Weighting::A.filter(sample_rate_hz).unwrap();
    let steady: f64 = {
        let settled = sample_rate_hz as usize;
        let mut mean = MeanSquare::default();
        for n in 0..2 * settled {
            let y = weighting.process(tone(n));
            if n >= settled {
                mean.add(y);
            }
        }
        mean.get().unwrap()
    };
    weighting.reset();
    let mut fast = Exponential::new(sample_rate_hz, FAST_S);
    let mut slow = Exponential::new(sample_rate_hz, SLOW_S);
    let mut energy = 0.0;
    let length = (milliseconds / 1_000.0 * sample_rate_hz).round() as usize;
    for n in 0..length + sample_rate_hz as usize {
        let y = weighting.process(if n < length { tone(n) } else { 0.0 });
        fast.process(y);
        slow.process(y);
        energy += y * y / sample_rate_hz;
    }
    (db(fast.greatest() / steady), db(slow.greatest() / steady), db(energy / steady), db(steady))
}

/// Table 4: fast maximum and exposure level of 4 kHz tonebursts, class 1 limits
/// and within 0.2 dB of Equations (7) and (8).
#[test]
fn tonebursts_fast_and_exposure() {
    let mut worst_db = 0.0f64;
    for sample_rate_hz in [44_100.0, 48_000.0, 96_000.0, 192_000.0] {
        for (milliseconds, table_db, exact_db, exposure_db, below, above) in BURSTS_FAST {
            let (fast_db, _, got_exposure_db, _) = bursts(sample_rate_hz, milliseconds);
            let what = format!("{milliseconds} ms at {sample_rate_hz} Hz");
            let error_db = fast_db - table_db;
            assert!(below <= error_db && error_db <= above, "fast, {what}: {error_db} dB off");
            worst_db = worst_db.max((fast_db - exact_db).abs()).max((got_exposure_db - exposure_db).abs());
        }
    }
    let what = "tonebursts of 4 kHz, fast and exposure level: off by (the bar is ours)";
    published("IEC 61672-1:2013, Table 4", what, (worst_db, 0.2, "dB"), Verified::Transcribed);
}

/// Table 4: slow maximum of 4 kHz tonebursts.
#[test]
fn tonebursts_slow() {
    for sample_rate_hz in [44_100.0, 48_000.0, 96_000.0, 192_000.0] {
        for (milliseconds, table_db, exact_db, below, above) in BURSTS_SLOW {
            let (_, slow_db, ..) = bursts(sample_rate_hz, milliseconds);
            let what = format!("slow, {milliseconds} ms at {sample_rate_hz} Hz");
            let error_db = slow_db - table_db;
            assert!(below <= error_db && error_db <= above, "{what}: {error_db} dB off");
            near(&what, slow_db, exact_db, 0.2);
        }
    }
}

/// Table 5: the C-weighted peak of one cycle and of half cycles, re the
/// C-weighted level of the steady sine.
#[test]
fn c_weighted_peaks() {
    for sample_rate_hz in [44_100.0, 48_000.0, 96_000.0, 192_000.0] {
        for (frequency_hz, from, to, wanted_db, tolerance_db) in [
            (31.5, 0.0, 1.0, 2.5, 2.0),
            (500.0, 0.0, 1.0, 3.5, 1.0),
            (8_000.0, 0.0, 1.0, 3.4, 2.0),
            (500.0, 0.0, 0.5, 2.4, 1.0),
            (500.0, 0.5, 1.0, 2.4, 1.0),
        ] {
            let mut filter = Weighting::C.filter(sample_rate_hz).unwrap();
            let steady_db = db(0.5) + filter.magnitude_db(frequency_hz);
            let mut peak = Peak::default();
            for n in 0..(0.2 * sample_rate_hz) as usize {
                let cycles = n as f64 * frequency_hz / sample_rate_hz;
                let inside = from <= cycles && cycles < to;
                peak.add(filter.process(if inside { (2.0 * PI * cycles).sin() } else { 0.0 }));
            }
            let what = format!("{frequency_hz} Hz from {from} to {to} cycles at {sample_rate_hz} Hz");
            near(&what, 2.0 * db(peak.absolute()) - steady_db, wanted_db, tolerance_db);
        }
    }
}

/// Exact frequency, A, C, class 1 limits below and above, exact A, exact C; dB.
const TABLE_3: [(f64, f64, f64, f64, f64, f64, f64); 34] = [
    (10.0, -70.4, -14.3, f64::NEG_INFINITY, 3.0, -70.430_368_191_874_17, -14.330_010_594_491_38),
    (
        12.589_254_117_941_675,
        -63.4,
        -11.2,
        f64::NEG_INFINITY,
        2.5,
        -63.371_118_357_568_71,
        -11.248_617_477_447_434,
    ),
    (15.848_931_924_611_135, -56.7, -8.5, -4.0, 2.0, -56.688_089_459_979_516, -8.530_714_044_103_764),
    (19.952_623_149_688_797, -50.5, -6.2, -2.0, 2.0, -50.452_160_365_395, -6.240_056_448_264_834),
    (25.118_864_315_095_795, -44.7, -4.4, -1.5, 2.0, -44.702_968_383_588_164, -4.405_456_421_750_323),
    (31.622_776_601_683_793, -39.4, -3.0, -1.5, 1.5, -39.439_965_799_163_836, -3.010_299_956_652_400_2),
    (39.810_717_055_349_734, -34.6, -2.0, -1.0, 1.0, -34.630_253_482_712_84, -1.998_705_434_490_885_7),
    (50.118_723_362_727_22, -30.2, -1.3, -1.0, 1.0, -30.228_208_290_539_605, -1.293_972_674_653_997),
    (63.095_734_448_019_33, -26.2, -0.8, -1.0, 1.0, -26.194_343_647_300_805, -0.818_018_677_291_616_7),
    (79.432_823_472_428_14, -22.5, -0.5, -1.0, 1.0, -22.503_789_790_160_98, -0.503_789_790_160_975_5),
    (100.0, -19.1, -0.3, -1.0, 1.0, -19.142_776_895_373_068, -0.299_635_842_288_116_3),
    (125.892_541_179_416_72, -16.1, -0.2, -1.0, 1.0, -16.098_410_506_792_1, -0.168_510_121_649_462),
    (158.489_319_246_111_34, -13.4, -0.1, -1.0, 1.0, -13.350_305_319_272_922, -0.085_065_571_976_015_65),
    (199.526_231_496_888, -10.9, 0.0, -1.0, 1.0, -10.870_370_081_125_245, -0.032_511_106_822_852_32),
    (251.188_643_150_958, -8.6, 0.0, -1.0, 1.0, -8.630_293_203_476_691, -2.65190053302158e-13),
    (316.227_766_016_837_96, -6.6, 0.0, -1.0, 1.0, -6.611_008_522_038_214, 0.019_284_681_438_204_103),
    (398.107_170_553_497_2, -4.8, 0.0, -1.0, 1.0, -4.808_433_355_804_166, 0.029_425_618_498_232_15),
    (501.187_233_627_272_24, -3.2, 0.0, -1.0, 1.0, -3.232_658_291_003_664_5, 0.032_581_456_293_239_69),
    (630.957_344_480_193_2, -1.9, 0.0, -1.0, 1.0, -1.900_474_766_644_336_5, 0.029_425_618_498_299_427),
    (794.328_234_724_281_5, -0.8, 0.0, -1.0, 1.0, -0.823_856_371_646_592_1, 0.019_284_681_438_356_13),
    (1000.0, 0.0, 0.0, -0.7, 0.7, 0.0, 0.0),
    (1_258.925_411_794_167_3, 0.6, 0.0, -1.0, 1.0, 0.591_163_923_168_404_3, -0.032_511_106_822_414_81),
    (1_584.893_192_461_113_6, 1.0, -0.1, -1.0, 1.0, 0.980_698_812_139_081_6, -0.085_065_571_975_319_36),
    (1_995.262_314_968_879_5, 1.2, -0.2, -1.0, 1.0, 1.199_941_830_129_685_6, -0.168_510_121_648_363_76),
    (2_511.886_431_509_580_2, 1.3, -0.3, -1.0, 1.0, 1.270_698_315_202_170_2, -0.299_635_842_286_397_45),
    (3_162.277_660_168_379_5, 1.2, -0.5, -1.0, 1.0, 1.198_698_248_003_861_5, -0.503_789_790_158_311_3),
    (3_981.071_705_534_972_4, 1.0, -0.8, -1.0, 1.0, 0.969_877_405_582_291_2, -0.818_018_677_287_542_9),
    (5_011.872_336_272_722, 0.5, -1.3, -1.5, 1.5, 0.548_651_909_476_377_5, -1.293_972_674_647_884),
    (6_309.573_444_801_933, -0.1, -2.0, -2.0, 1.5, -0.121_206_314_603_229_28, -1.998_705_434_481_949),
    (7_943.282_347_242_815, -1.1, -3.0, -2.5, 1.5, -1.110_657_554_022_572_5, -3.010_299_956_639_794_8),
    (10_000.0, -2.5, -4.4, -3.0, 2.0, -2.491_786_646_302_731_6, -4.405_456_421_733_308),
    (12_589.254_117_941_675, -4.3, -6.2, -5.0, 2.0, -4.317_513_591_217_93, -6.240_056_448_243_01),
    (15_848.931_924_611_134, -6.6, -8.5, -16.0, 2.5, -6.602_563_692_097_13, -8.530_714_044_077_186),
    (
        19_952.623_149_688_796,
        -9.3,
        -11.2,
        f64::NEG_INFINITY,
        3.0,
        -9.316_925_459_015_922,
        -11.248_617_477_416_63,
    ),
];

/// Length in ms, fast maximum, its exact value, exposure level, class 1 limits; dB.
const BURSTS_FAST: [(f64, f64, f64, f64, f64, f64); 12] = [
    (1000.0, 0.0, -0.001_457_140_103_519_693_7, 0.0, -0.5, 0.5),
    (500.0, -0.1, -0.080_281_275_519_985_32, -3.0, -0.5, 0.5),
    (200.0, -1.0, -0.979_407_944_259_547_1, -7.0, -0.5, 0.5),
    (100.0, -2.6, -2.591_077_658_776_965_7, -10.0, -1.0, 1.0),
    (50.0, -4.8, -4.819_074_591_272, -13.0, -1.0, 1.0),
    (20.0, -8.3, -8.301_604_272_349_554, -17.0, -1.0, 1.0),
    (10.0, -11.1, -11.141_659_865_983_506, -20.0, -1.0, 1.0),
    (5.0, -14.1, -14.065_969_457_306_718, -23.0, -1.0, 1.0),
    (2.0, -18.0, -17.993_497_407_347_107, -27.0, -1.5, 1.0),
    (1.0, -21.0, -20.986_460_328_176_705, -30.0, -2.0, 1.0),
    (0.5, -24.0, -23.988_083_081_062_292, -33.0, -2.5, 1.0),
    (0.25, -27.0, -26.994_042_264_355_134, -36.0, -3.0, 1.0),
];

/// Length in ms, slow maximum, its exact value, class 1 limits; dB.
const BURSTS_SLOW: [(f64, f64, f64, f64, f64); 9] = [
    (1000.0, -2.0, -1.992_000_846_277_814_5, -0.5, 0.5),
    (500.0, -4.1, -4.050_891_028_545_37, -0.5, 0.5),
    (200.0, -7.4, -7.416_758_695_114_751, -0.5, 0.5),
    (100.0, -10.2, -10.215_337_831_383_122, -1.0, 1.0),
    (50.0, -13.1, -13.118_421_196_454_728, -1.0, 1.0),
    (20.0, -17.0, -17.033_057_109_378_124, -1.5, 1.0),
    (10.0, -20.0, -20.021_696_628_506_852, -2.0, 1.0),
    (5.0, -23.0, -23.021_152_794_787_486, -2.5, 1.0),
    (2.0, -27.0, -26.994_042_264_355_134, -3.0, 1.0),
];
