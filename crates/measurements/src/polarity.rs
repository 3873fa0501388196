//! `polarity`: which way an output or a driver moves first, from pulses or a sweep.

use dsp::correlate::cross_correlate;
use dsp::crossover::{Family, high_pass, low_pass};
use dsp::deconvolve::TimeWindow;
use dsp::statistics::median;
use measure::{Finding, Manifest, Reading, Start, Stimulus, StimulusWanted};

use crate::background::Background;
use crate::copies::Copies;
use crate::excitation::Excitation;
use crate::find::{located, not_found, silences};
use crate::half_wave;
use crate::heard::playing_band;
use crate::recognise::recognise;
use crate::signals::track;
use crate::tape::{Tape, Tops, tops};
use crate::taped::{Analyse, Taped};
use crate::time_map::{Point, time_map};
use crate::witness::{believed, lost_between_pulses};

/// How much before and after each pulse is used: less than the shortest pace.
const BEFORE_S: f64 = 0.08;
const AFTER_S: f64 = 0.2;
/// How far a pulse may be from where the recogniser expects it.
const REACH_S: f64 = 0.03;
/// How alike two pulses must be (correlation): one on which a door is shut is left out.
const ALIKE: f64 = 0.5;
/// The fewest pulses that are enough.
const FEWEST: usize = 8;

/// The measurement `polarity`.
///
/// All pulses of the recording are laid on top of each other on the player's clock and
/// averaged, which takes 16 dB off the noise for 40 of them; the mean is divided by the
/// pulse that was played, and the first half-wave of what is left says which way the
/// output moved (see [`half_wave::write`]). With a sweep track the two sweeps are used.
///
/// Accuracy: `drivers_are_told_by_pulses`.
pub(crate) type PolarityMeasurement = Taped<Running>;

#[derive(Debug)]
pub(crate) struct Running {
    stimulus: Stimulus,
    excitation: Excitation,
    pulses: bool,
    tape: Tape,
}

impl Analyse for Running {
    const ID: &'static str = "polarity";
    const VERSION: u32 = 1;

    fn manifest() -> Manifest {
        Manifest {
            id: Self::ID.to_owned(),
            title: "Polarity".to_owned(),
            version: Self::VERSION,
            summary: "Which way an output or a driver moves first, and how surely that is told. From the track of pulses, or \
                      from any sweep track; for a tweeter use its sweep."
                .to_owned(),
            channels: 1,
            needs_reference: false,
            stimulus: StimulusWanted::Known(track("polarity").unwrap_or_default()),
            parameters: Vec::new(),
        }
    }

    fn prepare(start: &Start) -> Result<Self, Finding> {
        let stimulus = start.stimulus.clone().ok_or_else(|| {
            let text =
                "Polarity is told from a known sound. Name the track that was played: `polarity` or a sweep.";
            Finding::stop("stimulus-missing", text)
        })?;
        let pulses = Excitation::pulses(&stimulus);
        let (pulses, excitation) = match pulses {
            Some(excitation) => (true, excitation),
            None => (false, Excitation::of(&stimulus)?),
        };
        Ok(Self { stimulus, excitation, pulses, tape: Tape::new(start)? })
    }

    fn tape(&self) -> &Tape {
        &self.tape
    }

    fn tape_mut(&mut self) -> &mut Tape {
        &mut self.tape
    }

    fn analyse(&self, reading: &mut Reading) -> Result<(), Finding> {
        let (samples, rate) = (&self.tape.samples, self.tape.sample_rate_hz);
        if tops(samples, rate) == Tops::AtFullScale {
            let text = "The recorder clipped: the waveform is flat at its full scale. Turn its input down and record again.";
            return Err(Finding::stop("clipped", text));
        }
        let (copies, positions) = if self.pulses {
            self.pulse_copies(reading)?
        } else {
            let positions = located(samples, rate, &self.stimulus.name, &self.excitation)?;
            let background = Background::of(&silences(samples, rate, &self.excitation, &positions), rate);
            let (copies, findings) =
                believed(samples, rate, &self.excitation, &positions, background.as_ref())?;
            findings.into_iter().for_each(|finding| {
                reading.finding(finding);
            });
            (copies, positions)
        };
        if let Some(ppm) = copies.clock_ppm {
            reading.value("clock_ppm", ppm);
        }
        let background = Background::of(&silences(samples, rate, &self.excitation, &positions), rate);
        let band = playing_band(&copies, background.as_ref(), rate)?;
        half_wave::write(reading, &copies, band);
        let impulse = copies.impulse(&mut copies.within(band));
        let part = impulse.windowed(copies.peak_s(&impulse), &TimeWindow::half_faded(0.03, 0.05));
        let time_s = (0..part.samples.len()).map(|i| part.start_s + i as f64 / copies.rate_hz).collect();
        reading.curve("impulse", [("time_s", time_s), ("value", part.samples)]);
        Ok(())
    }
}

