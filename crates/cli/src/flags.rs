//! What can be typed: the commands and their options, as `clap` sees them.

mod json;

use std::path::PathBuf;

use clap::{Args, Parser, Subcommand, ValueEnum};

pub(crate) use json::Json;

use crate::number;
use crate::source_flags::{Calibrate, Gain, Source};

/// Measure and tune the sound of a car that keeps its factory radio.
///
/// Without a command the window opens.
#[derive(Debug, Parser)]
#[command(name = "headrest", version, max_term_width = 100, after_help = SAFETY)]
pub(crate) struct Flags {
    /// Say nothing but results, cautions and errors: no progress, no notes
    #[arg(short, long, global = true)]
    pub(crate) quiet: bool,
    #[command(subcommand)]
    pub(crate) command: Option<Command>,
}

const SAFETY: &str = "Protect hearing and drivers: start quietly, and give each driver only the band it can take. \
Bridged amplifier outputs have no ground side: never connect one to an interface's ground. \
A running engine needs open air. Never operate this while driving.";

#[derive(Debug, Subcommand)]
pub(crate) enum Command {
    /// Do the whole job on the simulated car, printed stage by stage
    Demo(Demo),
    /// List the sound devices and the simulated cars
    Devices(Json),
    /// Write the test tracks for a memory stick
    Tracks(Tracks),
    /// Measure with a rig
    Measure(Measure),
    /// Wait for a test track, and measure it when it has been played
    Listen(Listen),
    /// Compute a measurement from a recording
    Analyze(Analyze),
    /// Calibrate an electrical input in volts
    #[command(subcommand)]
    Calibrate(Calibrate),
    /// Find out what the source puts out: its clean limit, its tone, its noise
    #[command(subcommand)]
    Source(Source),
    /// Compute the volts to turn each gain to, and which stage clips first
    Gain(Gain),
    /// Average responses over positions (power average, with spread)
    Average(Average),
    /// Say how two responses differ
    Compare(Compare),
    /// List, show, write and keep targets
    #[command(subcommand)]
    Target(TargetWhat),
    /// Find equalizer bands that a processor can hold
    Fit(Fit),
    /// Find delay, polarity and gain for two neighbouring drivers
    Align(Align),
    /// Find delays, crossovers, polarity and gains for a whole car
    Timing(Timing),
    /// Tune the whole car: levels, polarity, delays, crossovers and bands together, into the job
    Tune(Tune),
    /// Hear a tuning before it is typed: through a rig, or in a file for a memory stick
    Preview(Preview),
    /// Check what was typed from captures before and after
    Audit(Audit),
    /// Find how a processor defines Q from two captures
    MeaningOfQ(MeaningOfQ),
    /// Write the entry sheet of a job
    Sheet(Sheet),
    /// Write the customer's report of a job
    Report(Report),
    /// Make, fill, show, list and check job folders
    #[command(subcommand)]
    Job(Job),
    /// List, show and check measurements
    Plugins(Plugins),
    /// Print what makes a shell complete commands and options
    Completions {
        /// The shell
        shell: clap_complete::Shell,
    },
    /// Write a man page for each command into a folder, or print that of the program
    Man {
        /// The folder; it is made when it does not exist
        dir: Option<PathBuf>,
    },
}

#[derive(Debug, Args)]
pub(crate) struct Demo {
    /// Leave the job folder here [default: headrest-demo beside the current folder's other files]
    #[arg(long, value_name = "DIR")]
    pub(crate) out: Option<PathBuf>,
    /// Another simulated car: a name, or a file of your own
    #[arg(long, value_name = "CAR")]
    pub(crate) car: Option<String>,
    #[command(flatten)]
    pub(crate) json: Json,
}

