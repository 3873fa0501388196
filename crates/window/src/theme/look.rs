//! The two looks of the window: garage, dark and warm, and daylight, paper white.

use chart::Role;
use iced::Color;
use iced::theme;
use view::Tone;

use super::palette::{self, Palette};

/// The look of the window.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum Theme {
    /// Dark, warm grey: for a garage.
    #[default]
    Garage,
    /// Paper white with strong contrast and heavier strokes: for sunlight.
    Daylight,
}

impl Theme {
    /// Both looks.
    pub const ALL: [Self; 2] = [Self::Garage, Self::Daylight];

    /// Its colours.
    #[must_use]
    pub fn colors(self) -> &'static Palette {
        match self {
            Self::Garage => &palette::GARAGE,
            Self::Daylight => &palette::DAYLIGHT,
        }
    }

    /// The other one.
    #[must_use]
    pub fn other(self) -> Self {
        match self {
            Self::Garage => Self::Daylight,
            Self::Daylight => Self::Garage,
        }
    }

    /// How wide a curve is drawn, in pixels.
    #[must_use]
    pub fn stroke(self) -> f32 {
        match self {
            Self::Garage => 1.9,
            Self::Daylight => 2.5,
        }
    }

    /// The colour of a curve.
    #[must_use]
    pub fn curve(self, role: Role) -> Color {
        let curves = &self.colors().curves;
        match role {
            Role::Before => curves.before,
            Role::After => curves.after,
            Role::Live => curves.live,
            Role::Average => curves.average,
            Role::Target => curves.target,
            Role::Predicted => curves.predicted,
            Role::Bands => curves.bands,
            Role::Noise => curves.noise,
            Role::Difference => curves.difference,
            Role::Clean => self.colors().good,
            Role::Unclean => self.colors().bad,
            Role::Series(index) => curves.series[usize::from(index) % curves.series.len()],
            Role::Family(degree) => between(curves.family, f32::from(degree) / 255.0),
        }
    }

    /// The colour of a remark.
    #[must_use]
    pub fn tone(self, tone: Tone) -> Color {
        let palette = self.colors();
        match tone {
            Tone::Plain => palette.muted,
            Tone::Good => palette.good,
            Tone::Caution => palette.caution,
            Tone::Bad => palette.bad,
        }
    }
}

/// A colour on the way from one to another.
fn between([from, to]: [Color; 2], share: f32) -> Color {
    let mix = |from: f32, to: f32| from + (to - from) * share;
    Color::from_rgb(mix(from.r, to.r), mix(from.g, to.g), mix(from.b, to.b))
}

impl theme::Base for Theme {
    fn default(preference: theme::Mode) -> Self {
        match preference {
            theme::Mode::Light => Self::Daylight,
            theme::Mode::None | theme::Mode::Dark => Self::Garage,
        }
    }

    fn mode(&self) -> theme::Mode {
        match self {
            Self::Garage => theme::Mode::Dark,
            Self::Daylight => theme::Mode::Light,
        }
    }

    fn base(&self) -> theme::Style {
        let palette = self.colors();
        theme::Style { background_color: palette.ground, text_color: palette.text }
    }

    fn palette(&self) -> Option<theme::Palette> {
        None
    }

    fn name(&self) -> &str {
        match self {
            Self::Garage => "garage",
            Self::Daylight => "daylight",
        }
    }
}
