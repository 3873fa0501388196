//! Questions about what follows from the state. What the answer needs may take long to compute, so another thread
//! finds it, and what is to be done then comes back as mail.

use super::derivation::Derivation;
use super::work::{Outcome, unbroken};
use super::{Core, Mail};
use library::{Error, Result};

impl Core {
    /// Asks, on a thread of its own; the answer is carried out for the face that is served now.
    pub(super) fn ask(
        &mut self,
        question: impl FnOnce(&Derivation) -> Outcome<Self> + Send + 'static,
    ) -> Result<()> {
        let (mail, face, derivation) = (self.mail()?, self.served, self.derivation());
        let thread = std::thread::Builder::new().name("compute".to_owned());
        let thread = thread.spawn(move || {
            let answer = unbroken(|| Ok(question(&derivation)));
            // An app that has ended wants no answer.
            _ = mail.send(Mail::Answered(face, answer));
        });
        thread.map_err(|error| Error::measurement(format!("The computation could not begin: {error}")))?;
        self.questions.open += 1;
        Ok(())
    }
}
