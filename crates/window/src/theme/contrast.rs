//! Contrast between two colours, and the proof that ours have enough of it.

use iced::Color;

/// The contrast ratio of two opaque colours, 1 to 21:
/// (L1 + 0.05) / (L2 + 0.05), with L the relative luminance, lighter over darker.
///
/// Source: WCAG 2.1, definitions of *contrast ratio* and *relative luminance*.
#[must_use]
pub fn ratio(a: Color, b: Color) -> f32 {
    let (a, b) = (luminance(a), luminance(b));
    (a.max(b) + 0.05) / (a.min(b) + 0.05)
}

fn luminance(color: Color) -> f32 {
    let linear = |c: f32| if c <= 0.04045 { c / 12.92 } else { ((c + 0.055) / 1.055).powf(2.4) };
    0.2126 * linear(color.r) + 0.7152 * linear(color.g) + 0.0722 * linear(color.b)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::theme::Theme;

    /// Source: WCAG 2.1, success criterion 1.4.3 (AA): text 4.5 : 1.
    const TEXT: f32 = 4.5;
    /// Source: WCAG 2.1, success criterion 1.4.11 (AA): parts of the interface
    /// and graphics that carry meaning 3 : 1.
    const GRAPHIC: f32 = 3.0;

    #[track_caller]
    fn at_least(what: &str, theme: Theme, a: Color, b: Color, wanted: f32) {
        let got = ratio(a, b);
        assert!(got >= wanted, "{theme:?}: {what} has {got:.2} : 1, wanted {wanted} : 1");
    }

    /// Source: analytic; black on white is 21 : 1, and #767676 on white is the
    /// lightest neutral grey that reaches 4.5 : 1 (4.54).
    #[test]
    fn the_ratio_is_that_of_the_standard() {
        assert!((ratio(Color::BLACK, Color::WHITE) - 21.0).abs() < 1e-4);
        let grey = Color::from_rgb8(0x76, 0x76, 0x76);
        assert!((ratio(grey, Color::WHITE) - 4.542).abs() < 2e-3, "{}", ratio(grey, Color::WHITE));
    }

    #[test]
    fn all_text_can_be_read() {
        for theme in Theme::ALL {
            let p = theme.colors();
            let grounds = [
                ("ground", p.ground),
                ("panel", p.panel),
                ("raised", p.raised),
                ("hovered", p.hovered),
                ("sunken", p.sunken),
                ("chosen", p.chosen),
            ];
            for (name, ground) in grounds {
                for (ink_name, ink) in [
                    ("text", p.text),
                    ("muted", p.muted),
                    ("good", p.good),
                    ("caution", p.caution),
                    ("bad", p.bad),
                ] {
                    at_least(&format!("{ink_name} on {name}"), theme, ink, ground, TEXT);
                }
            }
            at_least("text on the accent", theme, p.on_accent, p.accent, TEXT);
            at_least("text on the accent under the pointer", theme, p.on_accent, p.accent_hovered, TEXT);
            for (name, tone) in [("good", p.good), ("caution", p.caution), ("bad", p.bad)] {
                at_least(&format!("text on {name}"), theme, p.on_tone, tone, TEXT);
            }
        }
    }

    #[test]
    fn every_control_and_every_curve_can_be_seen() {
        for theme in Theme::ALL {
            let p = theme.colors();
            for (name, ground) in [("ground", p.ground), ("panel", p.panel), ("raised", p.raised)] {
                at_least(&format!("outline on {name}"), theme, p.outline, ground, GRAPHIC);
                at_least(&format!("focus on {name}"), theme, p.focus, ground, GRAPHIC);
                at_least(&format!("accent on {name}"), theme, p.accent, ground, GRAPHIC);
            }
            at_least("above", theme, p.above, p.panel, GRAPHIC);
            at_least("below", theme, p.below, p.panel, GRAPHIC);
            let c = &p.curves;
            let named = [
                ("before", c.before),
                ("after", c.after),
                ("live", c.live),
                ("average", c.average),
                ("target", c.target),
                ("predicted", c.predicted),
                ("bands", c.bands),
                ("noise", c.noise),
                ("difference", c.difference),
            ];
            for (name, curve) in named {
                at_least(name, theme, curve, p.panel, GRAPHIC);
            }
            for degree in 0..=u8::MAX {
                let curve = theme.curve(chart::Role::Family(degree));
                at_least(&format!("family {degree}"), theme, curve, p.panel, GRAPHIC);
            }
            for (index, curve) in c.series.iter().enumerate() {
                at_least(&format!("series {index}"), theme, *curve, p.panel, GRAPHIC);
            }
        }
    }
}
