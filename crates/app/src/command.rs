//! What each command of the window does.

use std::path::{Path, PathBuf};
use std::time::Instant;

use job::Job;
use procedure::{Change, OpenJob};
use project::Placement;
use project::derive::{self, FitInputs, Fitted};
use tuning::{Equalizer, FitOptions, Seat};
use units::text::{lines, one_line};
use view::{
    Action, Choice, Command, EqualizerPlace, IntakeCard, NumberKey, Pace, Program, SetMark, SettingValue,
    Stage, SwitchKey, TextKey, TuneCard, TunedAs, TunedSeat,
};

use super::history::Edit;
use super::memos::RANGE_HZ;
use super::state::State;
use super::typed_band::TypedBand;
use super::work::{Outcome, Task};
use super::{Core, drivers};
use library::{Error, Result, targets};
use procedure::papers::{self, PageSize, ReportForm, SheetForm, report, sheet};

/// The smoothings that the S key goes through; 0 is none.
const SMOOTHINGS: [u32; 5] = [0, 3, 6, 12, 24];

/// The band list in every form that a program reads.
const BAND_FILES: &[(SheetForm, &str)] =
    &[(SheetForm::Csv, "bands.csv"), (SheetForm::Json, "bands.json"), (SheetForm::Text, "sheet.txt")];
/// The same with the sheet that a person prints.
const SHEET_FILES: &[(SheetForm, &str)] = &[
    (SheetForm::Csv, "bands.csv"),
    (SheetForm::Json, "bands.json"),
    (SheetForm::Text, "sheet.txt"),
    (SheetForm::Html, "sheet.html"),
    (SheetForm::Pdf, "sheet.pdf"),
];
/// The customer's report.
const REPORT_FILES: &[(ReportForm, &str)] =
    &[(ReportForm::Html, "report.html"), (ReportForm::Pdf, "report.pdf")];

impl State {
    /// Bands, target and processor, as the job keeps them.
    pub(super) fn tuning(&self) -> Vec<Change> {
        let bands = self.tune.bands().iter().map(|band| self.job_band(band)).collect();
        let target = Some(targets::for_job(self.tune.target_id(), self.tune.target()));
        let processor = Some(job::PresetOrInline::Preset(self.tune.profile_id().to_owned()));
        vec![Change::Bands(bands), Change::Target(target), Change::Processor(processor)]
    }

    /// The enabled bands with the cookbook's Q, each with its channel.
    pub(super) fn enabled_bands(&self) -> Vec<(String, tuning::Band)> {
        let profile = self.tune.profile();
        let enabled = self.tune.bands().iter().filter(|band| band.enabled);
        enabled.map(|band| (band.channel.clone(), profile.cookbook(&band.typed))).collect()
    }

    pub(super) fn job_band(&self, band: &TypedBand) -> job::EnteredBand {
        job::EnteredBand {
            enabled: band.enabled,
            locked: band.locked,
            reason: band.reason.clone(),
            ..job::EnteredBand::of_typed(&band.channel, &band.typed, self.tune.profile())
        }
    }
}

impl Core {
    /// Carries a command out and says why when it cannot be done.
    pub(super) fn obey(&mut self, command: Command) {
        self.carry(|core| core.carry_out(command));
    }

    /// Does something for a face: an edit can be taken back, and what cannot be done is said.
    pub(super) fn carry(&mut self, work: impl FnOnce(&mut Self) -> Result<()>) {
        self.changed = true;
        let edits = self.state.tune.edits();
        let result = work(self);
        if self.state.tune.edits() > edits {
            self.history.note(Edit::Tune);
        }
        if let Err(error) = result {
            self.notice(error.to_string(), false);
        }
        self.follow_preview();
    }

