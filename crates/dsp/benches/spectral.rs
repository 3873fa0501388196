//! Transforms, deconvolution and smoothing, by size.

use std::hint::black_box;

use criterion::{BenchmarkId, Criterion, criterion_group, criterion_main};
use dsp::deconvolve::Deconvolver;
use dsp::fft::{Complex64, RealFft};
use dsp::response::log_grid;
use dsp::smoothing::smooth_power;
use dsp::sweep::Sweep;

fn transform(criterion: &mut Criterion) {
    let mut group = criterion.benchmark_group("real transform");
    for exponent in [12, 16, 18, 20] {
        let n = 1usize << exponent;
        let mut fft = RealFft::new(n);
        let input: Vec<f64> = (0..n).map(|i| (i as f64 * 0.1).sin()).collect();
        let mut samples = input.clone();
        let mut spectrum = vec![Complex64::default(); fft.bins()];
        group.bench_function(BenchmarkId::from_parameter(n), |bencher| {
            bencher.iter(|| {
                samples.copy_from_slice(&input);
                fft.forward(black_box(&mut samples), &mut spectrum);
            });
        });
    }
    group.finish();
}

fn deconvolution(criterion: &mut Criterion) {
    let sweep = Sweep::new(20.0, 20_000.0, 10.0, 48_000.0, true).samples();
    let mut deconvolver = Deconvolver::new(&sweep, sweep.len() + 48_000, 48_000.0, 20.0, 20_000.0);
    criterion.bench_function("deconvolve a ten-second sweep", |bencher| {
        bencher.iter(|| deconvolver.impulse(black_box(&sweep), 0.0));
    });
}

fn smoothing(criterion: &mut Criterion) {
    let power: Vec<f64> = (0..(1 << 18) + 1).map(|k| 1.0 + f64::from(k % 97)).collect();
    let at = log_grid(20.0, 20_000.0, 96.0);
    criterion.bench_function("smooth 2^18 bins to 957 points", |bencher| {
        bencher.iter(|| smooth_power(black_box(&power), 0.09, 6.0, &at));
    });
}

criterion_group!(benches, transform, deconvolution, smoothing);
criterion_main!(benches);
