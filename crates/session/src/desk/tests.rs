//! The desk without a window: commands in, what is seen and heard out.

use std::sync::Arc;
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::time::{Duration, Instant};

use engine::StopSwitch;
use measure::Signal as Played;
use procedure::Change;
use view::{
    Action, Activity, CaptureId, Choice, Command, DelayUnit, NumberKey, SetMark, SettingKey, SettingValue,
    Side, Signal, Snapshot, SourceTask, Stage, StageState, SwitchKey, Tone, TunedAs, Update,
};

use super::derive::FaceId;
use super::held::Captures;
use super::sounds::{Cued, Sound};
use super::tune::{DeskBand, Tune};
use super::{Desk, MAILBOX_DEPTH, Mail};

/// A desk with the simulated car, as fast as it goes, and a job of its own.
pub(super) struct Bench {
    pub(super) desk: Desk,
    /// While it is there, workers reach the mailbox.
    _mail: Arc<SyncSender<Mail>>,
    mailbox: Receiver<Mail>,
    updates: Receiver<Update>,
    sounds: Receiver<Cued>,
    folder: tempfile::TempDir,
}

impl Bench {
    pub(super) fn new() -> Self {
        let (updates_in, updates) = sync_channel(10_000);
        let (sounds_in, sounds) = sync_channel(100);
        let tune = Tune::restored(None, None, |_| Vec::new()).expect("the presets are there");
        let (mail, mailbox) = sync_channel(MAILBOX_DEPTH);
        let mail = Arc::new(mail);
        let mut desk = Desk::new(tune, StopSwitch::default(), sounds_in, Arc::downgrade(&mail));
        desk.take_mail(Mail::Attach(FaceId(0), updates_in));
        let folder = tempfile::tempdir().expect("a folder");
        let job = procedure::create_job(&folder.path().join("job"), Some("Test"), "").expect("a job");
        desk.hold(job, Captures::default()).expect("it is held");
        desk.use_simulated_car().expect("the car");
        desk.state.choices.times = 10_000;
        desk.state.choices.countdown_s = 0;
        Self { desk, _mail: mail, mailbox, updates, sounds, folder }
    }

    pub(super) fn ask(&mut self, command: Command) {
        self.desk.obey(command);
        self.desk.refresh();
    }

    /// Keeps in the job what follows, as the app does when the person pauses.
    pub(super) fn settle(&mut self) {
        self.desk.refresh();
        self.desk.keep(self.desk.state.results());
    }

    pub(super) fn choose(&mut self, choice: Choice) {
        self.ask(Command::Set(SettingValue::Choice(choice)));
    }

    pub(super) fn press(&mut self, action: Action) {
        self.ask(Command::Press(action));
    }

    pub(super) fn set(&mut self, value: SettingValue) {
        self.ask(Command::Set(value));
    }

    /// Takes what workers have sent.
    pub(super) fn pump(&mut self) {
        if let Ok(mail) = self.mailbox.recv_timeout(Duration::from_millis(20)) {
            self.desk.take_mail(mail);
        }
        self.mailbox.try_iter().for_each(|mail| self.desk.take_mail(mail));
        self.desk.look_up();
    }

    /// Lets what is under way come to its end.
    pub(super) fn finish(&mut self) {
        self.pump_until(|bench| bench.desk.work.is_none());
        self.settle();
    }

    /// Goes on until it is as wanted.
    #[track_caller]
    pub(super) fn pump_until(&mut self, wanted: impl Fn(&Self) -> bool) {
        let began = Instant::now();
        while !wanted(self) {
            self.pump();
            assert!(began.elapsed() < Duration::from_secs(60), "it never comes");
        }
    }

    pub(super) fn snapshot(&self) -> Snapshot {
        self.desk.snapshot()
    }

    pub(super) fn heard(&self) -> Vec<Sound> {
        self.sounds.try_iter().map(|cued| cued.sound).collect()
    }

    pub(super) fn notices(&self) -> Vec<String> {
        let notice = |update| if let Update::Notice { text, .. } = update { Some(text) } else { None };
        self.updates.try_iter().filter_map(notice).collect()
    }
}

fn band(frequency_hz: f64) -> DeskBand {
    let typed = tuning::Band { kind: tuning::BandKind::Peak, frequency_hz, gain_db: -3.0, q: 2.0 };
    DeskBand { typed, channel: String::new(), enabled: true, locked: false, reason: String::new() }
}

