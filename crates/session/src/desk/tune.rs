//! The tuning as it is being worked on: target, processor, bands, and how each
//! edit is taken back.

use tuning::{Band, BandKind, BandLayout, Profile, Response, Target, bands_db};
use view::BandStep;

use crate::playback::reaches;
use crate::{Result, library};

/// One band on the desk, as it would be typed.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct DeskBand {
    /// The band in the profile's own definition of Q.
    pub(crate) typed: Band,
    /// The channel that it is for; empty for all.
    pub(crate) channel: String,
    /// Whether it counts.
    pub(crate) enabled: bool,
    /// Whether the fit must leave it alone.
    pub(crate) locked: bool,
    /// Why it is there.
    pub(crate) reason: String,
}

impl DeskBand {
    /// A band that a job holds.
    pub(crate) fn of_job(band: &job::Band) -> Self {
        let kind = match band.kind {
            job::BandType::Peak => BandKind::Peak,
            job::BandType::LowShelf => BandKind::LowShelf,
            job::BandType::HighShelf => BandKind::HighShelf,
        };
        Self {
            typed: Band { kind, frequency_hz: band.frequency_hz, gain_db: band.gain_db, q: band.typed_q() },
            channel: band.channel.clone(),
            enabled: band.enabled,
            locked: band.locked,
            reason: band.reason.clone(),
        }
    }
}

/// What can be undone.
#[derive(Debug, Clone, PartialEq)]
struct Edited {
    target: Target,
    target_id: String,
    profile: Profile,
    profile_id: String,
    bands: Vec<DeskBand>,
}

/// Target, processor and bands, with their history.
#[derive(Debug)]
pub(crate) struct Tune {
    now: Edited,
    past: Vec<Edited>,
    future: Vec<Edited>,
    /// The state before a drag began, until the drag ends.
    before_drag: Option<Edited>,
    selected: Option<usize>,
    /// The channel whose bands are heard.
    looked_at: &'static str,
    revision: u64,
    edits: u64,
}

/// How many edits can be taken back.
const HISTORY: usize = 200;
/// What is aimed at when nobody has chosen.
const USUAL_TARGET: &str = "car-medium";
/// What the processor is taken for when nobody has chosen.
const USUAL_PROFILE: &str = "parametric-gridded";

impl Tune {
    /// No bands, the gentlest assumption about target and processor.
    fn new(target_id: &str, profile_id: &str) -> Result<Self> {
        let now = Edited {
            target: library::target(target_id)?,
            target_id: target_id.to_owned(),
            profile: library::profile(profile_id)?,
            profile_id: profile_id.to_owned(),
            bands: Vec::new(),
        };
        Ok(Self {
            now,
            past: Vec::new(),
            future: Vec::new(),
            before_drag: None,
            selected: None,
            looked_at: "",
            revision: 0,
            edits: 0,
        })
    }

    /// What a job holds, with nothing to undo; what it does not say stays.
    pub(crate) fn restored(
        target: Option<&str>,
        profile: Option<&str>,
        bands: impl FnOnce(&Profile) -> Vec<DeskBand>,
    ) -> Result<Self> {
        let mut tune = Self::new(target.unwrap_or(USUAL_TARGET), profile.unwrap_or(USUAL_PROFILE))?;
        tune.now.bands = bands(&tune.now.profile);
        Ok(tune)
    }

    /// Looks at another channel.
    pub(crate) fn look_at(&mut self, channel: &'static str) {
        self.looked_at = channel;
        self.revision += 1;
    }

    /// Goes up with everything that can be seen.
    pub(crate) fn revision(&self) -> u64 {
        self.revision
    }

    /// How many edits were made; taking one back is none.
    pub(crate) fn edits(&self) -> u64 {
        self.edits
    }

    /// What the job has to be told about: edits, and edits taken back.
    pub(crate) fn edits_and_undos(&self) -> (u64, usize) {
        (self.edits, self.past.len())
    }

    /// The chosen band.
    pub(crate) fn selected(&self) -> Option<usize> {
        self.selected
    }

    /// Chooses a band, or none.
    pub(crate) fn select(&mut self, band: Option<usize>) {
        self.selected = band.filter(|&index| index < self.now.bands.len());
        self.revision += 1;
    }

    pub(crate) fn target(&self) -> &Target {
        &self.now.target
    }

    pub(crate) fn target_id(&self) -> &str {
        &self.now.target_id
    }

    pub(crate) fn profile(&self) -> &Profile {
        &self.now.profile
    }

    pub(crate) fn profile_id(&self) -> &str {
        &self.now.profile_id
    }

    pub(crate) fn bands(&self) -> &[DeskBand] {
        &self.now.bands
    }

    /// What the enabled bands do at these frequencies.
    pub(crate) fn bands_db(&self, frequencies_hz: &[f64]) -> Vec<f64> {
        let enabled: Vec<Band> = self
            .now
            .bands
            .iter()
            .filter(|band| band.enabled && reaches(&band.channel, self.looked_at))
            .map(|band| self.now.profile.cookbook(&band.typed))
            .collect();
        bands_db(&enabled, frequencies_hz, self.now.profile.sample_rate_hz)
    }

