//! The whole job on the simulated car, stage by stage.

mod drivers;
mod source;
mod tune;
mod working;

use std::path::{Path, PathBuf};
use std::time::Instant;

use engine::RunToken;
use job::Stage;
use procedure::{Change, OpenJob, create_job};
use serde::Serialize;

pub use self::tune::Sides;
use self::working::Demo;
use library::files::{read_text, write_bytes};
use library::{Error, Result};
use procedure::papers::{PageSize, SheetForm, sheet};
use rig::{OpenRig, RigChoice};

/// What the demonstration is made with.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct DemoOrder {
    /// Where the job folder is left; by default a new folder beside the others.
    pub out: Option<PathBuf>,
    /// A simulated car by its name, or a file of one's own; the usual one without.
    pub car: Option<String>,
}

/// What the demonstration found, beside what is true of the car.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct DemoSummary {
    /// The car.
    pub car: String,
    /// The job folder.
    pub job: PathBuf,
    /// The highest clean volume step that was found.
    pub clean_step: u32,
    /// The one that follows from the car's description.
    pub true_clean_step: u32,
    /// The drivers that were found to be wired backwards.
    pub reversed_drivers: Vec<String>,
    /// Those that the car's description names.
    pub true_reversed_drivers: Vec<String>,
    /// The worst dip of a side's predicted sum; absent where the drivers could not be aligned.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub worst_dip_db: Option<f64>,
    /// How far a side by itself lies from the target, RMS, with what timing alone gives: the mean of left and right, at
    /// places that nobody tuned for.
    pub before_rms_db: f64,
    /// The same with the tune.
    pub after_rms_db: f64,
    /// Each side at those places, with what timing alone gives.
    pub before: Sides,
    /// The same with the tune.
    pub after: Sides,
    /// How many bands were entered.
    pub bands: usize,
    /// Whether the band that was mistyped on purpose was named with what was typed; absent where
    /// no band could be mistyped.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub typing_error_found: Option<bool>,
    /// Whether every band did what it should once that was mended.
    pub as_meant_when_mended: bool,
    /// What was found otherwise than the car's description says, in sentences.
    pub missed: Vec<String>,
    /// How long it took.
    pub seconds: f64,
}

/// Does the whole job, from intake to handover, and leaves the job folder.
///
/// # Errors
/// When the car or the folder cannot be used, or a measurement could not be
/// made.
pub fn demo(
    order: &DemoOrder,
    token: &RunToken,
    progress: &mut dyn FnMut(&str, f64),
    say: &mut dyn FnMut(&str),
) -> Result<DemoSummary> {
    let began = Instant::now();
    let name = order.car.clone().unwrap_or_default();
    if Path::new(&name).extension().is_some() || Path::new(&name).components().count() > 1 {
        // A mistyped file is to be called a file, not a car.
        read_text(Path::new(&name))?;
    }
    let rig = OpenRig::open(RigChoice::fast_car(&name))?;
    let folder = order.out.clone().unwrap_or_else(free_folder);
    let (car, truth) = match rig.car() {
        Some(simulated) => (simulated.car.clone(), simulated.truth.clone()),
        None => return Err(Error::input("the demonstration needs the simulated car")),
    };
    let job = OpenJob::new(create_job(&folder, Some("Demonstration"), &car.name)?);
    let mut demo = Demo { rig, job, channels: Vec::new(), token: token.clone(), progress, say };

    demo.intake(&car)?;
    let clean_step = demo.source()?;
    demo.gain(&car)?;
    let (reversed_drivers, plan) = demo.drivers(&car, clean_step)?;
    demo.timing(&plan)?;
    let tuned = demo.tune(&car)?;
    demo.handover(&folder)?;
    let missed = missed(&car, clean_step, &reversed_drivers, &tuned);
    let summary = DemoSummary {
        car: car.name,
        job: folder,
        clean_step,
        true_clean_step: truth.clean_step,
        reversed_drivers,
        true_reversed_drivers: truth.reversed_drivers,
        worst_dip_db: plan.worst_dip_db(),
        before_rms_db: tuned.before.mean_rms_db(),
        after_rms_db: tuned.after.mean_rms_db(),
        before: tuned.before,
        after: tuned.after,
        bands: tuned.bands,
        typing_error_found: tuned.typing_error_found,
        as_meant_when_mended: tuned.corrected,
        missed,
        seconds: began.elapsed().as_secs_f64(),
    };
    for line in &summary.missed {
        (demo.say)(&format!("MISSED    {line}"));
    }
    let job = summary.job.display();
    (demo.say)(&format!("\nDone in {:.0} s. The job is in {job}; look at it with", summary.seconds));
    (demo.say)(&format!(
        "  headrest job show {job}\n  headrest sheet {job}\n  headrest preview --job {job} --simulated"
    ));
    Ok(summary)
}

