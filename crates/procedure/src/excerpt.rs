//! An excerpt of a recording in which a track was recognised, made into a capture of a job.

use std::path::Path;

use host::{Registry, Run};
use jiff::Timestamp;
use job::{CaptureMeta, CaptureStore, Conditions, ImportSource, Pending, PlacedBy, Set, Stage};
use library::{Error, Result};
use measure::{Calibration, Finding, Reading, Segment, Signal, Start, Stimulus};
use project::derive::PlacedTrack;
use recording::{Reader, WavWriter};
use units::quantity::{decimals, signed, spoken};

use crate::feed::feed_recording;
use crate::pieces::PIECE_FRAMES;
use crate::{Captured, Change};

/// How much is kept before and after a track: room for the clock, for what rings on, and
/// for noise to be measured in.
pub(crate) const MARGIN_S: f64 = 0.5;

/// What is the same for all excerpts of one recording, or of one time of listening.
#[derive(Debug, Clone, Default)]
pub(crate) struct CaptureContext {
    /// The channel to measure, from 0.
    pub channel: usize,
    /// The channel that carries the reference, from 0.
    pub reference_channel: Option<usize>,
    /// What the numbers of the measured channel mean.
    pub calibration: Calibration,
    /// The set that the captures belong to.
    pub set: Option<Set>,
    /// What was recorded with.
    pub rig: String,
}

/// Where an excerpt, or a whole recording, belongs.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Placement {
    /// What the capture is called.
    pub label: String,
    /// The stage, where it is another one than the track's own.
    pub stage: Option<Stage>,
    /// The set, where it is another one than that of all excerpts.
    pub set: Option<Set>,
    /// Where the microphone was, which driver played, or which output was tapped.
    pub position: String,
    /// The driver that played alone; empty where several did.
    pub driver: String,
    /// The processor channel or side that played; empty for the whole car.
    pub processor_channel: String,
    /// The source's volume step, where it is known.
    pub volume_step: Option<u32>,
    /// The engine's speed in turns a minute, where it is known.
    pub engine_rpm: Option<f64>,
    /// All that it was made under, where that is known; the two above are part of it then.
    pub conditions: Option<Conditions>,
    /// How it is known where it belongs.
    pub placed_by: Option<PlacedBy>,
    /// The recording that it is cut out of.
    pub imported_from: Option<ImportSource>,
}

impl Placement {
    /// Where a track was placed that was found in a recording.
    pub(crate) fn of_track(placed: PlacedTrack, imported_from: ImportSource) -> Self {
        let PlacedTrack { stage, placement, .. } = placed;
        Self {
            label: placement.label,
            stage,
            set: placement.set,
            position: placement.position,
            driver: placement.driver,
            processor_channel: placement.processor_channel,
            conditions: Some(placement.conditions),
            placed_by: placement.placed_by,
            imported_from: Some(imported_from),
            ..Self::default()
        }
    }

    /// Nothing but a label.
    #[must_use]
    pub fn named(label: &str) -> Self {
        Self { label: label.to_owned(), ..Self::default() }
    }

    /// Notes where a capture belongs, where that is known.
    pub fn note(&self, meta: &mut CaptureMeta) {
        meta.label.clone_from(&self.label);
        meta.stage = self.stage.unwrap_or(meta.stage);
        meta.position.clone_from(&self.position);
        meta.driver.clone_from(&self.driver);
        meta.processor_channel.clone_from(&self.processor_channel);
        meta.conditions.volume_step = self.volume_step;
        meta.conditions.engine_rpm = self.engine_rpm;
        if let Some(conditions) = &self.conditions {
            meta.conditions.clone_from(conditions);
        }
        meta.placed_by = self.placed_by;
        meta.imported_from.clone_from(&self.imported_from);
        if self.set.is_some() {
            meta.set.clone_from(&self.set);
        }
    }

    /// Makes a capture of a whole recording whose reading is known.
    pub(crate) fn keep(
        &self,
        store: &CaptureStore,
        start: &Start,
        path: &Path,
        reading: &Reading,
    ) -> Result<Change> {
        let stage = self.stage.unwrap_or(Stage::Tune);
        let mut meta = CaptureMeta::new(&reading.measurement, reading.version, stage, Timestamp::now());
        self.note(&mut meta);
        crate::program_version::PROGRAM.clone_into(&mut meta.program);
        meta.parameters = start.parameters.clone();
        meta.stimulus.clone_from(&start.stimulus);
        meta.calibration = start.calibration.clone();
        meta.channel = start.channel;
        meta.reference_channel = start.reference_channel;
        meta.rig = format!("recording {}", path.file_name().unwrap_or_default().to_string_lossy());
        let mut audio = Reader::open(path)?;
        let pending = store.begin(&meta)?;
        let mut writer = RowWriter::create(&pending.audio_path, audio.sample_rate_hz(), audio.channels())?;
        let mut rows = Vec::new();
        while audio.next_block(PIECE_FRAMES, &mut rows)? > 0 {
            writer.write(rows.iter().map(Vec::as_slice))?;
        }
        writer.finish()?;
        Ok(Change::CaptureDone { id: pending.id, meta, reading: reading.clone() })
    }
}

