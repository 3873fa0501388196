//! Tune: the average over the head's positions, the bands, before and after.

use cabin::{Band, Car};
use engine::InputRole;
use host::Registry;
use job::{Outcome, Set, Stage};
use tuning::{FitInput, FitOptions, FitResult, Profile, Response, Target};

use super::{Demo, paired_sweep};
use crate::take::{self, Plan};
use crate::{Error, Result, fitting, library, reading_response};

/// What the demonstration aims at, and with what.
const TARGET: &str = "car-medium";
const PROCESSOR: &str = "parametric-gridded";

/// What is corrected: everything that can be heard, as far as it was measured.
const RANGE_HZ: (f64, f64) = crate::responses::AUDIBLE_HZ;

impl Demo<'_> {
    /// Measures, fits, enters, measures again. Gives the RMS error before and
    /// after, and the number of bands.
    pub(super) fn tune(&mut self, car: &Car) -> Result<(f64, f64, usize)> {
        let target = library::target(TARGET)?;
        let profile = library::profile(PROCESSOR)?;
        let before = self.positions(car, &Set::Before)?;
        let fitted = fit(&before, &target, &profile, None)?;
        self.enter(car, &fitted)?;
        let after = self.positions(car, &Set::After)?;
        let left = fit(&after, &target, &profile, Some(0))?;
        let (was, is) = (fitted.before, left.before);
        let line = format!(
            "{} bands: {:.1} dB RMS to the target before, {:.1} dB after ({} positions)",
            fitted.bands.len(),
            was.rms_db,
            is.rms_db,
            before.len()
        );
        self.result(Stage::Tune, "Tune", &line)?;
        for band in &fitted.bands {
            self.detail(&fitting::band_text(&band.typed()));
        }
        for place in &fitted.left_alone {
            self.detail(&format!("left alone: {:.0} Hz ({})", place.frequency_hz, fitting::why(place)));
        }
        self.keep(
            &fitted,
            Outcome {
                before_rms_db: was.rms_db,
                after_rms_db: Some(is.rms_db),
                before_max_db: was.max_db,
                after_max_db: Some(is.max_db),
                from_hz: RANGE_HZ.0,
                to_hz: RANGE_HZ.1,
            },
        )?;
        Ok((was.rms_db, is.rms_db, fitted.bands.len()))
    }

    /// Sweeps the whole car at every position of the microphone.
    fn positions(&mut self, car: &Car, set: &Set) -> Result<Vec<Response>> {
        let names: Vec<String> = car.position_names().map(str::to_owned).collect();
        let registry = Registry::built_in();
        let manifest = registry.manifest("sweep").map_err(|unknown| Error::input(unknown.to_string()))?;
        let mut parameters = manifest.defaults();
        parameters.set("smoothing", measure::ParameterValue::Number(12.0));
        let mut responses = Vec::new();
        for (number, name) in names.iter().enumerate() {
            (self.progress)(&format!("Tune, {}", set.word()), number as f64 / names.len() as f64);
            self.bench.set(|setup| setup.mic_position.clone_from(name))?;
            let plan = Plan {
                parameters: parameters.clone(),
                stimulus: Some(paired_sweep("sweep of the whole car", 20.0, 20_000.0, -12.0)),
                label: format!("{name}, {}", set.word()),
                set: Some(set.clone()),
                position: name.clone(),
                ..Plan::of(manifest, Stage::Tune, self.bench.input(InputRole::Microphone).unwrap_or(0))
            };
            let taken = take::take(&plan, &mut self.bench, Some(&mut self.job), None, &mut |_, _| Ok(()))?;
            if let Some(finding) = taken.reading.stopped() {
                return Err(finding.into());
            }
            responses.push(reading_response(&taken.reading)?);
        }
        Ok(responses)
    }

    /// Types the bands into every channel of the simulated processor.
    fn enter(&mut self, car: &Car, fitted: &FitResult) -> Result<()> {
        let bands: Vec<Band> = fitted.bands.iter().map(|fitted| fitting::cabin_band(&fitted.band)).collect();
        self.bench.set(|setup| {
            for driver in car.drivers.iter().filter(|driver| driver.processed) {
                setup.processor.entry(driver.name.clone()).or_default().bands.clone_from(&bands);
            }
        })
    }

    fn keep(&mut self, fitted: &FitResult, outcome: Outcome) -> Result<()> {
        self.job.edit(|data| {
            data.target = Some(job::NameOrText::Name(TARGET.to_owned()));
            data.processor = Some(job::NameOrText::Name(PROCESSOR.to_owned()));
            data.bands = fitted.bands.iter().map(job_band).collect();
            data.left_alone = fitted
                .left_alone
                .iter()
                .map(|place| job::LeftAlone {
                    frequency_hz: place.frequency_hz,
                    why: fitting::why(place).to_owned(),
                })
                .collect();
            data.outcome = Some(outcome);
        })?;
        Ok(())
    }
}

fn fit(
    responses: &[Response],
    target: &Target,
    profile: &Profile,
    max_bands: Option<usize>,
) -> Result<FitResult> {
    let options = FitOptions { max_bands, from_hz: RANGE_HZ.0, to_hz: RANGE_HZ.1, ..FitOptions::default() };
    tuning::fit(&FitInput { responses, target, profile, options: &options })
        .map_err(|error| Error::measurement(error.to_string()))
}

/// A fitted band as the job keeps it.
pub(crate) fn job_band(fitted: &tuning::FittedBand) -> job::Band {
    job::Band {
        channel: String::new(),
        kind: fitting::job_type(fitted.band.kind),
        frequency_hz: fitted.band.frequency_hz,
        gain_db: fitted.band.gain_db,
        q: fitted.band.q,
        entered_q: fitted.entered_q,
        enabled: true,
        locked: false,
        reason: fitted.why.clone(),
    }
}
