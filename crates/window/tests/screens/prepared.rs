//! A job that was worked through on the simulated car, opened by the real app.

use std::fs::File;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::{Duration, UNIX_EPOCH};

use app::App;
use demonstration::{DemoOrder, demo};
use engine::StopSwitch;
use library::{Remembered, RememberedRig};
use tempfile::TempDir;
use view::{Action, Activity, Command, HandleId, NumberKey, SettingValue, Stage, Tone, Update};
use window::Theme;

use crate::driving::{By, Driver, folder, own};

/// Recordings are shared between the copies of a job; nothing writes into one that is finished.
const SHARED_BYTES: u64 = 200_000;

/// The folder of the job. The demonstration makes it once for all tests of this build, whichever comes first.
fn worked_through() -> PathBuf {
    let home = Path::new(env!("CARGO_TARGET_TMPDIR")).join("worked-through");
    std::fs::create_dir_all(&home).expect("a folder");
    let lock = File::create(home.join("lock")).expect("a file");
    lock.lock().expect("a lock");
    let program = std::env::current_exe().and_then(std::fs::metadata).expect("the test's own program");
    let built = program.modified().expect("a time").duration_since(UNIX_EPOCH).expect("a time since 1970");
    let folder = home.join(built.as_nanos().to_string());
    let done = folder.join("done");
    if !done.exists() {
        for of_an_earlier_build in std::fs::read_dir(&home).expect("a folder").flatten() {
            // The lock is no folder, and stays.
            _ = std::fs::remove_dir_all(of_an_earlier_build.path());
        }
        let order = DemoOrder { out: Some(folder.join("job")), car: None };
        demo(&order, &StopSwitch::default().begin(), &mut |_, _| {}, &mut |_| {})
            .expect("the demonstration is done");
        File::create(&done).expect("a file");
    }
    folder.join("job")
}

fn copy(from: &Path, to: &Path) {
    std::fs::create_dir_all(to).expect("a folder");
    for entry in std::fs::read_dir(from).expect("a folder").flatten() {
        let (from, to) = (entry.path(), to.join(entry.file_name()));
        let about = entry.metadata().expect("a file");
        if about.is_dir() {
            copy(&from, &to);
        } else if about.len() < SHARED_BYTES || std::fs::hard_link(&from, &to).is_err() {
            std::fs::copy(&from, &to).expect("a copy");
        }
    }
}

/// The window's size in the design.
pub(crate) const DESIGN: (f32, f32) = (1280.0, 800.0);

/// A copy of the job in this folder.
fn copied(folder: &TempDir, name: &str) -> PathBuf {
    let job = folder.path().join(name);
    copy(&worked_through(), &job);
    job
}

/// A person at the window, with the job open at this stage and the car that it was measured in.
pub(crate) fn at(stage: Stage) -> Driver {
    looking_at(stage, Theme::Garage, DESIGN)
}

/// The same in this look and at this size.
pub(crate) fn looking_at(stage: Stage, theme: Theme, size: (f32, f32)) -> Driver {
    let folder = folder();
    let job = copied(&folder, "job");
    let mut driver = Driver::before(App::default(), By::Keyboard, theme, size, folder);
    let job = job.display().to_string();
    driver.ask(Command::OpenJob(job.clone()));
    driver.wait("the job", |driver| driver.snapshot().shared.job.folder == job && driver.is_idle());
    driver.ask(Command::UseSimulatedCar("compact-hatch".to_owned()));
    driver.wait("the car", |driver| driver.snapshot().shared.rig.simulated && driver.is_idle());
    driver.ask(Command::OpenStage(stage));
    driver.wait("the stage", |driver| driver.snapshot().face.stage == stage);
    driver.wait_idle();
    driver.clear_news();
    driver.asked();
    driver
}

