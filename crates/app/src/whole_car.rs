//! The whole car in stage Tune: levels, polarity, delays, crossovers and bands, tuned together from the
//! captures of the drivers, judged for each side, and entered as one.

use std::sync::Arc;

use chart::{Chart, Dash, Line, Role as Curve};
use job::{EnteredBand, Judgement, SideError};
use procedure::{Change, Event};
use project::Project;
use project::derive::{self, NoTiming, NoTune, ProposedTune, TuneInputs, crossover_text};
use tuning::{Equalizer, JudgedCar, Seat, TuneOptions, TuneProgress};
use units::quantity::{counted, signed};
use view::{
    Action, Button, CarTune, Card, CardLine, Choice, ChoiceKey, EqualizerPlace, FindingLine, HandleCard,
    HandleId, HandleNumber, Number, NumberKey, Ribbon, SetMark, Setting, SwitchKey, Tone, TuneCard,
    TunedSeat,
};

use super::card::{button, choice, line, number, remarks, switch};
use super::derivation::Derivation;
use super::faces::{empty, linear};
use super::history::Edit;
use super::picture;
use super::proposal::{CarProposal, CarValue, ValueKind, with_locks};
use super::proposals::{CarJudged, Proposals, Same};
use super::state::State;
use super::timing::delay_text;
use super::typed_band::same_values;
use super::work::{Doing, Heading, Outcome, Task, nothing_more, unbroken};
use super::{Core, captures::USUAL_SMOOTHING};
use library::{Error, Result};

/// The most that a person may allow bands to boost, in dB.
const MOST_BOOST_DB: f64 = 12.0;

impl State {
    /// What may be done, as a person chose it.
    pub(super) fn car_options(&self) -> TuneOptions {
        TuneOptions {
            seat: self.choices.seat,
            equalizer: self.tune.profile().equalizer(Some(self.choices.equalizer)),
            max_boost_db: self.choices.max_boost_db,
            ..TuneOptions::default()
        }
    }

    /// The bands of a proposal as the job keeps them.
    fn proposed_bands(&self, car: &CarProposal) -> Vec<EnteredBand> {
        car.bands.iter().map(|band| self.job_band(band)).collect()
    }

    /// Whether the whole car is what Tune offers first: its drivers were measured on one clock, and nobody has
    /// begun with anything else there.
    pub(super) fn offers_whole_car(&self) -> bool {
        let begun = !self.tune.bands().is_empty() || self.captures.of(view::Stage::Tune).next().is_some();
        let found = self.drivers().iter().filter(|driver| self.driver_found(&driver.name).is_some());
        self.face.tune_card == TuneCard::Bands && !begun && self.arrivals_compare() && found.count() > 1
    }

    /// Whether the card of the whole car is open.
    pub(super) fn is_tuning_car(&self) -> bool {
        self.face.stage == view::Stage::Tune && self.face.tune_card == TuneCard::WholeCar
    }

    /// The cards of everything that is entered, in that order.
    pub(super) fn car_cards(&self) -> Vec<HandleCard> {
        let Some(car) = self.tune.car() else { return Vec::new() };
        let mut heading = "";
        let mut headed = |now: &'static str| {
            let begins = std::mem::replace(&mut heading, now) != now;
            if begins { now.to_owned() } else { String::new() }
        };
        let values = car.values();
        let mut cards: Vec<HandleCard> = values
            .iter()
            .enumerate()
            .map(|(index, value)| HandleCard {
                heading: headed(value.kind.heading()),
                ..self.value_card(car, HandleId::Value(index), *value)
            })
            .collect();
        cards.extend((0..car.bands.len()).map(|index| HandleCard {
            heading: headed("Bands"),
            ..self.band_card(HandleId::Proposed(index), &car.bands, index)
        }));
        cards
    }

    fn value_card(&self, car: &CarProposal, id: HandleId, value: CarValue) -> HandleCard {
        let setting = &car.channels[value.channel];
        let rate_hz = self.tune.profile().sample_rate_hz;
        let corner =
            |corner: &Option<job::Crossover>| corner.as_ref().map(crossover_text).unwrap_or_default();
        let (label, text) = match value.kind {
            ValueKind::Level => ("Gain", format!("{} dB", signed(setting.gain_db, 1))),
            ValueKind::Polarity => {
                ("Polarity", if setting.inverted { "inverted" } else { "normal" }.to_owned())
            }
            ValueKind::Delay => ("Delay", delay_text(self.face.delay_unit, setting.delay_s, rate_hz)),
            ValueKind::HighPass => ("High-pass", corner(&setting.high_pass)),
            ValueKind::LowPass => ("Low-pass", corner(&setting.low_pass)),
        };
        let what = match value.kind {
            ValueKind::HighPass => "high-pass ",
            ValueKind::LowPass => "low-pass ",
            _ => "",
        };
        HandleCard {
            id,
            heading: String::new(),
            label: String::new(),
            text: format!("{}: {what}{text}", setting.channel),
            reason: car.reason(value),
            selected: self.selected() == Some(id),
            numbers: vec![HandleNumber { what: Number::Value, label: label.to_owned(), text }],
            band: None,
            locked: Some(car.locked.contains(&value)),
        }
    }
}

