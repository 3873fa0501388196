//! One capture under way: the engine's blocks go to disk and to the measurements at once.

use std::fs;
use std::path::{Path, PathBuf};
use std::time::Duration;

use engine::{Capture, CaptureRequest, Length, Next, Play, RunToken};
use host::{Plugin, Run};
use jiff::Timestamp;
use job::{CaptureId, CaptureMeta, Pending};
use library::{Error, Result};
use measure::{Block, Feed, Finding, FindingLevel, Manifest, Reading, Start, Stimulus};
use measurements::signals;
use rig::OpenRig;
use tempfile::TempDir;

use crate::feed::feed_recording;
use crate::pieces::Pieces;
use crate::plan::at_peak;
use crate::session::{Kept, Store};
use crate::{BlockLevel, Captured, Change, Plan, Until, plugins};

/// How long is recorded after the stimulus has ended.
const TAIL_S: f64 = 0.5;

/// How far a capture is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Pumped {
    /// A block was taken.
    More,
    /// Nothing came within the time allowed.
    Nothing,
    /// The capture is over.
    Over,
}

/// A capture under way, of one input or of several at once.
pub(crate) struct CaptureRun {
    capture: Capture,
    inputs: Vec<InputRun>,
    stimulus: Option<Stimulus>,
    recording: Option<PathBuf>,
    token: Option<RunToken>,
    until: Until,
    sample_rate_hz: f64,
    /// How long it will last, where that is known.
    expected_s: Option<f64>,
    /// Whether it ended as it was meant to, before its time.
    done: bool,
    /// How loud the first input was since somebody looked.
    levels: Vec<BlockLevel>,
    /// What is less than a piece.
    pieces: Pieces,
    /// Holds a recording that nobody else wants to keep.
    _scratch: Option<TempDir>,
}

/// What is measured at one input.
struct InputRun {
    run: Run,
    pending: Option<Pending>,
    meta: CaptureMeta,
    enough: bool,
    /// A third party's measurement, which may have to be fed afterwards.
    third_party: Option<ThirdParty>,
}

impl InputRun {
    fn id(&self) -> Option<CaptureId> {
        self.pending.as_ref().map(|pending| pending.id)
    }
}

/// What is needed to feed a third party's measurement from the recording.
struct ThirdParty {
    plugin: Plugin,
    start: Start,
    /// Where the recording is.
    audio: PathBuf,
    /// Says that it is too slow to be fed while it is recorded.
    slow: Option<Finding>,
}

impl CaptureRun {
    /// Begins a capture. Every sample goes to disk where the store says so, before it is measured.
    ///
    /// # Errors
    /// When there is no such measurement, the store cannot be written, or the rig refuses.
    pub(crate) fn begin(
        plan: &Plan,
        rig: &mut OpenRig,
        store: &Store,
        token: Option<RunToken>,
    ) -> Result<Self> {
        let registry = plugins::registry(&plan.measurement);
        let stimulus = plan.stimulus.clone().map(|stimulus| at_peak(stimulus, plan.peak_dbfs));
        let sample_rate_hz = rig.sample_rate_hz();
        let (mut inputs, mut recording, mut record_to, mut scratch) = (Vec::new(), None, None, None);
        for input in std::iter::once(plan.input).chain(plan.also.iter().copied()) {
            let measurement = registry
                .measurement(&plan.measurement)
                .map_err(|unknown| plugins::unknown(&registry, &unknown))?;
            let start = start(plan, rig, input, stimulus.clone());
            let mut meta = meta(plan, rig, &measurement.manifest(), &start);
            let plugin = registry.plugin(&plan.measurement);
            meta.plugin_hash = plugin.map(|plugin| plugin.hash().to_owned());
            // All inputs are in one recording: the first capture's, or one outside any job.
            let first = inputs.is_empty();
            meta.made_with = inputs.first().and_then(InputRun::id);
            let in_job = matches!(store, Store::Job(_) | Store::WhenNeeded(_));
            let kept =
                if first || in_job { store.begin(&meta, rig.is_simulated())? } else { Kept::default() };
            if first {
                record_to =
                    kept.pending.as_ref().map(|pending| pending.audio_path.clone()).or(kept.loose.clone());
                recording = kept.loose;
            }
            let third_party = match plugin {
                Some(plugin) => Some(ThirdParty::new(plugin, &start, &mut record_to, &mut scratch)?),
                None => None,
            };
            let run = Run::start(measurement, &start);
            inputs.push(InputRun { run, pending: kept.pending, meta, enough: false, third_party });
        }
        let (play, length, expected_s) = played(stimulus.as_ref(), plan.until, sample_rate_hz);
        let request = CaptureRequest { play, length, record_to, run: token.clone() };
        let capture = rig.capture(request)?;
        Ok(Self {
            capture,
            inputs,
            stimulus,
            recording,
            token,
            until: plan.until,
            sample_rate_hz,
            expected_s,
            done: false,
            levels: Vec::new(),
            pieces: Pieces::default(),
            _scratch: scratch,
        })
    }

