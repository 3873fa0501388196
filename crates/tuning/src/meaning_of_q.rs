//! What a processor means by Q, found by measuring: one capture flat, one with a known
//! band entered.

use measure::Finding;
use serde::Serialize;

use crate::{Band, BandKind, QDefinition, Response, bands_db, difference, log_axis};

/// How well one definition explains what was measured.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct QTrial {
    /// The definition.
    pub definition: QDefinition,
    /// What it leaves unexplained, as an RMS over the three octaves about the band.
    pub rms_db: f64,
    /// The cookbook's Q that the typed band has under it.
    pub q: f64,
}

/// What a processor means by Q.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct MeaningOfQ {
    /// The definition that explains the measurement; absent when none does, or two do
    /// equally well.
    pub definition: Option<QDefinition>,
    /// All of them, the best first.
    pub tried: Vec<QTrial>,
    /// The peak that was heard has the typed Q times this, by the cookbook's definition:
    /// found by fitting Q alone, whatever a definition says.
    pub factor: f64,
    /// Remarks.
    pub findings: Vec<Finding>,
}

/// Why the meaning of Q cannot be found.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum MeaningOfQError {
    /// A band that tells nothing.
    #[error(
        "enter one peak of at least 3 dB for this: shelves have no bandwidth, and a small peak tells little"
    )]
    NotAPeak,
    /// Too little was measured.
    #[error(
        "the two responses have less than 12 points in common in the three octaves about the band; measure both \
         over the same range, with at least 12 points per octave"
    )]
    NotMeasured,
}

/// The best definition must leave so many variances of what it leaves less than the next;
/// by chance two that are alike differ by a few.
const CLEAR_LEAD: f64 = 30.0;
/// A definition that leaves more than this share of the band's gain does not explain it.
const EXPLAINS: f64 = 0.15;
/// Nor does one that is off by a twelfth from the Q that fits best and leaves a twentieth more than that,
/// where that leaves no more than this share of the gain and lies within what is searched.
const NEARLY: f64 = 1.05;
const OFF: f64 = 1.08;
const OWN_EXPLAINS: f64 = 0.1;
/// A processor's Q is looked for within this factor of what was typed.
const FARTHEST: f64 = 6.0;

