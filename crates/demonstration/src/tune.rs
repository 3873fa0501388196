//! Tune: the whole car from its drivers, entered with a mistake, checked, corrected, and judged where nobody fitted.

use std::ops::ControlFlow;

use cabin::Car;
use host::Registry;
use job::{Basis, EnteredBand, Judgement, PresetOrInline, Set, Stage, TuneRecord};
use measure::Side;
use measurements::signals::short_paired_sweep;
use procedure::{Change, Plan, PreviewTuning, captures, on_side};
use rig::{Entered, InputRole, Scene, Sounding};
use serde::Serialize;
use tuning::{Band, CarTune, Profile, TuneOptions, Verdict};
use units::quantity::{counted, signed_decibels};

use super::drivers::places;
use super::working::{Demo, PROCESSOR};
use library::{Error, Result};
use project::derive::{self, JobAudit, SIDES, TuneInputs};

/// What the demonstration aims at.
const TARGET: &str = "car-medium";

/// What is judged, as a tune of the whole car judges it.
const RANGE_HZ: (f64, f64) = (40.0, 16_000.0);

/// How good the car is, each side by itself.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Sides {
    /// The left input alone: how far the average over the places lies from the target, RMS.
    pub left_rms_db: f64,
    /// The right input alone.
    pub right_rms_db: f64,
    /// The left average against the right one.
    pub left_right_rms_db: f64,
    /// By how much the left is louder.
    pub left_louder_db: f64,
}

/// What came of tuning.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Tuned {
    /// At places that were not tuned for, with what follows from timing alone.
    pub(super) before: Sides,
    /// At the same places, with the tune.
    pub(super) after: Sides,
    pub(super) bands: usize,
    /// Whether the typing error was named; absent where there was no band to mistype.
    pub(super) typing_error_found: Option<bool>,
    /// Whether all was as meant once it was corrected.
    pub(super) corrected: bool,
}

impl Sides {
    /// Of a judgement that has both sides.
    fn of(judged: &Judgement) -> Option<Self> {
        let (left, right, apart) = (judged.left?, judged.right?, judged.left_right?);
        Some(Self {
            left_rms_db: left.average_rms_db,
            right_rms_db: right.average_rms_db,
            left_right_rms_db: apart.rms_db,
            left_louder_db: apart.level_db,
        })
    }

    /// The mean of both sides.
    pub(super) fn mean_rms_db(&self) -> f64 {
        f64::midpoint(self.left_rms_db, self.right_rms_db)
    }
}