    fn carry_out(&mut self, command: Command) -> Result<()> {
        match command {
            Command::ShowStart => self.show_start(),
            Command::LeaveStart => self.state.face.at_start = false,
            Command::Remember(look) => self.remember_look(look),
            Command::UseSimulatedCar(car) => return self.use_simulated_car(&car),
            Command::UseDevices => return self.use_devices(),
            Command::OpenJob(folder) => {
                self.refuse_while_busy()?;
                return self.open_job(&folder);
            }
            Command::NewJob(folder) => return self.new_job(&folder),
            Command::Import(paths) => return self.import(&paths),
            Command::OpenStage(stage) => {
                self.state.face.at_start = false;
                return self.open_stage(stage);
            }
            Command::StartOrStop => return self.start_or_stop(),
            Command::Press(action) => return self.press(action),
            Command::Set(value) => return self.set(value),
            Command::Mute => {
                self.state.muted = true;
                self.stop();
            }
            Command::Unmute => self.state.muted = false,
            Command::SetOutput(dbfs) => self.state.output_dbfs = dbfs.clamp(-60.0, 0.0),
            Command::ShowFace(face) => self.state.face.chart = face,
            Command::NextSmoothing => {
                let now = SMOOTHINGS
                    .iter()
                    .position(|smoothing| *smoothing == self.state.face.smoothing)
                    .unwrap_or(0);
                self.state.face.smoothing = SMOOTHINGS[(now + 1) % SMOOTHINGS.len()];
            }
            Command::PickCapture(id) => self.state.face.picked = id,
            Command::ShowCapture(id, true) => _ = self.state.face.hidden.remove(&id),
            Command::ShowCapture(id, false) => _ = self.state.face.hidden.insert(id),
            Command::MarkCapture(id, mark) => {
                let set = mark.map(|mark| self.set_of(mark));
                return self.place(id, |placement| placement.set = set);
            }
            Command::RenameCapture(id, label) => {
                return self.place(id, |placement| placement.label = label);
            }
            Command::DiscardCapture(id) => return self.edit(Change::Discarded(job::CaptureId(id.0))),
            Command::SelectHandle(handle) => self.select(handle),
            Command::Enable(band, enabled) => self.state.tune.enable(band, enabled),
            Command::Lock(handle, locked) => self.state.tune.lock(handle, locked),
            Command::DragHandle { handle, frequency_hz, db, done } => {
                self.state.tune.drag(handle, frequency_hz, db, done);
            }
            Command::StepHandle { handle, what, by } => self.state.tune.step(handle, what, by),
            Command::RemoveHandle(handle) => self.remove_handle(handle),
            Command::ExportBands => return self.export_bands(),
            Command::Undo => return self.undo(),
            Command::Redo => return self.redo(),
            // The loop ends before this is reached.
            Command::Close => {}
        }
        Ok(())
    }

    /// Opens a job; its readings are read on a thread of their own.
    pub(super) fn open_job(&mut self, folder: &str) -> Result<()> {
        let folder = PathBuf::from(folder);
        let task = Task { title: "Opening the job".to_owned(), detail: "reading its captures" };
        self.think(task, move || {
            let job = OpenJob::with_readings(Job::open(&folder)?);
            Ok(Box::new(move |core| core.hold(job)))
        })
    }

    /// The space bar: stop what is under way, or do what the open stage offers first.
    fn start_or_stop(&mut self) -> Result<()> {
        if self.work.is_some() {
            self.stop();
            return Ok(());
        }
        if std::mem::take(&mut self.questions.start) {
            // Pressed twice: what has not begun does not begin.
            return Ok(());
        }
        self.questions.start = true;
        self.ask(|derivation| {
            let main = derivation.main_button();
            Box::new(move |core| {
                if !std::mem::take(&mut core.questions.start) {
                    return Ok(());
                }
                // A grey button says why.
                if main.enabled {
                    core.press(main.action)
                } else {
                    Err(Error::input(core.state.why_not(main.action)))
                }
            })
        })
    }

    /// The rig and the job stay what they are while something is under way.
    pub(super) fn refuse_while_busy(&self) -> Result<()> {
        match self.work {
            Some(_) => Err(Error::input("Something is under way. Stop it first, or wait until it is done.")),
            None => Ok(()),
        }
    }

