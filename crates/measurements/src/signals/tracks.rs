//! The standard tracks: what a memory stick for the source holds.
//!
//! Levels and band limits protect what they pass through: a sweep for one kind of
//! driver stays within that driver's band, and the higher the band, the lower the
//! peak (common practice, no source). Only the two tones for finding the clean
//! limit reach full scale, because that is what they ask about.

use dsp::sweep::Sweep;
use measure::{Segment, Side, Signal, Stimulus};

/// Full scale, less what keeps dither from passing it.
const FULL_SCALE_DBFS: f64 = -0.01;

/// All standard tracks, in the order in which they are listed.
#[must_use]
pub fn tracks() -> Vec<Stimulus> {
    vec![
        tone("tone-1k", 1000.0),
        tone("tone-40", 40.0),
        pink(),
        paired_sweep("sweep-full", 15.0, 21_500.0, 10.0, -6.0),
        paired_sweep("sweep-sub", 15.0, 250.0, 8.0, -6.0),
        paired_sweep("sweep-woofer", 30.0, 4_000.0, 8.0, -9.0),
        paired_sweep("sweep-mid", 80.0, 8_000.0, 8.0, -9.0),
        paired_sweep("sweep-high", 2_000.0, 21_500.0, 6.0, -15.0),
        against("arrival", (300.0, 12_000.0), sweep(20.0, 20_000.0, 4.0, -12.0)),
        against("place-sub", REFERENCE_HZ, sweep(15.0, 250.0, 6.0, -6.0)),
        against("place-woofer", REFERENCE_HZ, sweep(30.0, 4_000.0, 5.5, -9.0)),
        against("place-mid", REFERENCE_HZ, sweep(80.0, 8_000.0, 5.0, -9.0)),
        against("place-high", REFERENCE_HZ, sweep(2_000.0, 21_500.0, 4.0, -15.0)),
        against("place-full", REFERENCE_HZ, sweep(40.0, 20_000.0, 6.5, -12.0)),
        polarity(),
        bursts(),
        Stimulus { name: "quiet".to_owned(), segments: vec![Segment::silence(30.0)] },
    ]
}

/// The standard track of this name.
#[must_use]
pub fn track(name: &str) -> Option<Stimulus> {
    tracks().into_iter().find(|track| track.name == name)
}

/// The stretch of a sweep under which a panel buzzes, again and again: four narrow sweeps of
/// four seconds, as loud as the tracks for a subwoofer, and a little wider than the spot.
#[must_use]
pub fn spot(from_hz: f64, to_hz: f64) -> Stimulus {
    let (low, high) = (from_hz.min(to_hz), from_hz.max(to_hz));
    // A sixth of an octave at the least, so that the hand has time to feel it come and go.
    let middle = (low * high).sqrt();
    let (low, high) = (low.min(middle / 1.06) / 1.03, high.max(middle * 1.06) * 1.03);
    let name = format!("spot {low:.0} to {high:.0} Hz");
    let duration_s = Sweep::new(low, high, 4.0, 48_000.0, false).duration_s();
    let signal = Signal::Sweep { from_hz: low, to_hz: high, synchronised: false };
    let parts = vec![Segment::of(signal, duration_s, -6.0, 0.1); 4];
    between_silences(&name, parts, 0.3)
}

/// Two synchronised sweeps of three seconds between short silences: for a tap or a simulated car. The
/// standard tracks are longer, because a cabin is noisier than a person is patient.
#[must_use]
pub fn short_paired_sweep(name: &str, from_hz: f64, to_hz: f64, peak_dbfs: f64) -> Stimulus {
    let part = Segment { fade_s: 0.03, ..sweep(from_hz, to_hz, 3.0, peak_dbfs) };
    between_silences(name, vec![part.clone(), part], 0.6)
}

fn between_silences(name: &str, parts: Vec<Segment>, silence_s: f64) -> Stimulus {
    let mut segments = vec![Segment::silence(silence_s)];
    for part in parts {
        segments.push(part);
        segments.push(Segment::silence(silence_s));
    }
    Stimulus { name: name.to_owned(), segments }
}

fn tone(name: &str, frequency_hz: f64) -> Stimulus {
    let tone = Segment::of(Signal::Sine { frequency_hz }, 60.0, FULL_SCALE_DBFS, 0.05);
    between_silences(name, vec![tone], 0.5)
}