    /// What the response would become.
    pub(crate) fn predicted(&self, response: &Response) -> Response {
        let bands = self.bands_db(&response.frequency_hz);
        let magnitude_db =
            response.magnitude_db.iter().zip(&bands).map(|(level, band)| level + band).collect();
        Response { magnitude_db, ..response.clone() }
    }

    /// Aims at another target.
    pub(crate) fn choose_target(&mut self, id: &str) -> Result<()> {
        let target = library::target(id)?;
        self.edit(|now| {
            now.target = target;
            id.clone_into(&mut now.target_id);
        });
        Ok(())
    }

    /// Changes the processor. The bands go, since they were chosen for the
    /// other one; undo brings both back.
    pub(crate) fn choose_profile(&mut self, id: &str) -> Result<()> {
        let profile = library::profile(id)?;
        self.edit(|now| {
            now.bands.clear();
            now.profile = profile;
            id.clone_into(&mut now.profile_id);
        });
        Ok(())
    }

    /// Puts these bands on the desk.
    pub(crate) fn set_bands(&mut self, bands: Vec<DeskBand>) {
        self.selected = self.selected.filter(|&index| index < bands.len());
        self.edit(|now| now.bands = bands);
    }

    pub(crate) fn enable(&mut self, index: usize, enabled: bool) {
        self.edit_band(index, |band, _| band.enabled = enabled);
    }

    pub(crate) fn lock(&mut self, index: usize, locked: bool) {
        self.edit_band(index, |band, _| band.locked = locked);
    }

    /// Steps one number along the processor's own grid.
    pub(crate) fn step(&mut self, index: usize, what: BandStep, by: i32) {
        let by = isize::try_from(by).unwrap_or(0);
        self.edit_band(index, |band, profile| {
            let typed = &mut band.typed;
            match (what, &profile.bands) {
                (BandStep::Gain, _) => typed.gain_db = profile.gain_db.stepped(typed.gain_db, by),
                (BandStep::Frequency, BandLayout::Parametric { frequency_hz, .. }) => {
                    typed.frequency_hz = frequency_hz.stepped(typed.frequency_hz, by);
                }
                (BandStep::Q, BandLayout::Parametric { q, shelf_q, .. }) => {
                    let grid = if typed.kind == BandKind::Peak { q } else { shelf_q };
                    typed.q = grid.stepped(typed.q, by);
                }
                // The frequency and Q of a fixed band are what they are.
                (BandStep::Frequency | BandStep::Q, BandLayout::Fixed(_)) => {}
            }
            band.reason = "Edited by hand.".to_owned();
        });
    }

    /// Moves a band to the nearest point of the grid; a whole drag is one edit.
    pub(crate) fn drag(&mut self, index: usize, frequency_hz: f64, gain_db: f64, done: bool) {
        if index >= self.now.bands.len() || !frequency_hz.is_finite() || !gain_db.is_finite() {
            return;
        }
        self.revision += 1;
        let before = self.before_drag.take().unwrap_or_else(|| self.now.clone());
        let profile = &self.now.profile;
        let band = &mut self.now.bands[index];
        band.typed.gain_db = profile.gain_db.nearest(gain_db);
        if let BandLayout::Parametric { frequency_hz: grid, .. } = &profile.bands {
            band.typed.frequency_hz = grid.nearest(frequency_hz);
        }
        if done {
            if before != self.now {
                self.now.bands[index].reason = "Edited by hand.".to_owned();
                self.remember(before);
            }
        } else {
            self.before_drag = Some(before);
        }
    }

    /// Takes the last edit back.
    pub(crate) fn undo(&mut self) -> bool {
        self.before_drag = None;
        self.revision += 1;
        let Some(past) = self.past.pop() else { return false };
        self.future.push(std::mem::replace(&mut self.now, past));
        self.selected = self.selected.filter(|&index| index < self.now.bands.len());
        true
    }

    /// Makes it again.
    pub(crate) fn redo(&mut self) -> bool {
        self.revision += 1;
        let Some(future) = self.future.pop() else { return false };
        self.past.push(std::mem::replace(&mut self.now, future));
        self.selected = self.selected.filter(|&index| index < self.now.bands.len());
        true
    }

    fn edit_band(&mut self, index: usize, change: impl FnOnce(&mut DeskBand, &Profile)) {
        self.edit(|now| {
            if let Some(band) = now.bands.get_mut(index) {
                change(band, &now.profile);
            }
        });
    }

    fn edit(&mut self, change: impl FnOnce(&mut Edited)) {
        self.revision += 1;
        let before = self.before_drag.take().unwrap_or_else(|| self.now.clone());
        change(&mut self.now);
        if before != self.now {
            self.remember(before);
        }
    }

    fn remember(&mut self, before: Edited) {
        self.edits += 1;
        self.future.clear();
        if self.past.len() == HISTORY {
            self.past.remove(0);
        }
        self.past.push(before);
    }
}