impl Derivation {
    /// Everything that the tune is computed from, gathered once for each set of captures.
    pub(super) fn car_inputs(&self, options: TuneOptions) -> std::result::Result<Arc<TuneInputs>, NoTune> {
        let Some(job) = &self.job else { return Err(NoTiming::NothingMeasured.into()) };
        let (target, profile) = (self.tune.target().clone(), self.tune.profile().clone());
        let drivers = job.data.intake.drivers.clone();
        let key =
            (self.captures.results(), drivers, target.clone(), self.tune.profile_id().to_owned(), options);
        let options = key.4.clone();
        self.memos.car_inputs.get(key, || {
            TuneInputs::of_job(&job.project(), &[], target, profile, options, self.basis()).map(Arc::new)
        })
    }

    /// How good the car is, before and as proposed; follows every edit.
    pub(super) fn car_judged(&self) -> std::result::Result<Arc<CarJudged>, String> {
        let inputs = self.car_inputs(self.car_options()).map_err(|why| no_tune_text(&why))?;
        let car = self.tune.car();
        let proposed = car.map(|car| (car.channels.clone(), self.proposed_bands(car)));
        self.memos.car_judged.get((Same(Arc::clone(&inputs)), proposed.clone()), || {
            let before = inputs.judged_before().map_err(|error| error.to_string())?;
            let judged = |(channels, bands): (Vec<_>, Vec<_>)| inputs.judged(&channels, &bands);
            let predicted = proposed.map(judged).transpose().map_err(|error| error.to_string())?;
            Ok(Arc::new(CarJudged { before, predicted }))
        })
    }

    /// What the captures after say, side by side with what was predicted.
    pub(super) fn car_measured(&self) -> Option<Judgement> {
        let job = self.job.as_ref()?;
        let target = self.tune.target().clone();
        self.memos.car_measured.get((self.captures.results(), target.clone()), || {
            derive::measured_sides(&job.project(), &job::Set::After, &target)
        })
    }

    /// The tune that the job holds as entered.
    pub(super) fn entered_tune(&self) -> Option<&job::TuneRecord> {
        let data = &self.job.as_ref()?.data;
        data.tune.as_ref().filter(|_| !data.channels.is_empty())
    }

    /// Whether what is proposed is what the job holds.
    fn is_tune_entered(&self) -> bool {
        self.entered_tune().is_some()
            && self.tune.car().is_some_and(|car| {
                car.channels == self.entered_channels() && same_values(&car.bands, self.tune.bands())
            })
    }

