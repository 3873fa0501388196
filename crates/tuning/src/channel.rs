//! Which channels a name means.

/// Whether what is entered for a channel goes to the output, driver or channel of this name.
///
/// Names are compared by whole words, upper and lower case alike: `left` goes to `left`,
/// `left-mid` and `Front Left`, `front left` goes to `front-left-mid`; `1` does not go to `10`,
/// and `mid` not to `midbass`. What has no channel goes everywhere.
#[must_use]
pub fn channel_reaches(channel: &str, name: &str) -> bool {
    if channel.is_empty() || channel == name {
        return true;
    }
    let (wanted, present) = (words(channel), words(name));
    !wanted.is_empty() && present.windows(wanted.len()).any(|run| run == wanted)
}

/// The words of a name: what lies between its blanks, hyphens and other marks.
fn words(name: &str) -> Vec<String> {
    let words = name.split(|letter: char| !letter.is_alphanumeric());
    words.filter(|word| !word.is_empty()).map(str::to_lowercase).collect()
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn a_channel_goes_where_its_whole_words_stand() {
        for (channel, name) in [
            ("", "left"),
            ("left", "left"),
            ("left", "left-mid"),
            ("LEFT", "front left"),
            ("front left", "front-left-mid"),
            ("left-mid", "left mid"),
            ("1", "output 1"),
            ("1", "1"),
            ("hinten links", "Hinten-Links (Tür)"),
            ("tür", "Hinten-Links (TÜR)"),
            ("-", "-"),
        ] {
            assert!(channel_reaches(channel, name), "`{channel}` goes to `{name}`");
        }
    }

    /// A part of a word, words in another order or apart, and a longer name mean something else.
    #[test]
    fn a_part_of_a_word_is_no_word() {
        for (channel, name) in [
            ("1", "10"),
            ("1", "output 10"),
            ("mid", "midbass"),
            ("mid", "left-midbass"),
            ("left", "right-mid"),
            ("left-mid", "left"),
            ("mid left", "left-mid"),
            ("left mid", "left-upper-mid"),
            ("sub", "subwoofer"),
            ("-", "left"),
            ("left", ""),
        ] {
            assert!(!channel_reaches(channel, name), "`{channel}` does not go to `{name}`");
        }
    }

    proptest! {
        #[test]
        fn a_number_goes_to_no_other_number(one in 0u32..40, other in 0u32..40) {
            let reaches = channel_reaches(&one.to_string(), &format!("output {other}"));
            prop_assert_eq!(reaches, one == other);
        }

        #[test]
        fn every_name_reaches_itself_and_its_continuation(name in "[a-z0-9]{1,6}(-[a-z0-9]{1,6}){0,3}", more in "[a-z]{1,6}") {
            prop_assert!(channel_reaches(&name, &name));
            let longer = format!("{name}-{more}");
            prop_assert!(channel_reaches(&name, &longer));
            prop_assert!(!channel_reaches(&longer, &name));
        }
    }
}
