//! The sentences that every form of a sheet shares.

use job::{ChannelSetting, Crossover, LeftAlone, SourceOutput};
use tuning::BandKind;

use crate::numbers::{delay, distance, frequency, gain, volts};
use crate::{Entry, Sheet};

pub(crate) fn kind(kind: BandKind) -> &'static str {
    match kind {
        BandKind::Peak => "peak",
        BandKind::LowShelf => "low shelf",
        BandKind::HighShelf => "high shelf",
    }
}

/// Why a place was left alone, for people.
pub(crate) fn why(place: &LeftAlone) -> &str {
    match place.why.as_str() {
        "roll-off" => "the end of what the drivers play",
        "out-of-reach" => "too far below the rest to be lifted",
        word => word,
    }
}

/// Delay, gain, polarity and crossovers as label and value.
pub(crate) fn setting(setting: &ChannelSetting) -> Vec<(&'static str, String)> {
    let pass = |pass: &Option<Crossover>| pass.as_ref().map_or_else(|| "none".to_owned(), crossover);
    vec![
        ("Delay", format!("{} ({})", delay(setting.delay_s), distance(setting.delay_s))),
        ("Gain", gain(setting.gain_db)),
        ("Polarity", if setting.inverted { "INVERTED" } else { "normal" }.to_owned()),
        ("High-pass", pass(&setting.high_pass)),
        ("Low-pass", pass(&setting.low_pass)),
    ]
}

/// A crossover as it is chosen on a processor.
fn crossover(crossover: &Crossover) -> String {
    let family = match crossover.family.as_str() {
        "butterworth" => "Butterworth",
        "linkwitz-riley" => "Linkwitz-Riley",
        "bessel" => "Bessel",
        other => other,
    };
    let slope = u64::from(crossover.order) * 6;
    format!("{}, {family}, {slope} dB per octave", frequency(crossover.frequency_hz))
}

/// The numbers to type for a band.
pub(crate) fn typed(band: &Entry) -> [String; 3] {
    [frequency(band.frequency_hz), gain(band.gain_db), crate::numbers::q(band.typed_q)]
}

/// How far an output is clean, and its volts at the clean step of them all.
pub(crate) fn output(output: &SourceOutput) -> [String; 3] {
    [
        output.name.clone(),
        output.clean_step.map_or_else(|| "not found".to_owned(), |step| step.to_string()),
        output.volts_rms.map_or_else(|| "not measured".to_owned(), volts),
    ]
}

/// The factory source with the place where its signal is taken.
pub(crate) fn source_unit(sheet: &Sheet) -> String {
    match (sheet.source_unit.name.as_str(), sheet.source_unit.tap.as_str()) {
        ("", tap) => tap.to_owned(),
        (name, "") => name.to_owned(),
        (name, tap) => format!("{name}, taken at: {tap}"),
    }
}

/// The lines at the head of a sheet that have something to say.
pub(crate) fn particulars(sheet: &Sheet) -> Vec<(&'static str, String)> {
    let lines = [
        ("Vehicle", sheet.vehicle.clone()),
        ("Customer", sheet.customer.clone()),
        ("Source", source_unit(sheet)),
        ("Processor", sheet.processor.clone()),
        ("Target", sheet.target.clone()),
        ("Amplifiers", sheet.amplifiers.join("; ")),
        ("Drivers", sheet.drivers.join("; ")),
    ];
    lines.into_iter().filter(|(_, value)| !value.is_empty()).collect()
}

/// What the audit says of a verdict, for people.
pub(crate) fn verdict(word: &str) -> String {
    word.replace('-', " ")
}
