//! `arrival`: when a sound arrives, to a fraction of a sample, and which way up.

use dsp::correlate::{Peak, analytic, refine_peak};
use dsp::deconvolve::{ImpulseResponse, TimeWindow};
use dsp::fft::Complex64;
use dsp::response::log_grid;
use measure::{
    Block, Feed, Finding, Manifest, Measurement, Reading, Segment, Side, Start, Stimulus, StimulusWanted,
};

use crate::background::Background;
use crate::copies::{Copies, mean};
use crate::excitation::Excitation;
use crate::find::{located, silences};
use crate::half_wave;
use crate::signals::track;
use crate::tape::{Tape, Tops, tops};
use crate::taped::{Analyse, Taped};

const ID: &str = "arrival";
const VERSION: u32 = 1;

/// An earlier peak within this many decibels of the highest one is the arrival: what
/// comes later has been reflected, and may add up to more.
const DIRECT_DB: f64 = 3.0;

/// The measurement `arrival`.
///
/// The time is that of the Hilbert envelope's peak of the impulse response, limited
/// to the band in which the driver plays. It counts
///
/// - from the same sound in the reference channel, where there is one;
/// - else from the reference burst, where the stimulus has one (a second sweep on
///   the other side of the track, played by one driver that stays connected): all
///   recordings of one seat then share their zero;
/// - else from the beginning of the recording, less the time at which the sound lies
///   in its track.
///
/// References: matched filter and envelope peak (Knapp & Carter 1976 for what noise
/// allows). Accuracy: ±1 µs full range at 40 dB SNR
/// (`full_range_arrivals_are_right_to_a_microsecond`), ±50 µs for a subwoofer's band.
#[derive(Debug, Default)]
pub struct ArrivalMeasurement {
    running: Taped<Running>,
}

#[derive(Debug)]
struct Running {
    name: String,
    test: Excitation,
    burst: Option<Excitation>,
    tape: Tape,
}

impl ArrivalMeasurement {
    /// One that has not been started.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }
}

impl Measurement for ArrivalMeasurement {
    fn manifest(&self) -> Manifest {
        Manifest {
            id: ID.to_owned(),
            title: "Arrival".to_owned(),
            version: VERSION,
            summary: "When the sound of a driver arrives, and its polarity. Keep one driver on the left side of the track \
                      connected as the reference, and play the driver under test on the right; or use a reference channel."
                .to_owned(),
            channels: 1,
            needs_reference: false,
            stimulus: StimulusWanted::Known(track("arrival").unwrap_or_default()),
            parameters: Vec::new(),
        }
    }

    fn start(&mut self, start: &Start) -> Result<(), Finding> {
        self.running.start(start)
    }

    fn feed(&mut self, block: &Block<'_>) -> Feed {
        self.running.feed(block)
    }

    fn reading(&mut self) -> Reading {
        self.running.reading()
    }

    fn finish(&mut self) -> Reading {
        self.running.finish()
    }
}

/// The reference burst: a broadband segment on the other side than the test signal.
fn burst_of(stimulus: &Stimulus, test: &Excitation) -> Option<Excitation> {
    let other = |segment: &Segment| segment.side != Side::Both && segment.side != test.side();
    Excitation::longest(stimulus, other).ok().filter(|_| test.side() != Side::Both)
}

/// A sound in one channel: its impulse response and where on the tape it lies.
struct Heard {
    copies: Copies,
    impulse: ImpulseResponse,
    peak: Peak,
    /// The peak, in samples of the tape.
    at: f64,
    /// The band in which it plays.
    band_hz: (f64, f64),
}

impl Analyse for Running {
    const ID: &'static str = ID;
    const VERSION: u32 = VERSION;

