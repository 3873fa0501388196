//! What an output callback takes while the machine works on something else.

use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Instant;

use dsp::biquad::Biquad;
use preview::{Chain, ChannelSettings, Preview};

use crate::noise;

const RATE: f64 = 48_000.0;
const CHANNELS: usize = 8;
/// How much is played in all.
const PLAYED_S: f64 = 60.0;

/// The median, what one in a thousand takes longer than, and the worst, in microseconds: a virtual processor of eight
/// channels, each with ten bands, a crossover of four sections and a delay, while a thread for each core is busy.
pub(crate) fn microseconds(frames: usize) -> [f64; 3] {
    let section = |n: usize| Biquad::peak(RATE, 400.0 * n as f64, -1.0, 2.0);
    let settings: Vec<ChannelSettings> = (0..CHANNELS)
        .map(|channel| ChannelSettings {
            filters: (1..=14).flat_map(section).collect(),
            delay_s: 1e-3 * channel as f64,
            ..ChannelSettings::default()
        })
        .collect();
    let chain = Chain::prepare(RATE, &settings, true).unwrap_or_else(|error| panic!("{error}"));
    let mut preview = Preview::new(chain);
    let mut block: Vec<f32> = noise(frames * CHANNELS).map(|x| x as f32).collect();
    let count = (PLAYED_S * RATE) as usize / frames.max(1);
    let done = AtomicBool::new(false);
    let mut taken: Vec<f64> = std::thread::scope(|scope| {
        for _ in 0..std::thread::available_parallelism().map_or(1, std::num::NonZero::get) {
            let busy = std::thread::Builder::new().name("busy".to_owned());
            let _ = busy.spawn_scoped(scope, || {
                let mut values: Vec<f64> = noise(1 << 18).collect();
                while !done.load(Ordering::Relaxed) {
                    values.iter_mut().for_each(|x| *x = *x * 0.999 + 1e-3);
                    std::hint::black_box(&values);
                }
            });
        }
        let taken = (0..count)
            .map(|_| {
                let begun = Instant::now();
                preview.process(&mut block);
                1e6 * begun.elapsed().as_secs_f64()
            })
            .collect();
        done.store(true, Ordering::Relaxed);
        taken
    });
    taken.sort_by(f64::total_cmp);
    let at = |share: f64| taken[((taken.len() - 1) as f64 * share) as usize];
    [at(0.5), at(0.999), at(1.0)]
}
