//! `rattle`: panel buzz, found from what sounds far above a slow sweep.

use dsp::fft::{Complex64, RealFft, fast_len};
use dsp::response::power_db;
use dsp::statistics::median;
use dsp::window::Window;
use measure::{Cell, Finding, Manifest, Parameter, Reading, Start, StimulusWanted, Table};

use crate::background::Background;
use crate::copies::Copies;
use crate::excitation::Excitation;
use crate::find::{located, silences};
use crate::signals::track;
use crate::tape::{Tape, Tops, tops};
use crate::taped::{Analyse, Taped};

/// Rattles are looked for from this harmonic of the sweep upward; what a driver
/// itself distorts lies below.
const LOWEST_ORDER: f64 = 10.0;
/// Nothing that buzzes is above this, and a sweep's own tenth harmonic should not be.
const HIGHEST_HZ: f64 = 16_000.0;
/// Half of an amplitude, in dB.
const HALF_DB: f64 = 6.0;
/// Frames per octave of the sweep.
const FRAMES_PER_OCTAVE: f64 = 48.0;

/// The measurement `rattle`.
///
/// While the sweep passes `f`, the power from `10·f` upward is compared with the
/// fundamental's: low-order distortion does not reach so far, a panel that hits
/// something does. The power that the background has there is taken off. A spot is
/// where the level stands 10 dB (parameter `above`) over its own median within an
/// octave to each side, so that a smooth rise of distortion raises no alarm, and
/// twice over the background.
///
/// References: the idea of high-order harmonics for rub and buzz is common practice,
/// no source. Accuracy: `a_seeded_buzz_is_named_within_five_hertz`,
/// `low_order_distortion_raises_no_alarm`.
pub(crate) type RattleMeasurement = Taped<Running>;

#[derive(Debug)]
pub(crate) struct Running {
    start: Start,
    excitation: Excitation,
    tape: Tape,
}

/// The level of what lies far above the sweep, over the sweep's frequency.
struct Profile {
    frequency_hz: Vec<f64>,
    /// Re the fundamental, the background taken off.
    level_db: Vec<f64>,
    /// Whether it is twice the background or more.
    clear: Vec<bool>,
}

/// A stretch of the sweep where something buzzes.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Spot {
    from_hz: f64,
    to_hz: f64,
    middle_hz: f64,
    level_db: f64,
}

impl Analyse for Running {
    const ID: &'static str = "rattle";
    const VERSION: u32 = 1;

    fn manifest() -> Manifest {
        Manifest {
            id: Self::ID.to_owned(),
            title: "Rattle".to_owned(),
            version: Self::VERSION,
            summary: "Where a panel buzzes: play a slow low sweep at working level, with the doors shut and the microphone in \
                      the cabin."
                .to_owned(),
            channels: 1,
            needs_reference: false,
            stimulus: StimulusWanted::Known(track("sweep-sub").unwrap_or_default()),
            parameters: vec![
                Parameter::number("above", "db", 10.0, (3.0, 40.0), "how far a spot stands over its surroundings"),
                Parameter::number("floor", "db", -75.0, (-120.0, -20.0), "what lies lower against the sweep is not a rattle"),
            ],
        }
    }

    fn prepare(start: &Start) -> Result<Self, Finding> {
        let stimulus = start.stimulus.as_ref().ok_or_else(|| {
            Finding::stop(
                "stimulus-missing",
                "A rattle is looked for under a known sweep. Name the track that was played.",
            )
        })?;
        let excitation = Excitation::of(stimulus)?;
        if excitation.sweep(start.sample_rate_hz).is_none() {
            let text = "A rattle is looked for under a sweep, and the stimulus holds none. Use `sweep-sub` or `sweep-mid`.";
            return Err(Finding::stop("stimulus-unusable", text));
        }
        Ok(Self { start: start.clone(), excitation, tape: Tape::new(start)? })
    }

    fn tape(&self) -> &Tape {
        &self.tape
    }

    fn tape_mut(&mut self) -> &mut Tape {
        &mut self.tape
    }

