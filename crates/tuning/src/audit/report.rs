//! What the audit says.

use measure::Finding;
use units::quantity::{signed_decibels, typed_signed};

use super::trial::{Belief, Common, Trial};
use super::{AuditResult, AuditedBand, MaybeBand, Verdict};
use crate::fit::hertz;
use crate::{Band, BandKind};

/// Captures that differ by more than this, in the bass or in the treble, are remarked upon.
const CAPTURES_DIFFER_DB: f64 = 1.0;
/// From here on a microphone that stood a little elsewhere hears something else.
const TREBLE_HZ: f64 = 1_000.0;

impl Trial<'_> {
    /// What is said, with the band at each place called by its name there, or else by its number from 1.
    pub(super) fn report(&self, names: &[String]) -> AuditResult {
        let name = |place: usize| names.get(place).cloned().unwrap_or_else(|| (place + 1).to_string());
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
                let (verdict, text) = match self.untold(place, &name(place)) {
                    Some(text) => (Verdict::Unclear, text),
                    None => (belief.verdict, sentence(&name(place), meant, belief)),
                };
                let found = self.described(belief.heard().as_ref());
                AuditedBand { index: place + 1, verdict, meant: self.described(meant), found, text }
            })
            .collect();
        let findings = self.findings(&bands, residual_rms_db, level_db, &name);
        AuditResult { bands, residual_rms_db, findings }
    }

    /// What is said of a band that cannot be told: it lies beside all that was captured, or what
    /// the captures differ by hides it.
    fn untold(&self, place: usize, name: &str) -> Option<String> {
        let meant = self.input.bands.get(place)?;
        let points = &self.evidence.frequency_hz;
        let (from_hz, to_hz) = (points[0], points[points.len() - 1]);
        let because = if !self.can_be_told(place) && !(from_hz..=to_hz).contains(&meant.frequency_hz) {
            format!("both captures hold {} to {} only", hertz(from_hz), hertz(to_hz))
        } else if self.beliefs[place].verdict == Verdict::AsMeant
            && (!self.can_be_told(place) || self.is_doubtful(place))
        {
            "what the captures differ by beside it would hide a mistake".to_owned()
        } else {
            return None;
        };
        Some(format!(
            "Whether band {name} ({}) was entered correctly cannot be told: {because}. Look at it in the processor.",
            hertz(meant.frequency_hz)
        ))
    }

    fn described(&self, typed: Option<&Band>) -> MaybeBand {
        let Some(typed) = typed else { return MaybeBand::default() };
        let band = self.input.cookbook(typed);
        MaybeBand { band: Some(band), entered_q: ((band.q - typed.q).abs() > 1e-9).then_some(typed.q) }
    }

    fn findings(
        &self,
        bands: &[AuditedBand],
        residual_rms_db: f64,
        level_db: f64,
        name: &dyn Fn(usize) -> String,
    ) -> Vec<Finding> {
        let mut findings = Vec::new();
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
            .filter(|&place| self.beliefs[place].verdict == Verdict::AsMeant)
            .filter(|&place| bands[place].verdict == Verdict::Unclear)
            .map(|place| format!("{} ({})", name(place), hertz(self.input.bands[place].frequency_hz)))
            .collect();
        if !untold.is_empty() {
            findings.push(Finding::note(
                "bands-too-small-to-tell",
                format!(
                    "The two captures differ by so much beside what these bands do that whether they were entered as meant \
                     cannot be told: {}. Look at them in the processor.",
                    untold.join(", ")
                ),
            ));
        }
        let has_its_q = |band: &&AuditedBand| band.verdict == Verdict::WrongQ;
        let taken_otherwise = bands.iter().filter(has_its_q).count();
        if self.common == Some(Common::Twice) {
            findings.push(Finding::caution(
                "bands-entered-twice",
                "All bands do twice what they should: the list was entered twice, in two banks of the processor or in two \
                 stages after each other. Clear one of them.",
            ));
        }
        if let Some(Common::Definition(definition)) = self.common.filter(|_| taken_otherwise > 1) {
            findings.push(Finding::caution(
                "other-meaning-of-q",
                format!(
                    "{taken_otherwise} bands sound as if the processor meant {} by Q (see `meaning-of-q`). Give it a profile that says so, \
                     and type the bands that are then suggested.",
                    definition.word()
                ),
            ));
        }
        let scatter = |from_hz: f64, to_hz: f64| {
            self.evidence.noise.scatter_db(&self.evidence.frequency_hz, from_hz, to_hz).unwrap_or(0.0)
        };
        let (below_db, above_db) = (scatter(0.0, TREBLE_HZ), scatter(TREBLE_HZ, f64::INFINITY));
        if below_db.max(above_db) > CAPTURES_DIFFER_DB {
            findings.push(Finding::caution(
                "captures-differ",
                format!(
                    "Beside what the bands do, the two captures differ by {below_db:.1} dB below {} and by {above_db:.1} dB \
                     above, so smaller mistakes cannot be told. Hold the microphone in the same place, louder, or average \
                     more positions.",
                    hertz(TREBLE_HZ)
                ),
            ));
        }
        if residual_rms_db > (3.0 * self.evidence.noise.usual_rest_db()).max(1.0) {
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

impl Belief {
    /// The one band that sounds like it.
    fn heard(&self) -> Option<Band> {
        let times = if self.twice { 2.0 } else { 1.0 };
        self.typed.map(|typed| Band { gain_db: times * typed.gain_db, ..typed })
    }
}

/// The verdict in a sentence that says what to look at.
fn sentence(number: &str, meant: Option<&Band>, belief: &Belief) -> String {
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
    if belief.twice {
        return format!(
            "Band {number} ({}) sounds as if it had been entered twice.",
            hertz(meant.frequency_hz)
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
        Verdict::WrongSign if meant.kind != BandKind::Peak => format!(
            "{} dB had been typed instead of {} dB, or the other kind of shelf",
            typed_signed(found.gain_db),
            typed_signed(meant.gain_db)
        ),
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
