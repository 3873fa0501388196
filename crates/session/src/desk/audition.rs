//! Listening: noise or music through the virtual processor, with the bands and without.

use std::path::PathBuf;
use std::time::{Duration, Instant};

use chart::{Dash, Line, Role};
use engine::{Capture, CaptureRequest, InputRole, Next, Pace, Play, PreviewHand, preview_path};
use tuning::{Calibration, Response};
use view::{
    Action, Button, Card, Choice, ChoiceKey, Live, Program as Played, SetMark, Setting, SwitchKey, TextKey,
};

use super::Desk;
use super::card::{button, choice, line, switch, text};
use super::held::whole_car;
use super::live;
use super::order::Scene;
use super::picture;
use super::source::remarks;
use super::work::{LIVE_EVERY, Task, Work};
use crate::{Error, Result};
use procedure::{LOUDEST_DBFS, PreviewTuning, Program, SLOW_S, Spectrum};

/// How listening is chosen on the card.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Listening {
    /// A recording that the person picks; else pink noise.
    pub(super) recording: bool,
    pub(super) file: String,
    pub(super) with_bands: bool,
}

impl Listening {
    fn program(&self) -> Program {
        if self.recording {
            Program::Recording(PathBuf::from(self.file.trim()))
        } else {
            Program::Pink { every_s: None }
        }
    }
}

/// What is being listened to.
pub(super) struct Audition {
    capture: Box<Capture>,
    hand: PreviewHand,
    input: usize,
    /// Its own response, where it is known.
    microphone: Option<Calibration>,
    spectrum: Spectrum,
    looked: Instant,
    /// What the path was given last: the tuning, and whether its bands are on.
    given: (PreviewTuning, bool),
    /// The curves without the bands and with them, as far as they were heard.
    curves: [Option<Response>; 2],
}

impl Desk {
    /// Begins to listen; a recording is read first, on a thread of its own.
    pub(super) fn audition(&mut self) -> Result<()> {
        if self.muted {
            return Err(Error::input("The output is muted. Allow output first, then listen."));
        }
        let Some(bench) = &self.bench else {
            return Err(Error::input("Choose what to measure with first: devices, or the simulated car."));
        };
        let (spec, peak_dbfs) = (bench.spec().clone(), self.output_dbfs.min(LOUDEST_DBFS));
        let listening = self.choices.listening.clone();
        if listening.recording && listening.file.trim().is_empty() {
            return Err(Error::input("Name the recording that is to be played, or listen to pink noise."));
        }
        let task = Task {
            title: "Listening".to_owned(),
            detail: "reading what is to be played",
            idle: true,
            broken: "The recording could not be read.",
        };
        self.think(task, move || {
            let rows = listening.program().rows(&spec, peak_dbfs)?;
            Ok(Box::new(move |desk: &mut Desk| desk.play(rows)))
        })
    }

    /// Plays what was read.
    fn play(&mut self, rows: Vec<Vec<f32>>) -> Result<()> {
        let scene = Scene {
            position: self.position_names().into_iter().next(),
            step: self.usual_step(),
            ..Scene::default()
        };
        self.set_car(&scene, Pace::RealTime, Vec::new())?;
        let heard = self.heard();
        let run = self.run.clone();
        let Some(bench) = &mut self.bench else { return Ok(()) };
        let with_bands = self.choices.listening.with_bands;
        let (hand, path) = preview_path(heard.chain(bench.spec(), with_bands)?);
        let input = bench.input(InputRole::Microphone).unwrap_or(0);
        let rate_hz = f64::from(bench.spec().sample_rate_hz);
        let microphone = bench.microphone(input).cloned();
        let request = CaptureRequest { play: Play::Endless(rows), run, ..CaptureRequest::watch() };
        let capture = Box::new(bench.capture_through(path, request)?);
        self.work = Some(Work::Auditioning(Box::new(Audition {
            capture,
            hand,
            input,
            microphone,
            spectrum: Spectrum::new(rate_hz, SLOW_S),
            looked: Instant::now(),
            given: (heard, with_bands),
            curves: [None, None],
        })));
        self.changed = true;
        Ok(())
    }

    /// The tuning as it stands, as it would be heard.
    fn heard(&self) -> PreviewTuning {
        PreviewTuning {
            bands: self.enabled_bands(),
            channels: self.job.as_ref().map(|job| job.project().data.channels.clone()).unwrap_or_default(),
            car: whole_car(|channel| {
                self.average_of(SetMark::Before, channel).map(|average| (*average).clone())
            }),
        }
    }

