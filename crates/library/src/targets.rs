//! Targets: which there are, what one looks like, written as points or parameters, and kept as
//! one's own.

use std::fmt;
use std::path::{Path, PathBuf};

use serde::Serialize;
use tuning::{CarFilter, CrossoverFamily, Target};
use units::quantity::{hertz, signed_decibels};

use crate::files::{Written, write_text};
use crate::{Error, Result, place, presets};

/// The slope of the crossover that a driver's target is given (common practice, no source).
const DRIVER_SLOPE_DB_PER_OCTAVE: u32 = 24;

/// The crossovers of one driver.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct DriverEnds {
    /// Its high-pass.
    pub high_pass_hz: Option<f64>,
    /// Its low-pass.
    pub low_pass_hz: Option<f64>,
}

impl DriverEnds {
    /// The target of such a driver: the whole target times its crossovers.
    pub fn of(self, target: Target, sample_rate_hz: f64) -> Result<Target> {
        if self == Self::default() {
            return Ok(target);
        }
        if let Some((high, low)) = self.high_pass_hz.zip(self.low_pass_hz).filter(|(high, low)| high >= low) {
            return Err(Error::input(format!(
                "nothing is left between a high-pass at {high} Hz and a low-pass at {low} Hz; a driver plays from its \
                 high-pass up to its low-pass, so the high-pass must be the lower of the two"
            )));
        }
        let filter = |frequency_hz| CarFilter {
            family: CrossoverFamily::LinkwitzRiley,
            slope_db_per_octave: DRIVER_SLOPE_DB_PER_OCTAVE,
            frequency_hz,
        };
        target
            .for_driver(self.high_pass_hz.map(filter), self.low_pass_hz.map(filter), sample_rate_hz)
            .map_err(|error| Error::input(error.to_string()))
    }
}

/// The targets that can be named.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TargetList(Vec<TargetListed>);

#[derive(Debug, Clone, PartialEq, Serialize)]
struct TargetListed {
    target: String,
    name: String,
    tolerance_db: f64,
    source: String,
    /// Whether it is one of the person's own.
    own: bool,
    #[serde(skip_serializing_if = "Option::is_none")]
    problem: Option<String>,
}

/// Lists the targets: the built-in ones and one's own.
#[must_use]
pub fn list_targets() -> TargetList {
    let listed = |(name, own): (String, bool)| match presets::target(&name) {
        Ok(target) => TargetListed {
            target: name,
            name: target.name,
            tolerance_db: target.tolerance_db,
            source: target.source,
            own,
            problem: None,
        },
        Err(error) => TargetListed {
            target: name,
            name: String::new(),
            tolerance_db: 0.0,
            source: String::new(),
            own,
            problem: Some(error.to_string()),
        },
    };
    TargetList(target_names().into_iter().map(listed).collect())
}

/// The names of the targets, the built-in ones first, and whether each is the person's own. One's
/// own takes the place of the built-in one of its name.
pub fn target_names() -> Vec<(String, bool)> {
    let own = place::own_names("targets");
    let built_in = Target::presets().iter().map(|preset| preset.name.to_owned());
    let built_in: Vec<String> = built_in.filter(|name| !own.contains(name)).collect();
    built_in.into_iter().map(|name| (name, false)).chain(own.into_iter().map(|name| (name, true))).collect()
}

/// Says of a target that it was edited by hand, from which one, and gives it a name of its own
/// unless it was just given one.
pub fn sign(target: &mut Target, original: &Target) {
    if target.name == original.name {
        target.name = edited_name(&original.name);
    }
    let of = if original.source.is_empty() { String::new() } else { format!(" ({})", original.source) };
    target.source = format!("edited by hand from “{}”{of}", original.name);
}

