//! Finds the copies of an excitation in a recording of any length.

use std::borrow::Cow;

use dsp::decimate::Decimator;
use dsp::fft::fast_len;
use measure::{Finding, Side};

use crate::cells::{Mark, Standing};
use crate::clock::{MOST_PPM, is_a_clock};
use crate::excitation::Excitation;
use crate::recognise::{Extent, LISTEN_HZ, Listeners, Wanted, Workbench, recognise};
use crate::signals::tracks;

/// Reference bursts so near to their places are more likely the wanted track's, with samples lost, than another's, which has the same
/// bursts (our choice: of the other tracks that were taken for them the nearest lay 0.2 s off).
const NEARLY_S: f64 = 0.1;

/// Copies that stand out less than this, or lie as no clock puts them, may be those of another track that runs through the band nearly as
/// fast: such are at 2,500 and 5,700 (in a car, through a crossover, above 30,000), and the random recordings of the tests above 150,000.
const CERTAINLY: f64 = 30_000.0;

/// The first sample of every copy, or the reason why there is none.
pub(crate) fn located(
    samples: &[f32],
    sample_rate_hz: f64,
    name: &str,
    excitation: &Excitation,
) -> Result<Vec<usize>, Finding> {
    let duration_s = samples.len() as f64 / sample_rate_hz;
    if samples.iter().all(|x| x.abs() < 1e-6) {
        let text =
            format!("The recording ({duration_s:.1} s) is silent. Check the input, its gain and the cable.");
        return Err(Finding::stop("no-signal", text));
    }
    let (clearness, otherwise) = match find(samples, sample_rate_hz, excitation) {
        Found::All { positions, clearness } => {
            let found = (positions[positions.len() - 1] - positions[0]) as f64;
            let lie_so = positions.len() == 1 || is_a_clock(found / excitation.spread_s(), sample_rate_hz);
            if clearness >= CERTAINLY && lie_so {
                return Ok(positions);
            }
            (clearness, Ok(positions))
        }
        Found::Nothing => return Err(not_found(samples, sample_rate_hz, name)),
        Found::Cut => {
            let text = "Only a part of the stimulus is in the recording. Start recording before the track, and stop after it.";
            (0.0, Err(Finding::stop("cut", text)))
        }
        // The marks between them show how many samples were lost.
        Found::Moved { positions, clearness, .. }
            if excitation.marks.is_some() && excitation.side() == Side::Both =>
        {
            (clearness, Ok(positions))
        }
        Found::Moved { by_s, clearness, .. } => {
            let text = format!(
                "The two copies of the sweep lie {:.1} ms {} than they were played: the player skipped or the \
                 recorder lost samples. Record again.",
                by_s.abs() * 1e3,
                if by_s > 0.0 { "farther apart" } else { "nearer together" }
            );
            let is_near = excitation.side() == Side::Both || by_s.abs() < NEARLY_S;
            (if is_near { clearness } else { 0.0 }, Err(Finding::stop("copies-apart", text)))
        }
    };
    // A part of one sweep resembles another that runs through the same band.
    another_track(samples, sample_rate_hz, name, clearness).map_or(otherwise, Err)
}

/// Names the track that is in a recording in which another was looked for; nothing where it is
/// that one after all, or none. Another one counts where it is heard more clearly than this, with which the wanted one's copies
/// were found: two sweeps may run through a band nearly as fast, and where samples were lost the one that was not played
/// may seem whole.
fn another_track(samples: &[f32], sample_rate_hz: f64, name: &str, clearness: f64) -> Option<Finding> {
    let heard = recognise(samples, sample_rate_hz, &tracks());
    let own = heard.iter().find(|heard| heard.track == name);
    let longest = heard
        .iter()
        .filter(|heard| heard.track != name)
        // Where a part of both may be there, the one that is whole is meant.
        .filter(|other| own.is_none_or(|own| own.extent == Extent::Cut && other.extent != Extent::Cut))
        .filter(|other| other.clearness > clearness)
        .max_by(|a, b| (a.end_s - a.start_s).total_cmp(&(b.end_s - b.start_s)))?;
    let part = if longest.extent == Extent::Cut { "a part of " } else { "" };
    let text = format!(
        "The recording does not hold `{name}`; it looks like {part}`{}`. Analyze it as that, or play the right track.",
        longest.track
    );
    Some(Finding::stop("wrong-track", text))
}

/// Tells a wrong track from none.
pub(crate) fn not_found(samples: &[f32], sample_rate_hz: f64, name: &str) -> Finding {
    another_track(samples, sample_rate_hz, name, 0.0).unwrap_or_else(|| {
        let text = format!(
            "`{name}` was not found in the recording. Check that it was played, that the microphone hears it, and that \
             it is louder than the noise."
        );
        Finding::stop("not-found", text)
    })
}

