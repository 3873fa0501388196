//! The lengths of strokes and gaps.

use crate::Dash;

impl Dash {
    /// Strokes and gaps by turns, in units of the line's width; empty for an
    /// unbroken line.
    #[must_use]
    pub fn pattern(self) -> &'static [f32] {
        match self {
            Self::Solid => &[],
            Self::Dashed => &[5.0, 3.0],
            Self::Dotted => &[1.0, 2.5],
            Self::DashDot => &[6.0, 2.5, 1.0, 2.5],
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_stroke_has_its_gap_and_no_two_are_alike() {
        let all = [Dash::Solid, Dash::Dashed, Dash::Dotted, Dash::DashDot];
        for (index, dash) in all.iter().enumerate() {
            assert_eq!(dash.pattern().len() % 2, 0);
            for other in &all[index + 1..] {
                assert_ne!(dash.pattern(), other.pattern());
            }
        }
    }
}
