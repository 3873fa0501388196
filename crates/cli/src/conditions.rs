//! What a capture was made under, as a person says it.

use job::Conditions;
use library::Error;

use crate::flags::ConditionFlags;
use crate::number;

impl ConditionFlags {
    /// Notes what was said; whether anything was. An empty word takes a note away.
    pub(crate) fn note(&self, conditions: &mut Conditions) -> Result<bool, Error> {
        let Self { step, rpm, kmh, mode, note } = self;
        let speed = |option: &str, text: &Option<String>, unit: &str| {
            let read = |text: &String| match text.trim() {
                "" => Ok(None),
                text => number::of(option, number::plain(text, unit)).map(Some),
            };
            text.as_ref().map(read).transpose()
        };
        if let Some(step) = step {
            conditions.volume_step = Some(*step);
        }
        if let Some(rpm) = speed("--rpm", rpm, "rpm")? {
            conditions.engine_rpm = rpm;
        }
        if let Some(kmh) = speed("--kmh", kmh, "km/h")? {
            conditions.vehicle_kmh = kmh;
        }
        if let Some(mode) = mode {
            mode.trim().clone_into(&mut conditions.source_mode);
        }
        if let Some(note) = note {
            note.trim().clone_into(&mut conditions.note);
        }
        Ok(step.is_some() || rpm.is_some() || kmh.is_some() || mode.is_some() || note.is_some())
    }
}