    fn press(&mut self, action: Action) -> Result<()> {
        self.refuse_while_busy()?;
        match action {
            Action::ContinueJob => return self.continue_job(),
            Action::UseSimulatedCar => return self.use_simulated_car(""),
            Action::UseDevices => return self.use_devices(),
            Action::SetUpRig => return self.set_up_rig(),
            Action::LeaveSetUp => self.state.face.intake_card = IntakeCard::Car,
            Action::TryInputs => return self.try_inputs(),
            Action::TappedIsMicrophone => return self.tapped_is_microphone(),
            Action::PlayOutput(channel) => return self.play_output(channel),
            Action::EditDrivers => self.state.face.intake_card = IntakeCard::Drivers,
            Action::AddDriver => return self.add_driver(),
            Action::RemoveDriver => return self.remove_driver(),
            Action::NextStage => {
                let at = Stage::ALL.iter().position(|stage| *stage == self.state.face.stage).unwrap_or(0);
                return self.open_stage(Stage::ALL[(at + 1).min(Stage::ALL.len() - 1)]);
            }
            Action::OpenStage(stage) => return self.open_stage(stage),
            Action::OpenTask(task) => return self.choose_task(task),
            Action::UnmuteAndStart => {
                self.state.muted = false;
                return self.start_or_stop();
            }
            Action::AcceptPlaces => return self.accept_places(),
            Action::InvertReversed => {
                let reversed =
                    self.state.reversed_drivers().into_iter().map(str::to_owned).collect::<Vec<_>>();
                self.state.inverted_instead.extend(reversed);
            }
            Action::Measure => return self.measure(),
            Action::Listen => return self.listen(),
            Action::WatchLevel => return self.watch_volts(),
            Action::PlaySpot(number) => return self.play_spot(number),
            Action::KeepVolts => return self.keep_volts(),
            Action::RepeatVolts => self.state.source.heard = None,
            Action::FlattenRadio => return self.undo_tone(),
            Action::EnterTiming => return self.enter_timing(),
            Action::ShowWholeCar => return self.open_whole_car(),
            Action::TuneCar => return self.tune_car(),
            Action::EnterTune => return self.enter_tune(),
            Action::SuggestBands => return self.suggest(),
            Action::ClearBands => self.state.tune.set_bands(Vec::new()),
            Action::EnterBands => {
                self.state.entered = true;
                self.state.choices.side = SetMark::After;
                return self.keep_tuning();
            }
            Action::Preview => return self.preview(),
            Action::ShowBands => self.open_tune_card(TuneCard::Bands),
            Action::FindQ => self.open_tune_card(TuneCard::MeaningOfQ),
            Action::UseQ => return self.use_q(),
            Action::EditTarget => self.edit_target(),
            Action::AddPoint => return self.add_point(),
            Action::AddShelf(shelf) => return self.add_shelf(shelf),
            Action::KeepTarget => return self.keep_target(),
            Action::ExportBands => return self.export_bands(),
            Action::WritePapers => return self.write_papers(),
        }
        Ok(())
    }

    /// Opens a stage. Tune begins with the whole car where that can be tuned, and nobody has begun otherwise.
    fn open_stage(&mut self, stage: Stage) -> Result<()> {
        if self.state.face.stage != stage {
            // What was chosen for another stage's chart says nothing of this one's.
            self.state.face.chart = self.state.usual_face(stage);
        }
        self.state.face.stage = stage;
        if stage == Stage::Tune && self.offers_whole_car() && self.work.is_none() {
            return self.open_whole_car();
        }
        Ok(())
    }

    fn open_tune_card(&mut self, card: TuneCard) {
        self.state.face.tune_card = card;
        self.select(None);
    }

    /// Says where a capture belongs, or what it is called.
    pub(super) fn place(&mut self, id: view::CaptureId, change: impl FnOnce(&mut Placement)) -> Result<()> {
        let id = job::CaptureId(id.0);
        let known = self.job.as_ref().and_then(|job| job.project().capture(id));
        let Some(mut placement) = known.map(|known| Placement::of(&known.meta)) else { return Ok(()) };
        change(&mut placement);
        self.edit(Change::Placed { id, placement })
    }

    /// Makes a change of the job that the person can take back.
    pub(super) fn edit(&mut self, change: Change) -> Result<()> {
        let back = self.job.as_ref().and_then(|job| job.project().inverse(&change));
        self.apply(change.clone())?;
        if let Some(back) = back {
            let (back, again) = (Box::new(back), Box::new(change));
            self.history.note(Edit::Job { back, again, with_bands: false });
        }
        Ok(())
    }

