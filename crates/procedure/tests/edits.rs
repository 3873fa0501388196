//! Any sequence of edits, saved and opened again, is the same project.

use jiff::Timestamp;
use job::{
    Amplifier, AuditRecord, CaptureId, CaptureMeta, ChannelFitRecord, ChannelSetting, ChannelTune, Choices,
    Conditions, Crossover, Driver, EnteredBand, FitRecord, Intake, Job, LeftAlone, PlacedBy, PresetOrInline,
    ProcessorSetting, Set, Stage, StageResult, StageState, TimingRecord, TuneRecord,
};
use measure::{Finding, Reading};
use procedure::OpenJob;
use project::{Change, Placement, Project};
use proptest::prelude::*;
use tuning::{Band, Equalizer, Feed, Profile, Role, Seat};

/// A job with three captures that are done.
fn begun(folder: &std::path::Path) -> OpenJob {
    let mut open = OpenJob::open_or_create(&folder.join("job")).expect("a job");
    for number in 1..=3 {
        let mut meta = CaptureMeta::new("level", 1, Stage::Tune, Timestamp::UNIX_EPOCH);
        meta.position = format!("place {number}");
        let pending = open.store().expect("a store").begin(&meta).expect("a capture");
        std::fs::write(&pending.audio_path, "audio").expect("it is written");
        open.apply(Change::CaptureBegun { id: pending.id, meta: meta.clone() }).expect("it begins");
        let mut reading = Reading::new("level", 1, 48_000.0);
        reading.value("rms_dbfs", -20.0 - f64::from(number));
        open.apply(Change::CaptureDone { id: pending.id, meta, reading }).expect("it ends");
    }
    open
}

/// What the folder says.
fn on_disk(dir: &std::path::Path) -> Project {
    let job = Job::open(dir).expect("it can be opened");
    Project::of(&job, |id| job.reading(id).expect("it can be read"))
}

/// The words that a person writes: with blanks, quotes, and letters of other scripts.
const WORDS: &str = "[a-zA-Zäß€漢\"\\\\,;:' ]{0,12}";

fn band() -> impl Strategy<Value = EnteredBand> {
    (20.0..20_000.0f64, -12.0..12.0f64, 0.3..9.0f64, WORDS, any::<bool>(), any::<bool>()).prop_map(
        |(hz, gain_db, q, reason, enabled, locked)| {
            let profile = Profile::preset("parametric-free").expect("it is built in");
            let typed = Band::peak(hz, gain_db, q);
            EnteredBand { reason, enabled, locked, ..EnteredBand::of_typed("left", &typed, &profile) }
        },
    )
}

fn channel() -> impl Strategy<Value = ChannelSetting> {
    let edge = || {
        proptest::option::of((20.0..20_000.0f64, 1u32..9).prop_map(|(frequency_hz, order)| Crossover {
            family: "bessel".to_owned(),
            order,
            frequency_hz,
        }))
    };
    (WORDS, 0.0..0.02f64, -30.0..6.0f64, any::<bool>(), edge(), edge()).prop_map(
        |(channel, delay_s, gain_db, inverted, high_pass, low_pass)| ChannelSetting {
            channel,
            delay_s,
            gain_db,
            inverted,
            high_pass,
            low_pass,
        },
    )
}

fn intake() -> impl Strategy<Value = Intake> {
    let driver =
        (WORDS, proptest::option::of(0usize..Role::ALL.len()), proptest::option::of(0usize..3), WORDS)
            .prop_map(|(name, role, feed, channel)| Driver {
                name,
                role: role.map(|index| Role::ALL[index]),
                feed: feed.map(|index| Feed::ALL[index]),
                channel,
                ..Driver::default()
            });
    let amplifier = (WORDS, proptest::option::of(1.0..900.0f64), proptest::option::of(0.5..16.0f64))
        .prop_map(|(name, power_w, load_ohm)| Amplifier { name, power_w, load_ohm });
    let lists = (proptest::collection::vec(driver, 0..4), proptest::collection::vec(amplifier, 0..3));
    (WORDS, WORDS, WORDS, lists).prop_map(|(vehicle, customer, tap, (drivers, amplifiers))| {
        let mut intake = Intake { vehicle, customer, drivers, amplifiers, ..Intake::default() };
        intake.source.tap = tap;
        intake
    })
}

fn placement() -> impl Strategy<Value = Placement> {
    let conditions = (proptest::option::of(0u32..60), proptest::option::of(0.0..200.0f64), WORDS).prop_map(
        |(volume_step, vehicle_kmh, note)| Conditions {
            volume_step,
            vehicle_kmh,
            note,
            ..Conditions::default()
        },
    );
    (WORDS, 0usize..4, WORDS, WORDS, conditions, any::<bool>()).prop_map(
        |(label, set, position, driver, conditions, person)| Placement {
            label,
            set: [None, Some(Set::Before), Some(Set::After), Some(Set::Named("tried".to_owned()))][set]
                .clone(),
            position,
            driver,
            conditions,
            placed_by: Some(if person { PlacedBy::Person } else { PlacedBy::Proposal }),
            ..Placement::default()
        },
    )
}

