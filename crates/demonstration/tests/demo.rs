//! The whole job on the simulated car finds what is true of the car.
#![expect(clippy::print_stderr, reason = "a failing test shows how far the demonstration came")]

/// Bars: the demonstration's clean step and reversed drivers equal the truth that
/// follows from the car's description; at places that nobody tuned for each side by itself ends nearer to the target by
/// a quarter at the least than alignment and levels left it, and left and right are equally loud to half a decibel.
#[test]
fn the_demonstration_finds_the_truth() {
    let folder = tempfile::tempdir().unwrap();
    let order = demonstration::DemoOrder { out: Some(folder.path().join("job")), car: None };
    let mut said = Vec::new();
    let mut say = |line: &str| {
        eprintln!("{line}");
        said.push(line.trim().to_owned());
    };
    let summary =
        demonstration::demo(&order, &engine::StopSwitch::default().begin(), &mut |_, _| {}, &mut say)
            .unwrap();
    assert_eq!(summary.clean_step, summary.true_clean_step, "{summary:?}");
    assert_eq!(summary.reversed_drivers, summary.true_reversed_drivers, "{summary:?}");
    let (before, after) = (summary.before, summary.after);
    // Two places are few: each side is better there, and both together are clearly so.
    assert!(after.left_rms_db < before.left_rms_db, "{summary:?}");
    assert!(after.right_rms_db < before.right_rms_db, "{summary:?}");
    assert!(summary.after_rms_db <= 0.75 * summary.before_rms_db, "{summary:?}");
    assert!(after.left_right_rms_db <= before.left_right_rms_db, "{summary:?}");
    // The tune says itself, in tenths, how far off the balance may be elsewhere at the seat.
    let may_be =
        |line: &String| line.split("it may be up to ").nth(1)?.split(' ').next()?.parse::<f64>().ok();
    let may_be_db = said.iter().find_map(may_be).expect("two places do not agree about the balance");
    let tenths = |db: f64| (10.0 * db.abs()).round();
    assert!(tenths(after.left_louder_db) <= tenths(may_be_db) && may_be_db <= 0.7, "{said:?}: {summary:?}");
    assert_eq!(summary.typing_error_found, Some(true), "{summary:?}");
    assert!(summary.as_meant_when_mended, "{summary:?}");
    assert!(summary.missed.is_empty(), "{summary:?}");
    assert!(summary.worst_dip_db.is_some_and(|dip_db| dip_db > -3.0), "{summary:?}");
    // The door panel of this car buzzes from 80 to 95 Hz, as its file says.
    let buzzes = said.iter().find_map(|line| line.strip_prefix("something buzzes between "));
    let ends: Vec<f64> = buzzes.unwrap_or("").split(' ').filter_map(|word| word.parse().ok()).collect();
    assert!(ends.len() >= 2 && ends[0] >= 75.0 && ends[1] <= 100.0, "{said:?}");
    let sheet = std::fs::read_to_string(folder.path().join("job/exports/sheet.txt")).unwrap();
    assert!(sheet.contains("CHECK OF WHAT WAS ENTERED") && sheet.contains("Linkwitz-Riley"), "{sheet}");
}
