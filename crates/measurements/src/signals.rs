//! The samples of a described stimulus, and the standard tracks.
//!
//! Every segment begins and ends at an exact time, not at a sample: rendered at
//! two rates, a stimulus is the same sound, so a recording made at one rate can be
//! compared with a stimulus rendered at another, and clocks can be told apart by
//! less than a sample.

mod tracks;

use std::ops::Range;

use dsp::noise::{PinkNoise, periodic_pink};
use dsp::resample::Interpolator;
use dsp::sweep::Sweep;
use dsp::window::{fade_gain, rise};
use measure::{Segment, Side, Signal, Stimulus};

pub use tracks::{short_paired_sweep, spot, track, tracks};

/// The samples of a stimulus at any rate, both sides of a stereo file added up.
///
/// A segment that cannot sound (see [`check`]) is silent.
#[must_use]
pub fn render(stimulus: &Stimulus, sample_rate_hz: f64) -> Vec<f32> {
    render_where(stimulus, sample_rate_hz, |_| true).into_iter().map(|x| x as f32).collect()
}

/// The left and the right side of a stimulus at any rate.
#[must_use]
pub fn render_stereo(stimulus: &Stimulus, sample_rate_hz: f64) -> [Vec<f32>; 2] {
    [Side::Right, Side::Left].map(|silent| {
        render_where(stimulus, sample_rate_hz, |side| side != silent).into_iter().map(|x| x as f32).collect()
    })
}

fn render_where(stimulus: &Stimulus, sample_rate_hz: f64, wanted: impl Fn(Side) -> bool) -> Vec<f64> {
    let mut samples = vec![0.0; (stimulus.duration_s() * sample_rate_hz).round().max(0.0) as usize];
    for (start_s, segment) in timeline(stimulus) {
        if wanted(segment.side) {
            add_segment(segment, start_s, sample_rate_hz, &mut samples);
        }
    }
    samples
}

/// Stretches of a segment's free-running noise at a rate, each from one sample to another, in rising order; as [`render`]
/// gives them but for their level, which is that of noise with an RMS of 1. What lies between them costs little.
pub(crate) fn noise_stretches(
    segment: &Segment,
    sample_rate_hz: f64,
    stretches: &[Range<usize>],
) -> Option<Vec<Vec<f32>>> {
    let Signal::Pink { from_hz, to_hz, seed, period_s: None } = segment.signal else { return None };
    let to_hz = to_hz.min(0.98 * sample_rate_hz / 2.0);
    if check_segment(segment).is_err() || from_hz >= to_hz {
        return None;
    }
    let mut noise = PinkNoise::new(from_hz, to_hz, sample_rate_hz, seed);
    let mut drawn = 0;
    let each = stretches.iter().map(|stretch| {
        noise.skip(stretch.start - drawn);
        drawn = stretch.end;
        let gain =
            |frame: usize| fade_gain(frame as f64 / sample_rate_hz, segment.duration_s, segment.fade_s);
        stretch.clone().map(|frame| (noise.sample() * gain(frame)) as f32).collect()
    });
    Some(each.collect())
}

/// The segments of a stimulus with the time at which each begins.
pub(crate) fn timeline(stimulus: &Stimulus) -> impl Iterator<Item = (f64, &Segment)> {
    stimulus.segments.iter().scan(0.0, |next, segment| {
        let start_s = *next;
        *next += segment.duration_s;
        Some((start_s, segment))
    })
}

