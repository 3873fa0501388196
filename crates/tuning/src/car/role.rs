//! What a name and a range say of a driver: its role and the input that feeds it.

use crate::{Feed, Role};

impl Role {
    /// A proposal from a driver's name and the range that it plays; a person decides.
    #[must_use]
    pub fn proposed(name: &str, (from_hz, to_hz): (f64, f64)) -> Self {
        if let Some(role) = Self::named(name) {
            return role;
        }
        // The corners are common practice, no source.
        match (from_hz, to_hz) {
            (_, to) if to < 300.0 => Self::Sub,
            (from, _) if from > 900.0 => Self::Tweeter,
            (from, to) if to / from > 40.0 => Self::FullRange,
            (from, _) if from < 90.0 => Self::Woofer,
            _ => Self::Mid,
        }
    }

    /// The role that a name says, in words that people use.
    pub(crate) fn named(name: &str) -> Option<Self> {
        let name = name.to_lowercase();
        let says = |words: &[&str]| words.iter().any(|word| name.contains(word));
        [
            (Self::Centre, &["centre", "center"][..]),
            (Self::Fill, &["fill", "rear", "surround"]),
            (Self::Sub, &["sub"]),
            (Self::Tweeter, &["tweeter", "treble"]),
            (Self::Woofer, &["woofer", "bass"]),
            (Self::Mid, &["mid"]),
            (Self::FullRange, &["full"]),
        ]
        .into_iter()
        .find_map(|(role, words)| says(words).then_some(role))
    }

    /// Whether it stands in the chain of a side.
    #[must_use]
    pub fn is_in_chain(self) -> bool {
        !matches!(self, Self::Centre | Self::Fill)
    }
}

impl Feed {
    /// A proposal from a driver's name: `left` or `right` in it, else both.
    #[must_use]
    pub fn proposed(name: &str) -> Self {
        let name = name.to_lowercase();
        match (name.contains("left"), name.contains("right")) {
            (true, false) => Self::Left,
            (false, true) => Self::Right,
            _ => Self::Both,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: the names of the invented cars that come with the program.
    #[test]
    fn names_and_ranges_propose_a_role() {
        for (name, range_hz, wanted) in [
            ("left-tweeter", (1_500.0, 20_000.0), Role::Tweeter),
            ("centre", (220.0, 14_000.0), Role::Centre),
            ("rear-right", (90.0, 12_000.0), Role::Fill),
            ("subwoofer", (30.0, 150.0), Role::Sub),
            ("left-woofer", (60.0, 2_400.0), Role::Woofer),
            ("A1", (30.0, 150.0), Role::Sub),
            ("A2", (1_500.0, 20_000.0), Role::Tweeter),
            ("A3", (80.0, 16_000.0), Role::FullRange),
            ("A4", (60.0, 2_000.0), Role::Woofer),
            ("A5", (140.0, 5_000.0), Role::Mid),
        ] {
            assert_eq!(Role::proposed(name, range_hz), wanted, "{name}");
        }
        assert_eq!(Feed::proposed("front-Right"), Feed::Right);
        assert_eq!(Feed::proposed("left and right"), Feed::Both);
    }
}
