//! `arrival`: when a sound arrives, to a fraction of a sample, and which way up.

use dsp::correlate::{Peak, analytic, refine_peak};
use dsp::deconvolve::{ImpulseResponse, TimeWindow};
use dsp::fft::Complex64;
use dsp::response::{log_grid, power_db};
use measure::{Finding, Manifest, Reading, Segment, Side, Start, Stimulus, StimulusWanted};

use crate::background::Background;
use crate::copies::Copies;
use crate::excitation::Excitation;
use crate::find::{located, silences};
use crate::half_wave;
use crate::precision::{ImpulseNoise, Precision, SEARCHED_S};
use crate::signals::track;
use crate::tape::{Tape, Tops, tops};
use crate::taped::{Analyse, Taped};
use crate::witness::believed;

/// An earlier peak within this many decibels of the highest one is the arrival: what
/// comes later has been reflected, and may add up to more.
const DIRECT_DB: f64 = 3.0;

/// An arrival that is not known as exactly as this is doubtful: 17 mm on the way, and what
/// is asked for a subwoofer.
const DOUBTFUL_S: f64 = 50e-6;

/// How far from its moment in the track, as the reference burst tells it, the sound of a
/// driver is looked for.
const SEARCHED_NEAR_S: f64 = 0.2;

/// A car with its processor delays no driver by more against another.
const FARTHEST_S: f64 = 0.05;

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
/// What noise does to it is stated as one standard deviation, `random_error_s` (see
/// `ImpulseNoise::precision`).
///
/// References: matched filter and envelope peak (Knapp & Carter 1976). Accuracy: ±1 µs full
/// range at 40 dB SNR (`full_range_arrivals_are_right_to_a_microsecond`), ±50 µs for a
/// subwoofer's band; `arrivals_scatter_as_is_said_and_theory_allows` for all else.
pub(crate) type ArrivalMeasurement = Taped<Running>;

#[derive(Debug)]
pub(crate) struct Running {
    name: String,
    test: Excitation,
    burst: Option<Excitation>,
    tape: Tape,
}

/// The reference burst: a broadband segment on the other side than the test signal.
fn burst_of(stimulus: &Stimulus, test: &Excitation) -> Option<Excitation> {
    let other = |segment: &Segment| segment.side != Side::Both && segment.side != test.side();
    Excitation::longest(stimulus, other).ok().filter(|_| test.side() != Side::Both)
}

/// A sound in one channel: its impulse response and where on the tape it lies.
struct Heard<'a> {
    copies: Copies<'a>,
    impulse: ImpulseResponse,
    peak: Peak,
    /// The peak, in samples of the tape.
    at: f64,
    /// The band in which it plays.
    band_hz: (f64, f64),
    /// How exactly its moment is known; nothing without a silence to measure noise in.
    precision: Option<Precision>,
    /// What is wrong with its clock.
    findings: Vec<Finding>,
}

/// Whether samples were lost between or inside the sounds that tell the time: whatever lies between
/// them is then anywhere.
fn refuse_loss(heard: &Heard<'_>) -> Result<(), Finding> {
    match heard.findings.iter().find(|finding| finding.code == "samples-lost") {
        None => Ok(()),
        Some(_) => Err(Finding::stop(
            "copies-apart",
            "Samples were lost while the track played, so that the time between its sounds is not what was played. \
             Close other programs, and record again.",
        )),
    }
}

impl Analyse for Running {
    const ID: &'static str = "arrival";
    const VERSION: u32 = 1;

    fn manifest() -> Manifest {
        Manifest {
            id: Self::ID.to_owned(),
            title: "Arrival".to_owned(),
            version: Self::VERSION,
            summary: "When the sound of a driver arrives, and its polarity. Keep one driver on the left side of the track \
                      connected as the reference, and play the driver under test on the right; or use a reference channel."
                .to_owned(),
            channels: 1,
            needs_reference: false,
            stimulus: StimulusWanted::Known(track("arrival").unwrap_or_default()),
            parameters: Vec::new(),
        }
    }

