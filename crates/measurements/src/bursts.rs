//! `bursts`: level, lateness and ringing at each octave, from short bursts.

use std::f64::consts::PI;

use dsp::fft::Complex64;
use dsp::response::{db, power_db};
use dsp::statistics::{median, robust_deviation};
use dsp::window::Window;
use measure::{Cell, Finding, Manifest, Reading, Signal, Start, Stimulus, StimulusWanted, Table};

use crate::find::not_found;
use crate::recognise::recognise;
use crate::signals::{timeline, track};
use crate::tape::{Tape, Tops, tops};
use crate::taped::{Analyse, Taped};

/// The measurement `bursts`.
///
/// Each burst is compared with a Hann-weighted cosine of its own length and frequency,
/// moved past it in small steps. The highest point says how loud and how late it is, and
/// what follows says how long it rings. The clocks are compared within each group of bursts
/// of one frequency, so that a low frequency that comes late is not taken for a clock.
///
/// References: matched filter (Turin, IRE Trans. IT-6, 1960); for a raised-cosine burst
/// the highest correlation is 3/4 of its peak (∫w²/∫w). Accuracy:
/// `a_wire_is_level_and_on_time` and `a_resonance_rings`.
pub(crate) type BurstsMeasurement = Taped<Running>;

#[derive(Debug)]
pub(crate) struct Running {
    stimulus: Stimulus,
    groups: Vec<Group>,
    tape: Tape,
}

/// The bursts of one frequency.
#[derive(Debug, Clone, PartialEq)]
struct Group {
    frequency_hz: f64,
    span_s: f64,
    every_s: f64,
    /// The middle of each burst, from the track's beginning.
    middles_s: Vec<f64>,
}

/// What became of a group.
struct HeardGroup {
    amplitude: f64,
    /// The moment of each burst's middle, where it was heard.
    middles: Vec<(f64, f64)>,
    /// The largest part of a burst's power that there was before it.
    noise: f64,
    rings_s: Option<f64>,
}

/// One burst that was heard.
struct HeardBurst {
    middle_s: f64,
    amplitude: f64,
    /// The power before it, as a part of its own.
    noise: f64,
}

/// Samples that were lost or doubled.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Loss {
    /// Between two bursts, on the track's time.
    at_s: f64,
    /// How much later all is after it; negative where samples were lost.
    moved_s: f64,
    /// Between bursts of two frequencies, of which either may be late by itself.
    is_between_groups: bool,
}

/// How far a burst must stand out from what is just before it.
const STANDS_OUT_DB: f64 = 10.0;
/// How far it must have fallen to count as over.
const OVER_DB: f64 = 20.0;
/// How many steps a burst's length is moved past in.
const STEPS: f64 = 32.0;
/// The same where a group is looked for that is not where it should be, and how far it is looked for.
const COARSE_STEPS: f64 = 6.0;
const FARTHEST_S: f64 = 1.2;
/// What a second farther off must be worth, in logarithms of power.
const NEARER: f64 = 3.0;
/// No driver comes later than another by more, with its processor; what does was recorded elsewhere.
const LATEST_S: f64 = 0.05;
/// Two bursts of one group that lie farther or nearer than played, by this part of a burst's length at least and
/// by so many standard deviations of what noise does, have lost or doubled samples between them.
const JUMPED: f64 = 0.03;
const CLEARLY: f64 = 6.0;
/// Noise as strong as a burst moves it by a part of its length; ten times that is no noise (tried on white noise).
const BY_NOISE: f64 = 1.5;

impl Analyse for Running {
    const ID: &'static str = "bursts";
    const VERSION: u32 = 1;

    fn manifest() -> Manifest {
        Manifest {
            id: Self::ID.to_owned(),
            title: "Bursts".to_owned(),
            version: Self::VERSION,
            summary: "How loud, how late and how long short bursts an octave apart are heard: what plays at all, what comes late, \
                      and what rings on."
                .to_owned(),
            channels: 1,
            needs_reference: false,
            stimulus: StimulusWanted::Known(track("bursts").unwrap_or_default()),
            parameters: Vec::new(),
        }
    }