    pub(super) fn audition_on(&mut self, mut audition: Box<Audition>) -> Result<()> {
        self.hand_over(&mut audition)?;
        match audition.capture.next_within(Duration::from_millis(20)) {
            Next::Over => {
                self.changed = true;
                self.send_live(Live::default());
                for finding in audition.capture.finish().findings {
                    self.notice(finding.text, false);
                }
                return Ok(());
            }
            Next::Block(block) => {
                if let Some(samples) = block.channels.get(audition.input) {
                    audition.spectrum.hear(samples);
                }
            }
            Next::NotYet => {}
        }
        if audition.looked.elapsed() >= LIVE_EVERY {
            audition.looked = Instant::now();
            let live = self.heard_live(&mut audition);
            self.send_live(live);
        }
        self.work = Some(Work::Auditioning(audition));
        Ok(())
    }

    /// Gives the path what has changed: another band, or with and without.
    fn hand_over(&self, audition: &mut Audition) -> Result<()> {
        audition.hand.clear();
        let wanted = (self.heard(), self.choices.listening.with_bands);
        let Some(bench) = &self.bench else { return Ok(()) };
        if audition.given == wanted {
            return Ok(());
        }
        let chain = wanted.0.chain(bench.spec(), wanted.1)?;
        // A path that is busy is asked again at the next step.
        if audition.hand.hand(chain).is_ok() {
            audition.given = wanted;
            audition.spectrum.forget();
        }
        Ok(())
    }

    fn heard_live(&self, audition: &mut Audition) -> Live {
        let calibration =
            self.bench.as_ref().map(|bench| bench.calibration(audition.input)).unwrap_or_default();
        let measured = audition.capture.meters().get(audition.input).copied().unwrap_or_default();
        let (meter, figure) = live::meter(measured, &calibration);
        let with = audition.given.1;
        if let Some(response) = audition.spectrum.response() {
            let response = match &audition.microphone {
                Some(microphone) => microphone.corrected(&response),
                None => response,
            };
            audition.curves[usize::from(with)] = Some(response);
        }
        let curve = |with_bands: bool| -> Option<Line> {
            let response = audition.curves[usize::from(with_bands)].as_ref()?;
            let label = if with_bands { "with bands" } else { "without" };
            let (role, dash) =
                if with_bands == with { (Role::Live, Dash::Solid) } else { (Role::Before, Dash::Dashed) };
            Some(picture::line(label, role, dash, response, self.offset_db(response)))
        };
        Live {
            meter: Some(meter),
            figures: vec![figure],
            lines: [curve(!with), curve(with)].into_iter().flatten().collect(),
        }
    }

    /// Whether something is listened to.
    pub(super) fn is_auditioning(&self) -> bool {
        matches!(&self.work, Some(Work::Auditioning(_)))
    }

    /// It stops what is listened to.
    pub(super) fn audition_main() -> Button {
        button(Action::Preview, "Listen", true)
    }

    /// The card while something is listened to.
    pub(super) fn audition_card(&self) -> Card {
        let louder_db = self
            .bench
            .as_ref()
            .and_then(|bench| self.heard().louder_db(bench.spec()).ok())
            .unwrap_or_default();
        let with = self.choices.listening.with_bands;
        let matched = match (with, louder_db) {
            (_, db) if db.abs() < 0.05 => "as loud as without".to_owned(),
            (true, db) => format!("{:+.1} dB", -db).replace('-', "−"),
            (false, _) => "none needed".to_owned(),
        };
        let left_out = self.bench.as_ref().and_then(|bench| self.heard().left_out(bench.spec()).ok());
        Card {
            instruction: if with {
                "You hear it with the suggested bands.".to_owned()
            } else {
                "You hear it without the bands.".to_owned()
            },
            detail: if self.bench.as_ref().is_some_and(|bench| bench.car().is_some()) {
                "The simulated car makes no sound; its microphone’s curve moves as the sound would."
                    .to_owned()
            } else {
                "Leave the processor’s own bands off meanwhile: these stand in for them.".to_owned()
            },
            settings: vec![self.with_bands_setting()],
            first_settings: 1,
            lines: vec![line("Level matched by", matched)],
            findings: remarks(&left_out.unwrap_or_default()),
            ..Card::default()
        }
    }

    pub(super) fn with_bands_setting(&self) -> Setting {
        switch(SwitchKey::WithBands, "Hear it with the suggested bands", self.choices.listening.with_bands)
    }

