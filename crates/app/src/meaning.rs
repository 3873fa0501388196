//! What the processor means by Q, found step by step: one capture flat, one with a known band.

use tuning::{Band, BandLayout, MeaningOfQ, Profile, QDefinition};
use view::{Action, Button, Card, CardLine, FindingLine, Stage, Tone, TuneCard};

use super::Core;
use super::captures::CaptureView;
use super::card::{button, line};
use super::derivation::Derivation;
use super::order::Order;
use super::state::State;
use super::work::Heading;
use library::{Error, Result, files, place};
use procedure::Request;
use rig::{Entered, Scene, Sounding};

/// Where the two captures are kept.
const FLAT: &str = "Q, flat";
const ONE_BAND: &str = "Q, one band";

/// The band that tells the definitions apart: far up, where all three differ, and a cut, which no
/// tweeter minds (see `tuning::meaning_of_q`).
fn telling_band(profile: &Profile) -> Option<Band> {
    let BandLayout::Parametric { frequency_hz, q, .. } = &profile.bands else { return None };
    Some(Band::peak(frequency_hz.nearest(8_000.0), profile.gain_db.nearest(-12.0), q.nearest(1.4)))
}

/// A definition in words.
fn words(definition: QDefinition) -> &'static str {
    match definition {
        QDefinition::Cookbook => "the cookbook’s",
        QDefinition::HalfGain => "width at half the gain",
        QDefinition::Minus3Db => "width 3 dB from the top",
    }
}

impl State {
    /// The two captures, as far as they were made; a newer flat one begins again.
    fn q_captures(&self) -> (Option<&CaptureView>, Option<&CaptureView>) {
        let flat = self.captures.newest(Stage::Tune, FLAT);
        let one = self.captures.newest(Stage::Tune, ONE_BAND);
        (flat, one.filter(|one| flat.is_some_and(|flat| one.id > flat.id)))
    }

    /// The next of the two captures.
    pub(super) fn q_order(&self) -> Result<Order> {
        let profile = self.tune.profile();
        let band = telling_band(profile)
            .ok_or_else(|| Error::input("This processor’s bands are fixed: there is no Q to be typed."))?;
        let begun = matches!(self.q_captures(), (Some(_), None));
        let place = if begun { ONE_BAND } else { FLAT };
        let mut plan = self.response_plan(job::Stage::Tune, engine::InputRole::Microphone)?;
        (plan.label, plan.position) = (place.to_owned(), place.to_owned());
        let bands = if begun { vec![(String::new(), profile.cookbook(&band))] } else { Vec::new() };
        plan.scene = Some(Scene {
            sounding: Sounding::Processed,
            position: self.position_names().into_iter().next(),
            volume_step: self.usual_step(),
            processor: Some(Entered { bands, ..self.in_processor() }),
            ..Scene::default()
        });
        plan.request = Some(Request::GetReady);
        let heading = Heading {
            title: place.to_owned(),
            hint: "Leave the microphone where it is from one capture to the next.".to_owned(),
            detail: String::new(),
        };
        Ok(Order { plan, heading, pace: self.pace(u32::MAX) })
    }
}

impl Derivation {
    /// What the two say, computed once for each set of captures.
    fn q_found(&self) -> Option<std::result::Result<MeaningOfQ, String>> {
        let key = (self.captures.results(), self.tune.profile_id().to_owned());
        self.memos.meaning_of_q.get(key, || {
            let (Some(flat), Some(one)) = self.q_captures() else { return None };
            let profile = self.tune.profile();
            let (flat, one) = (flat.response.as_deref()?, one.response.as_deref()?);
            let band = telling_band(profile)?;
            let found = tuning::meaning_of_q(flat, one, &band, profile.sample_rate_hz);
            Some(found.map_err(|error| error.to_string()))
        })
    }

    pub(super) fn q_main(&self) -> Button {
        let profile = self.tune.profile();
        if telling_band(profile).is_none() {
            return button(Action::ShowBands, "Back to the bands", self.is_idle());
        }
        match (self.q_captures(), self.q_found()) {
            ((None, _), _) | (_, Some(Err(_))) => self.measure_button("Measure flat"),
            ((Some(_), None), _) | (_, None) => self.measure_button("Measure with the band"),
            (_, Some(Ok(found))) => match found.definition {
                Some(definition) if definition == profile.q_definition => {
                    button(Action::ShowBands, "Next: bands", true)
                }
                Some(_) => button(Action::UseQ, "Put that into the profile", true),
                None => self.measure_button("Measure flat again"),
            },
        }
    }

