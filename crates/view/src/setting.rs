//! What can be set on a card, and to what.
//!
//! A key says what kind of value it takes, so that a number cannot be given to a switch.

use crate::{CaptureId, SetMark};

/// Something that can be set.
#[derive(Debug, Clone, PartialEq)]
pub struct Setting {
    /// What it is, for people.
    pub label: String,
    /// Its key, its kind and its present value.
    pub kind: SettingKind,
}

impl Setting {
    /// Its key.
    #[must_use]
    pub fn key(&self) -> SettingKey {
        match &self.kind {
            SettingKind::Choice { key, .. } => SettingKey::Choice(*key),
            SettingKind::Number { key, .. } => SettingKey::Number(*key),
            SettingKind::Switch(key, _) => SettingKey::Switch(*key),
            SettingKind::Text(key, _) => SettingKey::Text(*key),
        }
    }
}

/// The kinds of settings.
#[derive(Debug, Clone, PartialEq)]
pub enum SettingKind {
    /// One of several.
    Choice {
        /// Which setting.
        key: ChoiceKey,
        /// What there is to choose from.
        options: Vec<ChoiceOption>,
        /// The chosen one; absent where none of the options is.
        chosen: Option<Choice>,
    },
    /// A number that steps up and down.
    Number {
        /// Which setting.
        key: NumberKey,
        /// The value now.
        value: f64,
        /// The least.
        min: f64,
        /// The greatest.
        max: f64,
        /// One step of the arrow keys.
        step: f64,
        /// The value as it is shown, with its unit.
        text: String,
    },
    /// On or off.
    Switch(SwitchKey, bool),
    /// Free text.
    Text(TextKey, String),
}

/// One of several choices.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ChoiceOption {
    /// What is chosen with it.
    pub choice: Choice,
    /// What it is called on screen.
    pub label: String,
}

/// A new value for a setting.
#[derive(Debug, Clone, PartialEq)]
pub enum SettingValue {
    /// One of several.
    Choice(Choice),
    /// A number.
    Number(NumberKey, f64),
    /// On or off.
    Switch(SwitchKey, bool),
    /// Text.
    Text(TextKey, String),
}

/// Everything that can be set.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum SettingKey {
    /// One of several.
    Choice(ChoiceKey),
    /// A number.
    Number(NumberKey),
    /// On or off.
    Switch(SwitchKey),
    /// Text.
    Text(TextKey),
}

/// Settings with a number.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum NumberKey {
    /// The level that 94 dB SPL gives at this input channel.
    SensitivityDbfs(u16),
    /// Seconds before a capture begins.
    Countdown,
    /// How many positions make a set.
    Positions,
    /// At how many places each driver is measured.
    DriverPlaces,
    /// What all bands of a channel together may boost, in dB.
    MaxBoost,
    /// The most bands that a fit may use.
    MaxBands,
    /// The amplifier's power in watts.
    Power,
    /// The load in ohms.
    Load,
    /// The level of the tone with which gains are set, in dBFS.
    ToneLevel,
    /// The attenuator ahead of an input, in dB.
    Attenuator,
    /// The volume step at which a sweep of volume steps begins.
    FirstStep,
    /// The volume step that the source is at; 0 where it is not known.
    VolumeStep,
    /// The engine's speed in rpm.
    EngineSpeed,
    /// The target's tilt in dB per octave.
    Tilt,
    /// The target's tolerance in dB.
    Tolerance,
}

/// Settings that are on or off.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum SwitchKey {
    /// Whether this output channel is used.
    OutputUsed(u16),
    /// Whether the next capture of a series begins by itself.
    Continue,
    /// Whether the bands are in the simulated processor.
    BandsEntered,
    /// Whether a band is mistyped into the simulated processor.
    TypingError,
    /// Whether the preview plays with the bands.
    WithBands,
    /// Whether the crossovers were on when the drivers were measured.
    FiltersOn,
    /// Whether the source's outputs are summed.
    Summed,
    /// Whether the source plays the calibration's tone, rather than the rig.
    SourcePlays,
}

/// Settings with a text.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum TextKey {
    /// What the rig is called.
    RigName,
    /// What is wired to this input channel, in words.
    InputName(u16),
    /// The calibration file of the microphone at this input channel.
    MicrophoneFile(u16),
    /// The resistors of the attenuator ahead of this input channel.
    Resistors(u16),
    /// What is wired to this output channel, in words.
    OutputName(u16),
    /// The chosen driver's name.
    DriverName,
    /// The processor channel that feeds it.
    DriverChannel,
    /// The vehicle.
    Vehicle,
    /// The car's number plate.
    Plate,
    /// Whose car it is.
    Customer,
    /// What the job is called.
    JobName,
    /// Whatever a person wants to remember of the job.
    Notes,
    /// The outputs of the source, with commas between.
    Outputs,
    /// What the meter showed.
    MeterReading,
    /// The target's name.
    TargetName,
    /// The recording that the preview plays.
    PreviewFile,
}

