//! How long a fit takes: a wavy car response at six positions, on each profile.

use criterion::{Criterion, criterion_group, criterion_main};
use tuning::{FitInput, FitOptions, Profile, Response, Target, fit};

/// Six head positions in an invented cabin: fixed resonances, reflections that move
/// with the position, and a fine ripple; the same at every run.
fn positions() -> Vec<Response> {
    let frequency_hz: Vec<f64> = (0..=957).map(|i| 20.0 * (f64::from(i) / 96.0).exp2()).collect();
    (0..6)
        .map(|position| {
            let path_s = 0.0016 + 0.000_08 * f64::from(position);
            let magnitude_db = frequency_hz
                .iter()
                .map(|&f| {
                    let w = std::f64::consts::TAU * f;
                    let echo = 10.0 * (1.0 + 0.3 + 2.0 * 0.3f64.sqrt() * (w * path_s).cos()).log10();
                    let room = 5.0 * (2.1 * f.ln()).sin() + 3.0 * (5.3 * f.ln()).cos();
                    room + echo + 0.8 * (0.37 * f + f64::from(position)).sin()
                })
                .collect();
            Response::new(frequency_hz.clone(), magnitude_db).expect("a sound response")
        })
        .collect()
}

fn fits(criterion: &mut Criterion) {
    let responses = positions();
    let target = Target::preset("car-medium").expect("a preset");
    let options = FitOptions::default();
    let mut group = criterion.benchmark_group("fit");
    group.sample_size(10);
    for preset in Profile::presets() {
        let profile = Profile::preset(preset.name).expect("a preset");
        let input = FitInput { responses: &responses, target: &target, profile: &profile, options: &options };
        group.bench_function(preset.name, |bencher| bencher.iter(|| fit(&input).expect("a fit")));
    }
    group.finish();
}

criterion_group!(benches, fits);
criterion_main!(benches);
