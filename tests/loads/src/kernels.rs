//! The kernels of `dsp`.

use dsp::biquad::{Biquad, Cascade};
use dsp::correlate::cross_correlate;
use dsp::deconvolve::Deconvolver;
use dsp::fft::{Complex32, Complex64, InverseFft, RealFft};
use dsp::octave_bank::OctaveBank;
use dsp::resample::change_rate;
use dsp::smoothing::smooth_power;
use dsp::window::Window;

use crate::{Work, noise, recorded};

const RATE: usize = 48_000;

pub(crate) fn transform() -> Work {
    let signal: Vec<f64> = noise(1 << 18).collect();
    let mut fft = RealFft::new(signal.len());
    let mut spectrum = vec![Complex64::default(); fft.bins()];
    let mut scratch = signal.clone();
    fft.forward(&mut scratch, &mut spectrum);
    Box::new(move || {
        scratch.copy_from_slice(&signal);
        fft.forward(&mut scratch, &mut spectrum);
        spectrum[1].re
    })
}

/// What the analysis of a sweep track of 28 s cannot do without: each of two stretches and what was played there and
/// back for the clock, both copies, the band, the polarity and the harmonics; the search at half the rate in single
/// precision; the noise in 254 windows.
pub(crate) fn sweep_transforms() -> Work {
    let mut stretch: Vec<f64> = noise(552_960).collect();
    let mut whole = recorded(983_040);
    let mut window: Vec<f64> = noise(8_192).collect();
    let (mut long, mut short) = (RealFft::new(stretch.len()), RealFft::new(window.len()));
    let mut single = RealFft::<f32>::new(whole.len());
    let mut inverse = InverseFft::<f32>::new(whole.len() / 2);
    let (mut bins, mut few) =
        (vec![Complex64::default(); long.bins()], vec![Complex64::default(); short.bins()]);
    let mut singles = vec![Complex32::default(); single.bins()];
    Box::new(move || {
        (0..4).for_each(|_| long.forward(&mut stretch, &mut bins));
        (0..8).for_each(|_| {
            bins.fill(Complex64::ONE);
            long.inverse(&mut bins, &mut stretch);
        });
        single.forward(&mut whole, &mut singles);
        inverse.process(&mut singles[..whole.len() / 2]);
        (0..254).for_each(|_| {
            window.fill(0.5);
            short.forward(&mut window, &mut few);
        });
        whole.fill(0.5);
        stretch[0] + f64::from(singles[0].re) + few[0].re
    })
}

pub(crate) fn smoothing() -> Work {
    let power: Vec<f64> = noise((1 << 17) + 1).map(|x| x * x).collect();
    let at: Vec<f64> = (0..960).map(|i| 20.0 * (f64::from(i) / 96.0).exp2()).collect();
    let bin_hz = 24_000.0 / f64::from(1 << 17);
    let _ = smooth_power(&power, bin_hz, 24.0, &at);
    Box::new(move || smooth_power(&power, bin_hz, 24.0, &at)[0])
}

pub(crate) fn third_octaves() -> Work {
    let signal = recorded(10 * RATE);
    let mut bank = OctaveBank::new(3, 48_000.0, 20.0, 20_000.0).unwrap_or_else(|error| panic!("{error}"));
    let mut energy = vec![0.0; bank.bands().len()];
    Box::new(move || {
        signal.chunks(1_024).for_each(|block| bank.feed(block, &mut energy));
        energy[0]
    })
}

pub(crate) fn deconvolution() -> Work {
    let signal: Vec<f64> = noise(20 * RATE).collect();
    Box::new(move || {
        // Half of it stands for the recording's tail.
        let played = &signal[..signal.len() / 2];
        let mut deconvolver = Deconvolver::new(played, signal.len(), 48_000.0, 20.0, 20_000.0);
        deconvolver.impulse(&signal, 0.0).samples()[0]
    })
}

pub(crate) fn correlation() -> Work {
    let signal: Vec<f64> = noise(10 * RATE).collect();
    Box::new(move || cross_correlate(&signal, &signal[..signal.len() / 8])[0])
}

pub(crate) fn correlation_single() -> Work {
    let signal = recorded(10 * RATE);
    Box::new(move || f64::from(cross_correlate(&signal, &signal[..signal.len() / 8])[0]))
}

pub(crate) fn resampling() -> Work {
    let signal = recorded(441_000);
    Box::new(move || f64::from(change_rate(&signal, 44_100.0, 48_000.0)[0]))
}

pub(crate) fn minimum_phase() -> Work {
    let magnitude: Vec<f64> = noise((1 << 17) + 1).map(|x| 1.0 + x.abs()).collect();
    Box::new(move || dsp::minimum_phase::minimum_phase(&magnitude)[0].re)
}

pub(crate) fn sine_fit() -> Work {
    let tone: Vec<f32> = (0..RATE).map(|n| (0.5 * (0.130_7 * n as f64).sin()) as f32).collect();
    let hz = 0.130_7 * 48_000.0 / std::f64::consts::TAU;
    Box::new(move || {
        let fit = dsp::sine_fit::four_parameter(&tone, 48_000.0, hz, Window::Hann);
        fit.map_or(0.0, |fit| fit.frequency_hz)
    })
}

pub(crate) fn cascade() -> Work {
    let mut block: Vec<f64> = noise(RATE).collect();
    let section = |n: usize| Biquad::peak(48_000.0, 500.0 * n as f64, -1.0, 2.0);
    let mut cascade: Cascade = (1..=10).flat_map(section).collect();
    Box::new(move || {
        cascade.process_in_place(&mut block);
        block[0]
    })
}