    fn prepare(start: &Start) -> Result<Self, Finding> {
        let stimulus = start.stimulus.clone().ok_or_else(|| {
            Finding::stop(
                "stimulus-missing",
                "Bursts are compared with those that were played. Name the track.",
            )
        })?;
        let groups: Vec<Group> = timeline(&stimulus)
            .filter_map(|(start_s, segment)| match segment.signal {
                Signal::Burst { frequency_hz, cycles, every_s } => {
                    let span_s = cycles / frequency_hz;
                    let count = (segment.duration_s / every_s + 1e-6).floor() as usize;
                    let middles_s = (0..count).map(|i| start_s + i as f64 * every_s + 0.5 * span_s).collect();
                    Some(Group { frequency_hz, span_s, every_s, middles_s })
                }
                _ => None,
            })
            .collect();
        if groups.is_empty() {
            let text = format!("The stimulus `{}` holds no bursts. Use the track `bursts`.", stimulus.name);
            return Err(Finding::stop("stimulus-unusable", text));
        }
        Ok(Self { stimulus, groups, tape: Tape::new(start)? })
    }

    fn tape(&self) -> &Tape {
        &self.tape
    }

    fn tape_mut(&mut self) -> &mut Tape {
        &mut self.tape
    }

    fn analyse(&self, reading: &mut Reading) -> Result<(), Finding> {
        let (samples, rate) = (&self.tape.samples, self.tape.sample_rate_hz);
        let name = &self.stimulus.name;
        if samples.iter().all(|x| x.abs() < 1e-6) {
            let text = "The recording is silent. Check the input, its gain and the cable.";
            return Err(Finding::stop("no-signal", text));
        }
        if tops(samples, rate) == Tops::AtFullScale {
            let text = "The recorder clipped: the waveform is flat at its full scale. Turn its input down and record again.";
            return Err(Finding::stop("clipped", text));
        }
        let place = recognise(samples, rate, std::slice::from_ref(&self.stimulus))
            .into_iter()
            .reduce(|a, b| if b.clearness > a.clearness { b } else { a })
            .ok_or_else(|| not_found(samples, rate, name))?;
        let stretch = (place.end_s - place.start_s) / self.stimulus.duration_s();
        let expected = |at_s: f64| place.start_s + at_s * stretch;
        let heard: Vec<Option<HeardGroup>> =
            self.groups.iter().map(|group| group.hear(samples, rate, expected)).collect();
        if heard.iter().all(Option::is_none) {
            return Err(not_found(samples, rate, name));
        }
        let stretch = stretch_of(&self.groups, &heard);
        let losses = losses(&self.groups, &heard, stretch);
        if let Some(finding) = lost(&losses, rate) {
            reading.finding(finding);
        }
        self.write(reading, &heard, stretch, &losses);
        Ok(())
    }
}

