//! Captures from outside: what is told, what is noted, what is on disk, and what a stop leaves.

use std::path::Path;
use std::sync::mpsc::{Receiver, sync_channel};
use std::sync::{Arc, Mutex};
use std::time::Instant;

use engine::{Pace, StopSwitch};
use host::Registry;
use job::{CaptureState, Job, Set, Stage};
use measurements::signals::{short_paired_sweep, track};
use procedure::{
    Captured, Change, Event, Hand, Instruction, MeasureOrder, OpenJob, Plan, Session, Store, Until, WhenKept,
    capture, captures, measure,
};
use rig::{OpenRig, RigChoice, Scene, Sounding};
use testkit::{at_most, near};

/// A simulated car, a job, and everything that a procedure told.
struct Shop {
    rig: OpenRig,
    switch: StopSwitch,
    inbox: Receiver<Instruction>,
    events: Vec<Event>,
    /// What is done at each event, beside noting it.
    stop_when: fn(&Event) -> bool,
}

impl Shop {
    fn new() -> Self {
        Self::with(RigChoice::fast_car(""))
    }

    fn with(choice: RigChoice) -> Self {
        Self {
            rig: OpenRig::open(choice).unwrap(),
            switch: StopSwitch::default(),
            inbox: sync_channel(0).1,
            events: Vec::new(),
            stop_when: |_| false,
        }
    }

