//! The tracks folder: test signals for a memory stick, described exactly.

use std::path::Path;

use measure::{Signal, Stimulus};
use measurements::signals;
use recording::{Audio, Depth};
use serde::{Deserialize, Serialize};

use library::files::{Written, read_text, write_text};
use library::{Error, Result};

/// What `tracks.json` calls itself.
const FORMAT: &str = "headrest-tracks";

/// The newest version that is read and written.
const VERSION: u32 = 1;

/// What `tracks.json` holds.
#[derive(Debug, Serialize, Deserialize)]
struct TracksFile {
    format: String,
    version: u32,
    sample_rate_hz: u32,
    bits: u16,
    tracks: Vec<TrackEntry>,
}

#[derive(Debug, Serialize, Deserialize)]
struct TrackEntry {
    name: String,
    file: String,
    duration_s: f64,
    /// The highest sample re full scale; absent for silence.
    peak_dbfs: Option<f64>,
    purpose: String,
    stimulus: Stimulus,
}

/// Writes all standard tracks, `tracks.json` and `README.txt`.
///
/// The folder is made when it is not there; files of the same names are
/// replaced. The same request gives the same bytes.
///
/// # Errors
/// When the folder cannot be made or a file cannot be written.
pub fn write_tracks(
    dir: &Path,
    sample_rate_hz: u32,
    bits: u16,
    flac: bool,
    progress: &mut dyn FnMut(&str, f64),
) -> Result<Vec<Written>> {
    let depth = match bits {
        16 => Depth::Int16,
        24 => Depth::Int24,
        other => return Err(Error::input(format!("{other} bits: tracks are written with 16 or 24"))),
    };
    std::fs::create_dir_all(dir).map_err(|error| Error::io("make the folder", dir, &error))?;
    let extension = if flac { "flac" } else { "wav" };
    let stimuli = signals::tracks();
    let mut written = Vec::new();
    let mut entries = Vec::new();
    let count = stimuli.len() as f64;
    for (number, stimulus) in (0u64..).zip(stimuli) {
        progress(&stimulus.name, number as f64 / count);
        let file = format!("{}.{extension}", stimulus.name);
        let audio =
            Audio::new(sample_rate_hz, signals::render_stereo(&stimulus, f64::from(sample_rate_hz)).into());
        let path = dir.join(&file);
        // Each track has a dither of its own, the same one every time.
        let seed = 1 + number;
        if flac {
            recording::write_flac(&path, &audio, depth, seed)?;
        } else {
            recording::write_wav(&path, &audio, depth, seed)?;
        }
        let peak = audio.channels.iter().flatten().fold(0f32, |peak, sample| peak.max(sample.abs()));
        written.push(Written::new(&path, purpose(&stimulus.name)));
        entries.push(TrackEntry {
            name: stimulus.name.clone(),
            file,
            duration_s: audio.duration_s(),
            peak_dbfs: (peak > 0.0).then(|| units::db_from_amplitude(f64::from(peak))),
            purpose: purpose(&stimulus.name).to_owned(),
            stimulus,
        });
    }
    let readme = readme(&entries);
    let file =
        TracksFile { format: FORMAT.to_owned(), version: VERSION, sample_rate_hz, bits, tracks: entries };
    let json = serde_json::to_string_pretty(&file)
        .map_err(|error| Error::input(format!("tracks.json cannot be written: {error}")))?;
    write_text(&dir.join("tracks.json"), &(json + "\n"))?;
    write_text(&dir.join("README.txt"), &readme)?;
    written.push(Written::new(&dir.join("tracks.json"), "what each track holds, exactly"));
    written.push(Written::new(&dir.join("README.txt"), "what to play when"));
    Ok(written)
}

/// The stimulus that a recording is analyzed with: a standard track by its
/// name, a track of a `tracks.json`, or a sound file that was played.
pub(crate) fn stimulus(track: Option<&str>, file: Option<&Path>) -> Result<Option<Stimulus>> {
    match (track, file) {
        (None, None) => Ok(None),
        (Some(name), None) => match signals::track(name) {
            Some(stimulus) => Ok(Some(stimulus)),
            None => {
                Err(unknown_track(name, "the standard tracks", signals::tracks().iter().map(|t| &*t.name)))
            }
        },
        (track, Some(file)) if file.extension().is_some_and(|extension| extension == "json") => {
            from_description(track, file).map(Some)
        }
        (None, Some(file)) => from_sound(file).map(Some),
        (Some(name), Some(file)) => Err(Error::input(format!(
            "--track {name} is looked up in a tracks.json, and --stimulus {} is not one; give either the track's \
             tracks.json or, without --track, the sound file that was played",
            file.display()
        ))),
    }
}

/// A standard track by its name, for an option of that name.
///
/// # Errors
/// When there is none: what there is.
pub fn track_named(option: &str, name: &str) -> Result<Stimulus> {
    signals::track(name).ok_or_else(|| {
        let known = signals::tracks().into_iter().map(|track| track.name).collect::<Vec<_>>().join(", ");
        Error::input(format!("{option} {name}: there is no such track (there are {known})"))
    })
}

