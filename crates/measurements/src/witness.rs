//! Whether the clock that two copies give is one: samples that were lost between them look the
//! same from outside.

use std::ops::Range;

use dsp::deconvolve::TimeWindow;
use dsp::fft::Complex64;
use dsp::statistics::{median, robust_deviation};
use dsp::sweep::Sweep;
use measure::Finding;

use crate::agreement::unlike;
use crate::background::Background;
use crate::clock::MOST_PPM;
use crate::copies::Copies;
use crate::delays::{
    AFTER_S, BANDS_PER_OCTAVE, BEFORE_S, Delay, as_found, bands, centroids, delays, noise, spectra,
};
use crate::excitation::Excitation;
use crate::marks::{Laid, MOST_MISFIT, Place, settled};
use crate::time_map::{Jump, Point, TimeMap, time_map, with_jump};

/// A whole number of samples is believed when it is known as exactly as this.
const SURELY_WHOLE: f64 = 0.15;

/// What turns the phase by less, in degrees, is too little to matter.
const TURNS_DEG: f64 = 45.0;

/// A clock that is off by less, in parts in a million, is too little to matter.
const SMALL_PPM: f64 = 20.0;

/// Clocks are within this of each other; what is more is not believed without a witness.
const USUAL_PPM: f64 = 320.0;

/// A loss is of one sample at the least: less than half of one, or than so many standard deviations of it, is none.
const A_LOSS: f64 = 0.5;
const DEVIATIONS: f64 = 4.0;

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
            let (copies, mut findings) = mended(copies, rate, background, &laid)?;
            // What was lost inside a mark or a copy makes them unlike, too.
            if findings.is_empty() {
                findings.extend(laid.uneven.map(level_control));
            }
            (copies, findings)
        }
        None => without_marks(copies, rate, background)?,
    };
    not_too_far_apart(&copies, MOST_PPM)?;
    Ok((copies, findings))
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

/// A copy inside which samples were lost, and the map of time without them.
struct Damage {
    copy: usize,
    at_hz: f64,
    /// How many came twice, or were lost (negative), where that can be told.
    frames: Option<f64>,
    map: TimeMap,
}

impl Laid {
    /// In which copy samples were lost, where the two are not alike inside: by a turn of so much, or somehow in a stretch.
    /// Nothing where no loss explains it.
    ///
    /// # Errors
    /// A finding where it may have been either.
    fn damage(
        &self,
        copies: &Copies<'_>,
        sweep: &Sweep,
        turn: Option<&Turn>,
        stretch: Option<&Range<f64>>,
    ) -> Result<Option<Damage>, Finding> {
        let last = copies.count() - 1;
        let at_ends = stretch.iter().flat_map(|stretch| [(stretch.start, None), (stretch.end, None)]);
        let moments: Vec<(f64, Option<f64>)> =
            turn.iter().map(|turn| (turn.at_s, Some(turn.frames))).chain(at_ends).collect();
        let best_in = |copy: usize| {
            let each = moments.iter().filter_map(|&(at_s, later)| {
                // What is late in the last copy came early in the first.
                let frames = later.map(|later| if copy == 0 { -later } else { later });
                self.lost_in(copy, (copies, sweep), at_s, frames)
            });
            each.min_by(|a, b| a.map.misfit.total_cmp(&b.map.misfit))
        };
        match (best_in(0), best_in(last)) {
            (Some(first), Some(last)) if first.map.is_clearly_better_than(&last.map) => Ok(Some(first)),
            (Some(first), Some(last)) if last.map.is_clearly_better_than(&first.map) => Ok(Some(last)),
            (Some(one), Some(_)) => match one.frames {
                Some(frames) if !matters(frames, one.at_hz, copies) => Ok(None),
                frames => Err(in_one_of_two(frames, one.at_hz)),
            },
            (one, other) => match (one.or(other), turn) {
                (None, Some(turn)) if matters(turn.frames, turn.at_hz, copies) => {
                    Err(in_one_of_two(Some(turn.frames), turn.at_hz))
                }
                (damage, _) => Ok(damage),
            },
        }
    }

