//! `sweep`: frequency and impulse response, harmonics and noise floor from a sweep
//! whose beginning and clock need not be known.

mod result;

use measure::{Finding, Manifest, Reading, Start, StimulusWanted};

use crate::background::Background;
use crate::copies::{Copies, LEAD_S};
use crate::excitation::Excitation;
use crate::find::{located, silences};
use crate::options::{ResponseOptions, response_parameters};
use crate::reference_burst::ReferenceBurst;
use crate::signals::track;
use crate::tape::{Tape, Tops, tops};
use crate::taped::{Analyse, Taped};
use crate::witness::believed;

/// The measurement `sweep`.
///
/// It never trusts the time or the clock of the recording: a matched filter finds
/// the copies of the stimulus, their distance gives the clock, and everything is
/// computed on the player's clock. With a reference channel the response is that
/// from the reference to the measured channel. Of a track with a reference burst on its
/// other side (`place-…`) the burst gives the clock and the zero of time: all recordings in
/// which the same driver plays it share them.
pub(crate) type SweepMeasurement = Taped<Running>;

#[derive(Debug)]
pub(crate) struct Running {
    start: Start,
    excitation: Excitation,
    burst: Option<ReferenceBurst>,
    tape: Tape,
}

impl Analyse for Running {
    const ID: &'static str = "sweep";
    const VERSION: u32 = 1;

    fn manifest() -> Manifest {
        Manifest {
            id: Self::ID.to_owned(),
            title: "Sweep".to_owned(),
            version: Self::VERSION,
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

    fn prepare(start: &Start) -> Result<Self, Finding> {
        let stimulus = start.stimulus.as_ref().ok_or_else(|| {
            Finding::stop(
                "stimulus-missing",
                "A sweep is measured against the sweep that was played. Name its track.",
            )
        })?;
        let excitation = Excitation::of(stimulus)?;
        let burst = ReferenceBurst::of(stimulus, &excitation);
        let tape = Tape::new(start)?;
        if excitation.from_hz >= 0.45 * start.sample_rate_hz {
            let text = format!(
                "The stimulus begins at {} Hz, which a recording at {} Hz cannot hold. Record at a higher rate.",
                excitation.from_hz, start.sample_rate_hz
            );
            return Err(Finding::stop("sample-rate", text));
        }
        Ok(Self { start: start.clone(), excitation, burst, tape })
    }

    fn tape(&self) -> &Tape {
        &self.tape
    }

    fn tape_mut(&mut self) -> &mut Tape {
        &mut self.tape
    }

    fn analyse(&self, reading: &mut Reading) -> Result<(), Finding> {
        let rate = self.tape.sample_rate_hz;
        let searched = self.tape.reference.as_ref().unwrap_or(&self.tape.samples);
        let name = self.start.stimulus.as_ref().map_or("", |stimulus| &*stimulus.name);
        let tape = (&*self.tape.samples, rate);
        let zero = match &self.burst {
            Some(burst) if self.tape.reference.is_none() => Some(burst.hear(tape, name, &self.excitation)?),
            _ => None,
        };
        let positions = match &zero {
            Some(zero) => vec![zero.look_for(tape, name, &self.excitation)?],
            None => located(searched, rate, name, &self.excitation)?,
        };
        self.refuse_clipping(&positions, reading)?;
        let background =
            Background::of(&silences(&self.tape.samples, rate, &self.excitation, &positions), rate);
        let searched_background = match &self.tape.reference {
            Some(reference) => Background::of(&silences(reference, rate, &self.excitation, &positions), rate),
            None => background.clone(),
        };
        let (copies, findings) = match &zero {
            Some(zero) => {
                let (begins, tail_s) = ([positions[0] as f64], 0.95 * self.excitation.silence_after_s);
                let clock_hz = zero.clock_hz();
                let mut one =
                    Copies::at(searched, rate, &self.excitation, &begins, clock_hz, (LEAD_S, tail_s));
                one.on_the_clock_of(&zero.heard.copies);
                (one, zero.heard.findings.clone())
            }
            None => believed(searched, rate, &self.excitation, &positions, searched_background.as_ref())?,
        };
        findings.into_iter().for_each(|finding| {
            reading.finding(finding);
        });
        let measured = self.tape.reference.as_ref().map(|_| copies.in_channel(&self.tape.samples));
        let options = ResponseOptions::of(&self.start.parameters);
        result::Analysis {
            tape: &self.tape,
            excitation: &self.excitation,
            copies: measured.as_ref().unwrap_or(&copies),
            reference: measured.as_ref().map(|_| &copies),
            zero: zero.as_ref(),
            background: background.as_ref(),
            options,
            microphone: self.start.calibration.microphone.as_ref(),
        }
        .write(reading)
    }
}

impl Running {
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

#[cfg(test)]
mod tests;
