//! The parameters that several measurements share.

use measure::{Parameter, Parameters};

/// What every measurement that gives a response takes.
pub(crate) fn response_parameters() -> Vec<Parameter> {
    vec![
        Parameter::integer("smoothing", "", 0, (0, 96), "smooth to 1/N octave; 0 leaves the curve as it is"),
        Parameter::integer("points_per_octave", "", 96, (1, 384), "how finely the curve is drawn"),
        Parameter::number(
            "from",
            "hz",
            0.0,
            (0.0, 96_000.0),
            "where the curve begins; 0 takes what is valid",
        ),
        Parameter::number("to", "hz", 0.0, (0.0, 96_000.0), "where the curve ends; 0 takes what is valid"),
    ]
}

/// Those parameters, read.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct ResponseOptions {
    /// 1/N octave, or nothing.
    pub smoothing: Option<f64>,
    /// The density of the grid.
    pub points_per_octave: f64,
    /// The lower end asked for; 0 when none was.
    pub from_hz: f64,
    /// The upper end asked for; infinite when none was.
    pub to_hz: f64,
}

impl ResponseOptions {
    /// Reads them; what is absent takes its default.
    pub(crate) fn of(parameters: &Parameters) -> Self {
        let number = |name: &str| parameters.number(name).filter(|value| *value > 0.0);
        Self {
            smoothing: number("smoothing"),
            points_per_octave: number("points_per_octave").unwrap_or(96.0),
            from_hz: number("from").unwrap_or(0.0),
            to_hz: number("to").unwrap_or(f64::INFINITY),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn zero_and_absent_mean_the_default() {
        let options = ResponseOptions::of(&Parameters::from_defaults(&response_parameters()));
        assert_eq!(options, ResponseOptions::of(&Parameters::default()));
        assert_eq!(options.smoothing, None);
        assert_eq!((options.points_per_octave, options.from_hz, options.to_hz), (96.0, 0.0, f64::INFINITY));
    }
}
