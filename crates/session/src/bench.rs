//! The rig as the session uses it: a simulated car or devices, with what the
//! numbers of each input mean.

use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};

use cabin::{Cabin, Car, Setup, Truth};
use engine::{
    Capture, CaptureRequest, DeviceRig, Input, InputRole, Output, Pace, Plant, Rig, RigSpec, SimulatedRig,
};
use measure::{Calibration, Finding};

use crate::analysis::with_microphone;
use crate::files::read_text;
use crate::{Error, Result, library, place};

/// The rate at which the simulated car runs.
const SIMULATED_RATE_HZ: u32 = 48_000;

/// The simulated car stands between the outputs and the inputs of its rig.
#[derive(Debug)]
pub(crate) struct CabinPlant(Cabin);

impl Plant for CabinPlant {
    fn process(&mut self, played: &[f32], captured: &mut [f32]) {
        self.0.process(played, captured);
    }

    fn outputs(&self) -> usize {
        2
    }

    fn inputs(&self) -> usize {
        2
    }
}

/// What is played and recorded with.
pub(crate) struct Bench {
    rig: Box<dyn Rig>,
    /// The microphone's own response, where it is known.
    microphone: Option<tuning::Calibration>,
    simulated: Option<Simulated>,
    /// Where the rig is described.
    file: Option<PathBuf>,
}

/// The simulated car behind a rig.
pub(crate) struct Simulated {
    pub(crate) car: Car,
    pub(crate) truth: Truth,
    plant: Arc<Mutex<CabinPlant>>,
    setup: Setup,
}

impl Bench {
    /// A simulated car: a preset's name, a file, or nothing for the usual one.
    pub(crate) fn simulated(name_or_file: &str, pace: Pace) -> Result<Self> {
        let car = car(name_or_file)?;
        let truth = car.truth();
        let cabin = Cabin::new(&car, f64::from(SIMULATED_RATE_HZ))
            .map_err(|error| Error::input(error.to_string()))?;
        let setup = cabin.setup().clone();
        let plant = Arc::new(Mutex::new(CabinPlant(cabin)));
        let microphone = tuning::Calibration::parse(
            &truth.microphone_calibration,
            "the simulated microphone's calibration",
        )?;
        let mut mic = Input::new(1, "microphone", InputRole::Microphone);
        mic.dbfs_at_94 = Some(truth.dbfs_at_94);
        let mut tap = Input::new(2, "tap", InputRole::Electrical);
        tap.volts_per_fs = Some(truth.volts_per_fs);
        let spec = RigSpec {
            name: format!("Simulated: {}", car.name),
            sample_rate_hz: SIMULATED_RATE_HZ,
            outputs: vec![Output::new(1, "left"), Output::new(2, "right")],
            inputs: vec![mic, tap],
            ..RigSpec::system_default()
        };
        let rig = SimulatedRig::new(Arc::clone(&plant), spec, pace)?;
        Ok(Self {
            rig: Box::new(rig),
            microphone: Some(microphone),
            simulated: Some(Simulated { car, truth, plant, setup }),
            file: None,
        })
    }

    /// The devices that a rig file names. A plain word is the name of one of the
    /// person's own rigs.
    pub(crate) fn from_file(path: &Path) -> Result<Self> {
        let own = path.to_str().and_then(|name| place::own("rigs", name));
        let path = own.as_deref().unwrap_or(path);
        let spec = RigSpec::parse(&read_text(path)?, &path.display().to_string())
            .map_err(|error| Error::input(error.to_string()))?;
        let microphone = spec
            .inputs
            .iter()
            .find_map(|input| input.mic_cal.as_deref())
            .map(|file| library::calibration(&path.parent().unwrap_or(Path::new("")).join(file)))
            .transpose()?;
        Ok(Self { file: Some(path.to_owned()), ..Self::devices(spec, microphone)? })
    }

    /// Devices.
    pub(crate) fn devices(spec: RigSpec, microphone: Option<tuning::Calibration>) -> Result<Self> {
        Ok(Self { rig: Box::new(DeviceRig::new(spec)?), microphone, simulated: None, file: None })
    }

    /// How fast a simulated car runs from the next capture on; devices have
    /// their own pace.
    pub(crate) fn set_pace(&mut self, pace: Pace) -> Result<()> {
        if let Some(simulated) = &self.simulated {
            let spec = self.rig.spec().clone();
            self.rig = Box::new(SimulatedRig::new(Arc::clone(&simulated.plant), spec, pace)?);
        }
        Ok(())
    }

