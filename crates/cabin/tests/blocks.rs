//! Cutting the input into blocks changes nothing.

use cabin::{Cabin, Car, Setup, Stick};
use proptest::prelude::*;

fn run(car: &Car, cuts: &[usize], setups: &[(usize, Setup)], stick: Option<&Stick>) -> Vec<f32> {
    let mut cabin = Cabin::new(car, 48_000.0).unwrap();
    if let Some(stick) = stick {
        cabin.insert_stick(stick.clone()).unwrap();
    }
    let mut output = Vec::new();
    let total = 6_000;
    let mut edges: Vec<usize> =
        cuts.iter().copied().chain(setups.iter().map(|(at, _)| *at)).chain([total]).collect();
    edges.sort_unstable();
    edges.dedup();
    let mut from = 0;
    for to in edges {
        if let Some((_, setup)) = setups.iter().find(|(at, _)| *at == from) {
            cabin.apply(setup).unwrap();
        }
        let input: Vec<f32> = (from..to)
            .flat_map(|n| [(n as f32 * 0.031).sin() * 0.4, (n as f32 * 0.57).cos() * 0.2])
            .collect();
        let mut block = vec![0.0; input.len()];
        cabin.process(&input, &mut block);
        output.extend(block);
        from = to;
    }
    output
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(12))]
    #[test]
    fn blocks_of_any_size_give_the_same_bits(
        cuts in proptest::collection::vec(1usize..6_000, 0..40),
        name in prop_oneof![Just("compact-hatch"), Just("saloon-adapter"), Just("box-van")],
        first in 0usize..3_000,
        second in 0usize..3_000,
        ppm in prop_oneof![Just(0.0), -300.0..300.0],
        stick in any::<bool>(),
    ) {
        let car = Car::preset(name).unwrap();
        let mut one = Setup { engine_rpm: 1_800.0, mains_hz: Some(50.0), live_clock_ppm: ppm, ..car.setup() };
        one.processor.values_mut().for_each(|channel| channel.delay_s = 0.0007);
        let two = Setup { volume_step: 19, mic_position: "passenger".to_owned(), ..one.clone() };
        let setups = [(first, one), (3_000 + second, two)];
        let samples = (0..4_000).map(|n| (n as f32 * 0.11).sin() * 0.3).collect();
        let stick = stick.then_some(Stick { sample_rate_hz: 44_100.0, samples, start_s: 0.01, clock_ppm: ppm, repeat: true });
        let whole = run(&car, &[], &setups, stick.as_ref());
        let pieces = run(&car, &cuts, &setups, stick.as_ref());
        prop_assert!(whole.iter().zip(&pieces).all(|(a, b)| a.to_bits() == b.to_bits()));
        prop_assert!(whole.iter().any(|&x| x != 0.0));
    }
}