/// Tells from two captures, flat and with one known peak entered, which definition of Q the
/// processor uses. A change of level between the captures does no harm.
///
/// Each definition's peak is subtracted from what was heard, over the three octaves about it;
/// what is left is compared. The −3 dB definition differs from the others by `A = 10^(gain/40)`;
/// cookbook and half-gain differ only near half the sample rate: a peak of 12 dB at 8 kHz,
/// Q 1 to 2, tells all three apart at 48 kHz.
///
/// Accuracy: `each_meaning_is_found`.
///
/// # Errors
/// When the band is no peak of 3 dB or more, or was not measured.
pub fn meaning_of_q(
    flat: &Response,
    with_band: &Response,
    typed: &Band,
    sample_rate_hz: f64,
) -> Result<MeaningOfQ, MeaningOfQError> {
    if typed.kind != BandKind::Peak || typed.gain_db.abs() < 3.0 {
        return Err(MeaningOfQError::NotAPeak);
    }
    let reach = 1.5f64.exp2();
    let (from_hz, to_hz) =
        (typed.frequency_hz / reach, (typed.frequency_hz * reach).min(0.49 * sample_rate_hz));
    let change = difference(flat, with_band, from_hz, to_hz).ok_or(MeaningOfQError::NotMeasured)?;
    if change.frequency_hz.len() < 12 {
        return Err(MeaningOfQError::NotMeasured);
    }
    let widths = log_axis::cell_widths(&change.frequency_hz);
    let total: f64 = widths.iter().sum();
    // What a peak of this Q (by the cookbook) leaves unexplained.
    let left_db = |q: f64| {
        let meant = bands_db(&[Band { q, ..*typed }], &change.frequency_hz, sample_rate_hz);
        let left: Vec<f64> = change.magnitude_db.iter().zip(meant).map(|(d, m)| d - m).collect();
        let level = left.iter().zip(&widths).map(|(l, w)| l * w).sum::<f64>() / total;
        let square = left.iter().zip(&widths).map(|(l, w)| w * (l - level).powi(2)).sum::<f64>() / total;
        square.sqrt()
    };
    let mut tried: Vec<QTrial> = QDefinition::ALL
        .into_iter()
        .map(|definition| {
            let q = definition.cookbook_q(typed, sample_rate_hz);
            QTrial { definition, rms_db: left_db(q), q }
        })
        .collect();
    let own_q = best_q(typed.q, left_db);
    let own_db = left_db(own_q);
    let factor = own_q / typed.q;
    tried.sort_by(|a, b| a.rms_db.total_cmp(&b.rms_db));
    let (best, second) = (tried[0], tried[1]);
    #[expect(clippy::cast_precision_loss, reason = "a count of points")]
    let count = change.frequency_hz.len() as f64;
    // Captures without noise still differ by their rounding.
    let lead = count * (second.rms_db.powi(2) - best.rms_db.powi(2)) / best.rms_db.max(0.02).powi(2);
    let gained = count * (best.rms_db.powi(2) - own_db.powi(2)) / own_db.max(0.02).powi(2);
    let another_q = gained > CLEAR_LEAD
        && best.rms_db > NEARLY * own_db
        && (own_q / best.q).max(best.q / own_q) > OFF
        && factor.ln().abs() < 0.95 * FARTHEST.ln()
        && own_db <= OWN_EXPLAINS * typed.gain_db.abs();
    let mut findings = Vec::new();
    let definition = if another_q {
        findings.push(Finding::caution(
            "q-none-fits",
            format!(
                "None of the three definitions of Q fits. What was heard is a peak whose Q is {factor:.2} times what was \
                 typed (by the cookbook's definition), which leaves {own_db:.2} dB RMS; the nearest definition, `{}`, \
                 leaves {:.2} dB. If it was entered as given, divide every Q by {factor:.2} before it is typed, and try \
                 a second peak to be sure.",
                best.definition.word(),
                best.rms_db
            ),
        ));
        None
    } else if best.rms_db > EXPLAINS * typed.gain_db.abs() {
        findings.push(Finding::caution(
            "q-unexplained",
            format!(
                "What was heard is not this band under any definition of Q: {:.1} dB RMS remain. Was it entered as \
                 given, and was anything else changed?",
                best.rms_db
            ),
        ));
        None
    } else if lead < CLEAR_LEAD {
        findings.push(Finding::note(
            "q-alike",
            format!(
                "`{}` and `{}` explain it equally well: at this frequency they are nearly the same. Use the first; to tell \
                 them apart, enter a peak of 12 dB at 8 kHz with a Q of 1 to 2.",
                best.definition.word(),
                second.definition.word()
            ),
        ));
        None
    } else {
        Some(best.definition)
    };
    Ok(MeaningOfQ { definition, tried, factor, findings })
}

