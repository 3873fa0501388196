//! A tuning heard before it is typed: noise or music through the virtual processor, with the bands
//! and without.

use std::path::PathBuf;

use chart::{Dash, Line, Role};
use engine::Pace;
use procedure::{Instruction, LOUDEST_DBFS, LevelA, PreviewOrder, PreviewTuning, preview};
use rig::{Entered, Scene, Sounding};
use tuning::Response;
use units::quantity::signed_decibels;
use view::{
    Action, Button, Card, Choice, ChoiceKey, Figure, Program, SetMark, Setting, SwitchKey, TextKey, Tone,
};

use super::card::{button, choice, line, remarks, switch, text};
use super::derivation::Derivation;
use super::run::With;
use super::state::State;
use super::work::{Doing, Heading, Previewing, Work, nothing_more};
use super::{Core, picture};
use library::{Error, Result};
use project::derive::{stand_in, whole_car};

impl State {
    /// What was heard of a preview, as curves.
    pub(super) fn previewed_lines(&self, previewing: &Previewing) -> Vec<Line> {
        let with = previewing.with;
        let curve = |with_bands: bool| -> Option<Line> {
            let response = previewing.curves[usize::from(with_bands)].as_ref()?;
            let label = if with_bands { "with bands" } else { "without" };
            let (role, dash) =
                if with_bands == with { (Role::Live, Dash::Solid) } else { (Role::Before, Dash::Dashed) };
            Some(picture::line(label, role, dash, response, self.offset_db(response)))
        };
        [curve(!with), curve(with)].into_iter().flatten().collect()
    }
}

impl State {
    /// The tuning as it stands, as it would be heard in this car.
    fn preview_tuning(&self, car: Option<Response>) -> PreviewTuning {
        let (bands, channels) = (self.enabled_bands(), self.entered_channels());
        PreviewTuning { bands, channels, car, ..PreviewTuning::default() }
    }
}

impl Derivation {
    /// The tuning as it is heard: matched by what the car did before, and by bands of the sides where those of
    /// single drivers could not be played.
    fn heard(&self) -> PreviewTuning {
        let average = |channel: &str| self.average_of(SetMark::Before, channel);
        let car = whole_car(|channel| average(channel).map(|average| (*average).clone()));
        let tuning = self.preview_tuning(car);
        let Some(job) = &self.job else { return tuning };
        let key = self.entered_key(job);
        let bands = key.1.0.clone();
        let stand_in = self.memos.stand_in.get(key, || stand_in(&job.project(), &bands, self.tune.profile()));
        match stand_in {
            Some(stand_in) => tuning.standing_in(stand_in),
            None => tuning,
        }
    }

    /// It stops what is listened to.
    pub(super) fn preview_main() -> Button {
        button(Action::Preview, "Listen", true)
    }