fn pink() -> Stimulus {
    let signal = Signal::Pink { from_hz: 15.0, to_hz: 21_500.0, seed: 1, period_s: None };
    between_silences("pink", vec![Segment::of(signal, 60.0, -3.0, 0.05)], 0.5)
}

/// A synchronised sweep; its segment lasts exactly as long as it does.
fn sweep(from_hz: f64, to_hz: f64, about_s: f64, peak_dbfs: f64) -> Segment {
    // The rate plays no part in how long a sweep lasts.
    let duration_s = Sweep::new(from_hz, to_hz, about_s, 48_000.0, true).duration_s();
    Segment::of(Signal::Sweep { from_hz, to_hz, synchronised: true }, duration_s, peak_dbfs, 0.05)
}

/// How long a mark lasts, and where in a silence it lies. It is short, so that there is
/// silence enough to measure noise in; it begins when a car has died away, and ends long before
/// the next sweep.
const MARK_S: f64 = 0.15;
const MARK_AFTER_S: f64 = 0.5;

/// Silence, sweep, silence, the same sweep again, silence: the two copies give the
/// clock ratio, an average and the repeatability. In the middle of each silence lies a short
/// sweep of the same band, a mark: two copies alone cannot tell a clock from samples
/// that were lost between them, three marks can.
fn paired_sweep(name: &str, from_hz: f64, to_hz: f64, about_s: f64, peak_dbfs: f64) -> Stimulus {
    let sweep = sweep(from_hz, to_hz, about_s, peak_dbfs);
    let signal = Signal::Sweep { from_hz, to_hz, synchronised: false };
    let mark = Segment::of(signal, MARK_S, peak_dbfs, 0.02);
    let silence = [Segment::silence(MARK_AFTER_S), mark, Segment::silence(1.0 - MARK_AFTER_S - MARK_S)];
    let mut segments = silence.to_vec();
    for _ in 0..2 {
        segments.push(sweep.clone());
        segments.extend(silence.clone());
    }
    Stimulus { name: name.to_owned(), segments }
}

/// The band of the reference burst of the tracks `place-…`: within that of `sweep-woofer` and of `sweep-mid`, so that a
/// woofer, a midrange or a full-range driver may be the reference.
const REFERENCE_HZ: (f64, f64) = (300.0, 4_000.0);

/// A reference burst on the left, the test sweep on the right, the reference burst
/// again: whichever one driver stays connected to the left side gives a time mark
/// that all recordings share, and its two bursts give the clock ratio. Short marks on its
/// side in the silences between them tell a clock from samples that were lost.
fn against(name: &str, reference_hz: (f64, f64), test: Segment) -> Stimulus {
    const MARK_S: f64 = 0.1;
    let (from_hz, to_hz) = reference_hz;
    let reference = Segment { side: Side::Left, ..sweep(from_hz, to_hz, 0.7, -12.0) };
    let test = Segment { side: Side::Right, ..test };
    let signal = Signal::Sweep { from_hz, to_hz, synchronised: false };
    let mark = Segment { side: Side::Left, ..Segment::of(signal, MARK_S, -12.0, 0.01) };
    // Beside the test sweep there is silence enough to measure noise in.
    let [outer, short, long] = [0.7, 0.3, 0.6].map(Segment::silence);
    let segments = vec![
        outer.clone(),
        reference.clone(),
        short.clone(),
        mark.clone(),
        long.clone(),
        test,
        long,
        mark,
        short,
        reference,
        outer,
    ];
    Stimulus { name: name.to_owned(), segments }
}

/// Pulses in groups of ten, each at a pace of its own, by which they are told from any
/// clock, metronome and drum that keeps its pace.
fn polarity() -> Stimulus {
    let group = |every_s: f64| {
        let signal = Signal::Pulse { from_hz: 40.0, to_hz: 4_000.0, every_s };
        Segment::of(signal, 10.0 * every_s, -6.0, 0.0)
    };
    let mut segments = vec![Segment::silence(0.5)];
    segments.extend([0.5, 0.4, 0.6, 0.45].map(group));
    segments.push(Segment::silence(0.5));
    Stimulus { name: "polarity".to_owned(), segments }
}

/// Short shaped bursts an octave apart, for timing and for finding rattles by ear.
fn bursts() -> Stimulus {
    let parts = [31.5, 63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0]
        .map(|frequency_hz| {
            let peak_dbfs = if frequency_hz < 2000.0 { -6.0 } else { -12.0 };
            let signal = Signal::Burst { frequency_hz, cycles: 6.5, every_s: 0.5 };
            Segment::of(signal, 2.0, peak_dbfs, 0.0)
        })
        .to_vec();
    between_silences("bursts", parts, 0.5)
}

