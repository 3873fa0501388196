//! What a rig's microphone hears with the bands and without.

use dsp::weighting::Weighting;
use measure::{Curve, Finding};
use units::LevelDbfs;

use super::{HeardLevel, PreviewHeard};
use crate::spectrum::Spectrum;
use rig::{InputRole, OpenRig};

/// So long after a change nothing counts: the path warms up and fades, the sound is on its way, and
/// the room still rings.
const SETTLE_S: f64 = 0.5;
/// Levels that differ by more are heard as one being louder. Common practice, no source.
const AUDIBLE_DB: f64 = 1.0;

/// Listens at one input.
pub(super) struct Ear {
    input: usize,
    spectra: [Spectrum; 2],
    with: bool,
    rate_hz: f64,
    /// How many frames pass unheard.
    deaf_frames: usize,
}

impl Ear {
    /// At the rig's microphone, if it has one.
    pub(super) fn new(rig: &OpenRig, with: bool) -> Option<Self> {
        let input = rig.input(InputRole::Microphone)?;
        let rate_hz = f64::from(rig.spec().sample_rate_hz);
        let spectrum = || Spectrum::new(rate_hz, f64::INFINITY);
        let mut ear = Self { input, spectra: [spectrum(), spectrum()], with, rate_hz, deaf_frames: 0 };
        ear.changes_to(with);
        Some(ear)
    }

    /// The rig's input.
    pub(super) fn input(&self) -> usize {
        self.input
    }

    /// From now on it is heard the other way.
    pub(super) fn changes_to(&mut self, with: bool) {
        self.with = with;
        self.spectra.iter_mut().for_each(Spectrum::interrupt);
        self.deaf_frames = (SETTLE_S * self.rate_hz) as usize;
    }

    /// Takes a block of all inputs.
    pub(super) fn hear(&mut self, channels: &[Vec<f32>]) {
        let Some(samples) = channels.get(self.input) else { return };
        let unheard = self.deaf_frames.min(samples.len());
        self.deaf_frames -= unheard;
        self.spectra[usize::from(self.with)].hear(&samples[unheard..]);
    }

    /// How loud it has been the way that it is heard now.
    pub(super) fn level_now(&self, rig: &OpenRig) -> Option<HeardLevel> {
        self.level(&self.spectra[usize::from(self.with)], rig)
    }

    /// Sums up. Only the same noise can be compared with itself.
    pub(super) fn sum_up(&self, rig: &OpenRig, is_noise: bool) -> (PreviewHeard, Vec<Finding>) {
        let [without, with] = self.spectra.each_ref().map(|spectrum| self.level(spectrum, rig));
        let louder_db = with.zip(without).map(|(with, without)| with.level_a_dbfs - without.level_a_dbfs);
        let louder_db = louder_db.filter(|_| is_noise);
        let ways = ["without", "with"].into_iter().zip(&self.spectra).zip([without, with]);
        let curves = ways.filter_map(|((name, spectrum), level)| {
            level.and(self.curve(spectrum, rig)).map(|curve| (name, curve))
        });
        let curves = curves.collect();
        let input = rig.spec().inputs[self.input].name.clone();
        let listened = self.spectra.iter().any(|spectrum| spectrum.heard_s() > 0.0);
        let silent = (listened && with.is_none() && without.is_none()).then(|| {
            let text =
                format!("The input `{input}` heard nothing at all. See that it is connected and turned up.");
            Finding::caution("microphone-silent", text)
        });
        let apart = louder_db.filter(|db| db.abs() > AUDIBLE_DB).map(|db| {
            Finding::caution(
                "levels-apart",
                format!(
                    "At the microphone it is {:.1} dB {} with the bands, although levels were matched: the car does not \
                     play as was assumed. Give its response with --car, and see that it is quiet and that no limiter is \
                     at work.",
                    db.abs(),
                    if db > 0.0 { "louder" } else { "softer" }
                ),
            )
        });
        (PreviewHeard { input, with, without, louder_db, curves }, silent.into_iter().chain(apart).collect())
    }

    fn level(&self, spectrum: &Spectrum, rig: &OpenRig) -> Option<HeardLevel> {
        let microphone = rig.microphone(self.input);
        let weight_db =
            |hz: f64| Weighting::A.db(hz) - microphone.map_or(0.0, |microphone| microphone.db_at(hz));
        let rms = spectrum.weighted_rms(&weight_db).filter(|rms| *rms > 0.0)?;
        let level_a_dbfs = LevelDbfs::from_rms(rms).0;
        let dbfs_at_94 = rig.calibration(self.input).dbfs_at_94;
        let leq_a_db = dbfs_at_94.map(|dbfs_at_94| level_a_dbfs - dbfs_at_94 + 94.0);
        Some(HeardLevel { seconds: spectrum.heard_s(), level_a_dbfs, leq_a_db })
    }

    fn curve(&self, spectrum: &Spectrum, rig: &OpenRig) -> Option<Curve> {
        let mut response = spectrum.response()?;
        if let Some(microphone) = rig.microphone(self.input) {
            response = microphone.corrected(&response);
        }
        let columns = [("frequency_hz", response.frequency_hz), ("level_db", response.magnitude_db)];
        Some(columns.map(|(name, column)| (name.to_owned(), column)).into())
    }
}
