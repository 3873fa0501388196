//! Answers questions about our own numbers, one JSON document a line each way,
//! for the comparison with numpy and scipy in `tests/reference`.

#![expect(clippy::print_stdout, clippy::print_stderr, reason = "a program for another program")]

mod filters;
mod fits;
mod question;
mod signals;
mod spectra;
mod tones;
mod tunes;

use std::io::{self, BufRead};
use std::process::ExitCode;

use question::Question;
use serde_json::Value;

fn main() -> ExitCode {
    for line in io::stdin().lock().lines() {
        let answer = line
            .map_err(|error| error.to_string())
            .and_then(|line| Question::parse(&line))
            .and_then(|question| answer(&question));
        match answer {
            Ok(answer) => println!("{answer}"),
            Err(message) => {
                eprintln!("answers: {message}");
                return ExitCode::from(2);
            }
        }
    }
    ExitCode::SUCCESS
}

fn answer(question: &Question) -> Result<Value, String> {
    match question.kind()? {
        "section" => filters::section(question),
        "crossover" => filters::crossover(question),
        "fit" => fits::bands(question),
        "sweep" => signals::sweep(question),
        "response" => signals::response(question),
        "resampled" => signals::resampled(question),
        "read-between" => signals::read_between(question),
        "correlation" => signals::correlation(question),
        "transform" => spectra::transform(question),
        "window" => spectra::window(question),
        "smoothing" => spectra::smoothing(question),
        "octave-bands" => spectra::octave_bands(question),
        "fft-bands" => spectra::fft_bands(question),
        "bank" => spectra::bank(question),
        "weighting" => spectra::weighting(question),
        "detector" => spectra::detector(question),
        "sine-fit" => tones::sine_fit(question),
        "harmonics" => tones::harmonics(question),
        "phase-of-magnitude" => spectra::phase_of_magnitude(question),
        "tune" => tunes::channels(question),
        other => Err(format!("there is no question `{other}`")),
    }
}
