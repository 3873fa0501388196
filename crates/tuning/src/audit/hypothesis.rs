//! What may have gone wrong when a band was typed.

use super::Verdict;
use crate::{Band, BandKind, BandLayout, Grid, Profile, QDefinition};

/// One explanation for what a band sounds like.
#[derive(Debug, Clone, Copy)]
pub(super) struct Hypothesis {
    pub(super) verdict: Verdict,
    /// The band as it would have been typed; `None` when it is missing.
    pub(super) typed: Option<Band>,
    /// It is there twice.
    pub(super) twice: bool,
    /// How unlikely the mistake is before anything is heard, in units of the noise's
    /// variance: a simple slip is believed before a free choice of a value.
    pub(super) burden: f64,
}

/// The steps in which frequencies are tried, per octave.
const FREQUENCIES_PER_OCTAVE: f64 = 24.0;
/// Gains smaller than this share of the one meant count as missing.
const MISSING_SHARE: f64 = 0.12;

/// All explanations for one typed band, the one that it is as meant left out.
pub(super) fn all(typed: &Band, profile: Option<&Profile>, from_hz: f64, to_hz: f64) -> Vec<Hypothesis> {
    let once = |verdict, band: Band, burden| Hypothesis { verdict, typed: Some(band), twice: false, burden };
    let mut all = vec![
        Hypothesis { verdict: Verdict::Missing, typed: None, twice: false, burden: 4.0 },
        once(Verdict::WrongSign, Band { gain_db: -typed.gain_db, ..*typed }, 4.0),
        Hypothesis { verdict: Verdict::WrongGain, typed: Some(*typed), twice: true, burden: 7.0 },
    ];
    let fixed = profile.is_some_and(|p| matches!(p.bands, BandLayout::Fixed(_)));
    all.extend(
        gains(typed, profile)
            .into_iter()
            .map(|gain_db| once(Verdict::WrongGain, Band { gain_db, ..*typed }, 8.0)),
    );
    if fixed {
        return all;
    }
    all.extend(frequencies(typed, profile, from_hz, to_hz).into_iter().map(|(frequency_hz, burden)| {
        once(Verdict::WrongFrequency, Band { frequency_hz, ..*typed }, burden)
    }));
    all.extend(
        qs(typed, profile).into_iter().map(|(q, burden)| once(Verdict::WrongQ, Band { q, ..*typed }, burden)),
    );
    all
}

/// Other gains: those of the profile, thinned to about 80, or half decibels.
fn gains(typed: &Band, profile: Option<&Profile>) -> Vec<f64> {
    let half_decibels = || (-36..=36).map(|i| f64::from(i) * 0.5).collect::<Vec<_>>();
    let values = match profile {
        Some(profile) => {
            let all = profile.gain_db.values();
            all.iter().copied().step_by((all.len() / 80).max(1)).collect()
        }
        None => half_decibels(),
    };
    let least = (MISSING_SHARE * typed.gain_db.abs()).max(0.2);
    let is_other = |gain: &f64| {
        gain.abs() > least && (gain - typed.gain_db).abs() > 0.01 && (gain + typed.gain_db).abs() > 0.01
    };
    values.into_iter().filter(is_other).collect()
}