    /// What comes next for the whole car, as the main button and its reason.
    pub(super) fn whole_car_next(&self) -> (String, Button) {
        let idle = self.is_idle();
        if self.car_inputs(self.car_options()).is_err() {
            let instruction = "Measure each driver alone first: the tune follows from them.".to_owned();
            return (instruction, button(Action::OpenStage(view::Stage::Drivers), "Go to Drivers", idle));
        }
        if self.is_tune_entered() {
            let (after, of) = (self.side(SetMark::After).count(), self.choices.positions);
            let open = self.places_open().len();
            return match (after, open) {
                (_, 0) if self.choices.side == SetMark::After => {
                    let next = button(Action::NextStage, "Next: Handover", true);
                    ("Compare what was predicted with what was measured.".to_owned(), next)
                }
                (0, _) => (
                    "Measure what it did, each side by itself.".to_owned(),
                    self.measure_button(&format!("Measure {} after", counted(of, "position", "positions"))),
                ),
                (_, open) => {
                    let instruction = "Measure the rest of the positions.".to_owned();
                    (instruction, self.measure_button(&format!("Measure {open} more")))
                }
            };
        }
        let joint = self.proposals.joint.is_some();
        match self.tune.car() {
            Some(_) if joint => {
                let label =
                    if self.is_simulated() { "Enter them in the processor" } else { "I have entered them" };
                let instruction = "Check the values, then enter them in the processor.".to_owned();
                (instruction, button(Action::EnterTune, label, idle))
            }
            _ => {
                let instruction = "Tune levels, delays, polarity, crossovers and bands together.".to_owned();
                (instruction, button(Action::TuneCar, "Tune the whole car", idle))
            }
        }
    }

    pub(super) fn whole_car_card(&self) -> Card {
        let (instruction, main) = self.whole_car_next();
        let idle = self.is_idle();
        let inputs = self.car_inputs(self.car_options());
        let mut actions = Vec::new();
        if inputs.is_ok() {
            if main.action != Action::TuneCar {
                actions.push(button(Action::TuneCar, "Tune again", idle));
            }
            if main.action == Action::TuneCar && self.tune.car().is_some() {
                let label = if self.is_simulated() { "Enter this one" } else { "I have entered this one" };
                actions.push(button(Action::EnterTune, label, idle));
            }
            actions.push(button(Action::EditTarget, "Edit the target", idle));
        }
        actions.push(button(Action::ShowBands, "Bands only", idle));
        let detail = match &inputs {
            Err(_) => String::new(),
            Ok(inputs) => format!(
                "From {} drivers at {}. Each value can be changed or locked; what is predicted follows.",
                inputs.drivers.len(),
                counted(inputs.places.len(), "place", "places")
            ),
        };
        let settings = self.tuned_settings();
        let first_settings = if inputs.is_ok() { settings.len() } else { 0 };
        let mut findings: Vec<FindingLine> = Vec::new();
        let mut say = |tone, text: String| findings.push(FindingLine { tone, text });
        if let Err(why) = &inputs {
            say(Tone::Caution, no_tune_text(why));
        }
        if let Some(why) = &self.proposals.refused {
            say(Tone::Caution, why.replace('`', ""));
        }
        let judged = self.car_judged();
        if let (Ok(_), Err(why)) = (&inputs, &judged) {
            say(Tone::Caution, why.replace('`', ""));
        }
        if let Some(car) = self.tune.car() {
            if car.is_edited() {
                say(Tone::Plain, "Values were edited by hand; what is predicted follows them.".to_owned());
            }
            findings.extend(remarks(&car.found.record.findings));
        }
        let mut card = Card {
            instruction,
            detail,
            actions,
            first_settings,
            lines: judged.map(|judged| self.car_lines(&judged)).unwrap_or_default(),
            findings,
            ..Card::default()
        };
        card.settings = settings;
        if self.tune.car().is_some() {
            card.settings.extend(self.after_settings());
        }
        card
    }

