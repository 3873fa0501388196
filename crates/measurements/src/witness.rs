//! Whether the clock that two copies give is one: samples that were lost between them look the
//! same from outside.

use std::cmp::Ordering;
use std::f64::consts::PI;

use dsp::deconvolve::{TimeWindow, WindowedImpulse};
use dsp::fft::{Complex64, irfft};
use dsp::response::power_db;
use dsp::statistics::{median, robust_deviation};
use dsp::turn::turned;
use measure::Finding;

use crate::background::Background;
use crate::copies::{Copies, LEAD_S};
use crate::excitation::Excitation;
use crate::time_map::{Jump, Point, TimeMap, time_map};

/// How much of a mark's impulse response is compared with that of the copies.
const BEFORE_S: f64 = 0.03;
const AFTER_S: f64 = 0.15;

/// Bands in an octave in which a copy is laid over the marks.
const BANDS_PER_OCTAVE: f64 = 2.0;

/// A band is believed when its phases scatter by no more than this, in radians,
const MOST_SCATTER: f64 = 0.7;
/// and when what is heard in it has so many times the power of the noise. The few periods of a low band agree at some
/// delay even where they are noise; power of noise alone exceeds ten times its mean once in e¹⁰ = 22,000 at the most
/// (an exponential distribution, which is that of the narrowest band).
const OVER_NOISE: f64 = 10.0;
/// and when it lies no farther below the strongest band than this share of power, 30 dB. What is heard beyond a
/// crossover may be what was distorted elsewhere: a mark is so quick that it comes within its window.
const OF_STRONGEST: f64 = 1e-3;

/// A band whose phases scatter by less than the one in one copy, and by more than the other in the other
/// (without any order it is π/√3), is not at its place there: it is as far off as what was lost, which
/// may be more than is looked at.
const CLEAR_SCATTER: f64 = 0.35;
const NO_ORDER: f64 = 1.2;

/// What is not noise (a tail that was cut, distortion) turns the phase by as much.
const PHASE_FLOOR: f64 = 0.05;

/// What lies farther off than this, in standard deviations, is explained by no loss.
const MOST_MISFIT: f64 = 4.0;

/// How often the map is drawn anew at the most, and what it then moves by no more.
const ROUNDS: usize = 5;
const SETTLED_PPM: f64 = 1.0;

/// A delay that changes by less is found.
const SETTLED_S: f64 = 1e-15;

/// A whole number of samples is believed when it is known as exactly as this.
const SURELY_WHOLE: f64 = 0.15;

/// What turns the phase by less, in degrees, is too little to matter.
const TURNS_DEG: f64 = 45.0;

/// A clock that is off by less, in parts in a million, is too little to matter.
const SMALL_PPM: f64 = 20.0;

/// Clocks are within this of each other; what is more is not believed without a witness.
const USUAL_PPM: f64 = 320.0;
/// And no clock is farther off than this, whatever speaks for it.
const MOST_PPM: f64 = 500.0;

/// Marks and copies that differ by more than this, and by so many deviations of noise, were played at another gain.
/// Through anything linear they agree to 0.02 dB.
const UNEVEN_DB: f64 = 0.3;
const NOISE_DEVIATIONS: f64 = 3.0;
/// Noise of more than this part of a mark's power tells nothing.
const MOST_NOISE: f64 = 0.01;

/// A copy on its band, or a mark.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Place {
    Mark,
    /// The number of the copy, and the frequency.
    Copy(usize, f64),
}

/// The copies on a clock that can be believed, and what was found wrong with them.
///
/// With marks in the silences every moment is known several times: each mark, and each copy in
/// each half octave, which an exponential sweep passes one after the other. What the car
/// does to a frequency it does to all of them, so that each band is laid over the
/// marks' and the car falls out. All lie on one line of time, or on one with jumps
/// (see [`time_map`]): samples lost between the copies are put back, a copy inside which they
/// were lost is left out, and what cannot be mended is said.
///
/// Without marks (tracks of version 1) the copies are compared band by band, which shows what was
/// lost inside one of them; and a clock that is none spreads the impulse over log frequency, evenly,
/// which no car does.
///
/// # Errors
/// A finding when what was lost cannot be put back.
pub(crate) fn believed<'a>(
    samples: &'a [f32],
    rate: f64,
    excitation: &'a Excitation,
    positions: &[usize],
    background: Option<&Background>,
) -> Result<(Copies<'a>, Vec<Finding>), Finding> {
    let copies = Copies::new(samples, rate, excitation, positions, background);
    if copies.count() < 2 || excitation.sweep(rate).is_none() {
        return Ok((copies, Vec::new()));
    }
    let (copies, findings) = match settled(&copies, rate, background) {
        Some(laid) => {
            let (copies, mut findings) = mended(copies, rate, &laid)?;
            findings.extend(laid.uneven.map(level_control));
            (copies, findings)
        }
        None => without_marks(copies, rate, background)?,
    };
    not_too_far_apart(&copies, MOST_PPM)?;
    Ok((copies, findings))
}

