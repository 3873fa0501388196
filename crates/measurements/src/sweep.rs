//! `sweep`: frequency and impulse response, harmonics and noise floor from a sweep
//! whose beginning and clock need not be known.

mod clock;
mod copies;
mod find;
mod result;

use measure::{Block, Feed, Finding, Manifest, Measurement, Reading, Start, StimulusWanted};

use crate::background::Background;
use crate::excitation::Excitation;
use crate::options::{ResponseOptions, response_parameters};
use crate::signals::{track, tracks};
use crate::tape::{Tape, Tops, tops};

use copies::Copies;
use find::{Found, find};

const ID: &str = "sweep";
const VERSION: u32 = 1;

/// The measurement `sweep`.
///
/// It never trusts the time or the clock of the recording: a matched filter finds
/// the copies of the stimulus, their distance gives the clock, and everything is
/// computed on the player's clock. With a reference channel the response is that
/// from the reference to the measured channel.
#[derive(Debug, Default)]
pub struct SweepMeasurement {
    running: Option<Running>,
}

#[derive(Debug)]
struct Running {
    start: Start,
    excitation: Excitation,
    tape: Tape,
}

impl SweepMeasurement {
    /// One that has not been started.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }
}

impl Measurement for SweepMeasurement {
    fn manifest(&self) -> Manifest {
        Manifest {
            id: ID.to_owned(),
            title: "Sweep".to_owned(),
            version: VERSION,
            summary:
                "Frequency response, impulse response, harmonics and noise floor from a sweep. The sweep may \
                      be played by any player on any clock, and the recording may begin at any time."
                    .to_owned(),
            channels: 1,
            needs_reference: false,
            stimulus: StimulusWanted::Known(track("sweep-full").unwrap_or_default()),
            parameters: response_parameters(),
        }
    }

    fn start(&mut self, start: &Start) -> Result<(), Finding> {
        self.running = None;
        let stimulus = start.stimulus.as_ref().ok_or_else(|| {
            Finding::stop(
                "stimulus-missing",
                "A sweep is measured against the sweep that was played. Name its track.",
            )
        })?;
        let excitation = Excitation::of(stimulus)?;
        let tape = Tape::new(start)?;
        if excitation.from_hz >= 0.45 * start.sample_rate_hz {
            let text = format!(
                "The stimulus begins at {} Hz, which a recording at {} Hz cannot hold. Record at a higher rate.",
                excitation.from_hz, start.sample_rate_hz
            );
            return Err(Finding::stop("sample-rate", text));
        }
        self.running = Some(Running { start: start.clone(), excitation, tape });
        Ok(())
    }

    fn feed(&mut self, block: &Block<'_>) -> Feed {
        if let Some(running) = &mut self.running {
            running.tape.feed(block);
        }
        Feed::More
    }

    fn reading(&mut self) -> Reading {
        let mut reading = Reading::new(ID, VERSION, 0.0);
        if let Some(running) = &self.running {
            reading.sample_rate_hz = running.start.sample_rate_hz;
            reading.findings = running.tape.findings();
        }
        reading
    }

    fn finish(&mut self) -> Reading {
        let mut reading = self.reading();
        if let Some(running) = self.running.take()
            && let Err(stop) = running.analyse(&mut reading)
        {
            reading.finding(stop);
        }
        reading
    }
}

impl Running {
    fn analyse(&self, reading: &mut Reading) -> Result<(), Finding> {
        let rate = self.tape.sample_rate_hz;
        let searched = self.tape.reference.as_ref().unwrap_or(&self.tape.samples);
        let positions =
            located(searched, rate, self.start.stimulus.as_ref().map_or("", |s| &s.name), &self.excitation)?;
        self.refuse_clipping(&positions, reading)?;
        let background =
            Background::of(&silences(&self.tape.samples, rate, &self.excitation, &positions), rate);
        let searched_background = match &self.tape.reference {
            Some(reference) => Background::of(&silences(reference, rate, &self.excitation, &positions), rate),
            None => background.clone(),
        };
        let copies = Copies::new(searched, rate, &self.excitation, &positions, searched_background.as_ref());
        let options = ResponseOptions::of(&self.start.parameters);
        result::Analysis {
            tape: &self.tape,
            excitation: &self.excitation,
            copies: &copies,
            positions: &positions,
            background: background.as_ref(),
            options,
            microphone: self.start.calibration.microphone.as_ref(),
        }
        .write(reading)
    }

