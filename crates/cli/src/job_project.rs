//! A job that a command works on, and what is aimed at in it.

use std::path::Path;

use job::{Basis, Job, PresetOrInline};
use library::Result;
use procedure::OpenJob;
use project::Project;
use tuning::{Profile, Target};

/// Opens a job with all its readings, to compute from them.
pub(crate) fn open(dir: &Path) -> Result<OpenJob> {
    Ok(OpenJob::with_readings(Job::open(dir)?))
}

/// What is aimed at, and for which processor, as the job is to keep both.
pub(crate) struct Aim {
    pub(crate) target: Target,
    pub(crate) profile: Profile,
    pub(crate) basis: Basis,
}

/// What is aimed at when neither the job nor the command says it.
const USUAL_TARGET: &str = "car-medium";
/// What the processor is taken for when neither says it.
const USUAL_PROFILE: &str = "parametric-gridded";

/// Target and processor: what the command names, else what the job holds, else the usual ones.
pub(crate) fn aim(project: &Project, target: Option<&str>, processor: Option<&str>) -> Result<Aim> {
    let usual = |name: &str| PresetOrInline::Preset(name.to_owned());
    let chosen = |named: Option<&str>, kept: Option<&PresetOrInline>, of_job: &str| {
        named.map(kept_as).or_else(|| kept.cloned()).unwrap_or_else(|| usual(of_job))
    };
    let target = chosen(target, project.data.target.as_ref(), USUAL_TARGET);
    let processor = chosen(processor, project.data.processor.as_ref(), USUAL_PROFILE);
    let basis = Basis {
        program: env!("CARGO_PKG_VERSION").to_owned(),
        made: Some(jiff::Timestamp::now()),
        target: Some(target.clone()),
        processor: Some(processor.clone()),
        ..Basis::default()
    };
    Ok(Aim {
        target: match &target {
            PresetOrInline::Preset(name) => library::target(name)?,
            PresetOrInline::Inline(text) => Target::parse(text, "the job's target")?,
        },
        profile: match &processor {
            PresetOrInline::Preset(name) => library::profile(name)?,
            PresetOrInline::Inline(text) => Profile::parse(text, "the job's processor")?,
        },
        basis,
    })
}

/// A preset by its name; a file's text, so that the job stands by itself.
pub(crate) fn kept_as(value: &str) -> PresetOrInline {
    match library::files::read_text(Path::new(value)) {
        Ok(text) if Path::new(value).extension().is_some() => PresetOrInline::Inline(text),
        _ => PresetOrInline::Preset(value.to_owned()),
    }
}
