//! dsp: under construction.
