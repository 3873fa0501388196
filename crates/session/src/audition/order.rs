//! What is to be heard, and how.

use std::path::PathBuf;

use job::Job;

use super::Program;
use crate::files::read_text;
use crate::playback::Heard;
use crate::{Error, Result, library};

/// What is to be heard, and how.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct PreviewOrder {
    /// A band list, as it is typed; or else a job.
    pub bands: Option<PathBuf>,
    /// The processor that the list is for, by its name or file.
    pub processor: String,
    /// The job whose bands and channels are heard.
    pub job: Option<PathBuf>,
    /// What the car does to the sound, for matching levels; by default what the job has measured.
    pub car: Option<PathBuf>,
    /// A recording; pink noise without one.
    pub recording: Option<PathBuf>,
    /// Whether it begins without the bands.
    pub without: bool,
    /// How long it lasts, where that is not left to the person or the recording.
    pub seconds: Option<f64>,
    /// After how long it changes by itself.
    pub every_s: Option<f64>,
    /// The highest sample without the bands.
    pub level_dbfs: Option<f64>,
}

/// The shortest time between two changes: what is shorter cannot be judged, nor its level measured.
const SHORTEST_EVERY_S: f64 = 2.0;
/// The longest that anything lasts.
const LONGEST_S: f64 = 86_400.0;
/// The lowest level that makes sense.
const LOWEST_DBFS: f64 = -80.0;

impl PreviewOrder {
    /// What is played.
    pub(super) fn program(&self) -> Program {
        match &self.recording {
            Some(path) => Program::Recording(path.clone()),
            None => Program::Pink { every_s: self.every_s },
        }
    }

    /// Refuses times and levels that cannot be.
    pub(super) fn check(&self, loudest_dbfs: f64) -> Result<()> {
        let within = |option: &str, value: Option<f64>, least: f64, most: f64, unit: &str| match value {
            Some(value) if !(least..=most).contains(&value) => {
                Err(Error::input(format!("{option} {value}: expected {least} to {most} {unit}")))
            }
            _ => Ok(()),
        };
        within("--seconds", self.seconds, 0.5, LONGEST_S, "seconds")?;
        within("--every", self.every_s, SHORTEST_EVERY_S, LONGEST_S, "seconds")?;
        within("--level", self.level_dbfs, LOWEST_DBFS, loudest_dbfs, "dBFS")
    }

    /// The tuning.
    pub(super) fn heard(&self) -> Result<Heard> {
        let mut heard = match (&self.bands, &self.job) {
            (Some(path), _) => {
                let entries = tuning::parse_bands_csv(&read_text(path)?, &path.display().to_string())?;
                let profile = library::profile(&self.processor)?;
                let bands =
                    entries.iter().map(|entry| (entry.channel.clone(), profile.cookbook(&entry.band)));
                Heard { bands: bands.collect(), ..Heard::default() }
            }
            (None, Some(dir)) => Heard::of_job(&Job::open_to_read(dir)?),
            (None, None) => return Err(Error::input("nothing to hear was given; add --bands or --job")),
        };
        if heard.bands.is_empty() {
            let what = self.bands.as_ref().or(self.job.as_ref()).map(|path| path.display().to_string());
            return Err(Error::input(format!(
                "{}: there is no band in it that counts; fit some first with `headrest fit` or in the window",
                what.unwrap_or_default()
            )));
        }
        if let Some(path) = &self.car {
            heard.car = Some(library::response(path)?);
        }
        Ok(heard)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn order(text: &str, folder: &tempfile::TempDir) -> PreviewOrder {
        let path = folder.path().join("bands.csv");
        std::fs::write(&path, format!("channel,band,type,frequency_hz,gain_db,q\n{text}"))
            .expect("it is written");
        PreviewOrder { bands: Some(path), processor: "parametric-free".to_owned(), ..PreviewOrder::default() }
    }

    /// Source: arithmetic on the profile's own definition; what is typed is heard as that
    /// processor would do it.
    #[test]
    fn typed_bands_are_heard_in_the_processors_own_meaning_of_q() {
        let folder = tempfile::tempdir().expect("a folder");
        let mut order = order("left,1,peak,1000,-6,2\n", &folder);
        let (channel, band) = order.heard().expect("bands").bands.remove(0);
        assert_eq!((channel.as_str(), band), ("left", tuning::Band::peak(1_000.0, -6.0, 2.0)));
        let profile = folder.path().join("other.toml");
        let text = include_str!("../../../../presets/processors/parametric-free.toml");
        let other = text.replace("q_definition = \"cookbook\"", "q_definition = \"half-gain\"");
        assert_ne!(text, other, "the preset says what it means by Q");
        std::fs::write(&profile, &other).expect("it is written");
        order.processor = profile.display().to_string();
        let wanted = tuning::Profile::parse(&other, "other").expect("a profile").cookbook(&band);
        assert_eq!(order.heard().expect("bands").bands[0].1, wanted);
        assert_ne!(wanted.q, 2.0);
    }

    #[test]
    fn what_cannot_be_heard_is_refused_with_what_to_do() {
        let folder = tempfile::tempdir().expect("a folder");
        let refused = |order: &PreviewOrder| order.heard().expect_err("refused").to_string();
        assert!(refused(&PreviewOrder::default()).contains("--bands or --job"));
        assert!(refused(&order("", &folder)).contains("bands.csv: there is no band"));
        assert!(refused(&order(",1,peek,100,1,1\n", &folder)).contains("line 2, column 3"));
        let order = order(",1,peak,100,1,1\n", &folder);
        let unfit = |order: PreviewOrder| order.check(-12.0).expect_err("refused").to_string();
        assert!(unfit(PreviewOrder { level_dbfs: Some(-3.0), ..order.clone() }).contains("-80 to -12 dBFS"));
        assert!(unfit(PreviewOrder { every_s: Some(0.5), ..order.clone() }).contains("--every 0.5"));
        assert!(unfit(PreviewOrder { seconds: Some(f64::NAN), ..order }).contains("--seconds NaN"));
    }
}