    /// Notes whose car it is and which; as long as the job has the name that was proposed, the name follows.
    fn edit_car(&mut self, change: impl FnOnce(&mut job::Intake)) -> Result<()> {
        self.begin_job("")?;
        let Some(job) = &self.job else { return Ok(()) };
        let data = &job.project().data;
        let mut intake = data.intake.clone();
        change(&mut intake);
        let follows = data.head.name == self.state.proposed_name();
        let name = self.state.name_for(&intake);
        let named = follows.then_some(Change::Named(name));
        self.edit(Change::Together(std::iter::once(Change::Intake(intake)).chain(named).collect()))
    }

    /// Notes something of the car.
    pub(super) fn edit_intake(&mut self, change: impl FnOnce(&mut job::Intake)) -> Result<()> {
        let Some(job) = &self.job else { return Ok(()) };
        let mut intake = job.project().data.intake.clone();
        change(&mut intake);
        self.edit(Change::Intake(intake))
    }

    /// Fits bands to the average before, around those that are locked, on a
    /// thread of its own.
    fn suggest(&mut self) -> Result<()> {
        if self.tuned_channels().iter().any(|channel| !self.is_measured(channel)) {
            return Err(Error::input(
                "Measure the positions first: bands are suggested from what was measured before.",
            ));
        }
        let locked =
            self.state.tune.bands().iter().filter(|band| band.locked).map(|band| self.job_band(band));
        let locked: Vec<job::EnteredBand> = locked.collect();
        let options = FitOptions {
            max_bands: Some(self.state.choices.max_bands),
            from_hz: RANGE_HZ.0,
            to_hz: RANGE_HZ.1,
            ..FitOptions::default()
        };
        let (target, profile) = (self.state.tune.target().clone(), self.state.tune.profile().clone());
        let (basis, derivation) = (self.fit_basis(), self.derivation());
        let doubt = self.job.as_ref().and_then(|open| derive::set_since(open.project(), &basis.captures));
        let fit = move || -> Result<Outcome<Core>> {
            let began = Instant::now();
            let channels = derivation.wanted();
            let wanted = FitInputs { channels, locked, target, profile, options, basis, doubt };
            let fitted = wanted.fit().map_err(|(_, error)| Error::measurement(error.to_string()))?;
            let Fitted { bands, record } = fitted;
            let bands: Vec<TypedBand> = bands.iter().map(TypedBand::of_job).collect();
            let (took_s, kept) = (began.elapsed().as_secs_f64(), wanted.locked.len());
            Ok(Box::new(move |core| {
                let around = if kept > 0 { format!(" around {kept} that stay") } else { String::new() };
                let count = bands.len() - kept.min(bands.len());
                core.notice(format!("{count} bands fitted{around}, in {took_s:.2} s"), true);
                core.take_bands(bands);
                if core.job.as_ref().is_some_and(|job| job.job().is_writable()) {
                    // Other bands are in the place of those of a tune of the whole car.
                    let found = vec![Change::FitFound(Some(record)), Change::TuneFound(None)];
                    core.apply(Change::Together(found))?;
                }
                Ok(())
            }))
        };
        let task =
            Task { title: "Fitting bands".to_owned(), detail: "the bands stay as they are until it is done" };
        self.think(task, fit)
    }

    /// Takes the bands of a fit.
    pub(super) fn take_bands(&mut self, bands: Vec<TypedBand>) {
        if bands.is_empty() {
            self.notice("No band would bring this nearer to the target.", true);
        }
        self.state.tune.set_bands(bands);
        self.history.note(Edit::Tune);
    }

    /// Keeps bands, target and processor in the job.
    pub(super) fn keep_tuning(&mut self) -> Result<()> {
        if self.job.as_ref().is_some_and(|job| job.job().is_writable()) {
            self.apply(Change::Together(self.state.tuning()))?;
        }
        self.kept_tuning = self.state.tune.edits_and_undos();
        Ok(())
    }

