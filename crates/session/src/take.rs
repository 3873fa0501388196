//! One capture being made and measured: the engine's blocks go to disk and to
//! the measurement at once.

use std::path::PathBuf;
use std::time::Duration;

use engine::{Capture, CaptureRequest, Length, Next, Play};
use host::{Plugin, Run};
use jiff::Timestamp;
use job::{CaptureId, CaptureMeta, Job, Pending, Set, Stage};
use measure::{Block, Feed, Finding, Manifest, Parameters, Reading, Start, Stimulus, StimulusWanted};
use measurements::signals;
use tempfile::TempDir;

use crate::analysis::feed_all;
use crate::{Error, Result, plugins};
use rig::OpenRig;

/// What is to be captured and measured.
#[derive(Debug, Clone)]
pub(crate) struct Plan {
    /// The measurement's id.
    pub(crate) measurement: String,
    /// Its parameters, checked.
    pub(crate) parameters: Parameters,
    /// What is played; nothing when the source plays by itself.
    pub(crate) stimulus: Option<Stimulus>,
    /// How loud its peak is to be, instead of what the stimulus says.
    pub(crate) peak_dbfs: Option<f64>,
    /// When it ends.
    pub(crate) until: Until,
    /// The input that is measured, from 0.
    pub(crate) input: usize,
    /// The input that carries the reference.
    pub(crate) reference: Option<usize>,
    /// What the capture is called.
    pub(crate) label: String,
    /// The set it belongs to.
    pub(crate) set: Option<Set>,
    /// The stage it is made for.
    pub(crate) stage: Stage,
    /// Where the microphone is, or which output is tapped.
    pub(crate) position: String,
    /// The driver that plays alone; empty where several do.
    pub(crate) driver: String,
    /// The processor channel or side that plays; empty for the whole car.
    pub(crate) processor_channel: String,
    /// The source's volume step, where it is known.
    pub(crate) volume_step: Option<u32>,
    /// The engine's speed in turns a minute, where it is known.
    pub(crate) engine_rpm: Option<f64>,
}

impl Plan {
    /// A capture with one input and the measurement's own stimulus and parameters.
    pub(crate) fn of(manifest: &Manifest, stage: Stage, input: usize) -> Self {
        let stimulus = match &manifest.stimulus {
            StimulusWanted::Known(stimulus) | StimulusWanted::Suggested(stimulus) => Some(stimulus.clone()),
            StimulusWanted::Any | StimulusWanted::Quiet => None,
        };
        Self {
            measurement: manifest.id.clone(),
            parameters: manifest.defaults(),
            stimulus,
            peak_dbfs: None,
            until: Until::Played,
            input,
            reference: None,
            label: manifest.title.clone(),
            set: None,
            stage,
            position: String::new(),
            driver: String::new(),
            processor_channel: String::new(),
            volume_step: None,
            engine_rpm: None,
        }
    }
}

/// When a capture ends.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Until {
    /// Half a second after the stimulus.
    Played,
    /// After so long; the stimulus is repeated if it is shorter.
    Seconds(f64),
    /// When it is stopped, or the measurement has enough.
    Stopped,
}

/// How far a take is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Pumped {
    /// A block was taken.
    More,
    /// Nothing came within the time allowed.
    Nothing,
    /// The capture is over.
    Over,
}

/// A capture under way.
pub(crate) struct Take {
    capture: Capture,
    run: Run,
    pending: Option<Pending>,
    meta: CaptureMeta,
    sample_rate_hz: f64,
    /// How long it will last, where that is known.
    expected_s: Option<f64>,
    enough: bool,
    /// What came in since somebody looked.
    heard: Vec<Heard>,
    /// A third party's measurement, which may have to be fed afterwards.
    third_party: Option<ThirdParty>,
}

/// What is needed to feed a third party's measurement from the recording.
struct ThirdParty {
    plugin: Plugin,
    start: Start,
    /// Where the recording is.
    audio: PathBuf,
    /// Says that it is too slow to be fed while it is recorded.
    slow: Option<Finding>,
    /// Holds the recording when nobody else wants to keep it.
    _scratch: Option<TempDir>,
}

/// How loud the measured input was in one block.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Heard {
    /// The middle of the block.
    pub(crate) at_s: f64,
    /// The mean of the squared samples.
    pub(crate) mean_square: f64,
}

/// A capture that has ended, with its reading.
#[derive(Debug)]
pub(crate) struct Taken {
    pub(crate) reading: Reading,
    /// Its number in the job, if it is kept in one.
    pub(crate) id: Option<CaptureId>,
}