impl Running {
    /// The pulses of the tape, each laid where the clock that they share puts it.
    fn pulse_copies(&self, reading: &mut Reading) -> Result<(Copies<'_>, Vec<usize>), Finding> {
        let (samples, rate) = (&self.tape.samples, self.tape.sample_rate_hz);
        let name = &self.stimulus.name;
        if samples.iter().all(|x| x.abs() < 1e-6) {
            let text = "The recording is silent. Check the input, its gain and the cable.";
            return Err(Finding::stop("no-signal", text));
        }
        let heard = recognise(samples, rate, std::slice::from_ref(&self.stimulus))
            .into_iter()
            .reduce(|a, b| if b.clearness > a.clearness { b } else { a })
            .ok_or_else(|| not_found(samples, rate, name))?;
        let stretch = (heard.end_s - heard.start_s) / self.stimulus.duration_s();
        let expected: Vec<f64> =
            self.excitation.starts_s.iter().map(|at_s| (heard.start_s + at_s * stretch) * rate).collect();
        let aligned = aligned(samples, rate, &expected, &self.excitation);
        if aligned.len() < FEWEST {
            let text = format!(
                "Only {} of the {} pulses of `{name}` can be used; the others are missing, or drowned by something else. Play the \
                 whole track again, and be quiet meanwhile.",
                aligned.len(),
                expected.len()
            );
            return Err(Finding::stop("cut", text));
        }
        reading.value("pulses", aligned.len() as f64);
        let points: Vec<(f64, f64)> =
            aligned.iter().map(|(i, position)| (self.excitation.starts_s[*i], *position)).collect();
        let (positions, clock_hz) = on_one_clock(&points, rate, reading);
        let whole = positions.iter().map(|position| position.round().max(0.0) as usize).collect();
        let spans_s = (BEFORE_S, AFTER_S);
        Ok((Copies::at(samples, rate, &self.excitation, &positions, clock_hz, spans_s), whole))
    }
}

/// Which pulses are there, and where each begins: each is laid over their mean.
fn aligned(samples: &[f32], rate: f64, expected: &[f64], excitation: &Excitation) -> Vec<(usize, f64)> {
    let top_hz = excitation.to_hz.min(0.45 * rate);
    let band = || {
        let mut band = high_pass(rate, Family::Butterworth, 2, excitation.from_hz).ok()?;
        band.append(low_pass(rate, Family::Butterworth, 4, top_hz).ok()?);
        Some(band)
    };
    let frames = |s: f64| (s * rate).round() as i64;
    let snippet = |position: f64, before_s: f64, after_s: f64| -> Option<Vec<f64>> {
        let first = position.round() as i64 - frames(before_s);
        let last = position.round() as i64 + frames(after_s);
        let part = samples.get(usize::try_from(first).ok()?..usize::try_from(last).ok()?)?;
        let mut part: Vec<f64> = part.iter().map(|x| f64::from(*x)).collect();
        let mean = part.iter().sum::<f64>() / part.len() as f64;
        part.iter_mut().for_each(|x| *x -= mean);
        band()?.process_in_place(&mut part);
        Some(part)
    };
    let parts: Vec<Option<Vec<f64>>> =
        expected.iter().map(|at| snippet(*at, REACH_S + 0.02, REACH_S + 0.12)).collect();
    let core = frames(REACH_S) as usize;
    // The pulse that is most like the typical one is the first template.
    let powers: Vec<f64> =
        parts.iter().map(|part| part.as_ref().map_or(0.0, |p| p.iter().map(|x| x * x).sum())).collect();
    let Some(typical) = median(&powers.iter().copied().filter(|p| *p > 0.0).collect::<Vec<_>>()) else {
        return Vec::new();
    };
    let first = (0..parts.len())
        .filter(|i| powers[*i] > 0.0)
        .min_by(|a, b| (powers[*a] - typical).abs().total_cmp(&(powers[*b] - typical).abs()));
    let Some(first) = first.and_then(|i| parts[i].as_ref()) else { return Vec::new() };
    let mut template = first[core..first.len() - core].to_vec();
    let mut found: Vec<(usize, f64)> = Vec::new();
    for _ in 0..2 {
        found.clear();
        let mut sum = vec![0.0; template.len()];
        for (index, part) in parts.iter().enumerate() {
            let Some(part) = part else { continue };
            let Some((lag, alike)) = best_lag(part, &template) else { continue };
            if alike < ALIKE {
                continue;
            }
            found.push((index, expected[index].round() + lag - core as f64));
            let whole = lag.round() as usize;
            for (sum, x) in sum.iter_mut().zip(part.get(whole..).unwrap_or(&[])) {
                *sum += x;
            }
        }
        if found.len() < 2 {
            break;
        }
        template = sum;
    }
    found
}