/// The track of this name among some.
pub(crate) fn named<'a>(name: &str, stimuli: &'a [Stimulus]) -> Result<&'a Stimulus> {
    let names = || stimuli.iter().map(|track| &*track.name);
    stimuli
        .iter()
        .find(|track| track.name == name)
        .ok_or_else(|| unknown_track(name, "the tracks that were played", names()))
}

/// All tracks of a `tracks.json`, or the standard ones.
pub(crate) fn all(file: Option<&Path>) -> Result<Vec<Stimulus>> {
    let Some(path) = file else { return Ok(signals::tracks()) };
    let tracks = description(path)?.tracks;
    for entry in &tracks {
        signals::check(&entry.stimulus)
            .map_err(|what| Error::input(format!("{}: {what}", path.display())))?;
    }
    Ok(tracks.into_iter().map(|entry| entry.stimulus).collect())
}

fn description(path: &Path) -> Result<TracksFile> {
    let refuse = |what: String| Error::input(format!("{}: {what}", path.display()));
    let text = read_text(path)?;
    // The head is read first, so that a newer file is called newer, not wrong.
    #[derive(Deserialize)]
    struct Head {
        format: String,
        version: u32,
    }
    let head: Head = serde_json::from_str(&text).map_err(|error| {
        refuse(format!("this is not a tracks.json ({error}); `headrest tracks DIR` writes one"))
    })?;
    if head.format != FORMAT {
        return Err(refuse(format!("its format is `{}`; expected `{FORMAT}`", head.format)));
    }
    if head.version > VERSION {
        return Err(refuse(format!(
            "it has version {}, and this program reads up to {VERSION}; use a newer Headrest",
            head.version
        )));
    }
    serde_json::from_str(&text).map_err(|error| refuse(error.to_string()))
}

fn from_description(track: Option<&str>, path: &Path) -> Result<Stimulus> {
    let refuse = |what: String| Error::input(format!("{}: {what}", path.display()));
    let file = description(path)?;
    let names = || file.tracks.iter().map(|track| &*track.name);
    let entry = match track {
        Some(name) => file
            .tracks
            .iter()
            .find(|entry| entry.name == name)
            .ok_or_else(|| unknown_track(name, &path.display().to_string(), names()))?,
        None => {
            let names: Vec<&str> = names().collect();
            return Err(refuse(format!("say which of its tracks was played: --track {}", names.join("|"))));
        }
    };
    signals::check(&entry.stimulus).map_err(&refuse)?;
    Ok(entry.stimulus.clone())
}

/// A sound file that was played is in memory as a whole while it is looked for.
const LONGEST_SOUND_S: f64 = 600.0;

fn from_sound(path: &Path) -> Result<Stimulus> {
    let mut audio = recording::read_up_to(path, LONGEST_SOUND_S)?;
    let duration_s = audio.duration_s();
    if duration_s > LONGEST_SOUND_S {
        return Err(Error::input(format!(
            "{}: it is longer than the {LONGEST_SOUND_S} seconds that a sound may last that was played; give the track itself",
            path.display()
        )));
    }
    let sample_rate_hz = f64::from(audio.sample_rate_hz);
    let samples = audio.channels.swap_remove(0);
    let peak = samples.iter().fold(0f32, |peak, sample| peak.max(sample.abs()));
    if !(peak > 0.0) {
        return Err(Error::input(format!(
            "{}: the first channel is silent; give the sound file that was played",
            path.display()
        )));
    }
    let mut stimulus = Stimulus {
        name: path.file_stem().unwrap_or_default().to_string_lossy().into_owned(),
        segments: vec![],
    };
    stimulus.segments.push(measure::Segment::of(
        Signal::Samples { sample_rate_hz, samples },
        duration_s,
        units::db_from_amplitude(f64::from(peak)),
        0.0,
    ));
    signals::check(&stimulus).map_err(|fault| Error::input(format!("{}: {fault}", path.display())))?;
    Ok(stimulus)
}

fn unknown_track<'a>(name: &str, place: &str, known: impl Iterator<Item = &'a str>) -> Error {
    let known: Vec<&str> = known.collect();
    let meant = measure::nearest(name, known.iter().copied())
        .map_or_else(String::new, |near| format!("; did you mean `{near}`?"));
    Error::input(format!("there is no track `{name}` in {place}{meant} (there are {})", known.join(", ")))
}