/// The silent stretches before, between and after the copies.
pub(crate) fn silences<'a>(
    samples: &'a [f32],
    rate: f64,
    excitation: &Excitation,
    positions: &[usize],
) -> Vec<&'a [f32]> {
    let frames = |s: f64| (s * rate) as usize;
    let before = frames(0.9 * excitation.silence_before_s);
    let first = positions[0];
    let after = positions.iter().map(|position| {
        let end = position + frames(excitation.duration_s);
        // The cabin rings on after the sweep has ended.
        end + frames(0.5 * excitation.silence_after_s)..end + frames(0.95 * excitation.silence_after_s)
    });
    std::iter::once(first.saturating_sub(before)..first.saturating_sub(frames(0.02)))
        .chain(after)
        .chain(beside_marks(rate, excitation, positions))
        .filter_map(|range| samples.get(range.start..range.end.min(samples.len())))
        .filter(|stretch| stretch.len() >= frames(0.05))
        .collect()
}

/// The silences before the first mark, and after each but the one before the first copy.
fn beside_marks(rate: f64, excitation: &Excitation, positions: &[usize]) -> Vec<std::ops::Range<usize>> {
    let Some(marks) = excitation.marks.as_ref().filter(|_| positions.len() == excitation.starts_s.len())
    else {
        return Vec::new();
    };
    // On the copy that is nearest, so that no clock matters.
    let at = |time_s: f64| {
        let nearest = (0..positions.len()).min_by(|&a, &b| {
            let distance = |i: usize| (excitation.starts_s[i] - time_s).abs();
            distance(a).total_cmp(&distance(b))
        });
        let frame = |i: usize| positions[i] as f64 + (time_s - excitation.starts_s[i]) * rate;
        nearest.map_or(0.0, frame).max(0.0) as usize
    };
    let quiet_s = marks.silence_after_s.min(excitation.silence_before_s);
    let (first_s, rest) = (marks.starts_s[0], &marks.starts_s[1..]);
    let after = rest.iter().map(|start_s| {
        let end_s = start_s + marks.duration_s;
        at(end_s + 0.4 * quiet_s)..at(end_s + 0.94 * quiet_s)
    });
    std::iter::once(at(first_s - 0.9 * marks.silence_before_s)..at(first_s - 0.02)).chain(after).collect()
}

/// What became of the search.
#[derive(Debug, Clone, PartialEq)]
enum Found {
    /// Every copy, each by the sample at which it begins; strongest peak, so the
    /// delay of what it passed through is in it; the clearest peak stands out so far.
    All { positions: Vec<usize>, clearness: f64 },
    /// Some copy is there, but not all of it.
    Cut,
    /// Two copies are there, this much farther apart than they were played (in
    /// seconds, negative when nearer), which no clock explains; the clearest peak stands out so far.
    Moved { positions: Vec<usize>, by_s: f64, clearness: f64 },
    /// Nothing that resembles it.
    Nothing,
}

/// Looks for all copies of an excitation.
///
/// The recording is compressed by a filter with the excitation's inverse phase,
/// which turns each copy into the impulse response of what it passed through; a copy
/// is where the energy is concentrated. Copies must lie as far apart as they were
/// played, ±500 ppm.
///
/// It is looked for in single precision at 22 kHz or more, a whole fraction of the rate, and
/// where it is not found there, in all that the recording holds.
///
/// References: matched filter (pulse compression), Turin, IRE Trans. IT-6, 1960.
/// Cost: O(n log n); 25 ms for half a minute at 48 kHz.
fn find(samples: &[f32], sample_rate_hz: f64, excitation: &Excitation) -> Found {
    let factor = ((sample_rate_hz / LISTEN_HZ) as usize).max(1);
    match find_at(samples, sample_rate_hz, factor, excitation) {
        found @ Found::All { .. } => found,
        found if factor == 1 => found,
        _ => find_at(samples, sample_rate_hz, 1, excitation),
    }
}

/// How many samples are compared at once, at the most, unless the excitation is longer: a block takes some 40 bytes a
/// sample, and one of four minutes would take more than 200 MB.
const LARGEST_HOP: usize = 3 << 18;

