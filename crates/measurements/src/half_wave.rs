//! Which way a driver moves first.

use dsp::crossover::{Family, high_pass, low_pass};
use dsp::deconvolve::{Deconvolver, TimeWindow, WindowedImpulse};
use dsp::fft::Complex64;
use dsp::statistics::rms;
use measure::{Finding, Reading};

use crate::copies::{Copies, longest, mean};

/// A driver's own roll-offs and its crossover follow the first half-wave with a
/// larger one of the other sign, so the largest says nothing. The first of at
/// least this part of the largest does; a tweeter behind a steep high-pass has no more.
const FIRST: f64 = 0.12;

/// How far the first half-wave must stand above what lies before it (RMS).
const CLEAR: f64 = 5.0;

/// What would have to be called first by then is no first half-wave any more.
const LAST: f64 = 0.35;

/// How long before and after the peak is looked at.
const REACH_S: f64 = 0.05;

/// By what the two corners and the least part are varied for the confidence.
const VARIED: [f64; 3] = [0.8, 1.0, 1.25];
const FIRST_VARIED: [f64; 3] = [0.08, FIRST, 0.18];
/// A polarity that is shaken more than this is not told.
const LEAST_CONFIDENCE: f64 = 0.25;
/// Into how many groups the copies are averaged for it, at the most.
const GROUPS: usize = 4;

/// Writes the label `polarity`: `normal`, `inverted` or `unclear`, and the value
/// `polarity_confidence`.
///
/// The confidence is the part of 27 variations of the method (each of the two limits and
/// the least height by a quarter up and down) on each copy alone that say the same, less
/// the part that says the opposite: 1 when nothing shakes the verdict, and under [`LEAST_CONFIDENCE`] there is none.
///
/// What a band limit of linear phase puts before an impulse could be taken for the
/// first half-wave. Therefore the impulse is taken an octave beyond the band in
/// which the driver plays, as far as the excitation reaches, and then limited to
/// that band by filters that have nothing before their impulse: a Butterworth
/// high-pass of second order at its lower end, a low-pass of fourth order at its
/// upper end, or at half the excitation's end if that is lower.
///
/// References: polarity testers look at the first half-wave (common practice, no
/// source); the orders and the two limits are ours, tried on the drivers of the
/// simulated cars and on the random ones of the test below.
///
/// Accuracy: `random_drivers_are_told_from_those_wired_backwards`.
pub(crate) fn write(reading: &mut Reading, copies: &Copies<'_>, band_hz: (f64, f64)) {
    let (mut polarity, confidence) = polarity_of(copies, band_hz);
    if confidence < LEAST_CONFIDENCE {
        polarity = "unclear";
    }
    // A clock that is none turns the phase; by the recorder's own it would then read otherwise.
    if let Some(other) = copies.as_if_on_one_clock()
        && polarity != "unclear"
        && polarity_of(&other, band_hz).0 != polarity
    {
        polarity = "unclear";
        let text = "The polarity depends on whether the clocks differ or samples were lost, which this recording does not tell.";
        reading.finding(Finding::note("polarity-unclear", text));
    } else if polarity == "unclear" {
        let text = "The impulse swings as far down as up, so its polarity cannot be told from this band.";
        reading.finding(Finding::note("polarity-unclear", text));
    }
    reading.label("polarity", polarity);
    if polarity != "unclear" {
        reading.value("polarity_confidence", confidence);
    }
}

/// The polarity, and how many of the variations say the same.
fn polarity_of(copies: &Copies<'_>, (low_hz, high_hz): (f64, f64)) -> (&'static str, f64) {
    let excitation = copies.excitation();
    let top_hz = excitation.to_hz.min(0.47 * copies.rate_hz);
    let wide_hz = ((0.5 * low_hz).max(excitation.from_hz), (2.0 * high_hz).min(top_hz));
    let spectra = within(copies, wide_hz);
    let window = TimeWindow::half_faded(REACH_S, REACH_S);
    let part_of = |spectra: &[Vec<Complex64>]| {
        let impulse = mean(spectra, copies.rate_hz);
        impulse.windowed(copies.peak_near_s(&impulse, 0.0), &window).samples
    };
    let limited = |part: &[f64], (low, high): (f64, f64)| {
        let corners_hz = (low * low_hz, high * (1.2 * high_hz).min(0.5 * top_hz));
        let mut part = part.to_vec();
        causal(copies.rate_hz, corners_hz).map(|mut filter| {
            filter.process_in_place(&mut part);
            part
        })
    };
    let told = |limited: Option<&Vec<f64>>, least: f64| {
        limited.map_or("unclear", |part| first_half_wave(part, least))
    };
    let polarity = told(limited(&part_of(&spectra), (1.0, 1.0)).as_ref(), FIRST);
    let (mut sum, mut count) = (0.0, 0.0);
    for group in spectra.chunks(spectra.len().div_ceil(GROUPS)) {
        let part = part_of(group);
        for low in VARIED {
            for high in VARIED {
                let limited = limited(&part, (low, high));
                for least in FIRST_VARIED {
                    count += 1.0;
                    sum += match told(limited.as_ref(), least) {
                        same if same == polarity => 1.0,
                        "unclear" => 0.0,
                        _ => -1.0,
                    };
                }
            }
        }
    }
    (polarity, f64::max(sum / count, 0.0))
}

