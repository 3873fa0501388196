//! What each command of the window does.

use std::path::Path;

use job::Job;
use tuning::{FitInput, FitOptions};
use view::{Command, ExportFormat, SetMark, SettingValue};

use super::picture::RANGE_HZ;
use super::tune::DeskBand;
use super::{Desk, Signal};
use crate::{Error, Result, SheetForm, fitting, jobs, sheet};

/// The smoothings that the S key goes through; 0 is none.
const SMOOTHINGS: [u32; 5] = [0, 3, 6, 12, 24];

impl Desk {
    /// Carries a command out and says why when it cannot be done.
    pub(super) fn obey(&mut self, command: Command) {
        self.changed = true;
        let result = self.carry_out(command);
        self.report(result);
    }

    fn carry_out(&mut self, command: Command) -> Result<()> {
        match command {
            Command::UseSimulatedCar => return self.use_simulated_car(),
            Command::UseDevices => return self.use_devices(),
            Command::OpenJob(folder) => self.hold(Job::open(Path::new(&folder))?),
            Command::NewJob(folder) => self.hold(jobs::create(Path::new(&folder), None, "")?),
            Command::OpenStage(stage) => self.open_stage(stage),
            Command::StartOrStop => return self.start_or_stop(),
            Command::Press(id) => return self.press(&id),
            Command::Set(id, value) => return self.set(&id, value),
            Command::Mute => {
                self.muted = true;
                self.stop();
            }
            Command::Unmute => self.muted = false,
            Command::SetOutput(dbfs) => self.output_dbfs = dbfs.clamp(-60.0, 0.0),
            Command::ShowFace(face) => self.face = face,
            Command::NextSmoothing => {
                let now = SMOOTHINGS.iter().position(|smoothing| *smoothing == self.smoothing).unwrap_or(0);
                self.smoothing = SMOOTHINGS[(now + 1) % SMOOTHINGS.len()];
            }
            Command::ShowCapture(id, shown) => {
                self.held.iter_mut().filter(|held| held.id == id).for_each(|held| held.shown = shown);
            }
            Command::MarkCapture(id, mark) => return self.mark(id, mark),
            Command::RenameCapture(id, label) => {
                if let Some(job) = &mut self.job {
                    job.rename(job::CaptureId(id.0), &label)?;
                }
                self.held
                    .iter_mut()
                    .filter(|held| held.id == id)
                    .for_each(|held| held.label.clone_from(&label));
            }
            Command::DiscardCapture(id) => {
                if let Some(job) = &mut self.job {
                    job.discard(job::CaptureId(id.0))?;
                }
                self.held.retain(|held| held.id != id);
            }
            Command::SelectBand(band) => self.tune.selected = band,
            Command::EnableBand(band, enabled) => self.tune.enable(band, enabled),
            Command::LockBand(band, locked) => self.tune.lock(band, locked),
            Command::DragBand { band, frequency_hz, gain_db, done } => {
                self.tune.drag(band, frequency_hz, gain_db, done);
            }
            Command::StepBand { band, what, by } => self.tune.step(band, what, by),
            Command::ExportBands(format) => return self.export(format),
            Command::Undo => _ = self.tune.undo(),
            Command::Redo => _ = self.tune.redo(),
            // The loop ends before this is reached.
            Command::Close => {}
        }
        Ok(())
    }

    fn mark(&mut self, id: view::CaptureId, mark: Option<SetMark>) -> Result<()> {
        let set = mark.map(|mark| if mark == SetMark::Before { job::Set::Before } else { job::Set::After });
        if let Some(job) = &mut self.job {
            job.mark(job::CaptureId(id.0), set)?;
        }
        self.held.iter_mut().filter(|held| held.id == id).for_each(|held| held.mark = mark);
        Ok(())
    }

    fn press(&mut self, id: &str) -> Result<()> {
        match id {
            "suggest" => self.suggest(),
            "clear" => {
                self.tune.set_bands(Vec::new());
                Ok(())
            }
            "simulated" => self.use_simulated_car(),
            "devices" => self.use_devices(),
            "export-csv" => self.export(ExportFormat::Csv),
            "export-json" => self.export(ExportFormat::Json),
            "export-text" => self.export(ExportFormat::Text),
            other => Err(Error::input(format!("there is no action `{other}`"))),
        }
    }