/// Marks and copies laid over each other.
struct Laid {
    map: TimeMap,
    /// What each point of the map is.
    places: Vec<Place>,
    /// The copies in which a band is not at its place that the other copy holds clearly, each with the
    /// lowest of these.
    displaced: Vec<(usize, f64)>,
    /// Where the marks are most unlike the copies in level, beyond noise, and by how many dB.
    uneven: Option<(f64, f64)>,
}

/// The map of time on its own clock: what was played is rendered on a clock, and on one that is
/// off the bands of a copy spread so far that the high ones tell nothing. So each round
/// goes by the clock that the last one found, from that of the copies or, where samples were
/// lost between them, from none.
fn settled(copies: &Copies<'_>, rate: f64, background: Option<&Background>) -> Option<Laid> {
    let mut best: Option<Laid> = None;
    for first_hz in [copies.rate_hz, rate] {
        let mut clock_hz = first_hz;
        for _ in 0..ROUNDS {
            let Some(laid) = by_marks(&copies.on(clock_hz), rate, background) else { break };
            let moved_ppm = 1e6 * (laid.map.rate_hz / clock_hz - 1.0).abs();
            clock_hz = laid.map.rate_hz;
            if best.as_ref().is_none_or(|best| laid.map.misfit < best.map.misfit) {
                best = Some(laid);
            }
            if moved_ppm < SETTLED_PPM {
                break;
            }
        }
        if best.as_ref().is_some_and(|best| best.map.misfit < MOST_MISFIT) {
            break;
        }
    }
    best
}