    fn analyse(&self, reading: &mut Reading) -> Result<(), Finding> {
        let rate = self.tape.sample_rate_hz;
        let samples = &self.tape.samples;
        let name = self.start.stimulus.as_ref().map_or("", |stimulus| &stimulus.name);
        let positions = located(samples, rate, name, &self.excitation)?;
        let copy = (self.excitation.duration_s * rate) as usize;
        for position in &positions {
            if tops(&samples[*position..(position + copy).min(samples.len())], rate) == Tops::AtFullScale {
                let text = "The recorder clipped, and clipping sounds like a rattle. Turn its input down and record again.";
                return Err(Finding::stop("clipped", text));
            }
        }
        let background = Background::of(&silences(samples, rate, &self.excitation, &positions), rate);
        if background.is_none() {
            let text = "There is no silence before or after the sweep, so the noise could not be measured.";
            reading.finding(Finding::caution("no-silence", text));
        }
        let copies = Copies::new(samples, rate, &self.excitation, &positions, background.as_ref());
        let profile = self.profile(&positions, copies.rate_hz, background.as_ref())?;
        let number = |name: &str, default: f64| self.start.parameters.number(name).unwrap_or(default);
        let spots = spots(&profile, number("above", 10.0), number("floor", -75.0));
        write(reading, &profile, &spots);
        Ok(())
    }
}

impl Running {
    /// The mean profile of all copies.
    fn profile(
        &self,
        positions: &[usize],
        clock_hz: f64,
        background: Option<&Background>,
    ) -> Result<Profile, Finding> {
        let rate = self.tape.sample_rate_hz;
        let unusable = || {
            let text = "The recording's rate is too low to hear what a rattle sounds like above this sweep.";
            Finding::stop("sample-rate", text)
        };
        let sweep = self.excitation.sweep(clock_hz).ok_or_else(unusable)?;
        let top = HIGHEST_HZ.min(0.45 * rate);
        // A third of an octave must be left to listen in.
        let highest = self.excitation.to_hz.min(top / LOWEST_ORDER / 1.26);
        let count = (FRAMES_PER_OCTAVE * (highest / self.excitation.from_hz).log2()).floor();
        if count < FRAMES_PER_OCTAVE / 3.0 {
            return Err(unusable());
        }
        let mut profile = Profile { frequency_hz: vec![], level_db: vec![], clear: vec![] };
        for i in 0..count as usize {
            let f = self.excitation.from_hz * ((i as f64 + 0.5) / FRAMES_PER_OCTAVE).exp2();
            // Eight periods, so that the window parts the tenth harmonic from the first.
            let n = fast_len((8.0 / f * rate) as usize);
            let mut frame = Frame::new(n, rate);
            let middle = sweep.time_of_s(f) * clock_hz;
            let (mut low, mut high, mut heard) = (0.0, 0.0, 0.0);
            for position in positions {
                let first = *position as i64 + middle as i64 - n as i64 / 2;
                if let Some((fundamental, above)) =
                    frame.powers(&self.tape.samples, first, (f / 1.3, f * 1.3), (LOWEST_ORDER * f, top))
                {
                    low += fundamental;
                    high += above;
                    heard += 1.0;
                }
            }
            if heard == 0.0 || low <= 0.0 {
                continue;
            }
            let noise =
                background.map_or(0.0, |background| background.between(LOWEST_ORDER * f, top)) * heard;
            profile.frequency_hz.push(f);
            profile.level_db.push(power_db((high - noise).max(1e-3 * noise).max(1e-14 * low) / low));
            profile.clear.push(high > 2.0 * noise);
        }
        if profile.frequency_hz.len() < 8 { Err(unusable()) } else { Ok(profile) }
    }
}

/// One windowed transform.
struct Frame {
    fft: RealFft,
    window: Vec<f64>,
    scale: f64,
    bin_hz: f64,
    time: Vec<f64>,
    spectrum: Vec<Complex64>,
}

impl Frame {
    fn new(n: usize, rate: f64) -> Self {
        let fft = RealFft::new(n);
        // Side lobes under −92 dB: the sweep itself must not reach into its tenth harmonic.
        let window = Window::BlackmanHarris4.fill(n);
        // Mean square from one side of the spectrum.
        let scale = 2.0 / (n as f64 * window.iter().map(|w| w * w).sum::<f64>());
        let spectrum = vec![Complex64::default(); fft.bins()];
        Self { fft, window, scale, bin_hz: rate / n as f64, time: vec![0.0; n], spectrum }
    }

