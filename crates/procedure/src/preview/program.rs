//! What is played: pink noise, or a recording, on the outputs of its sides.

use std::path::PathBuf;

use engine::RigSpec;
use recording::Audio;
use tuning::channel_reaches;

use library::{Error, Result};

use crate::analysis::refuse_what_is_no_number;

/// How much room is left for boosts: louder than this peak nothing is listened to.
pub const LOUDEST_DBFS: f64 = -12.0;
/// The longest period of the noise.
const NOISE_S: f64 = 20.0;
/// No more of a recording is played through a rig or goes into a file: it is held in memory, once for each output.
pub(super) const LONGEST_S: f64 = 600.0;

/// What is listened to.
#[derive(Debug, Clone, PartialEq)]
pub enum Program {
    /// Pink noise.
    Pink {
        /// After how long it is heard otherwise, where that is known: the noise then repeats with
        /// it, so that both ways are heard on the same stretch.
        every_s: Option<f64>,
    },
    /// A recording.
    Recording(PathBuf),
}

/// A left and a right side.
#[derive(Debug, Clone, PartialEq)]
pub struct Stereo {
    pub sample_rate_hz: u32,
    pub sides: [Vec<f32>; 2],
    /// How many channels there were.
    pub channels: usize,
}

impl Program {
    /// What it is called.
    pub fn name(&self) -> String {
        match self {
            Self::Pink { .. } => "pink noise".to_owned(),
            Self::Recording(path) => path.display().to_string(),
        }
    }

    /// Its samples; noise is one period of it at this rate, a recording comes at its own, and as far as ten minutes
    /// or a little further.
    pub fn stereo(&self, noise_rate_hz: u32) -> Result<Stereo> {
        let stereo = match self {
            Self::Pink { every_s } => pink(*every_s, noise_rate_hz),
            Self::Recording(path) => {
                let Audio { sample_rate_hz, channels: mut rows, condition } =
                    recording::read_up_to(path, LONGEST_S)?;
                refuse_what_is_no_number(path, condition)?;
                let channels = rows.len();
                rows.truncate(2);
                let right = rows.pop().unwrap_or_default();
                let left = rows.pop().unwrap_or_else(|| right.clone());
                Stereo { sample_rate_hz, sides: [left, right], channels }
            }
        };
        if stereo.peak() == 0.0 {
            return Err(Error::input(format!("{}: there is nothing but silence in it", self.name())));
        }
        Ok(stereo)
    }

    /// A row for each output of a rig, at its rate, the highest sample at a level.
    ///
    /// # Errors
    /// When a recording cannot be read, or is silent.
    pub fn rows(&self, spec: &RigSpec, peak_dbfs: f64) -> Result<Vec<Vec<f32>>> {
        let mut stereo = self.stereo(spec.sample_rate_hz)?;
        stereo.cut(LONGEST_S);
        Ok(stereo.at_rate(spec.sample_rate_hz).rows(spec, peak_dbfs))
    }
}

/// Each side its own, as in most music.
fn pink(every_s: Option<f64>, sample_rate_hz: u32) -> Stereo {
    let rate_hz = f64::from(sample_rate_hz);
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "some seconds")]
    let frames = match every_s {
        None => dsp::noise::periodic_len((NOISE_S * rate_hz) as usize),
        Some(every_s) => (every_s / (every_s / NOISE_S).ceil() * rate_hz).round() as usize,
    };
    let top_hz = 20_000_f64.min(0.45 * rate_hz);
    let sides = [1, 2].map(|seed| {
        let noise = dsp::noise::periodic_pink(frames, 20.0, top_hz, rate_hz, seed);
        noise.into_iter().map(|x| x as f32).collect()
    });
    Stereo { sample_rate_hz, sides, channels: 2 }
}

impl Stereo {
    /// How many frames it has.
    pub fn frames(&self) -> usize {
        self.sides[0].len()
    }

    /// Its highest sample.
    pub fn peak(&self) -> f32 {
        self.sides.iter().flatten().fold(0.0, |peak: f32, x| peak.max(x.abs()))
    }

    /// How many frames a time is.
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a time is not negative")]
    pub fn frames_of(&self, seconds: f64) -> usize {
        (seconds * f64::from(self.sample_rate_hz)).round() as usize
    }

    /// Lets go of what comes later.
    pub fn cut(&mut self, seconds: f64) {
        let frames = self.frames_of(seconds);
        self.sides.iter_mut().for_each(|side| side.truncate(frames));
    }

