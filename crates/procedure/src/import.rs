//! Long recordings of whole sessions brought into a job: every track in them becomes a
//! capture.

use std::fmt;
use std::path::{Path, PathBuf};

use engine::RunToken;
use job::Set;
use library::{Error, Result};
use measure::{Finding, Reading, Signal, Stimulus};
use measurements::{Extent, Heard, Recogniser};
use recording::Audio;
use serde::Serialize;

use crate::capture_run::interruption;
use crate::excerpt::{self, CaptureContext, Excerpt, MARGIN_S, Placement, in_a_line};
use crate::session::MakeStore;
use crate::{Event, Recorded, tracks};

/// What is to be imported.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct ImportOrder {
    /// The job's folder, for messages.
    pub job: PathBuf,
    /// The recordings.
    pub recordings: Vec<PathBuf>,
    /// The `tracks.json` of the tracks that were played; nothing stands for the
    /// standard ones.
    pub tracks: Option<PathBuf>,
    /// How they were made.
    pub recorded: Recorded,
    /// The set that the captures belong to.
    pub set: Option<Set>,
    /// Tracks of which somebody says when they were played.
    pub told: Vec<ToldTrack>,
}

/// A track of which somebody says when it was played: silence cannot be recognised.
#[derive(Debug, Clone, PartialEq)]
pub struct ToldTrack {
    /// Its name.
    pub track: String,
    /// When it begins, in seconds from the beginning of the recording.
    pub from_s: f64,
    /// When it ends.
    pub to_s: f64,
}

/// What was found where.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Imported {
    job: String,
    captures: usize,
    recordings: Vec<ImportedRecording>,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    findings: Vec<Finding>,
}

#[derive(Debug, Clone, PartialEq, Serialize)]
struct ImportedRecording {
    file: String,
    sample_rate_hz: u32,
    duration_s: f64,
    tracks: Vec<ImportedTrack>,
    findings: Vec<Finding>,
}

#[derive(Debug, Clone, PartialEq, Serialize)]
struct ImportedTrack {
    track: String,
    from_s: f64,
    to_s: f64,
    /// `whole` or `cut`.
    extent: &'static str,
    measurement: Option<&'static str>,
    capture: Option<u32>,
    /// What the reading says, in a line.
    says: String,
    values: std::collections::BTreeMap<String, f64>,
    labels: std::collections::BTreeMap<String, String>,
    findings: Vec<Finding>,
}

impl Imported {
    /// How many captures have a reading with a result.
    #[must_use]
    pub fn captures(&self) -> usize {
        self.captures
    }
}

/// What an import works with. It needs no rig.
pub struct ImportSession<'a> {
    /// Gives a place for captures, when there is something to keep: what is refused changes nothing.
    pub store: MakeStore,
    /// Says when to stop. A recording that is being searched then changes nothing; excerpts that were
    /// kept and not computed stay as interrupted captures.
    pub token: &'a RunToken,
    /// Gets what happens.
    pub on_event: &'a mut dyn FnMut(Event),
}

impl ImportSession<'_> {
    fn progress(&mut self, what: &str, share: f64) {
        (self.on_event)(Event::Progress { what: what.to_owned(), share: Some(share) });
    }
}

/// Finds the tracks in recordings and makes a capture of each.
///
/// # Errors
/// When a recording or anything else that was given cannot be used; a recording
/// in which nothing is found is not an error.
pub fn import(session: &mut ImportSession<'_>, order: &ImportOrder) -> Result<Imported> {
    let stimuli = tracks::all(order.tracks.as_deref())?;
    let calibration = order.recorded.calibration()?;
    check_told(order, &stimuli)?;
    // What cannot be read is told before anything is changed.
    for path in &order.recordings {
        std::fs::File::open(path).map_err(|error| Error::io("open", path, &error))?;
    }
    let mut recordings = Vec::new();
    for path in &order.recordings {
        if session.token.is_stopped() {
            break;
        }
        let audio = recording::read(path)?;
        check(path, &audio, order)?;
        let context = CaptureContext {
            channel: order.recorded.channel,
            reference_channel: order.recorded.reference_channel,
            calibration: calibration.clone(),
            set: order.set.clone(),
            rig: format!("recording {}", name(path)),
        };
        recordings.extend(one(session, path, audio, &stimuli, &order.told, &context)?);
    }
    let results = recordings.iter().flat_map(|recording| &recording.tracks);
    let captures = results.filter(|track| track.capture.is_some() && !track.stopped()).count();
    let findings = if session.token.is_stopped() { vec![interruption()] } else { Vec::new() };
    Ok(Imported { job: order.job.display().to_string(), captures, recordings, findings })
}

