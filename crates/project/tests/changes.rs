//! Changes from outside: what each does, what is refused, and that every edit is taken back.

use jiff::Timestamp;
use job::{
    CaptureId, CaptureMeta, CaptureState, ChannelSetting, Conditions, EnteredBand, Head, JobData,
    PresetOrInline, Set, Stage, StageResult, StageState,
};
use measure::Reading;
use project::{Change, History, Placement, Project, Refused};
use proptest::prelude::*;
use tuning::{Band, Profile};

fn project() -> Project {
    Project::new(JobData::new(Head { name: "Blue estate".to_owned(), created: Timestamp::UNIX_EPOCH }))
}

fn meta(label: &str) -> CaptureMeta {
    CaptureMeta {
        label: label.to_owned(),
        position: label.to_owned(),
        set: Some(Set::Before),
        ..CaptureMeta::new("sweep", 1, Stage::Tune, Timestamp::UNIX_EPOCH)
    }
}

fn reading(level_db: f64) -> Reading {
    let mut reading = Reading::new("sweep", 1, 48_000.0);
    reading.curve("response", [("frequency_hz", vec![20.0, 1000.0]), ("magnitude_db", vec![level_db, 0.0])]);
    reading
}

fn done(id: u32, label: &str, level_db: f64) -> Change {
    Change::CaptureDone { id: CaptureId(id), meta: meta(label), reading: reading(level_db) }
}

fn band(gain_db: f64) -> EnteredBand {
    let profile = Profile::preset("parametric-gridded").expect("it is built in");
    EnteredBand::of_typed("", &Band::peak(1_000.0, gain_db, 2.0), &profile)
}

/// Three captures, two of them at one place.
fn with_captures() -> Project {
    let mut project = project();
    for change in [done(1, "driver", 1.0), done(2, "passenger", 2.0), done(3, "driver", 3.0)] {
        project.apply(change).expect("it is made");
    }
    project
}

#[test]
fn a_rename_during_a_capture_stays_when_it_ends() {
    let mut project = project();
    let id = CaptureId(1);
    project.apply(Change::CaptureBegun { id, meta: meta("driver") }).unwrap();
    assert_eq!(project.capture(id).unwrap().state, CaptureState::Recording);
    assert_eq!(project.apply(Change::CaptureBegun { id, meta: meta("x") }), Err(Refused::BegunAlready(id)));
    let placement = Placement {
        label: "door open".to_owned(),
        processor_channel: "left".to_owned(),
        ..Placement::of(&meta("driver"))
    };
    project.apply(Change::Placed { id, placement: placement.clone() }).unwrap();
    let ended = CaptureMeta { rig: "the rig at its end".to_owned(), ..meta("driver") };
    project.apply(Change::CaptureDone { id, meta: ended, reading: reading(1.0) }).unwrap();
    let capture = project.capture(id).unwrap();
    assert_eq!(Placement::of(&capture.meta), placement);
    assert_eq!((capture.meta.rig.as_str(), capture.state), ("the rig at its end", CaptureState::Done));
    assert!(capture.response.is_some() && capture.has_result());
}

#[test]
fn a_capture_that_was_discarded_while_it_ran_stays_discarded_with_its_reading() {
    let mut project = project();
    let id = CaptureId(1);
    project.apply(Change::CaptureBegun { id, meta: meta("driver") }).unwrap();
    project.apply(Change::Discarded(id)).unwrap();
    let ended = Change::CaptureInterrupted { id, meta: meta("driver"), reading: Some(reading(1.0)) };
    project.apply(ended).unwrap();
    assert!(project.captures.is_empty());
    assert_eq!(project.discarded[0].state, CaptureState::Interrupted);
    assert!(project.discarded[0].reading.is_some());
}

#[test]
fn the_newest_capture_of_a_place_counts() {
    let project = with_captures();
    let levels: Vec<f64> =
        project.responses(&Set::Before, "").map(|(_, response)| response.magnitude_db[0]).collect();
    assert_eq!(levels, [2.0, 3.0]);
    assert_eq!(project.newest(Stage::Tune, "driver").map(|capture| capture.id), Some(CaptureId(3)));
    assert_eq!(project.responses(&Set::Before, "left").count(), 0);
    assert_eq!(project.responses(&Set::After, "").count(), 0);
    // A driver that was measured alone into a set is no place of the whole, and hides none.
    let mut project = project;
    let alone = CaptureMeta { driver: "sub".to_owned(), set: Some(Set::Before), ..meta("driver") };
    project.apply(Change::CaptureDone { id: CaptureId(9), meta: alone, reading: reading(9.0) }).unwrap();
    let levels: Vec<f64> =
        project.responses(&Set::Before, "").map(|(_, response)| response.magnitude_db[0]).collect();
    assert_eq!(levels, [2.0, 3.0]);
}