impl Running {
    fn write(&self, reading: &mut Reading, heard: &[Option<HeardGroup>], stretch: f64, losses: &[Loss]) {
        reading.value("clock_ppm", (stretch - 1.0) * 1e6);
        // How much later than played each is, but for what is common to all.
        let mut late_s: Vec<Option<f64>> = heard
            .iter()
            .map(|heard| {
                let late = |(at_s, middle_s): &(f64, f64)| {
                    let lost = losses.iter().filter(|loss| loss.at_s < *at_s);
                    middle_s - at_s * stretch - lost.map(|loss| loss.moved_s).sum::<f64>()
                };
                heard.as_ref().and_then(|heard| median(&heard.middles.iter().map(late).collect::<Vec<_>>()))
            })
            .collect();
        // Re the burst that lies nearest to 1 kHz.
        let off = |i: &usize| (self.groups[*i].frequency_hz / 1000.0).ln().abs();
        let reference =
            (0..self.groups.len()).filter(|i| heard[*i].is_some()).min_by(|a, b| off(a).total_cmp(&off(b)));
        let zero_s = reference.and_then(|i| late_s[i]).unwrap_or(0.0);
        if let Some(reference) = reference {
            let own_s = self.groups[reference].middles_s[0];
            for (late_s, group) in late_s.iter_mut().zip(&self.groups) {
                let (from_s, to_s) = (own_s.min(group.middles_s[0]), own_s.max(group.middles_s[0]));
                let unknown = |loss: &Loss| loss.is_between_groups && (from_s..to_s).contains(&loss.at_s);
                late_s.take_if(|_| losses.iter().any(unknown));
            }
        }
        let rows = self.groups.iter().zip(heard).zip(&late_s).map(|((group, heard), late_s)| {
            let number = |value: Option<f64>| value.map_or(Cell::Empty, Cell::Number);
            vec![
                Cell::Number(group.frequency_hz),
                Cell::Flag(heard.is_some()),
                number(heard.as_ref().map(|heard| db(heard.amplitude))),
                number(late_s.map(|late_s| late_s - zero_s)),
                number(heard.as_ref().and_then(|heard| heard.rings_s)),
            ]
        });
        let columns =
            ["frequency_hz", "heard", "level_dbfs", "late_s", "rings_s"].map(str::to_owned).to_vec();
        reading.tables.insert("bursts".to_owned(), Table { columns, rows: rows.collect() });
        let played = self.groups.iter().zip(heard).filter(|(_, heard)| heard.is_some());
        let frequencies = || played.clone().map(|(group, _)| group.frequency_hz);
        reading.value("heard_from_hz", frequencies().fold(f64::INFINITY, f64::min));
        reading.value("heard_to_hz", frequencies().fold(0.0, f64::max));
        let rings = played.clone().filter_map(|(group, heard)| Some((group, heard.as_ref()?.rings_s?)));
        if let Some((group, rings_s)) = rings.reduce(|a, b| if b.1 > a.1 { b } else { a }) {
            reading.value("longest_ring_s", rings_s).value("longest_ring_hz", group.frequency_hz);
        }
    }
}

impl Group {
    fn hear(&self, samples: &[f32], rate: f64, expected: impl Fn(f64) -> f64) -> Option<HeardGroup> {
        if self.frequency_hz > 0.45 * rate {
            return None;
        }
        let in_place: Vec<Option<HeardBurst>> =
            self.middles_s.iter().map(|at_s| self.burst(samples, rate, expected(*at_s))).collect();
        let is_enough = |bursts: &[Option<HeardBurst>]| 2 * bursts.iter().flatten().count() > bursts.len();
        let bursts = if is_enough(&in_place) {
            in_place
        } else {
            let missing = self.middles_s.iter().zip(&in_place).filter(|(_, burst)| burst.is_none());
            let missing_s: Vec<f64> = missing.map(|(at_s, _)| expected(*at_s)).collect();
            let moved_s = self.displaced_s(samples, rate, &missing_s);
            // What was heard in its place may have been noise.
            let louder = |(at_s, burst): (&f64, Option<HeardBurst>)| {
                let other = self.burst(samples, rate, expected(*at_s) + moved_s);
                burst.into_iter().chain(other).max_by(|a, b| a.amplitude.total_cmp(&b.amplitude))
            };
            self.middles_s.iter().zip(in_place).map(louder).collect()
        };
        if !is_enough(&bursts) {
            return None;
        }
        // Up to where the next one begins to be felt.
        let after_s = (self.every_s - 1.1 * self.span_s - self.reach_s()).max(1.2 * self.span_s);
        let (mut middles, mut amplitudes, mut after) = (Vec::new(), Vec::new(), Vec::<f64>::new());
        let noise = bursts.iter().flatten().fold(0.0, |most: f64, burst| most.max(burst.noise));
        for (at_s, burst) in self.middles_s.iter().zip(bursts) {
            let Some(burst) = burst else { continue };
            middles.push((*at_s, burst.middle_s));
            amplitudes.push(burst.amplitude);
            let tail = self.powers(samples, rate, (burst.middle_s, burst.middle_s + after_s), STEPS);
            after.resize(tail.len(), 0.0);
            after.iter_mut().zip(&tail).for_each(|(sum, x)| *sum += x);
        }
        let over_s = over(&after).map(|steps| steps * self.step(rate, STEPS) / rate);
        let rings_s = over_s.map(|over_s| (over_s - self.own_s()).max(0.0));
        Some(HeardGroup { amplitude: median(&amplitudes).unwrap_or(0.0), middles, noise, rings_s })
    }

