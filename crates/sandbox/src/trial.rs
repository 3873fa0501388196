//! A dry run: what a plugin makes of signals that everyone knows, and how fast.

use std::time::{Duration, Instant};

use measure::{Block, Calibration, Finding, Reading, Start, StimulusWanted};

use crate::fault::{Fault, Kind, UNEXPLAINED};
use crate::instance::Begun;
use crate::plugin::Plugin;
use crate::{reading, start};

/// The block by which time is measured.
const BLOCK: usize = 1_024;

/// The rate of the dry run.
const RATE_HZ: f64 = 48_000.0;

/// How long each signal lasts.
const SIGNAL_S: f64 = 2.0;

/// How long pace is measured at the most.
const PACE_LIMIT: Duration = Duration::from_millis(400);

/// How fast a plugin takes blocks.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pace {
    /// How long a block of 1,024 frames takes: the mean of those that were fed, as a
    /// plugin may gather blocks and do its work at some of them.
    pub block_s: f64,
    /// How long the slowest one took.
    pub slowest_s: f64,
    /// How long such a block lasts: the real-time budget.
    pub budget_s: f64,
}

impl Pace {
    /// Whether blocks may be fed while they are recorded: half of the budget must
    /// be left for everything else.
    #[must_use]
    pub fn keeps_up(&self) -> bool {
        self.block_s <= 0.5 * self.budget_s
    }
}

/// What a plugin made of one signal.
#[derive(Debug, Clone, PartialEq)]
pub struct Answer {
    /// The signal, in words.
    pub signal: &'static str,
    /// Its reading, or what it did wrong.
    pub reading: Result<Reading, Finding>,
}

/// A dry run.
#[derive(Debug, Clone, PartialEq)]
pub struct Trial {
    /// What it made of each signal.
    pub answers: Vec<Answer>,
    /// How fast it is; absent when it did not come so far.
    pub pace: Option<Pace>,
    /// What it wrote to the log.
    pub log: Vec<String>,
}

impl Trial {
    /// The first thing that it did wrong.
    #[must_use]
    pub fn fault(&self) -> Option<&Finding> {
        self.answers.iter().find_map(|answer| answer.reading.as_ref().err())
    }
}

impl Plugin {
    /// How the dry run starts: every parameter at its default, the stimulus that
    /// the plugin wants.
    #[must_use]
    pub fn trial_start(&self) -> Start {
        let manifest = self.manifest();
        Start {
            sample_rate_hz: RATE_HZ,
            channels: manifest.channels,
            channel: 0,
            reference_channel: manifest.needs_reference.then_some(manifest.channels - 1),
            calibration: Calibration { dbfs_at_94: Some(-30.0), volts_per_fs: Some(2.0), microphone: None },
            stimulus: match &manifest.stimulus {
                StimulusWanted::Known(stimulus) | StimulusWanted::Suggested(stimulus) => {
                    Some(stimulus.clone())
                }
                StimulusWanted::Any | StimulusWanted::Quiet => None,
            },
            parameters: manifest.defaults(),
        }
    }

    /// A dry run on silence, a sine, noise, clipped noise with a gap, and nothing at
    /// all. It ends with the first fault.
    #[must_use]
    pub fn trial(&self, start: &Start) -> Trial {
        let mut trial = Trial { answers: Vec::new(), pace: None, log: Vec::new() };
        for signal in Signal::ALL {
            let reading = self.answer(start, signal, &mut trial.log);
            let failed = reading.is_err();
            trial.answers.push(Answer { signal: signal.words(), reading });
            if failed {
                return trial;
            }
        }
        trial.pace = self.pace(start).ok();
        trial
    }

    /// How fast it takes blocks of noise, begun in this way.
    ///
    /// # Errors
    /// What it did wrong, or why it refused to begin.
    pub fn pace(&self, start: &Start) -> Result<Pace, Finding> {
        let mut measurement = self.measurement();
        measurement.start(start)?;
        let mut feeder = Feeder::new(start.channels.max(1), Signal::Noise);
        let mut taken_s: Vec<f64> = Vec::new();
        let begun = Instant::now();
        // The first blocks warm up caches and memory and are not counted.
        for index in 0..208 {
            let block = feeder.next(BLOCK, start.sample_rate_hz);
            let channels: Vec<&[f32]> = block.iter().map(Vec::as_slice).collect();
            let first_frame = (index * BLOCK) as u64;
            let before = Instant::now();
            let fed = measurement.feed(&Block { first_frame, channels: &channels, gap: false });
            let took_s = before.elapsed().as_secs_f64();
            if index >= 8 || took_s > 0.02 {
                taken_s.push(took_s);
            }
            if fed == measure::Feed::Enough || (begun.elapsed() > PACE_LIMIT && !taken_s.is_empty()) {
                break;
            }
        }
        let slowest_s = taken_s.iter().copied().fold(0.0, f64::max);
        let block_s = taken_s.iter().sum::<f64>() / taken_s.len().max(1) as f64;
        Ok(Pace { block_s, slowest_s, budget_s: BLOCK as f64 / start.sample_rate_hz })
    }