/// What the job holds of the audit's bands.
fn audited(job: &job::Job) -> &[job::AuditLine] {
    job.data().audit.as_ref().map_or(&[], |audit| &audit.bands)
}

#[test]
fn a_driver_is_measured_alone_with_its_own_sweep_and_arrives_as_a_tile() {
    let mut bench = Bench::new();
    bench.ask(Command::OpenStage(Stage::Drivers));
    bench.choose(Choice::Driver(Some("left-tweeter".to_owned())));
    bench.ask(Command::StartOrStop);
    assert!(matches!(bench.snapshot().shared.activity, Activity::Countdown { .. }));
    bench.finish();
    let snapshot = bench.snapshot();
    assert_eq!(snapshot.tray.len(), 1, "{:?}", bench.notices());
    assert_eq!(snapshot.tray[0].label, "left-tweeter");
    assert!(snapshot.tray[0].fingerprint[25].is_some(), "6.3 kHz was measured");
    assert!(snapshot.tray[0].fingerprint[10].is_none(), "200 Hz was not played");
    assert_eq!(snapshot.shared.stages[3].state, StageState::NeedsAnotherLook, "one of eight");
    assert_eq!(bench.heard(), [Sound::AllDone]);
    let job = bench.desk.job.as_ref().expect("the job").job();
    let stimulus = job.captures()[0].meta.stimulus.clone().expect("what was played");
    let lowest = stimulus.segments.iter().filter_map(|segment| match segment.signal {
        Played::Sweep { from_hz, .. } => Some(from_hz),
        _ => None,
    });
    assert!(lowest.fold(f64::INFINITY, f64::min) >= 1_000.0, "a tweeter is protected: {stimulus:?}");
    let faces = [
        view::ChartFace::Phase,
        view::ChartFace::GroupDelay,
        view::ChartFace::Impulse,
        view::ChartFace::Decay,
    ];
    for face in faces.into_iter().chain([view::ChartFace::Harmonics, view::ChartFace::Response]) {
        bench.ask(Command::ShowFace(face));
        let snapshot = bench.snapshot();
        assert_eq!(snapshot.chart_face, face);
        assert!(!snapshot.chart.lines.is_empty(), "{face:?}");
        let finite = |line: &chart::Line| line.points.iter().all(|p| p.x.is_finite() && p.y.is_finite());
        assert!(snapshot.chart.lines.iter().all(finite), "{face:?}");
    }
}

/// The name that a person gives a capture while it runs is its name when it has ended, here and on disk; and while
/// something runs, the job and the rig stay what they are.
#[test]
fn a_capture_is_renamed_and_marked_while_it_runs() {
    let mut bench = Bench::new();
    bench.desk.state.choices.times = 4;
    bench.ask(Command::OpenStage(Stage::Drivers));
    bench.choose(Choice::Driver(Some("left-tweeter".to_owned())));
    bench.ask(Command::StartOrStop);
    bench.pump_until(|bench| !bench.snapshot().tray.is_empty());
    assert_eq!(bench.snapshot().tray[0].remark, "Being recorded.");
    bench.ask(Command::RenameCapture(CaptureId(1), "tweeter, door open".to_owned()));
    bench.ask(Command::MarkCapture(CaptureId(1), Some(SetMark::After)));
    bench.notices();
    bench.ask(Command::NewJob(bench.folder.path().join("other").display().to_string()));
    bench.ask(Command::UseDevices);
    assert_eq!(bench.notices().len(), 2, "both are refused");
    bench.finish();
    let snapshot = bench.snapshot();
    assert_eq!((snapshot.tray.len(), snapshot.tray[0].label.as_str()), (1, "tweeter, door open"));
    assert_eq!(snapshot.tray[0].mark, Some(SetMark::After));
    assert!(snapshot.tray[0].fingerprint[25].is_some(), "it has its reading");
    let job = bench.desk.job.as_ref().expect("the job").job();
    let capture = job.capture(job::CaptureId(1)).expect("the capture");
    assert_eq!((capture.meta.label.as_str(), capture.state), ("tweeter, door open", job::CaptureState::Done));
    bench.ask(Command::Undo);
    bench.ask(Command::Undo);
    assert_eq!(bench.snapshot().tray[0].label, "left-tweeter", "and both can be taken back");
}