#[derive(Debug, Args)]
pub(crate) struct Tracks {
    /// The folder to write into
    #[arg(value_name = "DIR")]
    pub(crate) dir: PathBuf,
    /// Samples per second
    #[arg(long, value_name = "HZ", default_value = "48000", value_parser = ["44100", "48000", "96000"])]
    pub(crate) rate: String,
    /// Bits per sample
    #[arg(long, default_value = "16", value_parser = ["16", "24"])]
    pub(crate) bits: String,
    /// The kind of file
    #[arg(long, default_value = "wav")]
    pub(crate) format: TrackFormat,
    #[command(flatten)]
    pub(crate) json: Json,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum TrackFormat {
    Wav,
    Flac,
}

#[derive(Debug, Args)]
pub(crate) struct Measure {
    /// Which measurement: level, tone, headroom, spectrum, sweep, transfer, arrival, noise, rattle and more;
    /// `headrest plugins` lists them
    pub(crate) id: String,
    /// The devices to use
    #[arg(long, value_name = "FILE", conflicts_with = "simulated")]
    pub(crate) rig: Option<PathBuf>,
    /// Use a simulated car: a name, a file, or nothing for the first one
    #[arg(long, value_name = "CAR", num_args = 0..=1, default_missing_value = "")]
    pub(crate) simulated: Option<String>,
    /// Keep the capture in this job; it is made when it does not exist
    #[arg(long, value_name = "DIR")]
    pub(crate) job: Option<PathBuf>,
    /// What to call the capture
    #[arg(long, value_name = "TEXT")]
    pub(crate) label: Option<String>,
    /// The set that the capture belongs to: before, after, or a name
    #[arg(long, value_name = "SET")]
    pub(crate) set: Option<String>,
    /// Where the microphone is, or which output is tapped
    #[arg(long, value_name = "TEXT", requires = "job")]
    pub(crate) position: Option<String>,
    /// The driver that plays alone: a sweep is then one that it can take, by its part in the job or its name
    #[arg(long, value_name = "NAME", requires = "job")]
    pub(crate) driver: Option<String>,
    /// The processor's channel or side that plays
    #[arg(long, value_name = "NAME", requires = "job")]
    pub(crate) channel: Option<String>,
    #[command(flatten)]
    pub(crate) conditions: ConditionFlags,
    /// The rig's input to measure; repeat it, or say `all`, for several at once, each a capture of its own
    /// [default: the electrical one for tone, headroom and noise, else the microphone]
    #[arg(long, value_name = "NAME")]
    pub(crate) input: Vec<String>,
    /// Set a parameter of the measurement; may be repeated
    #[arg(short = 'p', value_name = "KEY=VALUE")]
    pub(crate) parameters: Vec<String>,
    /// Wait before starting, so that the door can be shut
    #[arg(long, value_name = "SECONDS", default_value_t = 0.0, value_parser = number::seconds)]
    pub(crate) after: f64,
    #[command(flatten)]
    pub(crate) json: Json,
}

/// What a capture was made under.
#[derive(Debug, Clone, Default, Args)]
pub(crate) struct ConditionFlags {
    /// The source's volume step
    #[arg(long, value_name = "STEP")]
    pub(crate) step: Option<u32>,
    /// The engine's speed in rpm, 0 while it stands
    #[arg(long, value_name = "RPM")]
    pub(crate) rpm: Option<String>,
    /// The vehicle's speed in km/h, from a recorder that ran by itself: never operate this while driving
    #[arg(long, value_name = "KMH")]
    pub(crate) kmh: Option<String>,
    /// What the source was set to, such as a sound mode
    #[arg(long, value_name = "TEXT")]
    pub(crate) mode: Option<String>,
    /// A word of your own on what was different
    #[arg(long, value_name = "TEXT")]
    pub(crate) note: Option<String>,
}

#[derive(Debug, Args)]
pub(crate) struct Listen {
    /// The devices to use
    #[arg(long, value_name = "FILE", conflicts_with = "simulated")]
    pub(crate) rig: Option<PathBuf>,
    /// Use a simulated car: a name, a file, or nothing for the first one
    #[arg(long, value_name = "CAR", num_args = 0..=1, default_missing_value = "")]
    pub(crate) simulated: Option<String>,
    /// Keep each track as a capture of this job; it is made when it does not exist
    #[arg(long, value_name = "DIR")]
    pub(crate) job: Option<PathBuf>,
    /// The set that the captures belong to: before, after, or a name
    #[arg(long, value_name = "SET")]
    pub(crate) set: Option<String>,
    #[command(flatten)]
    pub(crate) conditions: ConditionFlags,
    /// End after so many tracks
    #[arg(long, value_name = "N", default_value_t = 1)]
    pub(crate) tracks: usize,
    /// End after so long, whatever was heard
    #[arg(long = "for", value_name = "SECONDS", value_parser = number::seconds)]
    pub(crate) seconds: Option<f64>,
    /// Play this track meanwhile; may be repeated [default: sweep-full with a simulated car]
    #[arg(long, value_name = "TRACK")]
    pub(crate) play: Vec<String>,
    #[command(flatten)]
    pub(crate) json: Json,
}

/// How a recording was made.
#[derive(Debug, Args)]
pub(crate) struct Recorded {
    /// The channel to measure, counted from 1
    #[arg(long, value_name = "N", default_value_t = 1)]
    pub(crate) channel: usize,
    /// The channel that carries the reference, counted from 1
    #[arg(long, value_name = "N")]
    pub(crate) reference_channel: Option<usize>,
    /// The microphone's own response
    #[arg(long, value_name = "FILE")]
    pub(crate) mic_cal: Option<PathBuf>,
    /// The level that 94 dB SPL gave, in dBFS
    #[arg(long, value_name = "X", allow_negative_numbers = true, value_parser = number::dbfs)]
    pub(crate) dbfs_at_94: Option<f64>,
    /// The volts of a sample value of 1.0
    #[arg(long, value_name = "X", value_parser = number::volts)]
    pub(crate) volts_per_fs: Option<f64>,
}

#[derive(Debug, Args)]
pub(crate) struct Analyze {
    /// Which measurement: level, tone, headroom, spectrum, sweep, transfer, arrival, noise, rattle and more;
    /// `headrest plugins` lists them
    pub(crate) id: String,
    /// WAV, FLAC or another sound file
    pub(crate) recording: PathBuf,
    /// The track that was played, by its name
    #[arg(long, value_name = "NAME")]
    pub(crate) track: Option<String>,
    /// The tracks.json it comes from, or a sound file that was played
    #[arg(long, value_name = "FILE")]
    pub(crate) stimulus: Option<PathBuf>,
    #[command(flatten)]
    pub(crate) recorded: Recorded,
    /// Set a parameter of the measurement; may be repeated
    #[arg(short = 'p', value_name = "KEY=VALUE")]
    pub(crate) parameters: Vec<String>,
    #[command(flatten)]
    pub(crate) json: Json,
    /// Also write the main curve or table as CSV
    #[arg(long, value_name = "FILE")]
    pub(crate) csv: Option<PathBuf>,
    /// Also write a track for each spot that rattles: a short narrow sweep to find the panel by
    #[arg(long, value_name = "DIR")]
    pub(crate) spots: Option<PathBuf>,
}

#[derive(Debug, Args)]
pub(crate) struct Average {
    /// The responses to average
    #[arg(required = true, value_name = "RESPONSE")]
    pub(crate) responses: Vec<PathBuf>,
    /// Where the average is written; `-` for standard output
    #[arg(long, value_name = "FILE")]
    pub(crate) out: PathBuf,
    #[command(flatten)]
    pub(crate) json: Json,
}

/// A target, perhaps for one driver.
#[derive(Debug, Args)]
pub(crate) struct OneTarget {
    /// The target: a name, or a file of parameters or points
    pub(crate) target: String,
    /// Make it that of one driver with a high-pass here (Linkwitz-Riley, 24 dB per octave)
    #[arg(long, value_name = "HZ", value_parser = number::hertz)]
    pub(crate) high_pass: Option<f64>,
    /// Make it that of one driver with a low-pass here
    #[arg(long, value_name = "HZ", value_parser = number::hertz)]
    pub(crate) low_pass: Option<f64>,
    /// How many points an octave
    #[arg(long, value_name = "N", default_value_t = 3.0, value_parser = number::count)]
    pub(crate) points: f64,
}

#[derive(Debug, Subcommand)]
pub(crate) enum TargetWhat {
    /// List the targets that can be named, built in and one's own
    List {
        #[command(flatten)]
        json: Json,
    },
    /// Show a target's points
    Show {
        #[command(flatten)]
        target: OneTarget,
        #[command(flatten)]
        json: Json,
    },
    /// Write a target: points to a file that ends in .csv, parameters to any other
    Export {
        #[command(flatten)]
        target: OneTarget,
        /// Where it is written; `-` for standard output, as parameters
        #[arg(long, value_name = "FILE")]
        out: PathBuf,
        #[command(flatten)]
        json: Json,
    },
    /// Keep a target file or a response file among one's own targets, so that it can be named
    Import {
        /// The file
        file: PathBuf,
        /// What it is called [default: the file's name]
        #[arg(long, value_name = "NAME")]
        name: Option<String>,
        #[command(flatten)]
        json: Json,
    },
}

#[derive(Debug, Args)]
#[command(
    after_help = "A response is a file, `-` for standard input, or part of a job: JOB:7, JOB@before. Several are \
averaged by power, and places that both were measured at are compared one by one as well; a whole job is its set `after`, \
or else `before`."
)]
pub(crate) struct Compare {
    /// What it was before: a response, a set of a job, or a job
    pub(crate) before: PathBuf,
    /// What it is after
    pub(crate) after: PathBuf,
    /// Compare from here up
    #[arg(long, value_name = "HZ", value_parser = number::hertz)]
    pub(crate) from: Option<f64>,
    /// Compare up to here
    #[arg(long, value_name = "HZ", value_parser = number::hertz)]
    pub(crate) to: Option<f64>,
    /// Smooth both to 1/N octave first; 0 for none
    #[arg(long, value_name = "N", default_value_t = 0)]
    pub(crate) smoothing: u32,
    /// Bring the second to the level of the first, so that only the tone is compared
    #[arg(long)]
    pub(crate) match_level: bool,
    /// Write the difference as a response; `-` for standard output, and nothing else there
    #[arg(long, value_name = "FILE")]
    pub(crate) csv: Option<PathBuf>,
    #[command(flatten)]
    pub(crate) json: Json,
}

