//! The reference burst of a track: the zero of time and the clock that all recordings share in which the same driver
//! plays it.

use measure::{Finding, Segment, Side, Stimulus};

use crate::excitation::Excitation;
use crate::find::located;
use crate::heard::Heard;

/// How far from its moment in the track, as the reference burst tells it, the sound of a
/// driver is looked for.
const SEARCHED_NEAR_S: f64 = 0.2;

/// A broadband signal on the other side of a track than its test signal, played before and after it.
#[derive(Debug)]
pub(crate) struct ReferenceBurst(Excitation);

impl ReferenceBurst {
    /// That of a stimulus; nothing where it has none.
    pub(crate) fn of(stimulus: &Stimulus, test: &Excitation) -> Option<Self> {
        let other = |segment: &Segment| segment.side != Side::Both && segment.side != test.side();
        let burst = Excitation::longest(stimulus, other).ok().filter(|_| test.side() != Side::Both)?;
        Some(Self(burst.with_marks(stimulus)))
    }

    /// The bursts in a recording of the track that is called so.
    ///
    /// # Errors
    /// A finding when they are not there, or when samples were lost while the track played.
    pub(crate) fn hear<'a>(
        &'a self,
        (samples, rate): (&'a [f32], f64),
        name: &str,
        test: &Excitation,
    ) -> Result<Zero<'a>, Finding> {
        let positions = located(samples, rate, name, &self.0).map_err(|finding| {
            let is_alone = finding.code == "not-found" && located(samples, rate, name, test).is_ok();
            if !is_alone {
                return finding;
            }
            let text = format!(
                "The test sound of `{name}` was heard, but not its reference bursts: the reference driver is silent. Check \
                 that it is connected, and that it plays the left side of the track."
            );
            Finding::stop("not-found", text)
        })?;
        let heard = Heard::of((samples, rate), &self.0, &positions, rate)?;
        heard.refuse_loss()?;
        Ok(Zero { heard, starts_s: self.0.starts_s[0] })
    }
}

/// The moment from which the arrivals of a track count, and the clock that its bursts give.
pub(crate) struct Zero<'a> {
    pub(crate) heard: Heard<'a>,
    /// When the first burst begins in its track.
    starts_s: f64,
}

impl Zero<'_> {
    /// Samples of the recording per second of the player: by the distance of the bursts, which is known more exactly than the clock on
    /// which they were rendered has to be.
    pub(crate) fn clock_hz(&self) -> f64 {
        self.heard.copies.clock_by_distance_hz()
    }

    /// Where a test sound begins, looked for about the moment at which the reference burst
    /// says that it was played: the bursts themselves and whatever else sounds are not it.
    ///
    /// # Errors
    /// A finding when it is not there.
    pub(crate) fn look_for(
        &self,
        (samples, rate): (&[f32], f64),
        name: &str,
        test: &Excitation,
    ) -> Result<usize, Finding> {
        let expected = self.heard.at + (test.starts_s[0] - self.starts_s) * self.clock_hz();
        let frames = |s: f64| s * rate;
        let from = (expected - frames(SEARCHED_NEAR_S)).max(0.0) as usize;
        let to = ((expected + frames(test.duration_s + SEARCHED_NEAR_S)) as usize).min(samples.len());
        let part = samples.get(from..to).unwrap_or(&[]);
        let silent = || {
            let text = format!(
                "The reference bursts of `{name}` were heard, but nothing of the test sound between them: the driver under test \
                 is silent. Check that it is connected, and that it plays the right side of the track."
            );
            Finding::stop("not-found", text)
        };
        if (to as f64) < expected + frames(test.duration_s) - frames(SEARCHED_NEAR_S) {
            return located(samples, rate, name, test).map(|positions| positions[0]);
        }
        let positions = located(part, rate, name, test).map_err(|_| silent())?;
        Ok(from + positions[0])
    }

    /// How much later a moment of the recording, in its samples, comes after the burst than the test sound does
    /// in the track.
    pub(crate) fn arrival_s(&self, at: f64, test: &Excitation) -> f64 {
        (at - self.heard.at) / self.clock_hz() - (test.starts_s[0] - self.starts_s)
    }
}