#[test]
fn drivers_follow_one_another_until_they_are_muted() {
    let mut bench = Bench::new();
    bench.ask(Command::OpenStage(Stage::Drivers));
    bench.ask(Command::StartOrStop);
    let title = |bench: &Bench| match bench.snapshot().shared.activity {
        Activity::Running { title, .. } | Activity::Countdown { title, .. } => title,
        _ => String::new(),
    };
    assert!(title(&bench).starts_with("Driver 1 of 8"), "{}", title(&bench));
    bench.pump_until(|bench| title(bench).starts_with("Driver 2 of 8"));
    assert!(bench.desk.work.is_some(), "the next begins by itself");
    assert_eq!(bench.heard(), [Sound::Done]);
    bench.ask(Command::Mute);
    bench.finish();
    let done = bench.snapshot().tray.iter().filter(|tile| tile.remark.is_empty()).count();
    assert!((1..8).contains(&done), "{done} drivers were measured");
    assert_eq!(bench.heard(), [], "muted is muted");
    bench.ask(Command::StartOrStop);
    assert!(bench.desk.work.is_none(), "nothing begins while it is muted");
    assert!(bench.notices().iter().any(|notice| notice.contains("muted")));
}

#[test]
fn a_second_of_the_countdown_is_heard_and_a_stop_leaves_nothing() {
    let mut bench = Bench::new();
    bench.desk.state.choices.countdown_s = 2;
    bench.ask(Command::OpenStage(Stage::Drivers));
    bench.ask(Command::StartOrStop);
    let began = Instant::now();
    bench.pump_until(|_| began.elapsed() > Duration::from_millis(1_300));
    bench.ask(Command::StartOrStop);
    bench.finish();
    assert_eq!(bench.heard(), [Sound::Tick, Sound::Tick]);
    assert!(bench.desk.work.is_none() && bench.desk.captures.iter().next().is_none());
    assert_eq!(bench.snapshot().shared.activity, Activity::Idle);
}

#[test]
fn the_ladder_climbs_and_finds_the_step_that_the_car_states() {
    let mut bench = Bench::new();
    assert_eq!(bench.desk.sweep().expect("a sweep").1.len(), 4, "one for each output");
    // The first output is the one that limits this car.
    bench.set(SettingValue::Switch(SwitchKey::Continue, false));
    bench.ask(Command::StartOrStop);
    bench.finish();
    let truth = bench.desk.rig.as_ref().and_then(|rig| rig.car()).expect("the car").truth.clean_step;
    let snapshot = bench.snapshot();
    assert_eq!(snapshot.card.headline, format!("step {truth}"));
    assert_eq!(snapshot.card.lines.len(), 1);
    assert_eq!(snapshot.chart_face, view::ChartFace::Steps);
    let roles: Vec<chart::Role> = snapshot.chart.lines.iter().map(|line| line.role).collect();
    assert!(roles.contains(&chart::Role::Clean) && roles.contains(&chart::Role::Unclean));
    assert!(bench.heard().contains(&Sound::Unclean));
    let job = bench.desk.job.as_ref().expect("the job").job();
    assert_eq!(job.data().source.clean_step, Some(truth));
    assert!(job.data().stages.contains_key(&job::Stage::Source));
}

#[test]
fn any_other_measurement_is_made_and_its_values_are_on_the_card() {
    let mut bench = Bench::new();
    bench.ask(Command::OpenStage(Stage::Source));
    bench.choose(Choice::SourceTask(SourceTask::Other));
    bench.choose(Choice::Measurement("noise".to_owned()));
    bench.ask(Command::StartOrStop);
    bench.finish();
    let snapshot = bench.snapshot();
    assert_eq!(snapshot.tray.len(), 1, "{:?}", bench.notices());
    let level = snapshot.card.lines.iter().find(|line| line.label == "rms dbfs");
    let level: f64 = level.expect("the level of the noise").value.parse().expect("a number");
    assert!((-140.0..-20.0).contains(&level), "{level} dBFS");
}

