//! Drivers with pulses, talk, and clocks that differ.

use dsp::biquad::Cascade;
use dsp::crossover::{Family, high_pass, low_pass};
use dsp::noise::WhiteNoise;
use testkit::{at_most, near};

use measure::{Block, Measurement};

use super::*;
use crate::signals::{render, tracks};

const RATE: f64 = 48_000.0;

fn read(name: &str, samples: &[f32]) -> Reading {
    let mut measurement = PolarityMeasurement::default();
    let stimulus = tracks().into_iter().find(|track| track.name == name);
    measurement.start(&Start { sample_rate_hz: RATE, channels: 1, stimulus, ..Start::default() }).unwrap();
    for (index, part) in samples.chunks(10_000).enumerate() {
        measurement.feed(&Block { first_frame: index as u64 * 10_000, channels: &[part], gap: false });
    }
    let reading = measurement.finish();
    assert_eq!(reading.check(), Ok(()));
    reading
}

/// A driver of second order at both ends behind a crossover of fourth order.
fn driver(low_hz: f64, high_hz: f64, cut: (Option<f64>, Option<f64>)) -> Cascade {
    let mut chain = high_pass(RATE, Family::Butterworth, 2, low_hz).unwrap();
    chain.append(low_pass(RATE, Family::Butterworth, 2, high_hz).unwrap());
    if let Some(corner) = cut.0 {
        chain.append(high_pass(RATE, Family::LinkwitzRiley, 4, corner).unwrap());
    }
    if let Some(corner) = cut.1 {
        chain.append(low_pass(RATE, Family::LinkwitzRiley, 4, corner).unwrap());
    }
    chain
}

/// The track after `lead_s` on another clock through a driver with two echoes, in noise
/// that lies `snr_db` below the pulse's peak, with a voice over some of it.
fn recorded(mut driver: Cascade, gain: f64, ppm: f64, snr_db: f64, lead_s: f64) -> Vec<f32> {
    let played = render(&track("polarity").unwrap(), RATE * (1.0 + ppm * 1e-6));
    let lead = (lead_s * RATE) as usize;
    let mut dry = vec![0.0; lead];
    dry.extend(played.into_iter().map(f64::from));
    dry.extend(vec![0.0; RATE as usize]);
    driver.process_in_place(&mut dry);
    let loudest = dry.iter().fold(0.0, |a: f64, x| a.max(x.abs()));
    let mut noise = WhiteNoise::new(lead as u64);
    let sigma = 0.3 * 10f64.powf(-snr_db / 20.0);
    (0..dry.len())
        .map(|i| {
            let echo =
                |ms: f64, part: f64| i.checked_sub((ms * 48.0) as usize).map_or(0.0, |i| part * dry[i]);
            let t = i as f64 / RATE;
            let voice =
                ((131.0 * t).fract() - 0.5) * (0.9 * t).sin().max(0.0) * f64::from(u8::from(t > 12.0));
            let heard = dry[i] + echo(1.7, 0.5) + echo(4.3, -0.4);
            (0.3 / loudest * gain * heard + 0.02 * voice + sigma * noise.sample()) as f32
        })
        .collect()
}

/// Source: analytic; the driver's filters are causal, so that a positive gain moves it
/// outward first.
#[test]
fn drivers_are_told_by_pulses() {
    let drivers = [
        ("full", driver(40.0, 15_000.0, (None, None))),
        ("midbass", driver(60.0, 3_000.0, (None, Some(350.0)))),
        ("mid", driver(120.0, 7_000.0, (Some(350.0), Some(3_000.0)))),
        ("sub", driver(25.0, 400.0, (None, Some(80.0)))),
    ];
    for (number, (what, driver)) in drivers.into_iter().enumerate() {
        let (ppm, lead_s) = (150.0 - 100.0 * number as f64, 1.3 + 0.7 * number as f64);
        for gain in [1.0, -1.0] {
            let reading = read("polarity", &recorded(driver.clone(), gain, ppm, 26.0, lead_s));
            assert_eq!(reading.stopped(), None, "{what}");
            let wanted = if gain > 0.0 { "normal" } else { "inverted" };
            assert_eq!(reading.labels["polarity"], wanted, "{what} {:?}", reading.values);
            at_most("the wanted confidence", 0.5, reading.values["polarity_confidence"]);
            at_most("the wanted number of pulses", 30.0, reading.values["pulses"]);
            near(&format!("clock of the {what}"), reading.values["clock_ppm"], ppm, 20.0);
        }
    }
}

#[test]
fn a_sweep_serves_as_well() {
    let mut samples = vec![0.0f32; 20_000];
    samples.extend(render(&track("sweep-high").unwrap(), RATE).iter().map(|x| -x));
    let reading = read("sweep-high", &samples);
    assert_eq!(reading.labels["polarity"], "inverted");
    at_most("the wanted confidence", 0.9, reading.values["polarity_confidence"]);
}

#[test]
fn what_holds_no_pulses_is_refused() {
    let code = |reading: Reading| reading.stopped().map(|finding| finding.code.clone()).unwrap_or_default();
    assert_eq!(code(read("polarity", &vec![0.0; 200_000])), "no-signal");
    // Not the seed of the noise track, which would be heard in it.
    let mut noise = WhiteNoise::new(71);
    let noisy: Vec<f32> = (0..600_000).map(|_| (0.1 * noise.sample()) as f32).collect();
    let noisy = read("polarity", &noisy);
    assert_eq!(code(noisy.clone()), "not-found", "{:?}", noisy.findings);
    let sweep = render(&track("sweep-high").unwrap(), RATE);
    let other = read("polarity", &sweep);
    assert!(
        other.stopped().is_some_and(|finding| finding.text.contains("sweep-high")),
        "{:?}",
        other.findings
    );
    let mut measurement = PolarityMeasurement::default();
    let tone = Start { sample_rate_hz: RATE, channels: 1, stimulus: track("tone-1k"), ..Start::default() };
    assert_eq!(measurement.start(&tone).unwrap_err().code, "stimulus-unusable");
}