/// The spectra of the impulse responses of copies, all on one time axis whose zero is where the search had found them, limited to a band.
///
/// They are the same as if each had been divided by the excitation within that band, but for what lies farther off
/// than the window of the linear response.
fn within(copies: &Copies<'_>, band_hz: (f64, f64)) -> Vec<Vec<Complex64>> {
    let parts = copies.parts(copies.found_s(), &copies.window());
    let frames = longest(&parts);
    let whole_hz = copies.excitation().band_hz();
    let bin_hz = copies.rate_hz / frames as f64;
    let gain = |k: usize| {
        let limit = |band_hz: (f64, f64)| Deconvolver::band_limit(k as f64 * bin_hz, band_hz, copies.rate_hz);
        let (wanted, there) = (limit(band_hz), limit(whole_hz));
        if wanted > 0.0 { wanted / there } else { 0.0 }
    };
    let gains: Vec<f64> = (0..=frames / 2).map(gain).collect();
    let limited = |part: &WindowedImpulse| -> Vec<Complex64> {
        part.spectrum(frames).0.iter().zip(&gains).map(|(x, gain)| x * gain).collect()
    };
    parts.iter().map(limited).collect()
}

fn causal(rate_hz: f64, (low_hz, high_hz): (f64, f64)) -> Option<dsp::biquad::Cascade> {
    let mut filter = high_pass(rate_hz, Family::Butterworth, 2, low_hz).ok()?;
    filter.append(low_pass(rate_hz, Family::Butterworth, 4, high_hz).ok()?);
    Some(filter)
}

/// The way of the first half-wave; the peak lies in the middle of the stretch.
fn first_half_wave(impulse: &[f64], least: f64) -> &'static str {
    let highest = impulse.iter().fold(0.0, |a: f64, x| a.max(x.abs()));
    // The second quarter of what lies before the peak: clear of the fade and of the onset.
    let before = &impulse[impulse.len() / 8..impulse.len() / 4];
    let enough = (least * highest).max(CLEAR * rms(before).unwrap_or(0.0));
    // Half-waves, not samples: a steep flank may pass from one to the next without a
    // sample that both of its neighbours stay below.
    let half_waves = impulse.chunk_by(|a, b| (*a > 0.0) == (*b > 0.0));
    let highest_of = |half_wave: &[f64]| half_wave.iter().fold(0.0, |a: f64, x| a.max(x.abs()));
    match half_waves.into_iter().find(|half_wave| highest_of(half_wave) > enough) {
        Some(first) if enough < LAST * highest => {
            if first[0] > 0.0 {
                "normal"
            } else {
                "inverted"
            }
        }
        _ => "unclear",
    }
}

#[cfg(test)]
mod tests {
    use dsp::biquad::{Biquad, Cascade};
    use dsp::crossover::{Family, high_pass, low_pass};
    use dsp::noise::WhiteNoise;
    use measure::{Block, Measurement, Start};
    use testkit::at_most;

    use super::LEAST_CONFIDENCE;
    use crate::signals::{render, track};
    use crate::sweep::SweepMeasurement;

    const RATE: f64 = 48_000.0;

    /// Samples of a crossed-over tweeter: its first half-wave reaches its highest
    /// sample right before the steep flank of the second.
    #[test]
    fn a_first_half_wave_counts_although_its_top_is_next_to_a_steep_flank() {
        let tweeter = [-0.05, 0.05, -0.1, 0.354, 0.355, -1.0, -0.169, 0.191, 0.284, 0.36, -0.025];
        let mut impulse = [[0.0; 59].as_slice(), &tweeter, &[0.0; 58]].concat();
        assert_eq!(super::first_half_wave(&impulse, super::FIRST), "normal");
        impulse.iter_mut().for_each(|x| *x = -*x);
        assert_eq!(super::first_half_wave(&impulse, super::FIRST), "inverted");
        assert_eq!(super::first_half_wave(&[0.0; 128], super::FIRST), "unclear");
    }

    /// Numbers from 0 to 1, by the generator's own sequence.
    struct Chance(WhiteNoise);

    impl Chance {
        fn between(&mut self, low: f64, high: f64) -> f64 {
            // The fraction of a large multiple of a normal deviate is uniform enough.
            low + (high - low) * (1e4 * self.0.sample()).rem_euclid(1.0)
        }
    }