    /// Refuses what the recorder clipped, and warns of what clipped before it.
    fn refuse_clipping(&self, positions: &[usize], reading: &mut Reading) -> Result<(), Finding> {
        let rate = self.tape.sample_rate_hz;
        let copy = (self.excitation.duration_s * rate) as usize;
        for position in positions {
            let end = (position + copy).min(self.tape.samples.len());
            match tops(&self.tape.samples[*position..end], rate) {
                Tops::Round => {}
                Tops::AtFullScale => {
                    let text = "The recorder clipped: the waveform is flat at its full scale. Turn its input down and record again.";
                    return Err(Finding::stop("clipped", text));
                }
                Tops::BelowFullScale => {
                    let text = "The waveform has flat tops below the recorder's full scale: something ahead of it clips. Turn the \
                                source down if its clean response is wanted.";
                    reading.finding(Finding::caution("flat-tops", text));
                }
            }
        }
        Ok(())
    }
}

/// The first sample of every copy, or the reason why there is none.
pub(crate) fn located(
    samples: &[f32],
    sample_rate_hz: f64,
    name: &str,
    excitation: &Excitation,
) -> Result<Vec<usize>, Finding> {
    let duration_s = samples.len() as f64 / sample_rate_hz;
    if samples.iter().all(|x| x.abs() < 1e-6) {
        let text =
            format!("The recording ({duration_s:.1} s) is silent. Check the input, its gain and the cable.");
        return Err(Finding::stop("no-signal", text));
    }
    match find(samples, sample_rate_hz, excitation) {
        Found::All(positions) => Ok(positions),
        Found::Cut => {
            let text = "Only a part of the stimulus is in the recording. Start recording before the track, and stop after it.";
            Err(Finding::stop("cut", text))
        }
        Found::Moved(by_s) => {
            let text = format!(
                "The two copies of the sweep lie {:.1} ms {} than they were played: the player skipped or the \
                 recorder lost samples. Record again.",
                by_s.abs() * 1e3,
                if by_s > 0.0 { "farther apart" } else { "nearer together" }
            );
            Err(Finding::stop("samples-lost", text))
        }
        Found::Nothing => Err(not_found(samples, sample_rate_hz, name, excitation)),
    }
}

/// Tells a wrong track from none.
fn not_found(samples: &[f32], sample_rate_hz: f64, name: &str, excitation: &Excitation) -> Finding {
    let other = tracks().into_iter().filter(|other| other.name != name).find(|other| {
        Excitation::of(other).is_ok_and(|other| {
            let same = (other.from_hz, other.to_hz) == (excitation.from_hz, excitation.to_hz);
            let is_sweep = other.sweep(sample_rate_hz).is_some() && other.starts_s.len() > 1;
            is_sweep && !same && matches!(find(samples, sample_rate_hz, &other), Found::All(_))
        })
    });
    match other {
        Some(other) => {
            let text = format!(
                "The recording does not hold `{name}`; it looks like `{}`. Analyze it as that, or play the right track.",
                other.name
            );
            Finding::stop("wrong-track", text)
        }
        None => {
            let text = format!(
                "`{name}` was not found in the recording. Check that it was played, that the microphone hears it, and that \
                 it is louder than the noise."
            );
            Finding::stop("not-found", text)
        }
    }
}

/// The silent stretches before, between and after the copies.
fn silences<'a>(
    samples: &'a [f32],
    rate: f64,
    excitation: &Excitation,
    positions: &[usize],
) -> Vec<&'a [f32]> {
    let frames = |s: f64| (s * rate) as usize;
    let before = frames(0.9 * excitation.silence_before_s);
    let first = positions[0];
    let after = positions.iter().map(|position| {
        let end = position + frames(excitation.duration_s);
        // The cabin rings on after the sweep has ended.
        end + frames(0.5 * excitation.silence_after_s)..end + frames(0.95 * excitation.silence_after_s)
    });
    std::iter::once(first.saturating_sub(before)..first.saturating_sub(frames(0.02)))
        .chain(after)
        .filter_map(|range| samples.get(range.start..range.end.min(samples.len())))
        .filter(|stretch| stretch.len() >= frames(0.05))
        .collect()
}

#[cfg(test)]
mod tests;
