//! Noise exposure against the published table.
//!
//! Source: NIOSH publication 98-126 (1998), Table 1-1. The printed times are typed from memory, not from a
//! copy; they are whole minutes from an hour up and whole seconds below, so that half of the last
//! printed unit is the tolerance. The row of 99 dB(A) is left out, since it is not remembered for certain.

use dsp::exposure::{Dose, allowed_hours, time_weighted_average_db};
use testkit::{Verified, near, published};

#[test]
fn allowed_times() {
    let mut worst = 0.0f64;
    for (level_db, hours, minutes, seconds) in TABLE_1_1 {
        let printed_s = f64::from(hours * 3_600 + minutes * 60 + seconds);
        let unit_s = if hours > 0 { 60.0 } else { 1.0 };
        let off = (allowed_hours(level_db) * 3_600.0 - printed_s).abs() / unit_s;
        near(&format!("allowed at {level_db} dB(A), in printed units"), off, 0.0, 0.5 + 1e-9);
        worst = worst.max(off);
    }
    let what = "allowed time at 80 to 120 dB(A): off by, in units of the last printed digit";
    published("NIOSH 98-126, Table 1-1", what, (worst, 0.5 + 1e-9, "units"), Verified::FromMemory);
}

/// A worked day: 94 dB(A) for 30 min, 85 dB(A) for 2 h, 100 dB(A) for 5 min.
#[test]
fn a_worked_day() {
    let mut dose = Dose::default();
    for (level_db, minutes) in [(94.0, 30.0), (85.0, 120.0), (100.0, 5.0)] {
        dose.add(level_db, minutes * 60.0);
    }
    near("dose", dose.percent(), 108.333_333_333_333_33, 1e-9);
    near("average", time_weighted_average_db(dose.percent()), 85.347_621_062_592_13, 1e-9);
}

/// Level in dB(A), allowed time in hours, minutes and seconds as printed.
const TABLE_1_1: [(f64, u32, u32, u32); 37] = [
    (80.0, 25, 24, 0),
    (81.0, 20, 10, 0),
    (82.0, 16, 0, 0),
    (83.0, 12, 42, 0),
    (84.0, 10, 5, 0),
    (85.0, 8, 0, 0),
    (86.0, 6, 21, 0),
    (87.0, 5, 2, 0),
    (88.0, 4, 0, 0),
    (89.0, 3, 10, 0),
    (90.0, 2, 31, 0),
    (91.0, 2, 0, 0),
    (92.0, 1, 35, 0),
    (93.0, 1, 16, 0),
    (94.0, 1, 0, 0),
    (95.0, 0, 47, 37),
    (96.0, 0, 37, 48),
    (97.0, 0, 30, 0),
    (98.0, 0, 23, 49),
    (100.0, 0, 15, 0),
    (101.0, 0, 11, 54),
    (102.0, 0, 9, 27),
    (103.0, 0, 7, 30),
    (104.0, 0, 5, 57),
    (105.0, 0, 4, 43),
    (106.0, 0, 3, 45),
    (107.0, 0, 2, 59),
    (108.0, 0, 2, 22),
    (109.0, 0, 1, 53),
    (110.0, 0, 1, 29),
    (111.0, 0, 1, 11),
    (112.0, 0, 0, 56),
    (113.0, 0, 0, 45),
    (114.0, 0, 0, 35),
    (115.0, 0, 0, 28),
    (116.0, 0, 0, 22),
    (120.0, 0, 0, 9),
];
