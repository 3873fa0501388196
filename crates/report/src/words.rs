//! The sentences that every form of a sheet shares.

use job::{AuditLine, ChannelSetting, Crossover, LeftAlone, SourceOutput};
use tuning::BandKind;
use units::quantity::counted;

use crate::numbers::{delay, distance, frequency, frequency_in_words, gain, volts};
use crate::{Entry, Sheet};

pub(crate) fn kind(kind: BandKind) -> &'static str {
    match kind {
        BandKind::Peak => "peak",
        BandKind::LowShelf => "low shelf",
        BandKind::HighShelf => "high shelf",
    }
}

/// Why a place was left alone, for people.
pub(crate) fn why(word: &str) -> &str {
    match word {
        "cancellation" => "a cancellation, which more level does not fill",
        "roll-off" => "the end of what the drivers play",
        "out-of-reach" => "too far below the rest to be lifted",
        word => word,
    }
}

/// The places that were left alone in the same channel for the same reason, joined: the word for the reason, and where,
/// with the channel before it where there is one.
pub(crate) fn left_alone_together<'a>(
    places: impl IntoIterator<Item = (&'a str, &'a LeftAlone)>,
) -> Vec<(&'a str, String)> {
    let mut joined: Vec<((&str, &str), Vec<f64>)> = Vec::new();
    for (channel, place) in places {
        let key = (channel, place.why.as_str());
        match joined.iter_mut().find(|(of, _)| *of == key) {
            Some((_, at)) => at.push(place.frequency_hz),
            None => joined.push((key, vec![place.frequency_hz])),
        }
    }
    let listed = |channel: &str, mut at: Vec<f64>| {
        at.sort_by(f64::total_cmp);
        let mut at: Vec<String> = at.into_iter().map(frequency_in_words).collect();
        at.dedup();
        let between = if channel.is_empty() { "" } else { " at " };
        format!("{channel}{between}{}", at.join(", "))
    };
    joined.into_iter().map(|((channel, why), at)| (why, listed(channel, at))).collect()
}

/// What is set in a channel, as label and value, in the order of entry: what protects a driver comes before what makes
/// it louder. What stood there before the work is behind it, where that was another.
pub(crate) fn setting(setting: &ChannelSetting, was: Option<&ChannelSetting>) -> Vec<(&'static str, String)> {
    let before = was.map(values);
    let lines = values(setting).into_iter().enumerate().map(|(index, (label, value))| {
        let old = before.as_ref().map(|before| &before[index].1).filter(|old| **old != value);
        let value = old.map_or_else(|| value.clone(), |old| format!("{value} (was {old})"));
        (label, value)
    });
    lines.collect()
}

fn values(setting: &ChannelSetting) -> [(&'static str, String); 5] {
    let pass = |pass: &Option<Crossover>| pass.as_ref().map_or_else(|| "none".to_owned(), crossover);
    [
        ("High-pass", pass(&setting.high_pass)),
        ("Low-pass", pass(&setting.low_pass)),
        ("Gain", gain(setting.gain_db)),
        ("Delay", format!("{} ({})", delay(setting.delay_s), distance(setting.delay_s))),
        ("Polarity", if setting.inverted { "INVERTED" } else { "normal" }.to_owned()),
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

/// What is said of a channel without bands: some may have been entered in all of them together.
pub(crate) fn without_bands(sheet: &Sheet) -> &'static str {
    let common = sheet.channels.iter().any(|channel| channel.name.is_empty() && !channel.bands.is_empty());
    if common { "No bands beside those of all channels." } else { "No bands." }
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
        ("Number plate", sheet.plate.clone()),
        ("Customer", sheet.customer.clone()),
        ("Source", source_unit(sheet)),
        ("Processor", sheet.processor.clone()),
        ("Target", sheet.target.clone()),
        ("Amplifiers", sheet.amplifiers.join("; ")),
        ("Drivers", sheet.drivers.join("; ")),
    ];
    lines.into_iter().filter(|(_, value)| !value.is_empty()).collect()
}

/// What the audit says: one line for all bands that are as they should be, and one for each other.
pub(crate) fn checked(audit: &[AuditLine]) -> Vec<String> {
    let right = audit.iter().filter(|line| line.verdict == "as-meant").count();
    let mut lines = Vec::new();
    if right > 0 {
        lines.push(format!("{}: entered correctly.", counted(right, "band", "bands")));
    }
    let others = audit.iter().filter(|line| line.verdict != "as-meant");
    lines.extend(others.map(|line| line.text.clone()));
    lines
}
