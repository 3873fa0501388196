//! The whole job on the simulated car.

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
}
