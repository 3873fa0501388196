//! Remarks about a tune.

use measure::Finding;
use units::quantity::signed;

use super::found::Found;
use super::judge::{Heard, counted};
use super::on_grid::{DRIVE_DB, SEPARATION_DB};
use super::{CarTune, ChannelValues, Judgement, PlaceSeat, TuneDriver, TuneInput, TunedChannel};
use crate::{Band, Equalizer, Feed, Seat};

/// With fewer places than this, single places decide.
const ENOUGH_PLACES: usize = 4;
/// Both sides together, or another seat, are said to be worse from here on.
const WORSE_DB: f64 = 0.3;
/// Left and right are to be equally loud within this.
const BALANCED_DB: f64 = 0.5;
/// Remarks of the alignment that hold after the tune as well; what it says of sums, the search has moved.
const STILL_HOLD: [&str; 6] = [
    "arrivals-from-phase",
    "wired-backwards",
    "sides-opposed",
    "crossover-gap",
    "no-crossovers",
    "delay-too-long",
];

pub(super) fn findings(
    input: &TuneInput<'_>,
    drivers: &[TuneDriver],
    found: &Found,
    tune: &CarTune,
    inputs: [&[Band]; 2],
) -> Vec<Finding> {
    let kept = |finding: &&Finding| STILL_HOLD.contains(&finding.code.as_str());
    let mut findings: Vec<Finding> = found.start.alignment.findings.iter().filter(kept).cloned().collect();
    if found.stopped {
        findings.push(Finding::note(
            "tune-stopped",
            "The search was stopped; this is the best that it had found by then.",
        ));
    }
    findings.extend(sides_at_inputs(input, drivers));
    let places = tune.predicted.left.places.len();
    if places < ENOUGH_PLACES {
        findings.push(Finding::caution(
            "few-places",
            format!(
                "The drivers were measured at {places} {} of the seat. Bands above 500 Hz follow what is true of a few \
                 centimetres only; measure at four places or more, and the head may move.",
                if places == 1 { "place" } else { "places" }
            ),
        ));
    }
    if let Some(separation_db) = tune.separation_db.filter(|&db| db < SEPARATION_DB) {
        let names: Vec<&str> =
            found.problem.in_both.iter().map(|&channel| drivers[channel].channel.as_str()).collect();
        findings.push(Finding::caution(
            "separation-low",
            format!(
                "What is fed with both inputs ({}) lies only {separation_db:.1} dB below the drivers of one side somewhere \
                 between 300 Hz and 5 kHz; {SEPARATION_DB:.0} dB are wanted. There the car plays in mono: turn it down.",
                names.join(", ")
            ),
        ));
    }
    for (channel, drive_db) in tune.drive_db.iter().filter(|(_, drive_db)| **drive_db > DRIVE_DB + 0.05) {
        findings.push(Finding::caution(
            "drive-raised",
            format!(
                "{channel} is driven {drive_db:.1} dB harder than by levels alone for the same loudness; watch it at the \
                 highest clean volume."
            ),
        ));
    }
    let (before, after) = (tune.before.both.average_rms_db, tune.predicted.both.average_rms_db);
    if after > before + WORSE_DB {
        findings.push(Finding::note(
            "both-worse",
            format!(
                "Both inputs together with the same signal are {after:.1} dB from the target, before {before:.1}: each side by \
                 itself is what was brought there."
            ),
        ));
    }
    let values: Vec<ChannelValues> = tune.channels.iter().map(TunedChannel::values).collect();
    let heard = Heard::new(input, drivers, &values, inputs, &counted(input));
    findings.extend(balance(&heard.left_right_levels_db()));
    findings.extend(other_seat(input, drivers, tune, inputs));
    findings
}

/// Where the equalizers of the sides are taken to stand, if that matters.
fn sides_at_inputs(input: &TuneInput<'_>, drivers: &[TuneDriver]) -> Option<Finding> {
    let both = drivers.iter().filter(|driver| driver.feed == Feed::Both);
    let names: Vec<&str> = both.map(|driver| driver.channel.as_str()).collect();
    (input.options.equalizer == Equalizer::Sides && !names.is_empty()).then(|| {
        Finding::note(
            "sides-at-inputs",
            format!(
                "The bands of left and right are taken to act before the channels, so that what both inputs feed ({}) gets \
                 those of each side with its signal. Where the source sums both for it, or the processor has these bands \
                 behind its channels, it does not get them: measure each side after the entry.",
                names.join(", ")
            ),
        )
    })
}

/// How far the level of left against right elsewhere at the seat may be from its mean over the places:
/// twice the standard error of that mean.
pub(super) fn balance_uncertain_db(levels_db: &[f64]) -> f64 {
    #[expect(clippy::cast_precision_loss, reason = "a few places")]
    let count = levels_db.len() as f64;
    if count < 2.0 {
        return 0.0;
    }
    let mean_db = levels_db.iter().sum::<f64>() / count;
    let square = levels_db.iter().map(|db| (db - mean_db).powi(2)).sum::<f64>() / (count - 1.0);
    2.0 * (square / count).sqrt()
}

/// What the places say of left against right, where they do not agree about its level.
fn balance(levels_db: &[f64]) -> Option<Finding> {
    let uncertain_db = balance_uncertain_db(levels_db);
    (uncertain_db > BALANCED_DB).then(|| {
        let least_db = levels_db.iter().copied().fold(f64::INFINITY, f64::min);
        let most_db = levels_db.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        Finding::note(
            "balance-uncertain",
            format!(
                "The places do not agree how loud left is against right: from {} to {} dB. The mean of all is even, but \
                 elsewhere at the seat it may be up to {uncertain_db:.1} dB off. Measure at more places, or set the balance \
                 by ear in the end.",
                signed(least_db, 1),
                signed(most_db, 1)
            ),
        )
    })
}

/// What the tune does at the seat that it is not for.
fn other_seat(
    input: &TuneInput<'_>,
    drivers: &[TuneDriver],
    tune: &CarTune,
    inputs: [&[Band]; 2],
) -> Option<Finding> {
    if input.options.seat != Seat::Driver {
        return None;
    }
    let places: Vec<usize> =
        (0..input.places.len()).filter(|&place| input.places[place].seat == PlaceSeat::Passenger).collect();
    if places.is_empty() {
        return None;
    }
    let names: Vec<&str> = places.iter().map(|&place| input.places[place].name.as_str()).collect();
    let side = |values: &[ChannelValues], inputs: [&[Band]; 2]| {
        let judged: Judgement =
            Heard::new(input, drivers, values, inputs, &places).judged(input.target, &names);
        0.5 * (judged.left.average_rms_db + judged.right.average_rms_db)
    };
    let present: Vec<ChannelValues> = drivers.iter().map(|driver| driver.present.clone()).collect();
    let tuned: Vec<ChannelValues> = tune.channels.iter().map(TunedChannel::values).collect();
    let (before, after) = (side(&present, [&[], &[]]), side(&tuned, inputs));
    (after > before + WORSE_DB).then(|| {
        Finding::note(
            "other-seat-worse",
            format!(
                "The tune is for the driver's seat. At the other one each side is then {after:.1} dB from the target, before \
                 {before:.1}; tune for both seats if that matters, and the driver gives up a part."
            ),
        )
    })
}
