//! How long the running analyzer of narrow bands takes for one second of sound.

use std::hint::black_box;

use criterion::{BenchmarkId, Criterion};
use dsp::fft_bands::FftBands;

fn main() {
    let mut criterion = Criterion::default().configure_from_args();
    let mut group = criterion.benchmark_group("FFT bands, 1 s at 48 kHz");
    let sound: Vec<f32> = (0..48_000u32).map(|n| (n * 7_919 % 1_000) as f32 / 1_000.0 - 0.5).collect();
    for fraction in [6, 24, 48] {
        let mut analyzer = FftBands::new(fraction, 48_000.0, 20.0, 20_000.0);
        group.bench_function(BenchmarkId::from_parameter(format!("1/{fraction}")), |bencher| {
            bencher.iter(|| {
                let mut sum = 0.0;
                for block in sound.chunks(1_024) {
                    analyzer.feed(black_box(block), |_, powers, _| sum += powers.iter().sum::<f64>());
                }
                sum
            });
        });
    }
    group.finish();
    criterion.final_summary();
}