    /// The map of time if samples were lost at a moment of a copy; nothing where the points say that none were.
    fn lost_in(
        &self,
        copy: usize,
        (copies, sweep): (&Copies<'_>, &Sweep),
        at_s: f64,
        frames: Option<f64>,
    ) -> Option<Damage> {
        // What of a band lies before it, and what behind it, is laid over the marks as one.
        let reach_s = sweep.time_constant_s() * 2f64.ln() / BANDS_PER_OCTAVE;
        let is_whole = |place: &Place| match place {
            Place::Copy(_, middle_hz) => (sweep.time_of_s(*middle_hz) - at_s).abs() > reach_s,
            Place::Mark => true,
        };
        let kept = self.points.iter().zip(&self.places).filter(|(_, place)| is_whole(place));
        let points: Vec<Point> = kept.map(|(point, _)| *point).collect();
        let map = with_jump(&points, copies.excitation().starts_s[copy] + at_s, frames)?;
        let jump = map.jumps.first().copied();
        let is_one = match (frames, jump) {
            (Some(_), _) | (None, None) => true,
            (None, Some(jump)) => jump.frames.abs() > A_LOSS.max(DEVIATIONS * jump.sigma),
        };
        let frames = frames.or(jump.map(|jump| jump.frames));
        (is_one && map.misfit < MOST_MISFIT).then(|| Damage {
            copy,
            at_hz: sweep.instantaneous_hz(at_s),
            frames,
            map,
        })
    }
}

impl Damage {
    fn told(&self) -> Finding {
        let (copy, at_hz) = (["first", "second"][self.copy.min(1)], self.at_hz);
        let what = match self.frames {
            Some(frames) => {
                let (count, verb) = counted(frames);
                format!("Inside the {copy} copy of the sweep, near {at_hz:.0} Hz, {count} {verb}.")
            }
            None => format!(
                "The {copy} copy of the sweep is not where it should be from {at_hz:.0} Hz on: samples were lost or doubled \
                 inside it, or something louder sounded."
            ),
        };
        let text = format!(
            "{what} The other copy alone was used, so that there is no average and no repeatability. Record again if you can."
        );
        Finding::caution("samples-lost", text)
    }
}

/// What becomes of the copies when the map of time is known.
fn mended<'a>(
    mut copies: Copies<'a>,
    rate: f64,
    background: Option<&Background>,
    laid: &Laid,
) -> Result<(Copies<'a>, Vec<Finding>), Finding> {
    let Some(sweep) = copies.excitation().sweep(copies.rate_hz) else { return Ok((copies, Vec::new())) };
    let stretch = unlike(&copies, background);
    // Copies that are alike and lie on one line with all marks have lost nothing.
    let is_whole = stretch.is_none() && laid.map.jumps.is_empty() && laid.map.misfit < MOST_MISFIT;
    let between = if is_whole { None } else { Between::of(&copies, rate, background) };
    let turn = between.and_then(|between| between.turn(&sweep, rate));
    if let Some(damage) = laid.damage(&copies, &sweep, turn.as_ref(), stretch.as_ref())? {
        let one = copies.alone(1 - damage.copy.min(1), damage.map.rate_hz, rate);
        return Ok((one, vec![damage.told()]));
    }
    let Laid { map, places, .. } = laid;
    let copy_of = |place: &Place| match place {
        Place::Copy(copy, _) => Some(*copy),
        Place::Mark => None,
    };
    let is_inside = |jump: &Jump| match (places[jump.before - 1], places[jump.before]) {
        (Place::Copy(a, low_hz), Place::Copy(b, high_hz)) if a == b => {
            matters(jump.frames, (low_hz * high_hz).sqrt(), &copies)
        }
        _ => false,
    };
    if map.misfit > MOST_MISFIT || map.jumps.iter().any(is_inside) {
        not_too_far_apart(&copies, USUAL_PPM)?;
        copies.is_unconfirmed = true;
        let text = "The marks and the copies of the sweep do not lie on one clock: samples were lost in several places, a clock \
                    wanders, or the microphone moved. Phase and times are doubtful; record again.";
        return Ok((copies, vec![Finding::caution("clock-doubtful", text)]));
    }
    // What only the outermost marks say does not matter.
    let of_copies = |place: &Place| copy_of(place).is_some();
    let (first, last) = (places.iter().position(of_copies), places.iter().rposition(of_copies));
    let jumps: Vec<&Jump> =
        map.jumps.iter().filter(|jump| Some(jump.before) > first && Some(jump.before) <= last).collect();
    let frames: f64 = jumps.iter().map(|jump| jump.frames).sum();
    // What was lost is whole samples.
    if jumps.is_empty() || frames.abs() < A_LOSS {
        return Ok((copies, Vec::new()));
    }
    let sigma = jumps.iter().map(|jump| jump.sigma.powi(2)).sum::<f64>().sqrt();
    let is_sure = sigma < SURELY_WHOLE && (frames - frames.round()).abs() < 0.3;
    let last_of_first = places.iter().rposition(|place| copy_of(place) == Some(0));
    let first_of_last = places.iter().position(|place| copy_of(place).is_some_and(|copy| copy > 0));
    let is_between = |jump: &&Jump| Some(jump.before) > last_of_first && Some(jump.before) <= first_of_last;
    let clock_hz = if is_sure && jumps.iter().all(is_between) {
        (copies.distance() - frames.round()) / copies.excitation().spread_s()
    } else {
        map.rate_hz
    };
    let (count, verb) = counted(frames);
    let (about, by) = if is_sure { ("", String::new()) } else { ("about ", to_about(map)) };
    let text = format!(
        "Between the two copies of the sweep {about}{count} {verb} ({:.2} ms). The marks of the track show it, and it has \
         been set right{by}.",
        1e3 * frames.abs() / rate
    );
    Ok((copies.on_another_clock(clock_hz, rate), vec![Finding::caution("samples-lost", text)]))
}