    fn prepare(start: &Start) -> Result<Self, Finding> {
        let stimulus = start.stimulus.as_ref().ok_or_else(|| {
            Finding::stop(
                "stimulus-missing",
                "An arrival is measured with a known sound. Name the track that was played.",
            )
        })?;
        let test = Excitation::of(stimulus)?;
        let burst = burst_of(stimulus, &test).map(|burst| burst.with_marks(stimulus));
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
        let (heard, arrival_s, clock_hz, reference) = match (&self.tape.reference, &self.burst) {
            (Some(reference), _) => {
                let positions = located(reference, rate, &self.name, &self.test)?;
                let first = self.hear(reference, &self.test, &positions, rate)?;
                refuse_loss(&first)?;
                let positions = located(samples, rate, &self.name, &self.test)?;
                let heard = self.hear(samples, &self.test, &positions, first.copies.rate_hz)?;
                let arrival_s = (heard.at - first.at) / rate;
                let clock_hz = first.copies.clock_ppm.map(|_| first.copies.rate_hz);
                (heard, arrival_s, clock_hz, Some(first.precision))
            }
            (None, Some(burst)) => {
                let positions = located(samples, rate, &self.name, burst)?;
                let first = self.hear(samples, burst, &positions, rate)?;
                refuse_loss(&first)?;
                let clock_hz = first.copies.rate_hz;
                let apart_s = self.test.starts_s[0] - burst.starts_s[0];
                let position = self.near(samples, rate, first.at + apart_s * clock_hz)?;
                let heard = self.hear(samples, &self.test, &[position], clock_hz)?;
                let arrival_s = (heard.at - first.at) / clock_hz - apart_s;
                (heard, arrival_s, Some(clock_hz), Some(first.precision))
            }
            (None, None) => {
                let positions = located(samples, rate, &self.name, &self.test)?;
                let heard = self.hear(samples, &self.test, &positions, rate)?;
                let arrival_s =
                    self.tape.begins_s() + (heard.at - heard.copies.first_s * heard.copies.rate_hz) / rate;
                let text = "There is no reference channel or burst, so the time counts from the beginning of the recording.";
                reading.finding(Finding::note("no-time-reference", text));
                let clock_hz = heard.copies.clock_ppm.map(|_| heard.copies.rate_hz);
                (heard, arrival_s, clock_hz, None)
            }
        };
        heard.findings.iter().for_each(|finding| {
            reading.finding(finding.clone());
        });
        reading.value("arrival_s", arrival_s);
        if reference.is_some() && arrival_s.abs() > FARTHEST_S {
            let text = format!(
                "The sound comes {:.0} ms {} the reference, which no car makes it do. Was the reference the driver that it \
                 should be, and is a delay set, or an echo louder than the sound itself?",
                1e3 * arrival_s.abs(),
                if arrival_s > 0.0 { "after" } else { "before" }
            );
            reading.finding(Finding::caution("arrival-far", text));
        }
        if let Some(clock_hz) = clock_hz {
            reading.value("clock_ppm", (clock_hz / rate - 1.0) * 1e6);
        }
        write_precision(reading, &heard, reference);
        write_shape(reading, &heard);
        half_wave::write(reading, &heard.copies, heard.band_hz);
        Ok(())
    }
}

impl Running {
    /// Where the test sound begins, looked for about the moment at which the reference burst
    /// says that it was played: the bursts themselves and whatever else sounds are not it.
    fn near(&self, samples: &[f32], rate: f64, expected: f64) -> Result<usize, Finding> {
        let frames = |s: f64| s * rate;
        let from = (expected - frames(SEARCHED_NEAR_S)).max(0.0) as usize;
        let to = ((expected + frames(self.test.duration_s + SEARCHED_NEAR_S)) as usize).min(samples.len());
        let part = samples.get(from..to).unwrap_or(&[]);
        let silent = || {
            let text = format!(
                "The reference bursts of `{}` were heard, but nothing of the test sound between them: the driver under test \
                 is silent. Check that it is connected, and that it plays the right side of the track.",
                self.name
            );
            Finding::stop("not-found", text)
        };
        if (to as f64) < expected + frames(self.test.duration_s) - frames(SEARCHED_NEAR_S) {
            return located(samples, rate, &self.name, &self.test).map(|positions| positions[0]);
        }
        let positions = located(part, rate, &self.name, &self.test).map_err(|_| silent())?;
        Ok(from + positions[0])
    }

    fn hear<'a>(
        &self,
        samples: &'a [f32],
        excitation: &'a Excitation,
        positions: &[usize],
        clock_hz: f64,
    ) -> Result<Heard<'a>, Finding> {
        let rate = self.tape.sample_rate_hz;
        let background = Background::of(&silences(samples, rate, excitation, positions), rate);
        let (copies, findings) = if positions.len() > 1 {
            believed(samples, rate, excitation, positions, background.as_ref())?
        } else {
            let copies =
                Copies::on_clock(samples, rate, excitation, positions, background.as_ref(), clock_hz);
            (copies, Vec::new())
        };
        let whole = copies.impulse(&mut copies.over(excitation.band_hz()));
        let band = playing_band(&whole, &copies, background.as_ref(), rate)?;
        let moment = moment(&copies, background.as_ref(), (band, DIRECT_DB));
        let Moment { impulse, peak, at_s, precision } = moment;
        let at = copies.origin() + at_s * copies.rate_hz;
        if let Some(precision) = precision
            && precision.peak_over_noise < precision.enough
        {
            let text = format!(
                "The sound is there, but its arrival stands only {:.0} dB above the noise, and {:.0} dB are needed to tell it from noise. Turn the level up.",
                power_db(precision.peak_over_noise),
                power_db(precision.enough)
            );
            return Err(Finding::stop("too-noisy", text));
        }
        Ok(Heard { copies, impulse, peak, at, band_hz: band, precision, findings })
    }
}