/// Someone who starts the program, and what they had open before: nothing, or two copies of the job and one that is
/// damaged.
pub(crate) fn starting(jobs: bool) -> Driver {
    let folder = folder();
    library::place::DATA.set(Some(own(&folder)));
    if jobs {
        let mut remembered = Remembered::default();
        let car = RememberedRig::Simulated("compact-hatch".to_owned());
        remembered.opened(&copied(&folder, "older"), Some(car.clone()));
        let damaged = copied(&folder, "damaged");
        std::fs::write(damaged.join("job.json"), "{\n\"format\": 2,\n\"head\": }").expect("a file");
        remembered.opened(&damaged, None);
        remembered.opened(&copied(&folder, "job"), Some(car));
        remembered.save().expect("it is kept");
    }
    let mut driver = Driver::before(App::remembering(), By::Keyboard, Theme::Garage, DESIGN, folder);
    driver.wait("the recent jobs", |driver| {
        let page = driver.snapshot().start.as_ref();
        page.is_some_and(|page| !page.looking && page.jobs.len() == if jobs { 3 } else { 0 })
    });
    driver.drain(Duration::from_millis(300));
    driver
}

/// A driver is being measured, and something is heard; the window is not told how it goes on.
pub(crate) fn running() -> Driver {
    let mut driver = at(Stage::Drivers);
    driver.go_on();
    driver.wait("a sweep", |driver| {
        let runs = matches!(driver.activity(), Some(Activity::Running { progress: Some(_), .. }));
        let half = |line: &chart::Line| line.points.last().is_some_and(|point| point.x > 1_000.0);
        runs && driver.live.lines.iter().any(half)
    });
    driver.asked();
    driver
}

/// The run that is under way.
pub(crate) fn run(driver: &Driver) -> Option<u64> {
    driver.snapshot().shared.run
}

/// A countdown before a capture.
pub(crate) fn countdown() -> Driver {
    let mut driver = at(Stage::Drivers);
    driver.ask(Command::Set(SettingValue::Number(NumberKey::Countdown, 20.0)));
    driver.wait_idle();
    driver.go_on();
    driver.wait("the countdown", |driver| {
        matches!(driver.snapshot().shared.activity, Activity::Countdown { .. })
    });
    driver.asked();
    driver
}

/// The volume rises step by step, and a step is no longer clean.
pub(crate) fn rising() -> Driver {
    let mut driver = at(Stage::Source);
    driver.ask(Command::Press(Action::Measure));
    driver.wait("steps that are not clean", |driver| {
        driver.live.figures.len() == 3 && driver.live.figures.iter().any(|figure| figure.tone == Tone::Bad)
    });
    driver.asked();
    driver
}

/// The job at the target, which is being edited.
pub(crate) fn shaping(theme: Theme, size: (f32, f32)) -> Driver {
    let mut driver = looking_at(Stage::Tune, theme, size);
    driver.ask(Command::Press(Action::EditTarget));
    driver.wait("its handles", |driver| {
        driver.snapshot().handles.iter().any(|handle| matches!(handle.id, HandleId::Shelf(_)))
    });
    driver.wait_idle();
    driver.asked();
    driver
}

/// What the app told in one state of its work.
pub(crate) struct Scene {
    /// Its name.
    pub(crate) name: String,
    /// What was told, in this order.
    pub(crate) updates: Vec<Update>,
}

impl Scene {
    fn of(name: &str, driver: &Driver) -> Self {
        let snapshot = Arc::new(driver.snapshot().clone());
        let updates = vec![Update::Snapshot(snapshot), Update::Live(driver.live.clone())];
        Self { name: name.to_owned(), updates }
    }
}

/// Every state that the work on a car comes to, as the app tells it.
pub(crate) fn scenes() -> Vec<Scene> {
    let mut scenes = vec![Scene::of("first start", &starting(false)), Scene::of("start", &starting(true))];
    let mut driver = at(Stage::Intake);
    for stage in Stage::ALL {
        driver.open(stage);
        for face in driver.snapshot().chart_faces.clone() {
            driver.ask(Command::ShowFace(face));
            driver.wait_idle();
            scenes.push(Scene::of(&format!("{stage:?} {face:?}"), &driver));
        }
    }
    driver.open(Stage::Tune);
    driver.ask(Command::Press(Action::ShowWholeCar));
    driver.wait_idle();
    scenes.push(Scene::of("whole car", &driver));
    scenes.push(Scene::of("target", &shaping(Theme::Garage, DESIGN)));
    scenes.push(Scene::of("countdown", &countdown()));
    scenes.push(Scene::of("running", &running()));
    scenes.push(Scene::of("rising", &rising()));
    scenes
}
