//! Many audits of random tunings, and what became of them.

use super::tests::{eight_bands, with_mistake};
use super::*;
use crate::Response;
use crate::random_cases::Random;

/// What captures differ by about a frequency, as RMS over an octave without its mean.
fn scatter_db(differs: &Response, hz: f64) -> f64 {
    let inside: Vec<f64> = differs
        .frequency_hz
        .iter()
        .zip(&differs.magnitude_db)
        .filter(|(f, _)| (*f / hz).log2().abs() < 0.5)
        .map(|(_, db)| *db)
        .collect();
    let mean = inside.iter().sum::<f64>() / inside.len() as f64;
    (inside.iter().map(|db| (db - mean).powi(2)).sum::<f64>() / inside.len() as f64).sqrt()
}

/// What became of many audits.
#[derive(Debug, Default)]
pub(super) struct Tally {
    /// Runs without a mistake in which something was called one.
    pub(super) alarms: Vec<String>,
    /// Bands without a mistake, of more than three times what the captures differ by, and those of
    /// them that are as meant.
    pub(super) clear: usize,
    pub(super) as_meant: usize,
    /// Mistakes below 1 kHz, and those of them named; and all mistakes.
    pub(super) low: usize,
    pub(super) low_named: usize,
    pub(super) mistakes: usize,
    /// Mistakes that are named, with no other band accused.
    pub(super) named: usize,
    /// Mistakes called as meant.
    pub(super) overlooked: Vec<String>,
    /// Runs with a mistake in which another band is accused.
    pub(super) accused: usize,
}

impl Tally {
    /// All figures in a line.
    pub(super) fn said(&self) -> String {
        format!(
            "{} of {} alarms, {} of {} as meant, {} of {} named, {} of {} below 1 kHz, {} overlooked, {} accuse another",
            self.alarms.len(),
            self.mistakes,
            self.as_meant,
            self.clear,
            self.named,
            self.mistakes,
            self.low_named,
            self.low,
            self.overlooked.len(),
            self.accused,
        )
    }
}

/// Audits so many random tunings as they were meant, and with one mistake.
///
/// `kind` draws how the captures of a case differ, and gives what captures them: from the bands that are
/// entered the responses before and after, and what these differ by beside the bands.
pub(super) fn tally<C>(count: usize, seed: u64, kind: impl Fn(&mut Random) -> C) -> Tally
where
    C: Fn(&[Band], &mut Random) -> (Response, Response, Response),
{
    let accuses = |band: &&AuditedBand| !matches!(band.verdict, Verdict::AsMeant | Verdict::Unclear);
    let mut random = Random::new(seed);
    let mut tally = Tally::default();
    for case in 0..count {
        let bands = eight_bands(&mut random);
        let (entered, index, wanted) = with_mistake(&bands, &mut random);
        let captures = kind(&mut random);
        let audited = |before: &Response, after: &Response| {
            audit(&AuditInput { before, after, bands: &bands, profile: None }).unwrap()
        };
        let (before, after, differs) = captures(&bands, &mut random);
        let found = audited(&before, &after);
        if found.bands.iter().any(|band| accuses(&band)) {
            let texts: Vec<&str> =
                found.bands.iter().filter(accuses).map(|band| band.text.as_str()).collect();
            tally.alarms.push(format!("{case}: {texts:?} in {bands:?}"));
        }
        for (band, found) in bands.iter().zip(&found.bands) {
            if band.gain_db.abs() > 3.0 * scatter_db(&differs, band.frequency_hz) {
                tally.clear += 1;
                tally.as_meant += usize::from(found.verdict == Verdict::AsMeant);
            }
        }
        let (before, after, _) = captures(&entered, &mut random);
        let found = audited(&before, &after);
        let verdict = found.bands[index].verdict;
        let accuses_another = found.bands.iter().enumerate().any(|(i, band)| i != index && accuses(&band));
        tally.mistakes += 1;
        tally.accused += usize::from(accuses_another);
        tally.named += usize::from(verdict == wanted && !accuses_another);
        if bands[index].frequency_hz < 1_000.0 {
            tally.low += 1;
            tally.low_named += usize::from(verdict == wanted);
        }
        if verdict == Verdict::AsMeant {
            tally.overlooked.push(format!("{case}: {wanted:?} of {:?} in {bands:?}", bands[index]));
        }
    }
    tally
}
