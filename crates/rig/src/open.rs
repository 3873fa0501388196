//! A rig that is open.

use std::ops::Deref;
use std::path::{Path, PathBuf};

use engine::{Capture, CaptureRequest, DeviceRig, InputRole, Pace, PreviewPath, Rig, RigSpec, SimulatedRig};
use library::Result;

use crate::calibration::{read_spec, rig_file};
use crate::{CarFacts, RigChoice, RigFacts, Scene, Simulated, car, refused};

/// What is played and recorded with.
pub struct OpenRig {
    rig: Box<dyn Rig>,
    facts: RigFacts,
    simulated: Option<Simulated>,
    /// How fast a simulated car runs.
    pace: Pace,
}

impl Deref for OpenRig {
    type Target = RigFacts;

    fn deref(&self) -> &RigFacts {
        &self.facts
    }
}

impl std::fmt::Debug for OpenRig {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("OpenRig").field("facts", &self.facts).finish_non_exhaustive()
    }
}

impl OpenRig {
    /// Opens a rig.
    ///
    /// # Errors
    /// When a file cannot be read or says something that cannot be, or there is no such car.
    /// Devices are looked for when a capture begins.
    pub fn open(choice: RigChoice) -> Result<Self> {
        match choice {
            RigChoice::Default => Self::devices(RigSpec::system_default()),
            RigChoice::File(path) => Self::from_file(&path),
            RigChoice::Simulated { car, pace } => Self::simulated(&car, pace),
        }
    }

    fn simulated(name_or_file: &str, pace: Pace) -> Result<Self> {
        let simulated = Simulated::new(car(name_or_file)?)?;
        let spec = simulated.spec();
        let microphone = simulated.microphone()?;
        let microphones = spec
            .inputs
            .iter()
            .map(|input| (input.role == InputRole::Microphone).then(|| microphone.clone()))
            .collect();
        let rig = SimulatedRig::new(simulated.plant(), spec, pace).map_err(refused)?;
        let known = CarFacts { car: simulated.car.clone(), truth: simulated.truth.clone() };
        let mut open = Self::of(Box::new(rig));
        (open.facts.microphones, open.facts.simulated) = (microphones, Some(known));
        Ok(Self { simulated: Some(simulated), pace, ..open })
    }

    fn from_file(path: &Path) -> Result<Self> {
        let path = rig_file(path);
        let spec = read_spec(&path)?;
        let folder = path.parent().unwrap_or(Path::new("")).to_owned();
        let own = |file: &PathBuf| library::calibration(&folder.join(file));
        let microphones = spec
            .inputs
            .iter()
            .map(|input| input.mic_cal.as_ref().map(own).transpose())
            .collect::<Result<_>>()?;
        let rig = DeviceRig::new(spec).map_err(refused)?;
        let mut open = Self::of(Box::new(rig));
        (open.facts.microphones, open.facts.file) = (microphones, Some(path));
        Ok(open)
    }

    /// Devices that no file describes.
    ///
    /// # Errors
    /// When the description says something that cannot be.
    pub fn devices(spec: RigSpec) -> Result<Self> {
        Ok(Self::of(Box::new(DeviceRig::new(spec).map_err(refused)?)))
    }

    /// A rig that was opened elsewhere, such as a simulation that is no car.
    #[must_use]
    pub fn of(rig: Box<dyn Rig>) -> Self {
        let spec = rig.spec().clone();
        let microphones = vec![None; spec.inputs.len()];
        let facts = RigFacts { spec, microphones, simulated: None, file: None };
        Self { rig, facts, simulated: None, pace: Pace::RealTime }
    }

    /// What is known of it, for whoever looks at it while a procedure has it.
    #[must_use]
    pub fn facts(&self) -> &RigFacts {
        &self.facts
    }

    /// How fast a simulated car runs from the next capture on; devices have their own pace.
    ///
    /// # Errors
    /// Never in practice: the same car is wired again.
    pub fn set_pace(&mut self, pace: Pace) -> Result<()> {
        if let Some(simulated) = &self.simulated {
            let spec = self.rig.spec().clone();
            self.rig = Box::new(SimulatedRig::new(simulated.plant(), spec, pace).map_err(refused)?);
            self.pace = pace;
        }
        Ok(())
    }

    /// The simulated car, if this is one.
    #[must_use]
    pub fn car(&self) -> Option<&Simulated> {
        self.simulated.as_ref()
    }

    /// Whether its samples come faster than a clock would bring them.
    #[must_use]
    pub fn runs_ahead_of_the_clock(&self) -> bool {
        self.pace == Pace::AsFastAsPossible
    }

    /// Sets the simulated car for a capture; to devices it means nothing.
    ///
    /// # Errors
    /// When the scene names something that the car does not have.
    pub fn set_scene(&mut self, scene: &Scene) -> Result<()> {
        match &mut self.simulated {
            Some(simulated) => scene.apply(simulated),
            None => Ok(()),
        }
    }

    /// Sets the simulated radio's volume, while a capture runs, too; to devices it means nothing.
    ///
    /// # Errors
    /// Never in practice: a step beyond the last one is the last one.
    pub fn set_volume_step(&mut self, step: u32) -> Result<()> {
        match &mut self.simulated {
            Some(simulated) => {
                let step = step.min(simulated.car.radio.last_step());
                simulated.set(|setup| setup.volume_step = step)
            }
            None => Ok(()),
        }
    }

    /// Sets the simulated car in any way; to devices it means nothing.
    ///
    /// # Errors
    /// When the setup does not fit the car.
    pub fn set(&mut self, change: impl FnOnce(&mut cabin::Setup)) -> Result<()> {
        match &mut self.simulated {
            Some(simulated) => simulated.set(change),
            None => Ok(()),
        }
    }