    /// What the project notes of the beginning.
    pub(crate) fn begun(&self) -> Vec<Change> {
        let begun = self
            .inputs
            .iter()
            .filter_map(|input| Some(Change::CaptureBegun { id: input.id()?, meta: input.meta.clone() }));
        begun.collect()
    }

    /// Takes the next block, waiting for so long at most.
    pub(crate) fn pump(&mut self, limit: Duration) -> Pumped {
        let block = match self.capture.next_within(limit) {
            Next::Block(block) => block,
            Next::NotYet => return Pumped::Nothing,
            Next::Over => return Pumped::Over,
        };
        let channels: Vec<&[f32]> = block.channels.iter().map(Vec::as_slice).collect();
        if let Some(samples) = channels.get(self.input()).filter(|samples| !samples.is_empty()) {
            let squares: f64 = samples.iter().map(|&x| f64::from(x) * f64::from(x)).sum();
            let frames = samples.len() as f64;
            let at_s = (block.first_frame as f64 + frames / 2.0) / self.sample_rate_hz;
            self.levels.push(BlockLevel { at_s, mean_square: squares / frames });
        }
        let inputs = &mut self.inputs;
        self.pieces.take(block.first_frame, &block.channels, block.gap, &mut |piece| feed(inputs, piece));
        if !self.done && self.inputs.iter().all(|input| input.enough) {
            self.finish();
        }
        Pumped::More
    }

    /// How loud the first input was since the last time this was asked.
    pub(crate) fn levels(&mut self) -> Vec<BlockLevel> {
        std::mem::take(&mut self.levels)
    }

    /// What is played.
    #[must_use]
    pub(crate) fn stimulus(&self) -> Option<&Stimulus> {
        self.stimulus.as_ref()
    }

    /// How much has been recorded.
    #[must_use]
    pub(crate) fn elapsed_s(&self) -> f64 {
        self.capture.frames() as f64 / self.sample_rate_hz
    }

    /// How far it is, from 0 to 1, where its length is known.
    #[must_use]
    pub(crate) fn progress(&self) -> Option<f64> {
        self.expected_s.map(|expected_s| (self.elapsed_s() / expected_s).min(1.0))
    }

    /// The first input's reading so far.
    pub(crate) fn reading(&mut self) -> Reading {
        self.inputs[0].run.reading()
    }

    /// The levels of all inputs at the moment.
    #[must_use]
    pub(crate) fn meters(&self) -> Vec<engine::InputMeter> {
        self.capture.meters()
    }

    /// The first input that is measured.
    #[must_use]
    pub(crate) fn input(&self) -> usize {
        self.inputs[0].meta.channel
    }

    /// Fades the output out and ends the capture as it was meant to end.
    pub(crate) fn finish(&mut self) {
        self.done = true;
        self.capture.stop();
    }

    /// Fades the output out and ends the capture before its end.
    pub(crate) fn stop(&self) {
        self.capture.stop();
    }

    /// Ends the capture and hands over what is left to compute.
    #[must_use]
    pub(crate) fn end(mut self) -> Ended {
        let inputs = &mut self.inputs;
        self.pieces.rest(&mut |piece| feed(inputs, piece));
        let end = self.capture.finish();
        let findings: Vec<Finding> = end.findings.iter().map(rig::finding).collect();
        let recorded_s = end.frames as f64 / self.sample_rate_hz;
        let whole = self.done || self.expected_s.is_some_and(|expected_s| recorded_s >= expected_s - 1e-3);
        let ends_by_stop = self.until == Until::Stopped;
        let stopped = !whole && !ends_by_stop && self.token.as_ref().is_some_and(RunToken::is_stopped);
        // A device that vanished and a disk that is full end a capture as a person does.
        let broke_off = !whole && findings.iter().any(|finding| finding.level == FindingLevel::Stop);
        let first = self.inputs.first().and_then(|input| input.pending.clone());
        let inputs = self.inputs.into_iter().map(|mut input| {
            input.meta.findings.clone_from(&findings);
            if let (Some(first), Some(pending)) = (&first, &input.pending)
                && first != pending
                && let Err(error) = share(&first.audio_path, &pending.audio_path)
            {
                input.meta.findings.push(Finding::caution(
                    "audio-missing",
                    format!("The recording of capture {} could not be put here as well: {error}", first.id),
                ));
            }
            input
        });
        let (inputs, recording) = (inputs.collect(), self.recording);
        Ended { inputs, stopped, interrupted: stopped || broke_off, recording, _scratch: self._scratch }
    }
}

