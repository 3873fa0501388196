//! How long a cascade of biquads takes for one second at 48 kHz, by its length.

use std::hint::black_box;

use criterion::{BenchmarkId, Criterion};
use dsp::biquad::{Biquad, Cascade};

fn main() {
    let mut criterion = Criterion::default().configure_from_args();
    let mut group = criterion.benchmark_group("biquad cascade, 1 s at 48 kHz");
    for sections in [1usize, 4, 10, 31] {
        let mut cascade: Cascade = (1..=sections)
            .map(|n| Biquad::peak(48_000.0, 500.0 * n as f64, 3.0, 2.0).expect("a valid design"))
            .collect();
        let mut block: Vec<f64> = (0..48_000).map(|n| f64::from(n % 97) / 97.0 - 0.5).collect();
        group.bench_function(BenchmarkId::from_parameter(sections), |bencher| {
            bencher.iter(|| {
                cascade.process_in_place(black_box(&mut block));
                // The gains would let the signal grow from round to round.
                block.iter_mut().enumerate().for_each(|(n, x)| *x = (n % 97) as f64 / 97.0 - 0.5);
            });
        });
    }
    group.finish();
    criterion.final_summary();
}