#[test]
fn every_edit_is_taken_back_and_made_again() {
    let mut bench = Bench::new();
    bench.ask(Command::OpenStage(Stage::Drivers));
    bench.choose(Choice::Driver(Some("left-tweeter".to_owned())));
    bench.ask(Command::StartOrStop);
    bench.finish();
    let id = CaptureId(1);
    let state = |bench: &Bench| {
        let snapshot = bench.snapshot();
        let tile = snapshot.tray.first().cloned();
        (
            tile.as_ref().map(|tile| tile.label.clone()),
            tile.and_then(|tile| tile.mark),
            snapshot.handles.len(),
        )
    };
    bench.desk.state.face.stage = Stage::Tune;
    let start = state(&bench);
    bench.ask(Command::MarkCapture(id, Some(SetMark::Before)));
    bench.ask(Command::RenameCapture(id, "renamed".to_owned()));
    bench.desk.take_bands(vec![band(100.0), band(200.0)]);
    bench.ask(Command::EnableBand(0, false));
    bench.ask(Command::DiscardCapture(id));
    assert_eq!(bench.snapshot().shared.can_undo, (true, false));
    let end = state(&bench);
    assert_eq!(end, (None, None, 2));
    for _ in 0..5 {
        bench.ask(Command::Undo);
    }
    assert_eq!(state(&bench), start);
    assert_eq!(bench.snapshot().shared.can_undo, (false, true));
    for _ in 0..5 {
        bench.ask(Command::Redo);
    }
    assert_eq!(state(&bench), end);
    assert_eq!(bench.notices(), Vec::<String>::new());
}

/// A derived value hangs on its own inputs: a name is none of the audit's, a mark and a band are. Looking at it
/// from a copy of the state on another thread computes nothing anew.
#[test]
fn renaming_a_capture_computes_no_audit_and_no_plan_anew() {
    let mut bench = Bench::new();
    bench.ask(Command::OpenStage(Stage::Tune));
    bench.set(SettingValue::Number(NumberKey::Positions, 1.0));
    for side in [SetMark::Before, SetMark::After] {
        bench.choose(Choice::Set(side));
        bench.desk.measure().expect("it begins");
        bench.finish();
        if side == SetMark::Before {
            bench.desk.take_bands(vec![band(500.0)]);
            bench.press(Action::EnterBands);
        }
    }
    let found = |bench: &Bench| {
        let state = bench.desk.state.now();
        let thread = std::thread::Builder::new().name("test-look".to_owned());
        let looked = thread.spawn(move || (state.check(), state.car_plan(), state.limit()));
        looked.expect("a thread").join().expect("it looks")
    };
    let (audit, plan, _) = found(&bench);
    let audit = audit.expect("both sides were measured");
    bench.ask(Command::RenameCapture(CaptureId(1), "another name".to_owned()));
    assert_eq!(bench.snapshot().tray[0].label, "another name");
    let (again, same_plan, _) = found(&bench);
    assert!(Arc::ptr_eq(&audit, &again.expect("it is there")), "no audit for a name");
    assert!(Arc::ptr_eq(&plan, &same_plan), "and no plan");
    bench.ask(Command::EnableBand(0, false));
    assert!(!found(&bench).0.is_some_and(|other| Arc::ptr_eq(&audit, &other)), "another one for other bands");
    bench.ask(Command::Undo);
    assert_eq!(*found(&bench).0.expect("it is there"), *audit, "and the same for the same bands");
    bench.ask(Command::MarkCapture(CaptureId(2), None));
    assert!(found(&bench).0.is_none(), "and none without the other side");
}

#[test]
fn the_costly_part_of_a_snapshot_is_kept_until_something_changes() {
    let mut bench = Bench::new();
    bench.ask(Command::OpenStage(Stage::Tune));
    let chart = |bench: &Bench| bench.snapshot().chart;
    let first = chart(&bench);
    assert!(Arc::ptr_eq(&first, &chart(&bench)));
    bench.ask(Command::SetOutput(-30.0));
    assert!(Arc::ptr_eq(&first, &chart(&bench)), "a level is not in the chart");
    bench.desk.take_bands(vec![band(100.0)]);
    assert!(!Arc::ptr_eq(&first, &chart(&bench)));
}