    /// How far from its moment a burst is looked for.
    fn reach_s(&self) -> f64 {
        0.02 + 0.15 * self.span_s
    }

    /// A part of the burst's length, in samples.
    fn step(&self, rate: f64, steps: f64) -> f64 {
        (self.span_s / steps * rate).max(1.0)
    }

    /// The squared amplitudes from one moment to another, in steps of a part of the burst's length.
    fn powers(&self, samples: &[f32], rate: f64, (from_s, to_s): (f64, f64), steps: f64) -> Vec<f64> {
        let step = self.step(rate, steps);
        let count = ((to_s - from_s) * rate / step) as usize;
        (0..count).map(|i| self.power(samples, rate, from_s * rate + i as f64 * step)).collect()
    }

    /// The burst that is heard about a moment; nothing where none stands out.
    fn burst(&self, samples: &[f32], rate: f64, about_s: f64) -> Option<HeardBurst> {
        let reach_s = self.reach_s();
        let near = self.powers(samples, rate, (about_s - reach_s, about_s + reach_s), STEPS);
        let highest = (0..near.len()).max_by(|a, b| near[*a].total_cmp(&near[*b]))?;
        let quiet_s = (about_s - self.span_s - reach_s - 0.05, about_s - self.span_s - reach_s);
        let before = self.powers(samples, rate, quiet_s, STEPS);
        let quiet = before.iter().sum::<f64>() / before.len().max(1) as f64;
        // What is highest at an end goes on beyond it: the burst lies farther off.
        let is_peak = highest > 0 && highest + 1 < near.len();
        if !is_peak || power_db(near[highest] / quiet.max(1e-20)) < STANDS_OUT_DB || near[highest] < 1e-12 {
            return None;
        }
        let place = highest as f64 + vertex(&near, highest);
        Some(HeardBurst {
            middle_s: about_s - reach_s + place * self.step(rate, STEPS) / rate,
            amplitude: 4.0 / 3.0 * near[highest].sqrt(),
            noise: quiet / near[highest],
        })
    }

    /// How much later than at these moments the bursts are heard best: samples may be lost before them.
    fn displaced_s(&self, samples: &[f32], rate: f64, moments_s: &[f64]) -> f64 {
        let mut sums: Vec<f64> = Vec::new();
        for moment_s in moments_s {
            let reach_s = (moment_s - FARTHEST_S, moment_s + FARTHEST_S);
            let powers = self.powers(samples, rate, reach_s, COARSE_STEPS);
            let usual = median(&powers).unwrap_or(0.0).max(1e-20);
            sums.resize(powers.len(), 0.0);
            // As logarithms, so that one door does not outweigh all bursts.
            sums.iter_mut().zip(&powers).for_each(|(sum, power)| *sum += (power / usual).ln_1p());
        }
        let moved_s = |index: usize| index as f64 * self.step(rate, COARSE_STEPS) / rate - FARTHEST_S;
        // Two bursts that are missing fit as well on the two beside them.
        let fit = |index: usize| sums[index] - NEARER * moved_s(index).abs();
        (0..sums.len()).max_by(|a, b| fit(*a).total_cmp(&fit(*b))).map_or(0.0, moved_s)
    }