    fn export_bands(&mut self) -> Result<()> {
        self.keep_tuning()?;
        let task = Task { title: "Writing the bands".to_owned(), detail: "as CSV, JSON and text" };
        self.write(task, BAND_FILES, &[], |core, folder| {
            let names: Vec<&str> = BAND_FILES.iter().map(|(_, name)| *name).collect();
            let folder_text = folder.display();
            core.notice_of(format!("Bands written to {folder_text}: {}", names.join(", ")), folder);
        })
    }

    /// What the job keeps of results comes first: the papers say it.
    fn write_papers(&mut self) -> Result<()> {
        let derivation = self.derivation().handed_over();
        let task = || Task { title: "Writing the papers".to_owned(), detail: "sheet, bands and report" };
        self.think(task(), move || {
            let results = derivation.results();
            Ok(Box::new(move |core| {
                core.keep(results);
                core.keep_tuning()?;
                core.write(task(), SHEET_FILES, REPORT_FILES, |core, folder| {
                    core.state.handed_over = true;
                    core.cue("Written", true);
                    core.notice_of(format!("Sheet, bands and report are in {}", folder.display()), folder);
                })
            }))
        })
    }

    /// Makes sheets and reports of what the job holds, writes them into its `exports/`, and says so.
    fn write(
        &mut self,
        task: Task,
        sheets: &'static [(SheetForm, &str)],
        reports: &'static [(ReportForm, &str)],
        written: impl FnOnce(&mut Self, &Path) + Send + 'static,
    ) -> Result<()> {
        let job = self.job.as_ref();
        let job = job.ok_or_else(|| Error::input("Open or begin a job first; the list is kept in it."))?;
        let dir = job.job().dir().to_owned();
        self.think(task, move || {
            let words = papers::wording(None)?;
            let sheets =
                sheets.iter().map(|(form, name)| Ok((*name, sheet(&dir, *form, PageSize::default())?)));
            let reports = reports
                .iter()
                .map(|(form, name)| Ok((*name, report(&dir, *form, PageSize::default(), &words)?)));
            let files: Vec<(&str, Vec<u8>)> = sheets.chain(reports).collect::<Result<_>>()?;
            Ok(Box::new(move |core| {
                let Some(job) = core.job.as_mut().filter(|job| job.job().dir() == dir) else { return Ok(()) };
                for (name, bytes) in files {
                    job.job().export(name, &bytes)?;
                }
                written(core, &dir.join("exports"));
                Ok(())
            }))
        })
    }

    fn set(&mut self, value: SettingValue) -> Result<()> {
        match value {
            SettingValue::Choice(choice) => return self.choose(choice),
            SettingValue::Number(NumberKey::SensitivityDbfs(channel), dbfs) => {
                return self.change_input(channel, |input| {
                    input.dbfs_at_94 = Some(dbfs.clamp(-140.0, 20.0));
                    Ok(())
                });
            }
            SettingValue::Number(NumberKey::MaxBoost, number) => {
                self.refuse_while_busy()?;
                self.set_number(NumberKey::MaxBoost, number);
                return self.tune_quickly_again();
            }
            SettingValue::Number(key, number) => self.set_number(key, number),
            SettingValue::Switch(SwitchKey::OutputUsed(channel), on) => return self.use_output(channel, on),
            SettingValue::Switch(key, on) => self.switch(key, on),
            SettingValue::Text(key, text) => return self.set_text(key, text),
        }
        Ok(())
    }

