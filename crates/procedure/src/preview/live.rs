//! A tuning heard through a rig, with the bands and without.

use ::preview::Chain;
use engine::{Capture, CaptureRequest, Length, Next, Play, PreviewHand, preview_path};
use library::{Error, Result};
use rig::{Entered, RigSpec, Scene, Sounding};

use super::ear::Ear;
use super::{LOUDEST_DBFS, PreviewOrder, PreviewReport, PreviewTuning, Program};
use crate::capture::{TELL_EVERY, WAIT};
use crate::session::Session;
use crate::spectrum::{SLOW_S, Spectrum};
use crate::{Event, Instruction, LevelA};

/// Plays through a rig and the virtual processor, until the person says that it is enough
/// ([`Instruction::Continue`]), it is stopped, or its time is over. Meanwhile it is switched between
/// with the bands and without ([`Instruction::Switch`], [`Instruction::Bypass`]), and may be
/// given another tuning ([`Instruction::Tuning`]). Nothing is kept: it is no measurement.
///
/// # Errors
/// When something that was given cannot be used, or the rig refuses.
pub fn preview(
    session: &mut Session<'_>,
    tuning: PreviewTuning,
    order: &PreviewOrder,
) -> Result<PreviewReport> {
    order.check(LOUDEST_DBFS)?;
    if session.rig.runs_ahead_of_the_clock() && order.seconds.is_none() {
        return Err(Error::input("a simulated car goes on for ever, and nobody hears it; add --seconds"));
    }
    let spec = session.rig.spec().clone();
    let mut findings = tuning.left_out(&spec)?;
    let (program, peak_dbfs) = (order.program(), order.peak_dbfs());
    let rows = program.rows(&spec, peak_dbfs)?;
    let matched_db = -tuning.louder_db(&spec)?;
    let place = session.rig.car().map(|simulated| simulated.setup().mic_position.clone());
    let channels = tuning.in_processor.clone();
    let processor = (!channels.is_empty()).then(|| Entered { channels, ..Entered::default() });
    let sounding = Sounding::Processed;
    session.rig.set_scene(&Scene { sounding, position: place, processor, ..Scene::default() })?;
    let mut heard = Listening::begin(session, tuning, order, rows)?;
    session.emit(Event::Began { label: spec.name.clone(), place: (0, 1), stimulus: None });
    heard.run(session, order, &spec)?;
    let Listening { tuning, capture, ear, switched, .. } = heard;
    let end = capture.finish();
    findings.extend(end.findings.iter().map(rig::finding));
    let summed_up = ear.map(|ear| ear.sum_up(session.rig, matches!(program, Program::Pink { .. })));
    let (at_the_ear, remarks) = summed_up.unzip();
    findings.extend(remarks.into_iter().flatten());
    Ok(PreviewReport {
        program: program.name(),
        sample_rate_hz: end.sample_rate_hz,
        seconds: end.frames as f64 / f64::from(end.sample_rate_hz),
        peak_dbfs,
        bands: tuning.bands.len(),
        matched_db,
        matched_in_car: tuning.car.is_some(),
        switched,
        file: None,
        heard: at_the_ear,
        findings,
    })
}

/// What is being listened to.
struct Listening {
    tuning: PreviewTuning,
    capture: Capture,
    hand: PreviewHand,
    ear: Option<Ear>,
    /// What the microphone hears, as a curve that follows.
    curve: Option<Spectrum>,
    with: bool,
    switched: u32,
}

impl Listening {
    fn begin(
        session: &mut Session<'_>,
        tuning: PreviewTuning,
        order: &PreviewOrder,
        rows: Vec<Vec<f32>>,
    ) -> Result<Self> {
        let with = !order.without;
        let (hand, path) = preview_path(tuning.chain(session.rig.spec(), with)?);
        let length = order.seconds.map_or(Length::UntilStopped, Length::Seconds);
        let run = Some(session.token.clone());
        let request = CaptureRequest { play: Play::Endless(rows), length, record_to: None, run };
        let ear = Ear::new(session.rig, with);
        let rate_hz = session.rig.sample_rate_hz();
        let curve = (order.curves && ear.is_some()).then(|| Spectrum::new(rate_hz, SLOW_S));
        let capture = session.rig.capture_through(path, request)?;
        Ok(Self { tuning, capture, hand, ear, curve, with, switched: 0 })
    }

