//! From captured samples to the file on disk, the meters and the caller's blocks.

use std::path::PathBuf;
use std::sync::Arc;

use recording::{WavWriter, WriteError};

use crate::meter::Meters;
use crate::{CaptureEnd, CapturedBlock, EngineError, EngineFinding, Gap, RigSpec};

/// How many frames are handed on at once.
pub(crate) const BLOCK_FRAMES: usize = 1_024;

/// Writes everything to disk first, then measures levels, then makes a block of it.
#[derive(Debug)]
pub(crate) struct Recorder {
    writer: Option<WavWriter>,
    path: Option<PathBuf>,
    channels: usize,
    frames: u64,
    gaps: Vec<Gap>,
    gap_before_next: bool,
    meters: Arc<Meters>,
    findings: Vec<EngineFinding>,
    rate_hz: u32,
    names: Vec<String>,
}

impl Recorder {
    /// Begins the file, if one is asked for.
    pub(crate) fn begin(spec: &RigSpec, record_to: Option<PathBuf>) -> Result<Self, EngineError> {
        let channels = spec.inputs.len();
        let writer = match &record_to {
            Some(path) => {
                let writer = WavWriter::create(path, spec.sample_rate_hz, channels as u16);
                Some(writer.map_err(|error| EngineError::Record { text: error.to_string() })?)
            }
            None => None,
        };
        Ok(Self {
            writer,
            path: record_to,
            channels,
            frames: 0,
            gaps: Vec::new(),
            gap_before_next: false,
            meters: Arc::new(Meters::new(channels, spec.sample_rate_hz)),
            findings: Vec::new(),
            rate_hz: spec.sample_rate_hz,
            names: spec.inputs.iter().map(|input| input.name.clone()).collect(),
        })
    }

    pub(crate) fn meters(&self) -> Arc<Meters> {
        Arc::clone(&self.meters)
    }

    /// Frames so far, lost ones included.
    pub(crate) fn frames(&self) -> u64 {
        self.frames
    }

    /// Takes whole interleaved frames. When the disk fails, that is a finding, and the
    /// block still reaches the caller.
    pub(crate) fn take(&mut self, interleaved: &[f32]) -> CapturedBlock {
        self.write(interleaved);
        let first_frame = self.frames;
        let frames = interleaved.len() / self.channels;
        self.frames += frames as u64;
        let mut rows: Vec<Vec<f32>> = (0..self.channels).map(|_| Vec::with_capacity(frames)).collect();
        for frame in interleaved.chunks_exact(self.channels) {
            for (row, &x) in rows.iter_mut().zip(frame) {
                row.push(x);
            }
        }
        self.meters.update(&rows);
        CapturedBlock { first_frame, channels: rows, gap: std::mem::take(&mut self.gap_before_next) }
    }

    /// Notes frames that are known to be lost: they become silence in the file, so that times
    /// stay right, and a jump in the blocks' count.
    pub(crate) fn lose(&mut self, frames: u64) {
        self.mark(frames);
        let silence = vec![0.0; BLOCK_FRAMES * self.channels];
        let mut left = frames;
        while left > 0 && self.writer.is_some() {
            let now = left.min(BLOCK_FRAMES as u64);
            self.write(&silence[..now as usize * self.channels]);
            left -= now;
        }
        self.frames += frames;
    }

    /// Notes a gap of about so many frames whose place is not exactly known; the file is
    /// left as it is.
    pub(crate) fn mark(&mut self, frames: u64) {
        self.gaps.push(Gap { at_frame: self.frames, frames });
        self.gap_before_next = true;
    }

    fn write(&mut self, interleaved: &[f32]) {
        let Some(writer) = &mut self.writer else { return };
        if let Err(error) = writer.write(interleaved) {
            let frames = self.writer.take().map_or(0, WavWriter::salvage);
            self.fail(frames, &error);
        }
    }

    /// Says at which second the recording broke off.
    fn fail(&mut self, frames: u64, error: &WriteError) {
        let after_s = frames as f64 / f64::from(self.rate_hz);
        let text = format!(
            "The recording broke off after {after_s:.1} s: {error} What was recorded until then is kept."
        );
        self.find(EngineFinding::stop("record-failed", text));
    }

    /// Notes a remark, once.
    pub(crate) fn find(&mut self, finding: EngineFinding) {
        if !self.findings.iter().any(|known| known.code == finding.code) {
            self.findings.push(finding);
        }
    }

    /// Whether something ended the recording.
    pub(crate) fn is_broken(&self) -> bool {
        self.findings.iter().any(|finding| finding.code == "record-failed")
    }

    /// Closes the file and sums up.
    pub(crate) fn end(mut self) -> CaptureEnd {
        if let Some(mut writer) = self.writer.take() {
            // Flushed before it is finished, so that what reached the disk is known when it cannot be.
            match writer.flush() {
                Ok(()) => {
                    let frames = writer.frames();
                    if let Err(error) = writer.finish() {
                        self.fail(frames, &error);
                    }
                }
                Err(error) => {
                    let frames = writer.salvage();
                    self.fail(frames, &error);
                }
            }
        }
        for (name, clipped) in self.names.clone().iter().zip(self.meters.clipped()) {
            if clipped > 0 {
                self.findings.push(EngineFinding::caution(
                    "input-clipped",
                    format!(
                        "Input `{name}` reached full scale on {clipped} samples. Turn the input gain down, or use an attenuator, and record again."
                    ),
                ));
            }
        }
        CaptureEnd {
            frames: self.frames,
            sample_rate_hz: self.rate_hz,
            channels: self.channels,
            recorded_to: self.path,
            gaps: self.gaps,
            clock: None,
            findings: self.findings,
        }
    }
}