    fn prepare(start: &Start) -> Result<Self, Finding> {
        let stimulus = start.stimulus.as_ref().ok_or_else(|| {
            Finding::stop(
                "stimulus-missing",
                "An arrival is measured with a known sound. Name the track that was played.",
            )
        })?;
        let test = Excitation::of(stimulus)?;
        let burst = burst_of(stimulus, &test);
        Ok(Self { name: stimulus.name.clone(), test, burst, tape: Tape::new(start)? })
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
        if tops(samples, rate) == Tops::AtFullScale {
            let text = "The recorder clipped: the waveform is flat at its full scale. Turn its input down and record again.";
            return Err(Finding::stop("clipped", text));
        }
        let (heard, arrival_s, clock_hz) = match (&self.tape.reference, &self.burst) {
            (Some(reference), _) => {
                let positions = located(reference, rate, &self.name, &self.test)?;
                let first = self.hear(reference, &self.test, &positions, rate)?;
                let heard = self.hear(samples, &self.test, &positions, first.copies.rate_hz)?;
                let arrival_s = (heard.at - first.at) / rate;
                (heard, arrival_s, first.copies.clock_ppm.map(|_| first.copies.rate_hz))
            }
            (None, Some(burst)) => {
                let positions = located(samples, rate, &self.name, burst)?;
                let first = self.hear(samples, burst, &positions, rate)?;
                let clock_hz = first.copies.rate_hz;
                let positions = located(samples, rate, &self.name, &self.test)?;
                let heard = self.hear(samples, &self.test, &positions, clock_hz)?;
                let apart_s = self.test.starts_s[0] - burst.starts_s[0];
                let arrival_s = (heard.at - first.at) / clock_hz - apart_s;
                (heard, arrival_s, Some(clock_hz))
            }
            (None, None) => {
                let positions = located(samples, rate, &self.name, &self.test)?;
                let heard = self.hear(samples, &self.test, &positions, rate)?;
                let arrival_s = (heard.at - self.test.starts_s[0] * heard.copies.rate_hz) / rate;
                let text = "There is no reference channel or burst, so the time counts from the beginning of the recording.";
                reading.finding(Finding::note("no-time-reference", text));
                let clock_hz = heard.copies.clock_ppm.map(|_| heard.copies.rate_hz);
                (heard, arrival_s, clock_hz)
            }
        };
        reading.value("arrival_s", arrival_s);
        if let Some(clock_hz) = clock_hz {
            reading.value("clock_ppm", (clock_hz / rate - 1.0) * 1e6);
        }
        write_shape(reading, &heard);
        half_wave::write(reading, &heard.copies, samples, &self.test, heard.band_hz);
        Ok(())
    }
}

impl Running {
    fn hear(
        &self,
        samples: &[f32],
        excitation: &Excitation,
        positions: &[usize],
        clock_hz: f64,
    ) -> Result<Heard, Finding> {
        let rate = self.tape.sample_rate_hz;
        let background = Background::of(&silences(samples, rate, excitation, positions), rate);
        let copies = Copies::on_clock(samples, rate, excitation, positions, background.as_ref(), clock_hz);
        let whole = mean(&copies.impulses(samples, excitation));
        let band = playing_band(&whole, &copies, excitation, background.as_ref(), rate)?;
        let impulse = mean(&copies.impulses_within(samples, excitation, band));
        let (peak, at_s) = first_peak(&impulse, &copies);
        let at = copies.origin() + at_s * copies.rate_hz;
        Ok(Heard { copies, impulse, peak, at, band_hz: band })
    }
}

/// The band in which the driver plays: around the strongest third of an octave, as
/// far as the level stays within 15 dB of it and clear of the noise.
pub(crate) fn playing_band(
    impulse: &ImpulseResponse,
    copies: &Copies,
    excitation: &Excitation,
    background: Option<&Background>,
    rate: f64,
) -> Result<(f64, f64), Finding> {
    let top = excitation.to_hz.min(0.47 * rate);
    let window = copies.window(excitation);
    let grid = log_grid(excitation.from_hz, top, 24.0);
    let response = impulse.response(copies.peak_s(impulse), &window, &grid);
    let power: Vec<f64> = (0..grid.len())
        .map(|i| {
            let near = &response.value[i.saturating_sub(4)..(i + 5).min(grid.len())];
            near.iter().map(Complex64::norm_sqr).sum::<f64>() / near.len() as f64
        })
        .collect();
    let noise: Vec<f64> = match background {
        None => vec![0.0; grid.len()],
        Some(background) => {
            let weights = 0.6 * (window.left_s + window.right_s) * rate / copies.count() as f64;
            let power = excitation.power_at(copies.rate_hz, &grid);
            power.iter().zip(background.at(&grid)).map(|(power, density)| density * weights / power).collect()
        }
    };
    let strongest = (0..grid.len())
        .max_by(|&a, &b| (power[a] - noise[a]).total_cmp(&(power[b] - noise[b])))
        .filter(|&i| power[i] > 4.0 * noise[i])
        .ok_or_else(|| {
            Finding::stop("too-noisy", "The sound is hardly above the noise. Turn the level up.")
        })?;
    let plays = |i: &usize| power[*i] > 0.03 * power[strongest] && power[*i] > 4.0 * noise[*i];
    let low = (0..=strongest).rev().take_while(plays).last().unwrap_or(strongest);
    let high = (strongest..grid.len()).take_while(plays).last().unwrap_or(strongest);
    // Less than a third of an octave has no arrival to speak of.
    Ok((grid[low.min(strongest.saturating_sub(4))], grid[high.max((strongest + 4).min(grid.len() - 1))]))
}