/// How exactly marks of so low a band tell the clock.
fn to_about(map: &TimeMap) -> String {
    let unsure_ppm = 2e6 * map.rate_sigma_hz / map.rate_hz;
    if unsure_ppm < 1.0 { String::new() } else { format!(", to {unsure_ppm:.0} ppm of the clock") }
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

/// How much later the last copy is than the first in each half octave.
struct Between {
    bands: Vec<(f64, f64)>,
    later: Vec<Option<Delay>>,
    /// The spectrum of the first, and the width of its bins.
    first: Vec<Complex64>,
    bin_hz: f64,
}

/// From a moment of a sweep on, the last copy is later than the first by so many samples more.
struct Turn {
    at_s: f64,
    at_hz: f64,
    frames: f64,
}

impl Between {
    fn of(copies: &Copies<'_>, rate: f64, background: Option<&Background>) -> Option<Self> {
        let bands = bands(copies.excitation(), rate);
        let window = TimeWindow::half_faded(BEFORE_S, AFTER_S);
        let (mut each, bin_hz) = spectra(&as_found(copies, &window))?;
        let noise = noise(background, copies, &window, each[0].len(), bin_hz);
        let [first, .., last] = each.as_slice() else { return None };
        let later = delays((first, &noise), (last, &noise), bin_hz, &bands);
        Some(Self { bands, later, first: each.swap_remove(0), bin_hz })
    }

    /// When the sweep passes the middle of a band.
    fn middle_s(sweep: &Sweep, band: &(f64, f64)) -> f64 {
        sweep.time_of_s((band.0 * band.1).sqrt())
    }

    /// The largest of the steps in which the one copy becomes later.
    fn turn(&self, sweep: &Sweep, rate: f64) -> Option<Turn> {
        let points: Vec<Point> = (self.bands.iter().zip(&self.later))
            .filter_map(|(band, delay)| {
                let Delay { delay_s, sigma_s, .. } = delay.as_ref().filter(|delay| delay.is_believed())?;
                Some(Point {
                    at_s: Self::middle_s(sweep, band),
                    position: delay_s * rate,
                    sigma: sigma_s * rate,
                })
            })
            .collect();
        // What lies on no line with jumps is explained by none, and what noise may make is none.
        let map = time_map(&points, 2).filter(|map| map.misfit < MOST_MISFIT)?;
        let jumps =
            map.jumps.into_iter().filter(|jump| jump.frames.abs() > A_LOSS.max(DEVIATIONS * jump.sigma));
        let Jump { before, frames, .. } = jumps.max_by(|a, b| a.frames.abs().total_cmp(&b.frames.abs()))?;
        let at_s = 0.5 * (points[before - 1].at_s + points[before].at_s);
        Some(Turn { at_s, at_hz: sweep.instantaneous_hz(at_s), frames })
    }
}

/// Whether so many samples are too many to be overlooked where they were lost.
fn matters(frames: f64, at_hz: f64, copies: &Copies<'_>) -> bool {
    let seconds = frames.abs() / copies.rate_hz;
    360.0 * at_hz * seconds > TURNS_DEG || 1e6 * seconds / copies.excitation().spread_s() > SMALL_PPM
}

/// What is said of a loss of which nobody can tell in which copy it was.
fn in_one_of_two(frames: Option<f64>, at_hz: f64) -> Finding {
    let (count, verb) = frames.map_or_else(|| ("samples".to_owned(), "were lost or doubled"), counted);
    let text = format!(
        "Inside one of the two copies of the sweep, near {at_hz:.0} Hz, {count} {verb}. Close other programs, and record again."
    );
    Finding::stop("copies-apart", text)
}

/// What the two copies themselves tell, without marks.
fn without_marks<'a>(
    mut copies: Copies<'a>,
    rate: f64,
    background: Option<&Background>,
) -> Result<(Copies<'a>, Vec<Finding>), Finding> {
    let excitation = copies.excitation();
    let between = Between::of(&copies, rate, background);
    let (Some(sweep), Some(between)) = (excitation.sweep(copies.rate_hz), between) else {
        return Ok((copies, Vec::new()));
    };
    if let Some(Turn { at_hz, frames, .. }) = between.turn(&sweep, rate)
        && matters(frames, at_hz, &copies)
    {
        return Err(in_one_of_two(Some(frames), at_hz));
    }
    // How late each band comes, an octave after the other.
    let Between { bands, later, first, bin_hz } = &between;
    let late: Vec<(f64, f64)> = bands
        .iter()
        .zip(centroids(first, *bin_hz, bands))
        .zip(later)
        .filter(|(_, delay)| delay.as_ref().is_some_and(Delay::is_believed))
        .filter_map(|((band, late_s), _)| Some((Between::middle_s(&sweep, band), late_s?)))
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
