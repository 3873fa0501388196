//! What the measurements share that look at a whole recording: it is taped while
//! it comes in, and analysed at the end.

use measure::{Block, Feed, Finding, Manifest, Measurement, Reading, Start};

use crate::tape::Tape;

/// A started measurement that has its recording on tape.
pub(crate) trait Analyse: Sized + Send {
    /// The measurement's id.
    const ID: &'static str;
    /// Its version.
    const VERSION: u32;

    /// What it says of itself.
    fn manifest() -> Manifest;

    /// Looks at what is to be measured, and puts an empty tape in.
    ///
    /// # Errors
    /// Why it cannot be measured.
    fn prepare(start: &Start) -> Result<Self, Finding>;

    /// What has been recorded.
    fn tape(&self) -> &Tape;

    /// The tape that records.
    fn tape_mut(&mut self) -> &mut Tape;

    /// Writes what the recording holds into the reading.
    ///
    /// # Errors
    /// Why there is no result.
    fn analyse(&self, reading: &mut Reading) -> Result<(), Finding>;
}

/// A measurement on tape, started or not.
#[derive(Debug)]
pub(crate) struct Taped<R>(Option<R>);

impl<R> Default for Taped<R> {
    fn default() -> Self {
        Self(None)
    }
}

impl<R: Analyse> Measurement for Taped<R> {
    fn manifest(&self) -> Manifest {
        R::manifest()
    }

    /// Starts anew; nothing is started when it cannot be measured.
    fn start(&mut self, start: &Start) -> Result<(), Finding> {
        self.0 = None;
        self.0 = Some(R::prepare(start)?);
        Ok(())
    }

    fn feed(&mut self, block: &Block<'_>) -> Feed {
        if let Some(running) = &mut self.0 {
            running.tape_mut().feed(block);
        }
        Feed::More
    }

    fn reading(&mut self) -> Reading {
        let mut reading = Reading::new(R::ID, R::VERSION, 0.0);
        if let Some(running) = &self.0 {
            reading.sample_rate_hz = running.tape().sample_rate_hz;
            reading.findings = running.tape().findings();
        }
        reading
    }

    fn finish(&mut self) -> Reading {
        let mut reading = self.reading();
        if let Some(running) = self.0.take()
            && let Err(stop) = running.analyse(&mut reading)
        {
            reading.finding(stop);
        }
        reading
    }
}
