//! Listening with a rig from the command line.

use std::path::PathBuf;
use std::time::Duration;

use engine::{CaptureRequest, InputRole, Length, Next, Pace, Play};
use job::Set;
use measure::Reading;
use measurements::signals;
use serde::Serialize;

use crate::listening::{ListenEvent, Listening};
use crate::stretch::Keeping;
use crate::{Error, Result, jobs, place};
use rig::{OpenRig, RigChoice};

/// What is to be listened with, and for how long.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct ListenOrder {
    /// The rig file.
    pub rig: Option<PathBuf>,
    /// A simulated car's name or file; empty for the usual one.
    pub simulated: Option<String>,
    /// The job that keeps the captures.
    pub job: Option<PathBuf>,
    /// The set that they belong to.
    pub set: Option<String>,
    /// It ends after so many tracks.
    pub tracks: usize,
    /// It ends after so long, whatever was heard.
    pub seconds: Option<f64>,
    /// What the rig itself plays, one after another; a simulated car has nobody else
    /// to play something.
    pub play: Vec<String>,
}

/// What was heard.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Listened {
    /// One entry per track that was played to its end.
    pub tracks: Vec<ListenedTrack>,
}

/// A track that was heard, with its reading.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ListenedTrack {
    /// Its name.
    pub track: String,
    /// When it began, in seconds of listening.
    pub from_s: f64,
    /// When it was over.
    pub to_s: f64,
    /// Its number in the job, where it is kept in one.
    pub capture: Option<u32>,
    /// What was found.
    pub reading: Reading,
}

/// How long is waited between two tracks that the rig plays itself.
const PAUSE_S: f64 = 2.0;

/// Waits for tracks and measures each when it is over. `say` gets what a person who
/// waits wants to read.
///
/// # Errors
/// When something that was given cannot be used, or the rig refuses.
pub fn listen(order: &ListenOrder, say: &mut dyn FnMut(&str)) -> Result<Listened> {
    let mut bench =
        OpenRig::open(RigChoice::of(order.rig.clone(), order.simulated.clone(), Pace::AsFastAsPossible))?;
    let sample_rate_hz = bench.spec().sample_rate_hz;
    let (play, length) = programme(order, f64::from(sample_rate_hz))?;
    let channel = bench.input(InputRole::Microphone).unwrap_or(0);
    let keeping = Keeping {
        channel,
        reference_channel: bench.input(InputRole::Loopback),
        calibration: bench.calibration(channel),
        set: order.set.as_deref().and_then(Set::from_word),
        rig: bench.spec().name.clone(),
    };
    let mut listening = Listening::new(sample_rate_hz, bench.spec().inputs.len(), keeping);
    let mut job = order.job.as_deref().map(jobs::open_or_create).transpose()?;
    // What a real car sounded like cannot be had again, so all of it goes to disk first.
    let record_to = bench.car().is_none().then(|| place::loose_recording("listen")).transpose()?;
    if let Some(path) = &record_to {
        say(&format!("The recording is kept in {}", path.display()));
    }
    let mut capture = bench.capture(CaptureRequest { play, length, record_to, run: None })?;
    let mut listened = Listened { tracks: Vec::new() };
    say("Listening for a track");
    loop {
        let events = match capture.next_within(Duration::from_millis(200)) {
            Next::Block(block) => {
                let channels: Vec<&[f32]> = block.channels.iter().map(Vec::as_slice).collect();
                listening.feed(&channels)
            }
            Next::NotYet => continue,
            Next::Over => break,
        };
        for event in events {
            match event {
                ListenEvent::Playing { track, to_s, .. } => {
                    let left_s = (to_s - listening.elapsed_s()).max(0.0);
                    say(&format!("{track} is being played, {left_s:.0} s to go"));
                }
                ListenEvent::Cut { finding, .. } => say(&finding.text),
                ListenEvent::Whole(heard) => {
                    let label = format!("{}, heard", heard.track);
                    let (capture, reading) = match &mut job {
                        Some(job) => {
                            let (id, reading) = heard.keep(job, &label)?;
                            (Some(id.0), reading)
                        }
                        None => (None, heard.reading()?),
                    };
                    let (track, from_s, to_s) = (heard.track.clone(), heard.from_s, heard.to_s);
                    listened.tracks.push(ListenedTrack { track, from_s, to_s, capture, reading });
                }
            }
        }
        if listened.tracks.len() >= order.tracks.max(1) {
            capture.stop();
            break;
        }
    }
    let findings = capture.finish().findings;
    findings.iter().for_each(|finding| say(&finding.text));
    Ok(listened)
}

/// What the rig plays meanwhile, and when listening ends by itself.
fn programme(order: &ListenOrder, sample_rate_hz: f64) -> Result<(Play, Length)> {
    let usual = ["sweep-full".to_owned()];
    let names: &[String] =
        if order.play.is_empty() && order.simulated.is_some() { &usual } else { &order.play };
    let until = order.seconds.map_or(Length::UntilStopped, Length::Seconds);
    if names.is_empty() {
        return Ok((Play::Nothing, until));
    }
    let pause = vec![0.0; (PAUSE_S * sample_rate_hz) as usize];
    let mut sides = [pause.clone(), pause.clone()];
    for name in names {
        let known = || signals::tracks().into_iter().map(|track| track.name).collect::<Vec<_>>().join(", ");
        let track = signals::track(name).ok_or_else(|| {
            Error::input(format!("--play {name}: there is no such track (there are {})", known()))
        })?;
        for (side, samples) in sides.iter_mut().zip(signals::render_stereo(&track, sample_rate_hz)) {
            side.extend(samples);
            side.extend(&pause);
        }
    }
    let length = match until {
        Length::UntilStopped => Length::Playback { tail_s: 4.0 },
        until => until,
    };
    Ok((Play::Once(sides.into()), length))
}
