//! Tune: the average over the head's positions, the bands, before and after.

use cabin::Car;
use host::Registry;
use job::{Basis, ChannelFitRecord, EnteredBand, FitRecord, Outcome, Set, Stage};
use measurements::signals::short_paired_sweep;
use procedure::{Change, Plan, PreviewTuning, captures};
use rig::{Entered, InputRole, Scene, Sounding};
use tuning::{AuditResult, Band, FitInput, FitOptions, FitResult, Profile, Response, Target, Verdict};
use units::quantity::{counted, signed_decibels};

use super::working::{Demo, PROCESSOR, one};
use library::{Error, Result};
use procedure::reading_response;
use project::derive::{self, Placed, mistype};

/// What the demonstration aims at.
const TARGET: &str = "car-medium";

/// What is corrected: everything that can be heard, as far as it was measured.
const RANGE_HZ: (f64, f64) = (20.0, 20_000.0);

/// 1/N octave: how finely the response is looked at.
const SMOOTHING: u32 = 12;

/// At so many places it is checked what was typed: more than one, for a place where something
/// else has changed does no harm then.
const CHECKED: usize = 3;

/// What came of tuning.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Tuned {
    pub(super) before_rms_db: f64,
    pub(super) after_rms_db: f64,
    pub(super) bands: usize,
    /// Whether the typing error was named; absent where no band could be mistyped.
    pub(super) typing_error_found: Option<bool>,
    /// Whether all was as meant once it was corrected.
    pub(super) corrected: bool,
}

