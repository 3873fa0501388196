//! The tuning as it is being worked on: target, processor, bands, and how each
//! edit is taken back.

use tuning::{Band, BandKind, BandLayout, Profile, Response, Target, TargetHandle, bands_db};
use view::{HandleId, Number};

use library::{Result, targets};
use tuning::channel_reaches;

use super::proposal::CarProposal;
use super::typed_band::TypedBand;

/// How many edits can be taken back.
pub(super) const HISTORY: usize = 200;

/// What can be undone.
#[derive(Debug, Clone, PartialEq)]
struct Edited {
    target: Target,
    /// By what name it is chosen; none for one that was edited.
    target_id: Option<String>,
    profile: Profile,
    profile_id: String,
    bands: Vec<TypedBand>,
    /// What is proposed for the whole car.
    car: Option<CarProposal>,
}

impl Edited {
    fn has(&self, handle: HandleId) -> bool {
        let car = || self.car.as_ref();
        match handle {
            HandleId::Band(index) => index < self.bands.len(),
            HandleId::Proposed(index) => car().is_some_and(|car| index < car.bands.len()),
            HandleId::Value(index) => car().is_some_and(|car| index < car.values().len()),
            HandleId::Shelf(index) => index < self.target.shelves.len(),
            HandleId::Point(index) => index < self.target.points.len(),
        }
    }

    /// Changes the target. What was changed is no longer the one of the list: it gets a name of its
    /// own and says where it comes from.
    fn edit_target(&mut self, change: impl FnOnce(&mut Target)) {
        let before = self.target.clone();
        change(&mut self.target);
        if self.target != before && self.target_id.take().is_some() {
            targets::sign(&mut self.target, &before);
        }
    }

    /// A band with the processor that holds it.
    fn band_mut(&mut self, handle: HandleId) -> Option<(&mut TypedBand, &Profile)> {
        let band = match handle {
            HandleId::Band(index) => self.bands.get_mut(index),
            HandleId::Proposed(index) => self.car.as_mut()?.bands.get_mut(index),
            HandleId::Value(_) | HandleId::Shelf(_) | HandleId::Point(_) => None,
        };
        Some((band?, &self.profile))
    }

    fn drag_band(&mut self, handle: HandleId, frequency_hz: f64, gain_db: f64) {
        let Some((band, profile)) = self.band_mut(handle) else { return };
        band.typed.gain_db = profile.gain_db.nearest(gain_db);
        if let BandLayout::Parametric { frequency_hz: grid, .. } = &profile.bands {
            band.typed.frequency_hz = grid.nearest(frequency_hz);
        }
        band.edited();
    }

    /// Steps a value of a channel.
    fn step_value(&mut self, index: usize, by: isize) {
        let Some(car) = &mut self.car else { return };
        if let Some(value) = car.values().get(index) {
            car.step(*value, &self.profile, by);
        }
    }

    /// Whether a drag came back to where it began, whatever is said of what was dragged.
    fn is_tuned_as(&self, before: &Self) -> bool {
        let typed = |edited: &Self| -> Vec<Band> {
            let proposed = edited.car.iter().flat_map(|car| &car.bands);
            edited.bands.iter().chain(proposed).map(|band| band.typed).collect()
        };
        let named = |target: &Target| Target { name: String::new(), source: String::new(), ..target.clone() };
        typed(self) == typed(before) && named(&self.target) == named(&before.target)
    }
}

/// The target's own handle, where it is one of the target.
pub(super) fn of_target(handle: HandleId) -> Option<TargetHandle> {
    match handle {
        HandleId::Band(_) | HandleId::Proposed(_) | HandleId::Value(_) => None,
        HandleId::Shelf(index) => Some(TargetHandle::Shelf(index)),
        HandleId::Point(index) => Some(TargetHandle::Point(index)),
    }
}

fn step_band(typed: &mut Band, profile: &Profile, what: Number, by: isize) {
    match (what, &profile.bands) {
        (Number::Gain, _) => typed.gain_db = profile.gain_db.stepped(typed.gain_db, by),
        (Number::Frequency, BandLayout::Parametric { frequency_hz, .. }) => {
            typed.frequency_hz = frequency_hz.stepped(typed.frequency_hz, by);
        }
        (Number::Q, BandLayout::Parametric { q, shelf_q, .. }) => {
            let grid = if typed.kind == BandKind::Peak { q } else { shelf_q };
            typed.q = grid.stepped(typed.q, by);
        }
        // The frequency and Q of a fixed band are what they are.
        (Number::Frequency | Number::Q, BandLayout::Fixed(_)) | (Number::Value, _) => {}
    }
}