    /// Fits bands to the average before, around those that are locked.
    fn suggest(&mut self) -> Result<()> {
        let responses = self.side(SetMark::Before);
        if responses.is_empty() {
            return Err(Error::input(
                "Measure the positions first: bands are suggested from what was measured before.",
            ));
        }
        let locked: Vec<DeskBand> = self.tune.bands().iter().filter(|band| band.locked).cloned().collect();
        let options = FitOptions {
            max_bands: Some(self.choices.max_bands),
            from_hz: RANGE_HZ.0,
            to_hz: RANGE_HZ.1,
            locked: locked.iter().map(|band| band.typed).collect(),
            ..FitOptions::default()
        };
        let (target, profile) = (self.tune.target(), self.tune.profile());
        let input = FitInput { responses: &responses, target, profile, options: &options };
        let fitted = tuning::fit(&input).map_err(|error| Error::measurement(error.to_string()))?;
        let bands = fitted
            .bands
            .iter()
            .map(|fitted| {
                let typed = fitted.typed();
                let locked = locked.iter().find(|band| band.typed == typed);
                locked.cloned().unwrap_or_else(|| DeskBand {
                    typed,
                    enabled: true,
                    locked: false,
                    reason: fitted.why.clone(),
                })
            })
            .collect();
        self.tune.set_bands(bands);
        Ok(())
    }

    /// The enabled bands as the simulated processor takes them.
    pub(super) fn entered_bands(&self) -> Vec<cabin::Band> {
        let profile = self.tune.profile();
        let enabled = self.tune.bands().iter().filter(|band| band.enabled);
        enabled.map(|band| fitting::cabin_band(&profile.cookbook(&band.typed))).collect()
    }

    /// Keeps bands and target in the job and writes the sheet into `exports/`.
    fn export(&mut self, format: ExportFormat) -> Result<()> {
        let bands: Vec<job::Band> = self.tune.bands().iter().map(|band| self.job_band(band)).collect();
        let (target, processor) = (self.tune.target_id().to_owned(), self.tune.profile_id().to_owned());
        let job = self
            .job
            .as_mut()
            .ok_or_else(|| Error::input("Open or begin a job first; the list is kept in it."))?;
        job.edit(|data| {
            data.bands = bands;
            data.target = Some(job::NameOrText::Name(target));
            data.processor = Some(job::NameOrText::Name(processor));
        })?;
        let (form, name) = match format {
            ExportFormat::Csv => (SheetForm::Csv, "bands.csv"),
            ExportFormat::Json => (SheetForm::Json, "bands.json"),
            ExportFormat::Text => (SheetForm::Text, "sheet.txt"),
        };
        let text = sheet(job.dir(), form)?;
        let path = job.export(name, text.as_bytes())?;
        self.notice(format!("Written to {}", path.display()), true);
        Ok(())
    }

    fn job_band(&self, band: &DeskBand) -> job::Band {
        let cookbook = self.tune.profile().cookbook(&band.typed);
        let differs = (cookbook.q - band.typed.q).abs() > 1e-9;
        job::Band {
            channel: String::new(),
            kind: fitting::job_type(cookbook.kind),
            frequency_hz: cookbook.frequency_hz,
            gain_db: cookbook.gain_db,
            q: cookbook.q,
            entered_q: differs.then_some(band.typed.q),
            enabled: band.enabled,
            locked: band.locked,
            reason: band.reason.clone(),
        }
    }

    fn set(&mut self, id: &str, value: SettingValue) -> Result<()> {
        let choices = &mut self.choices;
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "clamped to small whole numbers"
        )]
        let whole = |number: f64, most: f64| number.round().clamp(0.0, most) as u32;
        match (id, value) {
            ("signal", SettingValue::Choice(signal)) => {
                choices.signal = if signal == "pink" { Signal::Pink } else { Signal::Sweep };
            }
            ("side", SettingValue::Choice(side)) => {
                choices.side = if side == "after" { SetMark::After } else { SetMark::Before };
            }
            ("driver", SettingValue::Choice(driver)) => choices.driver = Some(driver),
            ("target", SettingValue::Choice(target)) => self.tune.choose_target(&target)?,
            ("processor", SettingValue::Choice(processor)) => self.tune.choose_profile(&processor)?,
            ("positions", SettingValue::Number(number)) => {
                choices.positions = whole(number, 20.0).max(1) as usize
            }
            ("countdown", SettingValue::Number(number)) => choices.countdown_s = whole(number, 30.0),
            ("max-bands", SettingValue::Number(number)) => {
                choices.max_bands = whole(number, 31.0).max(1) as usize
            }
            ("power", SettingValue::Number(number)) => choices.power_w = number.clamp(1.0, 5_000.0),
            ("load", SettingValue::Number(number)) => choices.load_ohm = number.clamp(0.5, 16.0),
            ("overlap", SettingValue::Number(number)) => choices.overlap_db = number.clamp(-20.0, 0.0),
            ("entered", SettingValue::Switch(entered)) => self.entered = entered,
            (id, _) => return Err(Error::input(format!("there is no setting `{id}` of this kind"))),
        }
        Ok(())
    }
}