/// What was planned when a capture was begun was in the processor, once the capture is one of *after*, whatever is
/// planned by then; out of that set it is not, and both can be taken back.
#[test]
fn a_capture_that_is_put_into_after_later_has_the_setting_of_its_own_time() {
    let mut project = project();
    project.apply(done(1, "too early", 0.0)).unwrap();
    project.apply(Change::Bands(vec![band(-3.0)])).unwrap();
    project.apply(done(2, "driver", 0.0)).unwrap();
    project.apply(Change::Bands(vec![band(-6.0)])).unwrap();
    let before = project.clone();
    let mut put = |id: u32, set: Option<Set>| {
        let id = CaptureId(id);
        let placement = Placement { set, ..Placement::of(&project.capture(id).unwrap().meta) };
        let change = Change::Placed { id, placement };
        let back = project.inverse(&change).unwrap();
        project.apply(change).unwrap();
        let gain_db = |setting: &job::ProcessorSetting| setting.bands[0].gain_db;
        (project.capture(id).unwrap().meta.setting.as_ref().map(gain_db), back)
    };
    let (setting, back) = put(2, Some(Set::After));
    assert_eq!(setting, Some(-3.0));
    // Nothing was planned when the first one was made, so it is not known.
    let (unknown, back_too) = put(1, Some(Set::After));
    assert_eq!(unknown, None);
    assert_eq!(put(2, None).0, None);
    assert_eq!(put(2, Some(Set::After)).0, Some(-3.0));
    project.apply(back_too).unwrap();
    project.apply(back).unwrap();
    assert_eq!(project, before);
}

#[test]
fn what_cannot_be_is_refused_and_changes_nothing() {
    let mut project = with_captures();
    let before = project.clone();
    let bad_band = |change: fn(&mut EnteredBand)| {
        let mut one = band(-3.0);
        change(&mut one);
        Change::Bands(vec![band(1.0), one])
    };
    let channel = |delay_s: f64, gain_db: f64| {
        Change::Channels(vec![ChannelSetting { delay_s, gain_db, ..ChannelSetting::default() }])
    };
    let conditions = Conditions { vehicle_kmh: Some(-3.0), ..Conditions::default() };
    let placed = Placement { conditions, ..Placement::default() };
    let refused = [
        bad_band(|band| band.frequency_hz = -1.0),
        bad_band(|band| band.gain_db = f64::NAN),
        bad_band(|band| band.q = 0.0),
        bad_band(|band| band.entered_q = Some(0.0)),
        channel(1e9, 0.0),
        channel(-0.001, 0.0),
        channel(0.0, f64::INFINITY),
        Change::Placed { id: CaptureId(1), placement: placed },
        Change::Placed { id: CaptureId(9), placement: Placement::default() },
        Change::Discarded(CaptureId(9)),
        Change::Restored(CaptureId(1)),
        Change::Reordered(vec![CaptureId(1), CaptureId(1), CaptureId(2)]),
        Change::Together(vec![Change::Notes("lost".to_owned()), Change::Discarded(CaptureId(9))]),
    ];
    for change in refused {
        let text = format!("{change:?}");
        let refused = project.apply(change).expect_err(&text);
        assert_eq!(project, before, "{text}");
        assert!(!refused.to_string().is_empty());
    }
    let text = project.apply(bad_band(|band| band.q = 0.0)).unwrap_err().to_string();
    assert_eq!(text, "the Q of band 2 is 0; expected a number above 0, up to 1000");
}

#[test]
fn a_discarded_capture_comes_back_to_its_place() {
    let mut project = with_captures();
    let ids = |project: &Project| -> Vec<u32> { project.captures.iter().map(|one| one.id.0).collect() };
    project.apply(Change::Reordered([3, 1, 2].map(CaptureId).to_vec())).unwrap();
    project.apply(Change::Discarded(CaptureId(1))).unwrap();
    assert_eq!(ids(&project), [3, 2]);
    project.apply(Change::Restored(CaptureId(1))).unwrap();
    assert_eq!(ids(&project), [3, 1, 2]);
}

