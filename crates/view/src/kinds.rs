//! The few kinds of things that everything else speaks of.

/// One line of the work order.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Stage {
    /// Note the vehicle, the source, the processor, the drivers.
    Intake,
    /// Find out what the source puts out.
    Source,
    /// Set every gain stage.
    Gain,
    /// Measure each driver alone.
    Drivers,
    /// Delays, polarity and crossovers.
    Timing,
    /// Average, target, bands, before and after.
    Tune,
    /// Check what was typed, print the sheet.
    Handover,
}

impl Stage {
    /// The stages in the order of the work.
    pub const ALL: [Self; 7] =
        [Self::Intake, Self::Source, Self::Gain, Self::Drivers, Self::Timing, Self::Tune, Self::Handover];

    /// Its name.
    #[must_use]
    pub fn title(self) -> &'static str {
        match self {
            Self::Intake => "Intake",
            Self::Source => "Source",
            Self::Gain => "Gain",
            Self::Drivers => "Drivers",
            Self::Timing => "Timing",
            Self::Tune => "Tune",
            Self::Handover => "Handover",
        }
    }
}

/// Whether a capture is one side of the comparison.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum SetMark {
    /// It shows the state before the change.
    Before,
    /// It shows the state after the change.
    After,
}

/// The faces of the chart.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum ChartFace {
    /// Magnitude over frequency, with target and bands.
    Response,
    /// Phase over frequency.
    Phase,
    /// Group delay over frequency.
    GroupDelay,
    /// The impulse response over time.
    Impulse,
    /// When the sound of each driver arrives.
    Arrivals,
    /// Level over frequency, line by line.
    Spectrum,
    /// Harmonics over frequency.
    Harmonics,
    /// What is left of each frequency some time later.
    Decay,
    /// Before and after, and their difference.
    Difference,
    /// The steps of a volume sweep.
    Steps,
    /// The cabin from above.
    Cabin,
    /// The chain from the radio to the speaker.
    Chain,
}

impl ChartFace {
    /// Its name.
    #[must_use]
    pub fn title(self) -> &'static str {
        match self {
            Self::Response => "Response",
            Self::Phase => "Phase",
            Self::GroupDelay => "Group delay",
            Self::Impulse => "Impulse",
            Self::Arrivals => "Arrivals",
            Self::Spectrum => "Spectrum",
            Self::Harmonics => "Harmonics",
            Self::Decay => "Decay",
            Self::Difference => "Before / after",
            Self::Steps => "Steps",
            Self::Cabin => "Cabin",
            Self::Chain => "Chain",
        }
    }
}

/// The number of a capture within its job, as in `captures/0007`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct CaptureId(pub u32);

/// Which number of what has a handle.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Number {
    /// The frequency.
    Frequency,
    /// The gain; the level of a point.
    Gain,
    /// The Q.
    Q,
    /// The only number of what has one.
    Value,
}