/// The first peak of the envelope within [`DIRECT_DB`] of the highest.
fn first_peak(impulse: &ImpulseResponse, copies: &Copies) -> (Peak, f64) {
    let about_s = copies.peak_s(impulse);
    let part = impulse.windowed(about_s, &TimeWindow::half_faded(0.15, 0.15));
    let signal = analytic(&part.samples);
    let power: Vec<f64> = signal.iter().map(Complex64::norm_sqr).collect();
    let highest = power.iter().copied().fold(0.0, f64::max);
    let enough = highest * 10f64.powf(-DIRECT_DB / 10.0);
    let first = (1..power.len().saturating_sub(1))
        .find(|&i| power[i] >= enough && power[i] >= power[i - 1] && power[i] >= power[i + 1])
        .unwrap_or(0);
    let peak = refine_peak(&signal, first);
    (peak, about_s + part.start_s + peak.position / copies.rate_hz)
}

/// Confidence and the envelope.
fn write_shape(reading: &mut Reading, heard: &Heard) {
    let rate = heard.copies.rate_hz;
    let at_s = (heard.at - heard.copies.origin()) / rate;
    let part = heard.impulse.windowed(at_s, &TimeWindow::half_faded(0.05, 0.05));
    let signal = analytic(&part.samples);
    // At its peak a band-limited impulse is real: upward or downward.
    let upward = heard.peak.value.re / heard.peak.value.norm().max(f64::MIN_POSITIVE);
    // What stands beside the first lobe could be taken for it.
    let height = heard.peak.value.norm();
    let middle = (-part.start_s * rate) as usize;
    let floor_at = |i: usize| signal.get(i).map_or(0.0, |z| z.norm());
    let mut edge = middle;
    while edge > 0 && floor_at(edge) > 0.3 * height {
        edge -= 1;
    }
    let before = (0..edge).map(floor_at).fold(0.0, f64::max);
    let clearness = (1.0 - before / height.max(f64::MIN_POSITIVE)).clamp(0.0, 1.0);
    reading.value("confidence", clearness * upward.abs());
    let time_s = (0..signal.len()).map(|i| part.start_s + i as f64 / rate).collect();
    reading.curve("envelope", [("time_s", time_s), ("value", signal.iter().map(|z| z.norm()).collect())]);
}

#[cfg(test)]
mod tests {
    use dsp::biquad::Biquad;
    use dsp::noise::WhiteNoise;
    use testkit::{at_most, near};

    use super::*;
    use crate::signals::render_stereo;

    const RATE: f64 = 48_000.0;

    /// The two sides of the arrival track, each delayed by a time, added up and
    /// recorded on another clock.
    fn recorded(
        left_s: f64,
        right_s: f64,
        ppm: f64,
        snr_db: f64,
        shape: impl Fn(Vec<f32>) -> Vec<f32>,
    ) -> Vec<f32> {
        let stimulus = track("arrival").unwrap();
        let delayed = |side: usize, delay_s: f64| {
            let mut late = stimulus.clone();
            late.segments[0].duration_s += delay_s;
            let [left, right] = render_stereo(&late, RATE * (1.0 + ppm * 1e-6));
            if side == 0 { left } else { right }
        };
        let left = delayed(0, 0.4 + left_s);
        let right = shape(delayed(1, 0.4 + right_s));
        let mut noise = WhiteNoise::new(8);
        let sigma = 0.178 * 10f64.powf(-snr_db / 20.0);
        (0..left.len().max(right.len()))
            .map(|i| {
                let sum = left.get(i).unwrap_or(&0.0) + right.get(i).unwrap_or(&0.0);
                sum + (sigma * noise.sample()) as f32
            })
            .collect()
    }

