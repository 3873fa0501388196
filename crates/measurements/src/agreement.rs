//! When, while they sound, two copies of a sweep are not alike.

use std::f64::consts::{FRAC_1_SQRT_2, PI};
use std::ops::Range;

use dsp::fft::{Complex, Complex64, RealFft, fast_len};
use dsp::turn::turn_from;
use dsp::window::Window;

use crate::background::Background;
use crate::copies::Copies;

/// How long a block lasts, at the most, and how many of them a copy has at the least; half of each is in the next, too.
const BLOCK_S: f64 = 0.08;
const FEWEST_BLOCKS: f64 = 12.0;

/// What is heard of a moment of the sweep for so long after it.
const ECHOES_S: f64 = 0.05;

/// Blocks are unlike when their difference has this part of their power: that of a turn by 45°, `1 − cos 45°`.
const UNLIKE: f64 = 1.0 - FRAC_1_SQRT_2;

/// What noise alone makes of a difference is no more than so many times its mean. It has the power of some bins: of two (the
/// fewest) it is more once in 13,000 blocks (Erlang, `(1 + 2x)e^(−2x)`).
const MOST_NOISE: f64 = 6.0;

/// A block tells nothing where it has less than so many times the power of the noise,
const OVER_NOISE: f64 = 20.0;
/// or less than this share of the loudest block's: what is heard there may be what was distorted elsewhere.
const OF_LOUDEST: f64 = 1e-4;

/// The stretch, in seconds from the beginning of a copy, in which the first copy and the last are not alike: by more than noise
/// makes of it, and by more than a turn of 45° does. Nothing where they are, or where it is no sweep.
///
/// Both went through the same car, so that block by block they hold the same at the frequencies that the sweep passes there. It
/// shows the moment to half a block, and reaches to the very ends, where no band is left to lay over another.
///
/// Accuracy: `two_copies_are_alike_but_where_samples_were_lost`.
pub(crate) fn unlike(copies: &Copies<'_>, background: Option<&Background>) -> Option<Range<f64>> {
    let (excitation, rate) = (copies.excitation(), copies.rate_hz);
    let sweep = excitation.sweep(rate)?;
    let duration_s = excitation.duration_s;
    let block_s = BLOCK_S.min(duration_s / FEWEST_BLOCKS);
    let frames = fast_len((block_s * rate) as usize);
    let bin_hz = rate / frames as f64;
    let window = Window::Hann.fill(frames);
    let energy: f64 = window.iter().map(|w| w * w).sum();
    let window: Vec<f32> = window.into_iter().map(|w| w as f32).collect();
    // Single precision is exact to 140 dB, and what is asked is whether they are alike to 5 dB.
    let mut fft = RealFft::<f32>::new(frames);
    let mut time = vec![0.0; frames];
    let mut spectrum = vec![Complex::<f32>::default(); fft.bins()];
    let frequency_hz: Vec<f64> = (0..fft.bins()).map(|k| k as f64 * bin_hz).collect();
    let noise = background.map_or_else(|| vec![0.0; frequency_hz.len()], |noise| noise.at(&frequency_hz));
    let top = fft.bins() - 1;
    let count = (2.0 * duration_s / block_s) as usize;
    let begins_s = |block: usize| 0.5 * block_s * (block as f64 - 1.0);
    let mut blocks = Vec::with_capacity(count + 2);
    for block in 0..=count + 1 {
        let from_s = begins_s(block);
        // A window of Hann's is three bins wide.
        let low_hz = sweep.instantaneous_hz((from_s - ECHOES_S).max(0.0)) - 1.5 * bin_hz;
        let high_hz = sweep.instantaneous_hz((from_s + block_s).min(duration_s)) + 1.5 * bin_hz;
        let bins = (low_hz / bin_hz).ceil().max(1.0) as usize..=((high_hz / bin_hz) as usize).min(top);
        if bins.is_empty() {
            break;
        }
        let mut block_of = |copy: usize| -> (Vec<Complex64>, f64) {
            let at = copies.at_moment(copy, from_s);
            windowed(copies.samples(), at.floor() as i64, &window, &mut time);
            fft.forward(&mut time, &mut spectrum);
            let bins = spectrum[bins.clone()].iter().map(|x| Complex64::new(x.re.into(), x.im.into()));
            (bins.collect(), at.rem_euclid(1.0))
        };
        let (first, fraction) = block_of(0);
        let (mut last, last_fraction) = block_of(copies.count() - 1);
        turn_from(&mut last, *bins.start(), 2.0 * PI * (last_fraction - fraction) / frames as f64);
        let energy_of = |spectrum: &[Complex64]| spectrum.iter().map(Complex64::norm_sqr).sum::<f64>();
        let difference = first.iter().zip(&last).map(|(a, b)| (a - b).norm_sqr()).sum::<f64>();
        let of_noise = 2.0 * energy * noise[bins].iter().sum::<f64>();
        let power = (energy_of(&first) + energy_of(&last) - of_noise).max(0.0);
        blocks.push((power, difference, of_noise));
    }
    let loudest = blocks.iter().map(|(power, ..)| *power).fold(0.0, f64::max);
    let is_unlike = |&(power, difference, of_noise): &(f64, f64, f64)| {
        power > OVER_NOISE * of_noise
            && power > OF_LOUDEST * loudest
            && difference > UNLIKE * power + MOST_NOISE * of_noise
    };
    let first = blocks.iter().position(is_unlike)?;
    let last = blocks.iter().rposition(is_unlike)?;
    Some(begins_s(first).max(0.0)..(begins_s(last) + block_s).min(duration_s))
}