    /// A driver with its own roll-offs, a resonance and its crossover, and what
    /// arrives after it by way of windows and seats.
    fn driver(kind: usize, chance: &mut Chance) -> (&'static str, Cascade, Vec<(usize, f64)>) {
        let (track, (low, high), crossover) = match kind {
            0 => ("sweep-sub", (25.0, 400.0), (None, Some(80.0))),
            1 => ("sweep-mid", (60.0, 3_000.0), (None, Some(350.0))),
            2 => ("sweep-mid", (120.0, 7_000.0), (Some(350.0), Some(3_000.0))),
            _ => ("sweep-high", (1_300.0, 19_000.0), (Some(3_000.0), None)),
        };
        let mut scale = || chance.between(0.8, 1.25);
        let mut chain = high_pass(RATE, Family::Butterworth, 2, low * scale()).unwrap();
        chain.append(low_pass(RATE, Family::Butterworth, 2, high * scale()).unwrap());
        let (below, above) = crossover;
        if let Some(corner) = below {
            chain.append(high_pass(RATE, Family::LinkwitzRiley, 4, corner * scale()).unwrap());
        }
        if let Some(corner) = above {
            chain.append(low_pass(RATE, Family::LinkwitzRiley, 4, corner * scale()).unwrap());
        }
        let middle = (low * high).sqrt() * scale();
        chain.push(Biquad::peak(RATE, middle, chance.between(-4.0, 4.0), chance.between(1.0, 3.0)).unwrap());
        let later = (0..4)
            .map(|_| (chance.between(0.0005, 0.008), chance.between(-0.6, 0.6)))
            .map(|(seconds, gain)| ((seconds * RATE) as usize, gain))
            .collect();
        (track, chain, later)
    }

    /// Source: analytic; the filters of a driver and its crossover are causal, so
    /// that a positive gain moves it outward first. All must be told or be called
    /// unclear, and few may be unclear.
    #[test]
    fn random_drivers_are_told_from_those_wired_backwards() {
        let mut chance = Chance(WhiteNoise::new(17));
        let (count, mut unclear) = (20, 0);
        for number in 0..count {
            let (name, mut chain, later) = driver(number % 4, &mut chance);
            let sign = if chance.between(0.0, 1.0) < 0.5 { -1.0 } else { 1.0 };
            let stimulus = track(name).unwrap();
            let mut dry: Vec<f64> = render(&stimulus, RATE).iter().map(|x| sign * f64::from(*x)).collect();
            chain.process_in_place(&mut dry);
            let loudest = dry.iter().fold(0.0, |a: f64, x| a.max(x.abs()));
            let mut noise = WhiteNoise::new(number as u64);
            let samples: Vec<f32> = (0..dry.len())
                .map(|i| {
                    let echoes: f64 =
                        later.iter().filter(|(at, _)| *at <= i).map(|(at, gain)| gain * dry[i - at]).sum();
                    (0.5 / loudest * (dry[i] + echoes) + 0.003 * noise.sample()) as f32
                })
                .collect();
            let mut measurement = SweepMeasurement::default();
            let start =
                Start { sample_rate_hz: RATE, channels: 1, stimulus: Some(stimulus), ..Start::default() };
            measurement.start(&start).unwrap();
            measurement.feed(&Block { first_frame: 0, channels: &[&samples], gap: false });
            let reading = measurement.finish();
            let wanted = if sign > 0.0 { "normal" } else { "inverted" };
            match reading.labels["polarity"].as_str() {
                "unclear" => unclear += 1,
                got => assert_eq!(got, wanted, "driver {number} with {name}"),
            }
        }
        at_most("the unclear ones", f64::from(unclear), 0.1 * count as f64);
    }

    /// A polarity was told with a confidence of 0.04. Source: analytic; a sound, and before it a weaker one of the other sign, about
    /// as high as the first half-wave must be: which of the two counts depends on what is varied.
    #[test]
    fn what_is_shaken_is_not_told() {
        let stimulus = track("sweep-high").unwrap();
        let dry = render(&stimulus, RATE);
        let mut noise = WhiteNoise::new(8);
        let (mut told, mut unclear) = (0, 0);
        for hundredths in (4..=30).step_by(2) {
            let earlier = -0.01 * hundredths as f32;
            let samples: Vec<f32> = (0..dry.len())
                .map(|i| earlier * dry[i] + if i < 20 { 0.0 } else { dry[i - 20] })
                .map(|x| x + 1e-5 * noise.sample() as f32)
                .collect();
            let mut measurement = SweepMeasurement::default();
            let stimulus = Some(stimulus.clone());
            measurement
                .start(&Start { sample_rate_hz: RATE, channels: 1, stimulus, ..Start::default() })
                .unwrap();
            measurement.feed(&Block { first_frame: 0, channels: &[&samples], gap: false });
            let reading = measurement.finish();
            match reading.values.get("polarity_confidence") {
                Some(confidence) => {
                    told += 1;
                    assert!(*confidence >= LEAST_CONFIDENCE, "{earlier}: {confidence}");
                }
                None => {
                    unclear += 1;
                    assert_eq!(reading.labels["polarity"], "unclear");
                }
            }
        }
        assert!(told > 3 && unclear > 0, "{told} told, {unclear} unclear");
    }
}