    /// The file that describes it, if there is one.
    pub(crate) fn file(&self) -> Option<&Path> {
        self.file.as_deref()
    }

    /// How it is wired and calibrated.
    pub(crate) fn spec(&self) -> &RigSpec {
        self.rig.spec()
    }

    /// The simulated car, if this is one.
    pub(crate) fn car(&self) -> Option<&Simulated> {
        self.simulated.as_ref()
    }

    /// Sets the simulated car otherwise; nothing happens with devices, where a
    /// person does it.
    pub(crate) fn set(&mut self, change: impl FnOnce(&mut Setup)) -> Result<()> {
        let Some(simulated) = &mut self.simulated else { return Ok(()) };
        let mut setup = simulated.setup.clone();
        change(&mut setup);
        let mut plant = simulated.plant.lock().unwrap_or_else(PoisonError::into_inner);
        plant.0.apply(&setup).map_err(|error| Error::input(error.to_string()))?;
        simulated.setup = setup;
        Ok(())
    }

    /// Fades out in a simulated car what does not pass through its processor, where there is one: no
    /// tuning reaches that.
    pub(crate) fn fade_out_unprocessed(&mut self) -> Result<()> {
        let Some(simulated) = &self.simulated else { return Ok(()) };
        let processed = simulated.car.drivers.iter().filter(|driver| driver.processed);
        let processed: Vec<String> = processed.map(|driver| driver.name.clone()).collect();
        if processed.is_empty() { Ok(()) } else { self.set(|setup| setup.active = Some(processed)) }
    }

    /// The first input of a kind, from 0.
    pub(crate) fn input(&self, role: InputRole) -> Option<usize> {
        self.spec().inputs.iter().position(|input| input.role == role)
    }

    /// The electrical input of this name, or the only one, from 0.
    pub(crate) fn electrical_input(&self, name: Option<&str>) -> Result<usize> {
        crate::source::electrical_input(self.spec(), name)
    }

    /// The own response of the microphone at an input, where it is known.
    pub(crate) fn microphone(&self, input: usize) -> Option<&tuning::Calibration> {
        let is_one = self.spec().inputs.get(input)?.role == InputRole::Microphone;
        self.microphone.as_ref().filter(|_| is_one)
    }

    /// What the numbers of an input mean.
    pub(crate) fn calibration(&self, input: usize) -> Calibration {
        let file = with_microphone(self.microphone(input));
        let Some(input) = self.spec().inputs.get(input) else { return Calibration::default() };
        Calibration {
            dbfs_at_94: input.dbfs_at_94.or(file.dbfs_at_94),
            volts_per_fs: input.volts_per_fs,
            microphone: file.microphone,
        }
    }

    /// Begins a capture whose sound goes through a virtual processor.
    pub(crate) fn capture_through(
        &mut self,
        path: engine::PreviewPath,
        request: CaptureRequest,
    ) -> Result<Capture> {
        Ok(self.rig.capture_through(Some(path), request)?)
    }

    /// Begins a capture. What the devices refuse is a measurement that cannot
    /// be made.
    pub(crate) fn capture(&mut self, request: CaptureRequest) -> Result<Capture> {
        Ok(self.rig.capture(request)?)
    }
}

/// A simulated car by its name, or from a file; nothing stands for the usual one.
pub(crate) fn car(name_or_file: &str) -> Result<Car> {
    let usual = Car::presets().first().map_or("", |(name, _)| name);
    let name = if name_or_file.is_empty() { usual } else { name_or_file };
    let built_in = Car::presets().iter().any(|(preset, _)| *preset == name);
    match library::text("cars", name, built_in)? {
        Some((text, file)) => Car::parse(&text).map_err(|error| Error::input(format!("{file}: {error}"))),
        None => Car::preset(name).map_err(|error| Error::input(error.to_string())),
    }
}

impl From<engine::EngineError> for Error {
    fn from(error: engine::EngineError) -> Self {
        match error {
            engine::EngineError::Spec(_) | engine::EngineError::Request { .. } => {
                Self::input(error.to_string())
            }
            _ => Self::measurement(error.to_string()),
        }
    }
}

/// An engine's remark as everyone else's.
pub(crate) fn finding(finding: &engine::EngineFinding) -> Finding {
    match finding.level {
        engine::EngineLevel::Note => Finding::note(finding.code, &finding.text),
        engine::EngineLevel::Caution => Finding::caution(finding.code, &finding.text),
        engine::EngineLevel::Stop => Finding::stop(finding.code, &finding.text),
    }
}