    /// The squared amplitude of the burst's frequency around a position, under a window
    /// as long as the burst.
    fn power(&self, samples: &[f32], rate: f64, position: f64) -> f64 {
        let frames = ((self.span_s * rate) as usize).max(3);
        let first = (position - 0.5 * frames as f64).round();
        let turn = Complex64::cis(-2.0 * PI * self.frequency_hz / rate);
        let (mut sum, mut weight, mut phase) = (Complex64::default(), 0.0, Complex64::new(1.0, 0.0));
        for i in 0..frames {
            let w = Window::Hann.sample(i, frames);
            let index = first + i as f64;
            let x =
                if index < 0.0 { 0.0 } else { samples.get(index as usize).map_or(0.0, |x| f64::from(*x)) };
            sum += phase * (w * x);
            weight += w;
            phase *= turn;
        }
        (2.0 * sum / weight).norm_sqr()
    }

    /// How long after its middle a burst without any ringing has fallen that far.
    fn own_s(&self) -> f64 {
        let steps = 2 * STEPS as usize;
        let at = |i: usize| i as f64 / STEPS;
        let hann = |u: f64| if u.abs() < 0.5 { (PI * u).cos().powi(2) } else { 0.0 };
        let power: Vec<f64> = (0..steps)
            .map(|shift| {
                (0..steps).map(|i| hann(at(i) - 0.5) * hann(at(i) - 0.5 - at(shift))).sum::<f64>().powi(2)
            })
            .collect();
        over(&power).unwrap_or(0.0) / STEPS * self.span_s
    }
}

/// Where a falling power has come down for good, in steps; nothing when it does not.
fn over(power: &[f64]) -> Option<f64> {
    let enough = power.first()? * 10f64.powf(-OVER_DB / 10.0);
    let last = power.iter().rposition(|p| *p >= enough)?;
    let next = power.get(last + 1)?;
    Some(last as f64 + (power[last] / enough).ln() / (power[last] / next.max(1e-300)).ln())
}

/// How far the highest point lies from the highest of some values, by a parabola.
fn vertex(values: &[f64], highest: usize) -> f64 {
    let at = |i: usize| values.get(i).copied();
    match (highest.checked_sub(1).and_then(at), at(highest + 1)) {
        (Some(left), Some(right)) => {
            let bend = left - 2.0 * values[highest] + right;
            if bend < 0.0 { 0.5 * (left - right) / bend } else { 0.0 }
        }
        _ => 0.0,
    }
}

/// Recorder seconds in a second of the player: the median of the slopes between any two
/// bursts of one frequency, weighted by how exactly each is known. A door that was shut on
/// one of them has no part in it.
///
/// References: Theil 1950, Sen 1968 (weighted by the distance, Jaeckel 1972).
fn stretch_of(groups: &[Group], heard: &[Option<HeardGroup>]) -> f64 {
    let mut slopes: Vec<(f64, f64)> = Vec::new();
    for (group, heard) in groups.iter().zip(heard) {
        let middles = heard.as_ref().map_or(&[][..], |heard| &heard.middles);
        for (i, a) in middles.iter().enumerate() {
            for b in &middles[i + 1..] {
                slopes.push(((b.1 - a.1) / (b.0 - a.0), (b.0 - a.0) / group.span_s));
            }
        }
    }
    slopes.sort_by(|a, b| a.0.total_cmp(&b.0));
    let half = 0.5 * slopes.iter().map(|(_, weight)| weight).sum::<f64>();
    let mut sum = 0.0;
    let middle = slopes.iter().find(|(_, weight)| {
        sum += weight;
        sum >= half
    });
    middle.map_or(1.0, |(slope, _)| *slope)
}