    fn run(&mut self, session: &mut Session<'_>, order: &PreviewOrder, spec: &RigSpec) -> Result<()> {
        let rate_hz = f64::from(spec.sample_rate_hz);
        let every_s = order.every_s.unwrap_or(f64::INFINITY);
        let end_s = order.seconds.unwrap_or(f64::INFINITY);
        let (mut at_s, mut due_s) = (0.0, every_s);
        let (mut wanted, mut stopped) = (self.with, false);
        // Another tuning that the path has not taken yet.
        let mut waiting = false;
        let mut ticker = session.ticker(TELL_EVERY);
        session.emit(Event::Heard { at_s, with: self.with });
        loop {
            match self.capture.next_within(WAIT) {
                Next::Over => return Ok(()),
                Next::Block(block) => {
                    let frames = block.channels.first().map_or(0, Vec::len);
                    at_s = (block.first_frame + frames as u64) as f64 / rate_hz;
                    // The fade of a stop is no part of what was heard.
                    if !stopped {
                        self.hear(&block.channels);
                    }
                }
                Next::NotYet => {}
            }
            self.hand.clear();
            if stopped || session.is_stopped() {
                stopped = true;
                continue;
            }
            match session.instruction() {
                Some(Instruction::Switch) => (wanted, due_s) = (!wanted, at_s + every_s),
                Some(Instruction::Bypass(bypass)) => (wanted, due_s) = (!bypass, at_s + every_s),
                Some(Instruction::Tuning(tuning)) => (self.tuning, waiting) = (*tuning, true),
                Some(Instruction::Continue | Instruction::Skip) => {
                    self.capture.stop();
                    stopped = true;
                }
                Some(Instruction::Meter(_)) | None => {}
            }
            // Nothing changes just as it ends.
            if at_s >= due_s && due_s < end_s {
                wanted = !wanted;
                due_s += every_s;
            }
            // A path that is busy is asked again at the next step.
            if (waiting || wanted != self.with) && self.hand_over(self.tuning.chain(spec, wanted)?) {
                waiting = false;
                if wanted != self.with {
                    self.switched += 1;
                }
                self.changes_to(wanted);
                session.emit(Event::Heard { at_s, with: wanted });
            }
            if ticker.is_due(at_s) {
                self.tell(session, at_s);
            }
        }
    }

    fn hand_over(&mut self, chain: Box<Chain>) -> bool {
        self.hand.hand(chain).is_ok()
    }

    fn hear(&mut self, channels: &[Vec<f32>]) {
        let Some(ear) = &mut self.ear else { return };
        ear.hear(channels);
        if let (Some(curve), Some(samples)) = (&mut self.curve, channels.get(ear.input())) {
            curve.hear(samples);
        }
    }

    fn changes_to(&mut self, with: bool) {
        self.with = with;
        if let Some(ear) = &mut self.ear {
            ear.changes_to(with);
        }
        if let Some(curve) = &mut self.curve {
            curve.forget();
        }
    }

    fn tell(&self, session: &mut Session<'_>, elapsed_s: f64) {
        let Some(ear) = &self.ear else { return };
        let meters = self.capture.meters();
        session.emit(Event::Level { elapsed_s, input: ear.input(), meters, blocks: Vec::new() });
        let Some(response) = self.curve.as_ref().and_then(Spectrum::response) else { return };
        let response = match session.rig.microphone(ear.input()) {
            Some(microphone) => microphone.corrected(&response),
            None => response,
        };
        let level = ear.level_now(session.rig);
        let level_a = level.map(|level| LevelA { dbfs: level.level_a_dbfs, spl_db: level.leq_a_db });
        session.emit(Event::Spectrum { with: self.with, response, level_a });
    }
}

#[cfg(test)]
mod tests {
    use testkit::near;
    use tuning::Band;

    use super::*;
    use crate::testing::Trial;

    fn order() -> PreviewOrder {
        PreviewOrder { seconds: Some(40.0), every_s: Some(10.0), ..PreviewOrder::default() }
    }

    fn tuning(bands: &[Band]) -> PreviewTuning {
        let bands = bands.iter().map(|band| (String::new(), *band)).collect();
        PreviewTuning { bands, ..PreviewTuning::default() }
    }

    fn changes(trial: &Trial) -> Vec<(f64, bool)> {
        let heard = trial.events.iter().filter_map(|event| match event {
            Event::Heard { at_s, with } => Some((*at_s, *with)),
            _ => None,
        });
        heard.collect()
    }