impl Demo<'_> {
    /// Tunes the whole car, types it with a mistake, finds and mends it, and measures what it comes to.
    pub(super) fn tune(&mut self, car: &Car) -> Result<Tuned> {
        let (target, profile) = (library::target(TARGET)?, library::profile(PROCESSOR)?);
        let basis = Basis {
            target: Some(PresetOrInline::Preset(TARGET.to_owned())),
            processor: Some(PresetOrInline::Preset(PROCESSOR.to_owned())),
            from_hz: Some(RANGE_HZ.0),
            to_hz: Some(RANGE_HZ.1),
            ..Basis::default()
        };
        let (tuned_at, unseen) = places(car);
        let timed = Entered { bands: Vec::new(), channels: self.channels.clone(), own_filters: false };
        self.sides(&unseen, &Set::Before, &timed)?;

        let project = self.job.project();
        let options = TuneOptions::default();
        let inputs =
            TuneInputs::of_job(project, &[], target.clone(), profile.clone(), options, basis.clone())
                .map_err(|error| Error::measurement(error.to_string()))?;
        let tune = self.tuned(&inputs)?;
        let changes = inputs.changes(self.job.project(), &tune);
        self.job.apply(Change::Together(changes))?;
        let data = self.job.project().data.clone();
        self.channels.clone_from(&data.channels);

        let slip = mistyped(&data.bands);
        let mut found = None;
        if let Some((index, wrong)) = &slip {
            let mut typed = data.bands.clone();
            typed[*index] = wrong.clone();
            found = Some(self.checked(car, &tuned_at[0], &typed, &profile, &basis)?);
            // What was measured with the mistake is not what is handed over.
            let made = self.job.project().captures.iter();
            let after = made.filter(|one| one.meta.set == Some(Set::After));
            let discarded: Vec<Change> = after.map(|one| Change::Discarded(one.id)).collect();
            self.job.apply(Change::Together(discarded))?;
        }
        let mended = self.checked(car, &tuned_at[0], &data.bands, &profile, &basis)?;
        self.sides(&unseen, &Set::After, &entered(&data.bands, &self.channels.clone()))?;

        let project = self.job.project();
        let judged = |set: &Set| derive::measured_sides(project, set, &target);
        let (Some(was), Some(is)) = (judged(&Set::Before), judged(&Set::After)) else {
            return Err(Error::measurement("the sides of the car could not be judged"));
        };
        let (Some(before), Some(after)) = (Sides::of(&was), Sides::of(&is)) else {
            return Err(Error::measurement("one of the sides of the car was not measured"));
        };
        let record = data.tune.clone().map(|record| TuneRecord { measured: Some(is), ..record });
        let mut changes = vec![Change::TuneFound(record), Change::AuditFound(Some(mended.record.clone()))];
        changes.extend(derive::outcome_changes(project, &target, RANGE_HZ));
        self.job.apply(Change::Together(changes))?;

        self.say_tune(car, &tune, &tuned_at, &unseen, (before, after))?;
        self.say_preview(&data.bands, &profile)?;
        let noticed = slip.zip(found.as_ref()).map(|((index, wrong), found)| {
            let names =
                |band: &&tuning::AuditedBand| band.index == index + 1 && band.verdict == Verdict::WrongSign;
            let (meant_db, hz) = (data.bands[index].gain_db, wrong.frequency_hz);
            self.detail(&format!(
                "on purpose, {} was typed instead of {} at {} in {}; each driver measured again:",
                signed_decibels(wrong.gain_db),
                signed_decibels(meant_db),
                units::quantity::hertz(hz),
                wrong.channel
            ));
            self.say_wrong(found);
            found.bands.iter().flat_map(|(_, audit)| &audit.bands).any(|band| names(&band))
        });
        let checked: usize = mended.bands.iter().map(|(_, audit)| audit.bands.len()).sum();
        if mended.has_mistake() {
            self.detail("corrected and measured once more:");
            self.say_wrong(&mended);
        } else {
            self.detail(&format!(
                "corrected and measured once more: no mistake in {} and {}",
                counted(checked, "band", "bands"),
                counted(self.channels.len(), "channel", "channels")
            ));
        }
        Ok(Tuned {
            before,
            after,
            bands: data.bands.len(),
            typing_error_found: noticed,
            corrected: !mended.has_mistake(),
        })
    }

    /// The joint tune, as far as it is not stopped.
    fn tuned(&mut self, inputs: &TuneInputs) -> Result<CarTune> {
        let (progress, token) = (&mut self.progress, &self.token);
        let mut step = |at: tuning::TuneProgress| {
            progress("Tune", at.evaluations as f64 / at.of.max(1) as f64);
            if token.is_stopped() { ControlFlow::Break(()) } else { ControlFlow::Continue(()) }
        };
        let mut tune = tuning::tune_car(&inputs.input(), &mut step)
            .map_err(|error| Error::measurement(error.to_string()))?;
        inputs.explain(&mut tune);
        Ok(tune)
    }

    /// Measures each driver alone at a place, with these bands in the processor, and compares with what it was before.
    fn checked(
        &mut self,
        car: &Car,
        place: &str,
        bands: &[EnteredBand],
        profile: &Profile,
        basis: &Basis,
    ) -> Result<JobAudit> {
        let entered = entered(bands, &self.channels);
        for driver in car.drivers.iter().filter(|driver| driver.processed) {
            self.driver(driver, place, (None, &entered), Some(&Set::After))?;
        }
        derive::audit_job(self.job.project(), profile, basis.clone())
            .map_err(|error| Error::measurement(error.to_string()))
    }

    /// Sweeps of each side by itself, one input driven, at places of the microphone; what does not pass through the
    /// processor is faded out.
    fn sides(&mut self, names: &[String], set: &Set, entered: &Entered) -> Result<()> {
        let registry = Registry::built_in();
        let manifest = registry.manifest("sweep").map_err(|unknown| Error::input(unknown.to_string()))?;
        for (number, name) in names.iter().enumerate() {
            (self.progress)(&format!("Tune, {}", set.word()), number as f64 / names.len() as f64);
            for (side, input) in SIDES.into_iter().zip([Side::Left, Side::Right]) {
                let sweep = short_paired_sweep("sweep of one side", 20.0, 20_000.0, -12.0);
                let plan = Plan {
                    stimulus: Some(on_side(sweep, input)),
                    label: format!("{side} at {name}, {}", set.word()),
                    set: Some(set.clone()),
                    position: name.clone(),
                    processor_channel: side.to_owned(),
                    scene: Some(Scene {
                        sounding: Sounding::Side(side.to_owned()),
                        position: Some(name.clone()),
                        processor: Some(entered.clone()),
                        ..Scene::default()
                    }),
                    ..Plan::of(manifest, Stage::Tune, self.rig.input(InputRole::Microphone).unwrap_or(0))
                };
                self.run(|session| captures(session, &[plan]))?;
            }
        }
        Ok(())
    }

    fn say_tune(
        &mut self,
        car: &Car,
        tune: &CarTune,
        tuned_at: &[String],
        unseen: &[String],
        (before, after): (Sides, Sides),
    ) -> Result<()> {
        let bands: usize = tune.channels.iter().map(|channel| channel.bands.len()).sum();
        let line = format!(
            "{} in {}, from {}; a side is {:.1} dB RMS from the target before, {:.1} dB after, at {} that nobody tuned for",
            counted(bands, "band", "bands"),
            counted(tune.channels.len(), "channel", "channels"),
            counted(tuned_at.len(), "place", "places"),
            before.mean_rms_db(),
            after.mean_rms_db(),
            counted(unseen.len(), "place", "places"),
        );
        self.result(Stage::Tune, "Tune", &line)?;
        let faded: Vec<&str> =
            car.drivers.iter().filter(|one| !one.processed).map(|one| one.name.as_str()).collect();
        if !faded.is_empty() {
            self.detail(&format!("muted, not fed by the processor: {}", faded.join(", ")));
        }
        let kept_out = tune.kept_out.as_ref();
        let told = |side: Option<f64>| side.map_or_else(String::new, |db| format!(" (expected: {db:.1})"));
        for (what, was, is, expected) in [
            ("left", before.left_rms_db, after.left_rms_db, kept_out.map(|kept| kept.left.average_rms_db)),
            (
                "right",
                before.right_rms_db,
                after.right_rms_db,
                kept_out.map(|kept| kept.right.average_rms_db),
            ),
            (
                "left against right",
                before.left_right_rms_db,
                after.left_right_rms_db,
                kept_out.map(|kept| kept.left_right.rms_db),
            ),
        ] {
            self.detail(&format!("{what:20} {was:4.1} dB before, {is:4.1} dB after{}", told(expected)));
        }
        self.detail(&format!(
            "{:20} {} before, {} after",
            "left louder by",
            signed_decibels(before.left_louder_db),
            signed_decibels(after.left_louder_db)
        ));
        for channel in &tune.channels {
            let filter = |what: &str, filter: Option<tuning::CarFilter>| {
                filter.map(|one| format!(", {what} {}", units::quantity::hertz(one.frequency_hz)))
            };
            self.detail(&format!(
                "{:14} {:>8}, {:5.2} ms{}{}{}, {}",
                channel.channel,
                signed_decibels(channel.gain_db),
                1e3 * channel.delay_s,
                if channel.inverted { ", inverted" } else { "" },
                filter("from", channel.high_pass).unwrap_or_default(),
                filter("to", channel.low_pass).unwrap_or_default(),
                counted(channel.bands.len(), "band", "bands")
            ));
        }
        for finding in &tune.findings {
            self.detail(&finding.text);
        }
        Ok(())
    }

    /// By how much what is heard before it is typed is matched.
    fn say_preview(&mut self, bands: &[EnteredBand], profile: &Profile) -> Result<()> {
        let Some(stand_in) = derive::stand_in(self.job.project(), bands, profile) else { return Ok(()) };
        let (count, rms_db) = (stand_in.bands.len(), stand_in.rms_db);
        let louder_db = PreviewTuning::default().standing_in(stand_in).louder_db(self.rig.spec())?;
        self.detail(&format!(
            "they can be heard before they are typed: {} of left and right do the same within {rms_db:.1} dB, matched by {} \
             to be as loud as bypassed",
            counted(count, "band", "bands"),
            signed_decibels(-louder_db)
        ));
        Ok(())
    }

    /// What an audit found wrong.
    fn say_wrong(&mut self, audit: &JobAudit) {
        audit.doubts().for_each(|line| self.detail(&format!("  {line}")));
    }
}

/// Bands and channels as they stand in the processor.
fn entered(bands: &[EnteredBand], channels: &[job::ChannelSetting]) -> Entered {
    let bands: Vec<(String, Band)> = bands.iter().map(|band| (band.channel.clone(), band.band())).collect();
    Entered { bands, channels: channels.to_vec(), own_filters: false }
}

/// A slip of the hand: the band that boosts most gets the wrong sign. A cut that becomes a boost could overload a driver.
fn mistyped(bands: &[EnteredBand]) -> Option<(usize, EnteredBand)> {
    let most = |one: &usize, other: &usize| bands[*one].gain_db.total_cmp(&bands[*other].gain_db);
    let index = (0..bands.len()).filter(|index| bands[*index].gain_db > 0.0).max_by(most)?;
    let band = &bands[index];
    Some((index, EnteredBand { gain_db: -band.gain_db, ..band.clone() }))
}
