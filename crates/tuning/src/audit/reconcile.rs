//! A band that cannot be heard and a like one that nobody meant are one band at another place.

use super::Verdict;
use super::hypothesis::slips;
use super::trial::Trial;
use crate::{Band, BandKind, BandLayout};

/// What is heard of a typed band is off by so much at most: in gain, as a share of it or in
/// dB, and in Q, as a ratio (our choice, no published source).
const GAIN_SHARE: f64 = 0.25;
const GAIN_DB: f64 = 1.0;
const Q_RATIO: f64 = 1.6;
/// Where a slip of the finger puts a band, it is heard within this ratio.
const SLIP_RATIO: f64 = 1.03;

impl Trial<'_> {
    /// Takes a missing band and an extra one that has its gain and Q, one slip of the finger
    /// away, for what they are: one mistake is likelier than two that happen to match.
    ///
    /// The two arise when everything else that changed with the bands (a driver that does not
    /// pass through the processor) makes a freely placed band fit a little better than the
    /// very band that was meant.
    pub(super) fn reconcile(&mut self) {
        for place in 0..self.input.bands.len() {
            let meant = self.input.bands[place];
            if self.beliefs[place].verdict != Verdict::Missing || meant.kind != BandKind::Peak {
                continue;
            }
            let extras = self.input.bands.len()..self.beliefs.len();
            let found = extras.into_iter().find_map(|extra| {
                let heard = self.beliefs[extra].typed?;
                Some((extra, self.slip_that_sounds_like(&meant, &heard)?))
            });
            if let Some((extra, typed)) = found {
                self.beliefs.remove(extra);
                let change = self.evidence.change(Some(&self.input.cookbook(&typed)));
                let belief = &mut self.beliefs[place];
                (belief.verdict, belief.typed, belief.change) =
                    (Verdict::WrongFrequency, Some(typed), change);
                belief.twice = false;
            }
        }
    }

    /// The meant band after a slip of the finger, if that is what is heard.
    fn slip_that_sounds_like(&self, meant: &Band, heard: &Band) -> Option<Band> {
        let near = |one: f64, other: f64, ratio: f64| (one / other).ln().abs() < ratio.ln();
        let gain_off_db = (heard.gain_db - meant.gain_db).abs();
        if gain_off_db > GAIN_DB.max(GAIN_SHARE * meant.gain_db.abs()) || !near(heard.q, meant.q, Q_RATIO) {
            return None;
        }
        let on_grid = |hz: f64| match self.input.profile.map(|profile| &profile.bands) {
            Some(BandLayout::Parametric { frequency_hz, .. }) => frequency_hz.nearest(hz),
            _ => hz,
        };
        let slip = slips(meant.frequency_hz).into_iter().find(|&hz| near(hz, heard.frequency_hz, SLIP_RATIO));
        slip.map(|hz| Band { frequency_hz: on_grid(hz), ..*meant })
    }
}
