//! The marks of a track and the copies of its sweep, laid over each other: when each was recorded.

use std::cmp::Ordering;
use std::f64::consts::PI;

use dsp::deconvolve::{ImpulseResponse, TimeWindow};
use dsp::fft::Complex64;
use dsp::response::power_db;
use dsp::turn::turned;

use crate::background::Background;
use crate::clock::is_a_clock;
use crate::copies::{Copies, LEAD_S};
use crate::delays::{AFTER_S, BEFORE_S, Delay, OVER_NOISE, as_found, bands, bins_of, delays, noise, spectra};
use crate::time_map::{Point, TimeMap, time_map};

/// A mark is elsewhere where there is so many times the energy that there is where it was expected.
const ELSEWHERE: f64 = 4.0;

/// What lies farther off than this, in standard deviations, is explained by no loss.
pub(crate) const MOST_MISFIT: f64 = 4.0;

/// How often the map is drawn anew at the most, and what it then moves by no more.
const ROUNDS: usize = 5;
const SETTLED_PPM: f64 = 1.0;

/// Marks and copies that differ by more than this, and by so many deviations of noise, were played at another gain.
/// Through anything linear they agree to 0.02 dB.
const UNEVEN_DB: f64 = 0.3;
const NOISE_DEVIATIONS: f64 = 3.0;
/// Noise of more than this part of a mark's power tells nothing.
const MOST_NOISE: f64 = 0.01;

/// A copy on its band, or a mark.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Place {
    Mark,
    /// The number of the copy, and the frequency.
    Copy(usize, f64),
}

/// Marks and copies laid over each other.
pub(crate) struct Laid {
    pub(crate) map: TimeMap,
    /// What it was drawn from, and what each of these is.
    pub(crate) points: Vec<Point>,
    pub(crate) places: Vec<Place>,
    /// Where the marks are most unlike the copies in level, beyond noise, and by how many dB.
    pub(crate) uneven: Option<(f64, f64)>,
}

/// The map of time on its own clock: what was played is rendered on a clock, and on one that is
/// off the bands of a copy spread so far that the high ones tell nothing. So each round
/// goes by the clock that the last one found: from that of the copies or, where samples were
/// lost between them, from that of one mark and the next, of which a loss spoils one pair, or from none.
pub(crate) fn settled(copies: &Copies<'_>, rate: f64, background: Option<&Background>) -> Option<Laid> {
    let mut best: Option<Laid> = None;
    let is_good = |best: &Option<Laid>| best.as_ref().is_some_and(|best| best.map.misfit < MOST_MISFIT);
    let round = |best: &mut Option<Laid>, clock_hz: f64, without: Option<usize>| -> Option<f64> {
        let laid = by_marks(&copies.on(clock_hz), rate, background, without)?;
        let next_hz = laid.map.rate_hz;
        if best.as_ref().is_none_or(|best| laid.map.misfit < best.map.misfit) {
            *best = Some(laid);
        }
        Some(next_hz)
    };
    let mut starts_hz = vec![rate, copies.rate_hz];
    let mut by_pairs = false;
    while let Some(mut clock_hz) = starts_hz.pop() {
        for _ in 0..ROUNDS {
            let Some(next_hz) = round(&mut best, clock_hz, None) else { break };
            let moved_ppm = 1e6 * (next_hz / clock_hz - 1.0).abs();
            clock_hz = next_hz;
            if moved_ppm < SETTLED_PPM {
                break;
            }
        }
        if is_good(&best) {
            return best;
        }
        if !by_pairs && let Some(best) = &best {
            by_pairs = true;
            starts_hz.extend(best.clocks_of_pairs_hz(rate));
        }
    }
    // A mark inside which samples were lost bends what all are laid over.
    for without in 0..copies.excitation().marks.as_ref()?.starts_s.len() {
        let mut clock_hz = best.as_ref()?.map.rate_hz;
        for _ in 0..2 {
            clock_hz = round(&mut best, clock_hz, Some(without)).unwrap_or(clock_hz);
        }
    }
    best
}