impl Take {
    /// Begins a capture, in a job when there is one; without a job it goes to
    /// the file `loose`, or nowhere.
    pub(crate) fn begin(
        plan: &Plan,
        bench: &mut OpenRig,
        job: Option<&mut Job>,
        loose: Option<PathBuf>,
    ) -> Result<Self> {
        let registry = plugins::registry(&plan.measurement);
        let measurement = registry
            .measurement(&plan.measurement)
            .map_err(|unknown| plugins::unknown(&registry, &unknown))?;
        let manifest = measurement.manifest();
        let stimulus = plan.stimulus.clone().map(|stimulus| at_peak(stimulus, plan.peak_dbfs));
        let sample_rate_hz = f64::from(bench.spec().sample_rate_hz);
        let start = Start {
            sample_rate_hz,
            channels: bench.spec().inputs.len(),
            channel: plan.input,
            reference_channel: plan.reference,
            calibration: bench.calibration(plan.input),
            stimulus: stimulus.clone(),
            parameters: plan.parameters.clone(),
        };
        let mut meta = CaptureMeta::new(&manifest.id, manifest.version, plan.stage, Timestamp::now());
        meta.label.clone_from(&plan.label);
        meta.set.clone_from(&plan.set);
        meta.parameters = plan.parameters.clone();
        meta.stimulus.clone_from(&stimulus);
        meta.rig = bench.spec().name.clone();
        meta.calibration = start.calibration.clone();
        meta.position.clone_from(&plan.position);
        meta.driver.clone_from(&plan.driver);
        meta.processor_channel.clone_from(&plan.processor_channel);
        meta.conditions.volume_step = plan.volume_step;
        meta.conditions.engine_rpm = plan.engine_rpm;
        meta.channel = plan.input;
        meta.reference_channel = plan.reference;
        meta.plugin_hash = registry.plugin(&manifest.id).map(|plugin| plugin.hash().to_owned());
        let pending = job.map(|job| job.begin_capture(&meta)).transpose()?;
        let mut record_to = pending.as_ref().map(|pending| pending.audio_path.clone()).or(loose);
        let third_party = registry
            .plugin(&manifest.id)
            .map(|plugin| ThirdParty::new(plugin, &start, &mut record_to))
            .transpose()?;
        let played_s = stimulus.as_ref().map_or(0.0, Stimulus::duration_s);
        let rows: Option<Vec<Vec<f32>>> =
            stimulus.map(|stimulus| signals::render_stereo(&stimulus, sample_rate_hz).into());
        let (play, length, expected_s) = match (rows, plan.until) {
            (Some(rows), Until::Played) => {
                (Play::Once(rows), Length::Playback { tail_s: TAIL_S }, Some(played_s + TAIL_S))
            }
            (rows, Until::Seconds(seconds)) => {
                (rows.map_or(Play::Nothing, Play::Endless), Length::Seconds(seconds), Some(seconds))
            }
            (rows, Until::Stopped | Until::Played) => {
                (rows.map_or(Play::Nothing, Play::Endless), Length::UntilStopped, None)
            }
        };
        let request = CaptureRequest { play, length, record_to, run: None };
        let run = Run::start(measurement, &start);
        let capture = bench.capture(request)?;
        let heard = Vec::new();
        Ok(Self {
            capture,
            run,
            pending,
            meta,
            sample_rate_hz,
            expected_s,
            enough: false,
            heard,
            third_party,
        })
    }

    /// Takes the next block, waiting for so long at most.
    pub(crate) fn pump(&mut self, limit: Duration) -> Pumped {
        match self.capture.next_within(limit) {
            Next::Block(block) => {
                let channels: Vec<&[f32]> = block.channels.iter().map(Vec::as_slice).collect();
                if let Some(samples) = channels.get(self.meta.channel).filter(|samples| !samples.is_empty()) {
                    let squares: f64 = samples.iter().map(|&x| f64::from(x) * f64::from(x)).sum();
                    let frames = samples.len() as f64;
                    let at_s = (block.first_frame as f64 + frames / 2.0) / self.sample_rate_hz;
                    self.heard.push(Heard { at_s, mean_square: squares / frames });
                }
                // What is too slow gets the recording afterwards.
                if self.third_party.as_ref().is_some_and(|theirs| theirs.slow.is_some()) {
                    return Pumped::More;
                }
                let block = Block { first_frame: block.first_frame, channels: &channels, gap: block.gap };
                if self.run.feed(&block) == Feed::Enough && !self.enough {
                    self.enough = true;
                    self.capture.stop();
                }
                Pumped::More
            }
            Next::NotYet => Pumped::Nothing,
            Next::Over => Pumped::Over,
        }
    }

    /// How loud it was since the last time this was asked.
    pub(crate) fn heard(&mut self) -> Vec<Heard> {
        std::mem::take(&mut self.heard)
    }

    /// What is played.
    pub(crate) fn stimulus(&self) -> Option<&Stimulus> {
        self.meta.stimulus.as_ref()
    }

    /// How much has been recorded.
    pub(crate) fn elapsed_s(&self) -> f64 {
        self.capture.frames() as f64 / self.sample_rate_hz
    }

    /// How far it is, from 0 to 1, where its length is known.
    pub(crate) fn progress(&self) -> Option<f64> {
        self.expected_s.map(|expected_s| (self.elapsed_s() / expected_s).min(1.0))
    }

    /// The reading so far.
    pub(crate) fn reading(&mut self) -> Reading {
        self.run.reading()
    }

