//! What follows from what a job holds: the bands of a fit, how far before and after lie from the target, what was typed,
//! the clean limit, the gains, and where tracks belong. The responses are made by hand, so that the answers follow from
//! arithmetic.

use jiff::Timestamp;
use job::{
    Basis, CaptureId, CaptureMeta, Choices, Driver, EnteredBand, FitRecord, Head, Intake, JobData, PlacedBy,
    PresetOrInline, ProcessorSetting, Set, Stage, TimingRecord, TuneRecord,
};
use measure::{Cell, Finding, Reading, Table};
use project::derive::{
    FitInputs, NoAudit, Placing, SaidPlace, SourceHeadroom, TrackAt, audit_job, gain_changes,
    measured_channels, outcome, outcome_changes, together,
};
use project::{Change, Placement, Project};
use proptest::prelude::*;
use testkit::near;
use tuning::{Band, FitOptions, GainInput, Profile, Role, Target, gain_plan};

const RANGE_HZ: (f64, f64) = (30.0, 16_000.0);

fn project() -> Project {
    Project::new(JobData::new(Head { name: "Blue estate".to_owned(), created: Timestamp::UNIX_EPOCH }))
}

fn profile() -> Profile {
    Profile::preset("parametric-gridded").expect("it is built in")
}

fn flat() -> Target {
    Target::preset("flat").expect("it is built in")
}

/// A reading with the response of these bands, at some level.
fn reading(bands: &[Band], level_db: f64) -> Reading {
    let grid = dsp::response::log_grid(20.0, 20_000.0, 48.0);
    let level: Vec<f64> =
        tuning::bands_db(bands, &grid, 48_000.0).into_iter().map(|db| db + level_db).collect();
    let mut reading = Reading::new("sweep", 1, 48_000.0);
    reading.curve("response", [("frequency_hz", grid), ("magnitude_db", level)]);
    reading
}

fn at(set: &Set, channel: &str, position: &str) -> CaptureMeta {
    CaptureMeta {
        set: Some(set.clone()),
        position: position.to_owned(),
        processor_channel: channel.to_owned(),
        ..CaptureMeta::new("sweep", 1, Stage::Tune, Timestamp::UNIX_EPOCH)
    }
}

fn done(project: &mut Project, meta: CaptureMeta, reading: Reading) -> CaptureId {
    let id = CaptureId(project.captures.iter().map(|one| one.id.0).max().unwrap_or(0) + 1);
    project.apply(Change::CaptureDone { id, meta, reading }).expect("it is made");
    id
}

fn typed(channel: &str, band: Band) -> EnteredBand {
    EnteredBand::of_typed(channel, &band, &profile())
}

/// A bump that the job is to take away, measured at two places.
fn bumpy() -> Project {
    let mut project = project();
    let bump = Band::peak(500.0, 6.0, 2.0);
    for (position, level_db) in [("driver", -20.0), ("passenger", -26.0)] {
        done(&mut project, at(&Set::Before, "", position), reading(&[bump], level_db));
    }
    project
}

/// Source: arithmetic: a level that is the same everywhere is no deviation, however large it is; and of two sides the one
/// that lies farther off is what the job says.
#[test]
fn how_far_it_lies_off_is_told_of_the_channel_that_is_farthest() {
    let mut project = project();
    assert!(outcome(&project, &flat(), RANGE_HZ).is_none(), "nothing was measured");
    assert!(outcome_changes(&project, &flat(), RANGE_HZ).is_empty());
    done(&mut project, at(&Set::Before, "left", "driver"), reading(&[], -40.0));
    done(&mut project, at(&Set::Before, "right", "driver"), reading(&[Band::peak(500.0, 6.0, 2.0)], 10.0));
    let before = outcome(&project, &flat(), RANGE_HZ).expect("both sides were measured");
    assert!(before.before_rms_db > 0.5 && before.before_max_db > 4.0, "{before:?}");
    assert_eq!((before.after_rms_db, before.after_max_db), (None, None));
    assert_eq!((before.from_hz, before.to_hz), RANGE_HZ);
    for (side, level_db) in [("left", 3.0), ("right", -7.0)] {
        done(&mut project, at(&Set::After, side, "driver"), reading(&[], level_db));
    }
    let after = outcome(&project, &flat(), RANGE_HZ).expect("it was measured");
    near("after", after.after_rms_db.expect("after"), 0.0, 1e-9);
    near("before", after.before_rms_db, before.before_rms_db, 1e-12);
    let changes = outcome_changes(&project, &flat(), RANGE_HZ);
    project.apply(Change::Together(changes)).expect("it is kept");
    let line = &project.data.stages[&Stage::Tune].line;
    assert!(line.ends_with("before, 0.0 dB after"), "{line}");
}

