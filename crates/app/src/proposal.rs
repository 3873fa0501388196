//! A tune of the whole car as it is proposed: what is to be entered for each channel, and what a person
//! makes of it before that.

use std::sync::Arc;

use job::{ChannelSetting, Crossover};
use project::derive::{ProposedTune, SIDES};
use tuning::{Equalizer, Lock, LockedValue, Profile, TuneOptions, USUAL_DELAYS};

use super::typed_band::{EDITED, TypedBand, same_values};

/// What a step moves a channel's gain by.
const GAIN_STEP_DB: f64 = 0.5;
/// The gains that can be set.
const GAIN_DB: (f64, f64) = (-60.0, 12.0);
/// The corners that can be set.
const CORNER_HZ: (f64, f64) = (10.0, 20_000.0);

/// The kinds of values of a channel, in the order in which a person enters them.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum ValueKind {
    Level,
    Polarity,
    Delay,
    HighPass,
    LowPass,
}

impl ValueKind {
    /// What those are that are entered together.
    pub(super) fn heading(self) -> &'static str {
        match self {
            Self::Level => "Levels",
            Self::Polarity => "Polarity",
            Self::Delay => "Delays",
            Self::HighPass | Self::LowPass => "Crossovers",
        }
    }

    /// Under what its reason is kept.
    fn key(self) -> &'static str {
        match self {
            Self::Level => "gain_db",
            Self::Polarity => "inverted",
            Self::Delay => "delay_s",
            Self::HighPass => "high_pass",
            Self::LowPass => "low_pass",
        }
    }
}

/// One value of a channel.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct CarValue {
    pub(super) kind: ValueKind,
    /// The channel's number.
    pub(super) channel: usize,
}

/// A tune that is proposed.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct CarProposal {
    /// As it was found.
    pub(super) found: Arc<ProposedTune>,
    /// What is to be entered for each channel.
    pub(super) channels: Vec<ChannelSetting>,
    /// The bands.
    pub(super) bands: Vec<TypedBand>,
    /// The values that stay when the rest is found again.
    pub(super) locked: Vec<CarValue>,
}

impl CarProposal {
    /// The tune of a job that has one entered.
    pub(super) fn entered(data: &job::JobData) -> Option<Self> {
        let record = data.tune.clone().filter(|_| !data.channels.is_empty())?;
        let found = ProposedTune { channels: data.channels.clone(), bands: data.bands.clone(), record };
        let mut entered = Self::new(Arc::new(found));
        let is_locked = |value: &CarValue| {
            let name = &entered.channels[value.channel].channel;
            let channels = &entered.found.record.channels;
            let one = channels.iter().find(|one| one.setting.channel == *name);
            one.is_some_and(|one| one.locked.iter().any(|key| key == value.kind.key()))
        };
        entered.locked = entered.values().into_iter().filter(is_locked).collect();
        Some(entered)
    }

    /// The keys of a channel's values that a person locked, as the job keeps them.
    pub(super) fn locked_keys(&self, channel: &str) -> Vec<String> {
        let of =
            |value: &&CarValue| self.channels.get(value.channel).is_some_and(|one| one.channel == channel);
        self.locked.iter().filter(of).map(|value| value.kind.key().to_owned()).collect()
    }

    /// A tune as it was found.
    pub(super) fn new(found: Arc<ProposedTune>) -> Self {
        let bands = found.bands.iter().map(TypedBand::of_job).collect();
        Self { channels: found.channels.clone(), bands, locked: Vec::new(), found }
    }

    /// The same with what a person had locked, where those channels are still there.
    pub(super) fn keeping(mut self, before: Option<&Self>) -> Self {
        let Some(before) = before else { return self };
        let name = |channels: &[ChannelSetting], at: usize| channels.get(at).map(|one| one.channel.clone());
        let there =
            |value: &CarValue| name(&before.channels, value.channel) == name(&self.channels, value.channel);
        self.locked = before.locked.iter().copied().filter(there).collect();
        for band in &mut self.bands {
            let locked =
                |old: &TypedBand| old.locked && (old.typed, &old.channel) == (band.typed, &band.channel);
            band.locked = before.bands.iter().any(locked);
        }
        self
    }

    /// Every value of the channels, in the order in which it is entered.
    pub(super) fn values(&self) -> Vec<CarValue> {
        let channels = 0..self.channels.len();
        let each = |kind| channels.clone().map(move |channel| CarValue { kind, channel });
        let corners = channels.clone().flat_map(|channel| {
            let setting = &self.channels[channel];
            let high = setting.high_pass.is_some().then_some(ValueKind::HighPass);
            let low = setting.low_pass.is_some().then_some(ValueKind::LowPass);
            high.into_iter().chain(low).map(move |kind| CarValue { kind, channel })
        });
        each(ValueKind::Level)
            .chain(each(ValueKind::Polarity))
            .chain(each(ValueKind::Delay))
            .chain(corners)
            .collect()
    }

