//! How much faster than real time a whole car runs, at 48 kHz.

use cabin::{Band, BandKind, Cabin, Car, Stick};
use criterion::{Criterion, Throughput, criterion_group, criterion_main};

fn one_second(criterion: &mut Criterion) {
    let input: Vec<f32> = (0..96_000).map(|n| (n as f32 * 0.01).sin() * 0.2).collect();
    let mut output = vec![0.0; input.len()];
    let mut group = criterion.benchmark_group("one second of sound");
    group.throughput(Throughput::Elements(48_000)).sample_size(20);
    for name in ["compact-hatch", "saloon-adapter", "box-van", "straight-wire"] {
        let car = Car::preset(name).unwrap();
        let mut cabin = Cabin::new(&car, 48_000.0).unwrap();
        group.bench_function(name, |b| b.iter(|| cabin.process(&input, &mut output)));
    }
    let car = Car::preset("compact-hatch").unwrap();
    let mut setup = car.setup();
    setup.engine_rpm = 2_000.0;
    for channel in setup.processor.values_mut() {
        channel.bands = (0..10u32)
            .map(|n| Band {
                kind: BandKind::Peak,
                frequency_hz: 50.0 * 1.8f64.powi(n as i32),
                gain_db: -3.0,
                q: 2.0,
            })
            .collect();
    }
    let mut cabin = Cabin::new(&car, 48_000.0).unwrap();
    cabin.apply(&setup).unwrap();
    group.bench_function("compact-hatch, ten bands a channel, engine on", |b| {
        b.iter(|| cabin.process(&input, &mut output));
    });
    let stick = Stick {
        sample_rate_hz: 44_100.0,
        samples: input.clone(),
        start_s: 0.0,
        clock_ppm: 40.0,
        repeat: true,
    };
    cabin.insert_stick(stick).unwrap();
    group.bench_function("the same, from a memory stick", |b| b.iter(|| cabin.process(&input, &mut output)));
    group.finish();
}

criterion_group!(benches, one_second);
criterion_main!(benches);
