//! The tuning that a band list or a job holds, as a preview takes it.

use std::path::Path;

use job::{Job, Set};
use procedure::PreviewTuning;
use project::Project;
use project::derive::{SMOOTHING, average, stand_in, whole_car};

use library::files::read_text;
use library::{Error, Result};

/// The tuning of a band list as it is typed, for a processor, or else of a job: its bands that count,
/// its channels, and the car as it was measured before them. `car` is the file of another response of the
/// car, for matching levels.
///
/// # Errors
/// When a file cannot be read, or there is no band that counts.
pub(crate) fn preview_tuning(
    bands: Option<&Path>,
    processor: &str,
    job: Option<&Path>,
    car: Option<&Path>,
) -> Result<PreviewTuning> {
    let mut tuning = match (bands, job) {
        (Some(path), _) => {
            let entries = tuning::parse_bands_csv(&read_text(path)?, &path.display().to_string())?;
            let profile = library::profile(processor)?;
            let bands = entries.iter().map(|entry| (entry.channel.clone(), profile.cookbook(&entry.band)));
            PreviewTuning { bands: bands.collect(), ..PreviewTuning::default() }
        }
        (None, Some(dir)) => of_job(&Job::open_to_read(dir)?)?,
        (None, None) => return Err(Error::input("nothing to hear was given; add --bands or --job")),
    };
    if tuning.bands.is_empty() {
        let what = bands.or(job).map(|path| path.display().to_string());
        return Err(Error::input(format!(
            "{}: there is no band in it that counts; fit some first with `headrest fit` or in the window",
            what.unwrap_or_default()
        )));
    }
    if let Some(path) = car {
        tuning.car = Some(library::response(path)?);
    }
    Ok(tuning)
}

fn of_job(job: &Job) -> Result<PreviewTuning> {
    let project = Project::of(job, |id| job.reading(id).ok().flatten());
    let data = &project.data;
    let enabled = data.bands.iter().filter(|band| band.enabled);
    let tuning = PreviewTuning {
        bands: enabled.map(|band| (band.channel.clone(), band.band())).collect(),
        channels: data.channels.clone(),
        car: whole_car(|channel| average(&project, &Set::Before, channel, SMOOTHING)),
        ..PreviewTuning::default()
    };
    let aim = crate::job_project::aim(&project, None, None)?;
    Ok(match stand_in(&project, &data.bands, &aim.profile) {
        Some(stand_in) => tuning.standing_in(stand_in),
        None => tuning,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: arithmetic on the profile's own definition; what is typed is heard as that
    /// processor would do it.
    #[test]
    fn typed_bands_are_heard_in_the_processors_own_meaning_of_q() {
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("bands.csv");
        std::fs::write(&path, "channel,band,type,frequency_hz,gain_db,q\nleft,1,peak,1000,-6,2\n")
            .expect("it is written");
        let read = |processor: &str| {
            preview_tuning(Some(&path), processor, None, None).expect("bands").bands.remove(0)
        };
        let (channel, band) = read("parametric-free");
        assert_eq!((channel.as_str(), band), ("left", tuning::Band::peak(1_000.0, -6.0, 2.0)));
        let profile = folder.path().join("other.toml");
        let text = include_str!("../../../presets/processors/parametric-free.toml");
        let other = text.replace("q_definition = \"cookbook\"", "q_definition = \"half-gain\"");
        assert_ne!(text, other, "the preset says what it means by Q");
        std::fs::write(&profile, &other).expect("it is written");
        let wanted = tuning::Profile::parse(&other, "other").expect("a profile").cookbook(&band);
        assert_eq!(read(&profile.display().to_string()).1, wanted);
        assert_ne!(wanted.q, 2.0);
    }

    #[test]
    fn what_cannot_be_heard_is_refused_with_what_to_do() {
        let folder = tempfile::tempdir().expect("a folder");
        let refused = |text: &str| {
            let path = folder.path().join("bands.csv");
            let text = format!("channel,band,type,frequency_hz,gain_db,q\n{text}");
            std::fs::write(&path, text).expect("it is written");
            preview_tuning(Some(&path), "parametric-free", None, None).expect_err("refused").to_string()
        };
        let nothing = preview_tuning(None, "parametric-free", None, None).expect_err("refused").to_string();
        assert!(nothing.contains("--bands or --job"));
        assert!(refused("").contains("bands.csv: there is no band"));
        assert!(refused(",1,peek,100,1,1\n").contains("line 2, column 3"));
    }

    #[test]
    fn a_job_brings_its_channels_and_the_bands_that_count() {
        let folder = tempfile::tempdir().expect("a folder");
        let dir = folder.path().join("job");
        let mut job = procedure::create_job(&dir, None, "").expect("a job");
        let band = |enabled: bool| job::EnteredBand {
            channel: String::new(),
            kind: tuning::BandKind::Peak,
            frequency_hz: 1_000.0,
            gain_db: -4.0,
            q: 2.0,
            entered_q: None,
            enabled,
            locked: false,
            reason: String::new(),
        };
        let right = job::ChannelSetting { channel: "right".to_owned(), ..job::ChannelSetting::default() };
        job.edit(|data| {
            data.bands = vec![band(true), band(false)];
            data.channels = vec![right.clone()];
        })
        .expect("it is kept");
        drop(job);
        let tuning = preview_tuning(None, "", Some(&dir), None).expect("a tuning");
        assert_eq!((tuning.bands.len(), tuning.channels, tuning.car), (1, vec![right], None));
    }
}
