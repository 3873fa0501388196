//! A simulated car that is set again and again: what was said last stands, what was not named stays, and what is entered
//! for a channel goes to that channel and no other.

use cabin::Car;
use job::{ChannelSetting, Crossover, ProcessorSetting};
use proptest::prelude::*;
use rig::{Entered, OpenRig, RigChoice, Scene, Sounding};
use tuning::Band;

/// A car whose drivers have these names instead of their own.
fn renamed(names: &[(&str, &str)]) -> (OpenRig, tempfile::TempDir) {
    let (_, text) = Car::presets().iter().find(|(name, _)| *name == "box-van").expect("it is built in");
    let text = names.iter().fold((*text).to_owned(), |text, (old, new)| {
        assert!(text.contains(&format!("\"{old}\"")), "{old} is not there");
        text.replace(&format!("\"{old}\""), &format!("\"{new}\""))
    });
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("car.toml");
    std::fs::write(&file, text).unwrap();
    (OpenRig::open(RigChoice::fast_car(&file.display().to_string())).unwrap(), folder)
}

fn enter(rig: &mut OpenRig, entered: Entered) -> ProcessorSetting {
    rig.set_scene(&Scene { processor: Some(entered), ..Scene::default() }).unwrap();
    rig.car().unwrap().setting()
}

/// The drivers whose channel has a band.
fn with_bands(rig: &OpenRig) -> Vec<String> {
    let setup = rig.car().unwrap().setup();
    let cars = &rig.car().unwrap().car;
    let banded = |name: &&str| setup.processor.get(*name).is_some_and(|channel| !channel.bands.is_empty());
    cars.driver_names().filter(banded).map(str::to_owned).collect()
}

fn bands_for(channel: &str) -> Entered {
    Entered { bands: vec![(channel.to_owned(), Band::peak(1_000.0, -3.0, 2.0))], ..Entered::default() }
}

/// Names of which one is a part of the other: by letters, by digits, by words.
#[test]
fn a_band_goes_to_the_channel_that_is_named_and_to_no_other_that_looks_like_it() {
    let names = [("left-tweeter", "1"), ("left-mid", "10"), ("left-woofer", "mid"), ("right-mid", "midbass")];
    let (mut rig, _folder) = renamed(&names);
    for (_, name) in names {
        enter(&mut rig, bands_for(name));
        assert_eq!(with_bands(&rig), [name]);
    }
    enter(&mut rig, bands_for("0"));
    assert_eq!(with_bands(&rig), Vec::<String>::new(), "there is no such channel");
    let (mut rig, _folder) = renamed(&[("left-mid", "left"), ("right-mid", "right")]);
    enter(&mut rig, bands_for("left"));
    assert_eq!(with_bands(&rig), ["left"], "a channel of that very name is the one that is meant");
    assert!(rig.car().unwrap().setup().processor_inputs.is_empty());
    enter(&mut rig, bands_for("tweeter"));
    assert_eq!(
        with_bands(&rig),
        ["left-tweeter", "right-tweeter"],
        "a word that is in several names means all"
    );
    let (mut rig, _folder) = renamed(&[]);
    enter(&mut rig, bands_for("left"));
    assert_eq!(with_bands(&rig), Vec::<String>::new(), "a side has its equalizer at the input");
    let inputs: Vec<&String> = rig.car().unwrap().setup().processor_inputs.keys().collect();
    assert_eq!(inputs, ["front-left"]);
    enter(&mut rig, bands_for(""));
    assert!(rig.car().unwrap().setup().processor_inputs.is_empty(), "what is entered stands alone");
}

#[test]
fn what_is_beyond_the_car_ends_at_its_end() {
    let mut rig = OpenRig::open(RigChoice::fast_car("box-van")).unwrap();
    let (last, longest_s) = {
        let car = &rig.car().unwrap().car;
        (car.radio.last_step(), car.processor.longest_delay_s)
    };
    let late = ChannelSetting { channel: "left-mid".to_owned(), delay_s: 0.9, ..ChannelSetting::default() };
    let scene = Scene {
        volume_step: Some(last + 40),
        processor: Some(Entered { channels: vec![late], ..Entered::default() }),
        ..Scene::default()
    };
    rig.set_scene(&scene).unwrap();
    let setup = rig.car().unwrap().setup();
    assert_eq!(setup.volume_step, last);
    assert_eq!(setup.processor["left-mid"].delay_s, longest_s);
    // A tap that is not there is refused, and nothing of that scene is taken.
    let before = setup.clone();
    let refused = Scene { tap: Some("roof".to_owned()), volume_step: Some(1), ..Scene::default() };
    assert!(rig.set_scene(&refused).is_err());
    assert_eq!(rig.car().unwrap().setup(), &before);
    let nobody = Scene { sounding: Sounding::Only("roof".to_owned()), ..Scene::default() };
    assert!(rig.set_scene(&nobody).unwrap_err().to_string().contains("roof"));
    assert_eq!(rig.car().unwrap().setup(), &before);
}