/// The map of time by the marks; nothing where they cannot be heard clearly enough.
fn by_marks(copies: &Copies<'_>, rate: f64, background: Option<&Background>) -> Option<Laid> {
    let excitation = copies.excitation();
    let marks = excitation.marks.as_deref()?;
    let clock_hz = copies.rate_hz;
    let starts_s = &excitation.starts_s;
    // Each mark where the nearest copy says.
    let nearest = |time_s: f64| {
        let distance = |i: &usize| (starts_s[*i] - time_s).abs();
        (0..starts_s.len()).min_by(|a, b| distance(a).total_cmp(&distance(b))).unwrap_or(0)
    };
    let positions: Vec<f64> = marks
        .starts_s
        .iter()
        .map(|time_s| {
            let copy = nearest(*time_s);
            copies.begins(copy) + (time_s - starts_s[copy]) * clock_hz
        })
        .collect();
    let tail_s = 0.95 * marks.silence_after_s;
    let all = Copies::at(copies.samples(), rate, marks, &positions, clock_hz, (LEAD_S, tail_s));
    let window = TimeWindow::half_faded(BEFORE_S, AFTER_S.min(tail_s));
    let (each_mark, bin_hz) = spectra(&all.parts(all.found_s(), &window))?;
    let mark_noise = noise(background, &all, &window, each_mark[0].len(), bin_hz);
    let (each_copy, _) = spectra(&as_found(copies, &window))?;
    let copy_noise = noise(background, copies, &window, each_copy[0].len(), bin_hz);
    let bands = bands(excitation, rate);
    let whole = [(bands.first()?.0, bands.last()?.1)];
    let between = |one: usize, other: usize| {
        let (one, other) = (&each_mark[one], &each_mark[other]);
        delays((one, &mark_noise), (other, &mark_noise), bin_hz, &whole)[0].filter(Delay::is_believed)
    };
    // The marks laid over the one that the others are most like.
    let each = 0..each_mark.len();
    let later: Vec<Vec<Option<Delay>>> =
        each.clone().map(|one| (one + 1..each.end).map(|other| between(one, other)).collect()).collect();
    let beside = |one: usize, other: usize| match one.cmp(&other) {
        Ordering::Less => later[one][other - one - 1],
        Ordering::Equal => None,
        Ordering::Greater => later[other][one - other - 1].map(Delay::seen_from_the_other),
    };
    let alike = |one: &usize| each.clone().filter(|other| beside(*one, *other).is_some()).count();
    let reference = each.clone().max_by_key(alike)?;
    let shifts: Vec<Option<Delay>> = each
        .map(|mark| if mark == reference { between(mark, mark) } else { beside(reference, mark) })
        .collect();
    if shifts.iter().flatten().count() < 2 {
        return None;
    }
    let laid: Vec<Vec<Complex64>> = each_mark
        .iter()
        .zip(&shifts)
        .filter_map(|(mark, shift)| Some(turned(mark, 0, 2.0 * PI * bin_hz * shift.as_ref()?.delay_s)))
        .collect();
    let mut reference = vec![Complex64::default(); each_mark[0].len()];
    for mark in &laid {
        reference.iter_mut().zip(mark).for_each(|(sum, x)| *sum += x);
    }
    let mut points: Vec<(Point, Place)> = Vec::new();
    for (i, shift) in shifts.iter().enumerate() {
        let Some(Delay { delay_s: shift_s, sigma_s, .. }) = shift else { continue };
        let at_s = marks.starts_s[i];
        let point = Point { at_s, position: positions[i] + shift_s * clock_hz, sigma: sigma_s * clock_hz };
        points.push((point, Place::Mark));
    }
    let uneven = uneven(&laid, &each_copy, bin_hz, &bands);
    let sweep = excitation.sweep(clock_hz)?;
    // The sum of several has as many times the noise of one.
    let several = shifts.iter().flatten().count() as f64;
    let reference_noise: Vec<f64> = mark_noise.iter().map(|noise| several * noise).collect();
    let over_marks: Vec<Vec<Option<Delay>>> = each_copy
        .iter()
        .map(|copy| delays((&reference, &reference_noise), (copy, &copy_noise), bin_hz, &bands))
        .collect();
    for (copy, found) in over_marks.iter().enumerate() {
        for (band, delay) in bands.iter().zip(found) {
            let Some(Delay { delay_s, sigma_s, .. }) = delay.as_ref().filter(|delay| delay.is_believed())
            else {
                continue;
            };
            let middle_hz = (band.0 * band.1).sqrt();
            let at_s = sweep.time_of_s(middle_hz);
            let position = copies.begins(copy) + (at_s + delay_s) * clock_hz;
            let point = Point { at_s: starts_s[copy] + at_s, position, sigma: sigma_s * clock_hz };
            points.push((point, Place::Copy(copy, middle_hz)));
        }
    }
    points.sort_by(|a, b| a.0.at_s.total_cmp(&b.0.at_s));
    let in_each = |copy: usize| {
        points.iter().filter(|(_, place)| matches!(place, Place::Copy(of, _) if *of == copy)).count()
    };
    if (0..copies.count()).any(|copy| in_each(copy) < 3) {
        return None;
    }
    let displaced = (0..copies.count()).filter_map(|copy| {
        let is_clear = |of: usize, band: usize| {
            over_marks[of][band]
                .as_ref()
                .is_some_and(|delay| delay.is_believed() && delay.scatter < CLEAR_SCATTER)
        };
        let has_no_order =
            |band: usize| over_marks[copy][band].as_ref().is_none_or(|delay| delay.scatter > NO_ORDER);
        let band = (0..bands.len())
            .find(|&band| has_no_order(band) && (0..copies.count()).any(|other| is_clear(other, band)))?;
        Some((copy, (bands[band].0 * bands[band].1).sqrt()))
    });
    let displaced = displaced.collect();
    let (points, places): (Vec<Point>, Vec<Place>) = points.into_iter().unzip();
    time_map(&points).map(|map| Laid { map, places, displaced, uneven })
}

/// In which half octave the marks, laid over each other, are most unlike the copies in level, of those in which noise does not explain it.
///
/// A mark passes a frequency some fifty times quicker than a copy. What the sound passes through does the same to
/// both, unless its gain follows the sound.
fn uneven(
    marks: &[Vec<Complex64>],
    copies: &[Vec<Complex64>],
    bin_hz: f64,
    bands: &[(f64, f64)],
) -> Option<(f64, f64)> {
    let count = marks.len() as f64;
    // What the bands at the ends hold is faded.
    let inner = bands.get(1..bands.len().saturating_sub(1))?;
    let differs = inner.iter().filter_map(|&(from_hz, to_hz)| {
        let (mut of_marks, mut of_noise) = (0.0, 0.0);
        let mut of_copies = vec![0.0; copies.len()];
        for k in (from_hz / bin_hz).ceil() as usize..=((to_hz / bin_hz) as usize).min(marks[0].len() - 1) {
            let mean = marks.iter().map(|mark| mark[k]).sum::<Complex64>() / count;
            of_marks += mean.norm_sqr();
            let scatter: f64 = marks.iter().map(|mark| (mark[k] - mean).norm_sqr()).sum();
            of_noise += scatter / (count * (count - 1.0).max(1.0));
            of_copies.iter_mut().zip(copies).for_each(|(sum, copy)| *sum += copy[k].norm_sqr());
        }
        let noise = of_noise / of_marks;
        // A knock is in one of the copies alone.
        let from_each = of_copies.iter().map(|copy| power_db((of_marks - of_noise).max(0.0) / copy));
        let differs_db = from_each.min_by(|a, b| a.abs().total_cmp(&b.abs()))?;
        // The power of noise itself beside that of a sound is off by 8.7 √(noise/2) dB.
        let enough_db = UNEVEN_DB.max(NOISE_DEVIATIONS * 8.7 * (0.5 * noise).sqrt());
        (noise < MOST_NOISE && differs_db.abs() > enough_db).then_some(((from_hz * to_hz).sqrt(), differs_db))
    });
    differs.max_by(|a, b| a.1.abs().total_cmp(&b.1.abs()))
}