    /// What is chosen before the tune.
    fn tuned_settings(&self) -> Vec<Setting> {
        let mut settings = Vec::new();
        if self.proposals.quick.is_some() && self.proposals.joint.is_some() {
            let kinds = [(CarTune::Quick, "Quick tune"), (CarTune::Joint, "Joint tune")];
            let shown = self.tune.car().and_then(|car| {
                let is_it = |(kind, _): &&(CarTune, &str)| {
                    self.proposals.of(*kind).is_some_and(|tune| Arc::ptr_eq(tune, &car.found))
                };
                kinds.iter().find(is_it).map(|(kind, _)| *kind)
            });
            settings.push(choice(ChoiceKey::CarTune, Choice::CarTune, "Values of the", kinds, shown));
        }
        let seats = [(TunedSeat::Driver, "Driver"), (TunedSeat::Both, "Both front seats")];
        let seat = match self.choices.seat {
            Seat::Driver => TunedSeat::Driver,
            Seat::Both => TunedSeat::Both,
        };
        let place = |equalizer: Equalizer| match equalizer {
            Equalizer::Channels => (EqualizerPlace::Channels, "Each channel"),
            Equalizer::Sides => (EqualizerPlace::Sides, "Each side"),
            Equalizer::One => (EqualizerPlace::One, "One for all"),
        };
        let profile = self.tune.profile();
        let places = profile.equalizers.iter().copied().map(place);
        let (place, _) = place(profile.equalizer(Some(self.choices.equalizer)));
        let boost_db = self.choices.max_boost_db.unwrap_or(self.tune.profile().max_boost_db);
        settings.extend([
            choice(ChoiceKey::Seat, Choice::Seat, "Seat", seats, Some(seat)),
            choice(ChoiceKey::Equalizer, Choice::Equalizer, "Equalizer", places, Some(place)),
            number(NumberKey::MaxBoost, "Boost at most", boost_db, (0.0, MOST_BOOST_DB, 0.5), "dB"),
            self.target_setting(),
            self.processor_setting(),
        ]);
        settings
    }

    /// What is chosen for the captures after.
    fn after_settings(&self) -> Vec<Setting> {
        let count = self.choices.positions as f64;
        let mut settings = vec![
            number(NumberKey::Positions, "Positions", count, (1.0, 20.0, 1.0), ""),
            self.go_on_setting(),
            self.countdown_setting(),
        ];
        if self.is_simulated() {
            settings.push(switch(SwitchKey::BandsEntered, "Bands are in the processor", self.entered));
        }
        settings
    }

    /// How good it is: before, predicted, kept out, and measured.
    fn car_lines(&self, judged: &CarJudged) -> Vec<CardLine> {
        let record = self.tune.car().filter(|car| !car.is_edited()).map(|car| &car.found.record);
        let kept_out = record.and_then(|record| record.kept_out.as_ref());
        let measured = self.car_measured().filter(|_| self.is_tune_entered());
        let before = derive::judgement(&judged.before.judgement);
        let predicted = judged.predicted.as_ref().map(|judged| derive::judgement(&judged.judgement));
        let all = [Some(&before), predicted.as_ref(), kept_out, measured.as_ref()];
        let mut heads = vec!["before"];
        heads.extend(predicted.as_ref().map(|_| "predicted"));
        heads.extend(kept_out.map(|_| "kept out"));
        heads.extend(measured.as_ref().map(|_| "measured"));
        let mut lines = vec![line("Deviation from target, dB", heads.join(" · "))];
        let mut row = |label: String, tone: Tone, of: &dyn Fn(&Judgement) -> Option<f64>, sign: bool| {
            let cells: Vec<String> = all
                .iter()
                .flatten()
                .map(|judged| match of(judged) {
                    Some(db) if sign => signed(db, 1),
                    Some(db) => format!("{db:.1}"),
                    None => "–".to_owned(),
                })
                .collect();
            lines.push(CardLine { label, value: cells.join(" · "), tone });
        };
        let average = |side: Option<SideError>| side.map(|side| side.average_rms_db);
        let each = |side: Option<SideError>| side.map(|side| side.each_rms_db);
        row("Left".to_owned(), Tone::Plain, &|one| average(one.left), false);
        row("Right".to_owned(), Tone::Plain, &|one| average(one.right), false);
        row("Left, each place".to_owned(), Tone::Plain, &|one| each(one.left), false);
        row("Right, each place".to_owned(), Tone::Plain, &|one| each(one.right), false);
        row("Left against right".to_owned(), Tone::Plain, &|one| Some(one.left_right?.rms_db), false);
        row("Left louder by".to_owned(), Tone::Plain, &|one| Some(one.left_right?.level_db), true);
        row("Both together".to_owned(), Tone::Plain, &|one| average(one.both), false);
        for place in &before.places {
            let at = |one: &Judgement| {
                let there = one.places.iter().find(|other| other.position == place.position)?;
                Some(there.rms_db)
            };
            row(format!("Both at {}", place.position), Tone::Plain, &at, false);
        }
        if let (Some(quick), Some(joint)) = (&self.proposals.quick, &self.proposals.joint) {
            for (label, tune) in [("Quick tune: left, right", quick), ("Joint tune: left, right", joint)] {
                let sides = tune.record.predicted.as_ref().and_then(|judged| {
                    Some(format!("{:.1}, {:.1} dB", average(judged.left)?, average(judged.right)?))
                });
                lines.extend(sides.map(|sides| line(label, sides)));
            }
        }
        if let Some(record) = record {
            let hardest = record.drive_db.iter().max_by(|a, b| a.1.total_cmp(b.1));
            lines.extend(hardest.map(|(channel, db)| {
                line("Driven harder, at most", format!("{channel} {} dB", signed(*db, 1)))
            }));
            lines.extend(
                record.separation_db.map(|db| line("Separation of the sides", format!("{db:.1} dB"))),
            );
        }
        lines
    }

