//! What is there again when the program is started anew.

use job::JobData;
use library::{Remembered, RememberedRig};
use view::{Action, Choice, Command, Look, SettingValue, Stage, StageState, TextKey};

use super::recent;
use super::tests::TestApp;

impl TestApp {
    fn text(&mut self, key: TextKey, text: &str) {
        self.set(SettingValue::Text(key, text.to_owned()));
    }

    fn name(&self) -> String {
        self.snapshot().shared.job.name
    }
}

/// A folder for what is remembered, and for the jobs of the person.
fn own_place() -> tempfile::TempDir {
    let folder = tempfile::tempdir().expect("a folder");
    library::place::DATA.set(Some(folder.path().to_owned()));
    folder
}

#[test]
fn the_start_page_offers_the_last_job_and_every_simulated_car() {
    let _own = own_place();
    let mut app = TestApp::new();
    let folder = app.core.job.as_ref().expect("the job").job().dir().to_owned();
    app.ask(Command::OpenStage(Stage::Drivers));
    app.choose(Choice::Driver(Some("sub".to_owned())));
    app.ask(Command::StartOrStop);
    app.finish();
    let mut remembered = Remembered::default();
    remembered.opened(&folder, Some(RememberedRig::Simulated("box-van".to_owned())));
    remembered.opened(&folder.join("gone"), None);
    app.core.remembering(remembered);
    app.pump_until(|app| !app.core.state.start.looking);
    app.ask(Command::ShowStart);
    app.pump_until(|app| !app.core.state.start.looking);
    let page = app.snapshot().start.expect("the start page");
    assert_eq!(
        page.cars.iter().map(|car| &*car.id).collect::<Vec<_>>(),
        ["compact-hatch", "saloon-adapter", "box-van"]
    );
    let job = &page.jobs[0];
    assert_eq!(
        (job.folder.as_str(), job.stage, job.captures),
        (&*folder.display().to_string(), Stage::Drivers, 1)
    );
    assert!(job.readable && job.remark.is_empty(), "{job:?}");
    assert!(page.jobs.iter().all(|job| !job.folder.ends_with("gone")), "what is gone is not offered");
    let main = app.snapshot().card.main.expect("a main button");
    assert_eq!((main.action, main.enabled), (Action::ContinueJob, true));
    // Space goes on where the work stopped, and with the car that was measured.
    app.core.job = None;
    app.ask(Command::StartOrStop);
    app.finish();
    let snapshot = app.snapshot();
    assert!(snapshot.start.is_none());
    assert_eq!((snapshot.face.stage, snapshot.tray.len()), (Stage::Drivers, 1));
    assert!(snapshot.shared.rig.name.contains("Box van"), "{:?}", snapshot.shared.rig);
}

/// What follows from drivers that were measured earlier follows from them again.
#[test]
fn a_job_that_is_opened_again_is_tuned_as_before() {
    let _own = own_place();
    let mut app = TestApp::new();
    app.ask(Command::OpenStage(Stage::Drivers));
    for driver in ["left-mid", "right-mid"] {
        app.choose(Choice::Driver(Some(driver.to_owned())));
        app.ask(Command::StartOrStop);
        app.finish();
    }
    let folder = app.core.job.as_ref().expect("the job").job().dir().to_owned();
    let tuned = |app: &mut TestApp| {
        app.ask(Command::OpenStage(Stage::Tune));
        app.finish();
        let main = app.snapshot().card.main.expect("a main button");
        (main.action, main.label)
    };
    let before = tuned(&mut app);
    app.core.job = None;
    app.ask(Command::OpenJob(folder.display().to_string()));
    app.finish();
    assert_eq!(tuned(&mut app), before);
    assert_ne!(before.0, Action::OpenStage(Stage::Drivers), "{}", before.1);
}