    /// Why a value is what it is.
    pub(super) fn reason(&self, value: CarValue) -> String {
        let (now, was) = (&self.channels[value.channel], self.found.channels.get(value.channel));
        let same = was.is_some_and(|was| match value.kind {
            ValueKind::Level => was.gain_db.to_bits() == now.gain_db.to_bits(),
            ValueKind::Polarity => was.inverted == now.inverted,
            ValueKind::Delay => was.delay_s.to_bits() == now.delay_s.to_bits(),
            ValueKind::HighPass => was.high_pass == now.high_pass,
            ValueKind::LowPass => was.low_pass == now.low_pass,
        });
        if !same {
            return EDITED.to_owned();
        }
        let found = self.found.record.channels.iter().find(|one| one.setting.channel == now.channel);
        found.and_then(|one| one.why.get(value.kind.key())).cloned().unwrap_or_default()
    }

    /// Steps a value along what can be set.
    pub(super) fn step(&mut self, value: CarValue, profile: &Profile, by: isize) {
        let Some(setting) = self.channels.get_mut(value.channel) else { return };
        #[expect(clippy::cast_precision_loss, reason = "a few steps")]
        let steps = by as f64;
        match value.kind {
            ValueKind::Level => {
                let gain_db = setting.gain_db + GAIN_STEP_DB * steps;
                setting.gain_db = gain_db.clamp(GAIN_DB.0, GAIN_DB.1);
            }
            ValueKind::Polarity => setting.inverted ^= by % 2 != 0,
            ValueKind::Delay => {
                let grid = profile.delay.unwrap_or(USUAL_DELAYS);
                setting.delay_s = grid.nearest(setting.delay_s + steps * grid.step_s);
            }
            ValueKind::HighPass => step_corner(setting.high_pass.as_mut(), by),
            ValueKind::LowPass => step_corner(setting.low_pass.as_mut(), by),
        }
    }

    /// Locks a value, or lets it go.
    pub(super) fn lock(&mut self, value: CarValue, locked: bool) {
        self.locked.retain(|other| *other != value);
        if locked {
            self.locked.push(value);
        }
    }

    /// Whether a person has changed it.
    pub(super) fn is_edited(&self) -> bool {
        let found: Vec<TypedBand> = self.found.bands.iter().map(TypedBand::of_job).collect();
        self.channels != self.found.channels || !same_values(&self.bands, &found)
    }

    /// What the next tune must leave alone, as far as it has a place for it. A band of all is one of the equalizer
    /// `both`.
    pub(super) fn locks(&self, profile: &Profile, equalizer: Equalizer) -> Vec<Lock> {
        let value = |value: &CarValue| {
            let setting = self.channels.get(value.channel)?;
            let hz = |corner: &Option<Crossover>| Some(corner.as_ref()?.frequency_hz);
            let locked = match value.kind {
                ValueKind::Level => LockedValue::Gain(setting.gain_db),
                ValueKind::Polarity => LockedValue::Inverted(setting.inverted),
                ValueKind::Delay => LockedValue::Delay(setting.delay_s),
                ValueKind::HighPass => LockedValue::HighPassHz(hz(&setting.high_pass)?),
                ValueKind::LowPass => LockedValue::LowPassHz(hz(&setting.low_pass)?),
            };
            Some(Lock { channel: setting.channel.clone(), value: locked })
        };
        let band = |band: &TypedBand| Lock {
            channel: if band.channel.is_empty() { "both".to_owned() } else { band.channel.clone() },
            value: LockedValue::Band(profile.cookbook(&band.typed)),
        };
        let has_place = |lock: &Lock| match equalizer {
            Equalizer::Channels => self.channels.iter().any(|one| one.channel == lock.channel),
            Equalizer::Sides => SIDES.contains(&lock.channel.as_str()),
            Equalizer::One => lock.channel == "both",
        };
        let bands = self.bands.iter().filter(|band| band.locked && band.enabled).map(band).filter(has_place);
        self.locked.iter().filter_map(value).chain(bands).collect()
    }
}

/// Two digits of a corner that count: 85, 250, 3100 Hz.
fn step_corner(corner: Option<&mut Crossover>, by: isize) {
    let Some(corner) = corner else { return };
    for _ in 0..by.unsigned_abs() {
        let here_hz = corner.frequency_hz;
        // Down from 100 Hz the steps are those below.
        let unit_of = if by < 0 { here_hz * 0.999 } else { here_hz };
        let unit_hz = 10f64.powf(unit_of.log10().floor() - 1.0);
        let next_hz = (here_hz / unit_hz).round() + if by < 0 { -1.0 } else { 1.0 };
        corner.frequency_hz = (next_hz * unit_hz).clamp(CORNER_HZ.0, CORNER_HZ.1);
    }
}

