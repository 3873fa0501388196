//! Timing: what is entered for every driver so that the whole car adds up.

use std::sync::Arc;

use chart::{Chart, Dash, Mark, Role};
use job::{ChannelSetting, ProcessorSetting};
use procedure::Change;
use tuning::{CarSum, DelayEntry, Response};
use units::quantity::signed_decibels;
use view::{
    Action, Button, Card, CardLine, Choice, ChoiceKey, DelayUnit, FindingLine, Setting, SwitchKey, Tone,
};

use super::card::{button, choice, line, switch};
use super::derivation::Derivation;
use super::state::State;
use super::work::Task;
use super::{Core, picture};
use library::{Error, Result};
use project::derive::{self, CarPlan, FoundDriver, TEMPERATURE_C, crossovers, sum_text};

/// A loss of so much against perfect addition must not stay unsaid (our choice, no source).
const POOR_DB: f64 = -3.0;

pub(super) fn delay_text(unit: DelayUnit, delay_s: f64, sample_rate_hz: f64) -> String {
    let delay = DelayEntry::new(delay_s, sample_rate_hz, TEMPERATURE_C);
    match unit {
        DelayUnit::Milliseconds => format!("{:.2} ms", delay.ms),
        DelayUnit::Samples => format!("{:.0} samples", delay.samples),
        DelayUnit::Centimetres => format!("{:.1} cm", delay.cm),
        DelayUnit::Inches => format!("{:.1} in", delay.inches),
    }
}

/// What the stage is a function of.
pub(super) struct Timing<'a> {
    /// What follows from the drivers.
    plan: Arc<CarPlan>,
    /// What the job holds for its channels.
    entered: &'a [ChannelSetting],
    /// Whether that is a tune of the whole car.
    tuned: bool,
    /// How many drivers were measured.
    measured: usize,
    /// Whether arrivals of separate captures share their zero.
    compares: bool,
    /// Whether the crossovers were on when they were measured.
    filters_on: bool,
    /// In what delays are shown, and the processor's rate.
    unit: DelayUnit,
    rate_hz: f64,
    simulated: bool,
    idle: bool,
}