    /// Runs a procedure; what it has noted goes into the job.
    fn run<T>(&mut self, job: Option<&mut OpenJob>, procedure: impl FnOnce(&mut Session<'_>) -> T) -> T {
        let store = match &job {
            Some(job) => Store::Job(job.store().unwrap()),
            None => Store::Nowhere,
        };
        self.run_into(store, job, procedure)
    }

    fn run_into<T>(
        &mut self,
        store: Store,
        mut job: Option<&mut OpenJob>,
        procedure: impl FnOnce(&mut Session<'_>) -> T,
    ) -> T {
        let (events, switch, stop_when) = (&mut self.events, self.switch.clone(), self.stop_when);
        procedure(&mut Session {
            rig: &mut self.rig,
            store,
            token: self.switch.begin(),
            inbox: &self.inbox,
            hand: Hand::Confirms,
            on_event: &mut |event| {
                if let (Event::Change(change), Some(job)) = (&event, &mut job) {
                    job.apply(change.clone()).unwrap();
                }
                if stop_when(&event) {
                    switch.stop();
                }
                events.push(event);
            },
        })
    }
}

fn a_job(folder: &Path) -> OpenJob {
    OpenJob::open_or_create(&folder.join("job")).unwrap()
}

/// A short sweep of everything, at a place.
fn sweep(place: &str, set: Option<Set>) -> Plan {
    let registry = Registry::built_in();
    Plan {
        stimulus: Some(short_paired_sweep("sweep", 20.0, 20_000.0, -12.0)),
        label: place.to_owned(),
        position: place.to_owned(),
        set,
        volume_step: Some(20),
        scene: Some(Scene { position: Some(place.to_owned()), volume_step: Some(20), ..Scene::default() }),
        ..Plan::of(registry.manifest("sweep").unwrap(), Stage::Tune, 0)
    }
}

fn noise(seconds: f64) -> Plan {
    let registry = Registry::built_in();
    Plan {
        stimulus: track("pink"),
        until: Until::Seconds(seconds),
        scene: Some(Scene { volume_step: Some(20), ..Scene::default() }),
        ..Plan::of(registry.manifest("level").unwrap(), Stage::Tune, 0)
    }
}

/// Two places in a row: each is announced, set, recorded before it is measured, noted with its place, and its
/// microphone stood where it was to stand.
#[test]
fn captures_in_a_row_are_told_and_kept() {
    let folder = tempfile::tempdir().unwrap();
    let (mut shop, mut job) = (Shop::new(), a_job(folder.path()));
    let places: Vec<String> =
        shop.rig.car().unwrap().car.position_names().take(2).map(str::to_owned).collect();
    let plans: Vec<Plan> = places.iter().map(|place| sweep(place, Some(Set::Before))).collect();
    let captured = shop.run(Some(&mut job), |session| captures(session, &plans)).unwrap();
    assert_eq!(captured.len(), 2);
    assert_eq!(shop.rig.car().unwrap().setup().mic_position, places[1]);
    for (index, (captured, place)) in captured.iter().zip(&places).enumerate() {
        assert!(
            !captured.interrupted && captured.reading.stopped().is_none(),
            "{:?}",
            captured.reading.findings
        );
        assert_eq!(
            (captured.label.as_str(), captured.input, &captured.recording),
            (place.as_str(), 0, &None)
        );
        let id = captured.id.unwrap();
        let kept = job.job().capture(id).unwrap();
        assert_eq!((kept.state, &kept.meta.position), (CaptureState::Done, place));
        assert_eq!((kept.meta.set.clone(), kept.meta.conditions.volume_step), (Some(Set::Before), Some(20)));
        assert_eq!(kept.meta.input, "microphone");
        assert_eq!(kept.meta.stimulus, plans[index].stimulus);
        assert_eq!(job.job().reading(id).unwrap(), Some(captured.reading.clone()));
        let audio = recording::read(job.job().audio_path(id)).unwrap();
        assert_eq!(audio.channels.len(), 2, "all inputs are kept");
        let played_s = plans[index].stimulus.as_ref().unwrap().duration_s();
        near("recorded", audio.duration_s(), played_s + 0.5, 1e-3);
    }
    // One response differs from the other, for the microphone was moved.
    assert_ne!(captured[0].reading.curves["response"], captured[1].reading.curves["response"]);
    let order: Vec<&str> = shop
        .events
        .iter()
        .filter_map(|event| match event {
            Event::Began { .. } => Some("began"),
            Event::Change(Change::CaptureBegun { .. }) => Some("noted"),
            Event::Change(Change::CaptureDone { .. }) => Some("done"),
            Event::Captured(_) => Some("captured"),
            _ => None,
        })
        .collect();
    assert_eq!(order, ["began", "noted", "done", "captured", "began", "noted", "done", "captured"]);
    let places_told: Vec<(usize, usize)> = shop
        .events
        .iter()
        .filter_map(|event| if let Event::Began { place, .. } = event { Some(*place) } else { None })
        .collect();
    assert_eq!(places_told, [(0, 2), (1, 2)]);
}

/// Bar: how loud the inputs are is told at least ten times a second of sound, with every block once and
/// in order, and how far it is grows to the end.
#[test]
fn levels_and_progress_are_told_often_enough() {
    let mut shop = Shop::new();
    shop.run(None, |session| capture(session, &noise(5.0))).unwrap();
    let told: Vec<(f64, usize, f64)> = shop
        .events
        .iter()
        .filter_map(|event| match event {
            Event::Level { elapsed_s, meters, blocks, .. } => {
                assert!(blocks.iter().all(|block| block.mean_square >= 0.0 && block.at_s <= *elapsed_s));
                Some((*elapsed_s, meters.len(), blocks.iter().map(|block| block.at_s).fold(0.0, f64::max)))
            }
            _ => None,
        })
        .collect();
    assert!(told.len() >= 50, "{} times in 5 s", told.len());
    assert!(told.windows(2).all(|pair| pair[1].0 - pair[0].0 <= 0.1 && pair[1].2 > pair[0].2));
    assert!(told.iter().all(|(_, inputs, _)| *inputs == 2));
    let shares: Vec<f64> = shop
        .events
        .iter()
        .filter_map(|event| if let Event::Progress { share, .. } = event { *share } else { None })
        .collect();
    assert!(shares.windows(2).all(|pair| pair[0] <= pair[1]));
    near("the last share", *shares.last().unwrap(), 1.0, 0.03);
}

/// A stop in the second of three: the first is kept whole, the second as far as it came and out of its set, the
/// third never begins.
#[test]
fn a_stop_ends_a_row_and_keeps_what_was_recorded() {
    let folder = tempfile::tempdir().unwrap();
    let (mut shop, mut job) = (Shop::new(), a_job(folder.path()));
    let place = shop.rig.car().unwrap().car.position_names().next().unwrap().to_owned();
    let plans = vec![sweep(&place, Some(Set::After)); 3];
    shop.stop_when =
        |event| matches!(event, Event::Level { elapsed_s, .. } if (2.0..2.2).contains(elapsed_s));
    // The first one passes there as well, so that the first is the one that is stopped.
    let captured = shop.run(Some(&mut job), |session| captures(session, &plans)).unwrap();
    let [only] = captured.as_slice() else { panic!("{} captures", captured.len()) };
    assert!(only.interrupted);
    assert!(only.reading.findings.iter().any(|finding| finding.code == "interrupted"));
    let kept = &job.job().captures()[0];
    assert_eq!((kept.state, &kept.meta.set), (CaptureState::Interrupted, &None));
    let audio = recording::read(job.job().audio_path(kept.id)).unwrap();
    // Two seconds, the block under way, the fade of 10 ms.
    near("recorded", audio.duration_s(), 2.1, 0.15);
    assert!(audio.condition.is_sound());
    drop(job);
    assert!(job::check(&folder.path().join("job")).unwrap().is_sound());
}

/// The first callback after a stop begins the fade, whatever is being computed: counted in frames of a rig
/// that runs by the clock, from the moment at which the switch is thrown on another thread.
#[test]
fn a_stop_is_heard_at_once() {
    let folder = tempfile::tempdir().unwrap();
    let mut job = a_job(folder.path());
    let mut shop = Shop::with(RigChoice::Simulated { car: String::new(), pace: Pace::RealTime });
    let switch = shop.switch.clone();
    let stopper = std::thread::Builder::new()
        .name("test-stopper".to_owned())
        .spawn(move || {
            std::thread::sleep(std::time::Duration::from_millis(2_500));
            switch.stop();
            Instant::now()
        })
        .unwrap();
    let captured = shop.run(Some(&mut job), |session| capture(session, &noise(20.0))).unwrap();
    let ended_after_s = stopper.join().unwrap().elapsed().as_secs_f64();
    assert!(captured[0].interrupted && captured[0].reading.stopped().is_none());
    let audio = recording::read(job.job().audio_path(captured[0].id.unwrap())).unwrap();
    // Two and a half seconds, less what opening took, and after it a block of 21 ms, the fade of 10 ms, and what
    // a loaded machine adds.
    at_most("recorded seconds", audio.duration_s(), 3.0);
    at_most("from the stop to the result", ended_after_s, 3.0);
    // The last sample that was played is silence: the fade was heard to its end.
    let tap = &audio.channels[1];
    let loud = |samples: &[f32]| samples.iter().fold(0.0f32, |peak, x| peak.max(x.abs()));
    assert!(
        loud(&tap[tap.len() - 48..]) < 0.2 * loud(tap),
        "{} of {}",
        loud(&tap[tap.len() - 48..]),
        loud(tap)
    );
}

/// What a person leaves out, and what is stopped before it begins, leaves nothing.
#[test]
fn what_never_begins_leaves_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let (mut shop, mut job) = (Shop::new(), a_job(folder.path()));
    let switch = shop.switch.clone();
    let captured = shop
        .run(Some(&mut job), |session| {
            switch.stop();
            captures(session, &[noise(1.0), noise(1.0)])
        })
        .unwrap();
    assert!(captured.is_empty() && job.job().captures().is_empty());
    assert!(shop.events.iter().all(|event| !matches!(event, Event::Began { .. })));
}

/// Where nothing is to be kept, nothing is; a job that is made when it is needed is made then, and not for what
/// is refused.
#[test]
fn recordings_go_where_the_store_says() {
    let folder = tempfile::tempdir().unwrap();
    let mut shop = Shop::new();
    let captured = shop.run_into(Store::Loose, None, |session| capture(session, &noise(0.5))).unwrap();
    // What a simulated car plays can be had again.
    assert_eq!((captured[0].id, &captured[0].recording), (None, &None));
    let dir = folder.path().join("later");
    let kept = Arc::new(Mutex::new(WhenKept::new(Some(&dir))));
    let made = Arc::clone(&kept);
    let store =
        Store::WhenNeeded(Arc::new(move || made.lock().unwrap().job()?.expect("it is named").store()));
    let unfit =
        Plan { scene: Some(Scene { tap: Some("roof".to_owned()), ..Scene::default() }), ..noise(0.5) };
    assert!(shop.run_into(store.clone(), None, |session| capture(session, &unfit)).is_err());
    let unknown = Plan { measurement: "levle".to_owned(), ..noise(0.5) };
    let refused = shop.run_into(store.clone(), None, |session| capture(session, &unknown)).unwrap_err();
    assert!(refused.to_string().contains("level"), "{refused}");
    assert!(!dir.exists(), "what was refused made a job");
    let captured = shop.run_into(store, None, |session| capture(session, &noise(0.5))).unwrap();
    assert_eq!(captured[0].id.map(|id| id.0), Some(1));
    assert!(dir.join("captures/0001/audio.wav").is_file());
}

fn measured(
    shop: &mut Shop,
    job: Option<&mut OpenJob>,
    order: &MeasureOrder,
) -> library::Result<Vec<Captured>> {
    shop.run(job, |session| measure(session, order))
}

/// Both inputs of the car at once: the same samples, each with its own numbers, each knowing of the first.
#[test]
fn several_inputs_are_measured_at_once() {
    let folder = tempfile::tempdir().unwrap();
    let (mut shop, mut job) = (Shop::new(), a_job(folder.path()));
    let order = |inputs: &[&str]| MeasureOrder {
        id: "level".to_owned(),
        inputs: inputs.iter().map(|name| (*name).to_owned()).collect(),
        label: Some("both".to_owned()),
        ..MeasureOrder::default()
    };
    let both = measured(&mut shop, Some(&mut job), &order(&["all", "tap"])).unwrap();
    assert_eq!(both.iter().map(|one| one.input).collect::<Vec<_>>(), [0, 1]);
    let metas: Vec<_> = both.iter().map(|one| &job.job().capture(one.id.unwrap()).unwrap().meta).collect();
    assert_eq!(metas.iter().map(|meta| meta.position.as_str()).collect::<Vec<_>>(), ["microphone", "tap"]);
    assert_eq!(
        metas.iter().map(|meta| meta.label.as_str()).collect::<Vec<_>>(),
        ["both, microphone", "both, tap"]
    );
    assert_eq!((metas[0].made_with, metas[1].made_with), (None, both[0].id));
    assert!(metas[0].calibration.dbfs_at_94.is_some() && metas[0].calibration.volts_per_fs.is_none());
    assert!(metas[1].calibration.volts_per_fs.is_some() && metas[1].calibration.microphone.is_none());
    let audio = |index: usize| recording::read(job.job().audio_path(both[index].id.unwrap())).unwrap();
    assert_eq!(audio(0).channels, audio(1).channels);
    // Alone, an input gives the same, and keeps the place that it was given.
    let alone = measured(&mut shop, None, &order(&["tap"])).unwrap();
    // The car's noise goes on from one capture to the next.
    near("volts", alone[0].reading.values["rms_v"], both[1].reading.values["rms_v"], 1e-4);
    assert_eq!(alone[0].label, "both");
    let refused = measured(&mut shop, None, &order(&["roof"])).unwrap_err().to_string();
    assert!(refused.contains("roof") && refused.contains("microphone, tap"), "{refused}");
}

/// What was typed is checked against the measurement before anything begins.
#[test]
fn wrong_parameters_are_refused() {
    let mut shop = Shop::new();
    let order = |id: &str, key: &str, value: &str| MeasureOrder {
        id: id.to_owned(),
        settings: vec![(key.to_owned(), value.to_owned())],
        ..MeasureOrder::default()
    };
    for wrong in
        [order("sweep", "smoothnig", "6"), order("sweep", "smoothing", "much"), order("swep", "a", "b")]
    {
        let refused = measured(&mut shop, None, &wrong).unwrap_err();
        assert_eq!(refused.fault(), library::Fault::Input, "{refused}");
    }
    assert!(shop.events.is_empty());
}

/// Source: the rule of the design, no full sweep for a tweeter: a driver alone gets the sweep of its part, which the job
/// says, or else its name; on a simulated car it sounds alone.
#[test]
fn a_driver_alone_gets_the_sweep_that_it_can_take() {
    let mut shop = Shop::new();
    let drivers = shop.rig.car().unwrap().car.drivers.clone();
    let first = |role| drivers.iter().find(|driver| driver.role == role).expect("it has one").name.clone();
    let [tweeter, woofer] = [cabin::Role::Tweeter, cabin::Role::Woofer].map(first);
    let of = |name: &str, role| MeasureOrder {
        id: "sweep".to_owned(),
        driver: Some(job::Driver { name: name.to_owned(), role, ..job::Driver::default() }),
        ..MeasureOrder::default()
    };
    for (name, role, from_hz, to_hz) in [
        (&tweeter, None, 2_000.0, 21_500.0),
        (&woofer, None, 30.0, 4_000.0),
        (&woofer, Some(tuning::Role::Sub), 15.0, 250.0),
    ] {
        let order = of(name, role);
        let captured = measured(&mut shop, None, &order).unwrap();
        let values = &captured[0].reading.values;
        // What a driver does not play of its sweep is not valid either.
        let (lowest_hz, highest_hz) = (values["valid_from_hz"], values["valid_to_hz"]);
        assert!(lowest_hz >= from_hz && highest_hz <= to_hz, "{name}: {lowest_hz} to {highest_hz} Hz");
        assert_eq!(captured[0].label, *name);
        assert_eq!(shop.rig.car().unwrap().setup().active, Some(vec![name.clone()]));
    }
    let unknown = measured(&mut shop, None, &of("no such driver", None)).unwrap_err();
    assert_eq!(unknown.fault(), library::Fault::Input, "{unknown}");
}

/// A driver alone is what the scene says, whatever sounded before.
#[test]
fn a_scene_is_set_for_its_capture_alone() {
    let mut shop = Shop::new();
    let driver = shop.rig.car().unwrap().car.drivers[0].name.clone();
    let scene = Scene { sounding: Sounding::Only(driver.clone()), engine_rpm: 850.0, ..Scene::default() };
    let plans =
        [Plan { scene: Some(scene), ..noise(0.3) }, Plan { scene: Some(Scene::default()), ..noise(0.3) }];
    shop.run(None, |session| capture(session, &plans[0])).unwrap();
    assert_eq!(shop.rig.car().unwrap().setup().active, Some(vec![driver]));
    shop.run(None, |session| capture(session, &plans[1])).unwrap();
    let setup = shop.rig.car().unwrap().setup();
    assert_eq!((setup.active.clone(), setup.engine_rpm), (None, 0.0));
}

/// A job that others have open is not written by a second.
#[test]
fn a_job_has_one_writer() {
    let folder = tempfile::tempdir().unwrap();
    let job = a_job(folder.path());
    let refused = OpenJob::open_or_create(&folder.path().join("job")).unwrap_err();
    assert_eq!(refused.fault(), library::Fault::Input);
    drop(job);
    assert!(Job::open(folder.path().join("job")).is_ok());
}
