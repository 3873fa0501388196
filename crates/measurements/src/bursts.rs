//! `bursts`: level, lateness and ringing at each octave, from short bursts.

use std::f64::consts::PI;

use dsp::fft::Complex64;
use dsp::response::{db, power_db};
use dsp::statistics::median;
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
    rings_s: Option<f64>,
}

/// How far a burst must stand out from what is just before it.
const STANDS_OUT_DB: f64 = 10.0;
/// How far it must have fallen to count as over.
const OVER_DB: f64 = 20.0;
/// How many steps a burst's length is moved past in.
const STEPS: f64 = 32.0;

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
        self.write(reading, &heard);
        Ok(())
    }
}

impl Running {
    fn write(&self, reading: &mut Reading, heard: &[Option<HeardGroup>]) {
        let stretch = stretch_of(&self.groups, heard);
        reading.value("clock_ppm", (stretch - 1.0) * 1e6);
        // How much later than played each is, but for what is common to all.
        let late_s: Vec<Option<f64>> = heard
            .iter()
            .map(|heard| {
                let late = |(at_s, middle_s): &(f64, f64)| middle_s - at_s * stretch;
                heard.as_ref().and_then(|heard| median(&heard.middles.iter().map(late).collect::<Vec<_>>()))
            })
            .collect();
        // Re the burst that lies nearest to 1 kHz.
        let off = |i: &usize| (self.groups[*i].frequency_hz / 1000.0).ln().abs();
        let reference =
            (0..self.groups.len()).filter(|i| heard[*i].is_some()).min_by(|a, b| off(a).total_cmp(&off(b)));
        let zero_s = reference.and_then(|i| late_s[i]).unwrap_or(0.0);
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
        let step = (self.span_s / STEPS * rate).max(1.0);
        let reach = 0.02 + 0.15 * self.span_s;
        // Up to where the next one begins to be felt.
        let after_s = (self.every_s - 1.1 * self.span_s - reach).max(1.2 * self.span_s);
        let quiet_s = self.span_s + reach + 0.05;
        let powers = |middle_s: f64, from_s: f64, to_s: f64| -> Vec<f64> {
            let count = ((to_s - from_s) * rate / step) as usize;
            (0..count)
                .map(|i| self.power(samples, rate, (middle_s + from_s) * rate + i as f64 * step))
                .collect()
        };
        let (mut middles, mut amplitudes) = (Vec::new(), Vec::new());
        let mut after: Vec<f64> = Vec::new();
        for at_s in &self.middles_s {
            let middle_s = expected(*at_s);
            let near = powers(middle_s, -reach, reach);
            let Some(highest) = (0..near.len()).max_by(|a, b| near[*a].total_cmp(&near[*b])) else {
                continue;
            };
            let before = powers(middle_s, -quiet_s, -self.span_s - reach);
            let quiet = before.iter().sum::<f64>() / before.len().max(1) as f64;
            if power_db(near[highest] / quiet.max(1e-20)) < STANDS_OUT_DB || near[highest] < 1e-12 {
                continue;
            }
            let place = highest as f64 + vertex(&near, highest);
            let heard_s = middle_s - reach + place * step / rate;
            middles.push((*at_s, heard_s));
            amplitudes.push(4.0 / 3.0 * near[highest].sqrt());
            let tail = powers(heard_s, 0.0, after_s);
            after.resize(tail.len(), 0.0);
            after.iter_mut().zip(&tail).for_each(|(sum, x)| *sum += x);
        }
        let enough = 2 * middles.len() > self.middles_s.len();
        let own_s = self.own_s();
        let over_s = over(&after).map(|steps| steps * step / rate);
        let rings_s = over_s.map(|over_s| (over_s - own_s).max(0.0));
        enough.then(|| HeardGroup { amplitude: median(&amplitudes).unwrap_or(0.0), middles, rings_s })
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