/// Target, processor and bands, with their history.
#[derive(Debug)]
pub(crate) struct Tune {
    now: Edited,
    past: Vec<Edited>,
    future: Vec<Edited>,
    /// The state before a drag began, until the drag ends.
    before_drag: Option<Edited>,
    revision: u64,
    edits: u64,
}

/// What is aimed at when nobody has chosen.
const USUAL_TARGET: &str = "car-medium";
/// What the processor is taken for when nobody has chosen.
const USUAL_PROFILE: &str = "parametric-gridded";

impl Tune {
    /// No bands, the gentlest assumption about target and processor.
    fn new((target, target_id): (Target, Option<String>), profile_id: &str) -> Result<Self> {
        let now = Edited {
            target,
            target_id,
            profile: library::profile(profile_id)?,
            profile_id: profile_id.to_owned(),
            bands: Vec::new(),
            car: None,
        };
        Ok(Self { now, past: Vec::new(), future: Vec::new(), before_drag: None, revision: 0, edits: 0 })
    }

    /// What a job holds, with nothing to undo; what it does not say stays.
    pub(crate) fn restored(
        target: Option<&job::PresetOrInline>,
        profile: Option<&str>,
        bands: impl FnOnce(&Profile) -> Vec<TypedBand>,
    ) -> Result<Self> {
        let usual = job::PresetOrInline::Preset(USUAL_TARGET.to_owned());
        let target = targets::of_job(target.unwrap_or(&usual))?;
        let mut tune = Self::new(target, profile.unwrap_or(USUAL_PROFILE))?;
        tune.now.bands = bands(&tune.now.profile);
        Ok(tune)
    }