/// The Q within a factor of six of the typed one that leaves the least: a coarse search in
/// log Q, then golden sections.
fn best_q(typed_q: f64, left_db: impl Fn(f64) -> f64) -> f64 {
    const STEPS: i32 = 24;
    let at = |step: f64| typed_q * FARTHEST.powf(step / f64::from(STEPS));
    let coarse = (-STEPS..=STEPS)
        .map(|step| (step, left_db(at(f64::from(step)))))
        .min_by(|a, b| a.1.total_cmp(&b.1))
        .map_or(0.0, |(step, _)| f64::from(step));
    let (mut low, mut high) = (coarse - 1.0, coarse + 1.0);
    let golden = 0.5 * (5.0f64.sqrt() - 1.0);
    for _ in 0..24 {
        let (left, right) = (high - golden * (high - low), low + golden * (high - low));
        if left_db(at(left)) < left_db(at(right)) { high = right } else { low = left }
    }
    at(0.5 * (low + high))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::random_cases::Random;

    fn captures(cookbook: &Band, random: &mut Random) -> (Response, Response) {
        let grid = log_axis::grid(20.0, 20_000.0, 96.0);
        let mut capture = |bands: &[Band], level: f64| {
            let db = bands_db(bands, &grid, 48_000.0)
                .into_iter()
                .zip(&grid)
                .map(|(db, hz)| db + level + 3.0 * (3.0 * hz.ln()).sin() + 0.3 * random.normal())
                .collect();
            Response::new(grid.clone(), db).unwrap()
        };
        (capture(&[], 0.0), capture(&[*cookbook], 0.8))
    }

    /// Source: the definitions; the captures are made here.
    #[test]
    fn each_meaning_is_found() {
        let mut random = Random::new(41);
        for definition in QDefinition::ALL {
            for (hz, gain_db) in [(8_000.0, -12.0), (8_000.0, 12.0)] {
                let typed = Band::peak(hz, gain_db, 1.2);
                let truth = Band { q: definition.cookbook_q(&typed, 48_000.0), ..typed };
                let (flat, with_band) = captures(&truth, &mut random);
                let found = meaning_of_q(&flat, &with_band, &typed, 48_000.0).unwrap();
                assert_eq!(found.definition, Some(definition), "{hz} Hz, {gain_db} dB: {found:?}");
            }
        }
    }

    /// A peak whose Q was 1.58 times what was typed was explained "equally well" by two
    /// definitions, neither of which fitted.
    #[test]
    fn a_q_that_no_definition_explains_is_given_as_a_factor() {
        let mut random = Random::new(43);
        for case in 0..40 {
            let gain_db = random.between(6.0, 12.0) * if case % 2 == 0 { 1.0 } else { -1.0 };
            let typed = Band::peak(random.between(100.0, 4_000.0), gain_db, random.between(0.8, 4.0));
            // As far from all three as the nearest of them allows.
            let of = |definition: QDefinition| definition.cookbook_q(&typed, 48_000.0) / typed.q;
            let factor = [0.55, 0.68, 1.58, 1.9, 2.6][case % 5];
            if QDefinition::ALL.into_iter().any(|one| (of(one) / factor).ln().abs() < 0.2) {
                continue;
            }
            let truth = Band { q: factor * typed.q, ..typed };
            let (flat, with_band) = captures(&truth, &mut random);
            let found = meaning_of_q(&flat, &with_band, &typed, 48_000.0).unwrap();
            assert_eq!(found.definition, None, "{typed:?} times {factor}: {found:?}");
            assert_eq!(found.findings[0].code, "q-none-fits", "{typed:?} times {factor}: {found:?}");
            testkit::near("factor", found.factor, factor, 0.1 * factor);
        }
    }

    #[test]
    fn what_cannot_be_told_is_not_guessed() {
        let mut random = Random::new(42);
        let typed = Band::peak(200.0, -9.0, 3.0);
        let (flat, with_band) = captures(&typed, &mut random);
        let found = meaning_of_q(&flat, &with_band, &typed, 48_000.0).unwrap();
        assert_eq!(found.definition, None);
        assert_eq!(found.findings[0].code, "q-alike");
        let other = Band::peak(1_000.0, -9.0, 3.0);
        let found = meaning_of_q(&flat, &with_band, &other, 48_000.0).unwrap();
        assert_eq!(found.findings[0].code, "q-unexplained");
        let shelf = Band::low_shelf(200.0, -9.0, 0.7);
        assert_eq!(meaning_of_q(&flat, &with_band, &shelf, 48_000.0), Err(MeaningOfQError::NotAPeak));
    }
}
