//! From what was typed to what a command takes.

use library::Error;
use procedure::ToldTrack;

use crate::number;

/// Splits `KEY=VALUE` settings.
///
/// # Errors
/// When one has no `=` or no key.
pub(crate) fn key_values(settings: &[String]) -> Result<Vec<(String, String)>, Error> {
    settings
        .iter()
        .map(|setting| match setting.split_once('=') {
            Some((key, value)) if !key.trim().is_empty() => {
                Ok((key.trim().to_owned(), value.trim().to_owned()))
            }
            _ => Err(Error::input(format!(
                "`-p {setting}` is not of the form KEY=VALUE, such as `-p smoothing=6`"
            ))),
        })
        .collect()
}

/// Splits `NAME=VALUE` at the first `=` of each.
///
/// # Errors
/// When one has no `=`, no name or no value.
pub(crate) fn named(option: &str, form: &str, written: &[String]) -> Result<Vec<(String, String)>, Error> {
    let split = |text: &String| match text.split_once('=') {
        Some((name, value)) if !name.trim().is_empty() && !value.trim().is_empty() => {
            Ok((name.trim().to_owned(), value.trim().to_owned()))
        }
        _ => Err(Error::input(format!("{option} `{text}` is not of the form {form}"))),
    };
    written.iter().map(split).collect()
}

/// The same with distances as they stand on a tape, in metres.
///
/// # Errors
/// When one is not of this form, or no distance inside a car.
pub(crate) fn named_distances(
    option: &str,
    form: &str,
    written: &[String],
) -> Result<Vec<(String, f64)>, Error> {
    let metres = |(name, text): (String, String)| match tuning::parse_metres(&text) {
        Some(metres) => Ok((name, metres)),
        None => Err(Error::input(format!(
            "{option} {name}={text}: expected a distance of 15 m at most, such as 0.95, 95cm, 37.5in or 3'1.5\""
        ))),
    };
    named(option, form, written)?.into_iter().map(metres).collect()
}

/// The same with times in milliseconds of either sign: what comes before the reference is negative.
///
/// # Errors
/// When one is not of this form, or no number.
pub(crate) fn named_times(option: &str, form: &str, written: &[String]) -> Result<Vec<(String, f64)>, Error> {
    let number = |(name, value): (String, String)| match number::milliseconds(&value) {
        Ok(number) => Ok((name, number)),
        Err(problem) => Err(Error::input(format!("{option} {name}={value}: {problem}; expected {form}"))),
    };
    named(option, form, written)?.into_iter().map(number).collect()
}

/// Tracks with the times at which they were played, as `NAME=FROM-TO`.
///
/// # Errors
/// When one is not of this form, or ends before it begins.
pub(crate) fn stretches(option: &str, written: &[String]) -> Result<Vec<ToldTrack>, Error> {
    const FORM: &str = "TRACK=FROM-TO, such as quiet=2:10-2:40 or quiet=130-160";
    let stretch = |(track, times): (String, String)| {
        let both = times.split_once('-').and_then(|(from, to)| Some((moment(from)?, moment(to)?)));
        match both {
            Some((from_s, to_s)) if from_s < to_s => Ok(ToldTrack { track, from_s, to_s }),
            _ => Err(Error::input(format!("{option} `{track}={times}` is not of the form {FORM}"))),
        }
    };
    named(option, FORM, written)?.into_iter().map(stretch).collect()
}

/// A moment in seconds, or in minutes and seconds with a colon between.
pub(crate) fn moment(written: &str) -> Option<f64> {
    let number = |text: &str| text.trim().parse::<f64>().ok().filter(|x| x.is_finite() && *x >= 0.0);
    match written.split_once(':') {
        Some((minutes, seconds)) => Some(60.0 * number(minutes)? + number(seconds).filter(|s| *s < 60.0)?),
        None => number(written),
    }
}

/// A channel as a person counts it, from 1, to a count from 0.
///
/// # Errors
/// When it is 0.
pub(crate) fn channel(option: &str, number: usize) -> Result<usize, Error> {
    number
        .checked_sub(1)
        .ok_or_else(|| Error::input(format!("{option} 0: channels are counted from 1, the first one is 1")))
}

/// A positive, finite number for an option.
///
/// # Errors
/// When it is neither.
pub(crate) fn positive(option: &str, value: Option<f64>) -> Result<Option<f64>, Error> {
    match value {
        Some(value) if !(value.is_finite() && value > 0.0) => {
            Err(Error::input(format!("{option} {value}: expected a number greater than 0")))
        }
        value => Ok(value),
    }
}

/// A finite number for an option.
///
/// # Errors
/// When it is not finite.
pub(crate) fn finite(option: &str, value: Option<f64>) -> Result<Option<f64>, Error> {
    match value {
        Some(value) if !value.is_finite() => {
            Err(Error::input(format!("{option} {value}: expected a finite number")))
        }
        value => Ok(value),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn settings_split_at_the_first_equals_sign() {
        let settings = ["smoothing=6".to_owned(), "list = a=b".to_owned()];
        assert_eq!(
            key_values(&settings).unwrap(),
            [("smoothing".to_owned(), "6".to_owned()), ("list".to_owned(), "a=b".to_owned())]
        );
        assert!(key_values(&["smoothing".to_owned()]).is_err());
        assert!(key_values(&["=6".to_owned()]).is_err());
    }

    #[test]
    fn names_go_with_distances() {
        let written = ["left tweeter=0.95".to_owned(), "sub = 0,5 m".to_owned()];
        let got = named_distances("--distance", "NAME=DISTANCE", &written).unwrap();
        assert_eq!(got, [("left tweeter".to_owned(), 0.95), ("sub".to_owned(), 0.5)]);
        for wrong in ["sub", "=1", "sub=", "sub=-1", "sub=far", "sub=nan", "sub=95"] {
            assert!(named_distances("--distance", "NAME=DISTANCE", &[wrong.to_owned()]).is_err(), "{wrong}");
        }
    }

    #[test]
    fn a_time_may_lie_before_the_reference() {
        let got = named_times("--arrival", "NAME=MS", &["high=-0.014".to_owned()]).unwrap();
        assert_eq!(got, [("high".to_owned(), -0.014)]);
        assert!(named_times("--arrival", "NAME=MS", &["high=soon".to_owned()]).is_err());
    }

    #[test]
    fn a_stretch_has_a_track_and_two_times() {
        let got = stretches("--at", &["quiet=2:10-2:40.5".to_owned(), "pink = 5 - 65".to_owned()]).unwrap();
        assert_eq!((&*got[0].track, got[0].from_s, got[0].to_s), ("quiet", 130.0, 160.5));
        assert_eq!((&*got[1].track, got[1].from_s, got[1].to_s), ("pink", 5.0, 65.0));
        for wrong in
            ["quiet", "quiet=", "quiet=3", "quiet=9-3", "quiet=1:75-9:00", "quiet=a-b", "quiet=1-inf"]
        {
            assert!(stretches("--at", &[wrong.to_owned()]).is_err(), "{wrong}");
        }
    }

    #[test]
    fn people_count_channels_from_one() {
        assert_eq!(channel("--channel", 1).unwrap(), 0);
        assert!(channel("--channel", 0).unwrap_err().to_string().contains("from 1"));
    }
}
