//! Tests of the audit of a whole entry on random cars, and the car that they are captured in.

#![expect(clippy::print_stdout, reason = "the counts are what a person reads")]

use std::f64::consts::TAU;

use dsp::biquad::{Biquad, Q_BUTTERWORTH};
use num_complex::Complex64;
use testkit::at_most;

use super::*;
use crate::random_cases::{Random, cases};
use crate::{CarFilter, CrossoverFamily, Response, log_axis};

const RATE: f64 = 48_000.0;
const SOUND_M_S: f64 = 343.2;
/// A microphone put back to its place stands within this.
const MOVED_M: f64 = 0.01;

/// A driver in a cabin: its own limits and resonances, its way, and reflections from everywhere.
struct Driver {
    name: &'static str,
    filters: Vec<Biquad>,
    gain_db: f64,
    backwards: bool,
    paths: Vec<([f64; 3], f64, f64)>,
}

fn direction(random: &mut Random) -> [f64; 3] {
    let raw = [random.normal(), random.normal(), random.normal()];
    let length = raw.iter().map(|x| x * x).sum::<f64>().sqrt();
    raw.map(|x| x / length)
}

impl Driver {
    fn random(name: &'static str, from_hz: f64, to_hz: f64, random: &mut Random) -> Self {
        let mut filters = vec![Biquad::high_pass(RATE, from_hz, random.between(0.6, 1.0)).unwrap()];
        if to_hz < 20_000.0 {
            filters.push(Biquad::low_pass(RATE, to_hz, Q_BUTTERWORTH).unwrap());
        }
        for _ in 0..3 {
            let hz = random.between(from_hz.ln(), to_hz.min(18_000.0).ln()).exp();
            filters
                .push(Biquad::peak(RATE, hz, random.between(-3.0, 3.0), random.between(1.0, 4.0)).unwrap());
        }
        let way_m = random.between(0.6, 1.8);
        let mut paths = vec![(direction(random), way_m, 1.0)];
        for _ in 0..10 {
            paths.push((direction(random), way_m + random.between(0.3, 4.0), random.between(-0.35, 0.35)));
        }
        Self { name, filters, gain_db: random.between(-6.0, 6.0), backwards: random.unit() < 0.1, paths }
    }

    fn heard(&self, hz: f64, from_place_m: [f64; 3]) -> Complex64 {
        let path = |(from, way_m, share): &([f64; 3], f64, f64)| {
            let nearer: f64 = from.iter().zip(from_place_m).map(|(from, to)| from * to).sum();
            *share * Complex64::cis(-TAU * hz * (way_m - nearer) / SOUND_M_S)
        };
        let own: Complex64 = self.filters.iter().map(|filter| filter.response(hz)).product();
        let sign = if self.backwards { -1.0 } else { 1.0 };
        own * self.paths.iter().map(path).sum::<Complex64>() * sign * 10f64.powf(self.gain_db / 20.0)
    }
}

/// What is set for a driver, as it is heard.
fn set(setting: &ChannelSetting, hz: f64) -> Complex64 {
    let sign = if setting.inverted { -1.0 } else { 1.0 };
    let mut value = sign * 10f64.powf(setting.gain_db / 20.0) * Complex64::cis(-TAU * hz * setting.delay_s);
    value *=
        setting.high_pass.map_or(Complex64::from(1.0), |filter| filter.high_pass(RATE).unwrap().response(hz));
    value *=
        setting.low_pass.map_or(Complex64::from(1.0), |filter| filter.low_pass(RATE).unwrap().response(hz));
    setting.bands.iter().fold(value, |value, band| value * band.biquad(RATE).unwrap().response(hz))
}