impl Timing<'_> {
    /// Whether the job holds what the plan says.
    fn is_entered(&self) -> bool {
        !self.plan.channels.is_empty() && self.plan.channels == self.entered
    }

    pub(super) fn main(&self) -> Button {
        if self.tuned || self.is_entered() {
            return button(Action::NextStage, "Next: Tune", true);
        }
        if self.measured == 0 {
            return button(Action::OpenStage(view::Stage::Drivers), "Go to Drivers", true);
        }
        let label = if self.simulated { "Enter them in the processor" } else { "I have entered them" };
        button(Action::EnterTiming, label, !self.plan.channels.is_empty())
    }

    /// The card where a tune of the whole car is entered: its delays are the ones that count.
    fn tuned_card(&self) -> Card {
        let corners = self.entered.iter().filter_map(|channel| {
            let high = channel.high_pass.as_ref().map(|one| format!("from {}", derive::crossover_text(one)));
            let low = channel.low_pass.as_ref().map(|one| format!("to {}", derive::crossover_text(one)));
            let corners: Vec<String> = high.into_iter().chain(low).collect();
            (!corners.is_empty()).then(|| line(&channel.channel, corners.join("; ")))
        });
        Card {
            instruction: "These are entered with the tune of the whole car.".to_owned(),
            detail: "Stage Tune found them together with levels and bands, and shows why. What the drivers alone would \
                     give can be entered instead; the tune is then no longer what is entered."
                .to_owned(),
            actions: vec![button(Action::EnterTiming, "Enter the timing alone", self.idle)],
            settings: vec![self.unit_setting()],
            lines: self.channel_lines(self.entered).into_iter().chain(corners).collect(),
            ..Card::default()
        }
    }

    pub(super) fn card(&self) -> Card {
        if self.tuned {
            return self.tuned_card();
        }
        let plan = &self.plan;
        let nothing = plan.channels.is_empty();
        let entered = self.is_entered();
        let what = match &plan.aligned {
            Some(aligned) if aligned.drivers.iter().any(|driver| driver.high_pass.is_some()) => {
                "delays, gains and crossovers"
            }
            Some(_) => "delays and gains",
            None => "delays and polarities",
        };
        Card {
            instruction: match (nothing, entered) {
                (true, _) => "Measure the drivers first: delays follow from their arrivals.".to_owned(),
                (false, false) => format!("Enter these {what}."),
                (false, true) => "Entered. Press Z to undo.".to_owned(),
            },
            detail: if plan.aligned.is_some() {
                "Found from all drivers together: with these neighbouring drivers sum best where they meet."
                    .to_owned()
            } else {
                "With them every driver arrives with the latest one. A subwoofer stays as it is.".to_owned()
            },
            settings: if nothing { Vec::new() } else { self.settings() },
            lines: self.lines(),
            findings: self.findings(),
            ..Card::default()
        }
    }

    fn unit_setting(&self) -> Setting {
        let units = [
            (DelayUnit::Milliseconds, "Milliseconds"),
            (DelayUnit::Samples, "Samples"),
            (DelayUnit::Centimetres, "Centimetres"),
            (DelayUnit::Inches, "Inches"),
        ];
        choice(ChoiceKey::DelayUnit, Choice::DelayUnit, "Delays in", units, Some(self.unit))
    }

    fn settings(&self) -> Vec<Setting> {
        vec![
            self.unit_setting(),
            switch(SwitchKey::FiltersOn, "Crossovers were on when measured", self.filters_on),
        ]
    }

    fn lines(&self) -> Vec<CardLine> {
        let crossovers = self.plan.aligned.iter().flat_map(crossovers);
        let crossovers = crossovers.map(|(meeting, filter)| line(&meeting, filter));
        self.channel_lines(&self.plan.channels).into_iter().chain(crossovers).collect()
    }

    /// Delay, gain and polarity of each channel.
    fn channel_lines(&self, channels: &[ChannelSetting]) -> Vec<CardLine> {
        let line = |channel: &ChannelSetting| {
            let mut value = delay_text(self.unit, channel.delay_s, self.rate_hz);
            if channel.gain_db != 0.0 {
                value += &format!(", {}", signed_decibels(channel.gain_db));
            }
            if channel.inverted {
                value += ", invert";
            }
            CardLine {
                label: channel.channel.clone(),
                value,
                tone: if channel.inverted { Tone::Caution } else { Tone::Plain },
            }
        };
        channels.iter().map(line).collect()
    }

    fn findings(&self) -> Vec<FindingLine> {
        let plan = &*self.plan;
        let mut findings = Vec::new();
        let mut say = |tone, text: String| findings.push(FindingLine { tone, text });
        if !plan.channels.is_empty() && !self.compares {
            say(
                Tone::Caution,
                "Without a loopback channel the arrivals of separate captures do not share their zero. Add one on the \
                 Intake card under “Set up inputs and outputs”, or measure distances."
                    .to_owned(),
            );
        }
        if let Some(why) = plan.without.as_ref().filter(|_| plan.channels.len() > 1) {
            say(Tone::Caution, format!("Only delays could be found: {why}"));
        }
        for finding in &plan.findings {
            say(Tone::Caution, finding.text.clone());
        }
        for sum in plan.aligned.iter().flat_map(|aligned| &aligned.sums) {
            // Left and right together always cancel somewhere at one place: no fault of the timing.
            let tone = match sum.worst_db < POOR_DB {
                _ if sum.heard == "all" && aligned_sides(plan) => Tone::Plain,
                true => Tone::Caution,
                false => Tone::Good,
            };
            say(tone, sum_text(sum));
        }
        for finding in plan.aligned.iter().flat_map(|aligned| &aligned.findings) {
            // The worst dip is said of each sum already.
            if finding.code != "sum-poor" {
                let tone =
                    if finding.level == measure::FindingLevel::Note { Tone::Plain } else { Tone::Caution };
                say(tone, finding.text.clone());
            }
        }
        findings
    }
}

impl State {
    /// Whether arrivals of separate captures share their zero.
    pub(super) fn arrivals_compare(&self) -> bool {
        let mut found = self.drivers().iter().filter_map(|driver| self.driver_found(&driver.name)).peekable();
        if found.peek().is_some() && found.all(|held| derive::is_against_reference(&held.reading)) {
            return true;
        }
        self.rig
            .as_ref()
            .is_some_and(|rig| rig.car().is_some() || rig.input(engine::InputRole::Loopback).is_some())
    }

    /// What stood in the processor before the work: the simulated car knows it, else the job.
    pub(super) fn preset(&self) -> Option<ProcessorSetting> {
        let car = self.rig.as_ref().and_then(|rig| rig.car());
        let kept = || self.job.as_ref().and_then(|job| job.data.preset.clone());
        car.map(|facts| rig::preset(&facts.car)).or_else(kept)
    }

