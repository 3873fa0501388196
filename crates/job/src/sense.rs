//! Whether the numbers of a file can mean anything, by the units that their keys end in; and its texts without
//! what cannot be seen.

use serde_json::Value;
use tuning::MOST_BANDS;
use units::text::{lines, one_line};

/// The largest frequency that anything here has.
const MOST_HZ: f64 = 1e6;
/// The largest level or gain.
const MOST_DB: f64 = 1_000.0;
/// The longest delay or arrival of a channel.
const MOST_DELAY_S: f64 = 60.0;
/// The highest Q.
const MOST_Q: f64 = 10_000.0;

/// The first number that makes no sense: where it stands, as `channels[0].delay_s`, and what is wrong with it.
pub(crate) fn nonsense(document: &Value) -> Option<(String, String)> {
    look(document, "", &mut String::new())
}

fn look(value: &Value, key: &str, place: &mut String) -> Option<(String, String)> {
    let length = place.len();
    match value {
        Value::Object(entries) => entries.iter().find_map(|(key, value)| {
            place.push_str(if length == 0 { "" } else { "." });
            place.push_str(key);
            let found = look(value, key, place);
            place.truncate(length);
            found
        }),
        Value::Array(values) if key == "bands" && values.len() > MOST_BANDS => {
            let what = format!("{} bands; no processor holds more than {MOST_BANDS}", values.len());
            Some((place.clone(), what))
        }
        Value::Array(values) => values.iter().enumerate().find_map(|(index, value)| {
            place.push_str(&format!("[{index}]"));
            let found = look(value, key, place);
            place.truncate(length);
            found
        }),
        Value::Number(number) => {
            let number = number.as_f64()?;
            wrong(key, number).map(|wanted| (place.clone(), format!("{} {wanted}", shown(number))))
        }
        _ => None,
    }
}

/// What a number under such a key must be, when it is not.
fn wrong(key: &str, number: f64) -> Option<&'static str> {
    let size = number.abs();
    match key {
        "frequency_hz" | "sample_rate_hz" if !(number > 0.0 && size <= MOST_HZ) => {
            Some("is no frequency; it lies above 0 and up to 1,000,000 Hz")
        }
        "q" | "entered_q" | "found_entered_q" if !(number > 0.0 && size <= MOST_Q) => {
            Some("is no Q; it lies above 0 and up to 10,000")
        }
        "delay_s" | "arrival_s" if size > MOST_DELAY_S => {
            Some("is no delay; it is given in seconds, up to 60")
        }
        "volts_per_fs" | "load_ohm" if number <= 0.0 => Some("makes no sense; it lies above 0"),
        "engine_rpm" | "vehicle_kmh" | "power_w" | "distance_m" if number < 0.0 => {
            Some("makes no sense; it is 0 or more")
        }
        _ if key.ends_with("_hz") && !(number >= 0.0 && size <= MOST_HZ) => {
            Some("is no frequency; it lies between 0 and 1,000,000 Hz")
        }
        _ if key.ends_with("_db") && size > MOST_DB => Some("is no level; it lies within ±1000 dB"),
        _ => None,
    }
}

fn shown(number: f64) -> String {
    if number == 0.0 || (1e-6..1e12).contains(&number.abs()) {
        number.to_string()
    } else {
        format!("{number:e}")
    }
}

/// Whether a document may hold a character that cannot be seen, raw or as an escape.
pub(crate) fn may_hide(json: &[u8]) -> bool {
    json.contains(&b'\\') || !json.is_ascii()
}

/// Takes what cannot be seen out of all texts and keys. Notes keep their lines, everything else is one line.
pub(crate) fn show_plainly(value: &mut Value) {
    plainly(value, "");
}

fn plainly(value: &mut Value, key: &str) {
    match value {
        Value::String(text) => {
            let plain = if key == "notes" || key == "text" { lines(text) } else { one_line(text) };
            if *plain != **text {
                *text = plain.into_owned();
            }
        }
        Value::Array(values) => values.iter_mut().for_each(|value| plainly(value, key)),
        Value::Object(entries) => {
            if entries.keys().any(|key| one_line(key) != key.as_str()) {
                *entries = std::mem::take(entries)
                    .into_iter()
                    .map(|(key, value)| (one_line(&key).into_owned(), value))
                    .collect();
            }
            entries.iter_mut().for_each(|(key, value)| plainly(value, key));
        }
        _ => {}
    }
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    #[test]
    fn what_makes_no_sense_is_named_with_its_place() {
        for (document, place, part) in [
            (
                json!({"bands": [{"frequency_hz": 100, "q": 1}, {"frequency_hz": -1, "q": 1}]}),
                "bands[1].frequency_hz",
                "-1 is no frequency",
            ),
            (json!({"bands": [{"frequency_hz": 0}]}), "bands[0].frequency_hz", "0 is no frequency"),
            (json!({"bands": [{"q": 0}]}), "bands[0].q", "0 is no Q"),
            (json!({"sheet": {"bands": vec![0; 20_000]}}), "sheet.bands", "20000 bands"),
            (json!({"channels": [{"delay_s": 1e9}]}), "channels[0].delay_s", "1000000000 is no delay"),
            (json!({"choices": {"to_hz": 1e308}}), "choices.to_hz", "1e308 is no frequency"),
            (json!({"fit": {"offset_db": -1e5}}), "fit.offset_db", "-100000 is no level"),
            (
                json!({"calibration": {"microphone": {"frequency_hz": [20, 0]}}}),
                "calibration.microphone.frequency_hz[1]",
                "0 is",
            ),
        ] {
            let (found, problem) = nonsense(&document).expect(place);
            assert_eq!(found, place);
            assert!(problem.starts_with(part), "{problem}");
        }
        let sound = json!({"bands": [{"frequency_hz": 100, "gain_db": -3, "q": 0.7}], "channels": [{"delay_s": 0}], "choices": {"from_hz": 0}});
        assert_eq!(nonsense(&sound), None);
    }

    #[test]
    fn texts_are_shown_plainly_and_notes_keep_their_lines() {
        let mut document = json!({"name": "x\u{1b}]0;owned\u{7}\u{202e}\nFORGED", "notes": "a\nb\u{1b}[2J", "why": {"k\u{200b}": ["\u{9b}1"]}});
        show_plainly(&mut document);
        assert_eq!(document, json!({"name": "x]0;owned FORGED", "notes": "a\nb[2J", "why": {"k": ["1"]}}));
        assert!(
            may_hide("{\"a\": \"\\u001b\"}".as_bytes())
                && may_hide("\u{202e}".as_bytes())
                && !may_hide(b"{}")
        );
    }
}