#[test]
fn a_set_is_of_the_whole_car_or_of_its_sides() {
    let channels = |of: &[&str]| {
        let mut project = project();
        for channel in of {
            done(&mut project, at(&Set::Before, channel, "driver"), reading(&[], 0.0));
        }
        measured_channels(&project, &Set::Before)
    };
    assert_eq!(channels(&[]), Vec::<&str>::new());
    assert_eq!(channels(&[""]), [""]);
    assert_eq!(channels(&["right"]), ["right"]);
    assert_eq!(channels(&["", "left"]), [""], "one side alone is no comparison of sides");
    assert_eq!(channels(&["right", "", "left"]), ["left", "right"]);
    assert_eq!(channels(&["left-mid"]), Vec::<&str>::new(), "a channel is no side");
}

/// A driver alone is not what sounds together, whatever set it was put into.
#[test]
fn drivers_alone_are_not_fitted_as_if_they_were_the_car() {
    let mut project = bumpy();
    let driver = CaptureMeta { driver: "sub".to_owned(), ..at(&Set::Before, "", "roof") };
    done(&mut project, driver, reading(&[], 30.0));
    let stage = CaptureMeta { stage: Stage::Drivers, ..at(&Set::Before, "", "boot") };
    done(&mut project, stage, reading(&[], 30.0));
    let places: Vec<&str> = together(&project, &Set::Before, "").map(|(_, position, _)| position).collect();
    assert_eq!(places, ["driver", "passenger"]);
    let basis = Basis::default();
    let inputs = FitInputs::of_set(&project, &Set::Before, flat(), profile(), FitOptions::default(), basis);
    assert_eq!(inputs.basis.captures, [CaptureId(1), CaptureId(2)]);
}

/// The one path from a measured set to what the job holds: the bands, the whole record, the limits that were chosen; what
/// an audit said of other bands goes, and what is locked stays.
#[test]
fn a_fit_tells_the_job_everything_at_once() {
    let mut project = bumpy();
    let locked = EnteredBand { locked: true, ..typed("", Band::peak(80.0, -2.0, 1.0)) };
    project.apply(Change::Bands(vec![locked.clone(), typed("", Band::peak(9_000.0, 1.0, 1.0))])).unwrap();
    project.apply(Change::Choices(Choices { positions: Some(4), ..Choices::default() })).unwrap();
    project.apply(Change::AuditFound(Some(job::AuditRecord::default()))).unwrap();
    let options = FitOptions {
        max_bands: Some(4),
        from_hz: RANGE_HZ.0,
        to_hz: RANGE_HZ.1,
        max_boost_db: Some(2.0),
        ..FitOptions::default()
    };
    let basis = Basis {
        target: Some(PresetOrInline::Preset("flat".to_owned())),
        processor: Some(PresetOrInline::Preset("parametric-gridded".to_owned())),
        ..Basis::default()
    };
    let inputs = FitInputs::of_set(&project, &Set::Before, flat(), profile(), options, basis.clone());
    assert_eq!(inputs.locked, std::slice::from_ref(&locked));
    let fitted = inputs.fit().expect("it can be fitted");
    let changes = inputs.changes(&project, fitted.clone());
    project.apply(Change::Together(changes)).expect("it is kept");
    let data = &project.data;
    assert!(data.bands.contains(&locked), "{:?}", data.bands);
    let cut = data.bands.iter().find(|band| (band.frequency_hz / 500.0).log2().abs() < 0.1);
    assert!(cut.is_some_and(|band| band.gain_db < -3.0 && !band.reason.is_empty()), "{:?}", data.bands);
    assert!(data.bands.len() <= 4 && data.bands == fitted.bands);
    assert_eq!(data.fit.as_ref(), Some(&fitted.record));
    assert_eq!((&data.target, &data.processor), (&basis.target, &basis.processor));
    assert_eq!(data.audit, None, "it was of other bands");
    let choices = &data.choices;
    assert_eq!((choices.max_bands, choices.positions, choices.max_boost_db), (Some(4), Some(4), Some(2.0)));
    assert!(data.outcome.is_some() && data.stages.contains_key(&Stage::Tune));
    // The same bands once more: what an audit said of them still holds.
    project.apply(Change::AuditFound(Some(job::AuditRecord::default()))).unwrap();
    let again = inputs.changes(&project, fitted);
    assert!(!again.contains(&Change::AuditFound(None)));
}