/// The band in which the driver plays: around the strongest third of an octave, as
/// far as the level stays within 15 dB of it and clear of the noise.
pub(crate) fn playing_band(
    impulse: &ImpulseResponse,
    copies: &Copies<'_>,
    background: Option<&Background>,
    rate: f64,
) -> Result<(f64, f64), Finding> {
    let (bottom, top) = copies.excitation().inner_band_hz(rate);
    let window = copies.window();
    let grid = log_grid(bottom, top, 24.0);
    // Not around the highest point: noise of the whole band may be higher than a sound that
    // fills a few octaves of it.
    let response = impulse.response(copies.found_s(), &window, &grid);
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
            let power = copies.power_at(&grid);
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

/// When a sound arrives, on the time axis of the impulse responses.
pub(crate) struct Moment {
    impulse: ImpulseResponse,
    peak: Peak,
    /// The time of the envelope's peak.
    pub(crate) at_s: f64,
    /// How exactly that is known; nothing without a silence to measure noise in.
    pub(crate) precision: Option<Precision>,
}

/// The first peak of the envelope, within a band, that comes within so many decibels of
/// the highest.
pub(crate) fn moment(
    copies: &Copies<'_>,
    background: Option<&Background>,
    (band_hz, within_db): ((f64, f64), f64),
) -> Moment {
    let mut deconvolver = copies.within(band_hz);
    let impulse = copies.impulse(&mut deconvolver);
    let (signal, peak, at_s) = first_peak(&impulse, copies, within_db);
    let precision = background.map(|background| {
        ImpulseNoise::of(background, copies, &deconvolver, band_hz).precision(&signal, &peak)
    });
    Moment { impulse, peak, at_s, precision }
}

/// The analytic signal around the highest peak, the first one that comes near it, and its
/// time.
fn first_peak(impulse: &ImpulseResponse, copies: &Copies<'_>, within_db: f64) -> (Vec<Complex64>, Peak, f64) {
    let about_s = copies.peak_s(impulse);
    // The Hilbert transform reaches far: a window put on the impulse of a subwoofer before
    // it moves the peak by some microseconds.
    let whole = analytic(impulse.samples());
    let frames = |s: f64| (s * copies.rate_hz).round() as i64;
    let start = frames(about_s - SEARCHED_S / 2.0);
    let at = |i: i64| whole[(start + i).rem_euclid(whole.len() as i64) as usize];
    let signal: Vec<Complex64> = (0..frames(SEARCHED_S).min(whole.len() as i64)).map(at).collect();
    let power: Vec<f64> = signal.iter().map(Complex64::norm_sqr).collect();
    let highest = power.iter().copied().fold(0.0, f64::max);
    let enough = highest * 10f64.powf(-within_db / 10.0);
    let first = (1..power.len().saturating_sub(1))
        .find(|&i| power[i] >= enough && power[i] >= power[i - 1] && power[i] >= power[i + 1])
        .unwrap_or(0);
    let peak = refine_peak(&signal, first);
    let at_s = (start as f64 + peak.position) / copies.rate_hz;
    (signal, peak, at_s)
}

/// How exactly the time is known: what noise does to the sound itself and to what it is
/// counted from.
fn write_precision(reading: &mut Reading, heard: &Heard<'_>, reference: Option<Option<Precision>>) {
    let both = match (heard.precision, reference) {
        (Some(own), None) => own.random_error_s,
        (Some(own), Some(Some(reference))) => own.random_error_s.hypot(reference.random_error_s),
        _ => {
            let text =
                "There is no silence beside the sound, so it is not known how exactly its time is known.";
            reading.finding(Finding::caution("no-silence", text));
            return;
        }
    };
    reading.value("random_error_s", both);
    if 2.0 * both > DOUBTFUL_S {
        let text = format!(
            "Noise makes the arrival uncertain by ±{:.2} ms (two standard deviations). Turn the level up, or measure again and average.",
            2e3 * both
        );
        reading.finding(Finding::caution("arrival-uncertain", text));
    }
}

/// Confidence and the envelope.
fn write_shape(reading: &mut Reading, heard: &Heard<'_>) {
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
mod tests;
