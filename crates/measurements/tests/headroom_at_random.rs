//! Sources left to chance, each climbed step by step: the clean step must be exact.

use std::f64::consts::PI;

use dsp::noise::WhiteNoise;
use measure::{Block, Cell, ParameterValue, Reading, Start};
use measurements::built_ins;

/// How many sources are tried; their seeds count from 0. `HEADROOM_SOURCES` tries more.
const SOURCES: u64 = 24;

/// How much of a rise beyond its limit a limiter lets through.
const HELD: f64 = 0.02;

/// What a source does with a sine that outgrows it.
#[derive(Debug, Clone, Copy)]
enum Shape {
    Hard,
    OneSided,
    /// Bent over from 70 % of its limit on.
    Soft,
    /// Turned down so that the peak stays at the limit.
    Limiter,
    Never,
}

#[derive(Debug)]
struct Source {
    rate: f64,
    tone_hz: f64,
    shape: Shape,
    /// The level of each step re the limit of the source, in dB.
    levels_db: Vec<f64>,
    seconds: Vec<f64>,
    /// The last clean step, counted from 0.
    clean: usize,
    first_step: i64,
    gain: f64,
    hum_hz: f64,
    hum: f64,
    noise: f64,
    /// Second harmonic that stands in a fixed ratio to the tone at any level.
    residual: f64,
    mute_s: f64,
    goes_down: bool,
}

fn shaped(shape: Shape, x: f64) -> f64 {
    match shape {
        Shape::Hard => x.clamp(-1.0, 1.0),
        Shape::OneSided => x.min(1.0),
        Shape::Soft if x.abs() > 0.7 => x.signum() * (0.7 + 0.3 * ((x.abs() - 0.7) / 0.3).tanh()),
        Shape::Soft | Shape::Limiter | Shape::Never => x,
    }
}

/// The distortion of a sine of this peak: the Fourier sum over one period.
fn thd(shape: Shape, peak: f64) -> f64 {
    let points = 4_096;
    let power = |order: u32| {
        let (mut re, mut im) = (0.0, 0.0);
        for n in 0..points {
            let turn = 2.0 * PI * f64::from(n) / f64::from(points);
            let y = shaped(shape, peak * turn.sin());
            re += y * (f64::from(order) * turn).cos();
            im += y * (f64::from(order) * turn).sin();
        }
        re * re + im * im
    };
    ((2..=20).map(power).sum::<f64>() / power(1)).sqrt()
}

impl Source {
    fn of(seed: u64) -> Self {
        let mut random = WhiteNoise::new(1_000 + seed);
        let mut pick = |low: f64, high: f64| low + (high - low) * random.uniform();
        let shape = [Shape::Hard, Shape::Hard, Shape::OneSided, Shape::Soft, Shape::Limiter, Shape::Never]
            [pick(0.0, 5.999) as usize];
        let tone_hz = [1_000.0, 40.0][pick(0.0, 1.999) as usize] * (1.0 + 1e-6 * pick(-300.0, 300.0));
        let even = pick(0.0, 1.0) < 0.5;
        let usual_db = pick(0.3, 3.0);
        let count = pick(9.0, 13.0) as usize;
        let clean = count - 1 - pick(1.0, 3.999) as usize;
        // A limiter is told by the even rise before it.
        let even = even || matches!(shape, Shape::Limiter);
        let gains: Vec<f64> = (1..count).map(|_| if even { usual_db } else { pick(0.3, 3.0) }).collect();
        let mut levels_db = vec![0.0];
        for gain in &gains {
            levels_db.push(levels_db[levels_db.len() - 1] + gain);
        }
        // The limit lies between the last clean step and the next, 0.1 dB or more from both.
        let next_gain = gains[clean];
        let below_db = match shape {
            // A limiter must swallow most of a step to be one.
            Shape::Limiter => pick(0.05, 0.3) * next_gain,
            _ => pick(0.02, next_gain - 0.12),
        };
        // One that never clips keeps its last step below it, so that the recorder does not clip either.
        let top = levels_db[if matches!(shape, Shape::Never) { count - 1 } else { clean }];
        let mut levels_db: Vec<f64> = levels_db.iter().map(|level| level - top - below_db).collect();
        if matches!(shape, Shape::Soft) {
            // Where 1 % lies between the two steps, not too near to either.
            let (mut low, mut high) = (-6.0, 6.0);
            for _ in 0..40 {
                let middle = 0.5 * (low + high);
                let over = thd(shape, 10f64.powf(middle / 20.0)) > 0.01;
                if over { high = middle } else { low = middle }
            }
            levels_db.iter_mut().for_each(|level| *level += low);
        }
        let seconds = (0..count)
            .map(|step| {
                if step > 1 && step + 1 < clean && pick(0.0, 1.0) < 0.08 {
                    pick(0.13, 0.2)
                } else {
                    pick(0.5, 1.0)
                }
            })
            .collect();
        Self {
            rate: [44_100.0, 48_000.0, 96_000.0][pick(0.0, 2.999) as usize],
            tone_hz,
            shape,
            levels_db,
            seconds,
            clean,
            first_step: pick(-20.0, 40.0) as i64,
            gain: pick(0.08, 0.6),
            hum_hz: [50.0, 60.0][pick(0.0, 1.999) as usize],
            hum: [0.0, 10f64.powf(pick(-70.0, -45.0) / 20.0)][pick(0.0, 1.999) as usize],
            noise: 10f64.powf(pick(-95.0, -75.0) / 20.0),
            residual: [0.0, pick(0.0005, 0.004)][pick(0.0, 1.999) as usize],
            mute_s: [0.0, 0.0, pick(0.03, 0.5)][pick(0.0, 2.999) as usize],
            goes_down: pick(0.0, 1.0) < 0.25,
        }
    }