/// Feeds all inputs that want more.
fn feed(inputs: &mut [InputRun], piece: &Block<'_>) {
    for input in inputs {
        // What is too slow gets the recording afterwards.
        let slow = input.third_party.as_ref().is_some_and(|theirs| theirs.slow.is_some());
        // From the recording it is fed no further than to its end either.
        if !slow && !input.enough && input.run.feed(piece) == Feed::Enough {
            input.enough = true;
        }
    }
}

/// One recording in a second folder: the same file under another name where the disk can do that,
/// else a copy.
fn share(from: &Path, to: &Path) -> std::io::Result<()> {
    fs::hard_link(from, to).or_else(|_| fs::copy(from, to).map(drop))
}

fn start(plan: &Plan, rig: &OpenRig, input: usize, stimulus: Option<Stimulus>) -> Start {
    Start {
        sample_rate_hz: rig.sample_rate_hz(),
        channels: rig.spec().inputs.len(),
        channel: input,
        reference_channel: plan.reference,
        calibration: rig.calibration(input),
        stimulus,
        parameters: plan.parameters.clone(),
    }
}

fn meta(plan: &Plan, rig: &OpenRig, manifest: &Manifest, start: &Start) -> CaptureMeta {
    let mut meta = CaptureMeta::new(&manifest.id, manifest.version, plan.stage, Timestamp::now());
    crate::program_version::PROGRAM.clone_into(&mut meta.program);
    meta.label.clone_from(&plan.label);
    meta.position.clone_from(&plan.position);
    if let Some(input) = rig.spec().inputs.get(start.channel) {
        meta.input.clone_from(&input.name);
        if !plan.also.is_empty() {
            meta.label = format!("{}, {}", plan.label, input.name);
            meta.position.clone_from(&input.name);
        }
    }
    meta.set.clone_from(&plan.set);
    meta.parameters = plan.parameters.clone();
    meta.stimulus.clone_from(&start.stimulus);
    meta.rig = rig.spec().name.clone();
    meta.calibration = start.calibration.clone();
    meta.driver.clone_from(&plan.driver);
    meta.processor_channel.clone_from(&plan.processor_channel);
    meta.conditions.volume_step = plan.volume_step;
    meta.conditions.engine_rpm = plan.engine_rpm;
    meta.channel = start.channel;
    meta.reference_channel = plan.reference;
    // What stands in a real processor only a person knows.
    meta.setting = rig.car().map(rig::Simulated::setting);
    meta
}

/// What is played, when it ends, and how long that is.
fn played(stimulus: Option<&Stimulus>, until: Until, sample_rate_hz: f64) -> (Play, Length, Option<f64>) {
    let rows: Option<Vec<Vec<f32>>> =
        stimulus.map(|stimulus| signals::render_stereo(stimulus, sample_rate_hz).into());
    match (rows, until) {
        (Some(rows), Until::Played) => {
            let played_s = stimulus.map_or(0.0, Stimulus::duration_s);
            (Play::Once(rows), Length::Playback { tail_s: TAIL_S }, Some(played_s + TAIL_S))
        }
        (rows, Until::Seconds(seconds)) => {
            (rows.map_or(Play::Nothing, Play::Endless), Length::Seconds(seconds), Some(seconds))
        }
        (rows, Until::Told | Until::Stopped | Until::Played) => {
            (rows.map_or(Play::Nothing, Play::Endless), Length::UntilStopped, None)
        }
    }
}