/// A capture whose audio is on disk and whose reading has not been computed. It may be sent to another
/// thread for that.
#[derive(Debug, Clone)]
pub(crate) struct Excerpt {
    pending: Pending,
    meta: CaptureMeta,
}

/// What a track is measured with, and the stage that this belongs to.
#[must_use]
pub fn measurement_for(track: &Stimulus) -> Option<(&'static str, Stage)> {
    let mut sounds = track.segments.iter().filter(|segment| segment.signal != Signal::Silence);
    let Some(first) = sounds.next() else {
        return (!track.segments.is_empty()).then_some(("noise", Stage::Source));
    };
    // Against a reference burst on the other side the longest sweep is the one under test.
    let is_longer = |a: &&Segment, b: &&Segment| a.duration_s.total_cmp(&b.duration_s);
    let test = sounds.filter(|one| matches!(one.signal, Signal::Sweep { .. })).max_by(is_longer);
    let test = test.filter(|test| test.duration_s > first.duration_s && test.side != first.side);
    match test.unwrap_or(first).signal {
        // That of one driver leaves out bass or treble.
        Signal::Sweep { from_hz, to_hz, .. } if test.is_some() && from_hz < 30.0 && to_hz > 15_000.0 => {
            Some(("arrival", Stage::Timing))
        }
        // A sweep that leaves out bass or treble is for one driver.
        Signal::Sweep { from_hz, to_hz, .. } if from_hz > 30.0 || to_hz < 15_000.0 => {
            Some(("sweep", Stage::Drivers))
        }
        Signal::Sweep { .. } => Some(("sweep", Stage::Tune)),
        Signal::Pink { .. } => Some(("spectrum", Stage::Tune)),
        Signal::Sine { .. } => Some(("headroom", Stage::Source)),
        Signal::Pulse { .. } => Some(("polarity", Stage::Drivers)),
        Signal::Burst { .. } => Some(("bursts", Stage::Drivers)),
        _ => None,
    }
}

impl CaptureContext {
    /// Begins a capture of a track and writes its audio: all channels, complete.
    ///
    /// # Errors
    /// When nothing measures the track, or the job cannot be written.
    pub(crate) fn keep(
        &self,
        store: &CaptureStore,
        track: &Stimulus,
        placement: &Placement,
        sample_rate_hz: u32,
        channels: &[&[f32]],
    ) -> Result<Excerpt> {
        let mut writer = self.begin(store, track, placement, sample_rate_hz, channels.len())?;
        writer.write(channels.iter().copied())?;
        writer.finish()
    }

    /// Begins a capture of a track, whose audio comes piece by piece.
    ///
    /// # Errors
    /// As for [`CaptureContext::keep`].
    pub(crate) fn begin(
        &self,
        store: &CaptureStore,
        track: &Stimulus,
        placement: &Placement,
        sample_rate_hz: u32,
        channels: usize,
    ) -> Result<ExcerptWriter> {
        let (measurement, stage) = measurement_for(track)
            .ok_or_else(|| Error::input(format!("nothing measures the track `{}`", track.name)))?;
        let registry = Registry::built_in();
        let manifest = registry.manifest(measurement).map_err(|unknown| Error::input(unknown.to_string()))?;
        let stage = placement.stage.unwrap_or(stage);
        let mut meta = CaptureMeta::new(measurement, manifest.version, stage, Timestamp::now());
        meta.set.clone_from(&self.set);
        placement.note(&mut meta);
        crate::program_version::PROGRAM.clone_into(&mut meta.program);
        meta.parameters = manifest.defaults();
        meta.stimulus = Some(track.clone());
        meta.rig.clone_from(&self.rig);
        meta.calibration = self.calibration.clone();
        meta.channel = self.channel;
        meta.reference_channel = self.reference_channel;
        let pending = store.begin(&meta)?;
        let writer = RowWriter::create(&pending.audio_path, sample_rate_hz, channels)?;
        Ok(ExcerptWriter { writer, excerpt: Excerpt { pending, meta } })
    }
}

/// An excerpt of which not all is on disk yet.
pub(crate) struct ExcerptWriter {
    writer: RowWriter,
    excerpt: Excerpt,
}

