//! A tuning in a file for a memory stick: a car without an input plays it through its own radio.

use std::path::Path;

use engine::RigSpec;
use preview::{Chain, Preview};
use recording::{Audio, Depth};

use super::program::{LONGEST_S, Stereo};
use super::{LOUDEST_DBFS, PreviewFile, PreviewOrder, PreviewReport, PreviewTuning, Program};
use library::{Error, Result};

/// The highest sample in a file: a converter makes a little more of it between two samples. Common
/// practice, no source.
const HIGHEST_DBFS: f64 = -1.0;
/// The rate of noise.
const NOISE_RATE_HZ: u32 = 48_000;
/// How long noise lasts when nobody says so.
const NOISE_S: f64 = 60.0;
/// The fades at the beginning and the end.
const FADE_S: f64 = 0.01;
/// So many frames are computed at once.
const BLOCK_FRAMES: usize = 4_096;

/// Writes a recording, or pink noise, through the virtual processor into a WAV or FLAC file: with
/// the bands, without them, or both in turn. All three of one recording are equally loud, and nothing
/// in them clips: what the higher peak of the two ways has too much is taken off both.
///
/// # Errors
/// When something that was given cannot be used, or the file cannot be written.
pub fn preview_file(
    tuning: &PreviewTuning,
    order: &PreviewOrder,
    out: &Path,
    bits: u16,
) -> Result<PreviewReport> {
    order.check(HIGHEST_DBFS)?;
    let format = Format::of(out, bits)?;
    let program = order.program();
    let mut sound = read(order, &program, out)?;
    let spec = outputs(sound.sample_rate_hz);
    let findings = tuning.left_out(&spec)?;
    let noise_dbfs = order.recording.is_none().then_some(LOUDEST_DBFS);
    let way = Way { begins_with: !order.without, every_s: order.every_s };
    let rendered = render(tuning, &spec, &mut sound, order.level_dbfs.or(noise_dbfs), way)?;
    let report = PreviewReport {
        program: program.name(),
        sample_rate_hz: sound.sample_rate_hz,
        seconds: sound.frames() as f64 / f64::from(sound.sample_rate_hz),
        peak_dbfs: rendered.plain_dbfs,
        bands: tuning.bands.len(),
        matched_db: -tuning.louder_db(&spec)?,
        matched_in_car: tuning.car.is_some(),
        switched: rendered.switched,
        file: Some(PreviewFile {
            path: out.to_owned(),
            bits,
            holds: match way {
                Way { every_s: Some(_), .. } => "both",
                Way { begins_with: true, .. } => "with",
                Way { begins_with: false, .. } => "without",
            },
            lowered_db: rendered.lowered_db,
            peak_dbfs: units::db_from_amplitude(f64::from(sound.peak())),
        }),
        heard: None,
        findings,
    };
    format.write(out, sound)?;
    Ok(report)
}

/// What is played, as long as it was asked for.
fn read(order: &PreviewOrder, program: &Program, out: &Path) -> Result<Stereo> {
    let too_long = order.seconds.filter(|seconds| *seconds > LONGEST_S);
    if let Some(seconds) = too_long {
        return Err(Error::input(format!("--seconds {seconds}: a file lasts {LONGEST_S} seconds at most")));
    }
    let mut sound = program.stereo(NOISE_RATE_HZ)?;
    if let Program::Recording(path) = program
        && path.canonicalize().is_ok_and(|path| out.canonicalize().is_ok_and(|out| path == out))
    {
        return Err(Error::input(format!(
            "{}: this is the recording itself, which is never overwritten; name another file with --out",
            out.display()
        )));
    }
    if sound.channels > 2 {
        return Err(Error::input(format!(
            "{}: it has {} channels, and a memory stick in a car plays two; save it as stereo first",
            program.name(),
            sound.channels
        )));
    }
    match program {
        Program::Pink { .. } => sound.repeat(order.seconds.unwrap_or(NOISE_S)),
        Program::Recording(_) if order.seconds.is_none() && sound.frames() > sound.frames_of(LONGEST_S) => {
            return Err(Error::input(format!(
                "{}: it is longer than the {LONGEST_S} seconds that a file lasts at most; take its beginning with --seconds",
                program.name()
            )));
        }
        Program::Recording(_) => sound.cut(order.seconds.unwrap_or(LONGEST_S)),
    }
    Ok(sound)
}

/// What a radio plays from a memory stick.
fn outputs(sample_rate_hz: u32) -> RigSpec {
    RigSpec { name: "a file".to_owned(), sample_rate_hz, ..RigSpec::system_default() }
}

/// Which of the two ways is heard when.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Way {
    begins_with: bool,
    every_s: Option<f64>,
}

/// What was done to a sound.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Rendered {
    /// The highest sample without the bands.
    plain_dbfs: f64,
    lowered_db: f64,
    switched: u32,
}

