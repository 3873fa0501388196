//! What can be typed after `calibrate`, `source` and `gain`.

use std::path::PathBuf;

use clap::{Args, Subcommand, ValueEnum};

use crate::flags::Json;
use crate::number;

/// What can be calibrated.
#[derive(Debug, Subcommand)]
pub(crate) enum Calibrate {
    /// Find what the numbers of an input are in volts, with a tone and a meter
    ///
    /// Connect a meter (AC volts) and the interface's input to the same output, let the tone
    /// play, and type what the meter shows. The result is written into the rig file with the day and
    /// the attenuator.
    Volts(Volts),
    /// Compute an attenuator pad from its resistors, and note it for an input
    Pad(Pad),
}

#[derive(Debug, Args)]
pub(crate) struct Volts {
    /// The rig file whose input is calibrated; the result is written into it
    #[arg(long, value_name = "FILE", conflicts_with = "simulated")]
    pub(crate) rig: Option<PathBuf>,
    /// Try it out on a simulated car: a name, a file, or nothing for the first one
    #[arg(long, value_name = "CAR", num_args = 0..=1, default_missing_value = "")]
    pub(crate) simulated: Option<String>,
    /// Use a recording of the tone through that input instead of hearing it now
    #[arg(long, value_name = "FILE", conflicts_with = "simulated")]
    pub(crate) recording: Option<PathBuf>,
    /// The recording's channel, counted from 1
    #[arg(long, value_name = "N", default_value_t = 1)]
    pub(crate) channel: usize,
    /// The input's name in the rig file [default: the only electrical one]
    #[arg(long, value_name = "NAME")]
    pub(crate) input: Option<String>,
    /// What the meter shows, such as 2.05 or 850mV; asked for when it is not given
    #[arg(long, value_name = "VOLTS")]
    pub(crate) meter: Option<String>,
    /// The tone's frequency
    #[arg(long, value_name = "HZ", default_value_t = 1_000.0, value_parser = number::hertz)]
    pub(crate) tone: f64,
    /// How loud the rig plays it (peak); `--source-plays` for a source that plays it itself
    #[arg(long, value_name = "DBFS", default_value_t = -12.0, allow_negative_numbers = true, value_parser = number::dbfs)]
    pub(crate) level: f64,
    /// Play nothing: the tone comes from the source's own memory stick
    #[arg(long)]
    pub(crate) source_plays: bool,
    /// The attenuator between the meter's point and the input
    #[arg(long, value_name = "DB", conflicts_with = "pad", value_parser = number::decibels)]
    pub(crate) attenuator_db: Option<f64>,
    /// The same by its resistors: series and shunt, such as 10k,1k
    #[arg(long, value_name = "SERIES,SHUNT")]
    pub(crate) pad: Option<String>,
    /// The impedance of the interface's input, such as 20k, for --pad
    #[arg(long, value_name = "OHMS")]
    pub(crate) input_ohms: Option<String>,
    /// Write what was found into this job's notes as well
    #[arg(long, value_name = "DIR")]
    pub(crate) job: Option<PathBuf>,
    #[command(flatten)]
    pub(crate) json: Json,
}

#[derive(Debug, Args)]
pub(crate) struct Pad {
    /// The series resistor, such as 10k or 4k7
    pub(crate) series: String,
    /// The shunt resistor
    pub(crate) shunt: String,
    /// The impedance of the interface's input
    #[arg(long, value_name = "OHMS")]
    pub(crate) input_ohms: Option<String>,
    /// There is a series resistor in the return wire as well
    #[arg(long)]
    pub(crate) balanced: bool,
    /// The highest voltage (RMS) that will be measured
    #[arg(long, value_name = "VOLTS")]
    pub(crate) largest_v: Option<String>,
    /// Note the pad for an input of this rig file, and move its calibration with it
    #[arg(long, value_name = "FILE")]
    pub(crate) rig: Option<PathBuf>,
    /// The input's name in the rig file [default: the only electrical one]
    #[arg(long, value_name = "NAME", requires = "rig")]
    pub(crate) input: Option<String>,
    /// Write what was found into this job's notes as well
    #[arg(long, value_name = "DIR")]
    pub(crate) job: Option<PathBuf>,
    #[command(flatten)]
    pub(crate) json: Json,
}

/// What can be found out about the source.
#[derive(Debug, Subcommand)]
pub(crate) enum Source {
    /// Find the clean limit over all outputs: the one number for the customer
    ///
    /// Live: connect one output after another while the tone plays (1 kHz, 40 Hz for a subwoofer's
    /// output), and raise the volume step by step; it follows by itself. Tone controls flat, loudness off, a
    /// bass control that the customer uses at its maximum.
    /// From recordings: name each output with its file, `front=front.wav sub=sub.wav`.
    Headroom(Headroom),
    /// Find out the tone of each output: flatness, band ends, peaks, and what follows the volume
    ///
    /// From recordings of a sweep track (or pink noise, or response files): `front=front.wav`, at several
    /// volume steps `front@12=a.wav front@24=b.wav`. Channels of one recording share a clock: only they tell delay,
    /// and how outputs add up.
    Tone(Tone),
    /// Find out the noise: signal-to-noise ratio at the clean step, hum, whine that follows the engine
    ///
    /// From recordings of silence: `off=off.wav idle@800=idle.wav fast@2000=fast.wav`, the engine's speed in rpm
    /// after `@` where it is known. A running engine needs open air.
    Noise(Noise),
}

