//! The channels that are tuned: the whole car as one, or its left and its right by themselves.

use job::{Basis, CaptureId};
use tuning::Response;
use view::{Choice, ChoiceKey, SetMark, Setting, Side, TunedAs};

use super::captures::{CaptureView, USUAL_SMOOTHING};
use super::card::choice;
use super::state::State;
use library::targets;

pub(super) use project::derive::SIDES;

/// The name of a side, as the job keeps it.
pub(super) fn name_of(side: Side) -> &'static str {
    match side {
        Side::Left => SIDES[0],
        Side::Right => SIDES[1],
    }
}

/// What a capture of a channel at a place is called.
pub(super) fn placed(channel: &str, position: &str) -> String {
    if channel.is_empty() { position.to_owned() } else { format!("{channel}: {position}") }
}

/// What a band is said to be for.
pub(super) fn channel_word(channel: &str, by_side: bool) -> &str {
    match (channel, by_side) {
        ("", true) => "both",
        (channel, _) => channel,
    }
}

impl State {
    /// The channels that are tuned; one without a name is the whole car.
    pub(super) fn tuned_channels(&self) -> &'static [&'static str] {
        if self.choices.by_side { &SIDES } else { &[""] }
    }

    /// The one that is looked at.
    pub(super) fn looked_at(&self) -> &'static str {
        if self.choices.by_side { name_of(self.face.side) } else { "" }
    }

    /// The captures on one side of the comparison, of the channel that is looked at.
    pub(super) fn side(&self, mark: SetMark) -> impl Iterator<Item = &CaptureView> {
        self.captures.side_of(mark, self.looked_at())
    }

    /// Whether every place of a side of the comparison was measured, of every channel.
    pub(super) fn is_set_complete(&self, mark: SetMark) -> bool {
        let measured = |channel: &str| self.captures.side_of(mark, channel).count();
        self.tuned_channels().iter().all(|channel| measured(channel) >= self.choices.positions)
    }

    /// Whether something was measured of a channel before.
    pub(super) fn is_measured(&self, channel: &str) -> bool {
        self.captures.side_of(SetMark::Before, channel).next().is_some()
    }

    /// What was measured of each channel before.
    pub(super) fn wanted(&self) -> Vec<(String, Vec<Response>)> {
        let of = |channel: &&'static str| {
            let side = self.captures.side_of(SetMark::Before, channel);
            let smoothed = side.filter_map(|held| self.captures.smoothed(held, USUAL_SMOOTHING));
            ((*channel).to_owned(), smoothed.map(|response| (*response).clone()).collect())
        };
        self.tuned_channels().iter().map(of).collect()
    }

    /// What the job is told of what the bands are computed from.
    pub(super) fn fit_basis(&self) -> Basis {
        let channels = self.tuned_channels().iter();
        let before = channels.flat_map(|channel| self.captures.side_of(SetMark::Before, channel));
        Basis { captures: before.map(|held| CaptureId(held.id.0)).collect(), ..self.basis() }
    }

    /// What a result is made from now, but for the captures.
    pub(super) fn basis(&self) -> Basis {
        Basis {
            program: env!("CARGO_PKG_VERSION").to_owned(),
            made: Some(jiff::Timestamp::now()),
            target: Some(targets::for_job(self.tune.target_id(), self.tune.target())),
            processor: Some(job::PresetOrInline::Preset(self.tune.profile_id().to_owned())),
            ..Basis::default()
        }
    }

    pub(super) fn channel_settings(&self) -> Vec<Setting> {
        let ways = [(TunedAs::WholeCar, "Whole car"), (TunedAs::Sides, "Left and right")];
        let way = if self.choices.by_side { TunedAs::Sides } else { TunedAs::WholeCar };
        let mut settings = vec![choice(ChoiceKey::TunedAs, Choice::TunedAs, "Tune", ways, Some(way))];
        if self.choices.by_side {
            let sides = [(Side::Left, "Left"), (Side::Right, "Right")];
            settings.push(choice(
                ChoiceKey::Side,
                Choice::Side,
                "The chart shows",
                sides,
                Some(self.face.side),
            ));
        }
        settings
    }
}