/// Where a template lies in a stretch, and how alike they are there.
fn best_lag(part: &[f64], template: &[f64]) -> Option<(f64, f64)> {
    let correlation = cross_correlate(part, template);
    let lags = &correlation[template.len() - 1..=part.len() - 1];
    let highest = (0..lags.len()).max_by(|a, b| lags[*a].total_cmp(&lags[*b]))?;
    let energy = |x: &[f64]| x.iter().map(|x| x * x).sum::<f64>();
    let both = energy(&part[highest..highest + template.len()]) * energy(template);
    // A parabola is enough: forty of them are averaged.
    let at = |i: usize| lags.get(i).copied().unwrap_or(f64::NAN);
    let (left, right) = (at(highest.wrapping_sub(1)), at(highest + 1));
    let bend = left - 2.0 * lags[highest] + right;
    let fine = if bend < 0.0 { 0.5 * (left - right) / bend } else { 0.0 };
    (both > 0.0).then(|| (highest as f64 + fine, lags[highest] / both.sqrt()))
}

/// How far a pulse may be from the line of the others, in standard deviations and in samples.
const STRAYS: f64 = 8.0;
const STRAY: f64 = 3.0;

/// Where each pulse lies by the clock that they share, and that clock. Samples that were lost
/// between two of them are told, and every pulse is taken where it was recorded.
fn on_one_clock(points: &[(f64, f64)], rate: f64, reading: &mut Reading) -> (Vec<f64>, f64) {
    // How far a pulse lies from the middle between its neighbours is what noise does to it.
    let bends: Vec<f64> = points
        .windows(3)
        .map(|three| {
            let part = (three[1].0 - three[0].0) / (three[2].0 - three[0].0);
            (three[1].1 - three[0].1 - part * (three[2].1 - three[0].1)).abs()
        })
        .collect();
    let sigma = (0.8 * median(&bends).unwrap_or(0.0)).max(0.05);
    let all: Vec<Point> = points.iter().map(|&(at_s, position)| Point { at_s, position, sigma }).collect();
    // A stray lies off both of its neighbours, and twice as far as they then seem to; where
    // samples were lost, two neighbours are off alike.
    let bend = |index: usize| index.checked_sub(1).and_then(|i| bends.get(i)).copied().unwrap_or(0.0);
    let is_stray = |index: &usize| {
        let beside = bend(index.saturating_sub(1)).max(bend(index + 1));
        bend(*index) > STRAYS * sigma && bend(*index) > 1.5 * beside
    };
    let kept: Vec<usize> = (0..all.len()).filter(|index| !is_stray(index)).collect();
    let Some(map) = time_map(&kept.iter().map(|i| all[*i]).collect::<Vec<Point>>(), 2) else {
        return (points.iter().map(|point| point.1).collect(), rate);
    };
    if let Some(finding) = lost_between_pulses(&map, rate) {
        reading.finding(finding);
    }
    let jumped = |index: usize| -> f64 {
        map.jumps.iter().filter(|jump| kept[jump.before] <= index).map(|jump| jump.frames).sum()
    };
    // By the line where it is near, so that noise has no part in it.
    let by_clock = |(index, point): (usize, &Point)| {
        let wanted = map.zero + map.rate_hz * point.at_s + jumped(index);
        if (point.position - wanted).abs() > STRAY.max(5.0 * sigma) { point.position } else { wanted }
    };
    (all.iter().enumerate().map(by_clock).collect(), map.rate_hz)
}

#[cfg(test)]
mod tests;
