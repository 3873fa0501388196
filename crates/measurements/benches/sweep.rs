//! How long a sweep takes to analyse, alone and in a ten-minute recording.

use std::hint::black_box;
use std::time::Duration;

use criterion::{Criterion, criterion_group, criterion_main};
use measure::{Block, Reading, Start};
use measurements::built_ins;
use measurements::signals::{render, track};

fn read(samples: &[f32]) -> Reading {
    let sweep = built_ins().into_iter().find(|measurement| measurement.manifest().id == "sweep");
    let Some(mut measurement) = sweep else { return Reading::default() };
    let start =
        Start { sample_rate_hz: 48_000.0, channels: 1, stimulus: track("sweep-full"), ..Start::default() };
    if measurement.start(&start).is_err() {
        return Reading::default();
    }
    measurement.feed(&Block { first_frame: 0, channels: &[samples], gap: false });
    measurement.finish()
}

fn sweep(criterion: &mut Criterion) {
    let Some(stimulus) = track("sweep-full") else { return };
    let played = render(&stimulus, 48_000.0);
    let mut long = vec![0.0f32; 600 * 48_000];
    let at = 400 * 48_000;
    long[at..at + played.len()].copy_from_slice(&played);
    let mut group = criterion.benchmark_group("sweep");
    group.sample_size(10).measurement_time(Duration::from_secs(10));
    group.bench_function("one track", |bencher| bencher.iter(|| read(black_box(&played))));
    group.bench_function("ten minutes", |bencher| bencher.iter(|| read(black_box(&long))));
    group.finish();
}

criterion_group!(benches, sweep);
criterion_main!(benches);