impl Demo<'_> {
    /// Measures, fits, types with a mistake, finds it, mends it and measures again.
    pub(super) fn tune(&mut self, car: &Car) -> Result<Tuned> {
        let target = library::target(TARGET)?;
        let profile = library::profile(PROCESSOR)?;
        let before = self.positions(car, &Set::Before, usize::MAX, &[])?;
        let fitted = fit(&smoothed(&before), &target, &profile, None)?;
        let meant: Vec<Band> = fitted.bands.iter().map(|fitted| fitted.band).collect();
        let mut typed = meant.clone();
        let slip = mistype(typed.iter_mut(), &profile);
        let mistyped = self.positions(car, &Set::Named("mistyped".to_owned()), CHECKED, &typed)?;
        let found = check(&before, &mistyped, &fitted, &profile)?;
        let after = self.positions(car, &Set::After, usize::MAX, &meant)?;
        let mended = check(&before, &after, &fitted, &profile)?;
        let left = fit(&smoothed(&after), &target, &profile, Some(0))?;
        let (was, is) = (fitted.before, left.before);
        let line = format!(
            "{}: deviation from target {:.1} dB RMS before, {:.1} dB after ({})",
            counted(fitted.bands.len(), "band", "bands"),
            was.rms_db,
            is.rms_db,
            counted(before.len(), "position", "positions")
        );
        self.result(Stage::Tune, "Tune", &line)?;
        let faded: Vec<&str> = car
            .drivers
            .iter()
            .filter(|driver| !driver.processed)
            .map(|driver| driver.name.as_str())
            .collect();
        if !faded.is_empty() {
            self.detail(&format!("muted, not fed by the processor: {}", faded.join(", ")));
        }
        for band in &fitted.bands {
            self.detail(&band.typed().sentence());
        }
        let heard = PreviewTuning {
            bands: fitted.bands.iter().map(|fitted| (String::new(), fitted.band)).collect(),
            car: tuning::average(&smoothed(&before)).ok(),
            ..PreviewTuning::default()
        };
        self.detail(&format!(
            "they can be heard before they are typed, matched by {} to be as loud as bypassed",
            signed_decibels(-heard.louder_db(self.rig.spec())?)
        ));
        for line in tuning::left_alone_lines(&fitted.left_alone) {
            self.detail(&format!("left alone: {line}"));
        }
        if let Some((meant_hz, typed_hz)) = slip {
            self.detail(&format!(
                "on purpose, {typed_hz} Hz was typed instead of {meant_hz} Hz; measured again:"
            ));
            for band in found.bands.iter().filter(|band| band.verdict != Verdict::AsMeant) {
                self.detail(&format!("  {}", band.text));
            }
            self.detail(&format!("corrected and measured once more: {}", verdict(&mended)));
            mended.findings.iter().for_each(|finding| self.detail(&format!("  {}", finding.text)));
        }
        let outcome = Outcome {
            before_rms_db: was.rms_db,
            after_rms_db: Some(is.rms_db),
            before_max_db: was.max_db,
            after_max_db: Some(is.max_db),
            from_hz: RANGE_HZ.0,
            to_hz: RANGE_HZ.1,
        };
        self.keep(&fitted, outcome, &mended)?;
        let noticed = |(_, typed_hz): (f64, f64)| {
            let names = |band: &&tuning::AuditedBand| {
                band.found.band.is_some_and(|found| (found.frequency_hz / typed_hz - 1.0).abs() < 1e-3)
            };
            found.bands.iter().any(|band| names(&band) && band.verdict == Verdict::WrongFrequency)
        };
        Ok(Tuned {
            before_rms_db: was.rms_db,
            after_rms_db: is.rms_db,
            bands: fitted.bands.len(),
            typing_error_found: slip.map(noticed),
            corrected: mended.bands.iter().all(|band| band.verdict == Verdict::AsMeant),
        })
    }

    /// Sweeps at positions of the microphone, so many at the most, everything that passes through the processor,
    /// with these bands in each of its channels; the rest is faded out, so that what changes is what was typed.
    fn positions(
        &mut self,
        car: &Car,
        set: &Set,
        most: usize,
        bands: &[Band],
    ) -> Result<Vec<(String, Response)>> {
        let registry = Registry::built_in();
        let manifest = registry.manifest("sweep").map_err(|unknown| Error::input(unknown.to_string()))?;
        let names: Vec<&str> = car.position_names().take(most).collect();
        let bands: Vec<(String, Band)> = bands.iter().map(|band| (String::new(), *band)).collect();
        let entered = Entered { bands, channels: self.channels.clone(), own_filters: false };
        let mut responses = Vec::new();
        for (number, name) in names.iter().enumerate() {
            (self.progress)(&format!("Tune, {}", set.word()), number as f64 / names.len() as f64);
            let plan = Plan {
                stimulus: Some(short_paired_sweep("sweep of the whole car", 20.0, 20_000.0, -12.0)),
                label: format!("{name}, {}", set.word()),
                set: Some(set.clone()),
                position: (*name).to_owned(),
                scene: Some(Scene {
                    sounding: Sounding::Processed,
                    position: Some((*name).to_owned()),
                    processor: Some(entered.clone()),
                    ..Scene::default()
                }),
                ..Plan::of(manifest, Stage::Tune, self.rig.input(InputRole::Microphone).unwrap_or(0))
            };
            let reading = one(self.run(|session| captures(session, &[plan]))?)?;
            responses.push(((*name).to_owned(), reading_response(&reading)?));
        }
        Ok(responses)
    }

    fn keep(&mut self, fitted: &FitResult, outcome: Outcome, mended: &AuditResult) -> Result<()> {
        let target = Some(job::PresetOrInline::Preset(TARGET.to_owned()));
        let processor = Some(job::PresetOrInline::Preset(PROCESSOR.to_owned()));
        let fit = FitRecord {
            basis: Basis {
                target: target.clone(),
                processor: processor.clone(),
                from_hz: Some(RANGE_HZ.0),
                to_hz: Some(RANGE_HZ.1),
                ..Basis::default()
            },
            channels: vec![ChannelFitRecord::new("", fitted)],
        };
        let bands = fitted.bands.iter().map(|band| EnteredBand::fitted("", band)).collect();
        self.job.apply(Change::Together(vec![
            Change::Target(target),
            Change::Processor(processor),
            Change::Bands(bands),
            Change::FitFound(Some(fit)),
            Change::OutcomeFound(Some(outcome)),
            Change::AuditFound(Some(mended.into())),
        ]))
    }
}

/// A verdict on all bands in one sentence.
fn verdict(audit: &AuditResult) -> String {
    let wrong: Vec<&str> = audit
        .bands
        .iter()
        .filter(|band| band.verdict != Verdict::AsMeant)
        .map(|band| band.text.as_str())
        .collect();
    match wrong.as_slice() {
        [] => format!("{} entered correctly", counted(audit.bands.len(), "band", "bands")),
        texts => texts.join(" "),
    }
}

fn places(set: &[(String, Response)]) -> Vec<Placed<'_>> {
    set.iter().map(|(position, response)| Placed { position, response }).collect()
}

/// What the bands did at each place against what they should have done.
fn check(
    before: &[(String, Response)],
    after: &[(String, Response)],
    fitted: &FitResult,
    profile: &Profile,
) -> Result<AuditResult> {
    let (before, after) = derive::change(&places(before), &places(after))
        .ok_or_else(|| Error::measurement("no position was measured before and after"))?;
    let bands: Vec<Band> = fitted.bands.iter().map(tuning::FittedBand::typed).collect();
    derive::audit((&before, &after), &bands, &[], profile)
        .map_err(|error| Error::measurement(error.to_string()))
}

/// The responses as they are fitted and judged.
fn smoothed(set: &[(String, Response)]) -> Vec<Response> {
    set.iter().map(|(_, response)| response.smoothed(SMOOTHING)).collect()
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
