//! How long a sine fit and a tone's whole analysis take, by the length of the tone.

use std::f64::consts::PI;
use std::hint::black_box;

use criterion::{BenchmarkId, Criterion};
use dsp::harmonics::HarmonicAnalyzer;
use dsp::sine_fit::four_parameter;
use dsp::window::Window;

fn main() {
    let mut criterion = Criterion::default().configure_from_args();
    let mut group = criterion.benchmark_group("a tone of 1 kHz at 48 kHz");
    for samples in [14_400u32, 48_000] {
        let tone: Vec<f32> =
            (0..samples).map(|n| (0.5 * (2.0 * PI * f64::from(n) / 48.01).sin()) as f32).collect();
        group.bench_function(BenchmarkId::new("four-parameter fit", samples), |bencher| {
            bencher.iter(|| four_parameter(black_box(&tone), 48_000.0, 1_000.0, Window::Hann));
        });
        let mut analyzer = HarmonicAnalyzer::new();
        group.bench_function(BenchmarkId::new("harmonics", samples), |bencher| {
            bencher.iter(|| analyzer.analyze(black_box(&tone), 48_000.0, 1_000.0));
        });
    }
    group.finish();
    criterion.final_summary();
}