    /// Begins a capture.
    ///
    /// # Errors
    /// When the request does not fit the rig, or the devices refuse.
    pub fn capture(&mut self, request: CaptureRequest) -> Result<Capture> {
        self.rig.capture(request).map_err(refused)
    }

    /// Begins a capture whose sound goes through a virtual processor.
    ///
    /// # Errors
    /// As [`capture`](Self::capture), and when the processor does not fit the outputs.
    pub fn capture_through(&mut self, path: PreviewPath, request: CaptureRequest) -> Result<Capture> {
        self.rig.capture_through(Some(path), request).map_err(refused)
    }
}

#[cfg(test)]
mod tests {
    use measure::Calibration;
    use testkit::near;

    use super::*;

    /// Two microphones and two taps, each with numbers of its own.
    const RIG: &str = r#"
        name = "Two of each"
        [[input]]
        channel = 1
        name = "front mic"
        role = "microphone"
        mic_cal = "front.txt"
        dbfs_at_94 = -20.0
        [[input]]
        channel = 2
        name = "tap"
        role = "electrical"
        volts_per_fs = 10.0
        [[input]]
        channel = 3
        name = "rear mic"
        role = "microphone"
        mic_cal = "rear.txt"
        [[input]]
        channel = 4
        name = "spare mic"
        role = "microphone"
        [[input]]
        channel = 5
        name = "speaker leads"
        role = "electrical"
        volts_per_fs = 40.0
    "#;

    fn two_of_each(folder: &Path) -> OpenRig {
        std::fs::write(folder.join("rig.toml"), RIG).unwrap();
        std::fs::write(folder.join("front.txt"), "20 1.0\n1000 0.0\n20000 -3.0\n").unwrap();
        std::fs::write(folder.join("rear.txt"), "dbfs_at_94: -31.5\n20 0.0\n1000 0.0\n20000 6.0\n").unwrap();
        OpenRig::open(RigChoice::File(folder.join("rig.toml"))).unwrap()
    }

    /// The second microphone was once corrected by the first one's file.
    #[test]
    fn each_input_has_a_calibration_of_its_own() {
        let folder = tempfile::tempdir().unwrap();
        let rig = two_of_each(folder.path());
        let at_20k = |input: usize| {
            let curve = rig.calibration(input).microphone?;
            curve.magnitude_db.last().copied()
        };
        assert_eq!([0, 1, 2, 3, 4].map(at_20k), [Some(-3.0), None, Some(6.0), None, None]);
        let spl = [0, 1, 2, 3, 4].map(|input| rig.calibration(input).dbfs_at_94);
        assert_eq!(spl, [Some(-20.0), None, Some(-31.5), None, None]);
        let volts = [0, 1, 2, 3, 4].map(|input| rig.calibration(input).volts_per_fs);
        assert_eq!(volts, [None, Some(10.0), None, None, Some(40.0)]);
        assert_eq!(rig.calibration(9), Calibration::default());
        assert_eq!(rig.input_named("rear mic").unwrap(), 2);
        assert!(rig.input_named("roof").unwrap_err().to_string().contains("speaker leads"));
        assert_eq!((rig.usual_input("sweep"), rig.usual_input("tone")), (0, 1));
    }

    #[test]
    fn a_calibration_file_that_cannot_be_read_is_named() {
        let folder = tempfile::tempdir().unwrap();
        two_of_each(folder.path());
        std::fs::remove_file(folder.path().join("rear.txt")).unwrap();
        let error = OpenRig::open(RigChoice::File(folder.path().join("rig.toml"))).unwrap_err();
        assert!(error.to_string().contains("rear.txt"), "{error}");
    }

    #[test]
    fn a_simulated_car_has_its_own_numbers_and_plays_at_its_pace() {
        let mut rig = OpenRig::open(RigChoice::fast_car("")).unwrap();
        let truth = rig.car().unwrap().truth.clone();
        assert_eq!(rig.calibration(0).dbfs_at_94, Some(truth.dbfs_at_94));
        assert!(rig.calibration(0).microphone.is_some() && rig.calibration(1).microphone.is_none());
        assert_eq!(rig.calibration(1).volts_per_fs, Some(truth.volts_per_fs));
        let record = |rig: &mut OpenRig| -> Vec<f32> {
            let tone = (0..4_800).map(|n| 0.1 * (n as f32 * 0.13).sin()).collect::<Vec<f32>>();
            let play = engine::Play::Once(vec![tone.clone(), tone]);
            let length = engine::Length::Playback { tail_s: 0.1 };
            let request = CaptureRequest { play, length, ..CaptureRequest::watch() };
            let mut capture = rig.capture(request).unwrap();
            let mut all = Vec::new();
            while let Some(block) = capture.next_block() {
                all.extend_from_slice(&block.channels[1]);
            }
            all
        };
        let quick = record(&mut rig);
        rig.set_pace(Pace::Times(8)).unwrap();
        let paced = record(&mut rig);
        assert_eq!(quick.len(), paced.len());
        let loud = |samples: &[f32]| samples.iter().map(|x| f64::from(x * x)).sum::<f64>();
        near("the same sound", loud(&paced) / loud(&quick), 1.0, 0.05);
        rig.set_volume_step(10_000).unwrap();
        let (setup, last) = (rig.car().unwrap().setup(), rig.car().unwrap().car.radio.last_step());
        assert_eq!(setup.volume_step, last);
    }

    #[test]
    fn devices_are_set_by_a_person() {
        let mut rig = OpenRig::open(RigChoice::Default).unwrap();
        assert!(!rig.is_simulated() && rig.file().is_none());
        let scene = Scene { position: Some("nowhere".to_owned()), ..Scene::default() };
        rig.set_scene(&scene).unwrap();
        rig.set_volume_step(3).unwrap();
    }
}