#[test]
fn one_listens_with_the_bands_and_without_and_sees_the_difference() {
    let mut bench = Bench::new();
    bench.ask(Command::OpenStage(Stage::Tune));
    bench.desk.take_bands(vec![band(1_000.0)]);
    bench.set(SettingValue::Switch(SwitchKey::WithBands, false));
    bench.press(Action::Preview);
    let lines = |bench: &mut Bench| {
        let began = Instant::now();
        let mut lines: Vec<chart::Line> = Vec::new();
        while began.elapsed() < Duration::from_millis(1_500) {
            bench.pump();
            for update in bench.updates.try_iter() {
                if let Update::Live(live) = update {
                    lines = live.lines;
                }
            }
        }
        lines
    };
    let labels =
        |lines: &[chart::Line]| -> Vec<String> { lines.iter().map(|line| line.label.clone()).collect() };
    assert_eq!(labels(&lines(&mut bench)), ["without"]);
    assert!(bench.desk.is_previewing());
    let card = bench.snapshot().card;
    assert!(
        card.settings.iter().any(|setting| setting.key() == SettingKey::Switch(SwitchKey::WithBands)),
        "{card:?}"
    );
    bench.set(SettingValue::Switch(SwitchKey::WithBands, true));
    let both = lines(&mut bench);
    assert_eq!(labels(&both), ["without", "with bands"]);
    // Source: the band on the desk: −3 dB at 1 kHz, Q 2. One and a half seconds of a sixth of an
    // octave at 1 kHz scatter by 0.33 dB each, and both lie where they fit the target best.
    let at = |line: &chart::Line| {
        let near = line.points.iter().filter(|point| (900.0..1_110.0).contains(&point.x));
        let levels: Vec<f64> = near.map(|point| point.y).collect();
        levels.iter().sum::<f64>() / levels.len() as f64
    };
    testkit::near("what the band does", at(&both[1]) - at(&both[0]), -2.6, 1.2);
    bench.ask(Command::StartOrStop);
    bench.finish();
    assert_eq!(bench.snapshot().shared.activity, Activity::Idle);
}

#[test]
fn what_was_tuned_is_there_again_when_the_job_is_opened() {
    let mut bench = Bench::new();
    bench.choose(Choice::Target(Some("flat".to_owned())));
    bench.desk.take_bands(vec![band(100.0), band(200.0)]);
    bench.settle();
    let folder = bench.desk.job.take().expect("the job").job().dir().to_owned();
    bench.ask(Command::OpenJob(folder.display().to_string()));
    bench.finish();
    bench.ask(Command::OpenStage(Stage::Tune));
    assert_eq!(bench.desk.tune.target_id(), Some("flat"));
    assert_eq!(bench.snapshot().handles.len(), 2);
    assert_eq!(bench.snapshot().shared.can_undo, (false, false), "what was saved is no edit");
}

#[test]
fn a_driver_that_is_wired_backwards_is_called_so() {
    let mut bench = Bench::new();
    bench.ask(Command::OpenStage(Stage::Drivers));
    bench.choose(Choice::Driver(Some("right-mid".to_owned())));
    bench.ask(Command::StartOrStop);
    bench.finish();
    let lines = bench.snapshot().card.lines;
    let line = lines.iter().find(|line| line.label == "right-mid").expect("a line for each driver");
    assert_eq!((line.value.as_str(), line.tone), ("wired backwards", Tone::Bad));
    bench.ask(Command::OpenStage(Stage::Timing));
    bench.ask(Command::StartOrStop);
    bench.finish();
    let job = bench.desk.job.as_ref().expect("the job").job();
    assert!(job.data().channels[0].inverted);
}