/// What is said of a gain that follows the sound.
fn level_control((at_hz, differs_db): (f64, f64)) -> Finding {
    let text = format!(
        "The quick sweeps of the track come {:.1} dB {} than the slow ones near {at_hz:.0} Hz: an automatic level control, a \
         limiter or a lossy link follows the sound, and the response is bent by as much at least. Switch it off, or measure \
         10 dB softer and compare.",
        differs_db.abs(),
        if differs_db > 0.0 { "louder" } else { "softer" }
    );
    Finding::caution("level-control", text)
}

/// What becomes of the copies when the map of time is known.
fn mended<'a>(
    copies: Copies<'a>,
    rate: f64,
    Laid { map, places, displaced, .. }: &Laid,
) -> Result<(Copies<'a>, Vec<Finding>), Finding> {
    let copy_of = |place: &Place| match place {
        Place::Copy(copy, _) => Some(*copy),
        Place::Mark => None,
    };
    let last_of_first = places.iter().rposition(|place| copy_of(place) == Some(0)).unwrap_or(0);
    let first_of_last = places.iter().position(|place| copy_of(place).is_some_and(|c| c > 0)).unwrap_or(0);
    let between: Vec<&Jump> =
        map.jumps.iter().filter(|jump| jump.before > last_of_first && jump.before <= first_of_last).collect();
    let inside: Vec<(usize, f64, &Jump)> = map
        .jumps
        .iter()
        .filter_map(|jump| match (places[jump.before - 1], places[jump.before]) {
            (Place::Copy(a, low_hz), Place::Copy(b, high_hz)) if a == b => {
                let at_hz = (low_hz * high_hz).sqrt();
                let turns_deg = 360.0 * at_hz * jump.frames.abs() / rate;
                (turns_deg > TURNS_DEG || ppm_of(jump.frames, &copies, rate) > SMALL_PPM)
                    .then_some((a, at_hz, jump))
            }
            _ => None,
        })
        .collect();
    match displaced.as_slice() {
        [] => {}
        [(copy, at_hz)] => {
            let text = format!(
                "The {} copy of the sweep is not where it should be from {at_hz:.0} Hz on: samples were lost or doubled inside it, or \
                 something louder sounded. {}",
                ordinal(*copy),
                OTHER_COPY_ALONE
            );
            let one = copies.alone(1 - (*copy).min(1), map.rate_hz, rate);
            return Ok((one, vec![Finding::caution("samples-lost", text)]));
        }
        [(_, at_hz), ..] => {
            let text = format!(
                "Both copies of the sweep have parts that are not where they should be (near {at_hz:.0} Hz): samples were lost or \
                 doubled inside them. Close other programs, and record again."
            );
            return Err(Finding::stop("copies-apart", text));
        }
    }
    if map.misfit > MOST_MISFIT {
        not_too_far_apart(&copies, USUAL_PPM)?;
        let mut copies = copies;
        copies.is_unconfirmed = true;
        let text = "The marks and the copies of the sweep do not lie on one clock: samples were lost in several places, a clock \
                    wanders, or the microphone moved. Phase and times are doubtful; record again.";
        return Ok((copies, vec![Finding::caution("clock-doubtful", text)]));
    }
    if let Some((copy, at_hz, jump)) = inside.first() {
        let (count, verb) = counted(jump.frames);
        if inside.iter().any(|(other, ..)| other != copy) {
            let text = format!(
                "Samples were lost or doubled inside both copies of the sweep ({count} in one of them, near {at_hz:.0} Hz). Close \
                 other programs, and record again."
            );
            return Err(Finding::stop("copies-apart", text));
        }
        let text = format!(
            "Inside the {} copy of the sweep, near {at_hz:.0} Hz, {count} {verb}. {OTHER_COPY_ALONE}",
            ordinal(*copy)
        );
        let one = copies.alone(1 - (*copy).min(1), map.rate_hz, rate);
        return Ok((one, vec![Finding::caution("samples-lost", text)]));
    }
    let frames: f64 = between.iter().map(|jump| jump.frames).sum();
    // What was lost is whole samples.
    if between.is_empty() || frames.abs() < 0.6 {
        return Ok((copies, Vec::new()));
    }
    let sigma = between.iter().map(|jump| jump.sigma.powi(2)).sum::<f64>().sqrt();
    let whole =
        if sigma < SURELY_WHOLE && (frames - frames.round()).abs() < 0.3 { frames.round() } else { frames };
    let (count, verb) = counted(whole);
    let text = format!(
        "Between the two copies of the sweep {count} {verb} ({:.2} ms). The marks of the track show it, and it has \
         been set right.",
        1e3 * whole.abs() / rate
    );
    Ok((copies.less(whole, rate), vec![Finding::caution("samples-lost", text)]))
}