    /// The card while something is listened to.
    pub(super) fn preview_card(&self) -> Card {
        let tuning = self.heard();
        let spec = self.rig.as_ref().map(|rig| rig.spec());
        let louder_db = spec.and_then(|spec| tuning.louder_db(spec).ok()).unwrap_or_default();
        let with = self.choices.preview.with_bands;
        let matched = match (with, louder_db) {
            (_, db) if db.abs() < 0.05 => "as loud as without".to_owned(),
            (true, db) => signed_decibels(-db),
            (false, _) => "none needed".to_owned(),
        };
        let left_out = spec.and_then(|spec| tuning.left_out(spec).ok());
        Card {
            instruction: if with { "Playing with EQ.".to_owned() } else { "Playing without EQ.".to_owned() },
            detail: if self.rig.as_ref().is_some_and(|rig| rig.car().is_some()) {
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
        switch(SwitchKey::WithBands, "A/B switch: with the bands", self.choices.preview.with_bands)
    }

    /// What can be listened to.
    pub(super) fn preview_settings(&self) -> Vec<Setting> {
        let listening = &self.choices.preview;
        let programs = [(Program::PinkNoise, "Pink noise"), (Program::Recording, "Recording")];
        let chosen = if listening.recording { Program::Recording } else { Program::PinkNoise };
        let mut settings =
            vec![choice(ChoiceKey::Program, Choice::Program, "Listen to", programs, Some(chosen))];
        if listening.recording {
            settings.push(text(TextKey::PreviewFile, "The recording’s file", &listening.file));
        }
        settings
    }

    /// Whether there is something to listen to.
    pub(super) fn is_audible(&self) -> bool {
        self.tune.bands().iter().any(|band| band.enabled) && self.rig.is_some() && !self.muted
    }
}

impl Previewing {
    /// How loud each way has been, as far as it was heard: what is matched is what is shown.
    pub(super) fn level_figures(&self) -> Vec<Figure> {
        let figure = |(level, way): (&Option<LevelA>, &str)| {
            let level = level.as_ref()?;
            let value = match level.spl_db {
                Some(db) => format!("{db:.1} dB(A)"),
                None => format!("{:.1} dBFS(A)", level.dbfs).replace('-', "−"),
            };
            Some(Figure { value, caption: way.to_owned(), tone: Tone::Plain })
        };
        self.levels.iter().zip(["without the bands", "with the bands"]).filter_map(figure).collect()
    }
}

impl Core {
    /// Begins to play, once it is known what is heard.
    pub(super) fn preview(&mut self) -> Result<()> {
        self.ask(|derivation| {
            let heard = derivation.heard();
            Box::new(move |core| core.preview_in(heard))
        })
    }

    fn preview_in(&mut self, heard: PreviewTuning) -> Result<()> {
        self.refuse_while_busy()?;
        if self.state.muted {
            return Err(Error::input("The output is muted. Allow output first, then listen."));
        }
        let choices = self.state.choices.preview.clone();
        if choices.recording && choices.file.trim().is_empty() {
            return Err(Error::input("Name the recording that is to be played, or listen to pink noise."));
        }
        let order = PreviewOrder {
            recording: choices.recording.then(|| PathBuf::from(choices.file.trim())),
            without: !choices.with_bands,
            level_dbfs: Some(self.state.output_dbfs.min(LOUDEST_DBFS)),
            curves: true,
            ..PreviewOrder::default()
        };
        // The bands are in the path, and not in the simulated processor.
        let scene = Scene {
            sounding: Sounding::Processed,
            position: self.position_names().into_iter().next(),
            volume_step: self.usual_step(),
            processor: Some(Entered { bands: Vec::new(), ..self.in_processor() }),
            ..Scene::default()
        };
        let told = (heard, choices.with_bands);
        let tuning = told.0.clone();
        let playing = if choices.recording { "Playing the recording" } else { "Playing pink noise" };
        let heading = Heading { title: playing.to_owned(), ..Heading::default() };
        let store = procedure::Store::Nowhere;
        let with = With { headings: vec![heading], store, pace: Pace::RealTime };
        let previewing =
            Previewing { with: choices.with_bands, curves: [None, None], levels: [None, None], told };
        self.start(Doing::Previewing(Box::new(previewing)), with, false, move |session| {
            session.rig.set_scene(&scene)?;
            preview(session, tuning, &order)?;
            Ok(nothing_more())
        })
    }

    /// Tells a preview that runs what has changed: another band, or with and without.
    pub(super) fn follow_preview(&mut self) {
        let previews = matches!(&self.work, Some(Work::Procedure(running)) if matches!(running.doing, Doing::Previewing(_)));
        if !previews {
            return;
        }
        let Some(Work::Procedure(running)) = &mut self.work else { return };
        let Doing::Previewing(previewing) = &running.doing else { return };
        let told = &previewing.told.0;
        let tuning = match told.stands_in_db {
            // Bands that stand in take too long to follow each edit: they stay as they were.
            Some(_) => told.clone(),
            // So does what the car did before.
            None => self.state.preview_tuning(told.car.clone()),
        };
        let wanted = (tuning, self.state.choices.preview.with_bands);
        let (tuning, with) = &previewing.told;
        let told = (*tuning == wanted.0 || running.say(Instruction::Tuning(Box::new(wanted.0.clone()))))
            && (*with == wanted.1 || running.say(Instruction::Bypass(!wanted.1)));
        if let (true, Doing::Previewing(previewing)) = (told, &mut running.doing) {
            previewing.told = wanted;
        }
    }
}