    /// The levels of all inputs at the moment.
    pub(crate) fn meters(&self) -> Vec<engine::InputMeter> {
        self.capture.meters()
    }

    /// Which input is measured.
    pub(crate) fn input(&self) -> usize {
        self.meta.channel
    }

    /// Fades the output out and ends the capture.
    pub(crate) fn stop(&self) {
        self.capture.stop();
    }

    /// Ends the capture and hands over what is left to compute.
    pub(crate) fn end(self) -> Ended {
        let end = self.capture.finish();
        let mut meta = self.meta;
        meta.findings = end.findings.iter().map(rig::finding).collect();
        Ended { run: self.run, pending: self.pending, meta, third_party: self.third_party }
    }
}

impl ThirdParty {
    /// Finds out whether a plugin can be fed while it is recorded. There will be a
    /// recording in any case.
    fn new(plugin: &Plugin, start: &Start, record_to: &mut Option<PathBuf>) -> Result<Self> {
        // A plugin that fails here fails in the capture too, and is told there.
        let slow = plugin.pace(start).ok().filter(|pace| !pace.keeps_up());
        let mut scratch = None;
        let audio = match record_to {
            Some(path) => path.clone(),
            None => {
                let folder = TempDir::new().map_err(|error| {
                    Error::io("make a folder for the recording in", &std::env::temp_dir(), &error)
                })?;
                let audio = folder.path().join("audio.wav");
                scratch = Some(folder);
                *record_to = Some(audio.clone());
                audio
            }
        };
        let slow = slow.map(|pace| plugins::afterwards(plugin, pace));
        Ok(Self { plugin: plugin.clone(), start: start.clone(), audio, slow, _scratch: scratch })
    }

    /// The reading from the recording, if that is where it has to come from.
    fn afterwards(&self, findings: &[Finding]) -> Option<Reading> {
        let dropped = findings.iter().any(|finding| finding.code == "blocks-dropped");
        if self.slow.is_none() && !dropped {
            return None;
        }
        let audio = recording::read(&self.audio).ok()?;
        let mut reading = feed_all(Run::start(self.plugin.measurement(), &self.start), &audio);
        if let Some(slow) = &self.slow {
            reading.finding(slow.clone());
        }
        Some(reading)
    }
}

/// A capture that has ended and has not been computed; it may be sent to
/// another thread for that.
pub(crate) struct Ended {
    run: Run,
    pending: Option<Pending>,
    meta: CaptureMeta,
    third_party: Option<ThirdParty>,
}

/// A capture that has been computed and not been saved.
pub(crate) struct Computed {
    reading: Reading,
    pending: Option<Pending>,
    meta: CaptureMeta,
}

impl Ended {
    /// Computes the reading. What the engine had to say is part of it.
    pub(crate) fn compute(self) -> Computed {
        let afterwards = self.third_party.and_then(|theirs| theirs.afterwards(&self.meta.findings));
        let mut reading = afterwards.unwrap_or_else(|| self.run.finish());
        for finding in &self.meta.findings {
            reading.finding(finding.clone());
        }
        Computed { reading, pending: self.pending, meta: self.meta }
    }
}

impl Ended {
    /// Keeps the recording in the job as one that was broken off.
    pub(crate) fn abandon(mut self, job: &mut Job) -> Result<Option<CaptureId>> {
        // It is no side of a comparison.
        self.meta.set = None;
        Ok(self.pending.map(|pending| job.abandon_capture(&pending, self.meta)).transpose()?)
    }
}

impl Computed {
    /// Keeps the reading in the job, if there is one.
    pub(crate) fn keep(self, job: Option<&mut Job>) -> Result<Taken> {
        let id = match (job, self.pending) {
            (Some(job), Some(pending)) => Some(job.finish_capture(&pending, &self.reading, self.meta)?),
            _ => None,
        };
        Ok(Taken { reading: self.reading, id })
    }
}

/// How long is recorded after the stimulus has ended.
const TAIL_S: f64 = 0.5;

/// The stimulus with its highest peak at another level.
pub(crate) fn at_peak(mut stimulus: Stimulus, peak_dbfs: Option<f64>) -> Stimulus {
    if let (Some(wanted), Some(peak)) = (peak_dbfs, stimulus.peak_dbfs()) {
        let sounding = |segment: &&mut measure::Segment| segment.signal != measure::Signal::Silence;
        for segment in stimulus.segments.iter_mut().filter(sounding) {
            segment.peak_dbfs += wanted - peak;
        }
    }
    stimulus
}

/// Makes one capture from beginning to end and waits for it.
pub(crate) fn take(
    plan: &Plan,
    bench: &mut OpenRig,
    mut job: Option<&mut Job>,
    loose: Option<PathBuf>,
    meanwhile: &mut dyn FnMut(&mut Take, &mut OpenRig) -> Result<()>,
) -> Result<Taken> {
    let mut take = Take::begin(plan, bench, job.as_deref_mut(), loose)?;
    while take.pump(Duration::from_millis(200)) != Pumped::Over {
        meanwhile(&mut take, bench)?;
    }
    take.end().compute().keep(job)
}