#[test]
fn the_whole_car_is_put_right_from_its_drivers_and_that_can_be_undone() {
    let mut bench = Bench::new();
    // One side is enough, and quicker.
    let one_side = |driver: &job::Driver| driver.name == "sub" || driver.name.starts_with("left");
    let job = bench.desk.job.as_mut().expect("the job");
    let mut intake = job.project().data.intake.clone();
    intake.drivers.retain(one_side);
    job.apply(Change::Intake(intake)).expect("it is kept");
    bench.ask(Command::OpenStage(Stage::Drivers));
    bench.ask(Command::StartOrStop);
    bench.finish();
    bench.ask(Command::OpenStage(Stage::Timing));
    let snapshot = bench.snapshot();
    let of = |name: &str| {
        snapshot.card.lines.iter().find(|line| line.label == name).map(|line| line.value.clone())
    };
    assert!(of("left-tweeter").is_some_and(|value| value.contains(" ms")), "{:?}", snapshot.card.lines);
    assert!(of("mid / tweeter").is_some_and(|value| value.contains("kHz")), "{:?}", snapshot.card.lines);
    let dip = snapshot.card.findings.iter().find(|finding| finding.text.contains("The left side"));
    let dip = dip.expect("the worst dip is named");
    assert_eq!(dip.tone, Tone::Good, "{}", dip.text);
    assert!(dip.text.contains("left-"), "it says between whom: {}", dip.text);
    let together = snapshot.chart.lines.iter().find(|line| line.label == "left together");
    assert!(together.is_some_and(|line| line.points.len() > 100), "the sum is on the chart");
    assert_eq!(snapshot.chart.marks.len(), 1);

    let kept = |bench: &Bench| bench.desk.job.as_ref().expect("the job").job().data().channels.clone();
    bench.ask(Command::StartOrStop);
    bench.finish();
    let entered = kept(&bench);
    let tweeter = entered.iter().find(|channel| channel.channel == "left-tweeter").expect("a line for it");
    assert!(tweeter.high_pass.as_ref().is_some_and(|filter| filter.family == "linkwitz-riley"));
    assert_eq!(tweeter.low_pass, None);
    bench.ask(Command::Undo);
    assert!(kept(&bench).is_empty());
    bench.ask(Command::Redo);
    assert_eq!(kept(&bench), entered);
    bench.choose(Choice::DelayUnit(DelayUnit::Centimetres));
    let snapshot = bench.snapshot();
    assert!(snapshot.card.lines[0].value.contains(" cm"), "{:?}", snapshot.card.lines[0]);
    assert_eq!(snapshot.card.main.map(|main| main.action), Some(Action::NextStage));
}

#[test]
fn a_band_that_was_mistyped_is_named_and_when_it_is_mended_all_is_as_meant() {
    let mut bench = Bench::new();
    // At one place alone, a fill that does not pass through the processor would be heard where
    // the others cancel.
    let (_, text) = cabin::Car::presets()[0];
    let car = bench.folder.path().join("car.toml");
    std::fs::write(&car, text.replace("processed = false", "processed = true")).expect("it is written");
    let car = car.display().to_string();
    let choice = rig::RigChoice::Simulated { car: car.clone(), pace: engine::Pace::RealTime };
    bench.desk.hold_rig(rig::OpenRig::open(choice).expect("the car"));
    bench.ask(Command::OpenStage(Stage::Tune));
    bench.set(SettingValue::Number(NumberKey::Positions, 1.0));
    let measure = |bench: &mut Bench, side: SetMark| {
        bench.choose(Choice::Set(side));
        bench.desk.measure().expect("it begins");
        bench.finish();
    };
    measure(&mut bench, SetMark::Before);
    let mut most = band(1_250.0);
    most.typed.gain_db = -6.0;
    let mut off = band(3_000.0);
    off.enabled = false;
    bench.desk.take_bands(vec![off, band(40.0), most]);
    bench.set(SettingValue::Switch(SwitchKey::TypingError, true));
    bench.press(Action::EnterBands);
    measure(&mut bench, SetMark::After);
    let texts = |bench: &Bench| -> Vec<String> {
        bench.snapshot().card.findings.iter().map(|finding| finding.text.clone()).collect()
    };
    let wanted = "Band 3 sounds as if 127 Hz had been typed instead of 1250 Hz.";
    assert!(texts(&bench).contains(&wanted.to_owned()), "{:?}", texts(&bench));
    let line = |bench: &Bench| {
        let lines = bench.snapshot().card.lines;
        lines.into_iter().find(|line| line.label == "What was typed").expect("the verdict")
    };
    assert_eq!((line(&bench).value.as_str(), line(&bench).tone), ("1 thing is not as meant", Tone::Bad));
    let job = bench.desk.job.as_ref().expect("the job").job();
    let kept: Vec<(u32, String)> =
        audited(job).iter().map(|line| (line.index, line.verdict.clone())).collect();
    assert_eq!(kept, [(2, "as-meant".to_owned()), (3, "wrong-frequency".to_owned())]);
    let sheet = crate::sheet(job.dir(), crate::SheetForm::Text, crate::PageSize::A4).expect("a sheet");
    let sheet = String::from_utf8(sheet).expect("text");
    assert!(sheet.contains(wanted), "{sheet}");
    bench.ask(Command::OpenStage(Stage::Handover));
    assert!(texts(&bench).contains(&wanted.to_owned()), "the handover says so too");

    bench.ask(Command::OpenStage(Stage::Tune));
    bench.set(SettingValue::Switch(SwitchKey::TypingError, false));
    measure(&mut bench, SetMark::After);
    assert!(texts(&bench)[0].starts_with("All 2 bands do what they should"), "{:?}", texts(&bench));
    assert_eq!(line(&bench).tone, Tone::Good);
    let job = bench.desk.job.as_ref().expect("the job").job();
    assert!(audited(job).iter().all(|line| line.verdict == "as-meant"), "{:?}", audited(job));
}