#[derive(Debug, Args)]
pub(crate) struct Fit {
    /// The responses to correct, one per position
    #[arg(required_unless_present_any = ["channels", "job"], conflicts_with_all = ["channels", "job"], value_name = "RESPONSE")]
    pub(crate) responses: Vec<PathBuf>,
    /// Correct what this job holds, and put bands, target, processor and all that was found into it
    #[arg(long, value_name = "JOB", conflicts_with_all = ["channels", "lock", "high_pass", "low_pass"])]
    pub(crate) job: Option<PathBuf>,
    /// The set of the job's captures that is corrected
    #[arg(long, value_name = "SET", default_value = "before", requires = "job")]
    pub(crate) set: String,
    /// One of several channels and its responses; names that differ in left and right are a pair
    #[arg(long = "channel", value_name = "NAME=RESPONSE[,RESPONSE...]")]
    pub(crate) channels: Vec<String>,
    /// The target: a name or a file [default: flat; with --job the job's, or else car-medium]
    #[arg(long, value_name = "NAME|FILE")]
    pub(crate) target: Option<String>,
    /// The processor: a name or a file [default: parametric-free; with --job the job's, or else parametric-gridded]
    #[arg(long, value_name = "NAME|FILE")]
    pub(crate) processor: Option<String>,
    /// At most this many bands
    #[arg(long, value_name = "N")]
    pub(crate) max_bands: Option<usize>,
    /// Fit from here up
    #[arg(long, value_name = "HZ", value_parser = number::hertz)]
    pub(crate) from: Option<f64>,
    /// Fit up to here
    #[arg(long, value_name = "HZ", value_parser = number::hertz)]
    pub(crate) to: Option<f64>,
    /// No band may boost more than this
    #[arg(long, value_name = "DB", value_parser = number::decibels)]
    pub(crate) max_boost: Option<f64>,
    /// Keep these bands as they are and fit the others around them
    #[arg(long, value_name = "BANDS.csv")]
    pub(crate) lock: Option<PathBuf>,
    /// The target is that of one driver with a high-pass here (Linkwitz-Riley, 24 dB per octave)
    #[arg(long, value_name = "HZ", value_parser = number::hertz)]
    pub(crate) high_pass: Option<f64>,
    /// The target is that of one driver with a low-pass here
    #[arg(long, value_name = "HZ", value_parser = number::hertz)]
    pub(crate) low_pass: Option<f64>,
    #[command(flatten)]
    pub(crate) json: Json,
    /// Write the band list as CSV; `-` for standard output, and the rest to standard error
    #[arg(long, value_name = "BANDS.csv")]
    pub(crate) out: Option<PathBuf>,
}