impl ExcerptWriter {
    /// Appends frames, a row for each channel.
    pub(crate) fn write<'a>(&mut self, rows: impl ExactSizeIterator<Item = &'a [f32]> + Clone) -> Result<()> {
        self.writer.write(rows)
    }

    /// Everything is there.
    pub(crate) fn finish(self) -> Result<Excerpt> {
        self.writer.finish()?;
        Ok(self.excerpt)
    }
}

impl Excerpt {
    /// What the project notes of the beginning.
    #[must_use]
    pub(crate) fn begun(&self) -> Change {
        Change::CaptureBegun { id: self.pending.id, meta: self.meta.clone() }
    }

    /// Computes the reading from what is on disk. Takes a second or so.
    ///
    /// # Errors
    /// When the recording cannot be read.
    pub(crate) fn reading(&self) -> Result<Reading> {
        let mut audio = Reader::open(&self.pending.audio_path)?;
        let registry = Registry::built_in();
        let measurement = registry
            .measurement(&self.meta.measurement)
            .map_err(|unknown| Error::input(unknown.to_string()))?;
        feed_recording(Run::start(measurement, &start(&self.meta, &audio)), &mut audio)
    }

    /// What the project notes of its end, and what came of it.
    #[must_use]
    pub(crate) fn done(self, reading: Reading) -> (Change, Captured) {
        let captured = Captured {
            id: Some(self.pending.id),
            label: self.meta.label.clone(),
            input: self.meta.channel,
            reading: reading.clone(),
            interrupted: false,
            recording: None,
        };
        (Change::CaptureDone { id: self.pending.id, meta: self.meta, reading }, captured)
    }

    /// What the project notes when nobody waits for the reading any more: the recording is kept.
    #[must_use]
    pub(crate) fn interrupted(mut self) -> Change {
        self.meta.findings.push(crate::capture_run::interruption());
        Change::CaptureInterrupted { id: self.pending.id, meta: self.meta, reading: None }
    }
}

/// What a capture was measured with.
pub(crate) fn start(meta: &CaptureMeta, audio: &Reader) -> Start {
    Start {
        sample_rate_hz: f64::from(audio.sample_rate_hz()),
        channels: audio.channels(),
        channel: meta.channel,
        reference_channel: meta.reference_channel,
        calibration: meta.calibration.clone(),
        stimulus: meta.stimulus.clone(),
        parameters: meta.parameters.clone(),
    }
}

/// Writes a recording whose channels come as rows.
struct RowWriter {
    writer: WavWriter,
    /// Frames side by side, on their way to the file.
    interleaved: Vec<f32>,
}

impl RowWriter {
    fn create(path: &Path, sample_rate_hz: u32, channels: usize) -> Result<Self> {
        let too_many = |_| Error::input(format!("{channels} channels are too many for a WAV file"));
        let writer = WavWriter::create(path, sample_rate_hz, u16::try_from(channels).map_err(too_many)?)?;
        Ok(Self { writer, interleaved: Vec::new() })
    }

    fn write<'a>(&mut self, rows: impl ExactSizeIterator<Item = &'a [f32]> + Clone) -> Result<()> {
        let (channels, frames) = (rows.len(), rows.clone().next().map_or(0, <[f32]>::len));
        for first in (0..frames).step_by(PIECE_FRAMES) {
            let end = frames.min(first + PIECE_FRAMES);
            self.interleaved.resize((end - first) * channels, 0.0);
            for (channel, row) in rows.clone().enumerate() {
                for (place, sample) in
                    self.interleaved[channel..].iter_mut().step_by(channels).zip(&row[first..end])
                {
                    *place = *sample;
                }
            }
            self.writer.write(&self.interleaved)?;
        }
        Ok(())
    }

    fn finish(self) -> Result<()> {
        self.writer.finish()?;
        Ok(())
    }
}