    fn answer(&self, start: &Start, signal: Signal, log: &mut Vec<String>) -> Result<Reading, Finding> {
        let manifest = self.manifest();
        let mut attempt = || -> Result<Result<Reading, Finding>, Fault> {
            let mut instance = self.instance()?;
            let read = |text: String| {
                let empty = Reading::new(&manifest.id, manifest.version, start.sample_rate_hz);
                reading::decode(&text, empty)
                    .map_err(|why| Fault::new(Kind::Reading, format!("gave a reading that {why}")))
            };
            let begun = instance.begin(&start::encode(start), start.channels, start.sample_rate_hz)?;
            if begun == Begun::Refused {
                // With every parameter at its default there is nothing to refuse.
                let why = read(instance.reading()?)?.stopped().cloned();
                return why.map(Err).ok_or_else(|| Fault::new(Kind::Refused, UNEXPLAINED));
            }
            let mut feeder = Feeder::new(start.channels.max(1), signal);
            let frames = (signal.seconds() * start.sample_rate_hz) as usize;
            let (mut done, mut turn) = (0, 0);
            while done < frames {
                // Uneven lengths, as files and devices give them.
                let length = [BLOCK, 1, 480, 4_096, 17][turn % 5].min(frames - done);
                let block = feeder.next(length, start.sample_rate_hz);
                let channels: Vec<&[f32]> = block.iter().map(Vec::as_slice).collect();
                let gap = signal == Signal::Clipped && turn == 7;
                let block = Block { first_frame: done as u64, channels: &channels, gap };
                if instance.feed(&block)? == measure::Feed::Enough {
                    break;
                }
                done += length;
                turn += 1;
                if turn == 10 {
                    read(instance.reading()?)?;
                }
            }
            let finished = read(instance.finish()?)?;
            log.extend(instance.log());
            Ok(Ok(finished))
        };
        attempt().map_err(|fault| self.finding(&fault))?
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Signal {
    Nothing,
    Silence,
    Sine,
    Noise,
    Clipped,
}

impl Signal {
    const ALL: [Self; 5] = [Self::Nothing, Self::Silence, Self::Sine, Self::Noise, Self::Clipped];

    fn words(self) -> &'static str {
        match self {
            Self::Nothing => "no block at all",
            Self::Silence => "silence",
            Self::Sine => "a sine of 1 kHz at -6 dBFS",
            Self::Noise => "white noise",
            Self::Clipped => "clipped noise with a gap",
        }
    }

    fn seconds(self) -> f64 {
        if self == Self::Nothing { 0.0 } else { SIGNAL_S }
    }
}

/// Makes blocks of a signal, a little different on each channel.
struct Feeder {
    channels: usize,
    signal: Signal,
    frame: u64,
    state: u64,
}

impl Feeder {
    fn new(channels: usize, signal: Signal) -> Self {
        Self { channels, signal, frame: 0, state: 1 }
    }

    fn next(&mut self, frames: usize, rate_hz: f64) -> Vec<Vec<f32>> {
        let first = self.frame;
        self.frame += frames as u64;
        (0..self.channels)
            .map(|channel| {
                let gain = 1.0 / (1.0 + channel as f64);
                (0..frames as u64).map(|i| (gain * self.sample(first + i, rate_hz)) as f32).collect()
            })
            .collect()
    }

    fn sample(&mut self, frame: u64, rate_hz: f64) -> f64 {
        match self.signal {
            Signal::Nothing | Signal::Silence => 0.0,
            Signal::Sine => 0.5 * (std::f64::consts::TAU * 1_000.0 * frame as f64 / rate_hz).sin(),
            Signal::Noise => 0.25 * self.noise(),
            Signal::Clipped => (2.0 * self.noise()).clamp(-1.0, 1.0),
        }
    }

    /// Uniform noise within ±1.
    ///
    /// Reference: D. E. Knuth, The Art of Computer Programming, vol. 2, 3.3.4, the
    /// multiplier of MMIX.
    fn noise(&mut self) -> f64 {
        self.state =
            self.state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.state >> 11) as f64 / (1_u64 << 52) as f64 - 1.0
    }
}