#[cfg(test)]
mod tests {
    use testkit::{at_most, near};

    use super::*;
    use crate::signals::{check, render, render_stereo};

    #[test]
    fn every_track_can_sound_and_keeps_under_full_scale() {
        for track in tracks() {
            assert_eq!(check(&track), Ok(()));
            let samples = render(&track, 44_100.0);
            let peak = samples.iter().fold(0.0f32, |a, x| a.max(x.abs()));
            at_most(&format!("peak of {}", track.name), f64::from(peak), 0.999);
            assert_eq!(peak > 0.1, track.name != "quiet", "{} has a peak of {peak}", track.name);
            if let Some(stated) = track.peak_dbfs() {
                near(&track.name, 20.0 * f64::from(peak).log10(), stated, 0.2);
            }
        }
    }

    #[test]
    fn sweeps_for_drivers_stay_within_their_bands() {
        let bands = [
            ("sub", 0.0, 300.0),
            ("woofer", 20.0, 5_000.0),
            ("mid", 60.0, 9_000.0),
            ("high", 1_800.0, 24_000.0),
        ];
        let sweeps = bands.map(|(band, from, to)| (format!("sweep-{band}"), 0, from, to));
        let tests = bands.map(|(band, from, to)| (format!("place-{band}"), 1, from, to));
        // Whatever may be the reference takes a track for woofers and one for midranges.
        let references = bands.map(|(band, ..)| (format!("place-{band}"), 0, 225.0, 5_000.0));
        for (name, side, from, to) in sweeps.into_iter().chain(tests).chain(references) {
            let samples = &render_stereo(&track(&name).unwrap(), 48_000.0)[side];
            let samples: Vec<f64> = samples.iter().map(|x| f64::from(*x)).collect();
            let n = dsp::fft::fast_len(samples.len());
            let spectrum = dsp::fft::rfft(&samples, n);
            let (mut inside, mut outside) = (0.0, 0.0);
            for (k, x) in spectrum.iter().enumerate() {
                let f = k as f64 * 48_000.0 / n as f64;
                if (from..=to).contains(&f) { inside += x.norm_sqr() } else { outside += x.norm_sqr() }
            }
            at_most(
                &format!("energy outside the band of {name} in dB"),
                10.0 * (outside / inside).log10(),
                -40.0,
            );
        }
    }

    #[test]
    fn a_spot_stays_near_its_stretch() {
        for (from_hz, to_hz) in [(80.0, 95.0), (46.0, 46.5), (120.0, 240.0)] {
            let stimulus = spot(from_hz, to_hz);
            assert_eq!(check(&stimulus), Ok(()));
            for segment in &stimulus.segments {
                if let Signal::Sweep { from_hz: low, to_hz: high, .. } = segment.signal {
                    assert!(low < from_hz && low > from_hz / 1.15 && high > to_hz && high < to_hz * 1.15);
                }
            }
            assert!((15.0..20.0).contains(&stimulus.duration_s()));
        }
    }

    /// A stimulus is stored as JSON beside the tracks and must come back the same.
    #[test]
    fn a_sweep_track_is_what_the_contract_says() {
        let track = track("sweep-full").unwrap();
        let silences: Vec<bool> = track.segments.iter().map(|s| s.signal == Signal::Silence).collect();
        let pause = [true, false, true];
        assert_eq!(silences, [pause.as_slice(), &[false], &pause, &[false], &pause].concat());
        assert_eq!(track.segments[3], track.segments[7]);
        let (sweep, marks) = (&track.segments[3], [1, 5, 9].map(|i| &track.segments[i]));
        let band = |segment: &Segment| match segment.signal {
            Signal::Sweep { from_hz, to_hz, .. } => (from_hz, to_hz),
            _ => (0.0, 0.0),
        };
        for (pause, mark) in [0, 4, 8].into_iter().zip(marks) {
            let pause_s: f64 = track.segments[pause..pause + 3].iter().map(|s| s.duration_s).sum();
            near("a pause with its mark", pause_s, 1.0, 1e-12);
            assert_eq!(band(mark), band(sweep), "no mark outside the band of the sweep");
        }
    }
}
