//! The colour values. No other file holds any.

use iced::Color;

/// The colours of one look.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Palette {
    /// Behind everything.
    pub ground: Color,
    /// Panels on the ground.
    pub panel: Color,
    /// Buttons, tiles and cards on a panel.
    pub raised: Color,
    /// The same under the pointer.
    pub hovered: Color,
    /// Fields and meters let into a panel.
    pub sunken: Color,
    /// Lines that only divide.
    pub edge: Color,
    /// Outlines that say where a control is.
    pub outline: Color,
    /// Text.
    pub text: Color,
    /// Text of second rank.
    pub muted: Color,
    /// What to press next, what is chosen.
    pub accent: Color,
    /// The same under the pointer.
    pub accent_hovered: Color,
    /// Text on the accent.
    pub on_accent: Color,
    /// What is chosen, as a background.
    pub chosen: Color,
    /// As it should be.
    pub good: Color,
    /// Needs another look.
    pub caution: Color,
    /// Must not stay so.
    pub bad: Color,
    /// Text on `good`, `caution` and `bad`.
    pub on_tone: Color,
    /// The ring around what has the keyboard.
    pub focus: Color,
    /// Above the target.
    pub above: Color,
    /// Below the target.
    pub below: Color,
    /// Lines of a chart's grid.
    pub grid: Color,
    /// Its decades and its zero.
    pub grid_major: Color,
    /// Over everything while a question is asked.
    pub scrim: Color,
    /// The curves.
    pub curves: Curves,
}

/// The colours of the curves.
///
/// The hues are those of Okabe and Ito, "Color Universal Design" (2008), which
/// people with any kind of colour vision tell apart. Where a member of the set
/// would not stand 3 : 1 against the panel, it is darkened (daylight) or lightened
/// (garage) at the same hue until it does; the test in `contrast.rs` holds it there.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Curves {
    /// Before the change.
    pub before: Color,
    /// After it.
    pub after: Color,
    /// What is heard now.
    pub live: Color,
    /// The average over positions.
    pub average: Color,
    /// The target.
    pub target: Color,
    /// What the bands are expected to give.
    pub predicted: Color,
    /// What the bands do by themselves.
    pub bands: Color,
    /// The noise floor.
    pub noise: Color,
    /// The difference between two curves.
    pub difference: Color,
    /// Curves of equal standing.
    pub series: [Color; 7],
    /// The least and the most of a family: one hue, that stands out the more the more it is.
    pub family: [Color; 2],
}

const fn hex(rgb: u32) -> Color {
    Color::from_rgb8((rgb >> 16) as u8, (rgb >> 8) as u8, rgb as u8)
}

const fn veiled(rgb: u32, opacity: f32) -> Color {
    let color = hex(rgb);
    Color { a: opacity, ..color }
}

/// Dark and warm.
pub(super) const GARAGE: Palette = Palette {
    ground: hex(0x171513),
    panel: hex(0x201d1a),
    raised: hex(0x2c2824),
    hovered: hex(0x38332e),
    sunken: hex(0x141210),
    edge: hex(0x3b3630),
    outline: hex(0x80776c),
    text: hex(0xf4eee5),
    muted: hex(0xbdb4a7),
    accent: hex(0x7cc4ee),
    accent_hovered: hex(0x9cd4f5),
    on_accent: hex(0x0e1c26),
    chosen: hex(0x243845),
    good: hex(0x5ccfa5),
    caution: hex(0xf0b84c),
    bad: hex(0xff8f63),
    on_tone: hex(0x1a140c),
    focus: hex(0xfff3c4),
    above: hex(0xe69f00),
    below: hex(0x56b4e9),
    grid: hex(0x2f2b27),
    grid_major: hex(0x4a443d),
    scrim: veiled(0x0c0b0a, 0.78),
    curves: Curves {
        before: hex(0xe69f00),
        after: hex(0x56b4e9),
        live: hex(0xf4eee5),
        average: hex(0xf4eee5),
        target: hex(0x2ab88c),
        predicted: hex(0xd990b8),
        bands: hex(0xef7d33),
        noise: hex(0x8f877c),
        difference: hex(0xf0e442),
        series: [
            hex(0x56b4e9),
            hex(0xe69f00),
            hex(0x2ab88c),
            hex(0xd990b8),
            hex(0xf0e442),
            hex(0xef7d33),
            hex(0xf4eee5),
        ],
        family: [hex(0x2f7fb0), hex(0xd8effc)],
    },
};

/// Paper white.
pub(super) const DAYLIGHT: Palette = Palette {
    ground: hex(0xefebe3),
    panel: hex(0xfffefb),
    raised: hex(0xf3efe7),
    hovered: hex(0xe6e0d4),
    sunken: hex(0xe9e4da),
    edge: hex(0xd3ccbf),
    outline: hex(0x7a7266),
    text: hex(0x14110d),
    muted: hex(0x4b453c),
    accent: hex(0x005186),
    accent_hovered: hex(0x003d66),
    on_accent: hex(0xffffff),
    chosen: hex(0xd6e6f2),
    good: hex(0x006046),
    caution: hex(0x7a4a00),
    bad: hex(0xa33300),
    on_tone: hex(0xffffff),
    focus: hex(0x005186),
    above: hex(0xc45600),
    below: hex(0x0072b2),
    grid: hex(0xe8e3d9),
    grid_major: hex(0xc3bbad),
    scrim: veiled(0x2a251d, 0.62),
    curves: Curves {
        before: hex(0xd55e00),
        after: hex(0x0072b2),
        live: hex(0x14110d),
        average: hex(0x000000),
        target: hex(0x008a64),
        predicted: hex(0xb35086),
        bands: hex(0xa86f00),
        noise: hex(0x7d776e),
        difference: hex(0x1f7fb5),
        series: [
            hex(0x0072b2),
            hex(0xd55e00),
            hex(0x008a64),
            hex(0xb35086),
            hex(0xa86f00),
            hex(0x1f7fb5),
            hex(0x000000),
        ],
        family: [hex(0x3f8cc0), hex(0x00203c)],
    },
};
