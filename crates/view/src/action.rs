//! What the buttons of a card do.

use crate::{SourceTask, Stage};

/// What a button does.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Action {
    /// Open the job that was open last.
    ContinueJob,
    /// Use the usual simulated car.
    UseSimulatedCar,
    /// Use the system's sound devices.
    UseDevices,
    /// Open the card on which inputs and outputs are set up.
    SetUpRig,
    /// Go back from there to the car.
    LeaveSetUp,
    /// Show the level of every input of the interface until it is stopped.
    TryInputs,
    /// Take the input that was tapped as the microphone's.
    TappedIsMicrophone,
    /// Play a quiet burst on this output channel.
    PlayOutput(u16),
    /// Open the card on which the drivers are described one by one.
    EditDrivers,
    /// Add a driver to the car.
    AddDriver,
    /// Take the chosen driver away.
    RemoveDriver,
    /// Open the next stage's card.
    NextStage,
    /// Open this stage's card.
    OpenStage(Stage),
    /// Open the card of this task of the source.
    OpenTask(SourceTask),
    /// Allow output again, and do what the open stage offers first.
    UnmuteAndStart,
    /// Take the proposed places of tracks that were heard or imported.
    AcceptPlaces,
    /// Take reversed drivers as they are: they are inverted in the processor.
    InvertReversed,
    /// Make the captures that the open card asks for.
    Measure,
    /// Wait for tracks that a source plays, and measure each when it has been played.
    Listen,
    /// Show the level at the tap until it is stopped.
    WatchLevel,
    /// Play a spot that buzzes again and again; by its number, the loudest first.
    PlaySpot(u8),
    /// Keep the calibration that follows from what the meter showed.
    KeepVolts,
    /// Play the calibration's tone once more.
    RepeatVolts,
    /// Find the bands that flatten the radio's own EQ.
    FlattenRadio,
    /// Take the timing found as what the processor holds.
    EnterTiming,
    /// Show what is proposed for the whole car.
    ShowWholeCar,
    /// Search for the tune of the whole car.
    TuneCar,
    /// Take the proposed tune as what the processor holds.
    EnterTune,
    /// Fit bands to what was measured.
    SuggestBands,
    /// Take all bands away.
    ClearBands,
    /// Take the bands as entered in the simulated processor.
    EnterBands,
    /// Listen through the virtual processor.
    Preview,
    /// Go back to the bands.
    ShowBands,
    /// Find out how the processor defines Q.
    FindQ,
    /// Write what was found of Q into a profile of the person's own.
    UseQ,
    /// Shape the target.
    EditTarget,
    /// Add a point to the target.
    AddPoint,
    /// Add a shelf to the target.
    AddShelf(Shelf),
    /// Save the target among the person's own.
    KeepTarget,
    /// Write the band list into the job's `exports/`.
    ExportBands,
    /// Write the entry sheet and the report.
    WritePapers,
}

/// Which end of the range a shelf lifts or lowers.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Shelf {
    /// Below its corner.
    Low,
    /// Above its corner.
    High,
}