/// Where samples were lost or doubled.
///
/// Bursts of one frequency are late alike, so that between two of them any loss shows that is more
/// than noise. Groups of two frequencies may be late by themselves, so that between them only what no car does shows.
fn losses(groups: &[Group], heard: &[Option<HeardGroup>], stretch: f64) -> Vec<Loss> {
    let heard: Vec<(&Group, &HeardGroup)> =
        groups.iter().zip(heard).filter_map(|(group, heard)| Some((group, heard.as_ref()?))).collect();
    let steps = |middles: &[(f64, f64)]| -> Vec<f64> {
        middles.windows(2).map(|pair| pair[1].1 - pair[0].1 - (pair[1].0 - pair[0].0) * stretch).collect()
    };
    let all: Vec<f64> = heard
        .iter()
        .flat_map(|(group, heard)| steps(&heard.middles).into_iter().map(|step_s| step_s / group.span_s))
        .collect();
    let enough = JUMPED.max(CLEARLY * robust_deviation(&all).unwrap_or(0.0));
    let mut losses = Vec::new();
    let mut last: Option<(f64, f64)> = None;
    for (group, heard) in heard {
        let late = |(at_s, middle_s): &(f64, f64)| middle_s - at_s * stretch;
        if let (Some((last_at_s, last_late_s)), Some(first)) = (last, heard.middles.first()) {
            let moved_s = late(first) - last_late_s;
            if moved_s.abs() > LATEST_S + 0.5 * group.span_s {
                let at_s = 0.5 * (last_at_s + first.0);
                losses.push(Loss { at_s, moved_s, is_between_groups: true });
            }
        }
        let steps = steps(&heard.middles);
        for (i, step_s) in steps.iter().enumerate() {
            // One burst that was drowned is off both of its neighbours, to and fro.
            let is_undone =
                |other: Option<&f64>| other.is_some_and(|other| other * step_s < -0.25 * step_s * step_s);
            let beside = [i.checked_sub(1).and_then(|i| steps.get(i)), steps.get(i + 1)];
            let enough = enough.max(BY_NOISE * heard.noise.sqrt());
            if step_s.abs() > enough * group.span_s && !beside.into_iter().any(is_undone) {
                let at_s = 0.5 * (heard.middles[i].0 + heard.middles[i + 1].0);
                let (before, after) = heard.middles.split_at(i + 1);
                let mean = |part: &[(f64, f64)]| part.iter().map(late).sum::<f64>() / part.len() as f64;
                losses.push(Loss { at_s, moved_s: mean(after) - mean(before), is_between_groups: false });
            }
        }
        last = heard.middles.last().map(|middle| (middle.0, late(middle)));
    }
    losses
}

/// What is to be said of that.
fn lost(losses: &[Loss], rate: f64) -> Option<Finding> {
    let largest = losses.iter().max_by(|a, b| a.moved_s.abs().total_cmp(&b.moved_s.abs()))?;
    let verb = if largest.moved_s < 0.0 { "were lost" } else { "are too many" };
    let then = if losses.iter().any(|loss| loss.is_between_groups) {
        "How late the bursts on the other side of that are is left out. Record again."
    } else {
        "What came after was moved by as much."
    };
    let text = format!(
        "About {:.0} samples {verb} {:.1} s after the track began ({:.2} ms), or something louder sounded there. {then}",
        (largest.moved_s.abs() * rate).max(1.0),
        largest.at_s,
        1e3 * largest.moved_s.abs()
    );
    Some(Finding::caution("samples-lost", text))
}

#[cfg(test)]
mod tests {
    use dsp::biquad::Biquad;
    use dsp::noise::WhiteNoise;
    use testkit::{at_most, near};

    use measure::{Block, Measurement};

    use super::*;
    use crate::signals::render;

    const RATE: f64 = 48_000.0;

    fn read(samples: &[f32]) -> Reading {
        let mut measurement = BurstsMeasurement::default();
        let start =
            Start { sample_rate_hz: RATE, channels: 1, stimulus: track("bursts"), ..Start::default() };
        measurement.start(&start).unwrap();
        measurement.feed(&Block { first_frame: 0, channels: &[samples], gap: false });
        let reading = measurement.finish();
        assert_eq!(reading.check(), Ok(()));
        reading
    }

