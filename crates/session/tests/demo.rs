//! The whole job on the simulated car finds what is true of the car.
#![expect(clippy::print_stderr, reason = "a failing test shows how far the demonstration came")]

/// Bars: the demonstration's clean step and reversed drivers equal the truth that
/// follows from the car's description; the bands bring the response at least 3 dB
/// nearer to the target, RMS.
#[test]
fn the_demonstration_finds_the_truth() {
    let folder = tempfile::tempdir().unwrap();
    let order = session::DemoOrder { out: Some(folder.path().join("job")), car: None };
    let summary = session::demo(&order, &mut |_, _| {}, &mut |line| eprintln!("{line}")).unwrap();
    assert_eq!(summary.clean_step, summary.true_clean_step, "{summary:?}");
    assert_eq!(summary.reversed_drivers, summary.true_reversed_drivers, "{summary:?}");
    assert!(summary.before_rms_db - summary.after_rms_db >= 3.0, "{summary:?}");
    assert_eq!(summary.typing_error_found, Some(true), "{summary:?}");
    assert!(summary.as_meant_when_mended, "{summary:?}");
    assert!(summary.worst_dip_db.is_some_and(|dip_db| dip_db > -3.0), "{summary:?}");
    let sheet = std::fs::read_to_string(folder.path().join("job/exports/sheet.txt")).unwrap();
    assert!(sheet.contains("CHECK OF WHAT WAS TYPED") && sheet.contains("Linkwitz-Riley"), "{sheet}");
}