/// A capture: the driver with its setting, with noise 50 dB below and 0.1 dB of scatter.
fn capture(driver: &Driver, setting: Option<&ChannelSetting>, shift: Shift, random: &mut Random) -> Response {
    let frequency_hz = log_axis::grid(20.0, 20_000.0, 48.0);
    let moved = direction(random).map(|x| x * random.between(0.0, MOVED_M));
    let (mut magnitude_db, mut phase_deg) = (Vec::new(), Vec::new());
    for &hz in &frequency_hz {
        let mut value =
            setting.map_or(Complex64::from(0.0), |setting| driver.heard(hz, moved) * set(setting, hz));
        value *= 10f64.powf(shift.level_db / 20.0) * Complex64::cis(-TAU * hz * shift.later_s);
        value *= 1.0 + 0.012 * Complex64::new(random.normal(), random.normal());
        value += 0.002 * Complex64::new(random.normal(), random.normal());
        magnitude_db.push(20.0 * value.norm().max(1e-9).log10());
        phase_deg.push(value.arg().to_degrees());
    }
    Response { phase_deg: Some(phase_deg), ..Response::new(frequency_hz, magnitude_db).unwrap() }
}

/// What all captures after the entry share.
#[derive(Debug, Clone, Copy, Default)]
struct Shift {
    level_db: f64,
    later_s: f64,
}

fn filter(frequency_hz: f64, slope_db_per_octave: u32) -> CarFilter {
    CarFilter { family: CrossoverFamily::LinkwitzRiley, slope_db_per_octave, frequency_hz }
}

