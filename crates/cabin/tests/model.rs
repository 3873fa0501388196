//! The running model against its own analysis and against the description.

use std::f64::consts::TAU;

use cabin::{Band, BandKind, Cabin, Car, Channel, Setup};
use num_complex::Complex64;
use testkit::{at_most, near};

const RATE: f64 = 48_000.0;
const CARS: [&str; 3] = ["compact-hatch", "saloon-adapter", "box-van"];

fn quiet(car: &Car) -> Setup {
    Setup { noise: false, rattles: false, ..car.setup() }
}

fn running(car: &Car, setup: &Setup) -> Cabin {
    let mut cabin = Cabin::new(car, RATE).unwrap();
    cabin.apply(setup).unwrap();
    cabin
}

/// Plays a mono signal on both channels; microphone and tap come back.
fn play(cabin: &mut Cabin, signal: impl Iterator<Item = f64>) -> (Vec<f64>, Vec<f64>) {
    let input: Vec<f32> = signal.flat_map(|x| [x as f32; 2]).collect();
    let mut output = vec![0.0; input.len()];
    cabin.process(&input, &mut output);
    output.chunks(2).map(|frame| (f64::from(frame[0]), f64::from(frame[1]))).unzip()
}

/// The Fourier sum at one frequency.
fn sum_at(samples: &[f64], hz: f64) -> Complex64 {
    samples
        .iter()
        .enumerate()
        .map(|(n, &x)| x * Complex64::from_polar(1.0, -TAU * hz * n as f64 / RATE))
        .sum()
}

/// Source: analytic; the Fourier transform of the impulse response.
#[test]
fn the_impulse_response_is_the_analytic_one() {
    for name in CARS {
        let mut car = Car::preset(name).unwrap();
        // Distortion is no part of the linear response.
        for driver in &mut car.drivers {
            driver.second_harmonic_percent = 0.0;
            driver.third_harmonic_percent = 0.0;
        }
        for output in &mut car.radio.outputs {
            output.residual_percent = 0.0;
        }
        let mut setup = quiet(&car);
        let channel: &mut Channel = setup.processor.get_mut("left-mid").unwrap();
        channel.bands = vec![Band { kind: BandKind::Peak, frequency_hz: 700.0, gain_db: -6.0, q: 3.0 }];
        channel.delay_s = 0.001_234;
        channel.invert = true;
        let low = Band { kind: BandKind::LowShelf, frequency_hz: 90.0, gain_db: 5.0, q: 0.7 };
        setup.processor_inputs.insert("front-left".to_owned(), vec![low]);
        let mut cabin = running(&car, &setup);
        let impulse = (0..48_000).map(|n| if n == 0 { 0.5 } else { 0.0 });
        let (mic, tap) = play(&mut cabin, impulse);
        for hz in [25.0, 60.0, 143.0, 320.0, 700.0, 1_900.0, 5_000.0, 12_000.0, 19_000.0] {
            let wanted = cabin.response(1.0, 1.0, hz);
            for (what, got, wanted) in
                [("mic", sum_at(&mic, hz) / 0.5, wanted.mic), ("tap", sum_at(&tap, hz) / 0.5, wanted.tap)]
            {
                let error_db = 20.0 * ((got - wanted).norm() / wanted.norm()).log10();
                at_most(&format!("{name}, {what} at {hz} Hz: error in dB"), error_db, -70.0);
            }
        }
    }
}

/// Source: analytic; a subwoofer that both inputs feed gets each through its own equalizer. What does not pass through the
/// processor, and what is tapped ahead of it, is as it was.
#[test]
fn the_equalizer_of_an_input_acts_on_all_that_it_feeds() {
    let car = Car::preset("compact-hatch").unwrap();
    let band = Band { kind: BandKind::Peak, frequency_hz: 60.0, gain_db: -6.0, q: 1.0 };
    for driver in &car.drivers {
        let alone = |bands: &[Band]| {
            let mut setup = Setup { active: Some(vec![driver.name.clone()]), ..quiet(&car) };
            for output in ["front-left", "rear-left"] {
                setup.processor_inputs.insert(output.to_owned(), bands.to_vec());
            }
            running(&car, &setup)
        };
        let (with, without) = (alone(&[band]), alone(&[]));
        for hz in [30.0, 60.0, 90.0, 200.0] {
            let through = dsp::biquad::Biquad::peak(RATE, 60.0, -6.0, 1.0).unwrap().response(hz);
            let through = if driver.processed { through } else { Complex64::ONE };
            for (left, right) in [(1.0, 0.0), (0.0, 1.0), (1.0, 1.0), (1.0, -1.0)] {
                let got = with.response(left, right, hz);
                let own = without.response(left, 0.0, hz).mic * through;
                let wanted = own + without.response(0.0, right, hz).mic;
                let most = without.response(1.0, 1.0, hz).mic.norm();
                let what = format!("{} by {left}, {right} at {hz} Hz", driver.name);
                near(&what, (got.mic - wanted).norm() / most, 0.0, 1e-9);
                near("the tap", (got.tap - without.response(left, right, hz).tap).norm(), 0.0, 1e-12);
            }
        }
    }
}

