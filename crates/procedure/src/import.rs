//! Long recordings of whole sessions brought into a job: every track in them becomes a
//! capture.

use std::fmt;
use std::ops::Range;
use std::path::{Path, PathBuf};

use engine::RunToken;
use job::{CaptureStore, ImportSource, PlacedBy, sha256_of_file};
use library::{Error, Result};
use measure::{Finding, Reading, Signal, Stimulus};
use measurements::{Extent, Heard, Recogniser};
use project::derive::{PlacedTrack, Placing, TrackAt};
use recording::{Condition, Reader};
use serde::Serialize;
use units::quantity::counted;

use crate::capture_run::interruption;
use crate::excerpt::{self, CaptureContext, Excerpt, ExcerptWriter, MARGIN_S, Placement, in_a_line};
use crate::pieces::PIECE_FRAMES;
use crate::session::MakeStore;
use crate::{Event, Recorded, side_by_side, tracks};

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
    /// Where the tracks belong: what somebody says, and what the job says.
    pub placing: Placing,
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
    /// The captures that were cut out of it before; it was not searched again then.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    known_as: Vec<u32>,
    tracks: Vec<ImportedTrack>,
    findings: Vec<Finding>,
}

impl ImportedRecording {
    /// One that the job has already.
    fn known(path: &Path, captures: &[job::CaptureId]) -> Self {
        let ids: Vec<String> = captures.iter().map(ToString::to_string).collect();
        let text = format!(
            "This recording was imported before, as {}; nothing was added. --again imports it once more.",
            ids.join(", ")
        );
        Self {
            file: path.display().to_string(),
            sample_rate_hz: 0,
            duration_s: 0.0,
            known_as: captures.iter().map(|id| id.0).collect(),
            tracks: Vec::new(),
            findings: vec![Finding::note("imported-before", text)],
        }
    }
}

/// Where a capture was put.
#[derive(Debug, Clone, PartialEq, Serialize)]
struct ImportedPlace {
    set: Option<String>,
    position: String,
    driver: String,
    channel: String,
    placed_by: Option<PlacedBy>,
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
    #[serde(skip_serializing_if = "Option::is_none")]
    place: Option<ImportedPlace>,
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