#[derive(Debug, Args)]
pub(crate) struct Align {
    /// The response, with phase, of the driver below the crossover
    pub(crate) lower: PathBuf,
    /// The response, with phase, of the driver above it
    pub(crate) upper: PathBuf,
    /// Where they meet; found from the responses when not given
    #[arg(long, value_name = "HZ", value_parser = number::hertz)]
    pub(crate) crossover: Option<f64>,
    /// The longest delay that the processor has
    #[arg(long, value_name = "X", value_parser = number::milliseconds)]
    pub(crate) max_delay_ms: Option<f64>,
    /// The processor whose delays can be entered: a name or a file
    #[arg(long, value_name = "NAME|FILE")]
    pub(crate) processor: Option<String>,
    #[command(flatten)]
    pub(crate) json: Json,
}

#[derive(Debug, Args)]
pub(crate) struct Timing {
    /// Each driver and its response, with phase; `left` and `right` in a name say its side
    #[arg(value_name = "NAME=RESPONSE", conflicts_with = "job")]
    pub(crate) drivers: Vec<String>,
    /// Align the drivers that this job holds captures of, and put what was found into it
    #[arg(long, value_name = "JOB")]
    pub(crate) job: Option<PathBuf>,
    /// What a driver is for: sub, woofer, mid, tweeter, full-range, centre, fill
    #[arg(long, value_name = "NAME=ROLE")]
    pub(crate) role: Vec<String>,
    /// How far a driver is from the listener, such as `sub=2.1`, `mid=95cm` or `mid=37.5in`; alone, the
    /// delays follow from the distances
    #[arg(long, value_name = "NAME=DISTANCE")]
    pub(crate) distance: Vec<String>,
    /// When a driver's sound arrives
    #[arg(long, value_name = "NAME=MS")]
    pub(crate) arrival: Vec<String>,
    /// A crossover, from the lowest up; found from the responses when none is given
    #[arg(long, value_name = "HZ", value_parser = number::hertz)]
    pub(crate) crossover: Vec<f64>,
    /// The crossover filters were on when the responses were taken
    #[arg(long)]
    pub(crate) filtered: bool,
    /// The processor: a name or a file [default: parametric-free; with --job the job's, or else parametric-gridded]
    #[arg(long, value_name = "NAME|FILE")]
    pub(crate) processor: Option<String>,
    /// The air's temperature
    #[arg(long, value_name = "CELSIUS", default_value_t = 20.0, allow_negative_numbers = true, value_parser = number::celsius)]
    pub(crate) temperature: f64,
    #[command(flatten)]
    pub(crate) json: Json,
}

