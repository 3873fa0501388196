//! The whole job on the simulated car.

use testkit::near;

use crate::program::Desk;

#[test]
fn the_whole_job_is_done_and_leaves_a_job_and_a_sheet() {
    let desk = Desk::new();
    let outcome = desk.run("demo --out job").done();
    outcome.says(&["Intake", "Source", "Gain", "Drivers", "Timing", "Tune", "Handover"]);
    assert!(desk.has("job/job.json") && desk.has("job/captures/0001/audio.wav"));
    for format in ["text", "csv", "json"] {
        let sheet = desk.run(&format!("sheet job --format {format}")).done();
        assert!(!sheet.stdout.trim().is_empty(), "an empty sheet as {format}");
    }
    desk.run("job check job").done();
    // The job's bands, matched in the car that was measured, are as loud there as none. A level over
    // 9.5 s of pink noise, most of which counts between 500 Hz and 5 kHz, scatters by 0.03 dB; half a
    // decibel is what the other places of the average may do.
    let heard = desk.run("preview --job job --simulated --seconds 20 --json").done().json();
    assert_eq!(heard["matched_in_car"], true);
    near("louder with the bands", heard["heard"]["louder_db"].as_f64().expect("a level"), 0.0, 0.5);
    assert!(heard["findings"][0]["code"] == "stands-in", "{heard}");
}

#[test]
fn a_car_is_taken_by_its_name_and_one_that_states_another_truth_is_missed() {
    let desk = Desk::new();
    let car = include_str!("../../presets/cars/saloon-adapter.toml");
    let other = car.replace("\nclean_step = 27\n", "\nclean_step = 22\n");
    assert_ne!(car, other, "the preset states its clean step");
    desk.write("other.toml", other);
    let outcome = desk.run("demo --car other.toml --out other --json").not_measured();
    let missed = outcome.json()["missed"].clone();
    assert!(missed[0].as_str().is_some_and(|line| line.contains("27") && line.contains("22")), "{missed}");
    desk.run("demo --car none.toml").refused(&["none.toml"]);
    desk.run("demo --car no-such-car").refused(&["no-such-car", "box-van"]);
}
