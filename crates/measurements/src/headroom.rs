//! The clean limit of a source, found while the volume is raised step by step.

mod tracker;
mod verdict;

#[cfg(test)]
mod tests;

use measure::{
    Block, Cell, Feed, Finding, Manifest, Measurement, Parameter, Reading, Start, StimulusWanted, Table,
};

use crate::scale::Scale;
use crate::signals;

use self::tracker::Tracker;
use self::verdict::{Fault, Step, Verdict, judge};

/// Follows a tone through the volume steps and says which is the last clean one.
///
/// A step is clean when its THD is under the limit *and* its waveform has neither
/// a flat top nor the sharp corner of a clip that just begins *and* its level
/// still follows the volume. The limit of 1 % is CTA-2006's rating criterion.
#[derive(Default)]
pub(crate) struct Headroom {
    scale: Scale,
    sample_rate_hz: f64,
    first_step: i64,
    thd_limit_percent: f64,
    tracker: Option<Tracker>,
    next_frame: u64,
    lost: bool,
}

impl Measurement for Headroom {
    fn manifest(&self) -> Manifest {
        Manifest {
            id: "headroom".to_owned(),
            title: "Headroom".to_owned(),
            version: 1,
            summary: "Finds the highest volume step at which a source is still clean. Play a full-scale tone \
                      (1 kHz, or 40 Hz for a subwoofer output), connect the input to the source's output, and \
                      raise the volume one step at a time, half a second or more on each."
                .to_owned(),
            channels: 1,
            needs_reference: false,
            stimulus: signals::track("tone-1k").map_or(StimulusWanted::Any, StimulusWanted::Suggested),
            parameters: vec![
                Parameter::integer("first_step", "", 1, (-200, 1_000), "the number of the first volume step"),
                Parameter::number(
                    "frequency",
                    "hz",
                    0.0,
                    (0.0, 20_000.0),
                    "the tone's frequency; 0 finds it by itself",
                ),
                Parameter::number("thd_limit", "percent", 1.0, (0.05, 30.0), "a step is clean below this THD"),
            ],
        }
    }

    fn start(&mut self, start: &Start) -> Result<(), Finding> {
        let number = |name: &str, otherwise: f64| start.parameters.number(name).unwrap_or(otherwise);
        let wanted_hz = Some(number("frequency", 0.0)).filter(|hz| *hz > 0.0);
        if wanted_hz.is_some_and(|hz| hz >= 0.48 * start.sample_rate_hz) {
            return Err(Finding::stop(
                "frequency-out-of-range",
                "The tone's frequency lies too near half the sample rate; choose a lower tone or a higher rate.",
            ));
        }
        *self = Self {
            scale: Scale::of(start),
            sample_rate_hz: start.sample_rate_hz,
            first_step: number("first_step", 1.0) as i64,
            thd_limit_percent: number("thd_limit", 1.0),
            tracker: Some(Tracker::new(start.sample_rate_hz, wanted_hz)),
            next_frame: 0,
            lost: false,
        };
        Ok(())
    }

    fn feed(&mut self, block: &Block<'_>) -> Feed {
        let samples = self.scale.samples(block);
        if let Some(tracker) = &mut self.tracker {
            if block.gap {
                self.lost = true;
                tracker.gap(block.first_frame.saturating_sub(self.next_frame));
            }
            tracker.feed(samples);
        }
        self.next_frame = block.first_frame + samples.len() as u64;
        Feed::More
    }

    fn reading(&mut self) -> Reading {
        let mut reading = Reading::new("headroom", 1, self.sample_rate_hz);
        let Some(tracker) = &self.tracker else { return reading };
        let verdict = judge(&tracker.plateaus(), self.first_step, self.thd_limit_percent / 100.0);
        reading.tables.insert("steps".to_owned(), self.table(&verdict.steps));
        if let Some(tone_hz) = tracker.tone_hz() {
            reading.value("frequency_hz", tone_hz);
        }
        if let Some(number) = verdict.recorder_clips {
            reading.finding(recorder_clips(number));
        } else {
            self.values(&verdict, &mut reading);
        }
        self.findings(&verdict, &mut reading);
        reading
    }

    fn finish(&mut self) -> Reading {
        if let Some(tracker) = &mut self.tracker {
            tracker.finish();
        }
        let mut reading = self.reading();
        if reading.tables.get("steps").is_none_or(|table| table.rows.is_empty())
            && reading.stopped().is_none()
        {
            reading.finding(Finding::stop(
                "no-tone",
                "No steady tone was found for 0.3 s or longer. Play the tone track at full level, check the \
                 connection and the input's gain, and raise the volume until the meter moves.",
            ));
        }
        reading
    }
}

impl Headroom {
    fn table(&self, steps: &[Step]) -> Table {
        let columns = ["step", "start_s", "level_dbfs", "level_v", "gain_db", "thd_percent", "clean"];
        let number = |value: Option<f64>| value.map_or(Cell::Empty, Cell::Number);
        let rows = steps
            .iter()
            .filter_map(|step| {
                let judged = step.judged?;
                Some(vec![
                    Cell::Number(step.number as f64),
                    Cell::Number(step.start_s),
                    Cell::Number(step.level_dbfs),
                    number(self.scale.volts(judged.signal_rms)),
                    number(step.gain_db),
                    // Where noise hides it, what it is at the most.
                    Cell::Number(100.0 * if judged.thd > 0.0 { judged.thd } else { judged.thd_at_most }),
                    Cell::Flag(step.is_clean()),
                ])
            })
            .collect();
        Table { columns: columns.map(str::to_owned).to_vec(), rows }
    }