const OTHER_COPY_ALONE: &str = "The other copy alone was used, so that there is no average and no repeatability. \
                                Record again if you can.";

/// Which of the two copies.
fn ordinal(copy: usize) -> &'static str {
    ["first", "second"][copy.min(1)]
}

/// Refuses copies that lie as no two clocks put them, which differ by no more than this.
///
/// # Errors
/// A finding when they do.
fn not_too_far_apart(copies: &Copies<'_>, most_ppm: f64) -> Result<(), Finding> {
    let said_ppm = copies.clock_ppm.unwrap_or(0.0);
    if said_ppm.abs() <= most_ppm {
        return Ok(());
    }
    let text = format!(
        "The two copies of the sweep lie as if the clocks differed by {said_ppm:.0} ppm, which is more than clocks do: samples were \
         lost or doubled between them. Close other programs, and record again."
    );
    Err(Finding::stop("copies-apart", text))
}

/// By how much a loss between the copies would change the clock.
fn ppm_of(frames: f64, copies: &Copies<'_>, rate: f64) -> f64 {
    1e6 * frames.abs() / (copies.excitation().spread_s() * rate)
}

fn counted(frames: f64) -> (String, &'static str) {
    let count = frames.abs();
    let count = if count < 1.5 { "1 sample".to_owned() } else { format!("{count:.0} samples") };
    let verb = match (frames < 0.0, frames.abs() < 1.5) {
        (true, true) => "was lost",
        (true, false) => "were lost",
        (false, true) => "came twice",
        (false, false) => "are too many",
    };
    (count, verb)
}

/// What is to be said of a track of pulses between which samples were lost: each pulse is
/// taken where it was recorded, so that nothing else comes of it.
pub(crate) fn lost_between_pulses(map: &TimeMap, rate: f64) -> Option<Finding> {
    let jump = map.jumps.iter().max_by(|a, b| a.frames.abs().total_cmp(&b.frames.abs()))?;
    let (count, verb) = counted(jump.frames);
    let text = format!(
        "Between two pulses {count} {verb} ({:.2} ms). Each pulse was taken where it was recorded, so that the polarity \
         is not touched.",
        1e3 * jump.frames.abs() / rate
    );
    Some(Finding::caution("samples-lost", text))
}