    fn choose(&mut self, choice: Choice) -> Result<()> {
        let choices = &mut self.state.choices;
        match choice {
            Choice::Signal(signal) => choices.signal = signal,
            Choice::Pace(Pace::RealTime) => choices.times = 1,
            Choice::Pace(Pace::TenTimes) => choices.times = 10,
            Choice::Set(side) => choices.side = side,
            Choice::Driver(driver) => choices.driver = driver,
            Choice::Layout(layout) => {
                self.begin_job("")?;
                self.edit_intake(|intake| intake.drivers = drivers::layout(layout))?;
            }
            Choice::Rig(name) => self.use_rig(name.as_deref())?,
            Choice::Wiring(channel, wiring) => return self.wire(channel, wiring),
            Choice::InputDevice(id) => {
                return self.rewire(|spec| {
                    spec.input_device = id;
                    Ok(())
                });
            }
            Choice::OutputDevice(id) => {
                return self.rewire(|spec| {
                    // A cue never comes from what plays.
                    spec.cue_device.take_if(|cue| id.as_ref().is_none_or(|id| *id == *cue));
                    spec.output_device = id;
                    Ok(())
                });
            }
            Choice::CueDevice(id) => {
                return self.rewire(|spec| {
                    spec.cue_device = id;
                    Ok(())
                });
            }
            Choice::Attenuator(channel, tenths) => return self.attenuate(channel, f64::from(tenths) / 10.0),
            Choice::EditedDriver(index) => self.state.face.driver = index,
            Choice::DriverRole(role) => return self.set_driver_role(role),
            Choice::DriverFeed(feed) => return self.set_driver_feed(feed),
            Choice::Place(id, place) => return self.place_chosen(id, place),
            Choice::SimulatedCar(car) => return self.use_simulated_car(&car),
            Choice::Processor(processor) => {
                self.state.tune.choose_profile(&processor)?;
                return self.tune_quickly_again();
            }
            Choice::Target(Some(target)) => {
                self.state.tune.choose_target(&target)?;
                return self.tune_quickly_again();
            }
            Choice::Seat(seat) => {
                self.refuse_while_busy()?;
                self.state.choices.seat = match seat {
                    TunedSeat::Driver => Seat::Driver,
                    TunedSeat::Both => Seat::Both,
                };
                return self.tune_quickly_again();
            }
            Choice::Equalizer(place) => {
                self.refuse_while_busy()?;
                self.state.choices.equalizer = match place {
                    EqualizerPlace::Channels => Equalizer::Channels,
                    EqualizerPlace::Sides => Equalizer::Sides,
                    EqualizerPlace::One => Equalizer::One,
                };
                return self.tune_quickly_again();
            }
            Choice::CarTune(kind) => self.show_car_tune(kind),
            // The edited one is the one that is aimed at.
            Choice::Target(None) => {}
            Choice::TunedAs(way) => {
                choices.by_side = way == TunedAs::Sides;
            }
            Choice::Side(side) => self.state.face.side = side,
            Choice::Program(program) => choices.preview.recording = program == Program::Recording,
            Choice::DelayUnit(unit) => self.state.face.delay_unit = unit,
            Choice::SourceTask(task) => return self.choose_task(task),
            Choice::Measurement(id) => self.state.source.other = id,
            Choice::Output(output) => self.state.source.only = output,
            Choice::RattleRange(range) => self.state.source.rattle_range = range,
        }
        Ok(())
    }

    /// What the quick tune depends on has changed.
    fn tune_quickly_again(&mut self) -> Result<()> {
        if self.is_tuning_car() && self.work.is_none() { self.quick_tune() } else { Ok(()) }
    }