    /// Whether every recording was known already.
    #[must_use]
    pub fn all_known(&self) -> bool {
        !self.recordings.is_empty() && self.recordings.iter().all(|recording| !recording.known_as.is_empty())
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
    let mut placing = order.placing.clone();
    for path in &order.recordings {
        if session.token.is_stopped() {
            break;
        }
        let sha256 = sha256_of_file(path).map_err(|error| Error::io("read", path, &error))?;
        let known = placing.known(&sha256, order.recorded.channel);
        if !known.is_empty() && !placing.again {
            recordings.push(ImportedRecording::known(path, &known));
            continue;
        }
        let audio = Reader::open(path)?;
        order.recorded.check(path, audio.channels())?;
        let context = CaptureContext {
            channel: order.recorded.channel,
            reference_channel: order.recorded.reference_channel,
            calibration: calibration.clone(),
            set: None,
            rig: format!("recording {}", name(path)),
        };
        let searched = Searched { sha256, stimuli: &stimuli, told: &order.told, context };
        recordings.extend(one(session, &searched, audio, &mut placing)?);
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

/// What is said to have been played must lie within the recording.
fn check_times(path: &Path, duration_s: f64, told: &[ToldTrack]) -> Result<()> {
    match told.iter().find(|told| told.to_s > duration_s + 0.05) {
        Some(told) => Err(Error::input(format!(
            "--at {}: {} lasts {} only",
            told.track,
            path.display(),
            clock(duration_s)
        ))),
        None => Ok(()),
    }
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

/// With what a recording is searched.
struct Searched<'a> {
    sha256: String,
    stimuli: &'a [Stimulus],
    told: &'a [ToldTrack],
    context: CaptureContext,
}

/// Searches one recording; nothing when it was stopped meanwhile.
///
/// It is read twice, once to search it and once to cut it, and never in memory as a whole.
fn one(
    session: &mut ImportSession<'_>,
    searched: &Searched<'_>,
    mut audio: Reader,
    placing: &mut Placing,
) -> Result<Option<ImportedRecording>> {
    let Searched { stimuli, told, context, .. } = searched;
    let path = audio.path().to_owned();
    let sample_rate_hz = audio.sample_rate_hz();
    let file = name(&path);
    if let Some(frames) = audio.announced_frames() {
        check_times(&path, frames as f64 / f64::from(sample_rate_hz), told)?;
    }
    let Some(heard) = search(session, &file, &mut audio, context.channel, stimuli)? else { return Ok(None) };
    let duration_s = audio.duration_s();
    check_times(&path, duration_s, told)?;
    let findings = condition(audio.condition());
    let heard = with_told(heard, told);
    // What is said of a track that is not there is told before anything is changed.
    let places = places(&heard, stimuli, &file, placing)?;
    // All cuts are on disk before the first is computed.
    let kept = cut_out(session, &path, heard.into_iter().zip(places).collect(), searched)?;
    let (count, token) = (kept.len() as f64, session.token);
    let mut rows = Vec::new();
    let reading = |(_, capture): &CutTrack| {
        capture.as_ref().filter(|_| !token.is_stopped()).map(|(excerpt, _)| excerpt.reading())
    };
    side_by_side::in_order(&kept, reading, |index, reading| {
        let (heard, capture) = kept[index].clone();
        session.progress(&heard.track, 0.7 + 0.3 * index as f64 / count);
        let track = stimuli.iter().find(|track| track.name == heard.track);
        let measurement = track.and_then(excerpt::measurement_for).map(|(id, _)| id);
        let result = match (capture, reading) {
            (Some((excerpt, placed)), Some(reading)) if !token.is_stopped() => {
                let reading = reading?;
                let (change, captured) = excerpt.done(reading.clone());
                let id = captured.id;
                (session.on_event)(Event::Change(change));
                (session.on_event)(Event::Captured(captured));
                id.map(|id| (id.0, reading, placed))
            }
            (Some((excerpt, _)), _) => {
                (session.on_event)(Event::Change(excerpt.interrupted()));
                return Ok(());
            }
            (None, _) => None,
        };
        let row = row(heard, measurement, result);
        if row.capture.is_none() {
            let text = format!("{file}, {}: {}", clock(row.from_s), row.says);
            (session.on_event)(Event::Finding(Finding::caution("cut", text)));
        }
        rows.push(row);
        Ok::<(), Error>(())
    })?;
    let file = path.display().to_string();
    let known_as = Vec::new();
    Ok(Some(ImportedRecording { file, sample_rate_hz, duration_s, known_as, tracks: rows, findings }))
}

fn condition(condition: Condition) -> Vec<Finding> {
    let mut findings = Vec::new();
    if condition.truncated {
        let text = "The header of the file promises another length than it has; what is there was searched.";
        findings.push(Finding::caution("recording-damaged", text));
    }
    if condition.lost_packets > 0 || condition.not_finite > 0 {
        let text = "Stretches of the file could not be decoded or hold no numbers; what lies on them is not to be trusted.";
        findings.push(Finding::caution("recording-damaged", text));
    }
    findings
}

/// How many frames are searched at once.
const SEARCHED_FRAMES: usize = 1 << 18;

/// The tracks in a channel of a recording; nothing when it was stopped.
fn search(
    session: &mut ImportSession<'_>,
    file: &str,
    audio: &mut Reader,
    channel: usize,
    stimuli: &[Stimulus],
) -> Result<Option<Vec<Heard>>> {
    let mut recogniser = Recogniser::new(f64::from(audio.sample_rate_hz()), stimuli);
    let all = audio.announced_frames();
    let mut rows = Vec::new();
    loop {
        if session.token.is_stopped() {
            return Ok(None);
        }
        let share = all.map_or(0.0, |all| audio.frames() as f64 / all.max(1) as f64);
        session.progress(file, 0.7 * share.min(1.0));
        if audio.next_block(SEARCHED_FRAMES, &mut rows)? == 0 {
            break;
        }
        recogniser.feed(&rows[channel]);
    }
    recogniser.end();
    Ok(Some(recogniser.heard()))
}

/// Where each track belongs that becomes a capture: it is whole, and something measures it.
fn places(
    heard: &[Heard],
    stimuli: &[Stimulus],
    file: &str,
    placing: &mut Placing,
) -> Result<Vec<Option<PlacedTrack>>> {
    let found: Vec<Option<TrackAt<'_>>> = heard
        .iter()
        .map(|heard| {
            let track = stimuli.iter().find(|track| track.name == heard.track)?;
            let (measurement, stage) =
                excerpt::measurement_for(track).filter(|_| heard.extent == Extent::Whole)?;
            Some(TrackAt { track: &track.name, start_s: heard.start_s, measurement, stage })
        })
        .collect();
    let at: Vec<TrackAt<'_>> = found.iter().flatten().copied().collect();
    let mut placed = placing.place(file, &at).map_err(|error| Error::input(error.to_string()))?.into_iter();
    Ok(found.iter().map(|found| found.and_then(|_| placed.next())).collect())
}

/// What is written of one track: from one frame to another, with its margins.
struct Cut<'a> {
    track: &'a Stimulus,
    placed: PlacedTrack,
    source: ImportSource,
    range: Range<u64>,
    writer: Option<ExcerptWriter>,
    excerpt: Option<Excerpt>,
}

impl<'a> Cut<'a> {
    /// Nothing for a track that is not whole, or that nothing measures.
    fn of(
        heard: &Heard,
        placed: Option<PlacedTrack>,
        file: &str,
        rate_hz: f64,
        searched: &Searched<'a>,
    ) -> Option<Self> {
        let track = searched.stimuli.iter().find(|track| track.name == heard.track)?;
        let mut placed = placed?;
        if placed.placement.label.is_empty() {
            placed.placement.label = format!("{}, {file} {}", heard.track, clock(heard.start_s.max(0.0)));
        }
        // Beside silence there may be anything.
        let silent = track.segments.iter().all(|segment| segment.signal == Signal::Silence);
        let margin_s = if silent { 0.0 } else { MARGIN_S };
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a time is not negative")]
        let frame = |s: f64| (s * rate_hz).round().max(0.0) as u64;
        Some(Self {
            track,
            placed,
            source: ImportSource {
                file: file.to_owned(),
                sha256: searched.sha256.clone(),
                from_s: (heard.start_s - margin_s).max(0.0),
                to_s: heard.end_s + margin_s,
            },
            range: frame(heard.start_s - margin_s)..frame(heard.end_s + margin_s),
            writer: None,
            excerpt: None,
        })
    }

    /// Writes what of a block belongs to it.
    fn take(
        &mut self,
        store: &CaptureStore,
        context: &CaptureContext,
        sample_rate_hz: u32,
        first_frame: u64,
        rows: &[Vec<f32>],
    ) -> Result<()> {
        let frames = rows.first().map_or(0, Vec::len);
        let within = |frame: u64| frame.saturating_sub(first_frame).min(frames as u64) as usize;
        let part = within(self.range.start)..within(self.range.end);
        if part.is_empty() {
            return Ok(());
        }
        let writer = match &mut self.writer {
            Some(writer) => writer,
            None => {
                let placement = Placement::of_track(self.placed.clone(), self.source.clone());
                let begun = context.begin(store, self.track, &placement, sample_rate_hz, rows.len())?;
                self.writer.insert(begun)
            }
        };
        writer.write(rows.iter().map(|row| &row[part.clone()]))?;
        if first_frame + part.end as u64 >= self.range.end {
            self.end()?;
        }
        Ok(())
    }

    fn end(&mut self) -> Result<()> {
        self.excerpt = self.writer.take().map(ExcerptWriter::finish).transpose()?.or(self.excerpt.take());
        Ok(())
    }
}

/// A track that was heard, and its capture with the place that it was given, where there is one.
type CutTrack = (Heard, Option<(Excerpt, PlacedTrack)>);

/// Makes a capture of every whole track, with its margins and all channels.
fn cut_out(
    session: &mut ImportSession<'_>,
    path: &Path,
    heard: Vec<(Heard, Option<PlacedTrack>)>,
    searched: &Searched<'_>,
) -> Result<Vec<CutTrack>> {
    let store = (session.store)()?;
    let mut audio = Reader::open(path)?;
    let sample_rate_hz = audio.sample_rate_hz();
    let (file, rate_hz) = (name(path), f64::from(sample_rate_hz));
    let mut cuts: Vec<Option<Cut<'_>>> = heard
        .iter()
        .map(|(heard, placed)| Cut::of(heard, placed.clone(), &file, rate_hz, searched))
        .collect();
    let mut rows = Vec::new();
    loop {
        let first_frame = audio.frames();
        if audio.next_block(PIECE_FRAMES, &mut rows)? == 0 {
            break;
        }
        for cut in cuts.iter_mut().flatten() {
            cut.take(&store, &searched.context, sample_rate_hz, first_frame, &rows)?;
        }
    }
    let mut kept = Vec::new();
    for ((heard, _), mut cut) in heard.into_iter().zip(cuts) {
        if let Some(cut) = &mut cut {
            // The recording may end within the margin.
            cut.end()?;
        }
        let excerpt = cut.and_then(|cut| Some((cut.excerpt?, cut.placed)));
        if let Some((excerpt, _)) = &excerpt {
            (session.on_event)(Event::Change(excerpt.begun()));
        }
        kept.push((heard, excerpt));
    }
    Ok(kept)
}

fn row(
    heard: Heard,
    measurement: Option<&'static str>,
    result: Option<(u32, Reading, PlacedTrack)>,
) -> ImportedTrack {
    let mut row = ImportedTrack {
        track: heard.track,
        from_s: heard.start_s.max(0.0),
        to_s: heard.end_s,
        extent: if heard.extent == Extent::Whole { "whole" } else { "cut" },
        measurement,
        capture: None,
        place: None,
        says: String::new(),
        values: Default::default(),
        labels: Default::default(),
        findings: Vec::new(),
    };
    match result {
        Some((id, reading, PlacedTrack { placement, finding, .. })) => {
            row.capture = Some(id);
            row.place = Some(ImportedPlace {
                set: placement.set.map(|set| set.word().to_owned()),
                position: placement.position,
                driver: placement.driver,
                channel: placement.processor_channel,
                placed_by: placement.placed_by,
            });
            row.says = in_a_line(&reading);
            row.values = reading.values;
            row.labels = reading.labels;
            row.findings = reading.findings;
            row.findings.extend(finding);
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

impl fmt::Display for ImportedPlace {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let parts = [
            self.set.clone().unwrap_or_default(),
            if self.driver.is_empty() { String::new() } else { format!("driver {}", self.driver) },
            self.channel.clone(),
            self.position.clone(),
        ];
        let parts: Vec<&str> = parts.iter().map(String::as_str).filter(|part| !part.is_empty()).collect();
        let proposed = if self.placed_by == Some(PlacedBy::Proposal) { " (proposed)" } else { "" };
        match parts.as_slice() {
            [] => f.write_str("in no set"),
            parts => write!(f, "{}{proposed}", parts.join(", ")),
        }
    }
}

impl fmt::Display for Imported {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for recording in &self.recordings {
            let ImportedRecording { file, sample_rate_hz, duration_s, known_as, tracks, findings } =
                recording;
            if known_as.is_empty() {
                writeln!(f, "{file}  ({}, {sample_rate_hz} Hz)", clock(*duration_s))?;
            } else {
                writeln!(f, "{file}")?;
            }
            findings.iter().try_for_each(|finding| writeln!(f, "  {}", finding.text))?;
            if !known_as.is_empty() {
                continue;
            }
            if tracks.is_empty() {
                writeln!(
                    f,
                    "  No track was found. Check that the right channel was searched (--channel), that the microphone \
                     heard the tracks, and that they are louder than the noise"
                )?;
                continue;
            }
            writeln!(f, "  {:>7}  {:>7}  {:12} capture  where", "from", "to", "track")?;
            for track in tracks {
                let (from, to) = (clock(track.from_s), clock(track.to_s));
                let capture = track.capture.map_or_else(|| "–".to_owned(), |id| format!("{id:04}"));
                let place = track.place.as_ref().map(ToString::to_string).unwrap_or_default();
                let line = format!("  {from:>7}  {to:>7}  {:12} {capture:7}  {place}", track.track);
                writeln!(f, "{}", line.trim_end())?;
                if !track.says.is_empty() {
                    writeln!(f, "  {:>7}  {:>7}  {}", "", "", track.says)?;
                }
            }
        }
        self.places(f)?;
        self.findings.iter().try_for_each(|finding| writeln!(f, "{}", finding.text))?;
        writeln!(f, "{}: {} with a result", self.job, counted(self.captures, "new capture", "new captures"))
    }
}

impl Imported {
    /// What is to be done about places, once for all tracks.
    fn places(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let tracks = || self.recordings.iter().flat_map(|recording| &recording.tracks);
        let with = |code: &str| -> Vec<String> {
            let said = |track: &&ImportedTrack| track.findings.iter().any(|finding| finding.code == code);
            tracks().filter(said).filter_map(|track| track.capture).map(|id| format!("{id:04}")).collect()
        };
        let (proposed, unplaced) = (with("place-proposed"), with("unplaced"));
        if !proposed.is_empty() {
            writeln!(
                f,
                "Proposed, because nobody said where they belong: {}. Confirm or correct each with `headrest job capture \
                 {} N --driver|--set|--position ...`",
                proposed.join(", "),
                self.job
            )?;
        }
        if !unplaced.is_empty() {
            writeln!(
                f,
                "In no set, because nobody said where they belong: {}. Say it with `headrest job capture {} N`, or import \
                 with --as TRACK@TIME=before:PLACE (or driver:NAME) or --table",
                unplaced.join(", "),
                self.job
            )?;
        }
        let said = |finding: &&Finding| ["place-taken", "set-finished"].contains(&finding.code.as_str());
        for track in tracks() {
            for finding in track.findings.iter().filter(said) {
                let id = track.capture.map_or_else(String::new, |id| format!("{id:04}: "));
                writeln!(f, "{id}{}", finding.text)?;
            }
        }
        Ok(())
    }
}