/// Settings with choices.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum ChoiceKey {
    /// [`Choice::Signal`].
    Signal,
    /// [`Choice::Pace`].
    Pace,
    /// [`Choice::Set`].
    Set,
    /// [`Choice::Driver`].
    Driver,
    /// [`Choice::Layout`].
    Layout,
    /// [`Choice::Rig`].
    Rig,
    /// [`Choice::SimulatedCar`].
    SimulatedCar,
    /// [`Choice::Wiring`] of this input channel.
    Wiring(u16),
    /// [`Choice::InputDevice`].
    InputDevice,
    /// [`Choice::OutputDevice`].
    OutputDevice,
    /// [`Choice::CueDevice`].
    CueDevice,
    /// [`Choice::Attenuator`] of this input channel.
    Attenuator(u16),
    /// [`Choice::EditedDriver`].
    EditedDriver,
    /// [`Choice::DriverRole`].
    DriverRole,
    /// [`Choice::DriverFeed`].
    DriverFeed,
    /// [`Choice::Place`] of this capture.
    Place(CaptureId),
    /// [`Choice::Processor`].
    Processor,
    /// [`Choice::Target`].
    Target,
    /// [`Choice::TunedAs`].
    TunedAs,
    /// [`Choice::Seat`].
    Seat,
    /// [`Choice::Equalizer`].
    Equalizer,
    /// [`Choice::CarTune`].
    CarTune,
    /// [`Choice::Side`].
    Side,
    /// [`Choice::Program`].
    Program,
    /// [`Choice::DelayUnit`].
    DelayUnit,
    /// [`Choice::SourceTask`].
    SourceTask,
    /// [`Choice::Measurement`].
    Measurement,
    /// [`Choice::Output`].
    Output,
    /// [`Choice::RattleRange`].
    RattleRange,
}

/// A choice of a setting.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Choice {
    /// What is played for a response.
    Signal(Signal),
    /// How fast the simulated car runs.
    Pace(Pace),
    /// Which side of the comparison is measured next.
    Set(SetMark),
    /// The one driver to be measured; absent for all.
    Driver(Option<String>),
    /// Which drivers the car has.
    Layout(Layout),
    /// The person's own rig of this name; absent for the system's devices.
    Rig(Option<String>),
    /// The simulated car of this name.
    SimulatedCar(String),
    /// What is wired to this input channel.
    Wiring(u16, Wiring),
    /// The device that records, absent for the system's own choice.
    InputDevice(Option<String>),
    /// The device that plays, absent for the system's own choice.
    OutputDevice(Option<String>),
    /// The device from which cues come; absent where they are only shown.
    CueDevice(Option<String>),
    /// What the attenuator ahead of this input channel takes off, in tenths of a dB.
    Attenuator(u16, u16),
    /// Which driver is described.
    EditedDriver(usize),
    /// What that driver is for.
    DriverRole(DriverRole),
    /// Which side feeds it.
    DriverFeed(Feed),
    /// Where a capture belongs, by the place's number in the list; absent for nowhere.
    Place(CaptureId, Option<u16>),
    /// The processor profile of this name.
    Processor(String),
    /// The target of this name; absent for one that was edited.
    Target(Option<String>),
    /// What is tuned by itself.
    TunedAs(TunedAs),
    /// For whom the whole car is tuned.
    Seat(TunedSeat),
    /// Where the processor has its bands.
    Equalizer(EqualizerPlace),
    /// Which of the tunes that were found is shown.
    CarTune(CarTune),
    /// The side that the chart shows.
    Side(Side),
    /// What the preview plays.
    Program(Program),
    /// In what delays are shown.
    DelayUnit(DelayUnit),
    /// What is asked of the source.
    SourceTask(SourceTask),
    /// The measurement with this id, a plugin's among them.
    Measurement(String),
    /// The one output that is measured; absent for all, one after another.
    Output(Option<String>),
    /// Over which range rattles are looked for.
    RattleRange(RattleRange),
}