    pub(super) fn q_card(&self) -> Card {
        let profile = self.tune.profile();
        let found = self.q_found();
        let mut card = Card {
            detail: "Processors mean three different things by Q. Two captures tell which: leave the microphone where \
                     it is between them."
                .to_owned(),
            actions: vec![button(Action::ShowBands, "Back to the bands", self.is_idle())],
            settings: vec![self.processor_setting(), self.countdown_setting()],
            lines: vec![line("The profile says", words(profile.q_definition).to_owned())],
            ..Card::default()
        };
        let Some(band) = telling_band(profile) else {
            "This processor’s bands are fixed: there is no Q to be typed.".clone_into(&mut card.instruction);
            return card;
        };
        match (self.q_captures(), found) {
            ((None, _), _) => {
                card.instruction = "Switch every band off, then measure.".to_owned();
            }
            ((Some(_), None), _) | (_, None) => {
                card.instruction = format!("Enter this band alone, then measure: {}.", band.sentence());
            }
            (_, Some(Ok(found))) => self.q_verdict(&mut card, &found),
            (_, Some(Err(error))) => {
                card.instruction = "It could not be told. Measure once more.".to_owned();
                card.findings.push(FindingLine { tone: Tone::Caution, text: error });
            }
        }
        card
    }

    fn q_verdict(&self, card: &mut Card, found: &MeaningOfQ) {
        let own = self.tune.profile().q_definition;
        for trial in &found.tried {
            card.lines.push(CardLine {
                label: words(trial.definition).to_owned(),
                value: format!("leaves {:.2} dB", trial.rms_db),
                tone: if found.definition == Some(trial.definition) { Tone::Good } else { Tone::Plain },
            });
        }
        card.instruction = match found.definition {
            Some(definition) if definition == own => "It means by Q what the profile says.".to_owned(),
            Some(definition) => {
                format!("It means by Q the {}.", words(definition).trim_start_matches("the "))
            }
            None => "That could not be told apart.".to_owned(),
        };
        card.findings.extend(found.findings.iter().map(|finding| FindingLine {
            tone: if finding.level == measure::FindingLevel::Note { Tone::Plain } else { Tone::Caution },
            text: finding.text.clone(),
        }));
    }
}

impl Core {
    /// Writes a profile of the person's own that says what was found, and uses it.
    pub(super) fn use_q(&mut self) -> Result<()> {
        self.ask(|derivation| {
            let found =
                derivation.q_found().and_then(std::result::Result::ok).and_then(|found| found.definition);
            Box::new(move |core| match found {
                Some(definition) => core.keep_q(definition),
                None => Err(Error::input("Measure flat and with the band first.")),
            })
        })
    }

    fn keep_q(&mut self, definition: QDefinition) -> Result<()> {
        let id = self.state.tune.profile_id().to_owned();
        let preset = Profile::presets().iter().find(|preset| preset.name == id);
        let own = library::text("processors", &id, preset.is_some())?.map(|(text, _)| text);
        let text = own.or_else(|| preset.map(|preset| preset.text.to_owned())).unwrap_or_default();
        let bare = QDefinition::ALL.iter().find_map(|one| id.strip_suffix(&format!("-{}", one.word())));
        let name = format!("{}-{}", bare.unwrap_or(&id), definition.word());
        let folder = place::data()
            .ok_or_else(|| {
                Error::input("The system names no folder for a program's data; edit the profile by hand.")
            })?
            .join("processors");
        std::fs::create_dir_all(&folder).map_err(|error| Error::io("make", &folder, &error))?;
        let path = folder.join(format!("{name}.toml"));
        files::write_text(&path, &with_definition(&text, definition, self.state.tune.profile()))?;
        self.state.tune.choose_profile(&name)?;
        self.state.face.tune_card = TuneCard::Bands;
        self.notice(format!("The profile is kept in {}", path.display()), true);
        Ok(())
    }
}

/// The text of a profile with another definition of Q, and a name that says so.
fn with_definition(text: &str, definition: QDefinition, profile: &Profile) -> String {
    let said = format!("q_definition = \"{}\"", definition.word());
    let bare = profile.name.split(", Q: ").next().unwrap_or_default();
    let name = format!("name = \"{bare}, Q: {}\"", words(definition));
    let mut lines: Vec<String> = Vec::new();
    let mut done = false;
    for line in text.lines() {
        match line.split('=').next().map(str::trim) {
            Some("q_definition") => {}
            Some("name") => {
                lines.push(name.clone());
                if !done {
                    lines.push(said.clone());
                }
                done = true;
            }
            _ => lines.push(line.to_owned()),
        }
    }
    lines.join("\n") + "\n"
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_profile_says_what_was_found() {
        for preset in Profile::presets() {
            let profile = Profile::preset(preset.name).expect("a profile");
            for definition in QDefinition::ALL {
                let text = with_definition(preset.text, definition, &profile);
                let found = Profile::parse(&text, "own").expect("it can be read");
                assert_eq!(found.q_definition, definition);
                assert_eq!(
                    Profile { q_definition: profile.q_definition, name: profile.name.clone(), ..found },
                    profile
                );
            }
        }
    }

    #[test]
    fn the_band_that_is_asked_for_can_be_typed() {
        for preset in Profile::presets() {
            let profile = Profile::preset(preset.name).expect("a profile");
            if let Some(band) = telling_band(&profile) {
                assert!(profile.accepts(&band), "{band:?}");
                assert!(band.gain_db <= -9.0 && band.frequency_hz > 6_000.0, "{band:?}");
            }
        }
    }
}