    /// Left and right, as they were, as predicted and as measured, against the target.
    pub(super) fn car_chart(&self) -> Chart {
        let mut lines: Vec<Line> = Vec::new();
        if let Ok(judged) = self.car_judged() {
            let mut add = |car: &JudgedCar, curve: Curve, when: &str| {
                for (side, response, dash) in
                    [("left", &car.left, Dash::Solid), ("right", &car.right, Dash::Dashed)]
                {
                    lines.push(picture::line(&format!("{side}, {when}"), curve, dash, response, 0.0));
                }
            };
            add(&judged.before, Curve::Before, "before");
            if let Some(predicted) = &judged.predicted {
                add(predicted, Curve::Predicted, "predicted");
            }
        }
        if self.is_tune_entered() {
            lines.extend(self.measured_lines());
        }
        let places = self.car_inputs(self.car_options()).map_or(0, |inputs| inputs.places.len());
        let title = match places {
            0 => format!("Target: {}", self.tune.target().name),
            _ => format!(
                "Left and right, mean of {} · 1/{USUAL_SMOOTHING} octave",
                counted(places, "place", "places")
            ),
        };
        let half_db = super::faces::HALF_RANGE_DB;
        Chart {
            areas: vec![self.tolerance()],
            lines,
            handles: self.handles(),
            ..empty(title, chart::Axis::audio_frequency(), linear("Level", "dB", -half_db, half_db))
        }
    }

    /// What was measured of each side after, about the level of both.
    fn measured_lines(&self) -> Vec<Line> {
        let sides = derive::SIDES.map(|side| (side, self.average_of(SetMark::After, side)));
        let levels: Vec<f64> =
            sides.iter().flat_map(|(_, side)| side.as_deref()).map(|one| self.offset_db(one)).collect();
        let level_db = levels.iter().sum::<f64>() / levels.len().max(1) as f64;
        let dashes = [Dash::Solid, Dash::Dashed];
        sides
            .iter()
            .zip(dashes)
            .filter_map(|((side, average), dash)| {
                let average = average.as_deref()?;
                Some(picture::line(&format!("{side}, measured"), Curve::After, dash, average, level_db))
            })
            .collect()
    }

    /// What is left of the worse side.
    pub(super) fn car_ribbon(&self) -> Option<Ribbon> {
        let judged = self.car_judged().ok()?;
        let (car, word) = match &judged.predicted {
            Some(predicted) => (predicted, "Predicted"),
            None => (&judged.before, "Before"),
        };
        let JudgedCar { judgement, left, right, .. } = car;
        let (side, response, rms_db) = if judgement.left.average_rms_db >= judgement.right.average_rms_db {
            ("left", left, judgement.left.average_rms_db)
        } else {
            ("right", right, judgement.right.average_rms_db)
        };
        let caption = format!("{word}, {side} − target");
        let residual = self.residual(response);
        Some(Ribbon {
            line: picture::line(&caption, Curve::Difference, Dash::Solid, &residual, 0.0),
            rms_text: format!("{rms_db:.1} dB"),
            caption,
        })
    }