/// How the bass control stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum Bass {
    Flat,
    Max,
}

#[derive(Debug, Args)]
pub(crate) struct Headroom {
    /// Recordings of each output while the volume was raised: NAME=FILE, or NAME=FILE#CHANNEL
    #[arg(value_name = "NAME=FILE", conflicts_with_all = ["rig", "simulated"])]
    pub(crate) recordings: Vec<String>,
    /// The devices to use
    #[arg(long, value_name = "FILE", conflicts_with = "simulated")]
    pub(crate) rig: Option<PathBuf>,
    /// Use a simulated car: a name, a file, or nothing for the first one
    #[arg(long, value_name = "CAR", num_args = 0..=1, default_missing_value = "")]
    pub(crate) simulated: Option<String>,
    /// The outputs in the order of the work, such as front,rear,sub:40
    #[arg(long, value_name = "NAME[:HZ],...", value_delimiter = ',')]
    pub(crate) outputs: Vec<String>,
    /// The rig's input that is connected [default: the only electrical one]
    #[arg(long, value_name = "NAME")]
    pub(crate) input: Option<String>,
    /// The number of the volume step at which each volume sweep begins
    #[arg(long, value_name = "N", allow_negative_numbers = true)]
    pub(crate) first_step: Option<i64>,
    /// How the bass control stands meanwhile
    #[arg(long, value_name = "HOW")]
    pub(crate) bass: Option<Bass>,
    /// A step is clean below this THD
    #[arg(long, value_name = "PERCENT", default_value_t = 1.0, value_parser = number::percent)]
    pub(crate) thd_limit: f64,
    /// The volts of a sample value of 1.0, for recordings
    #[arg(long, value_name = "X", value_parser = number::volts)]
    pub(crate) volts_per_fs: Option<f64>,
    /// Play nothing: the tone comes from the source's own memory stick
    #[arg(long)]
    pub(crate) source_plays: bool,
    /// Let the simulated car run by the clock, as a real one would
    #[arg(long, requires = "simulated")]
    pub(crate) real_time: bool,
    /// Keep the captures and the result in this job; it is made when it does not exist
    #[arg(long, value_name = "DIR")]
    pub(crate) job: Option<PathBuf>,
    #[command(flatten)]
    pub(crate) json: Json,
}

#[derive(Debug, Args)]
pub(crate) struct Gain {
    /// What the amplifier can deliver into its load, in watts
    #[arg(long, value_name = "WATTS", value_parser = number::watts)]
    pub(crate) power: f64,
    /// The load, in ohms
    #[arg(long, value_name = "OHMS", default_value_t = 4.0, value_parser = number::ohms)]
    pub(crate) load: f64,
    /// The level of the tone that plays while the gain is set. Below 0, the peak allowance is told as well: the tone
    /// itself reaches full power
    #[arg(long, value_name = "DBFS", default_value_t = 0.0, allow_negative_numbers = true, value_parser = number::dbfs)]
    pub(crate) tone_dbfs: f64,
    /// The source's volts (RMS) for a full-scale tone at its clean step
    #[arg(long, value_name = "VOLTS", required_unless_present = "job")]
    pub(crate) source_v: Option<String>,
    /// Take the source's volts and clean step from this job
    #[arg(long, value_name = "DIR", conflicts_with = "source_v")]
    pub(crate) job: Option<PathBuf>,
    /// Which output of the job's source feeds the processor [default: the one that limits]
    #[arg(long, value_name = "NAME", requires = "job")]
    pub(crate) output: Option<String>,
    /// The volts (RMS) at which the source clips, where that is known
    #[arg(long, value_name = "VOLTS")]
    pub(crate) source_clips_v: Option<String>,
    /// The volts (RMS) of a sine that fills the processor's input
    #[arg(long, value_name = "VOLTS")]
    pub(crate) processor_in_v: Option<String>,
    /// The volts (RMS) of a sine that fills the processor's output
    #[arg(long, value_name = "VOLTS")]
    pub(crate) processor_out_v: Option<String>,
    /// What the processor's channel adds at its loudest frequency, gain and bands together
    #[arg(long, value_name = "DB", default_value_t = 0.0, allow_negative_numbers = true, value_parser = number::decibels)]
    pub(crate) processor_gain: f64,
    /// The volts (RMS) that the amplifier's input takes
    #[arg(long, value_name = "VOLTS")]
    pub(crate) amplifier_in_v: Option<String>,
    /// Show live how far to turn; needs --rig or --simulated
    #[arg(long, value_name = "WHERE")]
    pub(crate) live: Option<Where>,
    /// The devices to use for --live
    #[arg(long, value_name = "FILE", conflicts_with = "simulated", requires = "live")]
    pub(crate) rig: Option<PathBuf>,
    /// Use a simulated car for --live
    #[arg(long, value_name = "CAR", num_args = 0..=1, default_missing_value = "", requires = "live")]
    pub(crate) simulated: Option<String>,
    /// The rig's input that is connected [default: the only electrical one]
    #[arg(long, value_name = "NAME", requires = "live")]
    pub(crate) input: Option<String>,
    #[command(flatten)]
    pub(crate) json: Json,
}