impl ImportedTrack {
    fn stopped(&self) -> bool {
        self.findings.iter().any(|finding| finding.level == measure::FindingLevel::Stop)
    }
}

fn name(path: &Path) -> String {
    path.file_name().unwrap_or_default().to_string_lossy().into_owned()
}

fn check(path: &Path, audio: &Audio, order: &ImportOrder) -> Result<()> {
    order.recorded.check(path, audio.channels.len())?;
    for told in &order.told {
        if told.to_s > audio.duration_s() + 0.05 {
            return Err(Error::input(format!(
                "--at {}: {} lasts {} only",
                told.track,
                path.display(),
                clock(audio.duration_s())
            )));
        }
    }
    Ok(())
}

/// What is said of tracks must be possible before anything is done.
fn check_told(order: &ImportOrder, stimuli: &[Stimulus]) -> Result<()> {
    let Some(first) = order.told.first() else { return Ok(()) };
    if order.recordings.len() > 1 {
        return Err(Error::input(format!(
            "--at {}: of which of the {} recordings? Import that one alone",
            first.track,
            order.recordings.len()
        )));
    }
    for told in &order.told {
        tracks::named(&told.track, stimuli)?;
    }
    Ok(())
}

/// What was heard, less what lies where somebody says that another track was played.
fn with_told(mut heard: Vec<Heard>, told: &[ToldTrack]) -> Vec<Heard> {
    for told in told {
        heard.retain(|heard| heard.end_s - 1.2 < told.from_s || told.to_s - 1.2 < heard.start_s);
        heard.push(Heard::told(&told.track, told.from_s, told.to_s));
    }
    heard.sort_by(|a, b| a.start_s.total_cmp(&b.start_s));
    heard
}

/// Searches one recording; nothing when it was stopped meanwhile.
fn one(
    session: &mut ImportSession<'_>,
    path: &Path,
    audio: Audio,
    stimuli: &[Stimulus],
    told: &[ToldTrack],
    context: &CaptureContext,
) -> Result<Option<ImportedRecording>> {
    let sample_rate_hz = audio.sample_rate_hz;
    let duration_s = audio.duration_s();
    let findings = condition(&audio);
    let file = name(path);
    let Some(heard) = search(session, &file, &audio, context.channel, stimuli) else { return Ok(None) };
    let heard = with_told(heard, told);
    let store = (session.store)()?;
    // All cuts are on disk before the recording is let go and the first is computed.
    let mut kept: Vec<(Heard, Option<Excerpt>)> = Vec::new();
    for heard in heard {
        let track = stimuli.iter().find(|track| track.name == heard.track);
        let track = track.filter(|track| excerpt::measurement_for(track).is_some());
        let capture = match (track, heard.extent) {
            (Some(track), Extent::Whole) => {
                let label = format!("{}, {file} {}", heard.track, clock(heard.start_s.max(0.0)));
                // Beside silence there may be anything.
                let silent = track.segments.iter().all(|segment| segment.signal == Signal::Silence);
                let cut = cut_out(if silent { 0.0 } else { MARGIN_S }, &audio, &heard);
                let excerpt = context.keep(&store, track, &Placement::named(&label), sample_rate_hz, &cut)?;
                (session.on_event)(Event::Change(excerpt.begun()));
                Some(excerpt)
            }
            _ => None,
        };
        kept.push((heard, capture));
    }
    drop(audio);
    let count = kept.len() as f64;
    let mut found = Vec::new();
    for (index, (heard, capture)) in kept.into_iter().enumerate() {
        session.progress(&heard.track, 0.7 + 0.3 * index as f64 / count);
        let track = stimuli.iter().find(|track| track.name == heard.track);
        let measurement = track.and_then(excerpt::measurement_for).map(|(id, _)| id);
        let result = match capture {
            Some(excerpt) if session.token.is_stopped() => {
                (session.on_event)(Event::Change(excerpt.interrupted()));
                continue;
            }
            Some(excerpt) => {
                let reading = excerpt.reading()?;
                let (change, captured) = excerpt.done(reading.clone());
                let id = captured.id;
                (session.on_event)(Event::Change(change));
                (session.on_event)(Event::Captured(captured));
                id.map(|id| (id.0, reading))
            }
            None => None,
        };
        let row = row(heard, measurement, result);
        if row.capture.is_none() {
            let text = format!("{file}, {}: {}", clock(row.from_s), row.says);
            (session.on_event)(Event::Finding(Finding::caution("cut", text)));
        }
        found.push(row);
    }
    Ok(Some(ImportedRecording {
        file: path.display().to_string(),
        sample_rate_hz,
        duration_s,
        tracks: found,
        findings,
    }))
}