/// A job whose bands were entered as `entered` says, measured before and after.
fn entered(meant: &[EnteredBand], entered: &[Band]) -> Project {
    let mut project = bumpy();
    project.apply(Change::Bands(meant.to_vec())).unwrap();
    let bump = Band::peak(500.0, 6.0, 2.0);
    let all: Vec<Band> = std::iter::once(bump).chain(entered.iter().copied()).collect();
    for (position, level_db) in [("driver", -20.0), ("passenger", -26.0)] {
        done(&mut project, at(&Set::After, "", position), reading(&all, level_db));
    }
    project
}

fn verdicts(project: &Project) -> Vec<(u32, String)> {
    let audit = audit_job(project, &profile(), Basis::default()).expect("both sets are there");
    audit.record.bands.iter().map(|line| (line.index, line.verdict.clone())).collect()
}

/// The index of a band is its place in the whole list, those that are off or of another channel counted with them.
#[test]
fn what_was_typed_is_named_by_its_place_in_the_list() {
    let low = Band::peak(100.0, 4.0, 2.0);
    let high = Band::peak(3_000.0, -5.0, 2.0);
    let off = EnteredBand { enabled: false, ..typed("", Band::peak(1_000.0, -9.0, 1.0)) };
    let list = [off, typed("", low), typed("", high)];
    let right = entered(&list, &[low, high]);
    assert_eq!(verdicts(&right), [(2, "as-meant".to_owned()), (3, "as-meant".to_owned())]);
    assert!(!audit_job(&right, &profile(), Basis::default()).unwrap().has_mistake());
    let sign = entered(&list, &[low, Band { gain_db: 5.0, ..high }]);
    assert_eq!(verdicts(&sign), [(2, "as-meant".to_owned()), (3, "wrong-sign".to_owned())]);
    let missing = entered(&list, &[high]);
    assert_eq!(verdicts(&missing), [(2, "missing".to_owned()), (3, "as-meant".to_owned())]);
    let audit = audit_job(&missing, &profile(), Basis::default()).unwrap();
    assert!(audit.has_mistake() && audit.entry.is_none());
    // What it says calls the band as the sheet does, on which one that is off is not printed.
    assert!(audit.record.bands[0].text.starts_with("Band 1 (100 Hz)"), "{}", audit.record.bands[0].text);
    assert_eq!(audit.record.basis.captures.len(), 4);
}

#[test]
fn without_both_sets_it_is_said_which_one_is_missing() {
    let said = |project: &Project| audit_job(project, &profile(), Basis::default()).unwrap_err().to_string();
    assert!(said(&project()).contains("no capture is in the set `before`"));
    assert!(said(&bumpy()).contains("no capture is in the set `after`"));
    let mut other = bumpy();
    done(&mut other, at(&Set::After, "left", "driver"), reading(&[], 0.0));
    let refused = audit_job(&other, &profile(), Basis::default()).unwrap_err();
    assert!(
        matches!(refused, NoAudit::NothingMeasured(text) if text.contains("no response of the same channel"))
    );
}

