//! Which captures share their zero of time, and responses that keep the way of their sound.

use std::f64::consts::TAU;

use dsp::fft::Complex64;
use measure::{Finding, Reading};
use tuning::{Feed, Response};
use units::quantity::decimals;

use super::response::later;
use crate::CaptureEntry;

/// What the arrivals of captures count from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum TimeZero {
    /// A loopback channel that was recorded with them.
    Loopback,
    /// The moment at which the simulated car was asked to play.
    Simulated,
    /// The sound of a driver that stayed connected to the other side of the track.
    ReferenceDriver,
}

/// What the arrival of a capture counts from that others made like it share; a recorder that runs by itself has
/// no such zero.
#[must_use]
pub fn time_zero(capture: &CaptureEntry) -> Option<TimeZero> {
    let meta = &capture.meta;
    if meta.reference_channel.is_some() {
        Some(TimeZero::Loopback)
    } else if capture.reading.as_deref().is_some_and(is_against_reference) {
        Some(TimeZero::ReferenceDriver)
    } else {
        (meta.rig.starts_with("Simulated: ") && meta.imported_from.is_none()).then_some(TimeZero::Simulated)
    }
}

/// Whether captures all count from one zero.
pub(super) fn share_zero<'a>(captures: impl IntoIterator<Item = &'a CaptureEntry>) -> bool {
    let mut zeros = captures.into_iter().map(time_zero);
    let Some(first) = zeros.next() else { return true };
    first.is_some() && zeros.all(|zero| zero == first)
}

/// Whether a reading is that of a driver against a reference driver, as the tracks `place-…` give it.
#[must_use]
pub fn is_against_reference(reading: &Reading) -> bool {
    reading.curves.contains_key("reference")
}

/// What is missing of a driver's level in a reading, in dB: such a track drives one input alone, and what both
/// inputs feed gets half of what it gets with both.
pub(super) fn missing_db(reading: Option<&Reading>, feed: Feed) -> f64 {
    let half = feed == Feed::Both && reading.is_some_and(is_against_reference);
    if half { 20.0 * 2f64.log10() } else { 0.0 }
}

/// The response of a capture with the way of its sound in its phase, where the capture shares its zero of
/// time with others; the reading's own phase counts from its arrival.
#[must_use]
pub fn on_clock(capture: &CaptureEntry) -> Option<Response> {
    time_zero(capture)?;
    delayed(capture.response.as_deref()?, capture.value("arrival_s")?)
}

/// A response that arrives so much later than its own phase says.
pub(super) fn delayed(response: &Response, later_s: f64) -> Option<Response> {
    let phase_deg = later(response.phase_deg.as_ref()?, &response.frequency_hz, later_s).collect();
    Some(Response { phase_deg: Some(phase_deg), ..response.clone() })
}

/// A response that is so much louder.
pub(super) fn louder(response: Response, by_db: f64) -> Response {
    let magnitude_db = response.magnitude_db.iter().map(|level| level + by_db).collect();
    Response { magnitude_db, ..response }
}

/// How the reference driver of one reading sounds against that of another.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Against {
    /// How much later this reading's zero lies.
    later_s: f64,
    /// How much louder it is, in dB.
    louder_db: f64,
    /// How much of one is in the other: 1 where they differ in time and level alone.
    likeness: f64,
}

/// A zero that lies farther off than this is not that of the same driver at the same place.
const FARTHEST_S: f64 = 0.01;
/// The steps in which it is first looked for: an eighth of the shortest period.
const STEP_S: f64 = 3e-5;
/// Reference drivers that are less alike are not one driver at one place (our choice: 2 cm of another place make it about
/// 0.9 in a cabin).
const ALIKE: f64 = 0.9;
/// What differs more in level was recorded otherwise (our choice).
const SAME_LEVEL_DB: f64 = 1.0;

/// What one session's clocks differ by at the most: they are told to 2 ppm, and two samples that were lost in a track of
/// seven seconds look like 6.
const ONE_CLOCK_PPM: f64 = 4.0;