/// The options with what a person chose, and what they locked.
pub(super) fn with_locks(options: TuneOptions, car: Option<&CarProposal>, profile: &Profile) -> TuneOptions {
    let locked = car.map(|car| car.locks(profile, options.equalizer)).unwrap_or_default();
    TuneOptions { locked, ..options }
}

#[cfg(test)]
mod tests {
    use job::TuneRecord;

    use super::*;

    fn setting(channel: &str, high_hz: Option<f64>, low_hz: Option<f64>) -> ChannelSetting {
        let corner = |frequency_hz| Crossover { family: "bessel".to_owned(), order: 4, frequency_hz };
        ChannelSetting {
            channel: channel.to_owned(),
            high_pass: high_hz.map(corner),
            low_pass: low_hz.map(corner),
            ..ChannelSetting::default()
        }
    }

    fn proposal() -> CarProposal {
        let channels = vec![setting("sub", None, Some(80.0)), setting("mid", Some(80.0), Some(3_100.0))];
        let found = ProposedTune { channels, bands: Vec::new(), record: TuneRecord::default() };
        CarProposal::new(Arc::new(found))
    }

    #[test]
    fn values_come_in_the_order_of_entry_and_step_along_what_can_be_typed() {
        let mut car = proposal();
        let profile = Profile::preset("parametric-gridded").expect("a preset");
        let values = car.values();
        let kinds: Vec<(ValueKind, usize)> = values.iter().map(|one| (one.kind, one.channel)).collect();
        use ValueKind::{Delay, HighPass, Level, LowPass, Polarity};
        assert_eq!(
            kinds,
            [
                (Level, 0),
                (Level, 1),
                (Polarity, 0),
                (Polarity, 1),
                (Delay, 0),
                (Delay, 1),
                (LowPass, 0),
                (HighPass, 1),
                (LowPass, 1)
            ]
        );
        assert!(!car.is_edited());
        for value in &values {
            car.step(*value, &profile, 1);
            assert_eq!(car.reason(*value), "Edited by hand.", "{value:?}");
        }
        let (sub, mid) = (&car.channels[0], &car.channels[1]);
        assert!(car.is_edited() && sub.inverted && mid.inverted);
        testkit::near("a level", sub.gain_db, 0.5, 1e-12);
        testkit::near("a delay", mid.delay_s, profile.delay.expect("it has delays").step_s, 1e-12);
        let hz = |corner: &Option<Crossover>| corner.as_ref().expect("it is there").frequency_hz;
        testkit::near("two digits below 100 Hz", hz(&sub.low_pass), 81.0, 1e-9);
        testkit::near("two digits above 1 kHz", hz(&mid.low_pass), 3_200.0, 1e-9);
        for value in &values {
            car.step(*value, &profile, -1);
        }
        assert!(!car.is_edited(), "back where it was: {:?}", car.channels);
        // Over a power of ten and back.
        let corner = values[6];
        car.channels[0].low_pass = setting("", None, Some(99.0)).low_pass;
        for (by, wanted_hz) in [(1, 100.0), (1, 110.0), (-1, 100.0), (-1, 99.0)] {
            car.step(corner, &profile, by);
            testkit::near("a corner", hz(&car.channels[0].low_pass), wanted_hz, 1e-9);
        }
        car.step(values[4], &profile, -5);
        testkit::near("no delay below nothing", car.channels[0].delay_s, 0.0, 1e-12);
    }

    #[test]
    fn what_is_locked_has_a_place_in_the_equalizer_that_is_tuned_for() {
        let mut car = proposal();
        let profile = Profile::preset("parametric-gridded").expect("a preset");
        let values = car.values();
        car.lock(values[0], true);
        car.lock(values[7], true);
        let typed = tuning::Band::peak(100.0, -3.0, 2.0);
        for channel in ["", "left", "mid"] {
            let band = TypedBand {
                typed,
                channel: channel.to_owned(),
                enabled: true,
                locked: true,
                reason: String::new(),
            };
            car.bands.push(band);
        }
        let named = |equalizer| -> Vec<String> {
            car.locks(&profile, equalizer).into_iter().map(|lock| lock.channel).collect()
        };
        assert_eq!(named(Equalizer::Channels), ["sub", "mid", "mid"]);
        assert_eq!(named(Equalizer::Sides), ["sub", "mid", "left"]);
        assert_eq!(named(Equalizer::One), ["sub", "mid", "both"]);
        assert_eq!(
            car.locks(&profile, Equalizer::One)[1].value,
            LockedValue::HighPassHz(80.0),
            "a corner is locked at its frequency"
        );
    }
}