/// A volume sweep of which step `clean` is the last one that is clean.
fn swept(clean: i64) -> Reading {
    let mut reading = Reading::new("headroom", 1, 48_000.0);
    reading.value("clean_step", clean as f64);
    reading.value("first_clipped_step", (clean + 1) as f64);
    let columns = ["step", "start_s", "level_dbfs", "level_v", "gain_db", "thd_percent", "clean"];
    let rows = (1..=40).map(|step: i64| {
        vec![
            Cell::Number(step as f64),
            Cell::Number(0.6 * step as f64),
            Cell::Number(step as f64 - 40.0),
            Cell::Number(0.1 * step as f64),
            Cell::Empty,
            Cell::Number(if step <= clean { 0.05 } else { 4.0 }),
            Cell::Flag(step <= clean),
        ]
    });
    let table = Table { columns: columns.map(str::to_owned).to_vec(), rows: rows.collect() };
    reading.tables.insert("steps".to_owned(), table);
    reading
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 60, failure_persistence: None, ..ProptestConfig::default() })]

    /// Source: the rule of the design: the highest step at which every output is clean, whatever their order; the job
    /// keeps it with each output's own, and the volts there.
    #[test]
    fn the_clean_limit_is_that_of_the_weakest_output(clean in proptest::collection::vec(2i64..39, 1..6)) {
        let named: Vec<(String, Reading)> =
            clean.iter().enumerate().map(|(n, step)| (format!("output {n}"), swept(*step))).collect();
        let found = SourceHeadroom::of(&named, Some(Finding::note("bass-control", "Flat.")));
        let least = clean.iter().copied().min().expect("one at least");
        prop_assert!(found.is_known());
        prop_assert_eq!(found.limit.clean_step, Some(least));
        let mut turned = named.clone();
        turned.reverse();
        let other = SourceHeadroom::of(&turned, None).limit;
        prop_assert_eq!(other.clean_step, Some(least));
        let mut project = project();
        project.apply(found.change()).unwrap();
        let source = &project.data.source;
        prop_assert_eq!(source.clean_step.map(i64::from), Some(least));
        let weakest = format!("output {}", clean.iter().position(|step| *step == least).unwrap_or(0));
        prop_assert_eq!(&source.limited_by, &weakest);
        for (output, step) in source.outputs.iter().zip(&clean) {
            prop_assert_eq!(output.clean_step.map(i64::from), Some(*step));
            let volts = output.volts_rms.expect("volts");
            prop_assert!((volts - 0.1 * least as f64).abs() < 1e-9, "{} at step {}", volts, least);
        }
        let line = &project.data.stages[&Stage::Source].line;
        prop_assert!(line.contains(&format!("step {least}")), "{}", line);
    }
}

/// Source: arithmetic: 100 W at 4 Ω are 20 V; a tone 6.0206 dB below full scale is to show half of that.
#[test]
fn the_gains_of_the_chain_are_kept_as_they_were_found() {
    let input = GainInput {
        power_w: 100.0,
        load_ohm: 4.0,
        tone_dbfs: -20.0 * 2f64.log10(),
        source_v: 2.0,
        source_clip_v: None,
        processor_input_v: Some(1.0),
        processor_output_v: Some(4.0),
        processor_gain_db: 0.0,
        amplifier_input_v: None,
    };
    let plan = gain_plan(&input).expect("it can be");
    let mut project = project();
    project.apply(Change::Together(gain_changes(&input, &plan, Basis::default()))).unwrap();
    let kept = project.data.source.gain.as_ref().expect("it is kept");
    near("target", kept.target_v, 10.0, 1e-9);
    near("full power", kept.full_power_target_v.expect("kept"), 20.0, 1e-9);
    assert_eq!(kept.stages.len(), plan.stages.len());
    assert_eq!((&kept.clips_first, &kept.findings), (&plan.clips_first, &plan.findings));
    assert!(kept.findings.iter().any(|finding| finding.code == "stage-clips"), "2 V into 1 V clips");
    assert!(project.data.stages[&Stage::Gain].line.starts_with("10.00 V with a tone of"));
}

const FULL: TrackAt<'static> =
    TrackAt { track: "sweep-full", start_s: 5.0, measurement: "sweep", stage: Stage::Tune };

