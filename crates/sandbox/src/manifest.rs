//! From the text by which a plugin describes itself to a manifest that can be trusted.

use measure::{Manifest, Parameter, ParameterKind, Signal, Stimulus, StimulusWanted};
use serde::Deserialize;

use crate::text::{line, name, quoted, visible};

const MOST_ID: usize = 64;
const MOST_TITLE: usize = 80;
const MOST_SUMMARY: usize = 500;
const MOST_HELP: usize = 300;
const MOST_UNIT: usize = 16;
const MOST_PARAMETERS: usize = 32;
const MOST_OPTIONS: usize = 32;
const MOST_OPTION: usize = 80;
const MOST_CHANNELS: usize = 8;
const MOST_SEGMENTS: usize = 64;
const MOST_SECONDS: f64 = 300.0;
/// Whole numbers up to here are exact as an `f64`.
const MOST_WHOLE: i64 = 1 << 53;

/// The text's form; what is left out takes its default.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Card {
    id: String,
    title: String,
    version: u32,
    summary: String,
    #[serde(default = "one")]
    channels: usize,
    #[serde(default)]
    needs_reference: bool,
    #[serde(default = "any")]
    stimulus: StimulusWanted,
    #[serde(default)]
    parameters: Vec<Setting>,
}

/// One parameter in the text's form.
#[derive(Debug, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case", deny_unknown_fields)]
enum Setting {
    Number {
        name: String,
        help: String,
        #[serde(default)]
        unit: String,
        default: f64,
        min: f64,
        max: f64,
    },
    Integer {
        name: String,
        help: String,
        #[serde(default)]
        unit: String,
        default: i64,
        min: i64,
        max: i64,
    },
    Choice {
        name: String,
        help: String,
        default: String,
        options: Vec<String>,
    },
    Text {
        name: String,
        help: String,
        default: String,
    },
}

impl From<Setting> for Parameter {
    fn from(setting: Setting) -> Self {
        match setting {
            Setting::Number { name, help, unit, default, min, max } => {
                let unit = visible(unit);
                Self { name, help: visible(help), kind: ParameterKind::Number { unit, default, min, max } }
            }
            Setting::Integer { name, help, unit, default, min, max } => {
                let unit = visible(unit);
                Self { name, help: visible(help), kind: ParameterKind::Integer { unit, default, min, max } }
            }
            Setting::Choice { name, help, default, options } => {
                let (default, options) = (visible(default), options.into_iter().map(visible).collect());
                Self { name, help: visible(help), kind: ParameterKind::Choice { default, options } }
            }
            Setting::Text { name, help, default } => {
                let default = visible(default);
                Self { name, help: visible(help), kind: ParameterKind::Text { default } }
            }
        }
    }
}

fn one() -> usize {
    1
}

fn any() -> StimulusWanted {
    StimulusWanted::Any
}

/// Reads a manifest.
///
/// # Errors
/// What is wrong with it, as a clause about the manifest.
pub(crate) fn decode(text: &str) -> Result<Manifest, String> {
    let card: Card = serde_json::from_str(text).map_err(|error| {
        format!("is not of the form that is expected: {}", crate::text::tamed(&error.to_string(), 200))
    })?;
    let manifest = Manifest {
        id: card.id,
        title: visible(card.title),
        version: card.version,
        summary: visible(card.summary),
        channels: card.channels,
        needs_reference: card.needs_reference,
        stimulus: card.stimulus,
        parameters: card.parameters.into_iter().map(Parameter::from).collect(),
    };
    check(&manifest).map_err(|why| format!("cannot be used: {why}"))?;
    Ok(manifest)
}

