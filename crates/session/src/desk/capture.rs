//! Captures as the window makes them: countdown, recording, computing.

use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use chart::{Dash, Line, Role};
use engine::InputRole;
use host::Registry;
use job::{Set, Stage};
use measure::{FindingLevel, ParameterValue, Reading};
use measurements::signals;
use view::{Activity, CaptureId, Live, Meter, MeterUnit, SetMark, Update};

use super::picture::points;
use super::{Desk, Held, Signal};
use crate::take::{Computed, Plan, Pumped, Take, Until};
use crate::{Error, Result, reading_response};

/// What is under way.
pub(super) enum Running {
    /// The door can be shut.
    Countdown { plan: Box<Plan>, until: Instant, shown: u32 },
    /// Samples are coming in.
    Recording { take: Box<Take>, title: String, looked: Instant },
    /// The reading is being computed.
    Computing(JoinHandle<Computed>),
}

/// Live updates are sent at most so often.
const LIVE_EVERY: Duration = Duration::from_millis(60);

/// A meter's lowest level.
const METER_FLOOR_DBFS: f64 = -60.0;

impl Desk {
    /// The space bar: stop what is under way, or begin what the stage measures.
    pub(super) fn start_or_stop(&mut self) -> Result<()> {
        if self.running.is_some() {
            self.stop();
            return Ok(());
        }
        if self.muted {
            return Err(Error::input("The output is muted. Allow output first, then start."));
        }
        let plan = self.plan()?;
        self.prepare(&plan)?;
        let seconds = self.choices.countdown_s;
        let until = Instant::now() + Duration::from_secs(seconds.into());
        self.running = Some(Running::Countdown { plan: Box::new(plan), until, shown: seconds });
        Ok(())
    }

    /// Ends what is under way; what was recorded is kept.
    pub(super) fn stop(&mut self) {
        match &mut self.running {
            Some(Running::Recording { take, .. }) => take.stop(),
            Some(Running::Countdown { .. }) => self.running = None,
            Some(Running::Computing(_)) | None => {}
        }
    }

    /// Sets the simulated car as the stage needs it.
    fn prepare(&mut self, plan: &Plan) -> Result<()> {
        let entered = if self.entered { self.entered_bands() } else { Vec::new() };
        let driver = self.choices.driver.clone();
        let Some(bench) = &mut self.bench else { return Ok(()) };
        let position = plan.position.clone();
        let known = bench.car().is_some_and(|simulated| simulated.car.position(&position).is_some());
        let processed: Vec<String> = bench.car().map_or_else(Vec::new, |simulated| {
            let drivers = simulated.car.drivers.iter().filter(|driver| driver.processed);
            drivers.map(|driver| driver.name.clone()).collect()
        });
        bench.set(|setup| {
            if known {
                setup.mic_position = position;
            }
            setup.active = driver.filter(|_| plan.stage == Stage::Drivers).map(|name| vec![name]);
            for name in processed {
                setup.processor.entry(name).or_default().bands.clone_from(&entered);
            }
        })
    }

    fn plan(&self) -> Result<Plan> {
        let bench = self.bench.as_ref().ok_or_else(|| {
            Error::input("Choose what to measure with first: devices, or the simulated car.")
        })?;
        let stage = match self.stage {
            view::Stage::Source => Stage::Source,
            view::Stage::Drivers => Stage::Drivers,
            _ => Stage::Tune,
        };
        let pink = self.choices.signal == Signal::Pink;
        let id = if pink { "spectrum" } else { "sweep" };
        let registry = Registry::built_in();
        let manifest = registry.manifest(id).map_err(|unknown| Error::input(unknown.to_string()))?;
        let mut parameters = manifest.defaults();
        if pink {
            parameters.set("fraction", ParameterValue::Number(12.0));
        }
        let stimulus = signals::track(if pink { "pink" } else { "sweep-full" });
        let role = if stage == Stage::Source { InputRole::Electrical } else { InputRole::Microphone };
        let input = bench
            .input(role)
            .or_else(|| bench.input(InputRole::Microphone))
            .ok_or_else(|| Error::input("The rig has no input for this. Add one to its file."))?;
        let side = self.choices.side;
        let (position, label, set) = match stage {
            Stage::Tune => {
                let number = self.held.iter().filter(|held| held.mark == Some(side)).count();
                let name = bench
                    .car()
                    .and_then(|simulated| simulated.car.position_names().nth(number).map(str::to_owned))
                    .unwrap_or_else(|| format!("position {}", number + 1));
                let set = if side == SetMark::Before { Set::Before } else { Set::After };
                (name.clone(), name, Some(set))
            }
            Stage::Drivers => {
                let driver = self.choices.driver.clone().unwrap_or_else(|| "driver".to_owned());
                (String::new(), driver, None)
            }
            _ => (String::new(), "Source".to_owned(), None),
        };
        Ok(Plan {
            measurement: id.to_owned(),
            parameters,
            stimulus,
            peak_dbfs: Some(self.output_dbfs),
            until: if pink { Until::Stopped } else { Until::Played },
            input,
            reference: bench.input(InputRole::Loopback),
            label,
            set,
            stage,
            position,
        })
    }