fn alone(start_s: f64) -> TrackAt<'static> {
    TrackAt { track: "sweep-mid", start_s, measurement: "sweep", stage: Stage::Drivers }
}

fn with_drivers(names: &[&str]) -> Project {
    let mut project = project();
    let driver =
        |name: &&str| Driver { name: (*name).to_owned(), role: Some(Role::Mid), ..Driver::default() };
    let drivers = names.iter().map(driver).collect();
    project.apply(Change::Intake(Intake { drivers, ..Intake::default() })).unwrap();
    project
}

/// Names of which one is a part of the other: a recording is of the one whose whole name it has, the longest of several.
#[test]
fn a_recording_is_of_the_driver_whose_whole_name_it_has() {
    let project = with_drivers(&["mid", "left-mid", "left-midbass", "1", "10"]);
    for (file, driver) in [
        ("left-mid.wav", "left-mid"),
        ("Left Mid 2.wav", "left-mid"),
        ("left-midbass.wav", "left-midbass"),
        ("mid.wav", "mid"),
        ("right mid.wav", "mid"),
        ("10.wav", "10"),
        ("1.wav", "1"),
    ] {
        let placed = Placing::of(&project).place(file, &[alone(0.0)]).expect("it is placed").remove(0);
        assert_eq!(placed.placement.driver, driver, "{file}");
        assert_eq!(placed.placement.placed_by, Some(PlacedBy::Name), "{file}");
    }
    // Two names of the same length, or none: what the job expects is proposed and never taken as said.
    for file in ["1 and 10.wav", "midbasses.wav", "take 3.wav"] {
        let placed = Placing::of(&project).place(file, &[alone(0.0)]).expect("it is placed").remove(0);
        assert_eq!(placed.placement.placed_by, Some(PlacedBy::Proposal), "{file}");
        assert_eq!(placed.finding.map(|finding| finding.code), Some("place-proposed".to_owned()), "{file}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 80, failure_persistence: None, ..ProptestConfig::default() })]

    /// Whatever a recording holds: each track has one answer, no driver is proposed twice, what is only proposed says so,
    /// and what somebody said is where they said it.
    #[test]
    fn no_track_is_placed_in_silence(
        tracks in proptest::collection::vec(any::<bool>(), 0..9),
        drivers in 0usize..5,
        said in proptest::option::of(0usize..9),
    ) {
        let names = ["one", "two", "three", "four", "five"];
        let project = with_drivers(&names[..drivers]);
        let tracks: Vec<TrackAt<'_>> = tracks
            .iter()
            .zip(0u32..)
            .map(|(alone_, n)| {
                let start_s = 20.0 * f64::from(n);
                if *alone_ { alone(start_s) } else { TrackAt { start_s, ..FULL } }
            })
            .collect();
        let mut placing = Placing::of(&project);
        let said = said.filter(|said| *said < tracks.len());
        placing.said.extend(said.map(|said| SaidPlace {
            written: "said".to_owned(),
            track: tracks[said].track.to_owned(),
            at_s: Some(tracks[said].start_s + 1.0),
            placement: Placement {
                position: "roof".to_owned(),
                placed_by: Some(PlacedBy::Person),
                ..Placement::default()
            },
            ..SaidPlace::default()
        }));
        let placed = placing.place("day.wav", &tracks).expect("what was said fits");
        prop_assert_eq!(placed.len(), tracks.len());
        let mut proposed: Vec<&str> = Vec::new();
        for (number, one) in placed.iter().enumerate() {
            match one.placement.placed_by {
                Some(PlacedBy::Person) => {
                    prop_assert_eq!(Some(number), said);
                    prop_assert_eq!(&one.placement.position, "roof");
                }
                Some(PlacedBy::Proposal) => {
                    prop_assert!(!proposed.contains(&&*one.placement.driver), "{} twice", one.placement.driver);
                    proposed.push(&one.placement.driver);
                    prop_assert_eq!(one.finding.as_ref().map(|finding| &*finding.code), Some("place-proposed"));
                }
                Some(other) => prop_assert!(false, "{other:?}: nothing says so"),
                None => prop_assert_eq!(one.finding.as_ref().map(|finding| &*finding.code), Some("unplaced")),
            }
        }
        let alone = tracks.iter().zip(0..).filter(|(track, n)| track.stage == Stage::Drivers && said != Some(*n));
        prop_assert_eq!(proposed.len(), alone.count().min(drivers));
    }

    /// Of several captures at one place the newest counts; those without a place all count. Against a rule of one line.
    #[test]
    fn the_newest_of_a_place_counts(
        made in proptest::collection::vec((0usize..4, any::<bool>(), any::<bool>()), 0..14),
    ) {
        let mut project = project();
        let places = ["", "driver", "passenger", "rear"];
        for (place, after, has_response) in &made {
            let set = if *after { Set::After } else { Set::Before };
            let reading = if *has_response { reading(&[], 0.0) } else { Reading::new("level", 1, 48_000.0) };
            done(&mut project, at(&set, "", places[*place]), reading);
        }
        for (set, is_after) in [(Set::Before, false), (Set::After, true)] {
            let counted: Vec<u32> = project.responses(&set, "").map(|(one, _)| one.id.0).collect();
            let belongs = |(place, after, has): &(usize, bool, bool)| *has && *after == is_after && *place < 4;
            let expected: Vec<u32> = (0..made.len())
                .filter(|at| belongs(&made[*at]))
                .filter(|at| {
                    let place = made[*at].0;
                    place == 0 || !made[at + 1..].iter().any(|later| belongs(later) && later.0 == place)
                })
                .map(|at| u32::try_from(at).unwrap_or(0) + 1)
                .collect();
            prop_assert_eq!(counted, expected);
        }
    }
}

fn named(name: &str) -> Placement {
    Placement { label: name.to_owned(), position: name.to_owned(), ..Placement::default() }
}

/// Every change that is an edit, one by one, on a project that holds something of everything: taken back, it is as it was.
#[test]
fn each_kind_of_edit_has_its_inverse() {
    let mut project = bumpy();
    done(&mut project, at(&Set::After, "", "driver"), reading(&[], 1.0));
    let setting = ProcessorSetting { bypassed: true, ..ProcessorSetting::default() };
    let band = typed("left", Band::peak(200.0, -3.0, 2.0));
    let channel = job::ChannelSetting { channel: "sub".to_owned(), delay_s: 0.002, ..Default::default() };
    let everything = |name: &str| {
        let preset = || Some(PresetOrInline::Preset(name.to_owned()));
        vec![
            Change::Named(name.to_owned()),
            Change::Notes(name.to_owned()),
            Change::Intake(Intake { vehicle: name.to_owned(), ..Intake::default() }),
            Change::Target(preset()),
            Change::Processor(preset()),
            Change::Preset(Some(setting.clone())),
            Change::Bands(vec![EnteredBand { reason: name.to_owned(), ..band.clone() }]),
            Change::Channels(vec![channel.clone()]),
            Change::Choices(Choices { max_bands: u32::try_from(name.len()).ok(), ..Choices::default() }),
            Change::FitFound(Some(FitRecord::default())),
            Change::TimingFound(Some(TimingRecord::default())),
            Change::TuneFound(Some(TuneRecord::default())),
            Change::Placed { id: CaptureId(1), placement: named(name) },
            Change::Reordered([3, 1, 2].map(CaptureId).to_vec()),
            Change::Discarded(CaptureId(2)),
        ]
    };
    for round in ["first", "another"] {
        for change in everything(round) {
            let before = project.clone();
            let Some(back) = project.inverse(&change) else { panic!("{change:?} is an edit") };
            if project.apply(change.clone()).is_err() {
                assert_eq!(project, before, "{change:?}");
                continue;
            }
            let made = project.clone();
            project.apply(back).expect("it can be taken back");
            let mut seen = [&project, &before].map(Clone::clone);
            // An order that was written down and says what was there without it is no difference.
            seen.iter_mut().for_each(|one| one.data.order.clear());
            assert_eq!(seen[0], seen[1], "{change:?}");
            project.apply(change.clone()).expect("and made again");
            assert_eq!(project.captures, made.captures, "{change:?}");
        }
    }
}
