//! How the library's own widgets look: containers, text, fields, scroll bars.

use iced::border::{self, Border};
use iced::widget::{container, scrollable, text, text_input};
use iced::{Background, Color, Shadow};
use view::Tone;

use super::Theme;

/// Corners of panels.
pub(crate) const PANEL_RADIUS: f32 = 10.0;
/// Corners of controls.
pub(crate) const CONTROL_RADIUS: f32 = 8.0;

fn filled(theme: Theme, background: Color) -> container::Style {
    container::Style {
        background: Some(Background::Color(background)),
        text_color: Some(theme.colors().text),
        ..container::Style::default()
    }
}

/// Behind everything.
pub(crate) fn ground(theme: &Theme) -> container::Style {
    filled(*theme, theme.colors().ground)
}

/// A panel.
pub(crate) fn panel(theme: &Theme) -> container::Style {
    container::Style { border: border::rounded(PANEL_RADIUS), ..filled(*theme, theme.colors().panel) }
}

/// A card or a group on a panel.
pub(crate) fn raised(theme: &Theme) -> container::Style {
    container::Style { border: border::rounded(CONTROL_RADIUS), ..filled(*theme, theme.colors().raised) }
}

/// A question or a list over everything.
pub(crate) fn sheet(theme: &Theme) -> container::Style {
    let palette = theme.colors();
    container::Style {
        border: Border { color: palette.outline, width: 1.0, radius: 14.0.into() },
        shadow: Shadow::default(),
        ..filled(*theme, palette.panel)
    }
}

/// The veil behind a sheet.
pub(crate) fn scrim(theme: &Theme) -> container::Style {
    filled(*theme, theme.colors().scrim)
}

/// A line that divides.
pub(crate) fn divider(theme: &Theme) -> container::Style {
    filled(*theme, theme.colors().edge)
}

/// A strip filled with a tone, such as a cue.
pub(crate) fn toned(tone: Tone) -> impl Fn(&Theme) -> container::Style {
    move |theme| container::Style {
        border: border::rounded(PANEL_RADIUS),
        text_color: Some(theme.colors().on_tone),
        ..filled(*theme, theme.tone(tone))
    }
}

/// A notice: a card with an outline in its tone.
pub(crate) fn outlined(tone: Tone) -> impl Fn(&Theme) -> container::Style {
    move |theme| container::Style {
        border: Border { color: theme.tone(tone), width: 2.0, radius: PANEL_RADIUS.into() },
        ..filled(*theme, theme.colors().raised)
    }
}

/// A thin bar in a tone, beside a remark.
pub(crate) fn bar(tone: Tone) -> impl Fn(&Theme) -> container::Style {
    move |theme| container::Style { border: border::rounded(2), ..filled(*theme, theme.tone(tone)) }
}

/// A key cap in the list of keys.
pub(crate) fn key_cap(theme: &Theme) -> container::Style {
    let palette = theme.colors();
    container::Style {
        border: Border { color: palette.outline, width: 1.0, radius: 5.0.into() },
        ..filled(*theme, palette.raised)
    }
}

/// Text of second rank.
pub(crate) fn muted(theme: &Theme) -> text::Style {
    text::Style { color: Some(theme.colors().muted) }
}

/// Text of first rank, whatever it stands on.
pub(crate) fn plain(theme: &Theme) -> text::Style {
    text::Style { color: Some(theme.colors().text) }
}

/// Text in a tone; plain remains plain.
pub(crate) fn tinted(tone: Tone) -> impl Fn(&Theme) -> text::Style {
    move |theme| match tone {
        Tone::Plain => text::Style { color: None },
        tone => text::Style { color: Some(theme.tone(tone)) },
    }
}

impl container::Catalog for Theme {
    type Class<'a> = container::StyleFn<'a, Self>;

    fn default<'a>() -> Self::Class<'a> {
        Box::new(|_| container::Style::default())
    }

    fn style(&self, class: &Self::Class<'_>) -> container::Style {
        class(self)
    }
}

impl text::Catalog for Theme {
    type Class<'a> = text::StyleFn<'a, Self>;

    fn default<'a>() -> Self::Class<'a> {
        Box::new(|_| text::Style::default())
    }

    fn style(&self, class: &Self::Class<'_>) -> text::Style {
        class(self)
    }
}

impl text_input::Catalog for Theme {
    type Class<'a> = text_input::StyleFn<'a, Self>;

    fn default<'a>() -> Self::Class<'a> {
        Box::new(field)
    }

    fn style(&self, class: &Self::Class<'_>, status: text_input::Status) -> text_input::Style {
        class(self, status)
    }
}

fn field(theme: &Theme, status: text_input::Status) -> text_input::Style {
    let palette = theme.colors();
    let (color, width) = match status {
        text_input::Status::Focused { .. } => (palette.focus, 2.0),
        text_input::Status::Hovered => (palette.text, 1.0),
        text_input::Status::Active | text_input::Status::Disabled => (palette.outline, 1.0),
    };
    text_input::Style {
        background: Background::Color(palette.sunken),
        border: Border { color, width, radius: CONTROL_RADIUS.into() },
        icon: palette.muted,
        placeholder: palette.muted,
        value: palette.text,
        selection: palette.chosen,
    }
}

impl scrollable::Catalog for Theme {
    type Class<'a> = scrollable::StyleFn<'a, Self>;

    fn default<'a>() -> Self::Class<'a> {
        Box::new(scroll_bar)
    }

    fn style(&self, class: &Self::Class<'_>, status: scrollable::Status) -> scrollable::Style {
        class(self, status)
    }
}

fn scroll_bar(theme: &Theme, status: scrollable::Status) -> scrollable::Style {
    let palette = theme.colors();
    let color = match status {
        scrollable::Status::Active { .. } => palette.edge,
        scrollable::Status::Hovered { .. } | scrollable::Status::Dragged { .. } => palette.outline,
    };
    let rail = scrollable::Rail {
        background: None,
        border: border::rounded(3),
        scroller: scrollable::Scroller { background: Background::Color(color), border: border::rounded(3) },
    };
    scrollable::Style {
        container: container::Style::default(),
        vertical_rail: rail,
        horizontal_rail: rail,
        gap: None,
        auto_scroll: scrollable::AutoScroll {
            background: Background::Color(palette.raised),
            border: border::rounded(12),
            shadow: Shadow::default(),
            icon: palette.text,
        },
    }
}