/// Every driver alone: the sound arrives after `distance / c` and the
/// processor's latency, with the sign of its wiring.
#[test]
fn arrivals_and_wiring_are_what_the_truth_says() {
    for name in CARS {
        let mut car = Car::preset(name).unwrap();
        if let Some(cabin) = &mut car.cabin {
            cabin.walls.clear();
            cabin.modes.strength = 0.0;
            cabin.pressurisation_hz = cabin.leak_hz;
        }
        let truth = car.truth();
        for driver in &car.drivers {
            for position in ["driver", "passenger"] {
                let arrival = truth
                    .arrivals
                    .iter()
                    .find(|a| a.driver == driver.name && a.position == position)
                    .unwrap();
                let frequencies = [900.0, 901.0];
                let whole = car.driver_response(&driver.name, position, RATE, &frequencies).unwrap();
                let mut bare = car.clone();
                let index = car.drivers.iter().position(|d| d.name == driver.name).unwrap();
                bare.drivers[index].at_m = {
                    let mut at_m = car.position(position).unwrap();
                    at_m[2] -= 0.3;
                    at_m
                };
                bare.drivers[index].reversed = false;
                let near_by = bare.driver_response(&driver.name, position, RATE, &frequencies).unwrap();
                // What differs is distance and wiring alone.
                let ratio = [whole[0] / near_by[0], whole[1] / near_by[1]];
                let way_s = -(ratio[1] / ratio[0]).arg() / TAU;
                near(
                    &format!("{name}, {} to {position}: arrival", driver.name),
                    way_s + 0.3 / car.speed_of_sound(),
                    arrival.seconds,
                    2e-7,
                );
                let sign = (ratio[0] * Complex64::from_polar(1.0, TAU * 900.0 * way_s)).re.signum();
                assert_eq!(
                    sign < 0.0,
                    truth.reversed_drivers.contains(&driver.name),
                    "{name}, {}",
                    driver.name
                );
                near("level over distance", ratio[0].norm(), 0.3 / arrival.distance_m, 1e-3);
            }
        }
    }
}

/// The distortion of a tone as a share of the fundamental, harmonics to 20 kHz.
fn thd(samples: &[f64], hz: f64) -> f64 {
    let fundamental = sum_at(samples, hz).norm();
    let harmonics =
        (2..=(20_000.0 / hz) as u32).take(100).map(|n| sum_at(samples, hz * f64::from(n)).norm_sqr());
    harmonics.sum::<f64>().sqrt() / fundamental
}

#[test]
fn the_clean_step_is_as_stated_and_as_it_plays() {
    for name in CARS {
        let car = Car::preset(name).unwrap();
        let truth = car.truth();
        assert_eq!(truth.clean_step, car.stated.clean_step, "{name}: clean step");
        assert_eq!(truth.limiting_output, car.stated.limiting_output, "{name}: limiting output");
        let (mut found, mut stated) = (truth.reversed_drivers.clone(), car.stated.reversed_drivers.clone());
        found.sort();
        stated.sort();
        assert_eq!(found, stated, "{name}: reversed drivers");
        for output in &truth.outputs {
            for step in [truth.clean_step, output.clean_step, output.clean_step + 1] {
                if step > car.radio.last_step() {
                    continue;
                }
                let setup = Setup { volume_step: step, tap_output: output.output.clone(), ..quiet(&car) };
                let mut cabin = running(&car, &setup);
                let hz = output.test_tone_hz;
                let tone = (0..144_000).map(|n| (TAU * hz * f64::from(n) / RATE).sin());
                let (_, tap) = play(&mut cabin, tone);
                // The last second holds whole periods, after filters and limiters have settled.
                let steady = &tap[96_000..];
                let volts = sum_at(steady, hz).norm() * 2.0 / 48_000.0 * truth.volts_per_fs / 2f64.sqrt();
                let wanted = output.thd[step as usize - 1];
                let got = thd(steady, hz);
                if step == truth.clean_step {
                    near(
                        &format!("{name}, {}: volts", output.output),
                        volts,
                        output.volts_at_cars_clean_step,
                        0.005 * volts,
                    );
                }
                let limiter = name == "box-van" && output.output.starts_with("front");
                let tolerance = if limiter { 2e-3 } else { 5e-4 + 0.02 * wanted };
                near(&format!("{name}, {} at step {step}: THD", output.output), got, wanted, tolerance);
            }
        }
    }
}

