//! Curves that look like those of a car, made of a few bumps.

use std::sync::Arc;

use chart::{Area, Axis, Chart, Dash, Handle, HandleId, Line, Mark, Point, Role, Scale};

/// A bump: middle in Hz, height in dB, width in octaves.
type Bump = (f64, f64, f64);

/// The cabin before anything was done.
const CABIN: [Bump; 9] = [
    (45.0, 7.0, 0.5),
    (74.0, -13.0, 0.12),
    (125.0, 5.5, 0.3),
    (160.0, 4.5, 0.22),
    (300.0, -4.0, 0.4),
    (800.0, 3.0, 0.5),
    (2500.0, 5.0, 0.35),
    (6300.0, -3.5, 0.4),
    (11_000.0, 3.0, 0.3),
];

/// The bands that were found: middle, gain, Q.
pub(crate) const BANDS: [(f64, f64, f64); 6] = [
    (45.0, -6.0, 1.4),
    (125.0, -4.5, 2.8),
    (160.0, -3.5, 3.2),
    (315.0, 2.5, 1.8),
    (2500.0, -4.5, 2.0),
    (10_000.0, -2.5, 2.2),
];

pub(crate) fn level_axis(from: f64, to: f64) -> Axis {
    Axis { label: "Level".into(), unit: "dB".into(), scale: Scale::Linear, from, to }
}

fn bumps(bumps: &[Bump], hz: f64) -> f64 {
    bumps
        .iter()
        .map(|&(middle, height, width)| height * (-((hz / middle).log2() / width).powi(2)).exp())
        .sum()
}

/// Rises towards the bass, falls towards the treble.
fn target(hz: f64) -> f64 {
    let bass = 6.0 / (1.0 + (hz / 90.0).powi(2));
    bass - 0.9 * (hz / 1000.0).log2().max(-1.0)
}

fn roll_off(hz: f64) -> f64 {
    -10.0 * (1.0 + (24.0 / hz).powi(8)).log10() - 10.0 * (1.0 + (hz / 19_000.0).powi(8)).log10()
}

/// A little unevenness, the same every time.
fn grain(hz: f64, seed: f64) -> f64 {
    let octave = hz.log2();
    0.5 * (octave * 17.0 + seed).sin()
        + 0.35 * (octave * 41.0 + 2.0 * seed).sin()
        + 0.2 * (octave * 97.0).sin()
}

fn before(hz: f64) -> f64 {
    target(hz) + bumps(&CABIN, hz) + roll_off(hz) + grain(hz, 1.0)
}

fn correction(hz: f64) -> f64 {
    BANDS.iter().map(|&(middle, gain, q)| gain / (1.0 + (q * 1.4 * (hz / middle).log2()).powi(2) * 4.0)).sum()
}

fn predicted(hz: f64) -> f64 {
    before(hz) + correction(hz)
}

fn after(hz: f64) -> f64 {
    predicted(hz) + grain(hz, 4.0) * 0.5
}

fn sampled(count: usize, value: impl Fn(f64) -> f64) -> Arc<[Point]> {
    (0..count)
        .map(|index| {
            let hz = 20.0 * 1000f64.powf(index as f64 / (count - 1) as f64);
            Point { x: hz, y: value(hz) }
        })
        .collect()
}

fn line(label: &str, role: Role, dash: Dash, value: impl Fn(f64) -> f64) -> Line {
    Line { label: label.into(), role, dash, points: sampled(2000, value), certainty: [].into() }
}

fn unsure(mut line: Line) -> Line {
    line.certainty = line
        .points
        .iter()
        .map(|point| {
            if point.x < 38.0 {
                0.2
            } else if point.x > 14_000.0 {
                0.45
            } else {
                1.0
            }
        })
        .collect();
    line
}

/// Before, after, prediction, target with tolerance, six handles, a remark.
pub(crate) fn tune_chart() -> Chart {
    Chart {
        title: "Average of 6 positions · 1/12 octave".into(),
        x: Axis::audio_frequency(),
        y: level_axis(-20.0, 15.0),
        areas: vec![Area {
            label: "Target ± 3 dB".into(),
            role: Role::Target,
            lower: sampled(240, |hz| target(hz) - 3.0),
            upper: sampled(240, |hz| target(hz) + 3.0),
        }],
        lines: vec![
            line("Target", Role::Target, Dash::Dotted, target),
            unsure(line("Before", Role::Before, Dash::Dashed, before)),
            line("Predicted", Role::Predicted, Dash::DashDot, predicted),
            unsure(line("After", Role::After, Dash::Solid, after)),
        ],
        handles: BANDS
            .iter()
            .enumerate()
            .map(|(band, &(x, gain, _))| Handle {
                id: HandleId::Band(band),
                at: Point { x, y: gain },
                least: Point { x: 20.0, y: -15.0 },
                greatest: Point { x: 20_000.0, y: 6.0 },
                label: (band + 1).to_string(),
                enabled: band != 3,
                selected: band == 1,
            })
            .collect(),
        marks: vec![Mark { x: 74.0, label: "cancellation, left alone".into() }],
    }
}

/// What of the target can be moved: what is written on it, where it lies.
pub(crate) const TARGET: [(HandleId, &str, f64, f64); 5] = [
    (HandleId::Shelf(0), "L", 90.0, 3.0),
    (HandleId::Point(0), "1", 300.0, 1.0),
    (HandleId::Point(1), "2", 1_000.0, 0.0),
    (HandleId::Point(2), "3", 2_500.0, -1.0),
    (HandleId::Point(3), "4", 10_000.0, -3.0),
];