    /// The same as it is now, with nothing to undo.
    pub(super) fn without_history(&self) -> Self {
        Self {
            now: self.now.clone(),
            past: Vec::new(),
            future: Vec::new(),
            before_drag: self.before_drag.clone(),
            revision: self.revision,
            edits: self.edits,
        }
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

    /// Whether there is such a band, or shelf or point of the target.
    pub(crate) fn has(&self, handle: HandleId) -> bool {
        self.now.has(handle)
    }

    pub(crate) fn target(&self) -> &Target {
        &self.now.target
    }

    pub(crate) fn target_id(&self) -> Option<&str> {
        self.now.target_id.as_deref()
    }

    pub(crate) fn profile(&self) -> &Profile {
        &self.now.profile
    }

    pub(crate) fn profile_id(&self) -> &str {
        &self.now.profile_id
    }

    pub(crate) fn bands(&self) -> &[TypedBand] {
        &self.now.bands
    }

    /// The bands before a drag that goes on: what is costly follows when it has ended.
    pub(super) fn settled_bands(&self) -> &[TypedBand] {
        &self.before_drag.as_ref().unwrap_or(&self.now).bands
    }

    /// What the enabled bands of a channel do at these frequencies.
    pub(crate) fn bands_db(&self, channel: &str, frequencies_hz: &[f64]) -> Vec<f64> {
        let enabled: Vec<Band> = self
            .now
            .bands
            .iter()
            .filter(|band| band.enabled && channel_reaches(&band.channel, channel))
            .map(|band| self.now.profile.cookbook(&band.typed))
            .collect();
        bands_db(&enabled, frequencies_hz, self.now.profile.sample_rate_hz)
    }

    /// What the response of a channel would become.
    pub(crate) fn predicted(&self, channel: &str, response: &Response) -> Response {
        let bands = self.bands_db(channel, &response.frequency_hz);
        let magnitude_db =
            response.magnitude_db.iter().zip(&bands).map(|(level, band)| level + band).collect();
        Response { magnitude_db, ..response.clone() }
    }

    /// Aims at another target.
    pub(crate) fn choose_target(&mut self, id: &str) -> Result<()> {
        let target = library::target(id)?;
        self.edit(|now| {
            now.target = target;
            now.target_id = Some(id.to_owned());
        });
        Ok(())
    }

    /// Changes the target by hand.
    pub(crate) fn edit_target(&mut self, change: impl FnOnce(&mut Target)) {
        self.edit(|now| now.edit_target(change));
    }

    /// The target is kept among the person's own; by this name it is chosen from now on.
    pub(crate) fn target_is_kept(&mut self, id: &str) {
        self.now.target_id = Some(id.to_owned());
        self.revision += 1;
    }

    /// Changes the processor. The bands go, since they were chosen for the
    /// other one; undo brings both back.
    pub(crate) fn choose_profile(&mut self, id: &str) -> Result<()> {
        let profile = library::profile(id)?;
        self.edit(|now| {
            now.bands.clear();
            now.car = None;
            now.profile = profile;
            id.clone_into(&mut now.profile_id);
        });
        Ok(())
    }

    /// Takes these bands.
    pub(crate) fn set_bands(&mut self, bands: Vec<TypedBand>) {
        self.edit(|now| now.bands = bands);
    }

    /// What is proposed for the whole car.
    pub(super) fn car(&self) -> Option<&CarProposal> {
        self.now.car.as_ref()
    }

    /// Takes a proposal for the whole car.
    pub(super) fn set_car(&mut self, car: CarProposal) {
        self.edit(|now| now.car = Some(car));
    }

    /// The proposal that a job holds, with nothing to undo.
    pub(super) fn with_car(mut self, car: Option<CarProposal>) -> Self {
        self.now.car = car;
        self
    }

    pub(crate) fn enable(&mut self, handle: HandleId, enabled: bool) {
        self.edit_band(handle, |band, _| band.enabled = enabled);
    }

    pub(crate) fn lock(&mut self, handle: HandleId, locked: bool) {
        let HandleId::Value(index) = handle else {
            return self.edit_band(handle, |band, _| band.locked = locked);
        };
        self.edit(|now| {
            if let Some(car) = &mut now.car
                && let Some(value) = car.values().get(index)
            {
                car.lock(*value, locked);
            }
        });
    }

    /// Steps one number of a band along the processor's own grid, or of the target along its values.
    pub(crate) fn step(&mut self, handle: HandleId, what: Number, by: i32) {
        let by = isize::try_from(by).unwrap_or(0);
        match (of_target(handle), handle) {
            (Some(handle), _) => self.edit_target(|target| match what {
                Number::Frequency => target.step_frequency(handle, by),
                Number::Gain => target.step_level(handle, by),
                Number::Q => target.step_q(handle, by),
                Number::Value => {}
            }),
            // It has one number, whichever arrow steps it.
            (None, HandleId::Value(index)) => self.edit(|now| now.step_value(index, by)),
            (None, _) => self.edit_band(handle, |band, profile| {
                step_band(&mut band.typed, profile, what, by);
                band.edited();
            }),
        }
    }

    /// Moves a handle to the nearest values that there are; a whole drag is one edit.
    pub(crate) fn drag(&mut self, handle: HandleId, frequency_hz: f64, db: f64, done: bool) {
        if !self.now.has(handle) || !frequency_hz.is_finite() || !db.is_finite() {
            return;
        }
        self.revision += 1;
        let before = self.before_drag.take().unwrap_or_else(|| self.now.clone());
        // From where it began each time, so that a drag that comes back is none.
        self.now.clone_from(&before);
        match of_target(handle) {
            Some(handle) => self.now.edit_target(|target| target.drag(handle, frequency_hz, db)),
            None => self.now.drag_band(handle, frequency_hz, db),
        }
        if !done {
            self.before_drag = Some(before);
        } else if self.now.is_tuned_as(&before) {
            self.now = before;
        } else {
            self.remember(before);
        }
    }

    /// Takes the last edit back.
    pub(crate) fn undo(&mut self) -> bool {
        self.before_drag = None;
        self.revision += 1;
        let Some(past) = self.past.pop() else { return false };
        self.future.push(std::mem::replace(&mut self.now, past));
        true
    }

    /// Makes it again.
    pub(crate) fn redo(&mut self) -> bool {
        self.revision += 1;
        let Some(future) = self.future.pop() else { return false };
        self.past.push(std::mem::replace(&mut self.now, future));
        true
    }

    fn edit_band(&mut self, handle: HandleId, change: impl FnOnce(&mut TypedBand, &Profile)) {
        self.edit(|now| {
            if let Some((band, profile)) = now.band_mut(handle) {
                change(band, profile);
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