fn condition(audio: &Audio) -> Vec<Finding> {
    let mut findings = Vec::new();
    if audio.condition.truncated {
        let text = "The file ends before its header says it should; what is there was searched.";
        findings.push(Finding::caution("recording-damaged", text));
    }
    if audio.condition.lost_packets > 0 || audio.condition.not_finite > 0 {
        let text = "Stretches of the file could not be decoded or hold no numbers; what lies on them is not to be trusted.";
        findings.push(Finding::caution("recording-damaged", text));
    }
    findings
}

/// The tracks in a channel of a recording; nothing when it was stopped.
fn search(
    session: &mut ImportSession<'_>,
    file: &str,
    audio: &Audio,
    channel: usize,
    stimuli: &[Stimulus],
) -> Option<Vec<Heard>> {
    /// How many samples are handed over at once.
    const PIECE: usize = 1 << 18;
    let mut recogniser = Recogniser::new(f64::from(audio.sample_rate_hz), stimuli);
    let samples = &audio.channels[channel];
    for (index, part) in samples.chunks(PIECE).enumerate() {
        if session.token.is_stopped() {
            return None;
        }
        session.progress(file, 0.7 * (index * PIECE) as f64 / samples.len() as f64);
        recogniser.feed(part);
    }
    recogniser.end();
    Some(recogniser.heard())
}

/// The excerpt of a track, with its margins, of all channels.
fn cut_out<'a>(margin_s: f64, audio: &'a Audio, heard: &Heard) -> Vec<&'a [f32]> {
    let rate = f64::from(audio.sample_rate_hz);
    let frame = |s: f64| ((s * rate).round().max(0.0) as usize).min(audio.frames());
    let range = frame(heard.start_s - margin_s)..frame(heard.end_s + margin_s);
    audio.channels.iter().map(|channel| &channel[range.clone()]).collect()
}

fn row(heard: Heard, measurement: Option<&'static str>, result: Option<(u32, Reading)>) -> ImportedTrack {
    let mut row = ImportedTrack {
        track: heard.track,
        from_s: heard.start_s.max(0.0),
        to_s: heard.end_s,
        extent: if heard.extent == Extent::Whole { "whole" } else { "cut" },
        measurement,
        capture: None,
        says: String::new(),
        values: Default::default(),
        labels: Default::default(),
        findings: Vec::new(),
    };
    match result {
        Some((id, reading)) => {
            row.capture = Some(id);
            row.says = in_a_line(&reading);
            row.values = reading.values;
            row.labels = reading.labels;
            row.findings = reading.findings;
        }
        None => {
            let finding = excerpt::cut(&row.track);
            row.says.clone_from(&finding.text);
            row.findings.push(finding);
        }
    }
    row
}

/// A time as minutes and seconds.
fn clock(s: f64) -> String {
    format!("{}:{:04.1}", (s / 60.0) as u64, s % 60.0)
}

impl fmt::Display for Imported {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for recording in &self.recordings {
            let ImportedRecording { file, sample_rate_hz, duration_s, tracks, findings } = recording;
            writeln!(f, "{file}  ({}, {sample_rate_hz} Hz)", clock(*duration_s))?;
            findings.iter().try_for_each(|finding| writeln!(f, "  {}", finding.text))?;
            if tracks.is_empty() {
                writeln!(
                    f,
                    "  no track was found. Check that the right channel was searched (--channel), that the microphone \
                     heard the tracks, and that they are louder than the noise"
                )?;
                continue;
            }
            writeln!(f, "  {:>7}  {:>7}  {:12} {:9} capture", "from", "to", "track", "measured")?;
            for track in tracks {
                let (from, to) = (clock(track.from_s), clock(track.to_s));
                let capture = track.capture.map_or_else(|| "-".to_owned(), |id| format!("{id:04}"));
                let measurement = track.measurement.unwrap_or("-");
                writeln!(
                    f,
                    "  {from:>7}  {to:>7}  {:12} {measurement:9} {capture:7} {}",
                    track.track, track.says
                )?;
            }
        }
        self.findings.iter().try_for_each(|finding| writeln!(f, "{}", finding.text))?;
        writeln!(f, "{}: {} new captures with a result", self.job, self.captures)
    }
}