/// Adds a segment to samples whose first one is at time zero.
fn add_segment(segment: &Segment, start_s: f64, sample_rate_hz: f64, samples: &mut [f64]) {
    if check_segment(segment).is_err() || sample_rate_hz.is_nan() || sample_rate_hz <= 0.0 {
        return;
    }
    // Times are compared with an allowance of a millionth of a sample, so that a
    // boundary that falls on a sample in exact arithmetic falls on it here too.
    let first = (start_s * sample_rate_hz - 1e-6).ceil().max(0.0) as usize;
    let last = ((start_s + segment.duration_s) * sample_rate_hz - 1e-6).ceil().max(0.0) as usize;
    let last = last.min(samples.len());
    if first >= last {
        return;
    }
    let stretch = &mut samples[first..last];
    let time_s = |i: usize| (first + i) as f64 / sample_rate_hz - start_s;
    let length_s = sounding_s(segment);
    let peak = dsp::response::amplitude(segment.peak_dbfs);
    let mut add = |value: &mut dyn FnMut(usize, f64) -> f64| {
        for (i, sample) in stretch.iter_mut().enumerate() {
            let t = time_s(i).max(0.0);
            *sample += value(i, t) * fade_gain(t, length_s, segment.fade_s);
        }
    };
    let turn = 2.0 * std::f64::consts::PI;
    let nyquist = sample_rate_hz / 2.0;
    match &segment.signal {
        Signal::Silence => {}
        Signal::Sweep { .. } => {
            if let Some(sweep) = sweep_of(segment, sample_rate_hz) {
                sweep.add_to(stretch, time_s(0), peak, (length_s, segment.fade_s));
            }
        }
        Signal::Pink { from_hz, to_hz, seed, period_s } => {
            let noise =
                pink(last - first, *from_hz, to_hz.min(0.98 * nyquist), *seed, *period_s, sample_rate_hz);
            let highest = noise.iter().fold(0.0, |a: f64, x| a.max(x.abs())).max(f64::MIN_POSITIVE);
            add(&mut |i, _| peak / highest * noise[i]);
        }
        Signal::Sine { frequency_hz } if *frequency_hz < nyquist => {
            add(&mut |_, t| peak * (turn * frequency_hz * t).sin());
        }
        Signal::TwoTone { low_hz, high_hz } if *high_hz < nyquist => {
            add(&mut |_, t| 0.5 * peak * ((turn * low_hz * t).sin() + (turn * high_hz * t).sin()));
        }
        Signal::Burst { frequency_hz, cycles, every_s } if *frequency_hz < nyquist => {
            let span = cycles / frequency_hz;
            add(&mut |_, t| {
                let t = t % every_s;
                let envelope = rise(2.0 * t / span) * rise(2.0 * (span - t) / span);
                peak * envelope * (turn * frequency_hz * t).sin()
            });
        }
        Signal::Pulse { from_hz, to_hz, every_s } => {
            let to_hz = to_hz.min(nyquist);
            add(&mut |_, t| peak * pulse(t % every_s, *from_hz, to_hz));
        }
        // Beyond half the rate there is nothing to hear.
        Signal::Sine { .. } | Signal::TwoTone { .. } | Signal::Burst { .. } => {}
        Signal::Samples { sample_rate_hz: rate, samples } => {
            let interpolator = Interpolator::new(rate / sample_rate_hz);
            add(&mut |_, t| interpolator.at(samples, t * rate));
        }
    }
}

/// The sweep of a segment, at a rate; a synchronised one is the longest that fits.
pub(crate) fn sweep_of(segment: &Segment, sample_rate_hz: f64) -> Option<Sweep> {
    match segment.signal {
        Signal::Sweep { from_hz, to_hz, synchronised } => Some(if synchronised {
            Sweep::synchronised_within(from_hz, to_hz, segment.duration_s, sample_rate_hz)
        } else {
            Sweep::new(from_hz, to_hz, segment.duration_s, sample_rate_hz, false)
        }),
        _ => None,
    }
}

/// How long the segment's signal itself sounds: a synchronised sweep may end a
/// little before its segment.
pub(crate) fn sounding_s(segment: &Segment) -> f64 {
    sweep_of(segment, 48_000.0).map_or(segment.duration_s, |sweep| sweep.duration_s().min(segment.duration_s))
}

fn pink(
    frames: usize,
    from_hz: f64,
    to_hz: f64,
    seed: u64,
    period_s: Option<f64>,
    sample_rate_hz: f64,
) -> Vec<f64> {
    if from_hz >= to_hz {
        return vec![0.0; frames];
    }
    match period_s {
        None => {
            let mut noise = vec![0.0; frames];
            PinkNoise::new(from_hz, to_hz, sample_rate_hz, seed).fill(&mut noise);
            noise
        }
        Some(period_s) => {
            let period = periodic_pink(
                (period_s * sample_rate_hz).round() as usize,
                from_hz,
                to_hz,
                sample_rate_hz,
                seed,
            );
            (0..frames).map(|i| period[i % period.len()]).collect()
        }
    }
}

/// A pulse whose first half-wave is positive and short (a raised cosine of 1.5
/// periods of the upper limit) and whose second is negative, long (1.5 periods of
/// the lower limit) and of the same area, so that it has no DC.
fn pulse(t_s: f64, from_hz: f64, to_hz: f64) -> f64 {
    let lobe = |t: f64, span: f64| {
        if (0.0..span).contains(&t) { rise(2.0 * t / span) * rise(2.0 * (span - t) / span) } else { 0.0 }
    };
    let (short, long) = (1.5 / to_hz, 1.5 / from_hz);
    lobe(t_s, short) - short / long * lobe(t_s - short, long)
}

