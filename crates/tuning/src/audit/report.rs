//! What the audit says.

use measure::Finding;
use units::quantity::{signed_decibels, typed_signed};

use super::trial::{Belief, Trial};
use super::{AuditResult, AuditedBand, MaybeBand, Verdict};
use crate::Band;
use crate::fit::hertz;

impl Trial<'_> {
    pub(super) fn report(&self) -> AuditResult {
        let remains = self.remains(None).db;
        #[expect(clippy::cast_precision_loss, reason = "a few hundred points")]
        let count = remains.len() as f64;
        let level_db = remains.iter().sum::<f64>() / count;
        let residual_rms_db = (remains.iter().map(|r| (r - level_db).powi(2)).sum::<f64>() / count).sqrt();
        let bands: Vec<AuditedBand> = self
            .beliefs
            .iter()
            .enumerate()
            .map(|(place, belief)| {
                let meant = self.input.bands.get(place);
                let (verdict, text) = match self.out_of_range(place) {
                    Some(text) => (Verdict::Unclear, text),
                    None => (belief.verdict, sentence(place + 1, meant, belief)),
                };
                let found = self.described(belief.typed.as_ref());
                AuditedBand { index: place + 1, verdict, meant: self.described(meant), found, text }
            })
            .collect();
        let findings = self.findings(&bands, residual_rms_db, level_db);
        AuditResult { bands, residual_rms_db, findings }
    }

    /// What is said of a band that lies beside all that was captured.
    fn out_of_range(&self, place: usize) -> Option<String> {
        let meant = self.input.bands.get(place)?;
        let points = &self.evidence.frequency_hz;
        let (from_hz, to_hz) = (points[0], points[points.len() - 1]);
        let is_outside = !(from_hz..=to_hz).contains(&meant.frequency_hz) && !self.can_be_told(place);
        is_outside.then(|| {
            format!(
                "Whether band {} ({}) was entered correctly cannot be told: both captures hold {} to {} only.",
                place + 1,
                hertz(meant.frequency_hz),
                hertz(from_hz),
                hertz(to_hz)
            )
        })
    }

    fn described(&self, typed: Option<&Band>) -> MaybeBand {
        let Some(typed) = typed else { return MaybeBand::default() };
        let band = self.input.cookbook(typed);
        MaybeBand { band: Some(band), entered_q: ((band.q - typed.q).abs() > 1e-9).then_some(typed.q) }
    }

    fn findings(&self, bands: &[AuditedBand], residual_rms_db: f64, level_db: f64) -> Vec<Finding> {
        let mut findings = Vec::new();
        let noise_db = self.evidence.noise.scatter_db;
        if level_db.abs() > 1.0 {
            findings.push(Finding::note(
                "level-changed",
                format!(
                    "Everything is {:.1} dB {} than the bands explain. That was taken out; check that the volume \
                     was the same for both captures.",
                    level_db.abs(),
                    if level_db > 0.0 { "louder" } else { "softer" }
                ),
            ));
        }
        let meant = self.input.bands.len();
        if meant > 1 && bands.iter().take(meant).all(|b| b.verdict == Verdict::Missing) {
            findings.push(Finding::caution(
                "bands-not-active",
                "None of the bands can be heard. Is the equalizer switched on, and was the right channel and preset \
                 measured?",
            ));
        }
        let untold: Vec<String> = (0..meant)
            .filter(|&place| !self.can_be_told(place) && bands[place].verdict == Verdict::AsMeant)
            .map(|place| format!("{} ({})", place + 1, hertz(self.input.bands[place].frequency_hz)))
            .collect();
        if !untold.is_empty() {
            findings.push(Finding::note(
                "bands-too-small-to-tell",
                format!(
                    "What these bands do is less than what the two captures differ by, so whether they were entered \
                     cannot be told: {}. Look at them in the processor.",
                    untold.join(", ")
                ),
            ));
        }
        let has_its_q = |band: &&AuditedBand| band.verdict == Verdict::WrongQ;
        let taken_otherwise = bands.iter().filter(has_its_q).count();
        if let Some(definition) = self.definition.filter(|_| taken_otherwise > 1) {
            findings.push(Finding::caution(
                "other-meaning-of-q",
                format!(
                    "{taken_otherwise} bands sound as if the processor meant {} by Q (see `meaning-of-q`). Give it a profile that says so, \
                     and type the bands that are then suggested.",
                    definition.word()
                ),
            ));
        }
        if noise_db > 1.0 {
            findings.push(Finding::caution(
                "captures-differ",
                format!(
                    "The two captures scatter by {noise_db:.1} dB from point to point, so small mistakes cannot be \
                     told. Hold the microphone in the same place, louder, or average more."
                ),
            ));
        }
        if residual_rms_db > (3.0 * self.evidence.noise.surprise_db()).max(1.0) {
            findings.push(Finding::caution(
                "change-unexplained",
                format!(
                    "{residual_rms_db:.1} dB RMS of the change are explained by none of the mistakes that were \
                     tried. Was anything else changed between the captures?"
                ),
            ));
        }
        findings
    }
}

/// The verdict in a sentence that says what to look at.
fn sentence(number: usize, meant: Option<&Band>, belief: &Belief) -> String {
    let Some(meant) = meant else {
        return belief.typed.map_or_else(String::new, |found| {
            format!(
                "A band that is not in the list can be heard: {} around {}, Q about {:.1}.",
                signed_decibels(found.gain_db),
                hertz(found.frequency_hz),
                found.q
            )
        });
    };
    if let Some((one, other)) = &belief.rival {
        return format!(
            "Band {number} ({}) is not right: perhaps {}, perhaps {}. Check it, correct it and measure again.",
            hertz(meant.frequency_hz),
            mistake(meant, one.verdict, one.typed.as_ref()),
            mistake(meant, other.verdict, other.typed.as_ref())
        );
    }
    match belief.verdict {
        Verdict::AsMeant => format!("Band {number} ({}): entered correctly.", hertz(meant.frequency_hz)),
        Verdict::Missing => {
            format!(
                "Band {number} ({}) cannot be heard: it sounds as if it had not been entered.",
                hertz(meant.frequency_hz)
            )
        }
        verdict => format!("Band {number} sounds as if {}.", mistake(meant, verdict, belief.typed.as_ref())),
    }
}

/// One mistake as half a sentence.
fn mistake(meant: &Band, verdict: Verdict, found: Option<&Band>) -> String {
    let found = found.unwrap_or(meant);
    match verdict {
        Verdict::Missing => "it had not been entered".to_owned(),
        Verdict::WrongSign | Verdict::WrongGain => {
            format!(
                "{} dB had been typed instead of {} dB",
                typed_signed(found.gain_db),
                typed_signed(meant.gain_db)
            )
        }
        Verdict::WrongFrequency => {
            format!("{} Hz had been typed instead of {} Hz", found.frequency_hz, meant.frequency_hz)
        }
        Verdict::WrongQ => format!(
            "a Q of {} had been typed instead of {} (or the processor means something else by Q)",
            rounded(found.q),
            rounded(meant.q)
        ),
        Verdict::AsMeant | Verdict::Extra | Verdict::Unclear => "it were something else".to_owned(),
    }
}

fn rounded(q: f64) -> f64 {
    (q * 100.0).round() / 100.0
}