    /// What the job holds for its channels.
    pub(super) fn entered_channels(&self) -> Vec<ChannelSetting> {
        self.job.as_ref().map(|job| job.data.channels.clone()).unwrap_or_default()
    }
}

impl Derivation {
    /// The stage as it is now.
    pub(super) fn timing(&self) -> Timing<'_> {
        Timing {
            plan: self.car_plan(),
            entered: self.job.as_ref().map_or(&[], |job| &job.data.channels),
            tuned: self.entered_tune().is_some(),
            measured: self.drivers_result().0,
            compares: self.arrivals_compare(),
            filters_on: self.choices.filters_on,
            unit: self.face.delay_unit,
            rate_hz: self.tune.profile().sample_rate_hz,
            simulated: self.is_simulated(),
            idle: self.is_idle(),
        }
    }

    /// The plan for the whole car, computed once for each set of captures.
    pub(super) fn car_plan(&self) -> Arc<CarPlan> {
        let key = (
            self.captures.results(),
            self.drivers().to_vec(),
            self.tune.profile_id().to_owned(),
            self.choices.filters_on,
            self.arrivals_compare(),
        );
        self.memos.car_plan.get(key, || Arc::new(self.find_car_plan()))
    }

    fn find_car_plan(&self) -> CarPlan {
        let found: Vec<FoundDriver<'_>> = self
            .drivers()
            .iter()
            .filter_map(|driver| {
                let held = self.driver_found(&driver.name)?;
                let (reading, response) = (&*held.reading, held.response.as_deref());
                Some(FoundDriver { driver, reading, response, zero_s: 0.0 })
            })
            .collect();
        let (found, findings) = derive::from_one_zero(found);
        let (profile, filters_on) = (self.tune.profile(), self.choices.filters_on);
        let plan = derive::car_plan(&found, profile, filters_on, self.arrivals_compare());
        let plan = CarPlan { findings, ..plan };
        // The drivers are measured with the gains and polarities that the processor holds.
        plan.on_top_of(&self.preset().map(|preset| preset.channels).unwrap_or_default())
    }

    /// What the predicted sums look like, over the drivers.
    pub(super) fn add_sums(&self, chart: &mut Chart, offset_db: f64) {
        let plan = self.car_plan();
        let Some(aligned) = &plan.aligned else { return };
        // Both sides, where there are two; else whatever there is.
        let sides: Vec<&CarSum> = aligned.sums.iter().filter(|sum| sum.heard != "all").collect();
        let sums = if sides.is_empty() { aligned.sums.iter().collect() } else { sides };
        for (sum, dash) in sums.iter().zip([Dash::Solid, Dash::Dashed]) {
            let sum_of = Response::new(sum.frequency_hz.clone(), sum.magnitude_db.clone());
            if let Ok(response) = sum_of.map(|response| response.smoothed(self.face.smoothing)) {
                let label = format!("{} combined", sum.heard);
                chart.lines.push(picture::line(&label, Role::Predicted, dash, &response, offset_db));
            }
        }
        if let Some(worst) = sums.iter().min_by(|a, b| a.worst_db.total_cmp(&b.worst_db)) {
            let label = format!("{:.1} dB, {}", worst.worst_db, worst.heard).replace('-', "−");
            chart.marks.push(Mark { x: worst.worst_hz, label });
        }
    }
}

impl Core {
    /// Keeps delays, polarities, gains and crossovers in the job; the simulated processor has
    /// them from then on.
    pub(super) fn enter_timing(&mut self) -> Result<()> {
        let derivation = self.derivation();
        let task = Task {
            title: "Putting the drivers together".to_owned(),
            detail: "from their arrivals and responses",
        };
        self.think(task, move || {
            let channels = derivation.car_plan().channels.clone();
            if channels.is_empty() {
                return Err(Error::input(
                    "Measure the drivers first: the delays follow from their arrivals.",
                ));
            }
            let preset = derivation.preset();
            Ok(Box::new(move |core| {
                // What was predicted of a tune of the whole car is not of this.
                let found = vec![Change::Preset(preset), Change::Channels(channels), Change::TuneFound(None)];
                core.edit(Change::Together(found))
            }))
        })
    }
}

/// Whether there are two sides, which are judged one by one.
fn aligned_sides(plan: &CarPlan) -> bool {
    plan.aligned.as_ref().is_some_and(|aligned| aligned.sums.len() > 1)
}
