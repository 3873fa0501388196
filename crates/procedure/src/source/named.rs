//! Recordings that are given with a name each.

use std::path::PathBuf;

use library::{Error, Result};

/// A recording with a name: `front=front.wav`, its second channel `front=front.wav#2`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Named {
    /// What was recorded, such as the output's name.
    pub name: String,
    /// The recording.
    pub path: PathBuf,
    /// The channel, from 0.
    pub channel: usize,
}

impl Named {
    /// Reads `NAME=FILE` or `NAME=FILE#CHANNEL`, channels counted from 1.
    ///
    /// # Errors
    /// When there is no name, no file, or the channel is no number above 0.
    pub fn parse(text: &str) -> Result<Self> {
        let refuse = |what: &str| {
            Error::input(format!(
                "`{text}`: {what}; expected NAME=FILE, such as front=front.wav, or NAME=FILE#CHANNEL for another \
                 channel than the first"
            ))
        };
        let (name, rest) = text.split_once('=').ok_or_else(|| refuse("there is no `=`"))?;
        if name.trim().is_empty() || rest.trim().is_empty() {
            return Err(refuse("the name or the file is missing"));
        }
        let (path, channel) = match rest.rsplit_once('#') {
            Some((path, number)) => match number.parse::<usize>() {
                Ok(number) if number > 0 => (path, number - 1),
                _ => return Err(refuse("after `#` a channel is expected, counted from 1")),
            },
            None => (rest, 0),
        };
        Ok(Self { name: name.trim().to_owned(), path: PathBuf::from(path), channel })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn named_recordings() {
        let read = |text: &str| Named::parse(text).unwrap();
        assert_eq!(
            read("front=a b.wav"),
            Named { name: "front".to_owned(), path: PathBuf::from("a b.wav"), channel: 0 }
        );
        assert_eq!(read("sub=C:\\x=y.wav#2").channel, 1);
        assert_eq!(read("sub=C:\\x=y.wav#2").path, PathBuf::from("C:\\x=y.wav"));
        for bad in ["front", "=a.wav", "front=", "front=a.wav#0", "front=a.wav#two"] {
            assert!(Named::parse(bad).unwrap_err().to_string().contains("NAME=FILE"), "{bad}");
        }
    }
}