/// A folder name that is not taken.
fn free_folder() -> PathBuf {
    let names =
        std::iter::once("headrest-demo".to_owned()).chain((2..).map(|n| format!("headrest-demo-{n}")));
    names.map(PathBuf::from).find(|path| !path.exists()).unwrap_or_default()
}

/// What was found otherwise than the car's author states it.
fn missed(car: &cabin::Car, clean_step: u32, reversed: &[String], tuned: &tune::Tuned) -> Vec<String> {
    let stated = &car.stated;
    let mut missed = Vec::new();
    if clean_step != stated.clean_step {
        missed.push(format!("clean to step {clean_step}; the car's file states {}", stated.clean_step));
    }
    let sorted = |names: &[String]| {
        let mut names = names.to_vec();
        names.sort_unstable();
        names
    };
    if sorted(reversed) != sorted(&stated.reversed_drivers) {
        let names = |names: &[String]| if names.is_empty() { "none".to_owned() } else { names.join(", ") };
        missed.push(format!(
            "reversed drivers: {}; the car's file states {}",
            names(reversed),
            names(&stated.reversed_drivers)
        ));
    }
    if tuned.typing_error_found == Some(false) {
        missed.push("the band that was mistyped on purpose was not named".to_owned());
    }
    if !tuned.corrected {
        missed.push("not every band was found to be entered correctly, once that was corrected".to_owned());
    }
    missed
}

impl Demo<'_> {
    fn intake(&mut self, car: &cabin::Car) -> Result<()> {
        let mut intake = self.job.project().data.intake.clone();
        intake.source.name = "factory radio".to_owned();
        intake.source.tap = format!("output {}", car.tap.output);
        intake.processor = "parametric, gridded".to_owned();
        intake.drivers = car
            .drivers
            .iter()
            .map(|driver| job::Driver {
                name: driver.name.clone(),
                role: Some(rig::role_of(driver)),
                // What does not pass through the processor has no channel there.
                channel: if driver.processed { driver.name.clone() } else { String::new() },
                ..job::Driver::default()
            })
            .collect();
        self.job.apply(Change::Intake(intake))?;
        let preset = self.rig.car().map(rig::Simulated::preset);
        self.job.apply(Change::Preset(preset))?;
        let line =
            format!("{}: {} radio outputs, {} drivers", car.name, car.radio.outputs.len(), car.drivers.len());
        self.result(Stage::Intake, "Intake", &line)?;
        self.detail(&car.description);
        Ok(())
    }

    fn handover(&mut self, folder: &Path) -> Result<()> {
        let exports = folder.join("exports");
        for (form, name) in [
            (SheetForm::Text, "sheet.txt"),
            (SheetForm::Csv, "bands.csv"),
            (SheetForm::Html, "sheet.html"),
            (SheetForm::Pdf, "sheet.pdf"),
        ] {
            write_bytes(&exports.join(name), &sheet(folder, form, PageSize::default())?)?;
        }
        self.result(Stage::Handover, "Handover", "entry sheet and band list written to exports/")?;
        // The sheets speak of the handover as well.
        write_bytes(&exports.join("sheet.txt"), &sheet(folder, SheetForm::Text, PageSize::default())?)
    }
}