/// The same at a fraction of the rate.
fn find_at(samples: &[f32], sample_rate_hz: f64, factor: usize, excitation: &Excitation) -> Found {
    let lower = |samples: &[f32]| {
        let (mut decimator, mut lower) =
            (Decimator::new(factor), Vec::with_capacity(samples.len() / factor + 1));
        // In pieces: what it is fed at once it keeps a copy of.
        samples.chunks(1 << 16).for_each(|part| decimator.feed(part, &mut lower));
        decimator.finish(&mut lower);
        lower
    };
    let rate_hz = sample_rate_hz / factor as f64;
    // What a decimator keeps whole.
    let top_hz = excitation.to_hz.min(if factor == 1 { 0.49 } else { 0.4 } * rate_hz);
    if samples.is_empty() || excitation.from_hz * if factor == 1 { 1.0 } else { 1.3 } >= top_hz {
        return Found::Nothing;
    }
    let template = match excitation.sweep(rate_hz) {
        Some(sweep) => {
            let mut template = excitation.samples(rate_hz);
            template.truncate((sweep.time_of_s(top_hz) * rate_hz).ceil() as usize + 1);
            template
        }
        // A noise has other samples at another rate.
        None => {
            let played: Vec<f32> = excitation.samples(sample_rate_hz).into_iter().map(|x| x as f32).collect();
            lower(&played).into_iter().map(f64::from).collect()
        }
    };
    let stream = if factor == 1 { Cow::Borrowed(samples) } else { Cow::Owned(lower(samples)) };
    let wanted = Wanted { template, band_hz: (excitation.from_hz, top_hz) };
    // As many blocks as cost least, and not fewer than memory allows.
    let hop = |needed: usize| {
        let hop = |blocks: usize| stream.len().div_ceil(blocks);
        let fewest = stream.len().div_ceil(LARGEST_HOP.max(needed));
        let cost = |blocks: &usize| blocks * fast_len(needed + hop(*blocks));
        (fewest.max(1)..=fewest + 16).min_by_key(cost).map_or(0, hop)
    };
    let mut listeners = Listeners::new(&[wanted], rate_hz, hop);
    listeners.finish(&stream, 0, &mut Workbench::default());
    let heard: Vec<(Mark, Standing)> = listeners.marks(0).into_iter().flatten().collect();
    let clearness = heard.iter().map(|(_, standing)| standing.clearness()).fold(0.0, f64::max);
    let marks: Vec<Mark> =
        heard.iter().map(|(mark, _)| Mark { position: mark.position * factor, ..*mark }).collect();
    let copy = (excitation.duration_s * sample_rate_hz).ceil() as usize;
    choose((&marks, clearness), samples.len(), copy, sample_rate_hz, excitation)
}

/// The strongest set of marks that lie as the copies do.
fn choose(
    (marks, clearness): (&[Mark], f64),
    frames: usize,
    copy: usize,
    sample_rate_hz: f64,
    excitation: &Excitation,
) -> Found {
    let Some(strongest) = marks.iter().map(|mark| mark.power).reduce(f64::max) else { return Found::Nothing };
    // A copy may be weaker than another by what a source changes, not by a world.
    let marks: Vec<Mark> = marks.iter().copied().filter(|mark| mark.power > 1e-3 * strongest).collect();
    let complete = |mark: &Mark| mark.position + copy <= frames + (0.02 * sample_rate_hz) as usize;
    let offsets: Vec<f64> =
        excitation.starts_s.iter().map(|start| (start - excitation.starts_s[0]) * sample_rate_hz).collect();
    let slack = 0.02 * sample_rate_hz;
    let set_of = |first: &Mark| -> Option<(f64, Vec<usize>)> {
        let mut power = 0.0;
        let mut positions = Vec::with_capacity(offsets.len());
        for offset in &offsets {
            let expected = first.position as f64 + offset;
            let allowed = slack + offset * MOST_PPM * 1e-6;
            let mark = marks
                .iter()
                .filter(|mark| complete(mark) && (mark.position as f64 - expected).abs() <= allowed)
                .reduce(|a, b| if b.power > a.power { b } else { a })?;
            power += mark.power;
            positions.push(mark.position);
        }
        Some((power, positions))
    };
    let best = marks.iter().filter_map(set_of).reduce(|a, b| if b.0 > a.0 { b } else { a });
    if let Some((_, positions)) = best {
        return Found::All { positions, clearness };
    }
    let spread = excitation.spread_s() * sample_rate_hz;
    let near_miss = marks
        .iter()
        .flat_map(|a| marks.iter().map(move |b| (a, b)))
        .filter(|(a, b)| complete(a) && complete(b))
        .map(|(a, b)| (a, b, b.position as f64 - a.position as f64 - spread))
        .filter(|(.., off)| spread > 0.0 && off.abs() < (0.9 * spread).min(2.0 * sample_rate_hz))
        .max_by(|one, other| one.0.power.min(one.1.power).total_cmp(&other.0.power.min(other.1.power)));
    near_miss.map_or(Found::Cut, |(a, b, off)| Found::Moved {
        positions: vec![a.position, b.position],
        by_s: off / sample_rate_hz,
        clearness,
    })
}