/// What was found, whole.
fn found() -> impl Strategy<Value = Change> {
    let fit = (WORDS, 0.0..9.0f64, proptest::collection::vec(band(), 0..3)).prop_map(|(text, db, bands)| {
        let channel = ChannelFitRecord {
            channel: "left".to_owned(),
            bands,
            headroom_cost_db: Some(db),
            left_alone: vec![LeftAlone {
                frequency_hz: 74.0,
                why: "cancellation".to_owned(),
                text,
                ..LeftAlone::default()
            }],
            findings: vec![Finding::note("rough", "Said once.")],
            ..ChannelFitRecord::default()
        };
        Change::FitFound(Some(FitRecord { channels: vec![channel], ..FitRecord::default() }))
    });
    let tune = channel().prop_map(|setting| {
        let channel = ChannelTune {
            setting,
            why: [("gain_db".to_owned(), "It is the loudest.".to_owned())].into(),
            ..ChannelTune::default()
        };
        Change::TuneFound(Some(TuneRecord {
            seat: Some(Seat::Both),
            equalizer: Some(Equalizer::Sides),
            channels: vec![channel],
            drive_db: [("left".to_owned(), 0.5)].into(),
            ..TuneRecord::default()
        }))
    });
    let result = WORDS.prop_map(|line| {
        Change::StageResult(Stage::Tune, Some(StageResult { state: StageState::NeedsAnotherLook, line }))
    });
    prop_oneof![
        fit,
        tune,
        result,
        Just(Change::TimingFound(Some(TimingRecord::default()))),
        Just(Change::AuditFound(Some(AuditRecord { residual_rms_db: Some(0.2), ..AuditRecord::default() }))),
        Just(Change::FitFound(None)),
        Just(Change::StageResult(Stage::Tune, None)),
    ]
}

fn edit() -> impl Strategy<Value = Change> {
    let id = || (1u32..5).prop_map(CaptureId);
    let setting =
        (proptest::collection::vec(channel(), 0..3), proptest::collection::vec(band(), 0..3), any::<bool>())
            .prop_map(|(channels, bands, bypassed)| ProcessorSetting { channels, bands, bypassed });
    let choices = (proptest::option::of(1u32..31), proptest::option::of(0.0..12.0f64)).prop_map(
        |(max_bands, max_boost_db)| Choices {
            max_bands,
            max_boost_db,
            seat: Some(Seat::Driver),
            equalizer: Some(Equalizer::One),
            ..Choices::default()
        },
    );
    let simple = prop_oneof![
        (id(), placement()).prop_map(|(id, placement)| Change::Placed { id, placement }),
        id().prop_map(Change::Discarded),
        id().prop_map(Change::Restored),
        Just(vec![3, 1, 2])
            .prop_shuffle()
            .prop_map(|ids: Vec<u32>| Change::Reordered(ids.into_iter().map(CaptureId).collect())),
        WORDS.prop_map(Change::Named),
        WORDS.prop_map(Change::Notes),
        intake().prop_map(Change::Intake),
        WORDS.prop_map(|name| Change::Target(Some(PresetOrInline::Inline(name)))),
        Just(Change::Processor(None)),
        proptest::option::of(setting).prop_map(Change::Preset),
        proptest::collection::vec(band(), 0..4).prop_map(Change::Bands),
        proptest::collection::vec(channel(), 0..4).prop_map(Change::Channels),
        choices.prop_map(Change::Choices),
        found(),
    ];
    simple.prop_recursive(1, 4, 4, |inner| proptest::collection::vec(inner, 0..4).prop_map(Change::Together))
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 40, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn what_is_saved_is_what_is_opened(edits in proptest::collection::vec(edit(), 1..25)) {
        let folder = tempfile::tempdir().expect("a folder");
        let mut open = begun(folder.path());
        let mut made = 0;
        for change in edits {
            made += usize::from(open.apply(change).is_ok());
        }
        let (dir, mut project) = (open.job().dir().to_owned(), open.project().clone());
        drop(open);
        let mut found = on_disk(&dir);
        // The readings of what was discarded are read when it comes back.
        for one in project.discarded.iter_mut().chain(&mut found.discarded) {
            (one.reading, one.response) = (None, None);
        }
        prop_assert_eq!(&project.data, &found.data, "after {} edits", made);
        prop_assert_eq!(&project.captures, &found.captures);
        prop_assert_eq!(&project.discarded, &found.discarded);
    }
}
