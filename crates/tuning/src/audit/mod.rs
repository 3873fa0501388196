//! Whether the bands in the processor are the bands that were meant.

mod echoes;
pub(crate) mod entry;
mod evidence;
mod hypothesis;
mod noise;
mod reconcile;
mod report;
mod smear;
mod terms;
mod trial;

use crate::Band;
use evidence::Evidence;
pub use terms::{AuditError, AuditInput, AuditResult, AuditedBand, MaybeBand, Verdict};
use terms::{MOST_AUDITED, MOST_GAIN_DB};
use trial::{Possible, explained};

/// What is believed of the captures (noise, smoothing) and of the bands is settled after so many
/// turns at most.
const MOST_TURNS: usize = 4;

/// Compares what the bands did (after minus before) with what they should have done.
///
/// Every band is tried as missing, with the opposite sign, with other gains, other
/// frequencies (one digit off first) and other Qs (other definitions first), and an
/// extra band is tried everywhere. The explanation that removes most of the squared
/// error, against the noise that the captures show, is taken; then the next is
/// looked for, until nothing significant is left. A change of level between the
/// captures is not an error. Noise may be smooth, as that of a microphone that stood elsewhere
/// is; it is modelled from what the bands leave, and from the reflections that the response before shows.
///
/// Accuracy: one error in eight bands at 0.3 dB noise is named in at least 95 % of
/// 200 random cases (test `one_error_in_eight_bands_is_named`), and at most 2 % of
/// faultless cases raise an alarm (test `no_error_raises_no_alarm`). Of captures smoothed over
/// 1/12 to 1/3 octave no more do, and as many mistakes are named
/// (test `smoothed_captures_are_audited_as_well`); of captures that differ in waves no more do
/// either, but wide mistakes of their size cannot be told from them
/// (test `captures_that_differ_in_waves_raise_no_alarm`).
///
/// # Errors
/// When the responses or bands cannot be used.
pub fn audit(input: &AuditInput<'_>) -> Result<AuditResult, AuditError> {
    audit_named(input, &[])
}

/// [`audit`] of bands that have names of their own, such as `2 of all channels`; what is said calls them by these, and
/// by their numbers where there is none.
///
/// # Errors
/// Those of [`audit`].
pub fn audit_named(input: &AuditInput<'_>, names: &[String]) -> Result<AuditResult, AuditError> {
    if input.bands.len() > MOST_AUDITED {
        return Err(AuditError::TooManyBands(input.bands.len()));
    }
    let rate_hz = input.sample_rate_hz();
    for (index, band) in input.bands.iter().enumerate() {
        let is_one = band.frequency_hz > 0.0
            && band.frequency_hz < 0.5 * rate_hz
            && band.gain_db.abs() <= MOST_GAIN_DB
            && band.q > 0.0
            && band.q.is_finite();
        if !is_one {
            return Err(AuditError::Band { number: index + 1, band: *band });
        }
    }
    let heard = Evidence::new(input.before, input.after, rate_hz)?;
    let meant: Vec<Band> = input.bands.iter().map(|band| input.cookbook(band)).collect();
    // What differs widely is a mistake, or noise in wide waves. Both are tried: begun from
    // little noise, mistakes explain much; begun from noise that explains all, few are needed.
    // What makes that which was heard likelier is believed.
    let possible = Possible::new(input, &heard);
    let mut begun =
        vec![heard.judged(&meant), heard.smoothed_as(&meant), heard.sharp_as(&meant), heard.moved_as(&meant)];
    begun.extend(heard.echoing_as(&meant));
    begun.dedup_by(|one, other| one.is_like(other));
    let found = begun.into_iter().map(|evidence| settled(input, names, evidence, &possible));
    let best = found.min_by(|one, other| one.0.total_cmp(&other.0));
    best.map(|(_, result)| result).ok_or(AuditError::NothingInCommon)
}

/// Explains by turns: how the captures differ by chance shows only in what is left when the
/// mistakes are explained, and how much is to be explained only when that is known. Gives how
/// unlikely the explanation is, and the explanation.
fn settled(
    input: &AuditInput<'_>,
    names: &[String],
    mut evidence: Evidence,
    possible: &Possible,
) -> (f64, AuditResult) {
    let mut turn = 1;
    loop {
        let found = explained(input, &evidence, possible);
        let judged = evidence.judged(&found.bands());
        if turn == MOST_TURNS || judged.is_like(&evidence) {
            return (judged.unlikeliness(&found.bands()) + found.burden(), found.report(names));
        }
        evidence = judged;
        turn += 1;
    }
}

#[cfg(test)]
mod moved_tests;
#[cfg(test)]
mod tally;
#[cfg(test)]
mod tests;
