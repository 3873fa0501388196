//! What the entry sheet says, put back into the simulated processor, sounds as what was measured.

use std::sync::mpsc::sync_channel;

use cabin::Car;
use engine::StopSwitch;
use host::Registry;
use job::{ChannelSetting, Crossover, EnteredBand, Set, Stage};
use measurements::signals::short_paired_sweep;
use procedure::{Captured, Event, Hand, OpenJob, Plan, Session, Store, captures};
use project::Change;
use project::derive::{absolute, response_of};
use report::Sheet;
use rig::{Entered, InputRole, OpenRig, RigChoice, Scene, Simulated, Sounding};
use tuning::{Band, BandKind, Response};

/// A capture of all that passes through the processor, with this in it.
fn after(rig: &mut OpenRig, job: Option<&mut OpenJob>, entered: Entered) -> Response {
    let registry = Registry::built_in();
    let manifest = registry.manifest("sweep").expect("it is built in");
    let plan = Plan {
        stimulus: Some(short_paired_sweep("sweep of the whole car", 20.0, 20_000.0, -12.0)),
        set: Some(Set::After),
        scene: Some(Scene { sounding: Sounding::Processed, processor: Some(entered), ..Scene::default() }),
        ..Plan::of(manifest, Stage::Tune, rig.input(InputRole::Microphone).expect("a microphone"))
    };
    let (_, nobody) = sync_channel(0);
    let mut job = job;
    let store = job.as_ref().map_or(Store::Nowhere, |job| Store::Job(job.store().expect("a store")));
    let captured: Vec<Captured> = captures(
        &mut Session {
            rig,
            store,
            token: StopSwitch::default().begin(),
            inbox: &nobody,
            hand: Hand::Ready,
            on_event: &mut |event| {
                if let (Event::Change(change), Some(job)) = (event, job.as_mut()) {
                    job.apply(change).expect("it is noted");
                }
            },
        },
        &[plan],
    )
    .expect("a capture");
    response_of(&captured[0].reading).expect("a response")
}

/// A setting of every channel that is other than what the car came with, but for the last one, a fill or a centre
/// in the cars that have one: that keeps all but its delay.
fn tuned(preset: &[ChannelSetting]) -> Vec<ChannelSetting> {
    let last = preset.len() - 1;
    let one = |(index, held): (usize, &ChannelSetting)| {
        let number = index as f64;
        let added = ChannelSetting {
            channel: held.channel.clone(),
            delay_s: 1e-4 * number,
            gain_db: if index == last { 0.0 } else { -0.5 * number },
            inverted: index != last && index % 3 == 1,
            high_pass: (index != last).then(|| Crossover {
                family: "linkwitz-riley".to_owned(),
                order: 4,
                frequency_hz: 60.0 + 40.0 * number,
            }),
            low_pass: None,
        };
        absolute(held, &added)
    };
    preset.iter().enumerate().map(one).collect()
}

/// The numbers of a sheet as a program reads them.
fn entered_from(sheet: &str) -> Entered {
    let sheet: serde_json::Value = serde_json::from_str(sheet).expect("one document");
    assert_eq!(sheet["measured"], true);
    let number = |value: &serde_json::Value, key: &str| value[key].as_f64().expect("a number");
    let edge = |value: &serde_json::Value| {
        value.is_object().then(|| Crossover {
            family: value["family"].as_str().expect("a family").to_owned(),
            order: u32::try_from(value["order"].as_u64().expect("an order")).expect("a small one"),
            frequency_hz: number(value, "frequency_hz"),
        })
    };
    let mut entered = Entered::default();
    for channel in sheet["channels"].as_array().expect("channels") {
        let name = channel["channel"].as_str().expect("a name").to_owned();
        let setting = &channel["setting"];
        if setting.is_object() {
            entered.channels.push(ChannelSetting {
                channel: name.clone(),
                delay_s: number(setting, "delay_s"),
                gain_db: number(setting, "gain_db"),
                inverted: setting["inverted"].as_bool().expect("a polarity"),
                high_pass: edge(&setting["high_pass"]),
                low_pass: edge(&setting["low_pass"]),
            });
        }
        for band in channel["bands"].as_array().expect("bands") {
            let kind: BandKind = serde_json::from_value(band["type"].clone()).expect("a kind");
            let band = Band {
                kind,
                frequency_hz: number(band, "frequency_hz"),
                gain_db: number(band, "gain_db"),
                q: number(band, "q"),
            };
            entered.bands.push((name.clone(), band));
        }
    }
    entered
}

/// On every car that comes with the program, those with fills and centres among them; the job itself says something
/// else by then, as after an edit that nobody measured.
#[test]
fn the_sheets_values_sound_as_what_was_measured() {
    for (name, _) in Car::presets() {
        let folder = tempfile::tempdir().expect("a folder");
        let mut job = OpenJob::open_or_create(&folder.path().join("car")).expect("a job");
        let mut rig = OpenRig::open(RigChoice::fast_car(name)).expect("a car");
        let preset = rig.car().map(Simulated::preset).expect("a preset");
        job.apply(Change::Preset(Some(preset.clone()))).expect("it is noted");
        let channels = tuned(&preset.channels);
        let bands = vec![
            (String::new(), Band::peak(160.0, -5.0, 2.0)),
            (String::new(), Band::peak(2_500.0, 3.0, 1.4)),
        ];
        let entered = Entered { bands, channels: channels.clone(), own_filters: false };
        let measured = after(&mut rig, Some(&mut job), entered);
        let typed = EnteredBand::of_typed(
            "",
            &Band::peak(800.0, 4.0, 1.0),
            &tuning::Profile::preset("parametric-free").expect("a profile"),
        );
        job.apply(Change::Bands(vec![typed])).expect("it is noted");

        let sheet = Sheet::from_job(job.job());
        assert!(sheet.remarks.iter().any(|remark| remark.contains("800 Hz")), "{name}: {:?}", sheet.remarks);
        let again = entered_from(&sheet.to_json());
        assert_eq!(again.channels.len(), preset.channels.len(), "{name}");
        let mut fresh = OpenRig::open(RigChoice::fast_car(name)).expect("a car");
        let back = after(&mut fresh, None, again);
        let difference = tuning::difference(&measured, &back, 40.0, 16_000.0).expect("a difference");
        let worst = difference.magnitude_db.iter().fold(0.0f64, |worst, db| worst.max(db.abs()));
        assert!(worst <= 0.1, "{name}: {worst:.3} dB from what was measured");
    }
}
