//! How long the third-octave and octave banks take for one second of sound.

use std::hint::black_box;

use criterion::{BenchmarkId, Criterion};
use dsp::octave_bank::OctaveBank;

fn main() {
    let mut criterion = Criterion::default().configure_from_args();
    let mut group = criterion.benchmark_group("octave bank, 1 s");
    for (fraction, sample_rate_hz) in [(3, 44_100.0), (3, 48_000.0), (3, 192_000.0), (1, 48_000.0)] {
        let mut bank = OctaveBank::new(fraction, sample_rate_hz, 20.0, 20_000.0).expect("a valid bank");
        let mut energy = vec![0.0; bank.bands().len()];
        let sound: Vec<f32> =
            (0..sample_rate_hz as u32).map(|n| (n * 7_919 % 1_000) as f32 / 1_000.0 - 0.5).collect();
        let name = format!("1/{fraction} at {sample_rate_hz} Hz");
        group.bench_function(BenchmarkId::from_parameter(name), |bencher| {
            bencher.iter(|| sound.chunks(1_024).for_each(|block| bank.feed(black_box(block), &mut energy)));
        });
    }
    group.finish();
    criterion.final_summary();
}