/// "In-car, edited", and after that "In-car, edited 2".
fn edited_name(name: &str) -> String {
    let Some((bare, number)) = name.rsplit_once(", edited") else { return format!("{name}, edited") };
    match (number, number.trim().parse::<u32>()) {
        ("", _) => format!("{bare}, edited 2"),
        (_, Ok(number)) => format!("{bare}, edited {}", number.saturating_add(1)),
        _ => format!("{name}, edited"),
    }
}

/// The target as a job keeps it: by name where every copy of the program has it, else whole, so that
/// the job stands by itself.
pub fn for_job(id: Option<&str>, target: &Target) -> job::PresetOrInline {
    let is_own = |id: &str| place::own("targets", id).is_some();
    let is_built_in = |id: &str| Target::presets().iter().any(|preset| preset.name == id);
    match id {
        Some(id) if is_built_in(id) && !is_own(id) => job::PresetOrInline::Preset(id.to_owned()),
        _ => job::PresetOrInline::Inline(target.to_toml()),
    }
}

/// The target that a job keeps, with the name by which it is chosen where there is such a one.
pub fn of_job(kept: &job::PresetOrInline) -> Result<(Target, Option<String>)> {
    match kept {
        job::PresetOrInline::Preset(name) => Ok((presets::target(name)?, Some(name.clone()))),
        job::PresetOrInline::Inline(text) => {
            let target = Target::parse(text, "the job's target")?;
            let is_it = |name: &String| presets::target(name).is_ok_and(|known| known == target);
            let known = target_names().into_iter().map(|(name, _)| name).find(is_it);
            Ok((target, known))
        }
    }
}

/// A name under which a target can be kept, made of what it is called.
pub fn plain_name(name: &str) -> String {
    let letters = name.to_lowercase().replace(|c: char| !c.is_alphanumeric(), " ");
    letters.split_whitespace().collect::<Vec<_>>().join("-")
}

/// One target, with its points.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TargetShown {
    name: String,
    source: String,
    tolerance_db: f64,
    frequency_hz: Vec<f64>,
    magnitude_db: Vec<f64>,
}

/// What a target is at so many points an octave, perhaps for one driver.
///
/// # Errors
/// When there is no such target, or it cannot be read.
pub fn show_target(name_or_file: &str, ends: DriverEnds, points_per_octave: f64) -> Result<TargetShown> {
    let target = ends.of(presets::target(name_or_file)?, SAMPLE_RATE_HZ)?;
    let response = target.response(20.0, 20_000.0, points_per_octave);
    Ok(TargetShown {
        name: target.name,
        source: target.source,
        tolerance_db: target.tolerance_db,
        frequency_hz: response.frequency_hz,
        magnitude_db: response.magnitude_db,
    })
}

/// Crossovers of a target are drawn as a processor at this rate makes them.
const SAMPLE_RATE_HZ: f64 = 48_000.0;

/// Writes a target: as a response file for a name that ends in `.csv`, else as a target file.
///
/// # Errors
/// When there is no such target, or the file cannot be written.
pub fn export_target(
    name_or_file: &str,
    ends: DriverEnds,
    points_per_octave: f64,
    out: &Path,
) -> Result<Vec<Written>> {
    let target = ends.of(presets::target(name_or_file)?, SAMPLE_RATE_HZ)?;
    let is_csv = out.extension().is_some_and(|ending| ending.eq_ignore_ascii_case("csv"));
    let text =
        if is_csv { target.response(20.0, 20_000.0, points_per_octave).to_csv() } else { target.to_toml() };
    write_text(out, &text)?;
    Ok(vec![Written::new(out, format!("the target “{}”", target.name))])
}

