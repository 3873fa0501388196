//! What a volume sweep shows while it runs.

/// What is seen at the moment.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct SweepNow {
    /// The output that is swept.
    pub output: String,
    /// Which one it is, from 0, and of how many.
    pub place: (usize, usize),
    /// Since its sweep began.
    pub elapsed_s: f64,
    /// All steps so far.
    pub steps: Vec<tuning::OutputStep>,
    /// The newest judged step.
    pub step: Option<i64>,
    /// Its level.
    pub level_dbfs: Option<f64>,
    /// Its RMS volts, where the input is calibrated.
    pub level_v: Option<f64>,
    /// Its distortion.
    pub thd_percent: Option<f64>,
    /// Whether it is clean.
    pub clean: Option<bool>,
    /// The highest clean step so far.
    pub clean_step: Option<i64>,
    /// Whether this is the first step that is not clean, just now.
    pub alarm: bool,
    /// A warning to be shown large: the input's limit is near, the recorder clips.
    pub warning: Option<String>,
}