    /// The mean squares in two bands of the frame that begins at `first`; nothing
    /// where the recording does not reach.
    fn powers(
        &mut self,
        samples: &[f32],
        first: i64,
        low: (f64, f64),
        high: (f64, f64),
    ) -> Option<(f64, f64)> {
        let first = usize::try_from(first).ok()?;
        let part = samples.get(first..first + self.time.len())?;
        for ((slot, x), w) in self.time.iter_mut().zip(part).zip(&self.window) {
            *slot = f64::from(*x) * w;
        }
        self.fft.forward(&mut self.time, &mut self.spectrum);
        let between = |band: (f64, f64)| {
            let bins = (band.0 / self.bin_hz).round() as usize..((band.1 / self.bin_hz).round() as usize + 1);
            self.spectrum[bins.start.min(self.spectrum.len())..bins.end.min(self.spectrum.len())]
                .iter()
                .map(|x| x.norm_sqr() * self.scale)
                .sum::<f64>()
        };
        Some((between(low), between(high)))
    }
}

/// The stretches that stand out.
fn spots(profile: &Profile, above_db: f64, floor_db: f64) -> Vec<Spot> {
    let count = profile.level_db.len();
    let reach = FRAMES_PER_OCTAVE as usize;
    let stands: Vec<bool> = (0..count)
        .map(|i| {
            let near = &profile.level_db[i.saturating_sub(reach)..(i + reach + 1).min(count)];
            let usual = median(near).unwrap_or(floor_db);
            profile.clear[i] && profile.level_db[i] > floor_db && profile.level_db[i] > usual + above_db
        })
        .collect();
    let mut spots = Vec::new();
    let mut i = 0;
    while i < count {
        if !stands[i] {
            i += 1;
            continue;
        }
        let first = i;
        // A frame or two may fall short within one and the same buzz.
        while i < count && stands[i..(i + 3).min(count)].contains(&true) {
            i += 1;
        }
        // A single frame is a knock from elsewhere, not a buzz.
        if i - first < 2 {
            continue;
        }
        // It reaches as far as half its amplitude: where it stands out no longer depends on how loud it is at best.
        let peak_db = (first..i).map(|k| profile.level_db[k]).fold(f64::MIN, f64::max);
        let belongs = |k: usize| profile.clear[k] && profile.level_db[k] >= peak_db - HALF_DB;
        let first = (0..first).rev().take_while(|k| belongs(*k)).last().unwrap_or(first);
        i = (i..count).take_while(|k| belongs(*k)).last().map_or(i, |last| last + 1);
        let range = first..i;
        let weight = |k: usize| 10f64.powf(profile.level_db[k] / 10.0);
        let total: f64 = range.clone().map(weight).sum();
        let middle = range.clone().map(|k| weight(k) * profile.frequency_hz[k].ln()).sum::<f64>() / total;
        spots.push(Spot {
            from_hz: profile.frequency_hz[range.start],
            to_hz: profile.frequency_hz[range.end - 1],
            middle_hz: middle.exp(),
            level_db: peak_db,
        });
    }
    spots.sort_by(|a, b| b.level_db.total_cmp(&a.level_db));
    spots
}

fn write(reading: &mut Reading, profile: &Profile, spots: &[Spot]) {
    reading.curve(
        "rattle",
        [("frequency_hz", profile.frequency_hz.clone()), ("level_db", profile.level_db.clone())],
    );
    let rows = spots
        .iter()
        .map(|spot| [spot.middle_hz, spot.from_hz, spot.to_hz, spot.level_db].map(Cell::Number).to_vec())
        .collect();
    let columns = ["frequency_hz", "from_hz", "to_hz", "level_db"].map(str::to_owned).to_vec();
    reading.tables.insert("spots".to_owned(), Table { columns, rows });
    match spots.first() {
        Some(worst) => {
            reading.value("worst_hz", worst.middle_hz).value("worst_db", worst.level_db);
            let text = format!(
                "Something buzzes between {:.0} and {:.0} Hz ({:.0} dB below the sweep). Play that stretch and lay a hand on the \
                 panels.",
                worst.from_hz, worst.to_hz, -worst.level_db
            );
            reading.finding(Finding::caution("rattle", text));
        }
        None => {
            reading.finding(Finding::note(
                "no-rattle",
                "Nothing buzzes above the harmonic distortion and the noise.",
            ));
        }
    }
}