/// What the two copies themselves tell, without marks.
fn without_marks<'a>(
    mut copies: Copies<'a>,
    rate: f64,
    background: Option<&Background>,
) -> Result<(Copies<'a>, Vec<Finding>), Finding> {
    let excitation = copies.excitation();
    let bands = bands(excitation, rate);
    let window = TimeWindow::half_faded(BEFORE_S, AFTER_S);
    let each = spectra(&as_found(&copies, &window));
    let (Some(sweep), Some((each, bin_hz))) = (excitation.sweep(copies.rate_hz), each) else {
        return Ok((copies, Vec::new()));
    };
    let [first, .., last] = each.as_slice() else { return Ok((copies, Vec::new())) };
    let noise = noise(background, &copies, &window, first.len(), bin_hz);
    let between = delays((first, &noise), (last, &noise), bin_hz, &bands);
    let points: Vec<(Point, f64)> = bands
        .iter()
        .zip(&between)
        .filter_map(|(band, delay)| {
            let Delay { delay_s, sigma_s, .. } = delay.as_ref().filter(|delay| delay.is_believed())?;
            let middle_hz = (band.0 * band.1).sqrt();
            let (position, sigma) = (delay_s * rate, sigma_s * rate);
            Some((Point { at_s: sweep.time_of_s(middle_hz), position, sigma }, middle_hz))
        })
        .collect();
    let (points, middles_hz): (Vec<Point>, Vec<f64>) = points.into_iter().unzip();
    let jumps = time_map(&points).map_or_else(Vec::new, |map| map.jumps);
    let matters = |jump: &&Jump| {
        360.0 * middles_hz[jump.before] * jump.frames.abs() / rate > TURNS_DEG
            || ppm_of(jump.frames, &copies, rate) > SMALL_PPM
    };
    if let Some(jump) = jumps.iter().find(matters) {
        let (count, verb) = counted(jump.frames);
        let text = format!(
            "Inside one of the two copies of the sweep, near {:.0} Hz, {count} {verb}. Close other programs, and record again.",
            middles_hz[jump.before]
        );
        return Err(Finding::stop("copies-apart", text));
    }
    // How late each band comes, an octave after the other.
    let late: Vec<(f64, f64)> = bands
        .iter()
        .zip(centroids(first, bin_hz, &bands))
        .zip(&between)
        .filter(|(_, delay)| delay.as_ref().is_some_and(Delay::is_believed))
        .filter_map(|((band, late_s), _)| Some((sweep.time_of_s((band.0 * band.1).sqrt()), late_s?)))
        .collect();
    let reach = BANDS_PER_OCTAVE as usize;
    let slopes: Vec<f64> = late
        .iter()
        .zip(late.iter().skip(reach))
        .map(|(low, high)| (high.1 - low.1) / (high.0 - low.0))
        .collect();
    let said_ppm = copies.clock_ppm.unwrap_or(0.0);
    let (Some(slope), Some(scatter)) = (median(&slopes), robust_deviation(&slopes)) else {
        return Ok((copies, Vec::new()));
    };
    let independent = (slopes.len() as f64 / BANDS_PER_OCTAVE).max(1.0);
    let (off_ppm, unsure_ppm) = (1e6 * slope, 5.0 * 1e6 * scatter / independent.sqrt());
    // What a loss would leave must be a clock; steep crossovers, too, spread an impulse over frequency, and farther.
    let leaves_a_clock = (said_ppm + off_ppm).abs() < USUAL_PPM + unsure_ppm;
    if off_ppm.abs() > SMALL_PPM + unsure_ppm && leaves_a_clock && slopes.len() >= 4 {
        let text = format!(
            "The two copies of the sweep lie as if the clocks differed by {said_ppm:.0} ppm, but inside the copies they do not: \
             samples were lost or doubled between them (about {:.0}). Record again; a track of today's version has marks by \
             which this can be set right.",
            (off_ppm * 1e-6 * copies.excitation().spread_s() * rate).abs()
        );
        return Err(Finding::stop("copies-apart", text));
    }
    not_too_far_apart(&copies, USUAL_PPM)?;
    if said_ppm.abs() <= SMALL_PPM || unsure_ppm <= SMALL_PPM {
        return Ok((copies, Vec::new()));
    }
    let text = format!(
        "The clocks differ by {said_ppm:.0} ppm, or samples were lost between the copies: without marks in the silences (tracks \
         of version 1, or too much noise) this cannot be told. Levels are not touched by it; phase and times may be."
    );
    copies.is_unconfirmed = true;
    Ok((copies, vec![Finding::caution("clock-unconfirmed", text)]))
}

/// What the impulse response of each copy holds about the moment at which the search found it.
fn as_found(copies: &Copies<'_>, window: &TimeWindow) -> Vec<WindowedImpulse> {
    copies.as_found().iter().map(|impulse| impulse.windowed(copies.found_s(), window)).collect()
}

/// The spectra of parts, and the width of a bin; nothing where there are none.
fn spectra(parts: &[WindowedImpulse]) -> Option<(Vec<Vec<Complex64>>, f64)> {
    let frames = 2 * parts.first()?.samples.len();
    let (spectra, bins_hz): (Vec<_>, Vec<f64>) = parts.iter().map(|part| part.spectrum(frames)).unzip();
    Some((spectra, bins_hz[0]))
}

/// The power that noise has in each bin of such a spectrum: `S |W|² Σw²` with the background's density S, the deconvolver W
/// and the window w. None where it is not known.
fn noise(
    background: Option<&Background>,
    copies: &Copies<'_>,
    window: &TimeWindow,
    bins: usize,
    bin_hz: f64,
) -> Vec<f64> {
    let Some(background) = background else { return vec![0.0; bins] };
    let (clock_hz, deconvolver) = (copies.rate_hz, copies.over_all());
    let energy = window.energy_s() * clock_hz;
    let frequency_hz: Vec<f64> = (0..bins).map(|k| k as f64 * bin_hz).collect();
    let density = background.at(&frequency_hz);
    density.iter().zip(&frequency_hz).map(|(s, f)| energy * s * deconvolver.power_gain(*f)).collect()
}