/// What a reading says, in a line.
pub(crate) fn in_a_line(reading: &Reading) -> String {
    if let Some(stop) = reading.stopped() {
        return stop.text.clone();
    }
    let value = |name: &str| reading.values.get(name).copied();
    let hertz = |hz: f64| spoken("hz", hz).value;
    let mut parts = Vec::new();
    if let (Some(from), Some(to)) = (value("valid_from_hz"), value("valid_to_hz")) {
        parts.push(format!("valid from {} to {}", hertz(from), hertz(to)));
    }
    if let Some(snr_db) = value("snr_db") {
        parts.push(format!("{snr_db:.0} dB above the noise"));
    }
    let is_timed = reading.measurement == "arrival" || reading.curves.contains_key("reference");
    if let Some(arrival_s) = value("arrival_s").filter(|_| is_timed) {
        // What is written as 0.000 ms is not before anything.
        let word = if arrival_s <= -5e-7 { "before" } else { "after" };
        parts.push(format!("arrives {} ms {word} the reference", decimals(1e3 * arrival_s.abs(), 3)));
    }
    if let Some(step) = value("clean_step") {
        parts.push(format!("clean up to step {step:.0}"));
    }
    if let Some(level) = value("broadband_dbfs") {
        parts.push(spoken("dbfs", level).value);
    }
    if let (Some(from), Some(to)) = (value("heard_from_hz"), value("heard_to_hz")) {
        parts.push(format!("heard from {} to {}", hertz(from), hertz(to)));
    }
    if let (Some(ring_s), Some(at_hz)) = (value("longest_ring_s"), value("longest_ring_hz"))
        && ring_s > 0.01
    {
        parts.push(format!("rings longest at {}, {:.0} ms", hertz(at_hz), 1e3 * ring_s));
    }
    if let (Some(rms), "noise") = (value("rms_dbfs"), &*reading.measurement) {
        parts.push(format!("noise {}", spoken("dbfs", rms).value));
    }
    if let Some(polarity) = reading.labels.get("polarity") {
        let sure = value("polarity_confidence").filter(|_| reading.measurement == "polarity");
        let sure = sure.map_or_else(String::new, |sure| format!(" (confidence {:.0} %)", 100.0 * sure));
        parts.push(format!("polarity {polarity}{sure}"));
    }
    if let Some(ppm) = value("clock_ppm") {
        parts.push(format!("clock {} ppm", signed(ppm, 1)));
    }
    parts.join(", ")
}

/// What to do about a track that is not all there.
pub(crate) fn cut(track: &str) -> Finding {
    let text = format!(
        "Only a part of `{track}` was heard: the recording begins or ends within it, the player was stopped, or something \
         drowned it. Play the whole track again."
    );
    Finding::stop("cut", text)
}

#[cfg(test)]
mod tests {
    use measurements::signals::tracks;

    use super::*;

    /// Source: the table of the tracks in docs/recordings.md: each is measured with what it is made for, in
    /// the stage that needs it.
    #[test]
    fn every_standard_track_is_measured_with_what_it_is_for() {
        for track in tracks() {
            let (measurement, stage) = measurement_for(&track).expect("each is for something");
            let wanted = match track.name.as_str() {
                "tone-1k" | "tone-40" => ("headroom", Stage::Source),
                "pink" => ("spectrum", Stage::Tune),
                "sweep-full" => ("sweep", Stage::Tune),
                "arrival" => ("arrival", Stage::Timing),
                "polarity" => ("polarity", Stage::Drivers),
                "bursts" => ("bursts", Stage::Drivers),
                "quiet" => ("noise", Stage::Source),
                "sweep-sub" | "sweep-woofer" | "sweep-mid" | "sweep-high" => ("sweep", Stage::Drivers),
                name if name.starts_with("place-") => ("sweep", Stage::Drivers),
                name => panic!("the track `{name}` is not in this table"),
            };
            assert_eq!((measurement, stage), wanted, "{}", track.name);
        }
        assert_eq!(measurement_for(&Stimulus::default()), None);
    }

    #[test]
    fn a_place_is_noted_where_it_is_known() {
        let mut meta = CaptureMeta::new("sweep", 1, Stage::Tune, Timestamp::UNIX_EPOCH);
        meta.set = Some(Set::Before);
        Placement::named("a label").note(&mut meta);
        assert_eq!(
            (meta.label.as_str(), meta.stage, meta.set.clone()),
            ("a label", Stage::Tune, Some(Set::Before))
        );
        let place = Placement {
            stage: Some(Stage::Drivers),
            set: Some(Set::After),
            position: "left ear".to_owned(),
            volume_step: Some(12),
            ..Placement::named("sub")
        };
        place.note(&mut meta);
        assert_eq!(
            (meta.stage, meta.set, meta.position.as_str()),
            (Stage::Drivers, Some(Set::After), "left ear")
        );
        assert_eq!(meta.conditions.volume_step, Some(12));
    }

    #[test]
    fn a_reading_is_said_in_a_line() {
        let mut reading = Reading::new("sweep", 1, 48_000.0);
        assert_eq!(in_a_line(&reading), "");
        for (name, value) in
            [("valid_from_hz", 30.4), ("valid_to_hz", 15_000.0), ("snr_db", 51.2), ("clock_ppm", -3.26)]
        {
            reading.value(name, value);
        }
        reading.label("polarity", "inverted");
        let said = "valid from 30.4 Hz to 15 kHz, 51 dB above the noise, polarity inverted, clock −3.3 ppm";
        assert_eq!(in_a_line(&reading), said);
        reading.finding(cut("sweep-full"));
        assert!(in_a_line(&reading).starts_with("Only a part of `sweep-full`"));
        let mut arrival = Reading::new("arrival", 1, 48_000.0);
        arrival.value("arrival_s", -0.000_000_1);
        assert_eq!(in_a_line(&arrival), "arrives 0.000 ms after the reference");
    }
}