#[test]
fn what_the_processor_means_by_q_is_found_step_by_step() {
    let mut bench = Bench::new();
    bench.ask(Command::OpenStage(Stage::Tune));
    bench.press(Action::FindQ);
    assert!(bench.snapshot().card.instruction.contains("every band off"));
    bench.ask(Command::StartOrStop);
    bench.finish();
    let asked = bench.snapshot().card.instruction;
    assert!(asked.contains("Cut 12 dB"), "{asked}");
    bench.ask(Command::StartOrStop);
    bench.finish();
    // Source: the simulated processor's bands are the cookbook's, and so says the profile.
    let card = bench.snapshot().card;
    assert_eq!(card.instruction, "It means by Q what the profile says.", "{card:?}");
    let found = card.lines.iter().find(|line| line.tone == Tone::Good).expect("the one that explains it");
    assert_eq!(found.label, "the cookbook’s");
    assert!(bench.snapshot().tray.iter().all(|tile| tile.mark.is_none()), "these are no positions");
    bench.ask(Command::StartOrStop);
    assert!(bench.snapshot().card.instruction.contains("position 1"), "back to the bands");
}

#[test]
fn left_and_right_are_measured_and_fitted_by_themselves() {
    let mut bench = Bench::new();
    bench.ask(Command::OpenStage(Stage::Tune));
    bench.set(SettingValue::Number(NumberKey::Positions, 1.0));
    bench.choose(Choice::TunedAs(TunedAs::Sides));
    bench.ask(Command::StartOrStop);
    bench.finish();
    let labels: Vec<String> = bench.snapshot().tray.into_iter().map(|tile| tile.label).collect();
    assert_eq!(labels, ["left: driver", "right: driver"]);
    let before = |bench: &Bench| {
        let chart = bench.snapshot().chart;
        chart.lines.iter().find(|line| line.label == "before").expect("the average").points.clone()
    };
    let left = before(&bench);
    bench.choose(Choice::Side(Side::Right));
    assert_ne!(left, before(&bench), "the chart shows the other side");
    bench.ask(Command::StartOrStop);
    bench.finish();
    let bands = bench.snapshot().handles;
    assert!(!bands.is_empty());
    let of = |word: &str| bands.iter().filter(|band| band.text.ends_with(word)).count();
    assert_eq!(of(", both") + of(", left") + of(", right"), bands.len(), "{bands:?}");
    bench.settle();
    let folder = bench.desk.job.take().expect("the job").job().dir().to_owned();
    bench.ask(Command::OpenJob(folder.display().to_string()));
    bench.finish();
    assert_eq!(bench.snapshot().handles, bands, "it is there again");
    assert!(bench.notices().iter().any(|notice| notice.contains("fitted")), "it says how long it took");
}

/// A microphone that is moved: one capture, its spread for the fit.
#[test]
fn a_moved_microphone_gives_one_response_with_its_spread() {
    let mut bench = Bench::new();
    bench.ask(Command::OpenStage(Stage::Tune));
    bench.choose(Choice::Signal(Signal::MovingMicrophone));
    bench.set(SettingValue::Number(NumberKey::Positions, 1.0));
    bench.ask(Command::StartOrStop);
    bench.finish();
    let held = bench.desk.captures.iter().next().expect("a capture").clone();
    let response = held.response.expect("a response");
    let spread = response.spread_db.as_ref().expect("a spread");
    assert!(held.reading.values["pieces"] >= 25.0 && spread.len() == response.frequency_hz.len());
    // Twelfths of an octave.
    assert!((response.frequency_hz[1] / response.frequency_hz[0]).log2() < 0.1);
}
