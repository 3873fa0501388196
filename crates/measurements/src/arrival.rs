//! `arrival`: when a sound arrives, to a fraction of a sample, and which way up.

use dsp::correlate::analytic;
use dsp::deconvolve::TimeWindow;
use dsp::fft::fast_len;
use measure::{Finding, Manifest, Reading, Start, StimulusWanted};

use crate::excitation::Excitation;
use crate::find::located;
use crate::half_wave;
use crate::heard::Heard;
use crate::precision::Precision;
use crate::reference_burst::ReferenceBurst;
use crate::signals::track;
use crate::tape::{Tape, Tops, tops};
use crate::taped::{Analyse, Taped};

/// An arrival that is not known as exactly as this is doubtful: 17 mm on the way, and what
/// is asked for a subwoofer.
const DOUBTFUL_S: f64 = 50e-6;

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
    burst: Option<ReferenceBurst>,
    tape: Tape,
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
        let burst = ReferenceBurst::of(stimulus, &test);
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
                let first = Heard::of((reference, rate), &self.test, &positions, rate)?;
                first.refuse_loss()?;
                let positions = located(samples, rate, &self.name, &self.test)?;
                let heard = Heard::of((samples, rate), &self.test, &positions, first.copies.rate_hz)?;
                let arrival_s = (heard.at - first.at) / rate;
                let clock_hz = first.copies.clock_ppm.map(|_| first.copies.rate_hz);
                (heard, arrival_s, clock_hz, Some(first.precision))
            }
            (None, Some(burst)) => {
                let zero = burst.hear((samples, rate), &self.name, &self.test)?;
                let position = zero.look_for((samples, rate), &self.name, &self.test)?;
                let mut heard = Heard::of((samples, rate), &self.test, &[position], zero.clock_hz())?;
                heard.copies.on_the_clock_of(&zero.heard.copies);
                for finding in &zero.heard.findings {
                    reading.finding(finding.clone());
                }
                let arrival_s = zero.arrival_s(heard.at, &self.test);
                (heard, arrival_s, Some(zero.clock_hz()), Some(zero.heard.precision))
            }
            (None, None) => {
                let positions = located(samples, rate, &self.name, &self.test)?;
                let heard = Heard::of((samples, rate), &self.test, &positions, rate)?;
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
    let mut part = heard.impulse.windowed(at_s, &TimeWindow::half_faded(0.05, 0.05));
    let drawn = part.samples.len();
    part.samples.resize(fast_len(drawn), 0.0);
    let signal = &analytic(&part.samples)[..drawn];
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
