//! What was heard, for a person and for a program.

use std::collections::BTreeMap;
use std::fmt;
use std::path::PathBuf;

use measure::{Curve, Finding};
use serde::Serialize;
use units::quantity::{counted, decimals, signed};

/// What was played, how levels were matched, and what came of it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PreviewReport {
    /// What was played: `pink noise`, or the recording's file.
    pub program: String,
    /// Samples per second.
    pub sample_rate_hz: u32,
    /// How long it lasted.
    pub seconds: f64,
    /// The highest sample of what was played, without the bands.
    pub peak_dbfs: f64,
    /// How many bands were heard.
    pub bands: usize,
    /// The gain that makes it as loud with the bands as without, for A-weighted pink noise.
    pub matched_db: f64,
    /// Whether the car's own response counted in that.
    pub matched_in_car: bool,
    /// How often it changed from one to the other.
    pub switched: u32,
    /// The file that was written.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub file: Option<PreviewFile>,
    /// What the rig's microphone heard, if there is one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub heard: Option<PreviewHeard>,
    /// Remarks.
    pub findings: Vec<Finding>,
}

/// A file for a memory stick.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PreviewFile {
    /// Where it is.
    pub path: PathBuf,
    /// Bits per sample.
    pub bits: u16,
    /// What is in it: `with`, `without`, or `both` in turn.
    pub holds: &'static str,
    /// How much was taken off both ways alike, so that neither clips.
    pub lowered_db: f64,
    /// The highest sample in the file.
    pub peak_dbfs: f64,
}

/// What a microphone heard.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PreviewHeard {
    /// The rig's input.
    pub input: String,
    /// With the bands.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub with: Option<HeardLevel>,
    /// Without them.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub without: Option<HeardLevel>,
    /// How much louder it was with them.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub louder_db: Option<f64>,
    /// The level in an octave over frequency, over a sixth of one: `with` and `without`.
    pub curves: BTreeMap<&'static str, Curve>,
}

/// How loud something was.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct HeardLevel {
    /// For how long it was listened to.
    pub seconds: f64,
    /// The A-weighted level, the microphone's own response taken off; a sine of full scale has 0.
    pub level_a_dbfs: f64,
    /// The same as sound pressure, where the microphone is calibrated.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub leq_a_db: Option<f64>,
}

impl fmt::Display for HeardLevel {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.leq_a_db {
            Some(db) => write!(f, "{} dB(A)", decimals(db, 1)),
            None => write!(f, "{} dBFS(A)", decimals(self.level_a_dbfs, 1)),
        }
    }
}

impl fmt::Display for PreviewReport {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { program, sample_rate_hz, seconds, peak_dbfs, .. } = self;
        writeln!(
            f,
            "Played      {program}, {seconds:.1} s at {sample_rate_hz} Hz, peak {} dBFS without bands",
            decimals(*peak_dbfs, 1)
        )?;
        let by = if self.matched_in_car { ", as the car plays it" } else { "" };
        writeln!(
            f,
            "Matched     {} dB with {}, so that both are equally loud (A-weighted pink noise{by})",
            signed(self.matched_db, 1),
            counted(self.bands, "band", "bands")
        )?;
        if let Some(file) = &self.file {
            let holds = match file.holds {
                "both" => "with the bands and bypassed, in turn",
                "without" => "bypassed",
                _ => "with the bands",
            };
            writeln!(f, "Written     {}, {} bit: {holds}", file.path.display(), file.bits)?;
            let lowered = match file.lowered_db {
                db if db < 0.05 => "not lowered".to_owned(),
                db => format!("both lowered by {db:.1} dB, so that neither clips"),
            };
            writeln!(f, "Peak        {} dBFS, {lowered}", decimals(file.peak_dbfs, 1))?;
        }
        if self.file.as_ref().is_none_or(|file| file.holds == "both") {
            writeln!(f, "Switched    {}", counted(self.switched as usize, "time", "times"))?;
        }
        let Some(heard) = &self.heard else { return Ok(()) };
        for (name, level) in [("With bands", &heard.with), ("Bypassed", &heard.without)] {
            if let Some(level) = level {
                writeln!(f, "{name:11} {level} at the {} for {:.1} s", heard.input, level.seconds)?;
            }
        }
        heard.louder_db.map_or(Ok(()), |db| writeln!(f, "Louder      by {} dB with the bands", signed(db, 1)))
    }
}
