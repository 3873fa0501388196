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
    let mut tried: Vec<QTrial> = QDefinition::ALL
        .into_iter()
        .map(|definition| {
            let band = Band { q: definition.cookbook_q(typed, sample_rate_hz), ..*typed };
            let meant = bands_db(&[band], &change.frequency_hz, sample_rate_hz);
            let left: Vec<f64> = change.magnitude_db.iter().zip(meant).map(|(d, m)| d - m).collect();
            let level = left.iter().zip(&widths).map(|(l, w)| l * w).sum::<f64>() / total;
            let square = left.iter().zip(&widths).map(|(l, w)| w * (l - level).powi(2)).sum::<f64>() / total;
            QTrial { definition, rms_db: square.sqrt(), q: band.q }
        })
        .collect();
    tried.sort_by(|a, b| a.rms_db.total_cmp(&b.rms_db));
    let (best, second) = (tried[0], tried[1]);
    #[expect(clippy::cast_precision_loss, reason = "a count of points")]
    let count = change.frequency_hz.len() as f64;
    // Captures without noise still differ by their rounding.
    let lead = count * (second.rms_db.powi(2) - best.rms_db.powi(2)) / best.rms_db.max(0.02).powi(2);
    let mut findings = Vec::new();
    let definition = if best.rms_db > EXPLAINS * typed.gain_db.abs() {
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
    Ok(MeaningOfQ { definition, tried, findings })
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