/// Keeps a target file, or a response file as a target, among one's own, so that it can be named.
///
/// # Errors
/// When it cannot be read or kept, or the name is taken.
pub fn import_target(file: &Path, name: Option<&str>) -> Result<Vec<Written>> {
    let stem = file.file_stem().unwrap_or_default().to_string_lossy().into_owned();
    let name = name.map_or(stem, str::to_owned);
    let plain = !name.is_empty() && name.chars().all(|c| c.is_alphanumeric() || "-_ ".contains(c));
    if !plain {
        return Err(Error::input(format!(
            "--name {name}: a target's name is made of letters, digits, spaces, - and _"
        )));
    }
    let target = presets::target(&file.display().to_string())?;
    let out = keep_target(&target, &name, "give another one with --name")?;
    Ok(vec![Written::new(&out, format!("name it as --target {name}"))])
}

/// Writes a target among the person's own, and says where.
pub fn keep_target(target: &Target, name: &str, advice: &str) -> Result<PathBuf> {
    let folder = data()?.join("targets");
    let out = folder.join(format!("{name}.toml"));
    if out.exists() {
        return Err(Error::input(format!(
            "there is a target `{name}` already ({}); {advice}",
            out.display()
        )));
    }
    std::fs::create_dir_all(&folder).map_err(|error| Error::io("make", &folder, &error))?;
    write_text(&out, &target.to_toml())?;
    Ok(out)
}

fn data() -> Result<PathBuf> {
    place::data().ok_or_else(|| {
        Error::input("the system names no folder for a program's data; name the file itself with --target")
    })
}

impl fmt::Display for TargetList {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let width = self.0.iter().map(|one| one.target.chars().count()).max().unwrap_or(0);
        self.0.iter().try_for_each(|one| {
            let own = if one.own { ", your own" } else { "" };
            match &one.problem {
                Some(problem) => writeln!(f, "{:width$}  cannot be read: {problem}", one.target),
                None => writeln!(
                    f,
                    "{:width$}  {} (±{} dB{own}). {}",
                    one.target, one.name, one.tolerance_db, one.source
                ),
            }
        })
    }
}

impl fmt::Display for TargetShown {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(f, "{} (±{} dB)\n{}", self.name, self.tolerance_db, self.source)?;
        for (hz, db) in self.frequency_hz.iter().zip(&self.magnitude_db) {
            writeln!(f, "{:>9}  {:>8}", hertz(*hz), signed_decibels(*db))?;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_edited_target_is_called_so_and_counted() {
        for (name, wanted) in [
            ("In-car, medium", "In-car, medium, edited"),
            ("In-car, medium, edited", "In-car, medium, edited 2"),
            ("In-car, medium, edited 9", "In-car, medium, edited 10"),
            ("Mine, edited late", "Mine, edited late, edited"),
        ] {
            assert_eq!(edited_name(name), wanted);
        }
        let original = Target::preset("car-medium").expect("a preset");
        let mut target = Target { name: "Mine".to_owned(), ..original.clone() };
        sign(&mut target, &original);
        assert_eq!(target.name, "Mine", "a name that was given stays");
        assert!(
            target.source.starts_with("edited by hand from “In-car, medium” (Olive"),
            "{}",
            target.source
        );
    }

    #[test]
    fn what_a_target_is_called_becomes_a_name_for_its_file() {
        for (name, wanted) in
            [("In-car, medium, edited", "in-car-medium-edited"), (" ../Übung 2 ", "übung-2"), ("…", "")]
        {
            assert_eq!(plain_name(name), wanted);
        }
    }

    #[test]
    fn only_what_every_copy_has_is_kept_by_name() {
        for preset in Target::presets() {
            let target = Target::preset(preset.name).expect("a preset");
            let kept = for_job(Some(preset.name), &target);
            assert_eq!(kept, job::PresetOrInline::Preset(preset.name.to_owned()));
            assert_eq!(of_job(&kept).expect("it is read"), (target, Some(preset.name.to_owned())));
        }
        let own = Target { name: "Own".to_owned(), ..Target::flat() };
        let kept = for_job(None, &own);
        assert_eq!(of_job(&kept).expect("it is read"), (own, None));
        assert!(of_job(&job::PresetOrInline::Inline("points = 1".to_owned())).is_err());
    }
}