    /// Source: analytic: with the bands the microphone hears what they do, less the gain that
    /// matches the levels, whatever the car does. Both ways play the same ten seconds of noise,
    /// so that what is left is what the car and the microphone add: 0.5 dB covers it from 100 Hz
    /// to 10 kHz, over a sixth of an octave.
    #[test]
    fn the_microphone_hears_what_the_bands_do() {
        let bands = [Band::peak(1_000.0, -6.0, 1.0), Band::low_shelf(150.0, 4.0, 0.7)];
        let mut trial = Trial::car("");
        let report = trial.run(|session| preview(session, tuning(&bands), &order())).expect("it is heard");
        assert_eq!(report.switched, 3);
        let changes = changes(&trial);
        assert_eq!(changes.iter().map(|change| change.1).collect::<Vec<_>>(), [true, false, true, false]);
        for (at_s, wanted_s) in changes.iter().map(|change| change.0).zip([0.0, 10.0, 20.0, 30.0]) {
            near("changed at", at_s, wanted_s, 0.1);
        }
        near("seconds", report.seconds, 40.0, 1e-3);
        let heard = report.heard.expect("a microphone");
        let (with, without) = (&heard.curves["with"], &heard.curves["without"]);
        let wanted = ::tuning::bands_db(&bands, &with["frequency_hz"], 48_000.0);
        for (at, hz) in with["frequency_hz"].iter().enumerate() {
            if (100.0..10_000.0).contains(hz) {
                let got_db = with["level_db"][at] - without["level_db"][at];
                near(&format!("{hz:.0} Hz"), got_db, wanted[at] + report.matched_db, 0.5);
            }
        }
        let level = heard.with.expect("a level");
        near("heard for", level.seconds, 2.0 * 9.5, 2.0 * 0.69);
        assert!(level.leq_a_db.is_some(), "the simulated microphone is calibrated");
    }

    /// Source: analytic: matched at the listener's place, where the car's response is known, both
    /// are equally loud there.
    #[test]
    fn where_the_car_was_measured_both_are_as_loud_at_the_microphone() {
        let mut tuning = tuning(&[Band::low_shelf(200.0, 9.0, 0.7)]);
        let listen = |tuning: &PreviewTuning| {
            Trial::car("").run(|session| preview(session, tuning.clone(), &order())).expect("it is heard")
        };
        let louder = |report: &PreviewReport| report.heard.as_ref().and_then(|heard| heard.louder_db);
        let first = listen(&tuning);
        let apart = first.findings.iter().any(|finding| finding.code == "levels-apart");
        assert_eq!(apart, louder(&first).is_some_and(|db| db.abs() > 1.0), "{:?}", first.findings);
        // What the microphone heard without the bands is what the car does to pink noise.
        let curve = &first.heard.as_ref().expect("a microphone").curves["without"];
        let car = ::tuning::Response::new(curve["frequency_hz"].clone(), curve["level_db"].clone());
        tuning.car = car.ok();
        let second = listen(&tuning);
        assert!(second.matched_in_car && !first.matched_in_car);
        near("louder at the microphone", louder(&second).expect("both were heard"), 0.0, 0.2);
    }

    #[test]
    fn a_person_switches_and_says_that_it_is_enough() {
        let bands = tuning(&[Band::peak(1_000.0, -6.0, 1.0)]);
        let order = PreviewOrder { every_s: None, without: true, ..order() };
        let mut trial = Trial::car("");
        trial.say(Instruction::Switch);
        trial.say_after(60, Instruction::Bypass(true));
        let report = trial.run(|session| preview(session, bands.clone(), &order)).expect("it is heard");
        assert_eq!(changes(&trial).iter().map(|change| change.1).collect::<Vec<_>>(), [false, true, false]);
        assert_eq!(report.switched, 2);
        let mut enough = Trial::car("");
        enough.say_after(60, Instruction::Continue);
        let report = enough.run(|session| preview(session, bands.clone(), &order)).expect("it is heard");
        assert!(report.seconds < 39.0, "{} s", report.seconds);
        let for_ever = PreviewOrder { seconds: None, ..order };
        let refused = Trial::car("").run(|session| preview(session, bands, &for_ever)).expect_err("for ever");
        assert!(refused.to_string().contains("--seconds"), "{refused}");
    }

    /// Other filters while it plays: they are heard, and that is no switch.
    #[test]
    fn another_tuning_is_taken_while_it_plays() {
        let other = tuning(&[Band::peak(200.0, 5.0, 1.0), Band::peak(2_000.0, -4.0, 1.0)]);
        let order = PreviewOrder { every_s: None, seconds: Some(8.0), curves: true, ..order() };
        let mut trial = Trial::car("");
        trial.say_after(40, Instruction::Tuning(Box::new(other)));
        let first = tuning(&[Band::peak(1_000.0, -6.0, 1.0)]);
        let report = trial.run(|session| preview(session, first, &order)).expect("it is heard");
        assert_eq!((report.bands, report.switched), (2, 0));
        assert_eq!(changes(&trial).len(), 2, "{:?}", changes(&trial));
        assert!(trial.events.iter().any(|event| matches!(event, Event::Spectrum { with: true, .. })));
    }
}