    /// Goes on from the beginning until it is so long.
    pub fn repeat(&mut self, seconds: f64) {
        let frames = self.frames_of(seconds);
        for side in &mut self.sides {
            *side = side.iter().copied().cycle().take(frames).collect();
        }
    }

    /// At another rate.
    fn at_rate(self, sample_rate_hz: u32) -> Self {
        let (from_hz, to_hz) = (f64::from(self.sample_rate_hz), f64::from(sample_rate_hz));
        let sides = self.sides.map(|side| dsp::resample::change_rate(&side, from_hz, to_hz));
        Self { sample_rate_hz, sides, ..self }
    }

    fn rows(&self, spec: &RigSpec, peak_dbfs: f64) -> Vec<Vec<f32>> {
        let gain = units::amplitude_from_db(peak_dbfs) as f32 / self.peak();
        let rows = spec.outputs.iter().enumerate().map(|(index, output)| {
            let side = |side: &str| channel_reaches(side, &output.name);
            let (left, right) = match (side("left"), side("right")) {
                (true, false) => (1.0, 0.0),
                (false, true) => (0.0, 1.0),
                _ if spec.outputs.len() == 2 => [(1.0, 0.0), (0.0, 1.0)][index],
                _ => (0.5, 0.5),
            };
            let frames = self.sides[0].iter().zip(&self.sides[1]);
            frames.map(|(l, r)| gain * (left * l + right * r)).collect()
        });
        rows.collect()
    }
}

#[cfg(test)]
mod tests {
    use engine::Output;
    use testkit::near;

    use super::*;

    #[test]
    fn a_recording_is_played_at_the_rigs_rate_and_level_on_the_outputs_of_its_sides() {
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("song.wav");
        let side = |gain: f32| (0..44_100).map(|n| gain * (n as f32 * 0.05).sin()).collect::<Vec<f32>>();
        let audio = Audio::new(44_100, vec![side(0.8), side(0.2)]);
        recording::write_wav(&path, &audio, recording::Depth::Int24, 1).expect("it is written");
        let spec = RigSpec {
            sample_rate_hz: 48_000,
            outputs: ["right-mid", "left-mid", "sub"]
                .iter()
                .zip(1..)
                .map(|(name, channel)| Output::new(channel, name))
                .collect(),
            ..RigSpec::system_default()
        };
        let rows = Program::Recording(path).rows(&spec, -20.0).expect("it is read");
        let peak = |row: &Vec<f32>| f64::from(row.iter().fold(0.0_f32, |peak, x| peak.max(x.abs())));
        assert_eq!(rows.iter().map(Vec::len).collect::<Vec<_>>(), [48_000; 3]);
        near("right", peak(&rows[0]), 0.025, 1e-3);
        near("left", peak(&rows[1]), 0.1, 1e-6);
        near("both", peak(&rows[2]), 0.0625, 1e-3);
        assert!(Program::Recording(folder.path().join("none.wav")).rows(&spec, -20.0).is_err());
    }

    #[test]
    fn one_channel_is_heard_on_both_sides_and_silence_refused() {
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("mono.wav");
        let write = |gain: f32| {
            let row: Vec<f32> = (0..2_000).map(|n| gain * (n as f32 * 0.05).sin()).collect();
            let audio = Audio::new(44_100, vec![row]);
            recording::write_wav(&path, &audio, recording::Depth::Float32, 1).expect("it is written");
        };
        write(0.3);
        let stereo = Program::Recording(path.clone()).stereo(48_000).expect("it is read");
        assert_eq!((stereo.channels, stereo.sample_rate_hz, stereo.frames()), (1, 44_100, 2_000));
        assert_eq!(stereo.sides[0], stereo.sides[1]);
        write(0.0);
        let error = Program::Recording(path).stereo(48_000).expect_err("silence").to_string();
        assert!(error.contains("mono.wav") && error.contains("silence"), "{error}");
    }

    /// Source: arithmetic: periods of at most 20 s that go into the time evenly.
    #[test]
    fn noise_repeats_with_the_change_so_that_both_ways_play_the_same() {
        for (every_s, period_s) in [(2.0, 2.0), (10.0, 10.0), (30.0, 15.0), (45.0, 15.0)] {
            let noise = Program::Pink { every_s: Some(every_s) }.stereo(8_000).expect("noise");
            assert_eq!(noise.frames(), noise.frames_of(period_s), "every {every_s} s");
            assert_ne!(noise.sides[0], noise.sides[1]);
        }
    }
}