/// Checks that every segment of a stimulus can sound.
///
/// # Errors
/// A sentence that names the segment and says what was expected.
pub fn check(stimulus: &Stimulus) -> Result<(), String> {
    for (index, segment) in stimulus.segments.iter().enumerate() {
        check_segment(segment).map_err(|expected| {
            format!("segment {} of the stimulus `{}`: {expected}", index + 1, stimulus.name)
        })?;
    }
    if stimulus.duration_s() > LONGEST_S {
        return Err(format!("the stimulus `{}` lasts longer than an hour", stimulus.name));
    }
    Ok(())
}

/// No stimulus needs longer, and a mistyped duration must not exhaust the memory.
const LONGEST_S: f64 = 3600.0;

fn check_segment(segment: &Segment) -> Result<(), String> {
    let within = |what: &str, value: f64, low: f64, high: f64| {
        if value.is_finite() && (low..=high).contains(&value) {
            Ok(())
        } else {
            Err(format!("{what} is {value}; expected {low} to {high}"))
        }
    };
    let band = |from_hz: f64, to_hz: f64| {
        within("from_hz", from_hz, 1.0, 96_000.0)?;
        within("to_hz", to_hz, 1.0, 96_000.0)?;
        if from_hz < to_hz { Ok(()) } else { Err(format!("from_hz {from_hz} is not below to_hz {to_hz}")) }
    };
    within("duration_s", segment.duration_s, 0.0, LONGEST_S)?;
    within("peak_dbfs", segment.peak_dbfs, -200.0, 0.0)?;
    within("fade_s", segment.fade_s, 0.0, LONGEST_S)?;
    match &segment.signal {
        Signal::Silence => Ok(()),
        Signal::Sweep { from_hz, to_hz, .. } => {
            band(*from_hz, *to_hz)?;
            within("the duration of a sweep", segment.duration_s, 0.01, LONGEST_S)
        }
        Signal::Pink { from_hz, to_hz, period_s, .. } => {
            band(*from_hz, *to_hz)?;
            match period_s {
                Some(period_s) => within("period_s times from_hz", period_s * from_hz, 2.0, 1e7),
                None => Ok(()),
            }
        }
        Signal::Sine { frequency_hz } => within("frequency_hz", *frequency_hz, 1.0, 96_000.0),
        Signal::TwoTone { low_hz, high_hz } => band(*low_hz, *high_hz),
        Signal::Burst { frequency_hz, cycles, every_s } => {
            within("frequency_hz", *frequency_hz, 1.0, 96_000.0)?;
            within("cycles", *cycles, 0.5, 1e6)?;
            within("every_s", *every_s, cycles / frequency_hz, LONGEST_S)
        }
        Signal::Pulse { from_hz, to_hz, every_s } => {
            band(*from_hz, *to_hz)?;
            within("every_s", *every_s, 1.5 / from_hz + 1.5 / to_hz, LONGEST_S)
        }
        Signal::Samples { sample_rate_hz, samples } => {
            within("sample_rate_hz", *sample_rate_hz, 8_000.0, 192_000.0)?;
            match samples.iter().position(|x| !x.is_finite()) {
                None => Ok(()),
                Some(index) => Err(format!("sample {index} is not a finite number")),
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use testkit::{at_most, near};

    use super::*;

    fn one(signal: Signal, duration_s: f64) -> Stimulus {
        Stimulus { name: "one".to_owned(), segments: vec![Segment::of(signal, duration_s, -6.0, 0.0)] }
    }

    /// Source: analytic; boundaries lie at exact times, so the second sweep of a
    /// pair is the first one shifted by their distance at any rate.
    #[test]
    fn segments_begin_at_exact_times_not_at_samples() {
        let stimulus = Stimulus {
            name: "offset".to_owned(),
            segments: vec![
                Segment::silence(0.123_456_7),
                Segment::of(Signal::Sine { frequency_hz: 1000.0 }, 0.1, 0.0, 0.0),
            ],
        };
        for rate in [44_100.0, 48_000.0, 47_991.3] {
            let samples = render(&stimulus, rate);
            let k = (0.15 * rate) as usize;
            let t = k as f64 / rate - 0.123_456_7;
            near("sample", f64::from(samples[k]), (2.0 * std::f64::consts::PI * 1000.0 * t).sin(), 1e-6);
        }
    }

    #[test]
    fn every_kind_reaches_its_peak_and_no_more() {
        let kinds = [
            Signal::Sweep { from_hz: 20.0, to_hz: 20_000.0, synchronised: true },
            Signal::Pink { from_hz: 20.0, to_hz: 20_000.0, seed: 1, period_s: None },
            Signal::Pink { from_hz: 20.0, to_hz: 20_000.0, seed: 1, period_s: Some(0.5) },
            Signal::Sine { frequency_hz: 1000.0 },
            Signal::TwoTone { low_hz: 1_900.0, high_hz: 2_000.0 },
            Signal::Burst { frequency_hz: 1000.0, cycles: 30.0, every_s: 0.2 },
            Signal::Pulse { from_hz: 40.0, to_hz: 4_000.0, every_s: 0.5 },
        ];
        for signal in kinds {
            let samples = render(&one(signal.clone(), 1.5), 48_000.0);
            assert_eq!(samples.len(), 72_000);
            let peak = samples.iter().fold(0.0f32, |a, x| a.max(x.abs()));
            near(&format!("peak of {signal:?}"), 20.0 * f64::from(peak).log10(), -6.0, 0.25);
        }
    }

    /// Source: the noise rendered as a whole, whose peak is what `render` brings it to.
    #[test]
    fn stretches_of_noise_are_those_of_the_whole() {
        let noise = track("pink").unwrap();
        let segment = noise.segments.iter().find(|segment| segment.signal != Signal::Silence).unwrap();
        let whole = render(&Stimulus { name: String::new(), segments: vec![segment.clone()] }, 44_100.0);
        let places = [10_000..30_000, whole.len() - 30_000..whole.len()];
        let parts = noise_stretches(segment, 44_100.0, &places).unwrap();
        let gain = whole[20_000] / parts[0][10_000];
        for (part, place) in parts.iter().zip(places) {
            for (got, wanted) in part.iter().zip(&whole[place]) {
                near("sample", f64::from(gain * got), f64::from(*wanted), 1e-6);
            }
        }
    }

    #[test]
    fn a_pulse_begins_upward_and_has_no_dc() {
        let samples =
            render(&one(Signal::Pulse { from_hz: 40.0, to_hz: 4_000.0, every_s: 0.5 }, 0.5), 96_000.0);
        let first = samples.iter().find(|x| x.abs() > 0.01).unwrap();
        assert!(*first > 0.0);
        at_most("DC", samples.iter().map(|x| f64::from(*x)).sum::<f64>().abs() / 48_000.0, 1e-6);
    }

    #[test]
    fn a_side_is_silent_where_the_other_sounds() {
        let mut stimulus = one(Signal::Sine { frequency_hz: 100.0 }, 0.1);
        stimulus.segments[0].side = Side::Left;
        let [left, right] = render_stereo(&stimulus, 48_000.0);
        assert!(left.iter().any(|x| *x > 0.4) && right.iter().all(|x| *x == 0.0));
        assert_eq!(render(&stimulus, 48_000.0), left);
    }

    #[test]
    fn samples_are_resampled_to_the_rate_asked_for() {
        let sine = |rate: f64| {
            (0..(0.2 * rate) as usize)
                .map(move |i| (0.5 * (2.0 * std::f64::consts::PI * 3000.0 * i as f64 / rate).sin()) as f32)
        };
        let stimulus =
            one(Signal::Samples { sample_rate_hz: 44_100.0, samples: sine(44_100.0).collect() }, 0.2);
        let got = render(&stimulus, 48_000.0);
        for (i, (got, wanted)) in got.iter().zip(sine(48_000.0)).enumerate().take(9_300).skip(300) {
            near(&format!("sample {i}"), f64::from(*got), f64::from(wanted), 1e-5);
        }
    }

    #[test]
    fn what_cannot_sound_is_named() {
        let bad = one(Signal::Sweep { from_hz: 200.0, to_hz: 20.0, synchronised: false }, 1.0);
        let message = check(&bad).unwrap_err();
        assert!(message.contains("segment 1") && message.contains("200"), "{message}");
        assert!(render(&bad, 8_000.0).iter().all(|x| *x == 0.0));
        assert!(check(&one(Signal::Silence, 1e9)).is_err());
    }

    proptest! {
        #[test]
        fn rendering_never_panics(
            from in -10.0f64..1e5, to in -10.0f64..1e5, duration in -0.1f64..0.3,
            period in proptest::option::of(-0.1f64..0.3), rate in prop::sample::select(vec![8_000.0, 44_100.0]),
            kind in 0usize..6,
        ) {
            let signal = match kind {
                0 => Signal::Sweep { from_hz: from, to_hz: to, synchronised: from > 100.0 },
                1 => Signal::Pink { from_hz: from, to_hz: to, seed: 1, period_s: period },
                2 => Signal::Sine { frequency_hz: from },
                3 => Signal::TwoTone { low_hz: from, high_hz: to },
                4 => Signal::Burst { frequency_hz: from, cycles: to, every_s: duration },
                _ => Signal::Pulse { from_hz: from, to_hz: to, every_s: duration },
            };
            let stimulus = one(signal, duration);
            let samples = render(&stimulus, rate);
            prop_assert!(samples.iter().all(|x| x.is_finite()));
        }
    }
}
