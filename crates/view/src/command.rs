//! What a face may ask for.

use chart::HandleId;

use crate::{Action, CaptureId, ChartFace, Look, Number, SetMark, SettingValue, Stage};

/// Something that a face asks the app to do.
#[derive(Debug, Clone, PartialEq)]
pub enum Command {
    /// Show the start page.
    ShowStart,
    /// Leave the start page, and look at the open job again.
    LeaveStart,
    /// Remember how the window is looked at.
    Remember(Look),
    /// Use the simulated car of this name.
    UseSimulatedCar(String),
    /// Use the sound devices.
    UseDevices,
    /// Open the job in this folder.
    OpenJob(String),
    /// Begin a job in this folder; in one of its own among the person's work, if it is empty.
    NewJob(String),
    /// Find the tracks in these recordings and make captures of them.
    Import(Vec<String>),
    /// Open this stage's card.
    OpenStage(Stage),
    /// Do what the open stage offers first, or stop what is under way (the space bar while nothing
    /// is known to be under way; else the face stops it by itself).
    StartOrStop,
    /// Press the button that does this.
    Press(Action),
    /// Give a setting another value.
    Set(SettingValue),
    /// Allow no output until it is allowed again; what sounds, the face stops by itself.
    Mute,
    /// Allow output again.
    Unmute,
    /// The output level, in dBFS peak.
    SetOutput(f64),
    /// Show this face of the chart.
    ShowFace(ChartFace),
    /// Go to the next smoothing.
    NextSmoothing,
    /// Look at this capture, or at none in particular.
    PickCapture(Option<CaptureId>),
    /// Show or hide a capture's curve.
    ShowCapture(CaptureId, bool),
    /// Mark a capture as before or after, or take the mark away.
    MarkCapture(CaptureId, Option<SetMark>),
    /// Rename a capture.
    RenameCapture(CaptureId, String),
    /// Move a capture to the job's `discarded/`; the window has asked.
    DiscardCapture(CaptureId),
    /// Choose a band, a shelf or a point, or none.
    SelectHandle(Option<HandleId>),
    /// Switch a band on or off.
    Enable(HandleId, bool),
    /// Keep a band or a value as it is when the rest is fitted again.
    Lock(HandleId, bool),
    /// Drag a handle; it lands on the nearest values that there are.
    DragHandle {
        /// Which.
        handle: HandleId,
        /// Towards this frequency.
        frequency_hz: f64,
        /// Towards this level.
        db: f64,
        /// Whether the drag has ended, so that it becomes one edit to undo.
        done: bool,
    },
    /// Step one number of a band along the processor's own grid, or of the target along its values.
    StepHandle {
        /// Of which.
        handle: HandleId,
        /// Which number.
        what: Number,
        /// How many steps, up or down.
        by: i32,
    },
    /// Take a shelf or a point of the target away.
    RemoveHandle(HandleId),
    /// Write the band list into the job's `exports/`, in every form.
    ExportBands,
    /// Take back the last edit.
    Undo,
    /// Make it again.
    Redo,
    /// The face closes. With the last one the app stops output, saves and ends.
    Close,
}