    fn start() -> Start {
        Start { sample_rate_hz: RATE, channels: 1, stimulus: track("arrival"), ..Start::default() }
    }

    fn read(start: &Start, channels: &[&[f32]]) -> Reading {
        let mut measurement = ArrivalMeasurement::new();
        measurement.start(start).unwrap();
        measurement.feed(&Block { first_frame: 0, channels, gap: false });
        let reading = measurement.finish();
        assert_eq!(reading.check(), Ok(()));
        assert_eq!(reading.stopped(), None);
        reading
    }

    /// Source: analytic; the delays are rendered exactly. Bar: ±1 µs at 40 dB SNR.
    #[test]
    fn full_range_arrivals_are_right_to_a_microsecond() {
        for (left_s, right_s, ppm) in
            [(0.0, 0.0, 0.0), (0.002, 0.005_123_4, 200.0), (0.004_001, 0.001_777, -300.0)]
        {
            let reading = read(&start(), &[&recorded(left_s, right_s, ppm, 40.0, |x| x)]);
            near("arrival", reading.values["arrival_s"], right_s - left_s, 1e-6);
            near("clock", reading.values["clock_ppm"], ppm, 0.5);
            assert_eq!(reading.labels["polarity"], "normal");
            at_most("the wanted confidence", 0.5, reading.values["confidence"]);
        }
        let reading = read(&start(), &[&recorded(0.0, 0.001, 0.0, 40.0, |x| x.iter().map(|x| -x).collect())]);
        assert_eq!(reading.labels["polarity"], "inverted");
    }

    /// Source: analytic; a linear-phase band limit (a filter run forward and then
    /// backward) has no delay. Bar: ±50 µs for 20 to 80 Hz.
    #[test]
    fn a_subwoofer_arrives_within_fifty_microseconds() {
        let band = |samples: Vec<f32>| {
            let mut low: Vec<f64> = samples.iter().map(|x| f64::from(*x)).collect();
            low.extend(std::iter::repeat_n(0.0, 24_000));
            for _ in 0..2 {
                let mut filter = Biquad::low_pass(RATE, 80.0, 0.7).unwrap();
                low.iter_mut().for_each(|x| *x = filter.process(*x));
                low.reverse();
            }
            low.into_iter().map(|x| x as f32).collect()
        };
        let reading = read(&start(), &[&recorded(0.001, 0.004_321, 100.0, 40.0, band)]);
        near("arrival", reading.values["arrival_s"], 0.003_321, 50e-6);
        assert_eq!(reading.labels["polarity"], "normal");
    }

    #[test]
    fn with_a_reference_channel_the_time_is_that_between_the_channels() {
        let reference = recorded(0.0, 0.0, 50.0, 60.0, |x| x);
        let mut late = vec![0.0f32; 31];
        late.extend(&reference[..reference.len() - 31]);
        let start = Start { channels: 2, channel: 1, reference_channel: Some(0), ..start() };
        let reading = read(&start, &[&reference, &late]);
        near("arrival", reading.values["arrival_s"], 31.0 / RATE, 1e-6);
    }

    #[test]
    fn without_any_reference_it_counts_from_the_beginning_of_the_recording() {
        let sweep = track("sweep-full").unwrap();
        let mut samples = vec![0.0f32; 12_345];
        samples.extend(crate::signals::render(&sweep, RATE));
        let start = Start { stimulus: Some(sweep), ..start() };
        let reading = read(&start, &[&samples]);
        near("arrival", reading.values["arrival_s"], 12_345.0 / RATE, 1e-6);
        assert!(reading.findings.iter().any(|finding| finding.code == "no-time-reference"));
    }
}