/// How much later than that of the first reading the zero of each lies, by what the reference driver played in both: the
/// moment of a driver's sound is a choice among peaks, and noise may make another one of it. Readings without a
/// reference driver have the same zero. With what is to be said where recordings of one place are not alike.
pub(super) fn zeros_of(readings: &[(&str, &Reading)]) -> (Vec<f64>, Vec<Finding>) {
    let Some(((first_name, first), rest)) = readings.split_first() else { return (Vec::new(), Vec::new()) };
    let mut zeros = vec![0.0];
    let mut others = Vec::new();
    for (name, reading) in rest {
        let against = against(first, reading);
        zeros.push(against.map_or(0.0, |against| against.later_s));
        let Some(Against { louder_db, likeness, .. }) = against else { continue };
        if likeness < ALIKE {
            others.push(format!("otherwise with {name}"));
        } else if louder_db.abs() > SAME_LEVEL_DB {
            let word = if louder_db > 0.0 { "louder" } else { "quieter" };
            others.push(format!("{:.1} dB {word} with {name}", louder_db.abs()));
        }
    }
    let mut findings = Vec::new();
    if !others.is_empty() {
        let text = format!(
            "The reference driver does not sound as it did with {first_name}: {}. Another driver was the reference, the \
             microphone moved, or a level was changed in between. Record these again, one after the other.",
            others.join(", ")
        );
        findings.push(Finding::caution("reference-changed", text));
    }
    findings.extend(other_clocks(readings));
    (zeros, findings)
}

/// Recordings against a reference driver whose clock is not that of the others.
fn other_clocks(readings: &[(&str, &Reading)]) -> Option<Finding> {
    let clocks: Vec<(&str, f64)> = readings
        .iter()
        .filter(|(_, reading)| is_against_reference(reading))
        .filter_map(|(name, reading)| Some((*name, *reading.values.get("clock_ppm")?)))
        .collect();
    let usual = dsp::statistics::median(&clocks.iter().map(|(_, ppm)| *ppm).collect::<Vec<_>>())?;
    let off: Vec<String> = clocks
        .iter()
        .filter(|(_, ppm)| (ppm - usual).abs() > ONE_CLOCK_PPM)
        .map(|(name, ppm)| format!("{name} by {} ppm", decimals(ppm - usual, 0)))
        .collect();
    (clocks.len() > 2 && !off.is_empty()).then(|| {
        let text = format!(
            "The clock of a recording differs from that of the others: {}. Another recorder was used, or samples were lost; if \
             one recorder made them all, record it again.",
            off.join(", ")
        );
        Finding::caution("clock-differs", text)
    })
}

/// The delay at which the reference of one reading, with `C(f) = other·one*`, gives the largest `|Σ C(f) e^(−j2πfτ)|`.
fn against(one: &Reading, other: &Reading) -> Option<Against> {
    let (frequency_hz, first) = reference(one)?;
    let (same_hz, second) = reference(other)?;
    if frequency_hz != same_hz {
        return None;
    }
    let cross: Vec<Complex64> = first.iter().zip(&second).map(|(a, b)| b * a.conj()).collect();
    let sum = |later_s: f64| -> f64 {
        let turned = cross.iter().zip(frequency_hz).map(|(c, hz)| c * Complex64::cis(-TAU * hz * later_s));
        turned.sum::<Complex64>().norm()
    };
    let steps = (FARTHEST_S / STEP_S) as i32;
    let highest = |from: i32, to: i32, step_s: f64, about_s: f64| {
        let at = |i: i32| about_s + f64::from(i) * step_s;
        (from..=to).map(at).max_by(|a, b| sum(*a).total_cmp(&sum(*b))).unwrap_or(about_s)
    };
    let mut at_s = highest(-steps, steps, STEP_S, 0.0);
    let mut step_s = STEP_S;
    // To a hundredth of a microsecond.
    while step_s > 1e-8 {
        step_s /= 5.0;
        at_s = highest(-5, 5, step_s, at_s);
    }
    let power = |values: &[Complex64]| values.iter().map(Complex64::norm_sqr).sum::<f64>();
    let (before, after) = (power(&first), power(&second));
    Some(Against {
        // Told from a zero that lies τ later, the same sound is `one·e^(+j2πfτ)`.
        later_s: at_s,
        louder_db: 10.0 * (after / before).log10(),
        likeness: sum(at_s) / (before * after).sqrt(),
    })
}