    fn played(ppm: f64, mut change: impl FnMut(f64) -> f64) -> Vec<f32> {
        let mut noise = WhiteNoise::new(4);
        let track = render(&track("bursts").unwrap(), RATE * (1.0 + ppm * 1e-6));
        std::iter::repeat_n(0.0, 70_000)
            .chain(track)
            .chain(std::iter::repeat_n(0.0, 48_000))
            .map(|x: f32| (change(f64::from(x)) + 1e-4 * noise.sample()) as f32)
            .collect()
    }

    fn column(reading: &Reading, name: &str) -> Vec<Option<f64>> {
        let table = &reading.tables["bursts"];
        let index = table.columns.iter().position(|column| column == name).unwrap();
        let number = |cell: &Cell| if let Cell::Number(x) = cell { Some(*x) } else { None };
        table.rows.iter().map(|row| number(&row[index])).collect()
    }

    /// Source: analytic; half the gain, upside down, on another clock.
    #[test]
    fn a_wire_is_level_and_on_time() {
        let reading = read(&played(220.0, |x| -0.5 * x));
        assert_eq!(reading.stopped(), None);
        near("clock", reading.values["clock_ppm"], 220.0, 30.0);
        let levels = column(&reading, "level_dbfs");
        assert!(
            !reading.tables["bursts"].rows.iter().flatten().any(|cell| *cell == Cell::Empty),
            "{reading:?}"
        );
        for (i, (f, level)) in column(&reading, "frequency_hz").iter().zip(levels).enumerate() {
            let wanted = -6.02 + if f.unwrap() < 2_000.0 { -6.0 } else { -12.0 };
            near(&format!("level at {f:?}"), level.unwrap(), wanted, 0.3);
            let span_s = 6.5 / f.unwrap();
            let late_s = column(&reading, "late_s")[i].unwrap();
            near(&format!("lateness at {f:?}"), late_s, 0.0, 0.0005 + 0.01 * span_s);
            near(&format!("ring at {f:?}"), column(&reading, "rings_s")[i].unwrap(), 0.0, 0.05 * span_s);
        }
        near("lowest", reading.values["heard_from_hz"], 31.5, 1e-9);
        near("highest", reading.values["heard_to_hz"], 8_000.0, 1e-9);
    }

    /// Source: analytic; a resonance of quality Q falls by 20 dB in ln(10)·Q/(πf): 0.23 s
    /// for 20 at 63 Hz. A tweeter's high-pass takes the low bursts away.
    #[test]
    fn a_resonance_rings() {
        let mut resonance = Biquad::band_pass(RATE, 63.0, 20.0).unwrap();
        let reading = read(&played(0.0, |x| 0.03 * x + resonance.process(x)));
        near("frequency", reading.values["longest_ring_hz"], 63.0, 1e-9);
        near("time", reading.values["longest_ring_s"], 0.233, 0.05);
        let mut high: Vec<Biquad> = (0..3).map(|_| Biquad::high_pass(RATE, 3_000.0, 0.7).unwrap()).collect();
        let reading = read(&played(0.0, |x| high.iter_mut().fold(x, |x, filter| filter.process(x))));
        at_most("the lowest that was wanted", 500.0, reading.values["heard_from_hz"]);
        assert!(column(&reading, "level_dbfs")[0].is_none());
    }

    #[test]
    fn what_holds_no_bursts_is_refused() {
        let code =
            |reading: &Reading| reading.stopped().map(|finding| finding.code.clone()).unwrap_or_default();
        assert_eq!(code(&read(&vec![0.0; 100_000])), "no-signal");
        let sweep = read(&render(&track("sweep-high").unwrap(), RATE));
        assert_eq!(code(&sweep), "wrong-track");
        let mut measurement = BurstsMeasurement::default();
        let tone =
            Start { sample_rate_hz: RATE, channels: 1, stimulus: track("tone-1k"), ..Start::default() };
        assert_eq!(measurement.start(&tone).unwrap_err().code, "stimulus-unusable");
    }
}