    fn values(&self, verdict: &Verdict, reading: &mut Reading) {
        if let Some(clean) = verdict.clean
            && let Some(step) = verdict.steps.iter().find(|step| step.number == clean)
        {
            reading.value("clean_step", clean as f64).value("clean_level_dbfs", step.level_dbfs);
            if let Some(volts) = step.judged.and_then(|judged| self.scale.volts(judged.signal_rms)) {
                reading.value("clean_level_v", volts);
            }
        }
        if let Some(first) = verdict.first_clipped {
            reading.value("first_clipped_step", first as f64);
        }
    }

    fn findings(&self, verdict: &Verdict, reading: &mut Reading) {
        let refused = verdict.recorder_clips.is_some();
        for step in verdict.steps.iter().filter(|step| step.judged.is_none()) {
            let text = format!(
                "Step {} passed in {:.2} s, too quickly to be judged (0.3 s are needed). It is counted, so that the \
                 numbers that follow are those of the volume control, but it has no row in the table.",
                step.number, step.duration_s
            );
            reading.finding(Finding::note("step-skipped", text));
        }
        for jump in &verdict.jumps {
            let text = format!(
                "From step {} to step {} the level rose by {:.1} dB at once, {} of the usual steps of {:.1} dB: the \
                 knob passed what lies between too quickly to be seen. All are counted, so that the numbers are \
                 those of the volume control; if the control makes one step of it, count again from there.",
                jump.from,
                jump.to,
                jump.rise_db,
                jump.to - jump.from,
                jump.usual_db
            );
            reading.finding(Finding::caution("steps-jumped", text));
        }
        let hidden = |step: &&Step| step.judged.is_some_and(|judged| judged.thd <= 0.0);
        if let Some(step) = verdict.steps.iter().find(hidden) {
            let text = format!(
                "Noise hides the distortion of step {} and perhaps of others; the table says what their THD is at the \
                 most.",
                step.number
            );
            reading.finding(Finding::note("thd-below-noise", text));
        }
        if verdict.went_down {
            let text = "The volume went down in between; a step that came again has its first row only.";
            reading.finding(Finding::note("went-down", text));
        }
        if verdict.hum_taken_off {
            let text = "A residual of the same size at every volume falls on the tone's harmonics: hum, not distortion. \
                        Its power was taken off the THD of each step.";
            reading.finding(Finding::note("hum-taken-off", text));
        }
        if self.lost {
            let text = "Samples were lost during the capture; the step in which that happened was cut short.";
            reading.finding(Finding::caution("samples-lost", text));
        }
        if verdict.steps.iter().any(|step| step.judged.is_some_and(|judged| judged.roundness.is_none())) {
            let text = "Fewer than nine harmonics of this tone fit below half the sample rate (or 20 kHz), so that \
                        the waveform's flat top cannot be seen; the steps are judged by THD and level alone.";
            reading.finding(Finding::caution("one-sign-only", text));
        }
        if !refused {
            self.verdict_findings(verdict, reading);
        }
    }

    fn verdict_findings(&self, verdict: &Verdict, reading: &mut Reading) {
        let limit = self.thd_limit_percent;
        let judged = |step: &&Step| step.judged.is_some();
        let Some(clean) = verdict.clean else {
            if let Some(step) = verdict.steps.iter().find(judged) {
                let text = format!(
                    "No step was clean: even step {} has {:.2} % THD (the limit is {limit} %). Begin at a lower \
                     volume, and check the connection for hum and the input for overload.",
                    step.number,
                    step.judged.map_or(0.0, |judged| 100.0 * judged.thd)
                );
                reading.finding(Finding::stop("no-clean-step", text));
            }
            return;
        };
        if verdict.steps.iter().any(|step| step.number < clean && step.fault.is_some()) {
            let text = format!(
                "Below step {clean} some steps are over the limit although higher ones are clean: that is hum or \
                 noise beside a quiet tone, not clipping."
            );
            reading.finding(Finding::note("noise-at-low-volume", text));
        }
        let Some(first) = verdict.first_clipped else {
            let text = format!(
                "No step was over the limit: the clean limit lies at step {clean} or above it. If the volume went on \
                 and the level did not rise, a limiter holds it."
            );
            reading.finding(Finding::note("never-clipped", text));
            return;
        };
        if let Some(step) = verdict.steps.iter().find(|step| step.number == first) {
            let why = match step.fault {
                Some(Fault::Held) => "its level no longer follows the volume: a limiter holds it",
                Some(Fault::FlatTop) => "its waveform is cut flat, although the THD is still under the limit",
                Some(Fault::Overflow) => {
                    "it is as loud as a tone and none, as when the source's numbers run over the end of their scale \
                     (if it was another sound, measure again)"
                }
                Some(Fault::Distorted) | None => "its THD is over the limit",
            };
            let text = format!("Step {clean} is the last clean one. Step {first} is not: {why}.");
            reading.finding(match step.fault {
                Some(Fault::Held) => Finding::note("level-held", text),
                Some(Fault::Overflow) => Finding::caution("overflow", text),
                _ => Finding::note("clean-limit", text),
            });
        }
    }
}

fn recorder_clips(number: i64) -> Finding {
    Finding::stop(
        "recorder-clips",
        format!(
            "At step {number} the recording itself reaches full scale and is cut off there, so that nothing can be \
             said about the source. Turn down the input's gain (or use an attenuator) and measure again."
        ),
    )
}