/// Half octaves of the band that is played at full level.
fn bands(excitation: &Excitation, rate: f64) -> Vec<(f64, f64)> {
    let (from_hz, to_hz) = excitation.inner_band_hz(rate);
    let from_hz = from_hz.max(1.5 / AFTER_S);
    let count = ((to_hz / from_hz).log2() * BANDS_PER_OCTAVE).floor().max(1.0);
    let edge = |i: f64| from_hz * (to_hz / from_hz).powf(i / count);
    (0..count as usize).map(|i| (edge(i as f64), edge(i as f64 + 1.0))).collect()
}

/// How much later a band is than another.
#[derive(Debug, Clone, Copy)]
struct Delay {
    delay_s: f64,
    /// One standard deviation of it.
    sigma_s: f64,
    /// How the phases scatter about it, in radians.
    scatter: f64,
    /// The power of the weaker one over that of its noise.
    over_noise: f64,
    /// The power of both as a share of that in the strongest band.
    of_strongest: f64,
}

impl Delay {
    /// How much later the first is than the second.
    fn seen_from_the_other(self) -> Self {
        Self { delay_s: -self.delay_s, ..self }
    }

    fn is_believed(&self) -> bool {
        self.scatter < MOST_SCATTER && self.over_noise > OVER_NOISE && self.of_strongest > OF_STRONGEST
    }
}

/// How much later a spectrum is than another in each band, each with the power of its noise; nothing where they have too
/// little in common.
///
/// The delay is where the inverse transform of the cross spectrum peaks, then the slope of
/// its phase, each bin weighted by its power: both went through the same car, so that the phase at zero is zero.
fn delays(
    (first, first_noise): (&[Complex64], &[f64]),
    (second, second_noise): (&[Complex64], &[f64]),
    bin_hz: f64,
    bands: &[(f64, f64)],
) -> Vec<Option<Delay>> {
    let n = 2 * (first.len() - 1);
    let bins = |&(from_hz, to_hz): &(f64, f64)| {
        ((from_hz / bin_hz).ceil() as usize)..=((to_hz / bin_hz) as usize).min(first.len() - 1)
    };
    let power = |band: &(f64, f64)| -> f64 {
        let inside = bins(band);
        let count = inside.clone().count().max(1) as f64;
        inside.map(|k| (first[k].norm_sqr() * second[k].norm_sqr()).sqrt()).sum::<f64>() / count
    };
    let powers: Vec<f64> = bands.iter().map(power).collect();
    let strongest = powers.iter().copied().fold(f64::MIN_POSITIVE, f64::max);
    bands
        .iter()
        .zip(powers)
        .map(|(band @ &(from_hz, to_hz), power)| {
            let inside = bins(band);
            let mut cross = vec![Complex64::default(); first.len()];
            for k in inside.clone() {
                cross[k] = first[k].conj() * second[k];
            }
            let (first_bin, used) = (*inside.start(), cross[inside.clone()].to_vec());
            let weights: Vec<f64> = used.iter().map(|x| x.norm_sqr().sqrt()).collect();
            if weights.iter().filter(|weight| **weight > 0.0).count() < 4 {
                return None;
            }
            let omegas: Vec<f64> = inside.clone().map(|k| 2.0 * PI * bin_hz * k as f64).collect();
            let over_noise = |bins: &[Complex64], noise: &[f64]| {
                let power: f64 = bins[inside.clone()].iter().map(Complex64::norm_sqr).sum();
                power / noise[inside.clone()].iter().sum::<f64>().max(f64::MIN_POSITIVE)
            };
            let (first_over, second_over) =
                (over_noise(first, first_noise), over_noise(second, second_noise));
            let correlation = irfft(cross, n);
            let highest = (0..n).max_by(|&a, &b| correlation[a].total_cmp(&correlation[b]))?;
            let lag = if highest > n / 2 { highest as f64 - n as f64 } else { highest as f64 };
            let about_s = lag / (n as f64 * bin_hz);
            let mut delay_s = finest(&used, (first_bin, bin_hz), about_s, 2.0 / (from_hz + to_hz));
            let sum: f64 = weights.iter().sum();
            let squares: f64 = omegas.iter().zip(&weights).map(|(omega, w)| w * omega * omega).sum();
            let phases = |delay_s: f64| -> Vec<f64> {
                turned(&used, first_bin, 2.0 * PI * bin_hz * delay_s).iter().map(|x| x.arg()).collect()
            };
            for _ in 0..4 {
                let weighted = phases(delay_s).into_iter().zip(&omegas).zip(&weights);
                let slope: f64 = weighted.map(|((p, omega), w)| w * omega * p).sum();
                delay_s -= slope / squares;
                if (slope / squares).abs() < SETTLED_S {
                    break;
                }
            }
            let left = phases(delay_s);
            let scatter = (left.iter().zip(&weights).map(|(p, w)| w * p * p).sum::<f64>() / sum).sqrt();
            // The transform is twice as long as what it is of: two bins say one thing.
            let spread: f64 = omegas.iter().zip(&weights).map(|(omega, w)| (w * omega).powi(2)).sum();
            // What noise turns the phases by, of which a band that is narrow shows but a part.
            let turned = (0.5 / first_over + 0.5 / second_over).sqrt();
            let noise = scatter.max(turned) * (2.0 * spread).sqrt() / squares;
            let floor = PHASE_FLOOR / (PI * (from_hz + to_hz));
            let (over_noise, of_strongest) = (first_over.min(second_over), power / strongest);
            Some(Delay { delay_s, sigma_s: noise.hypot(floor), scatter, over_noise, of_strongest })
        })
        .collect()
}