/// Other frequencies with their burdens: a digit lost, doubled or swapped is a simple
/// slip; any other value costs a little more.
fn frequencies(typed: &Band, profile: Option<&Profile>, from_hz: f64, to_hz: f64) -> Vec<(f64, f64)> {
    let on_grid = |hz: f64| match profile.map(|p| &p.bands) {
        Some(BandLayout::Parametric { frequency_hz, .. }) => frequency_hz.nearest(hz),
        _ => (hz * 10.0).round() / 10.0,
    };
    let mut found: Vec<(f64, f64)> = Vec::new();
    for hz in slips(typed.frequency_hz) {
        if !(from_hz * 0.5..=to_hz).contains(&hz) {
            continue;
        }
        // A slip is typed as it is; where the processor cannot take it, it takes the nearest, or
        // its profile does not say all that it takes.
        let taken = on_grid(hz);
        if (taken / hz - 1.0).abs() < 0.03 {
            found.push((taken, 6.0));
        }
        if (taken / hz - 1.0).abs() > 0.002 {
            found.push((hz, 7.0));
        }
    }
    let octaves = (to_hz / from_hz).log2();
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a few hundred steps")]
    let steps = (octaves * FREQUENCIES_PER_OCTAVE).ceil() as u32;
    for step in 0..=steps {
        found.push((on_grid(from_hz * (f64::from(step) / FREQUENCIES_PER_OCTAVE).exp2()), 9.0));
    }
    if let Some(BandLayout::Parametric { frequency_hz, .. }) = profile.map(|p| &p.bands) {
        // On a coarse grid, the next places are the likeliest slips of the finger.
        found.extend([-2, -1, 1, 2].map(|places| (frequency_hz.stepped(typed.frequency_hz, places), 8.0)));
    }
    found.retain(|(hz, _)| (hz / typed.frequency_hz).ln().abs() > 0.005);
    found
}

/// Frequencies that are one slip of the finger away.
pub(super) fn slips(frequency_hz: f64) -> Vec<f64> {
    let mut slips = vec![frequency_hz * 10.0, frequency_hz / 10.0];
    if frequency_hz.fract() == 0.0 {
        let digits = format!("{frequency_hz:.0}");
        for place in 0..digits.len() {
            let mut lost = digits.clone();
            lost.remove(place);
            slips.extend(lost.parse::<f64>().ok());
            let mut doubled = digits.clone();
            doubled.insert_str(place, &digits[place..=place]);
            slips.extend(doubled.parse::<f64>().ok());
            if place + 1 < digits.len() {
                let mut swapped: Vec<char> = digits.chars().collect();
                swapped.swap(place, place + 1);
                slips.extend(swapped.into_iter().collect::<String>().parse::<f64>().ok());
            }
        }
    }
    slips.retain(|&hz| hz > 0.0 && hz != frequency_hz);
    slips
}

/// Other Qs with their burdens: another definition of Q, a decimal point lost, or
/// any other value.
fn qs(typed: &Band, profile: Option<&Profile>) -> Vec<(f64, f64)> {
    let (rate, own) =
        profile.map_or((48_000.0, QDefinition::Cookbook), |p| (p.sample_rate_hz, p.q_definition));
    let mut found: Vec<(f64, f64)> = Vec::new();
    for other in QDefinition::ALL.into_iter().filter(|d| *d != own) {
        // The processor takes the number by another definition; that sounds like this
        // number by its own.
        let cookbook = Band { q: other.cookbook_q(typed, rate), ..*typed };
        found.push((own.typed_q(&cookbook, rate), 8.0));
    }
    found.extend([(typed.q * 10.0, 7.0), (typed.q / 10.0, 7.0)]);
    let grid = match profile.map(|p| &p.bands) {
        Some(BandLayout::Parametric { q, shelf_q, .. }) => {
            Some(if typed.kind == BandKind::Peak { q } else { shelf_q })
        }
        _ => None,
    };
    let on_grid = |q: f64| grid.map_or((q * 100.0).round() / 100.0, |grid: &Grid| grid.nearest(q));
    found.extend((0..40).map(|i| (on_grid(0.25 * (f64::from(i) * 0.11).exp()), 9.0)));
    found.retain(|(q, _)| *q > 0.0 && (q / typed.q).ln().abs() > 0.02);
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_slip_of_the_finger_reaches_these() {
        let slips = slips(1_250.0);
        for wanted in [125.0, 12_500.0, 1_520.0, 2_150.0, 150.0, 250.0, 120.0, 11_250.0] {
            assert!(slips.contains(&wanted), "{wanted} is not in {slips:?}");
        }
        assert!(!slips.contains(&1_250.0) && !slips.contains(&0.0));
    }
}
