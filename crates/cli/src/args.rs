//! From what was typed to what the session takes.

use session::Error;

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

/// A channel as a person counts it, from 1, to the session's count from 0.
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
    fn people_count_channels_from_one() {
        assert_eq!(channel("--channel", 1).unwrap(), 0);
        assert!(channel("--channel", 0).unwrap_err().to_string().contains("from 1"));
    }
}