/// The samples from one on under a window, silent beyond the recording's ends.
fn windowed(samples: &[f32], first: i64, window: &[f32], into: &mut [f32]) {
    let inside = usize::try_from(first).ok().and_then(|first| samples.get(first..first + window.len()));
    if let Some(samples) = inside {
        into.iter_mut().zip(samples).zip(window).for_each(|((slot, x), w)| *slot = w * x);
        return;
    }
    for (i, (slot, w)) in into.iter_mut().zip(window).enumerate() {
        let index = usize::try_from(first + i as i64).ok();
        *slot = index.and_then(|index| samples.get(index)).map_or(0.0, |x| w * x);
    }
}

#[cfg(test)]
mod tests {
    use dsp::noise::WhiteNoise;

    use super::*;
    use crate::excitation::Excitation;
    use crate::find::{located, silences};
    use crate::signals::{render, track};

    const RATE: f64 = 44_100.0;

    /// Source: the recordings are made so, 30 dB over white noise: whole, or with some samples lost at a moment of the second copy.
    /// The search finds the part that is longer; the other part is unlike up to that moment, or from it on.
    #[test]
    fn two_copies_are_alike_but_where_samples_were_lost() {
        let mut chance = WhiteNoise::new(21);
        let excitation = Excitation::of(&track("sweep-mid").unwrap()).unwrap();
        let played = render(&track("sweep-mid").unwrap(), RATE);
        for case in 0..12 {
            let noisy = |x: &f32| 0.3 * x + (2e-3 * chance.sample()) as f32;
            let mut samples: Vec<f32> = played.iter().map(noisy).collect();
            let lost_s = excitation.duration_s * (0.1 + 0.88 * chance.uniform());
            let frames = if case < 4 { 0 } else { 60 + (900.0 * chance.uniform()) as usize };
            let at = ((excitation.starts_s[1] + lost_s) * RATE) as usize;
            samples.drain(at..at + frames);
            let positions = located(&samples, RATE, "sweep-mid", &excitation).unwrap();
            let background = Background::of(&silences(&samples, RATE, &excitation, &positions), RATE);
            let copies = Copies::new(&samples, RATE, &excitation, &positions, background.as_ref());
            let found = unlike(&copies, background.as_ref());
            let is_near = |at_s: f64| (at_s - lost_s).abs() < 0.1;
            let is_right = match &found {
                None => frames == 0,
                Some(stretch) => frames > 0 && (is_near(stretch.start) || is_near(stretch.end)),
            };
            assert!(is_right, "case {case}: {frames} samples at {lost_s} s: {found:?}");
        }
    }
}