#[derive(Debug, Args)]
#[command(
    after_help = "Each driver is measured alone, at one place of the seat or better at four and more, with the other channels \
muted; captures say the driver and the place. Ctrl-C ends the search with the best found so far."
)]
pub(crate) struct Tune {
    /// The job's folder
    #[arg(value_name = "JOB")]
    pub(crate) dir: PathBuf,
    /// For whom [default: the job's, or else the driver]
    #[arg(long, value_name = "SEAT")]
    pub(crate) seat: Option<SeatWord>,
    /// Where the bands are: in each channel, in each side, in one equalizer for all [default: the job's, or else channels]
    #[arg(long, value_name = "KIND")]
    pub(crate) equalizer: Option<EqualizerWord>,
    /// The target: a name or a file [default: the job's, or else car-medium]
    #[arg(long, value_name = "NAME|FILE")]
    pub(crate) target: Option<String>,
    /// The processor: a name or a file [default: the job's, or else parametric-gridded]
    #[arg(long, value_name = "NAME|FILE")]
    pub(crate) processor: Option<String>,
    /// What a driver is for: sub, woofer, mid, tweeter, full-range, centre, fill
    #[arg(long, value_name = "NAME=ROLE")]
    pub(crate) role: Vec<String>,
    /// The bands of a channel together boost nowhere by more than this
    #[arg(long, value_name = "DB", value_parser = number::decibels)]
    pub(crate) max_boost: Option<f64>,
    /// At most this many bands in a channel
    #[arg(long, value_name = "N")]
    pub(crate) max_bands: Option<usize>,
    /// How many trials the search may make
    #[arg(long, value_name = "N", conflicts_with = "quick")]
    pub(crate) effort: Option<usize>,
    /// Alignment, levels and one fit for each side, without the search
    #[arg(long)]
    pub(crate) quick: bool,
    #[command(flatten)]
    pub(crate) json: Json,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum SeatWord {
    Driver,
    Both,
}

impl From<SeatWord> for tuning::Seat {
    fn from(word: SeatWord) -> Self {
        match word {
            SeatWord::Driver => Self::Driver,
            SeatWord::Both => Self::Both,
        }
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum EqualizerWord {
    Channels,
    Sides,
    One,
}

impl From<EqualizerWord> for tuning::Equalizer {
    fn from(word: EqualizerWord) -> Self {
        match word {
            EqualizerWord::Channels => Self::Channels,
            EqualizerWord::Sides => Self::Sides,
            EqualizerWord::One => Self::One,
        }
    }
}

const PREVIEWED: &str = "Bands, delays, gains, polarity and crossovers run in a virtual processor in the playback path. \
With the bands it is as loud as without, for A-weighted pink noise, so that louder does not sound better. \
On a terminal Enter switches (A/B), q and Enter (or Ctrl-C) ends it with a fade.

Start with the amplifiers turned down: it rises to its level within two seconds. Leave the processor's own bands off meanwhile.";

#[derive(Debug, Args)]
#[command(group(clap::ArgGroup::new("tuning").required(true).args(["bands", "job"])), after_help = PREVIEWED)]
pub(crate) struct Preview {
    /// The sound file to play, as often as it takes [default: pink noise]
    pub(crate) recording: Option<PathBuf>,
    /// The bands, as they are typed
    #[arg(long, value_name = "BANDS.csv")]
    pub(crate) bands: Option<PathBuf>,
    /// Take bands, channels and the measured car from this job
    #[arg(long, value_name = "DIR")]
    pub(crate) job: Option<PathBuf>,
    /// The processor that the bands are for, which says what Q means: a name or a file
    #[arg(long, value_name = "NAME|FILE", default_value = "parametric-free", conflicts_with = "job")]
    pub(crate) processor: String,
    /// The car's response: what it plays loud counts more when levels are matched
    #[arg(long, value_name = "RESPONSE")]
    pub(crate) car: Option<PathBuf>,
    /// Begin with the bands bypassed; with --out, write it so
    #[arg(long)]
    pub(crate) bypass: bool,
    /// The devices to use
    #[arg(long, value_name = "FILE", conflicts_with_all = ["simulated", "out"])]
    pub(crate) rig: Option<PathBuf>,
    /// Use a simulated car, which makes no sound: a name, a file, or nothing for the first one
    #[arg(long, value_name = "CAR", num_args = 0..=1, default_missing_value = "", conflicts_with = "out")]
    pub(crate) simulated: Option<String>,
    /// Play nothing; write a stereo file for a memory stick, .wav or .flac
    #[arg(long, value_name = "FILE")]
    pub(crate) out: Option<PathBuf>,
    /// Bits per sample of that file
    #[arg(long, default_value = "16", value_parser = ["16", "24"])]
    pub(crate) bits: String,
    /// How long it lasts [default: on a terminal until it is ended, else 60; with --out all of the recording, or 60 of noise]
    #[arg(long, value_name = "X", value_parser = number::seconds)]
    pub(crate) seconds: Option<f64>,
    /// Switch (A/B) after so many seconds [default: 10 without a terminal]; with --out both are in the file
    #[arg(long, value_name = "SECONDS", value_parser = number::seconds)]
    pub(crate) every: Option<f64>,
    /// The peak without the bands, at most -12, in a file -1 [default: -20; in a file -12 for noise, for a recording its own]
    #[arg(long, value_name = "DBFS", allow_negative_numbers = true, value_parser = number::dbfs)]
    pub(crate) level: Option<f64>,
    #[command(flatten)]
    pub(crate) json: Json,
}

#[derive(Debug, Args)]
pub(crate) struct MeaningOfQ {
    /// The response with no band entered
    pub(crate) flat: PathBuf,
    /// The response with one band entered
    pub(crate) with_band: PathBuf,
    /// The band that was entered, as it was typed: one peak of at least 3 dB
    #[arg(long, value_name = "BANDS.csv")]
    pub(crate) bands: PathBuf,
    /// The rate at which the processor computes
    #[arg(long, value_name = "HZ", default_value_t = 48_000.0, value_parser = number::hertz)]
    pub(crate) processor_rate: f64,
    #[command(flatten)]
    pub(crate) json: Json,
}

#[derive(Debug, Args)]
pub(crate) struct Audit {
    /// The response before the bands were entered
    #[arg(long, value_name = "RESPONSE", required_unless_present = "job")]
    pub(crate) before: Option<PathBuf>,
    /// The response after
    #[arg(long, value_name = "RESPONSE", required_unless_present = "job")]
    pub(crate) after: Option<PathBuf>,
    /// The bands that should have been entered
    #[arg(long, value_name = "BANDS.csv", required_unless_present = "job")]
    pub(crate) bands: Option<PathBuf>,
    /// Audit what this job says was entered, by its captures before and after, and keep the verdicts in it
    #[arg(long, value_name = "JOB", conflicts_with_all = ["before", "after", "bands"])]
    pub(crate) job: Option<PathBuf>,
    /// The processor: a name or a file [default: parametric-free; with --job the job's, or else parametric-gridded]
    #[arg(long, value_name = "NAME|FILE")]
    pub(crate) processor: Option<String>,
    #[command(flatten)]
    pub(crate) json: Json,
}

#[derive(Debug, Args)]
pub(crate) struct Sheet {
    /// The job's folder
    pub(crate) job: PathBuf,
    /// The form of the sheet [default: by the ending of --out, else text]
    #[arg(long)]
    pub(crate) format: Option<SheetFormat>,
    /// Write to this file instead of printing
    #[arg(long, value_name = "FILE")]
    pub(crate) out: Option<PathBuf>,
    #[command(flatten)]
    pub(crate) paper: Paper,
    /// With --out: print one JSON document of what was written. Without it: the same as --format json
    #[arg(long)]
    pub(crate) json: bool,
}

#[derive(Debug, Args)]
pub(crate) struct Paper {
    /// The paper on which HTML and PDF are printed
    #[arg(long, default_value = "a4")]
    pub(crate) paper: PaperSize,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum PaperSize {
    A4,
    Letter,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum SheetFormat {
    Text,
    Csv,
    Json,
    Html,
    Pdf,
}

#[derive(Debug, Args)]
pub(crate) struct Report {
    /// The job's folder
    pub(crate) job: PathBuf,
    /// Where the report is written
    #[arg(long, value_name = "FILE.html|FILE.pdf")]
    pub(crate) out: PathBuf,
    /// Your shop's name and words: a file like presets/reports/plain.toml, or its name
    #[arg(long, value_name = "NAME|FILE")]
    pub(crate) words: Option<String>,
    #[command(flatten)]
    pub(crate) paper: Paper,
    #[command(flatten)]
    pub(crate) json: Json,
}

#[derive(Debug, Subcommand)]
pub(crate) enum Job {
    /// Make a job folder
    New {
        /// The folder to make
        dir: PathBuf,
        /// The job's name [default: the folder's]
        #[arg(long, value_name = "TEXT")]
        name: Option<String>,
        /// The vehicle
        #[arg(long, value_name = "TEXT", default_value = "")]
        car: String,
        #[command(flatten)]
        json: Json,
    },
    /// Find the tracks in recordings of any length, and make each a capture of the job
    Import(Import),
    /// Show what a job holds
    Show {
        /// The job's folder
        dir: PathBuf,
        #[command(flatten)]
        json: Json,
    },
    /// List the jobs in a folder
    List {
        /// The folder that holds job folders
        dir: PathBuf,
        #[command(flatten)]
        json: Json,
    },
    /// Change what is noted of the job: vehicle, plate, customer, notes, target, processor
    Set(JobSet),
    /// Say where a capture belongs, put it away, or bring it back
    Capture(JobCapture),
    /// Make readings again from their recordings, and say what changed
    Compute(JobCompute),
    /// Write the sheet, the band list and the report, and the captures' responses
    Export(JobExport),
    /// Look for damage and unfinished captures, and repair what can be repaired
    Check {
        /// The job's folder
        dir: PathBuf,
        #[command(flatten)]
        json: Json,
    },
}

#[derive(Debug, Args)]
#[command(
    after_help = "Drivers are listed as NAME[:ROLE[:FEED[:CHANNEL]]] with commas between, one is changed as driver.NAME=ROLE or \
driver.NAME.role|feed|channel|place|notes; amplifiers as NAME[:POWER[:LOAD]]. What was entered into a channel of the \
processor by hand is channel.NAME.gain|delay|polarity|high-pass|low-pass, what was in it before the work \
preset.NAME.... Roles: sub, woofer, mid, tweeter, full-range, centre, fill. Feeds: left, right, both.\n\nExamples:\n  \
headrest job set JOB vehicle=\"Blue hatch\" target=car-medium processor=parametric-gridded\n  \
headrest job set JOB drivers=left-mid:mid:left,right-mid:mid:right,sub:sub:both amplifiers=front:75W:4\n  \
headrest job set JOB channel.sub.gain=-6 channel.sub.low-pass=80:linkwitz-riley:24"
)]
pub(crate) struct JobSet {
    /// The job's folder
    pub(crate) dir: PathBuf,
    /// What to change: name, vehicle, plate, customer, notes, source, tap, processor-name, target, processor, seat (driver,
    /// both), equalizer (channels, sides, one), drivers and amplifiers; nothing behind `=` takes it away
    #[arg(required = true, value_name = "KEY=VALUE")]
    pub(crate) settings: Vec<String>,
    #[command(flatten)]
    pub(crate) json: Json,
}

#[derive(Debug, Args)]
#[command(after_help = "Example:\n  headrest job capture JOB 7 --set before --position \"driver, left ear\"")]
pub(crate) struct JobCapture {
    /// The job's folder
    pub(crate) dir: PathBuf,
    /// The capture's number
    #[arg(value_name = "N")]
    pub(crate) number: u32,
    /// What to call it
    #[arg(long, value_name = "TEXT")]
    pub(crate) label: Option<String>,
    /// Where the microphone was, or which output was tapped
    #[arg(long, value_name = "TEXT")]
    pub(crate) position: Option<String>,
    /// The driver that played alone; empty where several did
    #[arg(long, value_name = "NAME")]
    pub(crate) driver: Option<String>,
    /// The processor's channel or side that played; empty for the whole car
    #[arg(long, value_name = "NAME")]
    pub(crate) channel: Option<String>,
    /// The set that it belongs to: before, after, or a name; empty for none
    #[arg(long, value_name = "SET")]
    pub(crate) set: Option<String>,
    #[command(flatten)]
    pub(crate) conditions: ConditionFlags,
    /// Put it away; its recording is kept
    #[arg(long, conflicts_with = "restore")]
    pub(crate) discard: bool,
    /// Bring it back after it was discarded
    #[arg(long)]
    pub(crate) restore: bool,
    #[command(flatten)]
    pub(crate) json: Json,
}

#[derive(Debug, Args)]
#[command(after_help = "Example:\n  headrest job compute JOB 7 8")]
pub(crate) struct JobCompute {
    /// The job's folder
    pub(crate) dir: PathBuf,
    /// The captures' numbers [default: all]
    #[arg(value_name = "N")]
    pub(crate) numbers: Vec<u32>,
    #[command(flatten)]
    pub(crate) json: Json,
}

#[derive(Debug, Args)]
#[command(after_help = "Example:\n  headrest job export JOB --captures --out handover")]
pub(crate) struct JobExport {
    /// The job's folder
    pub(crate) dir: PathBuf,
    /// The response of each capture, too
    #[arg(long)]
    pub(crate) captures: bool,
    /// Where to [default: the job's own exports]
    #[arg(long, value_name = "DIR")]
    pub(crate) out: Option<PathBuf>,
    #[command(flatten)]
    pub(crate) json: Json,
}

#[derive(Debug, Args)]
#[command(
    after_help = "A track belongs where --as or --table says, or where the recording's name says (`left-mid.wav` for a driver of that \
name, `before driver left ear.wav`), or where the job expects one next: that is a proposal and marked as one. Everything \
else is kept in no set, and that is said."
)]
pub(crate) struct Import {
    /// The job's folder; it is made when it does not exist
    pub(crate) job: PathBuf,
    /// WAV, FLAC or other sound files that hold tracks in any order
    #[arg(required = true, value_name = "RECORDING")]
    pub(crate) recordings: Vec<PathBuf>,
    /// The tracks.json of the tracks that were played [default: the standard tracks]
    #[arg(long, value_name = "FILE")]
    pub(crate) stimulus: Option<PathBuf>,
    #[command(flatten)]
    pub(crate) recorded: Recorded,
    /// When a track was played that cannot be recognised, such as `quiet=2:10-2:40`
    #[arg(long, value_name = "TRACK=FROM-TO")]
    pub(crate) at: Vec<String>,
    /// The set that the captures belong to: before, after, or a name
    #[arg(long, value_name = "SET")]
    pub(crate) set: Option<String>,
    /// Where a track belongs: TRACK[@TIME]=SET[/CHANNEL]:PLACE, =driver:NAME[:PLACE] or =output:NAME; may be repeated
    #[arg(long = "as", value_name = "TRACK@TIME=SLOT:PLACE")]
    pub(crate) places: Vec<String>,
    /// The same for many in a file: CSV with the columns file, track, time, set, position, driver, channel, output, step,
    /// rpm, kmh, mode, note, label, of which `track` must be there
    #[arg(long, value_name = "FILE")]
    pub(crate) table: Option<PathBuf>,
    /// Import a recording once more that the job has already
    #[arg(long)]
    pub(crate) again: bool,
    #[command(flatten)]
    pub(crate) conditions: ConditionFlags,
    #[command(flatten)]
    pub(crate) json: Json,
}

#[derive(Debug, Args)]
pub(crate) struct Plugins {
    #[command(subcommand)]
    pub(crate) what: Option<PluginsWhat>,
    #[command(flatten)]
    pub(crate) json: Json,
}

#[derive(Debug, Subcommand)]
pub(crate) enum PluginsWhat {
    /// List the measurements
    List {
        #[command(flatten)]
        json: Json,
    },
    /// Show a measurement's parameters with unit, default and range
    Show {
        /// The measurement, such as sweep
        id: String,
        #[command(flatten)]
        json: Json,
    },
    /// Check a measurement from a third party
    Check {
        /// The plugin's file, such as my-plugin.wasm
        file: PathBuf,
        #[command(flatten)]
        json: Json,
    },
}