/// The next car comes to the same rig; a simulated car is none for it.
#[test]
fn a_new_job_begins_with_the_rig_that_was_used_last() {
    let own = own_place();
    let file = own.path().join("shop.toml");
    let rig = "name = \"Shop\"\n\n[[output]]\nchannel = 1\nname = \"left\"\n\n\
               [[input]]\nchannel = 1\nname = \"microphone\"\nrole = \"microphone\"\n";
    std::fs::write(&file, rig).expect("a rig file");
    let simulated = RememberedRig::Simulated("box-van".to_owned());
    for (last, wanted) in [(RememberedRig::File(file), Some("Shop")), (simulated, None)] {
        let mut app = TestApp::new();
        (app.core.state.rig, app.core.idle_rig) = (None, None);
        app.core.remembering(Remembered { rig: Some(last), ..Remembered::default() });
        app.ask(Command::NewJob(own.path().join(wanted.unwrap_or("none")).display().to_string()));
        app.finish();
        let rig = app.snapshot().shared.rig.name;
        assert_eq!(rig, wanted.unwrap_or("No rig"));
    }
}

/// Everything that was measured can be looked at without anything to measure with.
#[test]
fn a_job_is_read_without_a_rig() {
    let _own = own_place();
    let mut app = TestApp::new();
    app.ask(Command::OpenStage(Stage::Drivers));
    app.choose(Choice::Driver(Some("sub".to_owned())));
    app.ask(Command::StartOrStop);
    app.finish();
    let folder = app.core.job.as_ref().expect("the job").job().dir().to_owned();
    (app.core.job, app.core.idle_rig, app.core.state.rig) = (None, None, None);
    app.ask(Command::OpenJob(folder.display().to_string()));
    app.finish();
    let snapshot = app.snapshot();
    assert_eq!(snapshot.face.stage, Stage::Drivers);
    assert!(!snapshot.chart.lines.is_empty(), "its curves are there");
    assert_eq!(snapshot.shared.rig.state, view::RigState::None);
    app.ask(Command::OpenStage(Stage::Handover));
    app.press(Action::WritePapers);
    app.finish();
    assert!(folder.join("exports/report.pdf").is_file(), "{:?}", app.notices());
}

#[test]
fn the_look_the_rig_and_the_job_are_remembered() {
    let _own = own_place();
    let mut app = TestApp::new();
    app.core.remembering(Remembered::default());
    app.ask(Command::Remember(Look { daylight: true, size: (1400.0, 900.0), text_scale: 1.2 }));
    app.ask(Command::UseSimulatedCar("saloon-adapter".to_owned()));
    let again = Remembered::load();
    assert_eq!(recent::look(&again), Look { daylight: true, size: (1400.0, 900.0), text_scale: 1.2 });
    let car = Some(RememberedRig::Simulated("saloon-adapter".to_owned()));
    assert_eq!((&again.rig, &again.jobs[0].rig), (&car, &car));
    app.pump_until(|app| !app.core.state.start.looking);
}

#[test]
fn a_jobs_name_follows_the_car_until_somebody_gives_one() {
    let mut app = TestApp::new();
    let folder = app.core.job.as_ref().expect("the job").job().dir().with_file_name("2026-11-28-1");
    app.ask(Command::NewJob(folder.display().to_string()));
    assert_eq!(app.name(), "2026-11-28-1");
    app.text(TextKey::Vehicle, "Blue hatch");
    assert_eq!(app.name(), "Blue hatch");
    app.text(TextKey::Plate, "AB 123");
    assert_eq!(app.name(), "Blue hatch · AB 123");
    app.text(TextKey::Customer, "Order 1182");
    app.text(TextKey::Notes, "The left door rattles.");
    app.text(TextKey::JobName, "The one with the rattle");
    app.text(TextKey::Vehicle, "Red hatch");
    assert_eq!(app.name(), "The one with the rattle");
    app.text(TextKey::JobName, " ");
    assert_eq!(app.name(), "Red hatch · AB 123", "without a name the car's is taken again");
    let data: JobData = app.core.job.as_ref().expect("the job").job().data().clone();
    assert_eq!(
        (data.intake.customer.as_str(), data.notes.as_str()),
        ("Order 1182", "The left door rattles.")
    );
    (0..2).for_each(|_| app.ask(Command::Undo));
    assert_eq!(app.name(), "The one with the rattle");
    let stage = |app: &TestApp| app.snapshot().shared.stages[0].state;
    assert_eq!(stage(&app), StageState::Begun, "which drivers there are is not known");
    app.choose(Choice::Layout(view::Layout::TwoWay));
    assert_eq!(stage(&app), StageState::Measured);
}