impl Choice {
    /// The setting that it belongs to.
    #[must_use]
    pub fn key(&self) -> ChoiceKey {
        match self {
            Self::Signal(_) => ChoiceKey::Signal,
            Self::Pace(_) => ChoiceKey::Pace,
            Self::Set(_) => ChoiceKey::Set,
            Self::Driver(_) => ChoiceKey::Driver,
            Self::Layout(_) => ChoiceKey::Layout,
            Self::Rig(_) => ChoiceKey::Rig,
            Self::SimulatedCar(_) => ChoiceKey::SimulatedCar,
            Self::Place(id, _) => ChoiceKey::Place(*id),
            Self::Wiring(channel, _) => ChoiceKey::Wiring(*channel),
            Self::InputDevice(_) => ChoiceKey::InputDevice,
            Self::OutputDevice(_) => ChoiceKey::OutputDevice,
            Self::CueDevice(_) => ChoiceKey::CueDevice,
            Self::Attenuator(channel, _) => ChoiceKey::Attenuator(*channel),
            Self::EditedDriver(_) => ChoiceKey::EditedDriver,
            Self::DriverRole(_) => ChoiceKey::DriverRole,
            Self::DriverFeed(_) => ChoiceKey::DriverFeed,
            Self::Processor(_) => ChoiceKey::Processor,
            Self::Target(_) => ChoiceKey::Target,
            Self::TunedAs(_) => ChoiceKey::TunedAs,
            Self::Seat(_) => ChoiceKey::Seat,
            Self::Equalizer(_) => ChoiceKey::Equalizer,
            Self::CarTune(_) => ChoiceKey::CarTune,
            Self::Side(_) => ChoiceKey::Side,
            Self::Program(_) => ChoiceKey::Program,
            Self::DelayUnit(_) => ChoiceKey::DelayUnit,
            Self::SourceTask(_) => ChoiceKey::SourceTask,
            Self::Measurement(_) => ChoiceKey::Measurement,
            Self::Output(_) => ChoiceKey::Output,
            Self::RattleRange(_) => ChoiceKey::RattleRange,
        }
    }
}

/// What is played for a response.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Signal {
    /// A sweep.
    Sweep,
    /// Pink noise.
    PinkNoise,
    /// Pink noise while the microphone is moved.
    MovingMicrophone,
}

/// How fast the simulated car runs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Pace {
    /// As a real one.
    RealTime,
    /// Ten times as fast.
    TenTimes,
}

/// What is wired to an input.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Wiring {
    /// Nothing.
    Unused,
    /// A microphone.
    Microphone,
    /// An output of the source, or an amplifier's.
    Tap,
    /// The played signal itself.
    Loopback,
}

/// What a driver is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum DriverRole {
    /// The lowest octaves, for both sides.
    Sub,
    /// Bass.
    Woofer,
    /// Middle.
    Mid,
    /// Treble.
    Tweeter,
    /// Everything, a coaxial driver among them.
    FullRange,
    /// The middle of the dashboard.
    Centre,
    /// The rear.
    Fill,
}

/// Which side feeds a driver.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Feed {
    /// The left.
    Left,
    /// The right.
    Right,
    /// Both.
    Both,
}

/// Which drivers a car has.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Layout {
    /// Tweeters, mids, subwoofer.
    TwoWaySub,
    /// Tweeters, mids, woofers, subwoofer.
    ThreeWaySub,
    /// Tweeters, mids, a full-range driver on each side of the rear, subwoofer.
    TwoWayRearSub,
    /// Tweeters, mids, a centre, rears, two subwoofers.
    Large,
    /// Tweeters and mids.
    TwoWay,
    /// A coaxial or full-range driver on each side.
    FullRange,
    /// The same, front and rear.
    FullRangeRear,
}

/// What is tuned by itself.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum TunedAs {
    /// The whole car as one.
    WholeCar,
    /// Its left and its right.
    Sides,
}

/// For whom a car is tuned.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum TunedSeat {
    /// The driver.
    Driver,
    /// Both front seats.
    Both,
}

/// Where a processor has its bands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum EqualizerPlace {
    /// In each channel.
    Channels,
    /// One set for the left side, one for the right.
    Sides,
    /// One set for all.
    One,
}

/// How a tune of the whole car was found.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum CarTune {
    /// Aligned, then one fit for each side.
    Quick,
    /// All values together.
    Joint,
}

/// A side of the car.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Side {
    /// The left.
    Left,
    /// The right.
    Right,
}

/// What the preview plays.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Program {
    /// Pink noise.
    PinkNoise,
    /// A recording that the person names.
    Recording,
}

/// In what delays are shown.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum DelayUnit {
    /// Milliseconds.
    Milliseconds,
    /// Samples of the processor.
    Samples,
    /// Centimetres of air.
    Centimetres,
    /// Inches of air.
    Inches,
}

/// What is asked of the source.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum SourceTask {
    /// What the input's numbers are in volts.
    Volts,
    /// The highest clean volume step.
    Headroom,
    /// What the source does to the sound.
    Tone,
    /// What it sounds like when it is silent.
    Noise,
    /// Where a panel buzzes.
    Rattle,
    /// Any other measurement.
    Other,
}

/// Over which range rattles are looked for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum RattleRange {
    /// 15 to 250 Hz.
    Low,
    /// 80 Hz to 8 kHz.
    Middle,
}