/// The map of time by the marks, or by all but one; nothing where they cannot be heard clearly enough.
fn by_marks(
    copies: &Copies<'_>,
    rate: f64,
    background: Option<&Background>,
    without: Option<usize>,
) -> Option<Laid> {
    let excitation = copies.excitation();
    let marks = excitation.marks.as_deref()?;
    let clock_hz = copies.rate_hz;
    let starts_s = &excitation.starts_s;
    // Each mark where the nearest copy says.
    let nearest = |time_s: f64| {
        let distance = |i: &usize| (starts_s[*i] - time_s).abs();
        (0..starts_s.len()).min_by(|a, b| distance(a).total_cmp(&distance(b))).unwrap_or(0)
    };
    let mut positions: Vec<f64> = marks
        .starts_s
        .iter()
        .map(|time_s| {
            let copy = nearest(*time_s);
            copies.begins(copy) + (time_s - starts_s[copy]) * clock_hz
        })
        .collect();
    let tail_s = 0.95 * marks.silence_after_s;
    let at =
        |positions: &[f64]| Copies::at(copies.samples(), rate, marks, positions, clock_hz, (LEAD_S, tail_s));
    let window = TimeWindow::half_faded(BEFORE_S, AFTER_S.min(tail_s));
    let mut all = at(&positions);
    let elsewhere: Vec<f64> =
        all.as_found().iter().map(|impulse| elsewhere_s(impulse, all.found_s(), &window, tail_s)).collect();
    if elsewhere.iter().any(|moved_s| *moved_s != 0.0) {
        positions.iter_mut().zip(elsewhere).for_each(|(position, moved_s)| *position += moved_s * clock_hz);
        all = at(&positions);
    }
    let (each_mark, bin_hz) = spectra(&all.parts(all.found_s(), &window))?;
    let mark_noise = noise(background, &all, &window, each_mark[0].len(), bin_hz);
    let (each_copy, _) = spectra(&as_found(copies, &window))?;
    let copy_noise = noise(background, copies, &window, each_copy[0].len(), bin_hz);
    let bands = bands(excitation, rate);
    // A mark is laid over another where it is heard.
    let is_heard = |band: &&(f64, f64)| {
        let inside = bins_of(band, bin_hz, mark_noise.len());
        let power: f64 =
            each_mark.iter().flat_map(|mark| &mark[inside.clone()]).map(Complex64::norm_sqr).sum();
        power > OVER_NOISE * each_mark.len() as f64 * mark_noise[inside].iter().sum::<f64>()
    };
    let heard = || bands.iter().filter(is_heard);
    let whole = [(heard().next()?.0, heard().next_back()?.1)];
    let between = |one: usize, other: usize| {
        let is_asked = without != Some(one) && without != Some(other);
        let (one, other) = (&each_mark[one], &each_mark[other]);
        let delays = || delays((one, &mark_noise), (other, &mark_noise), bin_hz, &whole);
        is_asked.then(|| delays()[0]).flatten().filter(Delay::is_believed)
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
    let (points, places): (Vec<Point>, Vec<Place>) = points.into_iter().unzip();
    time_map(&points, 1).map(|map| Laid { map, points, places, uneven })
}

/// How much later than expected a mark is heard, where that is clearly elsewhere: samples may have been lost between it and
/// the nearest copy.
fn elsewhere_s(impulse: &ImpulseResponse, found_s: f64, window: &TimeWindow, tail_s: f64) -> f64 {
    let reach = TimeWindow { left_s: LEAD_S, right_s: tail_s, left_fade_s: 0.0, right_fade_s: 0.0 };
    let all = impulse.windowed(found_s, &reach);
    let size = |i: &usize| all.samples[*i].abs();
    let highest = (0..all.samples.len()).max_by(|a, b| size(a).total_cmp(&size(b))).unwrap_or(0);
    let moved_s = all.start_s + highest as f64 / all.sample_rate_hz;
    let energy = |later_s: f64| -> f64 {
        impulse.windowed(found_s + later_s, window).samples.iter().map(|x| x * x).sum()
    };
    if energy(moved_s) > ELSEWHERE * energy(0.0) { moved_s } else { 0.0 }
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
    let differs = inner.iter().filter_map(|band @ &(from_hz, to_hz)| {
        let (mut of_marks, mut of_noise) = (0.0, 0.0);
        let mut of_copies = vec![0.0; copies.len()];
        for k in bins_of(band, bin_hz, marks[0].len()) {
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

impl Laid {
    /// The clock that each mark and the next give, where it is one.
    fn clocks_of_pairs_hz(&self, rate: f64) -> Vec<f64> {
        let marks = self.points.iter().zip(&self.places).filter(|(_, place)| **place == Place::Mark);
        let marks: Vec<&Point> = marks.map(|(point, _)| point).collect();
        let pairs = marks
            .windows(2)
            .map(|pair| (pair[1].position - pair[0].position) / (pair[1].at_s - pair[0].at_s));
        pairs.filter(|clock_hz| is_a_clock(*clock_hz, rate)).collect()
    }
}