#[test]
fn an_undo_that_cannot_be_made_is_not_lost() {
    let mut project = with_captures();
    let mut history = History::default();
    let before = project.clone();
    let change = Change::Notes("rattles".to_owned());
    history.make(&before, change, |change| project.apply(change)).unwrap();
    let full = |_: Change| Err("the disk is full");
    assert_eq!(history.undo(full), Err("the disk is full"));
    assert_eq!(history.can(), (true, false), "it can be tried again");
    assert_eq!(history.undo(|change| project.apply(change)), Ok(true));
    assert_eq!(project, before);
    assert_eq!(history.redo(full), Err("the disk is full"));
    assert_eq!(history.redo(|change| project.apply(change)), Ok(true));
    assert_eq!(project.data.notes, "rattles");
    // A change that failed is none.
    let failed = history.make(&project, Change::Notes("x".to_owned()), |_| Err("no"));
    assert_eq!((failed, history.can()), (Err("no"), (true, false)));
}

#[test]
fn what_was_found_is_no_edit() {
    let mut project = with_captures();
    let mut history = History::default();
    let result = StageResult { state: StageState::Measured, line: "3 measured".to_owned() };
    for change in [done(4, "driver", 0.0), Change::StageResult(Stage::Tune, Some(result))] {
        let now = project.clone();
        history.make(&now, change, |change| project.apply(change)).unwrap();
    }
    assert_eq!(history.can(), (false, false));
}

fn edit() -> impl Strategy<Value = Change> {
    let id = || (1u32..4).prop_map(CaptureId);
    let words = "[a-z ]{0,6}";
    let placed = (id(), words, words, any::<bool>()).prop_map(|(id, label, position, after)| {
        let set = if after { Some(Set::After) } else { None };
        Change::Placed { id, placement: Placement { label, position, set, ..Placement::default() } }
    });
    let bands = proptest::collection::vec((-12.0..12.0f64).prop_map(band), 0..4).prop_map(Change::Bands);
    let channels = proptest::collection::vec((0.0..0.02f64, words), 0..3).prop_map(|channels| {
        let setting = |(delay_s, channel)| ChannelSetting { delay_s, channel, ..ChannelSetting::default() };
        Change::Channels(channels.into_iter().map(setting).collect())
    });
    let simple = prop_oneof![
        placed,
        id().prop_map(Change::Discarded),
        id().prop_map(Change::Restored),
        Just(vec![3, 1, 2])
            .prop_shuffle()
            .prop_map(|ids: Vec<u32>| { Change::Reordered(ids.into_iter().map(CaptureId).collect()) }),
        words.prop_map(Change::Named),
        words.prop_map(Change::Notes),
        words.prop_map(|name| Change::Target(Some(PresetOrInline::Preset(name)))),
        words.prop_map(|name| Change::Processor(Some(PresetOrInline::Inline(name)))),
        bands,
        channels,
    ];
    simple.prop_recursive(1, 4, 4, |inner| proptest::collection::vec(inner, 0..4).prop_map(Change::Together))
}

proptest! {
    /// Any sequence of edits, taken back one by one, leaves what was there; made again, what
    /// they had made.
    #[test]
    fn every_edit_is_taken_back_and_made_again(edits in proptest::collection::vec(edit(), 0..30)) {
        let mut project = with_captures();
        let mut history = History::default();
        let mut states = vec![visible(&project)];
        for change in edits {
            let now = project.clone();
            if history.make(&now, change, |change| project.apply(change)).is_ok() {
                states.push(visible(&project));
            } else {
                prop_assert_eq!(&project, &now);
            }
        }
        for state in states[..states.len() - 1].iter().rev() {
            prop_assert!(history.undo(|change| project.apply(change)).unwrap());
            prop_assert_eq!(&visible(&project), state);
        }
        prop_assert!(!history.undo(|change| project.apply(change)).unwrap());
        for state in &states[1..] {
            prop_assert!(history.redo(|change| project.apply(change)).unwrap());
            prop_assert_eq!(&visible(&project), state);
        }
    }
}

/// What a person sees of a project: an order that was written down and says what was there
/// without it is no difference.
fn visible(project: &Project) -> Project {
    let mut project = project.clone();
    project.data.order.clear();
    project
}
