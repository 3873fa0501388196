//! What a driver is for, which side it plays, for whom a car is tuned, and where the
//! processor can equalize.

use std::fmt;

use serde::{Deserialize, Serialize};

/// An enum whose values are words in files, on the command line and on paper.
macro_rules! words {
    ($(#[$about:meta])* $name:ident { $($(#[$doc:meta])* $value:ident = $word:literal),+ $(,)? }) => {
        $(#[$about])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
        pub enum $name {
            $($(#[$doc])* #[serde(rename = $word)] $value),+
        }

        impl $name {
            /// All of them.
            pub const ALL: &[Self] = &[$(Self::$value),+];

            /// Its word in files and on the command line.
            #[must_use]
            pub fn word(self) -> &'static str {
                match self {
                    $(Self::$value => $word),+
                }
            }

            /// What a word stands for, if anything.
            #[must_use]
            pub fn from_word(word: &str) -> Option<Self> {
                Self::ALL.iter().copied().find(|one| one.word() == word)
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str(self.word())
            }
        }
    };
}

words! {
    /// What a driver is for. Centres and fills belong to no side's chain of crossovers.
    Role {
        /// The lowest octaves, for both sides as a rule.
        Sub = "sub",
        /// Bass and lower middle.
        Woofer = "woofer",
        /// The middle.
        Mid = "mid",
        /// The highest octaves.
        Tweeter = "tweeter",
        /// Everything that the side plays.
        FullRange = "full-range",
        /// Between left and right.
        Centre = "centre",
        /// Rear or other support behind the stage.
        Fill = "fill",
    }
}

words! {
    /// Which of the source's sides a driver plays.
    Feed {
        /// The left one.
        Left = "left",
        /// The right one.
        Right = "right",
        /// The sum of both.
        Both = "both",
    }
}

words! {
    /// For whom the car is tuned.
    Seat {
        /// The driver alone.
        Driver = "driver",
        /// Both front seats.
        Both = "both",
    }
}

words! {
    /// Where the processor's equalizer stands.
    Equalizer {
        /// One for each channel.
        Channels = "channels",
        /// One for each side, in which the channels are linked.
        Sides = "sides",
        /// One for the whole car.
        One = "one",
    }
}

impl Role {
    /// The role of a word as files of version 1 and people write it.
    #[must_use]
    pub fn understood(word: &str) -> Option<Self> {
        let word = word.trim().to_lowercase();
        Self::from_word(&word).or(match word.as_str() {
            "subwoofer" => Some(Self::Sub),
            "high" => Some(Self::Tweeter),
            "full" | "fullrange" => Some(Self::FullRange),
            "center" => Some(Self::Centre),
            _ => None,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_word_is_what_the_files_say() {
        for &role in Role::ALL {
            assert_eq!(Role::from_word(role.word()), Some(role));
            assert_eq!(serde_json::to_string(&role).unwrap(), format!("\"{role}\""));
        }
        assert_eq!(Role::understood(" Full "), Some(Role::FullRange));
        assert_eq!(Role::understood("high"), Some(Role::Tweeter));
        assert_eq!(Role::understood("horn"), None);
        assert_eq!(Equalizer::from_word("sides"), Some(Equalizer::Sides));
        assert_eq!(Seat::from_word("back"), None);
        assert_eq!(Feed::Both.to_string(), "both");
    }
}