fn crossover() -> impl Strategy<Value = Option<Crossover>> {
    let family = prop_oneof![Just("butterworth"), Just("linkwitz-riley"), Just("bessel")];
    let one = (family, 1u32..3, 40.0..8_000.0f64).prop_map(|(family, half_order, frequency_hz)| Crossover {
        family: family.to_owned(),
        order: 2 * half_order,
        frequency_hz,
    });
    proptest::option::of(one)
}

fn entered() -> impl Strategy<Value = Entered> {
    const CHANNELS: [&str; 6] = ["", "left", "right", "left-mid", "sub", "tweeter"];
    let band = (0usize..6, 40.0..12_000.0f64, -9.0..6.0f64, 0.5..6.0f64)
        .prop_map(|(channel, hz, gain_db, q)| (CHANNELS[channel].to_owned(), Band::peak(hz, gain_db, q)));
    let drivers = ["left-mid", "right-mid", "sub", "left-tweeter"];
    let channel = (0usize..4, 0.0..0.004f64, -12.0..3.0f64, any::<bool>(), crossover(), crossover())
        .prop_map(move |(driver, delay_s, gain_db, inverted, high_pass, low_pass)| ChannelSetting {
            channel: drivers[driver].to_owned(),
            delay_s,
            gain_db,
            inverted,
            high_pass,
            low_pass,
        });
    let lists = (proptest::collection::vec(band, 0..5), proptest::collection::vec(channel, 0..4));
    (lists, any::<bool>()).prop_map(|((bands, channels), own_filters)| Entered {
        bands,
        channels,
        own_filters,
    })
}

fn scene() -> impl Strategy<Value = Scene> {
    let sounding = prop_oneof![
        Just(Sounding::All),
        Just(Sounding::Processed),
        Just(Sounding::Only("left-mid".to_owned())),
        Just(Sounding::Side("left".to_owned())),
    ];
    let tap = prop_oneof![Just("front-left"), Just("sub"), Just("rear-right")].prop_map(str::to_owned);
    let position = prop_oneof![Just("driver".to_owned()), Just("nowhere".to_owned())];
    (
        sounding,
        proptest::option::of(position),
        proptest::option::of(tap),
        proptest::option::of(1u32..40),
        any::<bool>(),
        0.0..3_000.0f64,
        proptest::option::of(entered()),
    )
        .prop_map(|(sounding, position, tap, volume_step, bass_at_maximum, engine_rpm, processor)| {
            Scene { sounding, position, tap, volume_step, bass_at_maximum, engine_rpm, processor }
        })
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 24, failure_persistence: None, ..ProptestConfig::default() })]

    /// After any scenes: what was named last stands, and what the last ones did not name is from the last that did.
    #[test]
    fn what_was_said_last_stands(scenes in proptest::collection::vec(scene(), 1..6)) {
        let mut rig = OpenRig::open(RigChoice::fast_car("box-van")).unwrap();
        let fresh = rig.car().unwrap().setup().clone();
        let last_step = rig.car().unwrap().car.radio.last_step();
        for scene in &scenes {
            rig.set_scene(scene).unwrap();
        }
        let setup = rig.car().unwrap().setup();
        let last = &scenes[scenes.len() - 1];
        let newest = |of: &dyn Fn(&Scene) -> Option<u32>| scenes.iter().rev().find_map(of);
        let step = newest(&|scene| scene.volume_step).map_or(fresh.volume_step, |step| step.min(last_step));
        prop_assert_eq!(setup.volume_step, step);
        let tap = scenes.iter().rev().find_map(|scene| scene.tap.clone());
        prop_assert_eq!(&setup.tap_output, &tap.unwrap_or(fresh.tap_output));
        prop_assert_eq!(setup.engine_rpm, last.engine_rpm);
        let heard = setup.active.clone();
        match &last.sounding {
            Sounding::All => prop_assert_eq!(heard, None),
            Sounding::Only(name) => prop_assert_eq!(heard, Some(vec![name.clone()])),
            Sounding::Processed | Sounding::Side(_) => prop_assert!(heard.is_some_and(|names| !names.is_empty())),
        }
        // Saying the same again changes nothing.
        let before = setup.clone();
        rig.set_scene(last).unwrap();
        prop_assert_eq!(rig.car().unwrap().setup(), &before);
    }

    /// What stands in the processor, entered again as it is shown, stands there unchanged.
    #[test]
    fn what_is_shown_can_be_entered(entered in entered()) {
        let mut rig = OpenRig::open(RigChoice::fast_car("box-van")).unwrap();
        let shown = enter(&mut rig, entered);
        let bands = shown.bands.iter().map(|band| (band.channel.clone(), band.band())).collect();
        let again = Entered { bands, channels: shown.channels.clone(), own_filters: false };
        prop_assert_eq!(enter(&mut rig, again), shown);
    }
}