/// Source: common practice, no source: a line output of this kind gives 4 to
/// 4.5 V at its clean limit with a 5 V setting, and one step more clips.
#[test]
fn the_five_volt_setting_gives_four_to_four_and_a_half_volts() {
    let truth = Car::preset("saloon-adapter").unwrap().truth();
    let front = &truth.outputs[0];
    assert!((4.0..4.5).contains(&front.volts_at_clean_step), "{} V", front.volts_at_clean_step);
    assert!(front.thd[front.clean_step as usize] > 0.01);
}

#[test]
fn the_same_input_gives_the_same_bits_and_another_seed_does_not() {
    let car = Car::preset("compact-hatch").unwrap();
    let run =
        |car: &Car| play(&mut Cabin::new(car, RATE).unwrap(), (0..5_000).map(|n| f64::from(n % 50) * 0.01));
    assert_eq!(run(&car), run(&car));
    let other = Car { seed: car.seed + 1, ..car.clone() };
    assert_ne!(run(&car), run(&other));
}

/// A change of the setup must not be heard as a click: the third difference of
/// a 100 Hz tone, large for a step and small for a tone, stays small.
#[test]
fn changes_are_faded() {
    let car = Car::preset("saloon-adapter").unwrap();
    let before = Setup { active: Some(vec!["left-woofer".to_owned()]), ..quiet(&car) };
    let mut changes = vec![before.clone(); 5];
    changes[0].processor.get_mut("left-woofer").unwrap().invert = true;
    changes[1].processor.get_mut("left-woofer").unwrap().delay_s = 0.004;
    changes[2].volume_step += 4;
    changes[3].mic_position = "passenger".to_owned();
    changes[4].active = Some(Vec::new());
    let roughness = |tail: &[f64]| {
        tail.windows(4).map(|w| (w[3] - 3.0 * w[2] + 3.0 * w[1] - w[0]).abs()).fold(0.0, f64::max)
    };
    for (index, change) in changes.iter().enumerate() {
        let mut cabin = running(&car, &before);
        let tone = |from: u32| (from..from + 9_600).map(|n| 0.5 * (TAU * 100.0 * f64::from(n) / RATE).sin());
        let steady = play(&mut cabin, tone(0)).0;
        cabin.apply(change).unwrap();
        let changed = play(&mut cabin, tone(9_600)).0;
        let peak = steady[4_800..].iter().chain(&changed).fold(0.0f64, |m, x| m.max(x.abs()));
        // A hard cut of the tone would leave about its whole peak.
        at_most(
            &format!("change {index}: roughness re peak"),
            roughness(&[&steady[9_000..], &changed].concat()) / peak,
            1e-3,
        );
    }
}

#[test]
fn a_muted_radio_and_silenced_drivers_are_silent() {
    let car = Car::preset("box-van").unwrap();
    for setup in [Setup { volume_step: 0, ..quiet(&car) }, Setup { active: Some(Vec::new()), ..quiet(&car) }]
    {
        let (mic, _) = play(&mut running(&car, &setup), (0..2_000).map(|n| (f64::from(n) * 0.3).sin()));
        assert!(mic.iter().all(|&x| x == 0.0));
    }
}

/// Tolerance: the RMS of 2 s of noise; the ambient noise lies below 200 Hz, so
/// that it holds about 1,200 independent values and scatters by 0.2 dB.
#[test]
fn the_noise_floor_is_as_loud_as_described() {
    let car = Car::preset("compact-hatch").unwrap();
    let mut setup = car.setup();
    setup.volume_step = 0;
    let (mic, tap) = play(&mut running(&car, &setup), (0..96_000).map(|_| 0.0));
    let rms = |x: &[f64]| (x.iter().map(|x| x * x).sum::<f64>() / x.len() as f64).sqrt();
    let mic_spl = 94.0 + 20.0 * (rms(&mic) * 2f64.sqrt()).log10() - car.microphone.dbfs_at_94;
    near("ambient level in dB SPL", mic_spl, 42.0, 1.0);
    // 0.5 mV within 20 kHz, the band of the samples being 24 kHz wide.
    let volts = rms(&tap) * car.tap.volts_per_fs();
    let interface_v = 10f64.powf(-104.0 / 20.0) / 2f64.sqrt() * car.tap.volts_per_fs();
    near(
        "noise on the tap in V",
        volts,
        (0.0005f64.powi(2) + interface_v.powi(2)).sqrt() * (24.0f64 / 19.98).sqrt(),
        2e-5,
    );
}