/// A car of two or three ways with or without a subwoofer, and what is to be entered.
fn car(random: &mut Random) -> Vec<(Driver, ChannelSetting, ChannelSetting)> {
    let has_woofer = random.unit() < 0.5;
    let mut ways: Vec<(&'static str, f64, f64)> =
        vec![("left-tweeter", 1_200.0, 30_000.0), ("right-tweeter", 1_200.0, 30_000.0)];
    ways.extend([("left-mid", 80.0, 7_000.0), ("right-mid", 80.0, 7_000.0)]);
    if has_woofer {
        ways.extend([("left-woofer", 40.0, 2_500.0), ("right-woofer", 40.0, 2_500.0)]);
    }
    ways.push(("sub", 22.0, 250.0));
    let round = |value: f64, step: f64| (value / step).round() * step;
    let slope = [12, 24][(2.0 * random.unit()) as usize];
    let crossovers = [
        round(random.between(65.0, 110.0), 5.0),
        round(random.between(250.0, 500.0), 10.0),
        round(random.between(2_000.0, 4_000.0), 100.0),
    ];
    let mut all = Vec::new();
    for (name, from_hz, to_hz) in ways {
        let (low, high) = match name.rsplit('-').next() {
            Some("tweeter") => (Some(crossovers[2]), None),
            Some("mid") => {
                (Some(if has_woofer { crossovers[1] } else { crossovers[0] }), Some(crossovers[2]))
            }
            Some("woofer") => (Some(crossovers[0]), Some(crossovers[1])),
            _ => (None, Some(crossovers[0])),
        };
        let meant = ChannelSetting {
            gain_db: round(random.between(-9.0, 0.0), 0.5),
            delay_s: round(random.between(0.0, 5e-3), 2e-5),
            inverted: random.unit() < 0.3,
            high_pass: low.map(|hz| filter(hz, slope)),
            low_pass: high.map(|hz| filter(hz, slope)),
            bands: Vec::new(),
        };
        // Captured before with what protects it, or with nothing.
        let was = ChannelSetting {
            high_pass: (name.ends_with("tweeter")).then(|| filter(1_500.0, 24)),
            ..ChannelSetting::default()
        };
        all.push((Driver::random(name, from_hz, to_hz, random), was, meant));
    }
    all
}

/// One mistake in one channel, or in two that are swapped: what is in the processor then, which
/// driver each channel plays, and the verdicts.
#[derive(Debug)]
struct Slip {
    entered: Vec<Option<ChannelSetting>>,
    plays: Vec<usize>,
    wanted: Vec<ChannelVerdict>,
}

fn slip(car: &[(Driver, ChannelSetting, ChannelSetting)], random: &mut Random) -> Slip {
    let mut entered: Vec<Option<ChannelSetting>> =
        car.iter().map(|(_, _, meant)| Some(meant.clone())).collect();
    let mut plays: Vec<usize> = (0..car.len()).collect();
    let mut wanted = vec![ChannelVerdict::AsMeant; car.len()];
    let index = (random.unit() * car.len() as f64) as usize;
    let kind = (random.unit() * 6.0) as usize;
    let sign = if random.unit() < 0.5 { -1.0 } else { 1.0 };
    match kind {
        0 => {
            entered[index].as_mut().unwrap().gain_db += sign * random.between(2.0, 8.0);
            wanted[index] = ChannelVerdict::WrongLevel;
        }
        1 => {
            let setting = entered[index].as_mut().unwrap();
            // A subwoofer's or a woofer's wave is long: half a millisecond is little to it.
            let least = if car[index].0.name.ends_with("er") {
                3e-4
            } else if index + 1 == car.len() {
                2e-3
            } else {
                5e-4
            };
            let by = random.between(least, 5e-3);
            setting.delay_s = if setting.delay_s > by { setting.delay_s - by } else { setting.delay_s + by };
            wanted[index] = ChannelVerdict::WrongDelay;
        }
        2 => {
            let setting = entered[index].as_mut().unwrap();
            setting.inverted = !setting.inverted;
            wanted[index] = ChannelVerdict::WrongPolarity;
        }
        3 => {
            let setting = entered[index].as_mut().unwrap();
            let filter =
                if setting.high_pass.is_some() { &mut setting.high_pass } else { &mut setting.low_pass };
            match (random.unit() * 3.0) as usize {
                0 => *filter = None,
                1 => filter.as_mut().unwrap().frequency_hz *= 2f64.powf(sign * random.between(0.7, 1.5)),
                _ => filter.as_mut().unwrap().frequency_hz *= 2f64.powf(sign),
            }
            wanted[index] = ChannelVerdict::WrongCrossover;
        }
        4 => {
            entered[index] = None;
            wanted[index] = ChannelVerdict::Silent;
        }
        _ => {
            // Left and right of a pair, as cables or lines of a list are taken for each other.
            let left = 2 * ((random.unit() * ((car.len() - 1) / 2) as f64) as usize);
            if random.unit() < 0.5 {
                plays.swap(left, left + 1);
            } else {
                entered.swap(left, left + 1);
            }
            wanted[left] = ChannelVerdict::Swapped;
            wanted[left + 1] = ChannelVerdict::Swapped;
        }
    }
    Slip { entered, plays, wanted }
}

fn audited(car: &[(Driver, ChannelSetting, ChannelSetting)], slip: &Slip, random: &mut Random) -> EntryAudit {
    let shift = Shift { level_db: random.between(-6.0, 6.0), later_s: random.between(-1e-3, 1e-3) };
    let before: Vec<Response> =
        car.iter().map(|(driver, was, _)| capture(driver, Some(was), Shift::default(), random)).collect();
    let after: Vec<Response> = (0..car.len())
        .map(|i| capture(&car[slip.plays[i]].0, slip.entered[i].as_ref(), shift, random))
        .collect();
    let channels: Vec<EntryChannel<'_>> = car
        .iter()
        .zip(before.iter().zip(&after))
        .map(|((driver, was, meant), (before, after))| EntryChannel {
            channel: driver.name,
            before,
            after,
            was,
            meant,
        })
        .collect();
    audit_entry(&EntryInput { channels: &channels, profile: None }).unwrap()
}

fn verdicts(audit: &EntryAudit) -> Vec<ChannelVerdict> {
    audit.channels.iter().map(|channel| channel.verdict).collect()
}

/// Source: direct sound, reflections and filters; the mistakes are made here. As many cars as
/// `HEADREST_AUDITS` says, with room for one more than 5 %.
#[test]
fn one_mistake_in_a_car_is_named() {
    let count = cases("HEADREST_AUDITS", 40);
    let mut random = Random::new(61);
    let mut missed = Vec::new();
    for case in 0..count {
        let car = car(&mut random);
        let slip = slip(&car, &mut random);
        let audit = audited(&car, &slip, &mut random);
        if verdicts(&audit) != slip.wanted {
            let texts: Vec<&str> = audit
                .channels
                .iter()
                .zip(&slip.wanted)
                .filter(|(channel, wanted)| {
                    channel.verdict != **wanted || channel.verdict != ChannelVerdict::AsMeant
                })
                .map(|(channel, _)| channel.text.as_str())
                .collect();
            let wrong = slip.wanted.iter().position(|verdict| *verdict != ChannelVerdict::AsMeant).unwrap();
            missed.push(format!(
                "{case}: {} {:?}: meant {:?}, entered {:?}: {texts:?}",
                car[wrong].0.name, slip.wanted[wrong], car[wrong].2, slip.entered[wrong]
            ));
        }
    }
    println!("{} of {count} missed", missed.len());
    let most = 0.05 * count as f64 + 1.0;
    at_most(&format!("missed of {count}:\n{}\n", missed.join("\n")), missed.len() as f64, most);
}

/// Source: as above, with nothing wrong.
#[test]
fn a_car_without_a_mistake_raises_no_alarm() {
    let count = cases("HEADREST_AUDITS", 40);
    let mut random = Random::new(62);
    let mut alarms = Vec::new();
    for case in 0..count {
        let car = car(&mut random);
        let entered = car.iter().map(|(_, _, meant)| Some(meant.clone())).collect();
        let right = Slip { entered, plays: (0..car.len()).collect(), wanted: Vec::new() };
        let audit = audited(&car, &right, &mut random);
        let wrong: Vec<&str> = audit
            .channels
            .iter()
            .filter(|channel| channel.verdict != ChannelVerdict::AsMeant)
            .map(|channel| channel.text.as_str())
            .collect();
        if !wrong.is_empty() {
            alarms.push(format!("{case}: {wrong:?}"));
        }
    }
    println!("{} of {count} alarms", alarms.len());
    let most = 0.02 * count as f64 + 1.0;
    at_most(&format!("alarms of {count}:\n{}\n", alarms.join("\n")), alarms.len() as f64, most);
}

/// Source: the interface contract.
#[test]
fn the_json_of_an_entry_has_the_agreed_form() {
    let mut random = Random::new(63);
    let car = car(&mut random);
    let mut entered: Vec<Option<ChannelSetting>> =
        car.iter().map(|(_, _, meant)| Some(meant.clone())).collect();
    entered[0].as_mut().unwrap().gain_db -= 6.0;
    entered[1] = None;
    let slip = Slip { entered, plays: (0..car.len()).collect(), wanted: Vec::new() };
    let json = serde_json::to_value(audited(&car, &slip, &mut random)).unwrap();
    assert_eq!(json["channels"][0]["channel"], "left-tweeter");
    assert_eq!(json["channels"][0]["verdict"], "wrong-level");
    assert_eq!(json["channels"][1]["verdict"], "silent");
    assert_eq!(json["channels"][2]["verdict"], "as-meant");
    let text = json["channels"][0]["text"].as_str().unwrap();
    assert!(text.starts_with("left-tweeter sounds as if a level of"), "{text}");
    assert!(json["findings"].is_array());
}

#[test]
fn an_entry_that_cannot_be_audited_is_refused() {
    let (plain, unset) =
        (Response::new(vec![20.0, 200.0], vec![0.0, 0.0]).unwrap(), ChannelSetting::default());
    let channel = EntryChannel { channel: "sub", before: &plain, after: &plain, was: &unset, meant: &unset };
    let refused = |channels: &[EntryChannel<'_>]| {
        audit_entry(&EntryInput { channels, profile: None }).unwrap_err().to_string()
    };
    assert!(refused(&[channel]).contains("`sub` before has no phase"));
    assert!(refused(&[channel, channel]).contains("two channels called `sub`"));
    let whole = Response { phase_deg: Some(vec![0.0, 0.0]), ..plain.clone() };
    let meant = ChannelSetting { high_pass: Some(filter(90_000.0, 24)), ..ChannelSetting::default() };
    let channel = EntryChannel { before: &whole, after: &whole, meant: &meant, ..channel };
    assert!(refused(&[channel]).contains("what is meant for `sub` cannot be"));
}