/// Where the live meter is connected.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum Where {
    /// At the processor's input
    Processor,
    /// At the amplifier's output, the speaker disconnected
    Amplifier,
}

#[derive(Debug, Args)]
pub(crate) struct Tone {
    /// Recordings, response files or captures of a job (JOB:7): NAME[@STEP][@50km/h][@850rpm][@mode:WORD][@note:WORD]=FILE, or NAME=FILE#CHANNEL
    #[arg(value_name = "NAME=FILE", conflicts_with_all = ["rig", "simulated"])]
    pub(crate) recordings: Vec<String>,
    /// The track that was recorded
    #[arg(long, value_name = "NAME", default_value = "sweep-full")]
    pub(crate) track: String,
    /// The tracks.json it comes from
    #[arg(long, value_name = "FILE")]
    pub(crate) stimulus: Option<PathBuf>,
    /// The devices to use
    #[arg(long, value_name = "FILE", conflicts_with = "simulated")]
    pub(crate) rig: Option<PathBuf>,
    /// Use a simulated car: a name, a file, or nothing for the first one
    #[arg(long, value_name = "CAR", num_args = 0..=1, default_missing_value = "")]
    pub(crate) simulated: Option<String>,
    /// The outputs in the order of the work, such as front,rear,sub
    #[arg(long, value_name = "NAME,...", value_delimiter = ',')]
    pub(crate) outputs: Vec<String>,
    /// The volume steps to measure at, such as 12,20,28
    #[arg(long, value_name = "N,...", value_delimiter = ',', allow_negative_numbers = true)]
    pub(crate) steps: Vec<i64>,
    /// The rig's input that is connected [default: the only electrical one]
    #[arg(long, value_name = "NAME")]
    pub(crate) input: Option<String>,
    /// Add these outputs up, and say whether they make a flat whole
    #[arg(long, value_name = "NAME,...", value_delimiter = ',')]
    pub(crate) sum: Vec<String>,
    /// Find bands of this processor that undo the tone of the sum, or of the first output
    #[arg(long, value_name = "NAME|FILE")]
    pub(crate) processor: Option<String>,
    /// Write those bands as CSV
    #[arg(long, value_name = "BANDS.csv", requires = "processor")]
    pub(crate) out: Option<PathBuf>,
    /// Keep the captures in this job; it is made when it does not exist. Alone: take the outputs' captures, with
    /// what they were made under, from this job
    #[arg(long, value_name = "DIR")]
    pub(crate) job: Option<PathBuf>,
    #[command(flatten)]
    pub(crate) json: Json,
}

#[derive(Debug, Args)]
pub(crate) struct Noise {
    /// Recordings of silence: NAME=FILE, NAME@RPM=FILE, or NAME=FILE#CHANNEL
    #[arg(value_name = "NAME=FILE", conflicts_with_all = ["rig", "simulated"])]
    pub(crate) recordings: Vec<String>,
    /// The devices to use
    #[arg(long, value_name = "FILE", conflicts_with = "simulated")]
    pub(crate) rig: Option<PathBuf>,
    /// Use a simulated car: a name, a file, or nothing for the first one
    #[arg(long, value_name = "CAR", num_args = 0..=1, default_missing_value = "")]
    pub(crate) simulated: Option<String>,
    /// The engine's speeds to measure at in rpm, 0 for a standing engine, such as 0,850,2000
    #[arg(long, value_name = "RPM,...", value_delimiter = ',', value_parser = number::rpm)]
    pub(crate) rpm: Vec<f64>,
    /// The rig's input that is connected [default: the only electrical one]
    #[arg(long, value_name = "NAME")]
    pub(crate) input: Option<String>,
    /// The source's volts (RMS) at its clean step, for the signal-to-noise ratio
    #[arg(long, value_name = "VOLTS")]
    pub(crate) clean_v: Option<String>,
    /// The same as a level of the recordings, for an input that is not calibrated
    #[arg(long, value_name = "DBFS", allow_negative_numbers = true, conflicts_with = "clean_v", value_parser = number::dbfs)]
    pub(crate) clean_dbfs: Option<f64>,
    /// The volts of a sample value of 1.0, for recordings
    #[arg(long, value_name = "X", value_parser = number::volts)]
    pub(crate) volts_per_fs: Option<f64>,
    /// Keep the captures in this job, and take the clean step's volts from it
    #[arg(long, value_name = "DIR")]
    pub(crate) job: Option<PathBuf>,
    #[command(flatten)]
    pub(crate) json: Json,
}
