//! Help, and what happens when a person mistypes.

use crate::program::Desk;

const COMMANDS: &[&str] = &[
    "demo", "devices", "tracks", "measure", "analyze", "average", "compare", "fit", "preview", "sheet",
    "job", "plugins",
];

#[test]
fn help_names_every_command_and_each_command_explains_itself() {
    let desk = Desk::new();
    desk.run("--help").done().says(COMMANDS);
    for command in COMMANDS {
        desk.run_with(&[command, "--help"]).done().says(&["Usage"]);
    }
    desk.run("--version").done().says(&["headrest"]);
}

#[test]
fn a_mistyped_command_or_flag_is_answered_with_the_nearest() {
    let desk = Desk::new();
    desk.run("mesure sweep").refused(&["mesure", "measure"]);
    desk.run("compare a.csv b.csv --smoothin 3").refused(&["--smoothing"]);
    desk.run("fit").refused(&["RESPONSE"]);
}

#[test]
fn the_measurements_are_listed_and_explained() {
    let desk = Desk::new();
    desk.run("plugins list").done().says(&["level", "spectrum", "sweep"]);
    desk.run("plugins show sweep").done().says(&["smoothing", "points_per_octave", "96"]);
    desk.run("plugins show swep").refused(&["swep", "sweep"]);
}

#[test]
fn devices_can_be_asked_for_where_there_are_none() {
    let desk = Desk::new();
    desk.run("devices").done();
    desk.run("devices --json").done().json();
}
