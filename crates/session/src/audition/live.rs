//! A tuning heard through a rig, with the bands and without.

use std::path::Path;
use std::time::Duration;

use engine::{Capture, CaptureRequest, Length, Next, Pace, Play, PreviewHand, RigSpec, preview_path};

use super::ear::Ear;
use super::{LOUDEST_DBFS, PreviewOrder, PreviewReport, Program};
use crate::playback::Heard;
use crate::{Error, Result};
use rig::{OpenRig, RigChoice, Scene, Sounding};

/// How loud it is when nobody says so, in dBFS peak.
const USUAL_DBFS: f64 = -20.0;
/// How often a person is asked.
const ASKED_EVERY: Duration = Duration::from_millis(50);

/// What there is to tell whoever listens.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum PreviewNow<'a> {
    /// It begins.
    Begins {
        /// The rig's name.
        rig: &'a str,
        /// Whether it is a simulated car, which makes no sound.
        simulated: bool,
        /// The highest sample without the bands.
        peak_dbfs: f64,
    },
    /// This is heard from now on.
    Heard {
        /// When, since it began.
        at_s: f64,
        /// Whether the bands are on.
        with: bool,
    },
    /// It goes on.
    On,
}

/// What whoever listens wants.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PreviewWish {
    /// That it goes on.
    On,
    /// To hear it the other way.
    Switch,
    /// That it ends.
    Stop,
}