impl ThirdParty {
    /// Finds out whether a plugin can be fed while it is recorded. There will be a
    /// recording in any case.
    fn new(
        plugin: &Plugin,
        start: &Start,
        record_to: &mut Option<PathBuf>,
        scratch: &mut Option<TempDir>,
    ) -> Result<Self> {
        // A plugin that fails here fails in the capture too, and is told there.
        let slow = plugin.pace(start).ok().filter(|pace| !pace.keeps_up());
        let audio = match record_to {
            Some(path) => path.clone(),
            None => {
                let folder = TempDir::new().map_err(|error| {
                    Error::io("make a folder for the recording in", &std::env::temp_dir(), &error)
                })?;
                let audio = folder.path().join("audio.wav");
                *scratch = Some(folder);
                *record_to = Some(audio.clone());
                audio
            }
        };
        let slow = slow.map(|pace| plugins::afterwards(plugin, pace));
        Ok(Self { plugin: plugin.clone(), start: start.clone(), audio, slow })
    }

    /// The reading from the recording, if that is where it has to come from.
    fn afterwards(&self, findings: &[Finding]) -> Option<Reading> {
        let dropped = findings.iter().any(|finding| finding.code == "blocks-dropped");
        if self.slow.is_none() && !dropped {
            return None;
        }
        let mut audio = recording::Reader::open(&self.audio).ok()?;
        let run = Run::start(self.plugin.measurement(), &self.start);
        let mut reading = feed_recording(run, &mut audio).ok()?;
        if let Some(slow) = &self.slow {
            reading.finding(slow.clone());
        }
        Some(reading)
    }
}

/// A capture that has ended and has not been computed; it may be sent to another thread for that.
pub(crate) struct Ended {
    inputs: Vec<InputRun>,
    /// Whether a person stopped it.
    stopped: bool,
    /// Whether it ended before its end, for whatever reason.
    interrupted: bool,
    recording: Option<PathBuf>,
    _scratch: Option<TempDir>,
}

impl Ended {
    /// Computes the readings, one for each input that was measured. What the engine had to say is
    /// part of them.
    #[must_use]
    pub(crate) fn compute(self) -> Vec<Computed> {
        let (stopped, interrupted, recording) = (self.stopped, self.interrupted, self.recording);
        let computed = self.inputs.into_iter().map(|input| {
            let InputRun { run, pending, mut meta, third_party, .. } = input;
            let afterwards = third_party.and_then(|theirs| theirs.afterwards(&meta.findings));
            let mut reading = afterwards.unwrap_or_else(|| run.finish());
            if stopped {
                meta.findings.push(interruption());
            }
            remark(&mut reading, &meta.findings);
            Computed { reading, pending, meta, stopped, interrupted, recording: recording.clone() }
        });
        computed.collect()
    }
}

/// Adds what the engine had to say of a recording to what was measured in it: what broke it off comes before
/// what that did to the measurement.
pub(crate) fn remark(reading: &mut Reading, findings: &[Finding]) {
    let (causes, remarks): (Vec<_>, Vec<_>) =
        findings.iter().cloned().partition(|finding| finding.level == FindingLevel::Stop);
    reading.findings.splice(..0, causes);
    for finding in remarks {
        reading.finding(finding);
    }
}

/// Says that a measurement was stopped before its end.
pub(crate) fn interruption() -> Finding {
    let text = "The measurement was stopped before its end. What was recorded is kept, and the result is as far as it came.";
    Finding::caution("interrupted", text)
}

/// A reading that has been computed and not been noted.
#[derive(Debug, Clone)]
pub(crate) struct Computed {
    /// What was found.
    pub reading: Reading,
    pending: Option<Pending>,
    meta: CaptureMeta,
    stopped: bool,
    interrupted: bool,
    recording: Option<PathBuf>,
}

impl Computed {
    /// What the project notes of it, where it is kept in a job, and what came of it.
    #[must_use]
    pub(crate) fn noted(self) -> (Option<Change>, Captured) {
        let Self { reading, pending, meta, stopped, interrupted, recording } = self;
        let captured = Captured {
            id: pending.map(|pending| pending.id),
            label: meta.label.clone(),
            input: meta.channel,
            reading: reading.clone(),
            interrupted,
            recording,
        };
        let change = captured.id.map(|id| {
            if interrupted {
                // Of what a person stopped before there was a result, there is nothing to tell.
                let reading = Some(reading).filter(|reading| !stopped || reading.stopped().is_none());
                Change::CaptureInterrupted { id, meta, reading }
            } else {
                Change::CaptureDone { id, meta, reading }
            }
        });
        (change, captured)
    }
}
