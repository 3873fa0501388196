//! The straight wire: nothing may change on it.

use cabin::{Cabin, Car};

fn wire() -> Cabin {
    Cabin::new(&Car::preset("straight-wire").unwrap(), 48_000.0).unwrap()
}

#[test]
fn what_goes_in_left_comes_out_of_both_channels_unchanged() {
    let mut cabin = wire();
    // A signal with every kind of sample: large, small, both signs, full scale.
    let input: Vec<f32> = (0..20_000u32)
        .flat_map(|n| {
            let x = (n as f32 * 0.37).sin() * 10f32.powi(-((n % 5) as i32));
            [if n % 1000 == 0 { 1.0 } else { x }, -0.5]
        })
        .collect();
    let mut output = vec![0.0; input.len()];
    cabin.process(&input, &mut output);
    for (n, (input, output)) in input.chunks(2).zip(output.chunks(2)).enumerate() {
        for (name, got) in [("microphone", output[0]), ("tap", output[1])] {
            let error = (got - input[0]).abs();
            assert!(
                error <= f32::EPSILON * input[0].abs(),
                "{name}, frame {n}: got {got}, wanted {}",
                input[0]
            );
        }
    }
}

#[test]
fn its_response_is_one() {
    for hz in [20.0, 1_000.0, 20_000.0] {
        let response = wire().response(1.0, 0.0, hz);
        testkit::near("microphone", response.mic.re, 1.0, 1e-12);
        testkit::near("tap", response.tap.re, 1.0, 1e-12);
        testkit::near("phase", response.mic.im, 0.0, 1e-12);
    }
}

#[test]
fn samples_that_are_no_numbers_do_not_stay() {
    let mut cabin = wire();
    let mut output = vec![0.0; 8];
    cabin.process(&[f32::NAN, 0.0, f32::INFINITY, 0.0, 0.25, 0.0, 0.5, 0.0], &mut output);
    assert_eq!(output, [0.0, 0.0, 0.0, 0.0, 0.25, 0.25, 0.5, 0.5]);
}