#[test]
fn a_running_engine_whines_where_it_should() {
    let car = Car::preset("compact-hatch").unwrap();
    let level = |rpm: f64, hz: f64| {
        let setup = Setup { volume_step: 0, engine_rpm: rpm, ..quiet(&car) };
        let (mic, tap) = play(&mut running(&car, &setup), (0..48_000).map(|_| 0.0));
        let amplitude = |x: &[f64]| sum_at(x, hz).norm() * 2.0 / 48_000.0;
        (amplitude(&mic), amplitude(&tap) * car.tap.volts_per_fs() / 2f64.sqrt())
    };
    near("whine at order 16.2 of 2000 rpm", level(2_000.0, 540.0).1, 0.0012, 1e-6);
    near("whine at order 16.2 of 3000 rpm", level(3_000.0, 810.0).1, 0.0018, 1e-6);
    near("nothing there at 2000 rpm", level(2_000.0, 810.0).1, 0.0, 1e-6);
    let fs_at_62 = 10f64.powf((62.0 - 94.0 - 28.0) / 20.0);
    near("engine order 2", level(2_000.0, 200.0 / 3.0).0, fs_at_62, 0.02 * fs_at_62);
}

/// A slow tone inside the panel's band buzzes at high order; one outside does not.
#[test]
fn the_panel_buzzes_in_its_band_only() {
    let car = Car::preset("compact-hatch").unwrap();
    let buzz = |hz: f64| {
        let mut setup = Setup { rattles: true, volume_step: 28, ..quiet(&car) };
        setup.active = Some(vec!["left-woofer".to_owned()]);
        let (mic, _) = play(
            &mut running(&car, &setup),
            (0..96_000).map(|n| 0.5 * (TAU * hz * f64::from(n) / RATE).sin()),
        );
        let high: f64 = (20..60).map(|n| sum_at(&mic[48_000..], hz * f64::from(n)).norm_sqr()).sum();
        10.0 * (high / sum_at(&mic[48_000..], hz).norm_sqr()).log10()
    };
    let (inside, below, above) = (buzz(87.0), buzz(60.0), buzz(130.0));
    assert!(inside > below + 25.0 && inside > above + 25.0, "{below} {inside} {above} dB");
}

#[test]
fn the_calibration_is_the_microphones_response() {
    let car = Car::preset("compact-hatch").unwrap();
    let truth = car.truth();
    assert!(truth.microphone_calibration.contains("# dbfs_at_94: -28\n"), "{}", truth.microphone_calibration);
    let points: Vec<(f64, f64)> = truth
        .microphone_calibration
        .lines()
        .filter(|line| !line.starts_with('#'))
        .map(|line| {
            let (hz, db) = line.split_once(", ").unwrap();
            (hz.parse().unwrap(), db.parse().unwrap())
        })
        .collect();
    assert!(points.len() > 100 && points.windows(2).all(|pair| pair[0].0 < pair[1].0));
    let at = |wanted: f64| {
        points.iter().min_by(|a, b| (a.0 - wanted).abs().total_cmp(&(b.0 - wanted).abs())).unwrap().1
    };
    near("1 kHz", at(1_000.0), 0.0, 0.1);
    near("9 kHz, half way up the shelf", at(9_051.0), 1.2, 0.3);
    near("8 Hz high-pass at 10 Hz", at(10.0), -10.0 * (1.0 + (8.0f64 / 10.0).powi(4)).log10(), 0.01);
}

/// Source: analytic; a memory stick's tone on a clock that is off by 118 ppm.
#[test]
fn a_stick_plays_on_its_own_clock() {
    let car = Car::preset("straight-wire").unwrap();
    let mut cabin = Cabin::new(&car, RATE).unwrap();
    let samples =
        (0..88_200).flat_map(|n| [(TAU * 1_000.0 * f64::from(n) / 44_100.0).sin() as f32 * 0.5; 2]).collect();
    cabin
        .insert_stick(cabin::Stick {
            sample_rate_hz: 44_100.0,
            samples,
            start_s: 0.25,
            clock_ppm: 118.0,
            repeat: false,
        })
        .unwrap();
    let (mic, _) = play(&mut cabin, (0..96_000).map(|_| 0.9));
    let recorded_hz = 1_000.0 / (1.0 + 118e-6);
    for n in [13_000u32, 40_000, 80_000] {
        let wanted = 0.5 * (TAU * recorded_hz * (f64::from(n) / RATE - 0.25)).sin();
        near(&format!("sample {n}"), mic[n as usize], wanted, 1e-5);
    }
    assert_eq!(mic[11_000], 0.0);
    cabin.eject_stick();
    near("live again", play(&mut cabin, (0..10).map(|_| 0.25)).0[5], 0.25, 0.0);
}
