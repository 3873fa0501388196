//! What a plugin costs: per block, per compilation, and a transform of its own
//! against the host's and against native code.

use std::path::{Path, PathBuf};
use std::process::Command;

use criterion::{Criterion, criterion_group, criterion_main};
use measure::{Block, Measurement, ParameterValue, Start};
use realfft::RealFftPlanner;
use sandbox::{Plugin, Sandbox};

fn guest() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../guest")
}

fn begun(plugin: &Plugin, settings: &[(&str, f64)]) -> Box<dyn Measurement> {
    let mut start = Start { sample_rate_hz: 48_000.0, channels: 1, ..Start::default() };
    start.parameters = plugin.manifest().defaults();
    for (name, value) in settings {
        start.parameters.set(name, ParameterValue::Number(*value));
    }
    let mut measurement = plugin.measurement();
    measurement.start(&start).unwrap();
    measurement
}

/// The bar: a block of 1,024 samples goes in and is measured in less than 20 µs.
fn blocks(criterion: &mut Criterion) {
    let sandbox = Sandbox::new().unwrap();
    let samples: Vec<f32> = (0..1_024).map(|i| (i as f32 * 0.1).sin()).collect();
    let block = Block { first_frame: 0, channels: &[&samples], gap: false };
    let mut group = criterion.benchmark_group("block of 1,024");
    for name in ["loudness", "whine", "match"] {
        let bytes = std::fs::read(guest().join(format!("plugins/{name}.wasm"))).unwrap();
        group.bench_function(format!("{name}, compiled"), |bencher| {
            bencher.iter(|| Sandbox::new().unwrap().load(&bytes, name).unwrap());
        });
        let plugin = sandbox.load(&bytes, name).unwrap();
        if plugin.manifest().channels == 1 {
            let mut measurement = begun(&plugin, &[]);
            group.bench_function(name, |bencher| bencher.iter(|| measurement.feed(&block)));
        }
    }
    group.bench_function("loudness, native", |bencher| {
        bencher.iter(|| {
            std::hint::black_box(&samples).iter().fold((0.0_f64, 0.0_f64), |(sum, peak), &x| {
                let x = f64::from(x);
                (sum + x * x, peak.max(x.abs()))
            })
        });
    });
}

/// A real transform of 16,384 samples.
fn transforms(criterion: &mut Criterion) {
    let mut group = criterion.benchmark_group("transform of 16,384");
    let forward = RealFftPlanner::<f64>::new().plan_fft_forward(16_384);
    let (mut input, mut spectrum) = (forward.make_input_vec(), forward.make_output_vec());
    let mut scratch = forward.make_scratch_vec();
    group.bench_function("native", |bencher| {
        bencher.iter(|| forward.process_with_scratch(&mut input, &mut spectrum, &mut scratch).unwrap());
    });
    let file = std::env::temp_dir().join(format!("headrest-bench-{}.wasm", std::process::id()));
    let built = Command::new("clang")
        .args(["--target=wasm32", "-O3", "-nostdlib", "-Wl,--no-entry"])
        .arg(format!("-I{}", guest().join("include").display()))
        .arg("-o")
        .args([&file, &Path::new(env!("CARGO_MANIFEST_DIR")).join("benches/fft.c")])
        .status()
        .is_ok_and(|status| status.success());
    // Without clang there is nothing to compare with.
    let Some(bytes) = built.then(|| std::fs::read(&file).unwrap()) else { return };
    std::fs::remove_file(&file).unwrap();
    let plugin = Sandbox::new().unwrap().load(&bytes, "bench.fft").unwrap();
    let samples = [0.5_f32; 1_024];
    let block = Block { first_frame: 0, channels: &[&samples], gap: false };
    let answers: Vec<_> = [("the plugin's own", 0.0), ("the host's, called by the plugin", 1.0)]
        .into_iter()
        .map(|(name, by_host)| {
            let mut measurement = begun(&plugin, &[("by_host", by_host)]);
            group.bench_function(name, |bencher| bencher.iter(|| measurement.feed(&block)));
            measurement.reading()
        })
        .collect();
    for name in ["bin_26", "bin_26_imaginary", "bin_0", "bin_8191"] {
        let (own, host) = (answers[0].values[name], answers[1].values[name]);
        assert!((own - host).abs() < 1e-6, "{name}: {own} and {host}");
    }
}

criterion_group!(benches, blocks, transforms);
criterion_main!(benches);