    /// What can be listened to.
    pub(super) fn audition_settings(&self) -> Vec<Setting> {
        let listening = &self.choices.listening;
        let programs = [(Played::PinkNoise, "Pink noise"), (Played::Recording, "Recording")];
        let chosen = if listening.recording { Played::Recording } else { Played::PinkNoise };
        let mut settings =
            vec![choice(ChoiceKey::Program, Choice::Program, "Listen to", programs, Some(chosen))];
        if listening.recording {
            settings.push(text(TextKey::PreviewFile, "The recording’s file", &listening.file));
        }
        settings
    }

    /// Whether there is something to listen to.
    pub(super) fn is_audible(&self) -> bool {
        self.tune.bands().iter().any(|band| band.enabled) && self.bench.is_some() && !self.muted
    }
}

#[cfg(test)]
mod tests {
    use testkit::near;

    use super::*;

    /// The response of the simulated car from its left and right input to the microphone, by
    /// the same sweep with and without a virtual processor in the path.
    fn swept(with: Option<bool>, heard: &PreviewTuning) -> Response {
        let mut bench = rig::OpenRig::open(rig::RigChoice::fast_car("")).expect("the car");
        bench
            .set(|setup| {
                setup.noise = false;
                setup.volume_step = 12;
            })
            .expect("it is set");
        let rate_hz = f64::from(bench.spec().sample_rate_hz);
        let frames = dsp::noise::periodic_len(96_000);
        let noise = dsp::noise::periodic_pink(frames, 20.0, 20_000.0, rate_hz, 7);
        let row: Vec<f32> = noise.iter().map(|x| 0.02 * *x as f32).collect();
        let request = CaptureRequest {
            play: Play::Endless(vec![row.clone(), row]),
            length: engine::Length::Seconds(3.2 * frames as f64 / rate_hz),
            record_to: None,
            run: None,
        };
        let mut capture = match with {
            None => bench.capture(request),
            Some(with) => {
                let chain = heard.chain(bench.spec(), with).expect("a chain");
                bench.capture_through(preview_path(chain).1, request)
            }
        }
        .expect("a capture");
        let mut samples: Vec<f64> = Vec::new();
        while let Some(block) = capture.next_block() {
            samples.extend(block.channels[0].iter().map(|&x| f64::from(x)));
        }
        // One whole period, when everything has settled: its lines have no leakage.
        let spectrum = dsp::fft::rfft(&samples[2 * frames..3 * frames], frames);
        let bin_hz = rate_hz / frames as f64;
        let grid = dsp::response::log_grid(40.0, 16_000.0, 24.0);
        let power: Vec<f64> = spectrum.iter().map(|bin| bin.norm_sqr()).collect();
        let level = dsp::smoothing::smooth_power(&power, bin_hz, 48.0, &grid);
        Response::new(grid, level.iter().map(|power| 10.0 * power.log10()).collect()).expect("a response")
    }

    /// Source: analytic: what the preview adds is the bands' own response, less the gain that
    /// matches the levels. The width of 1/48 octave and what the radio's limiter does differently
    /// at another level are within 0.2 dB.
    #[test]
    fn a_capture_with_the_preview_on_differs_by_what_the_bands_predict() {
        let bands = vec![
            (String::new(), tuning::Band::peak(80.0, -6.0, 2.0)),
            (String::new(), tuning::Band::peak(1_000.0, 4.0, 1.4)),
            (String::new(), tuning::Band::high_shelf(6_000.0, -3.0, 0.7)),
        ];
        let heard = PreviewTuning { bands: bands.clone(), channels: Vec::new(), car: None };
        let spec = rig::OpenRig::open(rig::RigChoice::fast_car("")).expect("the car").spec().clone();
        let louder_db = heard.louder_db(&spec).expect("it can be heard");
        let (off, on) = (swept(Some(false), &heard), swept(Some(true), &heard));
        let bands: Vec<tuning::Band> = bands.into_iter().map(|(_, band)| band).collect();
        let predicted = tuning::bands_db(&bands, &off.frequency_hz, 48_000.0);
        for (at, (off, on)) in off.magnitude_db.iter().zip(&on.magnitude_db).enumerate() {
            near("on less off in dB", on - off, predicted[at] - louder_db, 0.2);
        }
        let wire = swept(None, &heard);
        testkit::all_near("switched off it is a wire", &off.magnitude_db, &wire.magnitude_db, 0.01);
    }
}