/// What a track is for, in one line.
fn purpose(name: &str) -> &'static str {
    match name {
        "tone-1k" => {
            "full-scale 1 kHz: raise the volume step by step to find the clean limit of a full-range output"
        }
        "tone-40" => "full-scale 40 Hz: the same for a subwoofer output",
        "pink" => "pink noise: the spectrum, levels, and the moving microphone",
        "sweep-full" => "two full-range sweeps: the response of an output, or of everything together",
        "sweep-sub" => "two sweeps for a subwoofer",
        "sweep-woofer" => {
            "two sweeps for a woofer, from where the subwoofer plays up to where a midrange does"
        }
        "sweep-mid" => "two sweeps for a midrange driver",
        "sweep-high" => "two sweeps for a tweeter, quiet and without bass",
        "arrival" => "a time mark on the left, a sweep on the right: arrival times",
        "place-sub" => "the reference driver on the left, a subwoofer on the right",
        "place-woofer" => "the reference driver on the left, a woofer on the right",
        "place-mid" => "the reference driver on the left, a midrange on the right",
        "place-high" => "the reference driver on the left, a tweeter on the right, quiet and without bass",
        "place-full" => "the reference driver on the left, a full-range driver on the right; never a tweeter",
        "polarity" => {
            "pulses that begin upward: polarity of woofers, midranges and outputs; not for tweeters"
        }
        "bursts" => "short tones an octave apart: timing and rattles by ear",
        "quiet" => "silence: the noise of the source itself",
        _ => "",
    }
}

fn readme(entries: &[TrackEntry]) -> String {
    let mut text = String::from(
        "TEST TRACKS\n\
         \n\
         Copy this folder to a memory stick and play the tracks from the car's own radio.\n\
         Record with any recorder; it may start at any time and run on its own clock.\n\
         Keep tracks.json: it says exactly what each track holds, so that a recording\n\
         can still be analyzed years later:\n\
         \n\
         \x20 headrest analyze sweep RECORDING.wav --track sweep-full --stimulus tracks.json\n\
         \n\
         BEFORE YOU PLAY\n\
         \n\
         * Start quietly. Full-scale tones and subwoofer tracks can hurt ears and drivers:\n\
         \x20 wear hearing protection at volume.\n\
         * Play a tweeter only what is meant for one (sweep-high, place-high), never a full\n\
         \x20 sweep, and never make it the reference driver.\n\
         * Bridged amplifier outputs have no ground side: never connect one to the ground\n\
         \x20 of a recorder. Use a differential probe or an isolated, attenuated input.\n\
         * Turn tone controls flat, and loudness, surround and fader effects off.\n\
         * Engine off indoors; supply the battery from a charger. Never do this while driving.\n\
         \n\
         TRACKS THAT GIVE RESPONSE AND ARRIVAL TOGETHER (place-...)\n\
         \n\
         Choose one woofer, midrange or full-range driver as the reference, and leave it\n\
         connected for all recordings: in the processor it gets the LEFT input, and nothing\n\
         else does. The driver under test gets the RIGHT input (its left share at zero, its\n\
         right share as it is), and all others are muted. The track plays the reference\n\
         (300 Hz to 4 kHz), the sweep for the driver under test, and the reference again.\n\
         Measure all drivers, the reference driver too, at one place of the microphone\n\
         before it moves, at one volume and one recording level. Four places of the seat\n\
         or more tell how the whole car adds up.\n\
         \n\
         WHAT TO PLAY WHEN\n\n",
    );
    for entry in entries {
        let (minutes, seconds) = ((entry.duration_s / 60.0).floor(), entry.duration_s % 60.0);
        let peak = entry.peak_dbfs.map_or_else(
            || "silent".to_owned(),
            |peak| format!("peak {} dBFS", units::quantity::decimals(peak, 1)),
        );
        text.push_str(&format!(
            "{:18} {minutes:.0}:{seconds:04.1}  {peak}\n    {}\n",
            entry.file, entry.purpose
        ));
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_standard_track_has_a_purpose() {
        for track in signals::tracks() {
            assert!(!purpose(&track.name).is_empty(), "{}", track.name);
        }
    }

    #[test]
    fn a_track_is_found_by_name_and_a_slip_is_understood() {
        assert_eq!(stimulus(Some("pink"), None).unwrap().unwrap().name, "pink");
        let message = stimulus(Some("sweep-ful"), None).unwrap_err().to_string();
        assert!(message.contains("did you mean `sweep-full`?"), "{message}");
    }

    #[test]
    fn a_sound_of_hours_is_no_track() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("drive.wav");
        let audio = Audio::new(8_000, vec![vec![0.1; 8_000 * 601]]);
        recording::write_wav(&path, &audio, Depth::Int16, 1).unwrap();
        let message = from_sound(&path).unwrap_err().to_string();
        assert!(message.contains("drive.wav") && message.contains("600 seconds"), "{message}");
    }

    #[test]
    fn a_newer_description_is_refused_as_newer() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("tracks.json");
        std::fs::write(&path, r#"{"format": "headrest-tracks", "version": 2, "moods": []}"#).unwrap();
        let message = stimulus(Some("pink"), Some(&path)).unwrap_err().to_string();
        assert!(message.contains("version 2") && message.contains("newer Headrest"), "{message}");
    }
}
