//! Pure numerics: signals, transforms, filters, bands, levels and distortion.
//!
//! Nothing here knows a device, a file or a clock: the same input gives the same
//! output, to the bit. Each module holds one kind of kernel, with the formula,
//! its source, its valid range and the test that proves its accuracy.

pub mod bank;
pub mod between;
pub mod biquad;
pub mod compress;
pub mod correlate;
pub mod crossover;
pub mod decimate;
pub mod deconvolve;
pub mod detector;
pub mod equalizer;
pub mod exposure;
mod fast;
pub mod fft;
pub mod fft_bands;
pub mod harmonics;
pub mod impulse;
pub mod lanes;
pub mod minimum_phase;
pub mod noise;
pub mod octave;
pub mod octave_bank;
pub mod resample;
pub mod response;
pub mod sine_fit;
pub mod smoothing;
pub mod statistics;
pub mod sweep;
pub mod turn;
pub mod weighting;
mod wide;
pub mod window;
