//! What a driver is for, and which input of the car feeds it.

use serde::{Deserialize, Serialize};

/// What a driver is for.
///
/// The chain of a side is made of subwoofer, woofer, mid, tweeter and full-range drivers. A centre and
/// a fill are no part of it: they get level and delay beside it, and must not become the car.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Role {
    /// The lowest octaves.
    Sub,
    /// Bass and lower middle.
    Woofer,
    /// The middle.
    Mid,
    /// Treble.
    Tweeter,
    /// Everything, or all but the bass.
    FullRange,
    /// The middle of the stage, between left and right.
    Centre,
    /// Sound from beside or behind.
    Fill,
}

impl Role {
    /// All roles.
    pub const ALL: [Self; 7] =
        [Self::Sub, Self::Woofer, Self::Mid, Self::Tweeter, Self::FullRange, Self::Centre, Self::Fill];

    /// The word that files and the command line use.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Sub => "sub",
            Self::Woofer => "woofer",
            Self::Mid => "mid",
            Self::Tweeter => "tweeter",
            Self::FullRange => "full-range",
            Self::Centre => "centre",
            Self::Fill => "fill",
        }
    }

    /// The role of a word, if there is one.
    #[must_use]
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|role| role.word() == word)
    }

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

/// Which input of the car feeds a driver.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Feed {
    /// The left one.
    Left,
    /// The right one.
    Right,
    /// Both, added up.
    Both,
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
        for role in Role::ALL {
            assert_eq!(Role::from_word(role.word()), Some(role));
        }
        assert_eq!(Feed::proposed("front-Right"), Feed::Right);
        assert_eq!(Feed::proposed("left and right"), Feed::Both);
    }
}