fn reference(reading: &Reading) -> Option<(&[f64], Vec<Complex64>)> {
    let curve = reading.curves.get("reference")?;
    let (level, phase) = (curve.get("magnitude_db")?, curve.get("phase_deg")?);
    let value =
        |(level, phase): (&f64, &f64)| Complex64::from_polar(10f64.powf(level / 20.0), phase.to_radians());
    Some((curve.get("frequency_hz")?, level.iter().zip(phase).map(value).collect()))
}

#[cfg(test)]
mod tests {
    use testkit::{at_most, near};

    use super::*;

    /// A reading whose reference driver has three ways of sound, told from `zero_s` on.
    fn reading(ways: &[(f64, f64)], zero_s: f64, gain: f64) -> Reading {
        let grid = dsp::response::log_grid(390.0, 3_400.0, 48.0);
        let value = |hz: f64| -> Complex64 {
            ways.iter().map(|(at_s, a)| gain * a * Complex64::cis(-TAU * hz * (at_s - zero_s))).sum()
        };
        let values: Vec<Complex64> = grid.iter().map(|hz| value(*hz)).collect();
        let mut reading = Reading::new("sweep", 1, 48_000.0);
        reading.curve(
            "reference",
            [
                ("magnitude_db", values.iter().map(|h| 20.0 * h.norm().log10()).collect()),
                ("phase_deg", values.iter().map(|h| h.arg().to_degrees()).collect()),
                ("frequency_hz", grid),
            ],
        );
        reading
    }

    const WAYS: [(f64, f64); 3] = [(0.003, 1.0), (0.0043, -0.7), (0.0078, 0.5)];

    /// Source: arithmetic: the same sound told from another of its peaks, as noise may choose it.
    #[test]
    fn another_peak_of_the_same_sound_is_laid_over_the_first() {
        let first = reading(&WAYS, 0.003, 1.0);
        for zero_s in [0.003, 0.0043, 0.003_012_3, 0.0078, 0.0015] {
            let (zeros, findings) = zeros_of(&[("sub", &first), ("mid", &reading(&WAYS, zero_s, 0.95))]);
            near("the zero", zeros[1], zero_s - 0.003, 2e-8);
            assert_eq!(findings, []);
        }
    }

    #[test]
    fn another_reference_is_told() {
        let first = reading(&WAYS, 0.003, 1.0);
        let moved = [(0.003_1, 1.0), (0.0039, -0.7), (0.0083, 0.5)];
        for (other, said) in
            [(reading(&WAYS, 0.003, 1.6), "4.1 dB louder"), (reading(&moved, 0.0031, 1.0), "otherwise")]
        {
            let finding = zeros_of(&[("sub", &first), ("mid", &other)]).1.pop().expect("it is told");
            assert!(finding.code == "reference-changed" && finding.text.contains(said), "{finding:?}");
        }
        // Without a reference there is nothing to compare.
        let plain = Reading::new("sweep", 1, 48_000.0);
        assert_eq!(zeros_of(&[("sub", &plain), ("mid", &plain)]), (vec![0.0, 0.0], Vec::new()));
    }

    /// Two samples of 48,000 a second that were lost in seven seconds are 6 ppm.
    #[test]
    fn another_clock_is_told() {
        let of = |ppm: f64| {
            let mut one = reading(&WAYS, 0.003, 1.0);
            one.value("clock_ppm", ppm);
            one
        };
        let [sub, left, right] = [120.3, 114.2, 119.6].map(of);
        let findings = zeros_of(&[("sub", &sub), ("left-mid", &left), ("right-mid", &right)]).1;
        let [finding] = findings.as_slice() else { panic!("{findings:?}") };
        assert!(
            finding.code == "clock-differs" && finding.text.contains("left-mid by −5 ppm"),
            "{finding:?}"
        );
        assert_eq!(zeros_of(&[("sub", &sub), ("right-mid", &right), ("right", &right)]).1, []);
    }

    /// What both inputs feed was heard with one of them.
    #[test]
    fn one_input_gives_half_of_both() {
        let reading = reading(&WAYS, 0.0, 1.0);
        near("both", missing_db(Some(&reading), Feed::Both), 6.0206, 1e-4);
        at_most("left", missing_db(Some(&reading), Feed::Left), 0.0);
        at_most("live", missing_db(Some(&Reading::new("sweep", 1, 48_000.0)), Feed::Both), 0.0);
    }
}