/// Where the cross spectrum of a band has its peak, near a moment that is known to about a sample. Between
/// two samples of the highest band lies a third of a period: on them alone the peak a period
/// beside the right one may look higher.
fn finest(used: &[Complex64], (first_bin, bin_hz): (usize, f64), about_s: f64, period_s: f64) -> f64 {
    const STEPS_PER_PERIOD: f64 = 8.0;
    const PERIODS: f64 = 2.5;
    let step_s = period_s / STEPS_PER_PERIOD;
    let first_s = about_s - PERIODS * period_s;
    let angle = |time_s: f64| 2.0 * PI * bin_hz * time_s;
    let steps = turned(&vec![Complex64::ONE; used.len()], first_bin, angle(step_s));
    let mut turned = turned(used, first_bin, angle(first_s));
    let mut best = (f64::NEG_INFINITY, about_s);
    for index in 0..=(2.0 * PERIODS * STEPS_PER_PERIOD) as usize {
        let height = sum_and_turn(&mut turned, &steps);
        if height > best.0 {
            best = (height, first_s + index as f64 * step_s);
        }
    }
    best.1
}

/// The real part of a sum, of which each part is then turned; in lanes, so that no addition waits for its neighbour's.
fn sum_and_turn(parts: &mut [Complex64], steps: &[Complex64]) -> f64 {
    const LANES: usize = 8;
    let mut sums = [0.0; LANES];
    for (parts, steps) in parts.chunks_mut(LANES).zip(steps.chunks(LANES)) {
        for ((sum, part), step) in sums.iter_mut().zip(parts).zip(steps) {
            *sum += part.re;
            *part *= step;
        }
    }
    sums.into_iter().sum()
}

/// How late each band of an impulse response comes: the mean of the group delay, weighted by
/// power; nothing where a band is empty.
fn centroids(spectrum: &[Complex64], bin_hz: f64, bands: &[(f64, f64)]) -> Vec<Option<f64>> {
    bands
        .iter()
        .map(|&(from_hz, to_hz)| {
            let bins = ((from_hz / bin_hz).ceil() as usize).max(1)
                ..((to_hz / bin_hz) as usize).min(spectrum.len() - 1);
            // The phase from bin to bin, added up as vectors so that the strong ones count.
            let sum: Complex64 = bins.map(|k| spectrum[k].conj() * spectrum[k + 1]).sum();
            (sum.norm() > 0.0).then(|| -sum.arg() / (2.0 * PI * bin_hz))
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: the delay itself is put in, for every band and every fraction of a sample. Found with a sweep of which
    /// half a sample was taken for four, a period beside it, in the highest band.
    #[test]
    fn a_delay_of_any_fraction_of_a_sample_is_found_in_every_band_and_not_a_period_beside_it() {
        let (rate, frames) = (48_000.0, 16_384);
        let bin_hz = rate / f64::from(frames);
        let bands: Vec<(f64, f64)> = (0..17)
            .map(|i| 40.0 * 2f64.powf(f64::from(i) / 2.0))
            .map(|from_hz| (from_hz, from_hz * 2f64.sqrt()))
            .collect();
        let level = vec![Complex64::new(1.0, 0.0); frames as usize / 2 + 1];
        for tenth in -60..60 {
            let frames = f64::from(tenth) / 10.0;
            let later = |k: usize| Complex64::cis(-2.0 * PI * k as f64 * bin_hz * frames / rate);
            let delayed: Vec<Complex64> = (0..level.len()).map(later).collect();
            let none = vec![0.0; level.len()];
            for (band, found) in bands.iter().zip(delays((&level, &none), (&delayed, &none), bin_hz, &bands))
            {
                let Delay { delay_s: found_s, .. } = found.expect("both are the same but for the delay");
                assert!((found_s * rate - frames).abs() < 1e-6, "{frames} in {band:?}: {}", found_s * rate);
            }
        }
    }
}