    /// Moves what is under way on by one small step.
    pub(super) fn pump(&mut self) {
        let Some(running) = self.running.take() else { return };
        match running {
            Running::Countdown { plan, until, shown } => self.count_down(plan, until, shown),
            Running::Recording { take, title, looked } => self.record(take, title, looked),
            Running::Computing(thread) if thread.is_finished() => {
                self.changed = true;
                let Ok(computed) = thread.join() else {
                    self.notice("The measurement broke off. The recording is kept in the job.", false);
                    return;
                };
                let result = self.keep(computed);
                self.report(result);
            }
            Running::Computing(thread) => {
                self.running = Some(Running::Computing(thread));
                std::thread::sleep(Duration::from_millis(5));
            }
        }
    }

    fn count_down(&mut self, plan: Box<Plan>, until: Instant, shown: u32) {
        let left = until.saturating_duration_since(Instant::now());
        if !left.is_zero() {
            #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a few seconds")]
            let seconds = left.as_secs_f64().ceil() as u32;
            self.changed |= seconds != shown;
            self.running = Some(Running::Countdown { plan, until, shown: seconds });
            std::thread::sleep(Duration::from_millis(10));
            return;
        }
        self.changed = true;
        let Some(bench) = &mut self.bench else { return };
        match Take::begin(&plan, bench, self.job.as_mut(), None) {
            Ok(take) => {
                let looked = Instant::now();
                self.running = Some(Running::Recording { take: Box::new(take), title: plan.label, looked });
            }
            Err(error) => self.notice(error.to_string(), false),
        }
    }

    fn record(&mut self, mut take: Box<Take>, title: String, mut looked: Instant) {
        if take.pump(Duration::from_millis(20)) == Pumped::Over {
            self.changed = true;
            let ended = take.end();
            let thread = std::thread::Builder::new().name("session-compute".to_owned());
            match thread.spawn(move || ended.compute()) {
                Ok(thread) => self.running = Some(Running::Computing(thread)),
                Err(error) => self.notice(format!("The reading could not be computed: {error}"), false),
            }
            return;
        }
        if looked.elapsed() >= LIVE_EVERY {
            looked = Instant::now();
            let live = live(&mut take);
            // Only the newest counts: what does not fit is dropped.
            let _ = self.updates.try_send(Update::Live(live));
            self.changed = true;
        }
        self.running = Some(Running::Recording { take, title, looked });
    }

    fn keep(&mut self, computed: Computed) -> Result<()> {
        let taken = computed.keep(self.job.as_mut())?;
        if let Some(finding) = taken.reading.stopped() {
            self.cue("No result", false);
            self.notice(finding.text.clone(), false);
        } else {
            self.cue("Done", true);
        }
        if let (Some(job), Some(id)) = (&self.job, taken.id)
            && let Some(capture) = job.capture(id)
        {
            self.held.push(held(capture, Some(&taken.reading)));
        }
        Ok(())
    }

    /// What is going on, for the window.
    pub(super) fn activity(&self) -> Activity {
        match &self.running {
            None => Activity::Idle,
            Some(Running::Countdown { plan, shown, .. }) => {
                Activity::Countdown { title: plan.label.clone(), seconds: *shown }
            }
            Some(Running::Recording { take, title, .. }) => Activity::Running {
                title: title.clone(),
                detail: format!("{:.0} s", take.elapsed_s()),
                #[expect(clippy::cast_possible_truncation, reason = "a share of 1")]
                progress: take.progress().map(|share| share as f32),
            },
            Some(Running::Computing(_)) => {
                Activity::Running { title: "Computing".to_owned(), detail: String::new(), progress: None }
            }
        }
    }
}

/// A capture of the job as the desk holds it.
pub(super) fn held(capture: &job::Capture, reading: Option<&Reading>) -> Held {
    let response = reading.and_then(|reading| reading_response(reading).ok());
    let worst = reading.and_then(|reading| {
        let doubtful = reading.findings.iter().filter(|finding| finding.level != FindingLevel::Note);
        doubtful.max_by_key(|finding| finding.level)
    });
    Held {
        id: CaptureId(capture.id.0),
        label: capture.meta.label.clone(),
        time: capture
            .meta
            .started
            .to_zoned_datetime(jiff::tz::TimeZone::system())
            .strftime("%H:%M")
            .to_string(),
        stage: capture.meta.stage,
        mark: match capture.meta.set {
            Some(Set::Before) => Some(SetMark::Before),
            Some(Set::After) => Some(SetMark::After),
            Some(Set::Named(_)) | None => None,
        },
        shown: true,
        response,
        remark: worst.map_or_else(String::new, |finding| finding.text.clone()),
    }
}

fn live(take: &mut Take) -> Live {
    let input = take.meters().get(take.input()).copied();
    let meter = input.map(|input| {
        let rms_dbfs = units::LevelDbfs::from_rms(input.rms).0.max(-120.0);
        let peak_dbfs = units::LevelDbfs::from_peak(input.peak).0;
        let share = |dbfs: f64| (1.0 - dbfs / METER_FLOOR_DBFS).clamp(0.0, 1.0);
        #[expect(clippy::cast_possible_truncation, reason = "a share of a meter")]
        let (level, peak) = (share(rms_dbfs) as f32, share(peak_dbfs) as f32);
        Meter {
            text: format!("{rms_dbfs:.1} dBFS"),
            unit: MeterUnit::Dbfs,
            level,
            peak,
            clipped: input.clipped > 0,
        }
    });
    let lines = reading_response(&take.reading())
        .ok()
        .map(|response| Line {
            label: "now".to_owned(),
            role: Role::Live,
            dash: Dash::Solid,
            points: points(&response, 0.0),
            certainty: [].into(),
        })
        .into_iter()
        .collect();
    Live { meter, lines }
}