/// The same chart while the target is edited; no point passes a neighbour.
pub(crate) fn target_chart() -> Chart {
    let mut chart = tune_chart();
    for line in &mut chart.lines {
        if line.role == Role::Target {
            line.dash = Dash::Solid;
        }
    }
    let hz = |index: usize| TARGET.get(index).map(|(_, _, hz, _)| *hz);
    let handle = |(index, &(id, label, x, _)): (usize, &(HandleId, &str, f64, f64))| Handle {
        id,
        at: Point { x, y: target(x) },
        least: Point { x: if index > 1 { TARGET[index - 1].2 * 1.02 } else { 20.0 }, y: -20.0 },
        greatest: Point { x: hz(index + 1).map_or(20_000.0, |next| next / 1.02), y: 12.0 },
        label: label.into(),
        enabled: true,
        selected: index == 0,
    };
    chart.handles = TARGET.iter().enumerate().map(handle).collect();
    chart
}

/// What is left between response and target.
pub(crate) fn residue() -> Line {
    line("After − target", Role::Difference, Dash::Solid, |hz| after(hz) - target(hz))
}

/// What a live spectrum looks like; another one for every tick.
pub(crate) fn live_spectrum(tick: u32) -> Line {
    let seed = f64::from(tick) * 0.7;
    line("Live", Role::Live, Dash::Solid, |hz| {
        after(hz) + 1.2 * (hz.log2() * 6.0 + seed).sin() + 0.8 * (hz.log2() * 13.0 - seed).sin() - 4.0
    })
}

/// Drivers over each other.
pub(crate) fn drivers() -> Chart {
    let driver = |label: &str, index: u8, dash, low: f64, high: f64| {
        line(label, Role::Series(index), dash, move |hz| {
            let edges =
                -10.0 * (1.0 + (low / hz).powi(4)).log10() - 10.0 * (1.0 + (hz / high).powi(4)).log10();
            edges + grain(hz, f64::from(index)) * 1.6
        })
    };
    Chart {
        title: "Each driver alone".into(),
        x: Axis::audio_frequency(),
        y: level_axis(-40.0, 10.0),
        areas: vec![],
        lines: vec![
            driver("Subwoofer", 0, Dash::Solid, 24.0, 110.0),
            driver("Left mid", 1, Dash::Dashed, 70.0, 3200.0),
            driver("Right mid", 2, Dash::Solid, 75.0, 3400.0),
            driver("Left tweeter", 3, Dash::Dashed, 2400.0, 19_000.0),
            driver("Right tweeter", 4, Dash::DashDot, 2500.0, 18_500.0),
        ],
        handles: vec![],
        marks: vec![Mark { x: 82.0, label: "rattle, right door".into() }],
    }
}

/// Second and third harmonic.
pub(crate) fn harmonics() -> Chart {
    let harmonic = |label: &str, index, dash, level: f64| {
        line(label, Role::Series(index), dash, move |hz| {
            level + 18.0 / (1.0 + (hz / 60.0).powi(2)) + 2.0 * grain(hz, level)
        })
    };
    Chart {
        title: "Harmonics under the sweep".into(),
        x: Axis::audio_frequency(),
        y: level_axis(-90.0, 0.0),
        areas: vec![],
        lines: vec![
            harmonic("2nd", 0, Dash::Solid, -52.0),
            harmonic("3rd", 1, Dash::Dashed, -60.0),
            line("Noise floor", Role::Noise, Dash::Dotted, |hz| -78.0 + grain(hz, 3.0)),
        ],
        handles: vec![],
        marks: vec![],
    }
}

/// The ladder of volume steps.
pub(crate) fn steps() -> Chart {
    let axis = |label: &str, unit: &str, from, to| Axis {
        label: label.into(),
        unit: unit.into(),
        scale: Scale::Linear,
        from,
        to,
    };
    let bar = |step: i32| {
        let x = f64::from(step);
        let volts = (4.1 * 10f64.powf((x - 34.0) * 0.045)).min(4.35);
        let points = [(x - 0.4, 0.0), (x - 0.4, volts), (x + 0.4, volts), (x + 0.4, 0.0)];
        Line {
            label: String::new(),
            role: if step <= 34 { Role::Clean } else { Role::Unclean },
            dash: Dash::Solid,
            points: points.map(|(x, y)| Point { x, y }).into(),
            certainty: [].into(),
        }
    };
    Chart {
        title: "Volume steps, front output, 1 kHz".into(),
        x: axis("Volume step", "", 19.5, 38.5),
        y: axis("Level", "V", 0.0, 5.0),
        areas: vec![],
        lines: (20..=36).map(bar).collect(),
        handles: vec![],
        marks: vec![Mark { x: 34.0, label: "last clean step: 34".into() }],
    }
}

/// Deviations in 31 bands, wider for a car that is farther from its target.
pub(crate) fn fingerprint(seed: u32, spread: f32) -> [Option<f32>; 31] {
    std::array::from_fn(|index| {
        let phase = index as f32 * 0.9 + seed as f32 * 1.7;
        let value = spread * (0.7 * phase.sin() + 0.3 * (phase * 2.3).cos());
        (index > 0 || seed.is_multiple_of(2)).then_some(value)
    })
}