    fn set_number(&mut self, key: NumberKey, number: f64) {
        if !number.is_finite() {
            return;
        }
        let (choices, source) = (&mut self.state.choices, &mut self.state.source);
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "clamped to small whole numbers"
        )]
        let whole = |least: f64, most: f64| number.round().clamp(least, most) as u32;
        match key {
            // What is said of an input goes into the rig's file.
            NumberKey::SensitivityDbfs(_) => {}
            NumberKey::Countdown => choices.countdown_s = whole(0.0, 30.0),
            NumberKey::Positions => choices.positions = whole(1.0, 20.0) as usize,
            NumberKey::DriverPlaces => choices.driver_places = whole(1.0, 20.0) as usize,
            NumberKey::MaxBoost => choices.max_boost_db = Some(number.clamp(0.0, 24.0)),
            NumberKey::MaxBands => choices.max_bands = whole(1.0, 31.0) as usize,
            NumberKey::Power => choices.power_w = number.clamp(1.0, 5_000.0),
            NumberKey::Load => choices.load_ohm = number.clamp(0.5, 16.0),
            NumberKey::ToneLevel => choices.tone_dbfs = number.clamp(-40.0, 0.0),
            NumberKey::Attenuator => source.attenuator_db = number.clamp(0.0, 80.0),
            NumberKey::FirstStep => source.first_step = whole(1.0, 100.0),
            NumberKey::VolumeStep => source.at_step = whole(0.0, 100.0),
            NumberKey::EngineSpeed => source.engine_rpm = number.clamp(0.0, 12_000.0),
            NumberKey::Tilt => self.state.tune.edit_target(|target| target.set_tilt(number)),
            NumberKey::Tolerance => self.state.tune.edit_target(|target| target.set_tolerance(number)),
        }
    }

    fn switch(&mut self, key: SwitchKey, on: bool) {
        let choices = &mut self.state.choices;
        match key {
            // The same of an output.
            SwitchKey::OutputUsed(_) => {}
            SwitchKey::Continue => choices.go_on = on,
            SwitchKey::BandsEntered => self.state.entered = on,
            SwitchKey::TypingError => choices.typing_error = on,
            SwitchKey::WithBands => choices.preview.with_bands = on,
            SwitchKey::FiltersOn => choices.filters_on = on,
            SwitchKey::Summed => {
                self.state.source.together = on;
                self.state.source.undo.clear();
            }
            SwitchKey::SourcePlays => self.state.source.source_plays = on,
        }
    }

    fn set_text(&mut self, key: TextKey, text: String) -> Result<()> {
        // As the job will read it again.
        let text = match key {
            TextKey::Notes => lines(&text).into_owned(),
            _ => one_line(&text).into_owned(),
        };
        match key {
            TextKey::RigName => {
                return self.rewire(|spec| {
                    spec.name = text.trim().to_owned();
                    Ok(())
                });
            }
            TextKey::InputName(channel) => {
                return self.change_input(channel, |input| {
                    input.name = text.trim().to_owned();
                    Ok(())
                });
            }
            TextKey::MicrophoneFile(channel) => return self.microphone_file(channel, &text),
            TextKey::Resistors(channel) => return self.resistors(channel, &text),
            TextKey::OutputName(channel) => {
                return self.rewire(|spec| {
                    let output = spec.outputs.iter_mut().find(|output| output.channel == channel);
                    output.into_iter().for_each(|output| output.name = text.trim().to_owned());
                    Ok(())
                });
            }
            TextKey::DriverName => return self.change_driver(|driver| driver.name = text.trim().to_owned()),
            TextKey::DriverChannel => {
                return self.change_driver(|driver| driver.channel = text.trim().to_owned());
            }
            TextKey::Vehicle => self.edit_car(|intake| intake.vehicle = text)?,
            TextKey::Plate => self.edit_car(|intake| intake.plate = text)?,
            TextKey::Customer => self.edit_car(|intake| intake.customer = text)?,
            TextKey::JobName => {
                self.begin_job("")?;
                let name = if text.trim().is_empty() { self.state.proposed_name() } else { text };
                self.edit(Change::Named(name))?;
            }
            TextKey::Notes => {
                self.begin_job("")?;
                self.edit(Change::Notes(text))?;
            }
            TextKey::Outputs => self.state.source.outputs = text,
            TextKey::MeterReading => self.state.source.meter = text,
            TextKey::TargetName => self.name_target(&text),
            TextKey::PreviewFile => self.state.choices.preview.file = text,
        }
        Ok(())
    }
}

impl Core {
    /// Takes the last edit back. One that cannot be taken back now stays for another try.
    fn undo(&mut self) -> Result<()> {
        let Some(edit) = self.history.past.last().cloned() else { return Ok(()) };
        match &edit {
            Edit::Tune => _ = self.state.tune.undo(),
            Edit::Job { back, with_bands, .. } => {
                self.apply((**back).clone())?;
                if *with_bands {
                    self.state.tune.undo();
                }
            }
        }
        self.history.past.pop();
        self.history.future.push(edit);
        Ok(())
    }

    /// Makes it again, under the same condition.
    fn redo(&mut self) -> Result<()> {
        let Some(edit) = self.history.future.last().cloned() else { return Ok(()) };
        match &edit {
            Edit::Tune => _ = self.state.tune.redo(),
            Edit::Job { again, with_bands, .. } => {
                self.apply((**again).clone())?;
                if *with_bands {
                    self.state.tune.redo();
                }
            }
        }
        self.history.future.pop();
        self.history.past.push(edit);
        Ok(())
    }
}