/// Runs a sound through the virtual processor, in place. Its highest sample without the bands comes
/// to a level, or stays where it is; then both ways are lowered until neither clips.
fn render(
    heard: &PreviewTuning,
    spec: &RigSpec,
    sound: &mut Stereo,
    level_dbfs: Option<f64>,
    way: Way,
) -> Result<Rendered> {
    let chain = |with: bool| heard.chain(spec, with);
    let own_dbfs = units::db_from_amplitude(f64::from(sound.peak()));
    let asked_db = level_dbfs.map_or(0.0, |level_dbfs| level_dbfs - own_dbfs);
    let (plain, with) = (peak_through(chain(false)?, sound), peak_through(chain(true)?, sound));
    let switched = match way.every_s {
        None => {
            let frames = sound.frames();
            run(&mut Preview::new(chain(way.begins_with)?), sound, 0, frames);
            0
        }
        Some(every_s) => run_in_turn(&chain, sound, way.begins_with, every_s)?,
    };
    // What is heard while one way fades into the other counts as well.
    let highest = plain.max(with).max(sound.peak());
    let highest_dbfs = units::db_from_amplitude(f64::from(highest)) + asked_db;
    let lowered_db = (highest_dbfs - HIGHEST_DBFS).max(0.0);
    let gain_db = asked_db - lowered_db;
    let gain = units::amplitude_from_db(gain_db) as f32;
    sound.sides.iter_mut().flatten().for_each(|sample| *sample *= gain);
    Ok(Rendered { plain_dbfs: units::db_from_amplitude(f64::from(plain)) + gain_db, lowered_db, switched })
}

/// The highest sample that comes out of a tuning.
fn peak_through(chain: Box<Chain>, sound: &Stereo) -> f32 {
    let mut preview = Preview::new(chain);
    let mut peak = 0.0_f32;
    for from in (0..sound.frames()).step_by(BLOCK_FRAMES) {
        let block = through(&mut preview, sound, from, sound.frames().min(from + BLOCK_FRAMES));
        peak = block.iter().fold(peak, |peak, x| peak.max(x.abs()));
    }
    peak
}

/// Begins one way and changes to the other after every so many seconds, without a click.
fn run_in_turn(
    chain: &dyn Fn(bool) -> Result<Box<Chain>>,
    sound: &mut Stereo,
    begins_with: bool,
    every_s: f64,
) -> Result<u32> {
    let mut preview = Preview::new(chain(begins_with)?);
    let every = sound.frames_of(every_s).max(1);
    let (mut with, mut switched) = (begins_with, 0);
    for from in (0..sound.frames()).step_by(every) {
        if from > 0 {
            // The change before is long over.
            drop(preview.retired());
            with = !with;
            if preview.switch(chain(with)?).is_ok() {
                switched += 1;
            }
        }
        let to = sound.frames().min(from + every);
        run(&mut preview, sound, from, to);
    }
    Ok(switched)
}

/// Runs a stretch of frames through it, in place.
fn run(preview: &mut Preview, sound: &mut Stereo, from: usize, to: usize) {
    for start in (from..to).step_by(BLOCK_FRAMES) {
        let end = to.min(start + BLOCK_FRAMES);
        let block = through(preview, sound, start, end);
        for (at, frame) in (start..end).zip(block.chunks_exact(2)) {
            sound.sides[0][at] = frame[0];
            sound.sides[1][at] = frame[1];
        }
    }
}

/// A stretch of frames as it comes out, with the fades of the whole.
fn through(preview: &mut Preview, sound: &Stereo, from: usize, to: usize) -> Vec<f32> {
    let mut block: Vec<f32> = (from..to).flat_map(|at| [sound.sides[0][at], sound.sides[1][at]]).collect();
    preview.process(&mut block);
    let (last, fade_frames) = (sound.frames() - 1, sound.frames_of(FADE_S).max(1) as f64);
    for (at, frame) in (from..to).zip(block.chunks_exact_mut(2)) {
        let from_edge = at.min(last - at) as f64;
        let gain = dsp::window::rise((from_edge + 0.5) / fade_frames) as f32;
        frame.iter_mut().for_each(|sample| *sample *= gain);
    }
    block
}

/// A kind of file, and how fine it is.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Format {
    depth: Depth,
    flac: bool,
}

/// The same file comes out every time.
const DITHER_SEED: u64 = 1;

impl Format {
    fn of(out: &Path, bits: u16) -> Result<Self> {
        let depth = match bits {
            16 => Depth::Int16,
            24 => Depth::Int24,
            other => return Err(Error::input(format!("--bits {other}: expected 16 or 24"))),
        };
        let ending = out.extension().map(|ending| ending.to_string_lossy().to_lowercase());
        match ending.as_deref() {
            Some("wav") => Ok(Self { depth, flac: false }),
            Some("flac") => Ok(Self { depth, flac: true }),
            _ => Err(Error::input(format!(
                "--out {}: expected a name that ends in .wav or .flac",
                out.display()
            ))),
        }
    }

    fn write(self, out: &Path, sound: Stereo) -> Result<()> {
        let audio = Audio::new(sound.sample_rate_hz, sound.sides.into());
        if self.flac {
            recording::write_flac(out, &audio, self.depth, DITHER_SEED)?;
        } else {
            recording::write_wav(out, &audio, self.depth, DITHER_SEED)?;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests;
