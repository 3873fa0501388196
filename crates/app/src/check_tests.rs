//! What the window says of what was entered.

use job::{ChannelSetting, Set};
use measure::Reading;
use view::{SetMark, Stage, Tone};

use super::state::State;
use super::test_samples::{capture, job, measure, of, shaped, state, take, two_drivers, typed};

/// What stands beside "What was typed".
fn verdict(state: &State) -> (String, Tone) {
    let lines = of(state).card().lines;
    let line = lines.into_iter().find(|line| line.label == "What was typed").expect("a verdict");
    (line.value, line.tone)
}

fn findings(state: &State) -> String {
    of(state).card().findings.into_iter().map(|finding| finding.text + "\n").collect()
}

/// A driver that arrives at 3 ms, this loud and so much later.
fn driver(level_db: f64, later_s: f64) -> Reading {
    let mut reading = Reading::new("sweep", 1, 48_000.0);
    let grid = dsp::response::log_grid(1_500.0, 20_000.0, 24.0);
    let of_grid = |value: f64| vec![value; grid.len()];
    let curves =
        [("frequency_hz", grid.clone()), ("magnitude_db", of_grid(level_db)), ("phase_deg", of_grid(0.0))];
    reading.curve("response", curves);
    reading.value("arrival_s", 0.003 + later_s);
    reading
}

fn alone(state: &mut State, id: u32, set: Option<Set>, name: &str, reading: Reading) {
    let mut capture = capture(id, job::Stage::Drivers, "head");
    name.clone_into(&mut capture.meta.driver);
    capture.meta.set = set;
    // Its arrivals share their zero.
    capture.meta.reference_channel = Some(2);
    take(state, capture, reading);
}

/// Two tweeters of which the left one is to be 4 dB softer and the right one 0.5 ms later, measured before.
fn two_channels() -> State {
    let mut state = state();
    state.face.stage = Stage::Tune;
    state.job = Some(job(|data| {
        two_drivers(data);
        let setting = |channel: &str, gain_db, delay_s| ChannelSetting {
            channel: channel.to_owned(),
            gain_db,
            delay_s,
            ..ChannelSetting::default()
        };
        data.channels = vec![setting("left-tweeter", -4.0, 0.0), setting("right-tweeter", 0.0, 0.000_5)];
    }));
    alone(&mut state, 1, None, "left-tweeter", driver(0.0, 0.0));
    alone(&mut state, 2, None, "right-tweeter", driver(0.0, 0.0));
    state
}

/// Source: the captures are made here, from what is entered.
#[test]
fn each_channel_is_checked_by_its_driver_alone() {
    let mut state = two_channels();
    assert!(of(&state).check().is_none(), "nothing was measured after");
    alone(&mut state, 3, Some(Set::After), "left-tweeter", driver(-4.0, 0.0));
    alone(&mut state, 4, Some(Set::After), "right-tweeter", driver(0.0, 0.000_5));
    assert_eq!(verdict(&state), ("entered correctly".to_owned(), Tone::Good), "{}", findings(&state));
    // The left one 4 dB louder instead of softer.
    alone(&mut state, 5, Some(Set::After), "left-tweeter", driver(4.0, 0.0));
    assert_eq!(verdict(&state), ("1 thing differs".to_owned(), Tone::Bad), "{}", findings(&state));
    assert!(findings(&state).contains("left-tweeter"), "{}", findings(&state));
    state.face.stage = Stage::Handover;
    assert!(findings(&state).contains("left-tweeter"), "the handover says so too: {}", findings(&state));
    let record = of(&state).audit_record().expect("a record");
    let verdicts: Vec<&str> = record.channels.iter().map(|channel| channel.verdict.as_str()).collect();
    assert_eq!(verdicts, ["wrong-level", "as-meant"]);
    assert_eq!(record.basis.captures.len(), 4, "{:?}", record.basis);
}

/// A driver that was measured alone into *after*, as the check needs it, is no place of the whole.
#[test]
fn a_driver_alone_is_no_place_of_a_set() {
    let mut state = two_channels();
    measure(&mut state, 3, Set::After, "head", driver(0.0, 0.0));
    alone(&mut state, 4, Some(Set::After), "left-tweeter", driver(-4.0, 0.0));
    let places: Vec<u32> = state.captures.side_of(SetMark::After, "").map(|held| held.id.0).collect();
    assert_eq!(places, [3]);
}

/// More was changed than the bands: what differs is laid to none of them.
#[test]
fn what_cannot_be_told_is_not_called_wrong() {
    let mut state = two_channels();
    let bump = tuning::Band::peak(500.0, 6.0, 2.0);
    state.tune.set_bands(vec![typed(500.0, -6.0)]);
    measure(&mut state, 3, Set::Before, "driver", shaped(&[bump]));
    measure(&mut state, 4, Set::After, "driver", shaped(&[bump, tuning::Band::peak(2_000.0, 5.0, 3.0)]));
    assert_eq!(verdict(&state), ("cannot be told".to_owned(), Tone::Caution), "{}", findings(&state));
    assert!(findings(&state).contains("more was changed"), "{}", findings(&state));
}

/// A job that is opened and looked at keeps the audit that it has, with its time; a new one replaces it.
#[test]
fn an_audit_that_says_the_same_is_not_made_anew() {
    let mut state = two_channels();
    alone(&mut state, 3, Some(Set::After), "left-tweeter", driver(-4.0, 0.0));
    alone(&mut state, 4, Some(Set::After), "right-tweeter", driver(0.0, 0.000_5));
    let mut kept = of(&state).audit_record().expect("a record");
    kept.basis.made = Some(jiff::Timestamp::UNIX_EPOCH);
    let hold = |state: &mut State, audit| {
        let job = state.job.as_mut().expect("a job");
        std::sync::Arc::make_mut(&mut job.data).audit = Some(audit);
    };
    hold(&mut state, kept.clone());
    assert_eq!(of(&state).audit_record(), Some(kept.clone()));
    alone(&mut state, 5, Some(Set::After), "left-tweeter", driver(4.0, 0.0));
    let found = of(&state).audit_record().expect("a record");
    assert!(found != kept && found.basis.made != kept.basis.made, "{found:?}");
}