#[cfg(test)]
mod tests {
    use dsp::noise::WhiteNoise;
    use testkit::near;

    use measure::{Block, Measurement};

    use super::*;
    use crate::signals::render;

    const RATE: f64 = 48_000.0;

    /// A recording of the sub sweep with 3 % of second and third harmonic, noise 60 dB
    /// below, and a buzz where it is wanted.
    fn recorded(buzz_db: Option<f64>) -> Vec<f32> {
        let stimulus = track("sweep-sub").unwrap();
        let excitation = Excitation::of(&stimulus).unwrap();
        let sweep = excitation.sweep(RATE).unwrap();
        let mut noise = WhiteNoise::new(21);
        let amplitude = excitation.peak();
        let clean = render(&stimulus, RATE);
        let buzz = |t: f64, noise: &mut WhiteNoise| {
            let Some(level_db) = buzz_db else { return 0.0 };
            excitation
                .starts_s
                .iter()
                .map(|start| t - start)
                .find(|t| (0.0..excitation.duration_s).contains(t))
                .map_or(0.0, |t| {
                    let f = sweep.instantaneous_hz(t);
                    // 2 ms of noise at the beginning of each cycle.
                    let into_cycle_s = sweep.phase(t) / (2.0 * std::f64::consts::PI) / f;
                    let sounds = (80.0..=95.0).contains(&f) && into_cycle_s < 0.002;
                    if sounds { amplitude * 10f64.powf(level_db / 20.0) * noise.sample() } else { 0.0 }
                })
        };
        let lead = std::iter::repeat_n(0.0f32, 20_000);
        let mut samples: Vec<f32> = lead.chain(clean).collect();
        for (i, x) in samples.iter_mut().enumerate() {
            let t = (i as f64 - 20_000.0) / RATE;
            let clean = f64::from(*x) / amplitude;
            let distorted = clean + 0.06 * clean * clean + 0.12 * clean * clean * clean;
            *x = (0.5 * (amplitude * distorted + buzz(t, &mut noise))
                + 0.5 * amplitude * 0.7e-3 * noise.sample()) as f32;
        }
        samples
    }

    fn read(samples: &[f32]) -> Reading {
        let mut measurement = RattleMeasurement::default();
        let start = Start {
            sample_rate_hz: RATE,
            channels: 1,
            stimulus: track("sweep-sub"),
            parameters: measurement.manifest().defaults(),
            ..Start::default()
        };
        measurement.start(&start).unwrap();
        measurement.feed(&Block { first_frame: 0, channels: &[samples], gap: false });
        let reading = measurement.finish();
        assert_eq!(reading.check(), Ok(()));
        assert_eq!(reading.stopped(), None);
        reading
    }

    /// Source: design page: "a seeded buzz (a 2 ms noise burst per cycle, −45 dB,
    /// 80–95 Hz) is named within 5 Hz".
    #[test]
    fn a_seeded_buzz_is_named_within_five_hertz() {
        let reading = read(&recorded(Some(-45.0)));
        near("middle", reading.values["worst_hz"], 87.5, 5.0);
        let spots = &reading.tables["spots"];
        assert_eq!(spots.rows.len(), 1, "{spots:?}");
        let Cell::Number(from) = spots.rows[0][1] else { panic!("a number") };
        let Cell::Number(to) = spots.rows[0][2] else { panic!("a number") };
        near("beginning", from, 80.0, 5.0);
        near("end", to, 95.0, 5.0);
        assert!(reading.findings.iter().any(|finding| finding.code == "rattle"));
    }

    /// Source: design page: "a clean driver with 3 % low-order distortion raises no
    /// alarm".
    #[test]
    fn low_order_distortion_raises_no_alarm() {
        let reading = read(&recorded(None));
        assert!(reading.tables["spots"].rows.is_empty(), "{:?}", reading.tables["spots"]);
        assert!(reading.findings.iter().any(|finding| finding.code == "no-rattle"));
        assert!(!reading.values.contains_key("worst_hz"));
    }
}
