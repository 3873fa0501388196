//! Noise exposure against the published table.
//!
//! Source: NIOSH publication 98-126 (1998), Table 1-1, formula and limits read in
//! secondary sources; the times are the formula's, to a tenth of a second (the
//! printed table rounds to seconds).

use dsp::exposure::{Dose, allowed_hours, time_weighted_average_db};
use testkit::near;

#[test]
fn allowed_times() {
    for (level_db, seconds) in TABLE_1_1 {
        near(&format!("allowed at {level_db} dB(A)"), allowed_hours(level_db) * 3_600.0, seconds, 0.06);
    }
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

/// Level in dB(A), allowed time in seconds.
const TABLE_1_1: [(f64, f64); 39] = [
    (80.0, 91_434.3),
    (81.0, 72_571.5),
    (82.0, 57_600.0),
    (83.0, 45_717.2),
    (84.0, 36_285.7),
    (85.0, 28_800.0),
    (86.0, 22_858.6),
    (87.0, 18_142.9),
    (88.0, 14_400.0),
    (89.0, 11_429.3),
    (90.0, 9071.4),
    (91.0, 7200.0),
    (92.0, 5714.6),
    (93.0, 4535.7),
    (94.0, 3600.0),
    (95.0, 2857.3),
    (96.0, 2267.9),
    (97.0, 1800.0),
    (98.0, 1428.7),
    (99.0, 1133.9),
    (100.0, 900.0),
    (101.0, 714.3),
    (102.0, 567.0),
    (103.0, 450.0),
    (104.0, 357.2),
    (105.0, 283.5),
    (106.0, 225.0),
    (107.0, 178.6),
    (108.0, 141.7),
    (109.0, 112.5),
    (110.0, 89.3),
    (111.0, 70.9),
    (112.0, 56.2),
    (113.0, 44.6),
    (114.0, 35.4),
    (115.0, 28.1),
    (120.0, 8.9),
    (130.0, 0.9),
    (140.0, 0.1),
];