/// Plays through a rig and the virtual processor until it is told to stop or its time is over.
/// Without a rig file or a simulated car (by name or file; empty for the usual one) the system's own
/// devices play. A simulated car runs as fast as it goes.
///
/// # Errors
/// When something that was given cannot be used, or the rig refuses.
pub fn preview(
    order: &PreviewOrder,
    rig: Option<&Path>,
    simulated: Option<&str>,
    ask: &mut dyn FnMut(PreviewNow<'_>) -> PreviewWish,
) -> Result<PreviewReport> {
    order.check(LOUDEST_DBFS)?;
    let heard = order.heard()?;
    let mut bench = OpenRig::open(RigChoice::of(
        rig.map(Path::to_owned),
        simulated.map(str::to_owned),
        Pace::AsFastAsPossible,
    ))?;
    if bench.car().is_some() && order.seconds.is_none() {
        return Err(Error::input("a simulated car goes on for ever, and nobody hears it; add --seconds"));
    }
    bench.set_scene(&Scene { sounding: Sounding::Processed, ..Scene::default() })?;
    let mut findings = heard.left_out(bench.spec())?;
    let peak_dbfs = order.level_dbfs.unwrap_or(USUAL_DBFS);
    let program = order.program();
    let rows = program.rows(bench.spec(), peak_dbfs)?;
    let matched_db = -heard.louder_db(bench.spec())?;
    let mut listening = Listening::begin(order, heard, rows, &mut bench)?;
    let rig = bench.spec().name.clone();
    ask(PreviewNow::Begins { rig: &rig, simulated: bench.car().is_some(), peak_dbfs });
    listening.run(order, bench.spec(), ask)?;
    let Listening { heard, capture, ear, switched, .. } = listening;
    let end = capture.finish();
    findings.extend(end.findings.iter().map(rig::finding));
    let summed_up = ear.map(|ear| ear.sum_up(&bench, matches!(program, Program::Pink { .. })));
    let (at_the_ear, remarks) = summed_up.unzip();
    findings.extend(remarks.into_iter().flatten());
    Ok(PreviewReport {
        program: program.name(),
        sample_rate_hz: end.sample_rate_hz,
        seconds: end.frames as f64 / f64::from(end.sample_rate_hz),
        peak_dbfs,
        bands: heard.bands.len(),
        matched_db,
        matched_in_car: heard.car.is_some(),
        switched,
        file: None,
        heard: at_the_ear,
        findings,
    })
}

/// What is being listened to.
struct Listening {
    heard: Heard,
    capture: Capture,
    hand: PreviewHand,
    ear: Option<Ear>,
    with: bool,
    switched: u32,
}

impl Listening {
    fn begin(order: &PreviewOrder, heard: Heard, rows: Vec<Vec<f32>>, bench: &mut OpenRig) -> Result<Self> {
        let with = !order.without;
        let (hand, path) = preview_path(heard.chain(bench.spec(), with)?);
        let length = order.seconds.map_or(Length::UntilStopped, Length::Seconds);
        let request = CaptureRequest { play: Play::Endless(rows), length, ..CaptureRequest::watch() };
        let ear = Ear::new(bench, with);
        let capture = bench.capture_through(path, request)?;
        Ok(Self { heard, capture, hand, ear, with, switched: 0 })
    }

    fn run(
        &mut self,
        order: &PreviewOrder,
        spec: &RigSpec,
        ask: &mut dyn FnMut(PreviewNow<'_>) -> PreviewWish,
    ) -> Result<()> {
        let rate_hz = f64::from(spec.sample_rate_hz);
        let every_s = order.every_s.unwrap_or(f64::INFINITY);
        let end_s = order.seconds.unwrap_or(f64::INFINITY);
        let (mut at_s, mut due_s) = (0.0, every_s);
        let (mut wanted, mut stopped) = (self.with, false);
        ask(PreviewNow::Heard { at_s, with: self.with });
        loop {
            match self.capture.next_within(ASKED_EVERY) {
                Next::Over => return Ok(()),
                Next::Block(block) => {
                    let frames = block.channels.first().map_or(0, Vec::len);
                    at_s = (block.first_frame + frames as u64) as f64 / rate_hz;
                    // The fade of a stop is no part of what was heard.
                    if let Some(ear) = self.ear.as_mut().filter(|_| !stopped) {
                        ear.hear(&block.channels);
                    }
                }
                Next::NotYet => {}
            }
            if stopped {
                continue;
            }
            match ask(PreviewNow::On) {
                PreviewWish::On => {}
                PreviewWish::Switch => {
                    wanted = !wanted;
                    due_s = at_s + every_s;
                }
                PreviewWish::Stop => {
                    self.capture.stop();
                    stopped = true;
                }
            }
            // Nothing changes just as it ends.
            if at_s >= due_s && due_s < end_s {
                wanted = !wanted;
                due_s += every_s;
            }
            // A path that is busy is asked again at the next step.
            if wanted != self.with && self.hand.hand(self.heard.chain(spec, wanted)?).is_ok() {
                self.with = wanted;
                self.switched += 1;
                if let Some(ear) = &mut self.ear {
                    ear.changes_to(wanted);
                }
                ask(PreviewNow::Heard { at_s, with: wanted });
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use testkit::near;

    use super::*;

    fn order(folder: &tempfile::TempDir, bands: &str) -> PreviewOrder {
        let path = folder.path().join("bands.csv");
        std::fs::write(&path, format!("channel,band,type,frequency_hz,gain_db,q\n{bands}"))
            .expect("it is written");
        PreviewOrder {
            bands: Some(path),
            processor: "parametric-free".to_owned(),
            seconds: Some(40.0),
            every_s: Some(10.0),
            ..PreviewOrder::default()
        }
    }

    /// Source: analytic: with the bands the microphone hears what they do, less the gain that
    /// matches the levels, whatever the car does. Both ways play the same ten seconds of noise,
    /// so that what is left is what the car and the microphone add: 0.5 dB covers it from 100 Hz
    /// to 10 kHz, over a sixth of an octave.
    #[test]
    fn the_microphone_hears_what_the_bands_do() {
        let folder = tempfile::tempdir().expect("a folder");
        let order = order(&folder, ",1,peak,1000,-6,1\n,2,low-shelf,150,4,0.7\n");
        let mut changes: Vec<(f64, bool)> = Vec::new();
        let mut begun = 0;
        let report = preview(&order, None, Some(""), &mut |now| {
            match now {
                PreviewNow::Begins { simulated, .. } => begun += usize::from(simulated),
                PreviewNow::Heard { at_s, with } => changes.push((at_s, with)),
                PreviewNow::On => {}
            }
            PreviewWish::On
        })
        .expect("it is heard");
        assert_eq!((begun, report.switched), (1, 3));
        assert_eq!(changes.iter().map(|change| change.1).collect::<Vec<_>>(), [true, false, true, false]);
        for (at_s, wanted_s) in changes.iter().map(|change| change.0).zip([0.0, 10.0, 20.0, 30.0]) {
            near("changed at", at_s, wanted_s, 0.1);
        }
        near("seconds", report.seconds, 40.0, 1e-3);
        let heard = report.heard.expect("a microphone");
        let (with, without) = (&heard.curves["with"], &heard.curves["without"]);
        let bands = [tuning::Band::peak(1_000.0, -6.0, 1.0), tuning::Band::low_shelf(150.0, 4.0, 0.7)];
        let wanted = tuning::bands_db(&bands, &with["frequency_hz"], 48_000.0);
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
        let folder = tempfile::tempdir().expect("a folder");
        let mut order = order(&folder, ",1,low-shelf,200,9,0.7\n");
        let listen = |order: &PreviewOrder| {
            preview(order, None, Some(""), &mut |_| PreviewWish::On).expect("it is heard")
        };
        let louder = |report: &PreviewReport| report.heard.as_ref().and_then(|heard| heard.louder_db);
        let first = listen(&order);
        let codes: Vec<&str> = first.findings.iter().map(|finding| finding.code.as_str()).collect();
        assert_eq!(codes.contains(&"levels-apart"), louder(&first).is_some_and(|db| db.abs() > 1.0));
        // What the microphone heard without the bands is what the car does to pink noise.
        let curve = &first.heard.as_ref().expect("a microphone").curves["without"];
        let car = tuning::Response::new(curve["frequency_hz"].clone(), curve["level_db"].clone());
        let path = folder.path().join("car.csv");
        std::fs::write(&path, car.expect("a response").to_csv()).expect("it is written");
        order.car = Some(path);
        let second = listen(&order);
        assert!(second.matched_in_car && !first.matched_in_car);
        assert_ne!(second.matched_db, first.matched_db);
        near("louder at the microphone", louder(&second).expect("both were heard"), 0.0, 0.2);
    }

    #[test]
    fn a_person_switches_and_stops() {
        let folder = tempfile::tempdir().expect("a folder");
        let mut order = order(&folder, ",1,peak,1000,-6,1\n");
        (order.every_s, order.without) = (None, true);
        let (mut asked, mut heard) = (0, Vec::new());
        let report = preview(&order, None, Some(""), &mut |now| {
            if let PreviewNow::Heard { with, .. } = now {
                heard.push(with);
            }
            asked += usize::from(now == PreviewNow::On);
            match asked {
                100 | 200 if now == PreviewNow::On => PreviewWish::Switch,
                300 => PreviewWish::Stop,
                _ => PreviewWish::On,
            }
        })
        .expect("it is heard");
        assert_eq!(heard, [false, true, false]);
        assert_eq!((asked, report.switched), (300, 2), "nobody is asked after the end");
        assert!(report.seconds < 39.0, "{} s", report.seconds);
        order.seconds = None;
        let refused = preview(&order, None, Some(""), &mut |_| PreviewWish::On).expect_err("for ever");
        assert!(refused.to_string().contains("--seconds"), "{refused}");
    }
}
