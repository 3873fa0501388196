//! The bands: where they begin, how far they may go, and which of them are not worth typing.

use super::TuneInput;
use super::settings::{State, Value, Variable};
use super::start::Start;
use super::transfer::{Axis, Bell};
use crate::{BandKind, BandLayout, Equalizer, QDefinition};

/// Bands that a person cares to type for a channel, and for an equalizer of a side or of all (our choice).
const CHANNEL_BANDS: usize = 3;
const INPUT_BANDS: usize = 10;
/// A channel that plays more octaves than this for each band gets more of them.
const OCTAVES_PER_BAND: f64 = 1.3;
const MOST_CHANNEL_BANDS: usize = 6;
/// Nothing is cut by more than this: what asks for more is a fault elsewhere (our choice).
const DEEPEST_DB: f64 = -10.0;
/// Bands are no narrower than this: what is narrower differs from place to place, the more so the higher
/// it lies (our choice; the ear hears narrow dips less: Toole and Olive 1988, from memory).
const SHARPEST_Q: f64 = 4.0;
const SHARPEST_LOW_Q: f64 = 8.0;
const LOW_HZ: f64 = 200.0;
const WIDEST_Q: f64 = 0.5;

/// How many bands a bank may have.
fn most_bands(input: &TuneInput<'_>, octaves: f64) -> usize {
    let usual = match input.options.equalizer {
        Equalizer::Channels => {
            #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a few")]
            let by_width = (octaves / OCTAVES_PER_BAND).round() as usize;
            by_width.clamp(CHANNEL_BANDS, MOST_CHANNEL_BANDS)
        }
        Equalizer::Sides | Equalizer::One => INPUT_BANDS,
    };
    input.options.max_bands.unwrap_or(usual).min(input.profile.band_count())
}

/// The values of a band within which it moves: log frequency, gain, log Q.
type Bounds = [(f64, f64); 3];

fn bounds(input: &TuneInput<'_>, kind: BandKind, plays_hz: (f64, f64)) -> Option<Bounds> {
    let profile = input.profile;
    let BandLayout::Parametric { frequency_hz, q, shelf_q, .. } = &profile.bands else { return None };
    let boost_db = input.options.max_boost_db.unwrap_or(profile.max_boost_db);
    let gains = (DEEPEST_DB.max(profile.gain_db.min()), boost_db.min(profile.gain_db.max()).max(0.0));
    let inside = |hz: f64| hz.clamp(frequency_hz.min(), frequency_hz.max()).ln();
    let (q, sharpest) = if kind == BandKind::Peak {
        let low = plays_hz.1 <= LOW_HZ;
        (q, if low { SHARPEST_LOW_Q } else { SHARPEST_Q })
    } else {
        (shelf_q, 1.0)
    };
    // A definition of Q that depends on the gain: half the greatest boost stands for it here.
    let cookbook = |typed: f64| {
        let band = crate::Band { kind, frequency_hz: 1_000.0, gain_db: 3.0, q: typed };
        QDefinition::cookbook_q(profile.q_definition, &band, profile.sample_rate_hz)
    };
    let (least, most) = (cookbook(q.min()).max(WIDEST_Q), cookbook(q.max()).min(sharpest));
    Some([(inside(plays_hz.0), inside(plays_hz.1)), gains, (least.ln(), most.max(least).ln())])
}

/// Puts flat bands evenly over what each bank plays; returns what of them moves.
pub(super) fn placed(input: &TuneInput<'_>, start: &Start, axis: &Axis, state: &mut State) -> Vec<Variable> {
    let mut variables = Vec::new();
    for bank in 0..state.banks.len() {
        let Some(held) = start.held_bands[bank] else { continue };
        state.banks[bank].truncate(held);
        let plays = &start.layout.plays[bank];
        let plays_hz = (axis.hz[plays.start], axis.hz[plays.end - 1]);
        match &input.profile.bands {
            BandLayout::Parametric { kinds, .. } => {
                let kind = if kinds.contains(&BandKind::Peak) { BandKind::Peak } else { kinds[0] };
                let Some(bounds) = bounds(input, kind, plays_hz) else { continue };
                let octaves = (plays_hz.1 / plays_hz.0).log2();
                let count = most_bands(input, octaves).saturating_sub(held);
                for number in 0..count {
                    #[expect(clippy::cast_precision_loss, reason = "a few bands")]
                    let part = (number as f64 + 0.5) / count as f64;
                    let log_hz = bounds[0].0 + part * (bounds[0].1 - bounds[0].0);
                    #[expect(clippy::cast_precision_loss, reason = "a few bands")]
                    let q = 1.4 * count as f64 / octaves.max(0.5);
                    let log_q = q.ln().clamp(bounds[2].0, bounds[2].1.min(2f64.ln().max(bounds[2].0)));
                    state.banks[bank].push(Bell { kind, log_hz, gain_db: 0.0, log_q });
                }
            }
            BandLayout::Fixed(fixed) => {
                let beside = |hz: f64| hz < plays_hz.0 / 1.2 || hz > plays_hz.1 * 1.2;
                for band in
                    fixed.iter().filter(|band| band.kind != BandKind::Peak || !beside(band.frequency_hz))
                {
                    let typed = crate::Band {
                        kind: band.kind,
                        frequency_hz: band.frequency_hz,
                        gain_db: 3.0,
                        q: band.q,
                    };
                    let bell = Bell::from(&input.profile.cookbook(&typed));
                    state.banks[bank].push(Bell { gain_db: 0.0, ..bell });
                }
            }
        }
        variables.extend(moving(input, start, axis, state, bank));
    }
    variables
}

/// What moves of the bands of a bank, as they stand.
fn moving(input: &TuneInput<'_>, start: &Start, axis: &Axis, state: &State, bank: usize) -> Vec<Variable> {
    let Some(held) = start.held_bands[bank] else { return Vec::new() };
    let plays = &start.layout.plays[bank];
    let plays_hz = (axis.hz[plays.start], axis.hz[plays.end - 1]);
    let mut variables = Vec::new();
    for (number, bell) in state.banks[bank].iter().enumerate().skip(held) {
        const UNITS: [f64; 3] = [0.2, 2.0, 0.4];
        let moves: &[usize] = match input.profile.bands {
            BandLayout::Parametric { .. } => &[0, 1, 2],
            BandLayout::Fixed(_) => &[1],
        };
        let bounds = bounds(input, bell.kind, plays_hz).unwrap_or_else(|| {
            let gain = &input.profile.gain_db;
            let boost_db = input.options.max_boost_db.unwrap_or(input.profile.max_boost_db);
            [(0.0, 0.0), (DEEPEST_DB.max(gain.min()), boost_db.min(gain.max())), (0.0, 0.0)]
        });
        for &which in moves {
            let (low, high) = bounds[which];
            variables.push(Variable {
                value: Value::Band(bank, number, which),
                low,
                high,
                unit: UNITS[which],
            });
        }
    }
    variables
}

/// What moves of all bands, as they stand.
pub(super) fn all_moving(input: &TuneInput<'_>, start: &Start, axis: &Axis, state: &State) -> Vec<Variable> {
    (0..state.banks.len()).flat_map(|bank| moving(input, start, axis, state, bank)).collect()
}