    /// What the job keeps of the tune that is entered: with what was measured since.
    pub(super) fn tune_record(&self) -> Option<Change> {
        let record = self.entered_tune()?;
        let measured = self.car_measured();
        (record.measured != measured)
            .then(|| Change::TuneFound(Some(job::TuneRecord { measured, ..record.clone() })))
    }

    /// The stage's line where a tune of the whole car is entered.
    pub(super) fn car_result(&self) -> Option<String> {
        let record = self.entered_tune()?;
        let sides = |judged: &Judgement| Some((judged.left?.average_rms_db, judged.right?.average_rms_db));
        let (left_db, right_db) = record.predicted.as_ref().and_then(sides)?;
        // The card has both; in the list there is room for the one that counts.
        Some(match self.car_measured().as_ref().and_then(sides) {
            Some((left_db, right_db)) => format!("left / right {left_db:.1} / {right_db:.1} dB measured"),
            None => format!("left / right {left_db:.1} / {right_db:.1} dB predicted"),
        })
    }
}

impl Core {
    /// Opens the card of the whole car; what can be said at once is computed at once.
    pub(super) fn open_whole_car(&mut self) -> Result<()> {
        self.state.face.tune_card = TuneCard::WholeCar;
        self.select(None);
        if self.state.tune.car().is_none() && self.work.is_none() { self.quick_tune() } else { Ok(()) }
    }

    /// Finds the quick tune: some milliseconds, on a thread of its own.
    pub(super) fn quick_tune(&mut self) -> Result<()> {
        self.state.proposals = Proposals::default();
        let derivation = self.derivation();
        let task = Task { title: "Quick tune".to_owned(), detail: "levels, delays, and a fit of each side" };
        self.think(task, move || {
            let options =
                with_locks(derivation.car_options(), derivation.tune.car(), derivation.tune.profile());
            // The card says why there is none.
            let Ok(inputs) = derivation.car_inputs(options) else { return Ok(nothing_more()) };
            let found = tuning::quick_tune(&inputs.input());
            let found = found.map(|mut tune| {
                inputs.explain(&mut tune);
                Arc::new(inputs.proposed(&tune))
            });
            let outcome: Outcome<Self> = Box::new(move |core| {
                match found {
                    Ok(found) => core.take_car_tune(CarTune::Quick, found),
                    Err(error) => core.state.proposals.refused = Some(error.to_string()),
                }
                Ok(())
            });
            Ok(outcome)
        })
    }

    /// Searches for the joint tune on a worker; stopped, it gives the best that was found by then.
    pub(super) fn tune_car(&mut self) -> Result<()> {
        let derivation = self.derivation();
        let heading = Heading {
            title: "Tuning the whole car".to_owned(),
            hint: String::new(),
            detail: "all values together; a stop keeps the best so far".to_owned(),
        };
        self.work_on(Doing::Tuning, vec![heading], None, move |token, _, on_event| {
            let result = unbroken(|| {
                let options =
                    with_locks(derivation.car_options(), derivation.tune.car(), derivation.tune.profile());
                let inputs =
                    derivation.car_inputs(options).map_err(|why| Error::input(no_tune_text(&why)))?;
                let mut tune = tuning::tune_car(&inputs.input(), &mut |now: TuneProgress| {
                    #[expect(clippy::cast_precision_loss, reason = "thousands")]
                    let share = now.evaluations as f64 / now.of.max(1) as f64;
                    on_event(Event::Progress { what: String::new(), share: Some(share.min(1.0)) });
                    if token.is_stopped() {
                        std::ops::ControlFlow::Break(())
                    } else {
                        std::ops::ControlFlow::Continue(())
                    }
                })
                .map_err(|error| Error::measurement(error.to_string()))?;
                inputs.explain(&mut tune);
                let found = Arc::new(inputs.proposed(&tune));
                let outcome: Outcome<Self> = Box::new(move |core| {
                    core.take_car_tune(CarTune::Joint, found);
                    Ok(())
                });
                Ok(outcome)
            });
            (None, result)
        })
    }