    fn samples(&self, seed: u64) -> Vec<f32> {
        let mut noise = WhiteNoise::new(seed);
        let mut out: Vec<f32> = Vec::new();
        let mut push = |x: f64, out: &mut Vec<f32>| {
            let turn = 2.0 * PI * self.hum_hz * out.len() as f64 / self.rate;
            let hum = self.hum * (turn.sin() + 0.5 * (2.0 * turn + 1.0).sin());
            out.push((self.gain * (x + hum) + self.noise * noise.sample()).clamp(-1.0, 1.0) as f32);
        };
        (0..(0.4 * self.rate) as usize).for_each(|_| push(0.0, &mut out));
        let mut steps: Vec<(f64, f64)> =
            self.levels_db.iter().copied().zip(self.seconds.iter().copied()).collect();
        if self.goes_down {
            steps.extend([(self.levels_db[2], 0.6), (self.levels_db[1], 0.6)]);
        }
        for (level_db, seconds) in steps {
            let held = matches!(self.shape, Shape::Limiter) && level_db > 0.0;
            let amplitude =
                if held { 10f64.powf(0.02 * level_db / 20.0) } else { 10f64.powf(level_db / 20.0) };
            for _ in 0..(seconds * self.rate) as usize {
                let phase = 2.0 * PI * self.tone_hz * out.len() as f64 / self.rate;
                let shape = if matches!(self.shape, Shape::Never) { Shape::Never } else { self.shape };
                let fundamental = shaped(shape, amplitude * phase.sin());
                push(fundamental + amplitude.min(1.0) * self.residual * (2.0 * phase).sin(), &mut out);
            }
            (0..(self.mute_s * self.rate) as usize).for_each(|_| push(0.0, &mut out));
        }
        out
    }

    /// How much louder the first step that a limiter holds is than the one before.
    fn first_held_rise_db(&self) -> f64 {
        HELD * self.levels_db[self.clean + 1] - self.levels_db[self.clean]
    }

    fn reading(&self, seed: u64) -> Reading {
        let mut all = built_ins();
        let headroom = all.iter_mut().find(|one| one.manifest().id == "headroom").unwrap();
        let mut start = Start { sample_rate_hz: self.rate, channels: 1, ..Start::default() };
        start.parameters = headroom.manifest().defaults();
        start.parameters.set("first_step", ParameterValue::Number(self.first_step as f64));
        headroom.start(&start).unwrap();
        let mut first_frame = 0;
        for block in self.samples(seed).chunks(1_024) {
            headroom.feed(&Block { first_frame, channels: &[block], gap: false });
            first_frame += block.len() as u64;
        }
        headroom.finish()
    }
}

/// Source: the sources are made so that the last clean step is known: hard and one-sided
/// clipping begins between two steps; soft clipping passes 1 % THD (CTA-2006's criterion;
/// analytic Fourier sum) between them; a limiter begins to hold there; or nothing does.
/// Steps of 0.3 to 3 dB, even or not, some too quick to be judged, hum of 50 and 60 Hz,
/// fixed residual distortion of up to 0.4 %, mutes, going down again, any clock and rate.
#[test]
fn sources_left_to_chance_are_all_judged_exactly() {
    let count =
        std::env::var("HEADROOM_SOURCES").ok().and_then(|count| count.parse().ok()).unwrap_or(SOURCES);
    let mut wrong = Vec::new();
    for seed in 0..count {
        let source = Source::of(seed);
        let reading = source.reading(seed);
        let never = matches!(source.shape, Shape::Never);
        let last = source.levels_db.len() as i64 - 1;
        let clean = source.first_step + if never { last } else { source.clean as i64 };
        // A limiter that lets less than 0.05 dB through cannot be told from a volume that
        // was left alone: then the clean step is right and no other is named.
        let seen = !matches!(source.shape, Shape::Limiter) || source.first_held_rise_db() > 0.05;
        let wanted = (Some(clean as f64), (seen && !never).then_some(clean as f64 + 1.0));
        let got = |name: &str| reading.values.get(name).copied();
        if (got("clean_step"), got("first_clipped_step")) != wanted {
            let rows: Vec<String> = reading.tables["steps"]
                .rows
                .iter()
                .map(|row| match (&row[0], &row[2], &row[5], &row[6]) {
                    (Cell::Number(step), Cell::Number(level), Cell::Number(thd), Cell::Flag(clean)) => {
                        format!("{step}: {level:.2} dBFS {thd:.3} % {clean}")
                    }
                    other => format!("{other:?}"),
                })
                .collect();
            wrong.push(format!(
                "source {seed}: got {:?} wanted {wanted:?}\n{source:?}\n{rows:#?}\n{:?}",
                (got("clean_step"), got("first_clipped_step")),
                reading.findings
            ));
        }
    }
    assert!(wrong.is_empty(), "{} of {count} wrong:\n{}", wrong.len(), wrong.join("\n\n"));
}
