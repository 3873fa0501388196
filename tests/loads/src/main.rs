//! The hot kernels and whole analyses at work on made-up sound: `loads WORK RUNS` does one of
//! them so many times, after a first one that plans what is kept, for whoever counts its
//! instructions; `loads --time WORK RUNS` says how many milliseconds of a processor one took,
//! the mean of all runs; `loads --callback FRAMES` says in microseconds what an output callback takes.

#![expect(clippy::print_stdout, clippy::print_stderr, reason = "a program for another program")]

mod callback;
mod kernels;
mod operations;

use std::fs;
use std::hint::black_box;
use std::process::ExitCode;

/// One piece of work, ready to be done again and again.
type Work = Box<dyn FnMut() -> f64>;

/// What makes one ready.
type Make = fn() -> Work;

/// Every piece of work by its name.
const ALL: &[(&str, Make)] = &[
    ("transform", kernels::transform),
    ("smoothing", kernels::smoothing),
    ("third-octaves", kernels::third_octaves),
    ("deconvolution", kernels::deconvolution),
    ("correlation", kernels::correlation),
    ("correlation-single", kernels::correlation_single),
    ("resampling", kernels::resampling),
    ("minimum-phase", kernels::minimum_phase),
    ("sine-fit", kernels::sine_fit),
    ("cascade", kernels::cascade),
    ("sweep-transforms", kernels::sweep_transforms),
    ("sweep", operations::sweep),
    ("sweep-short", operations::sweep_short),
    ("recognition", operations::recognition),
    ("recognition-short", operations::recognition_short),
    ("recogniser", operations::recogniser),
    ("spectrum", operations::spectrum),
    ("level", operations::level),
    ("transfer", operations::transfer),
    ("headroom", operations::headroom),
];

fn main() -> ExitCode {
    // As the program itself does, so that memory which was freed is kept.
    drop(black_box(Vec::<u8>::with_capacity(31 << 20)));
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    if let [first, frames] = arguments.as_slice()
        && first == "--callback"
        && let Ok(frames) = frames.parse::<usize>()
    {
        let [median, late, worst] = callback::microseconds(frames);
        println!("{median:.2} {late:.2} {worst:.2}");
        return ExitCode::SUCCESS;
    }
    let (timed, rest) = match arguments.split_first() {
        Some((first, rest)) if first == "--time" => (true, rest),
        _ => (false, arguments.as_slice()),
    };
    let wanted = rest.first().and_then(|name| ALL.iter().find(|(known, _)| known == name));
    let (Some((_, make)), Some(runs)) = (wanted, rest.get(1).and_then(|runs| runs.parse::<usize>().ok()))
    else {
        let names: Vec<&str> = ALL.iter().map(|(name, _)| *name).collect();
        eprintln!(
            "loads: usage: loads [--time] WORK RUNS or --callback FRAMES; WORK is one of {}",
            names.join(", ")
        );
        return ExitCode::from(2);
    };
    let mut work = make();
    black_box(work());
    let before = processor_s();
    for _ in 0..runs {
        black_box(one_counted_run(&mut work));
    }
    if timed {
        println!("{:.3}", 1e3 * (processor_s() - before) / runs.max(1) as f64);
    }
    ExitCode::SUCCESS
}

/// One run, under a name by which instructions are counted in it alone.
#[inline(never)]
fn one_counted_run(work: &mut Work) -> f64 {
    work()
}

/// The seconds for which processors have worked for this program, in steps of a hundredth: user
/// and system time, fields 14 and 15 of `/proc/self/stat`.
fn processor_s() -> f64 {
    let text = fs::read_to_string("/proc/self/stat").unwrap_or_default();
    let fields = text.rsplit(')').next().unwrap_or_default().split_whitespace();
    fields.skip(11).take(2).filter_map(|field| field.parse::<f64>().ok()).sum::<f64>() * 0.01
}

/// Noise of a flat spectrum between −0.5 and 0.5, always the same.
fn noise(count: usize) -> impl Iterator<Item = f64> {
    let mut state = 1u64;
    (0..count).map(move |_| {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 40) as f64 / f64::from(1 << 24) - 0.5
    })
}

/// The same as recorded.
fn recorded(count: usize) -> Vec<f32> {
    noise(count).map(|x| x as f32).collect()
}