fn check(manifest: &Manifest) -> Result<(), String> {
    if !is_dotted(&manifest.id) {
        return Err(format!(
            "the id {} is not a dotted name, such as `shop.whine`, of lower-case letters, digits and hyphens",
            quoted(&manifest.id)
        ));
    }
    line("the title", &manifest.title, MOST_TITLE)?;
    line("the summary", &manifest.summary, MOST_SUMMARY)?;
    if manifest.title.trim().is_empty() || manifest.summary.trim().is_empty() {
        return Err("the title or the summary is empty".to_owned());
    }
    if manifest.version == 0 {
        return Err("versions count from 1".to_owned());
    }
    if !(1..=MOST_CHANNELS).contains(&manifest.channels) {
        return Err(format!("it wants {} channels; 1 to {MOST_CHANNELS} can be had", manifest.channels));
    }
    if let StimulusWanted::Known(stimulus) | StimulusWanted::Suggested(stimulus) = &manifest.stimulus {
        check_stimulus(stimulus)?;
    }
    if manifest.parameters.len() > MOST_PARAMETERS {
        return Err(format!("it has more than {MOST_PARAMETERS} parameters"));
    }
    for (index, parameter) in manifest.parameters.iter().enumerate() {
        check_parameter(parameter)?;
        if manifest.parameters[..index].iter().any(|other| other.name == parameter.name) {
            return Err(format!("it has two parameters of the name {}", quoted(&parameter.name)));
        }
    }
    Ok(())
}

/// Words of lower-case letters, digits and hyphens, two at the least, with dots between.
fn is_dotted(id: &str) -> bool {
    let is_word = |word: &str| {
        word.starts_with(|c: char| c.is_ascii_lowercase())
            && word.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-')
    };
    id.len() <= MOST_ID && id.contains('.') && id.split('.').all(is_word)
}

fn check_parameter(parameter: &Parameter) -> Result<(), String> {
    name("the parameter", &parameter.name)?;
    let who = format!("the parameter `{}`", parameter.name);
    line(&format!("the help of {who}"), &parameter.help, MOST_HELP)?;
    let within = |fits: bool| {
        if fits { Ok(()) } else { Err(format!("{who}: its default is not within its range")) }
    };
    match &parameter.kind {
        ParameterKind::Number { unit, default, min, max } => {
            line(&format!("the unit of {who}"), unit, MOST_UNIT)?;
            within(
                default.is_finite() && min.is_finite() && max.is_finite() && min <= default && default <= max,
            )
        }
        ParameterKind::Integer { unit, default, min, max } => {
            line(&format!("the unit of {who}"), unit, MOST_UNIT)?;
            within(-MOST_WHOLE <= *min && min <= default && default <= max && *max <= MOST_WHOLE)
        }
        ParameterKind::Choice { default, options } => {
            if options.len() > MOST_OPTIONS {
                return Err(format!("{who} has more than {MOST_OPTIONS} options"));
            }
            for option in options {
                line(&format!("an option of {who}"), option, MOST_OPTION)?;
                // A setting is trimmed before it is compared.
                if option.trim() != option || option.is_empty() {
                    return Err(format!("{who}: the option {} could not be typed", quoted(option)));
                }
            }
            within(options.contains(default))
        }
        ParameterKind::Text { default } => line(&format!("the default of {who}"), default, MOST_OPTION),
    }
}

/// What would be played, so loudspeakers are at stake.
fn check_stimulus(stimulus: &Stimulus) -> Result<(), String> {
    line("the stimulus's name", &stimulus.name, MOST_TITLE)?;
    if stimulus.segments.len() > MOST_SEGMENTS {
        return Err(format!("its stimulus has more than {MOST_SEGMENTS} segments"));
    }
    for segment in &stimulus.segments {
        if !(segment.duration_s.is_finite() && segment.duration_s > 0.0) {
            return Err("a segment of its stimulus has no duration".to_owned());
        }
        if !(segment.peak_dbfs.is_finite() && segment.peak_dbfs <= 0.0) {
            return Err("a segment of its stimulus is louder than full scale".to_owned());
        }
        if !(segment.fade_s.is_finite() && (0.0..=segment.duration_s).contains(&segment.fade_s)) {
            return Err("a fade of its stimulus is longer than its segment".to_owned());
        }
        if matches!(segment.signal, Signal::Samples { .. }) {
            return Err(
                "its stimulus is made of samples; describe it as sweep, noise, sine or bursts".to_owned()
            );
        }
    }
    if stimulus.duration_s() > MOST_SECONDS {
        return Err(format!("its stimulus is longer than {MOST_SECONDS} s"));
    }
    Ok(())
}