    /// Takes a tune that was found as what is proposed.
    fn take_car_tune(&mut self, kind: CarTune, found: Arc<ProposedTune>) {
        let proposals = &mut self.state.proposals;
        proposals.refused = None;
        match kind {
            CarTune::Quick => proposals.quick = Some(Arc::clone(&found)),
            CarTune::Joint => proposals.joint = Some(Arc::clone(&found)),
        }
        let edits = self.state.tune.edits();
        self.propose(found);
        if self.state.tune.edits() > edits {
            self.history.note(Edit::Tune);
        }
    }

    /// Shows another of the tunes that were found.
    pub(super) fn show_car_tune(&mut self, kind: CarTune) {
        if let Some(found) = self.state.proposals.of(kind) {
            self.propose(Arc::clone(found));
        }
    }

    fn propose(&mut self, found: Arc<ProposedTune>) {
        let car = CarProposal::new(found).keeping(self.state.tune.car());
        self.state.tune.set_car(car);
        self.changed = true;
    }

    /// Keeps what is proposed in the job as what the processor holds; the simulated one has it from then on.
    pub(super) fn enter_tune(&mut self) -> Result<()> {
        let Some(car) = self.state.tune.car().cloned() else {
            return Err(Error::input("Tune the whole car first: there is nothing to enter yet."));
        };
        let derivation = self.derivation();
        let task = Task { title: "Entering the tune".to_owned(), detail: "with what it is predicted to do" };
        self.think(task, move || {
            let inputs = derivation
                .car_inputs(derivation.car_options())
                .map_err(|why| Error::input(no_tune_text(&why)))?;
            let bands = derivation.proposed_bands(&car);
            let mut proposed = inputs
                .edited(&car.found, car.channels.clone(), bands)
                .map_err(|error| Error::measurement(error.to_string()))?;
            for channel in &mut proposed.record.channels {
                channel.locked = car.locked_keys(&channel.setting.channel);
            }
            let Some(job) = &derivation.job else { return Ok(nothing_more()) };
            let mut changes = vec![Change::Preset(derivation.preset())];
            changes.extend(inputs.changes_of(&job.project(), proposed));
            let outcome: Outcome<Self> = Box::new(move |core| core.tune_entered(&car, changes));
            Ok(outcome)
        })
    }

    fn tune_entered(&mut self, car: &CarProposal, changes: Vec<Change>) -> Result<()> {
        // What is only found is no edit: it follows from the job by itself when this is taken back.
        let is_found = |change: &Change| matches!(change, Change::AuditFound(_) | Change::StageResult(..));
        let (found, edits): (Vec<Change>, Vec<Change>) = changes.into_iter().partition(is_found);
        let again = Change::Together(edits);
        let back = self.job.as_ref().and_then(|job| job.project().inverse(&again));
        self.apply(again.clone())?;
        self.apply(Change::Together(found))?;
        let edits = self.state.tune.edits();
        self.state.tune.set_bands(car.bands.clone());
        let with_bands = self.state.tune.edits() > edits;
        if let Some(back) = back {
            let (back, again) = (Box::new(back), Box::new(again));
            self.history.note(Edit::Job { back, again, with_bands });
        }
        self.state.entered = true;
        self.state.choices.by_side = true;
        self.state.choices.side = SetMark::After;
        self.keep_tuning()
    }
}

/// Why the car cannot be tuned as a whole, and what to do in the window.
fn no_tune_text(why: &NoTune) -> String {
    match why {
        NoTune::Drivers(NoTiming::NothingMeasured) => {
            "No driver was measured alone. Measure each of them in stage Drivers.".to_owned()
        }
        NoTune::Drivers(_) => why.to_string().replace('`', ""),
        NoTune::OneDriver(name) => {
            format!("A car needs two drivers at least; {name} was measured alone. Measure the others.")
        }
        NoTune::NoPlace(lacks) => {
            let lacks = lacks.replace('`', "");
            format!(
                "There is no place at which every driver was measured: {lacks}. Measure the others there too."
            )
        }
    }
}

impl super::state::JobView {
    /// The job as the functions of `project` take it.
    pub(super) fn project(&self) -> Project {
        Project { data: (*self.data).clone(), captures: self.captures.to_vec(), discarded: Vec::new() }
    }
}
