//! What the engine says, as everyone above it says such things.

use engine::{EngineError, EngineFinding, EngineLevel};
use library::Error;
use measure::Finding;

/// Why a rig could not be opened or a capture not begun. What is wrong with the rig file or the
/// request is the person's to change; what the devices refuse is a measurement that cannot be made.
#[must_use]
pub fn refused(error: EngineError) -> Error {
    match error {
        EngineError::Spec(_) | EngineError::Request { .. } => Error::input(error.to_string()),
        _ => Error::measurement(error.to_string()),
    }
}

/// An engine's remark as everyone else's.
#[must_use]
pub fn finding(finding: &EngineFinding) -> Finding {
    match finding.level {
        EngineLevel::Note => Finding::note(finding.code, &finding.text),
        EngineLevel::Caution => Finding::caution(finding.code, &finding.text),
        EngineLevel::Stop => Finding::stop(finding.code, &finding.text),
    }
}

#[cfg(test)]
mod tests {
    use library::Fault;

    use super::*;

    #[test]
    fn a_device_that_is_not_there_is_nobodys_mistyping() {
        let missing = EngineError::NoDevice { text: "no device".to_owned() };
        assert_eq!(refused(missing).fault(), Fault::Measurement);
        let unfit = EngineError::Request { text: "a row too many".to_owned() };
        assert_eq!(refused(unfit).fault(), Fault::Input);
    }
}
