//! Where an axis is marked, and what is written there.

use crate::{Scale, Span, number};

/// One mark on an axis.
#[derive(Debug, Clone, PartialEq)]
pub struct Tick {
    /// Where.
    pub value: f64,
    /// What is written there; empty for a line without a number.
    pub label: String,
    /// Whether its line is drawn more strongly.
    pub major: bool,
}

/// The marks of an axis, with at most about `most` numbers written.
///
/// On a logarithmic axis every decade is divided at 2…9; numbers are written at
/// 1, 2 and 5 (20, 50, 100, 200 … 20k), at all nine when there is room, and at
/// round differences when less than an octave is in view. On a linear axis the
/// step is 1, 2 or 5 times a power of ten.
#[must_use]
pub fn ticks(span: &Span, most: usize) -> Vec<Tick> {
    let most = most.max(2);
    match span.scale {
        Scale::Linear => linear(span, most),
        Scale::Logarithmic if span.to / span.from < 2.0 => linear(span, most),
        Scale::Logarithmic => logarithmic(span, most),
    }
}

fn linear(span: &Span, most: usize) -> Vec<Tick> {
    let length = span.to - span.from;
    let step = round_step(length / most as f64);
    let first = (span.from / step - 1e-9).ceil() as i64;
    let last = (span.to / step + 1e-9).floor() as i64;
    (first..=last)
        .map(|index| {
            let value = index as f64 * step;
            Tick { value, label: number(value), major: index == 0 && span.scale == Scale::Linear }
        })
        .collect()
}

/// The next of 1, 2, 5, 10 … at or above the least step.
fn round_step(least: f64) -> f64 {
    let decade = 10f64.powf(least.log10().floor());
    let scaled = least / decade;
    let nice = [1.0, 2.0, 5.0, 10.0].into_iter().find(|&n| n >= scaled - 1e-9).unwrap_or(10.0);
    nice * decade
}

fn logarithmic(span: &Span, most: usize) -> Vec<Tick> {
    let decades = (span.to / span.from).log10();
    let written: &[u32] = if decades * 9.0 <= most as f64 {
        &[1, 2, 3, 4, 5, 6, 7, 8, 9]
    } else if decades * 3.0 <= most as f64 + 1.0 {
        &[1, 2, 5]
    } else {
        &[1]
    };
    let first = span.from.log10().floor() as i32;
    let last = span.to.log10().ceil() as i32;
    let mut ticks = Vec::new();
    for exponent in first..=last {
        for digit in 1..=9u32 {
            let value = f64::from(digit) * 10f64.powi(exponent);
            if value < span.from * (1.0 - 1e-9) || value > span.to * (1.0 + 1e-9) {
                continue;
            }
            let label = if written.contains(&digit) { number(value) } else { String::new() };
            ticks.push(Tick { value, label, major: digit == 1 });
        }
    }
    ticks
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn labels(span: &Span, most: usize) -> Vec<String> {
        ticks(span, most).into_iter().map(|t| t.label).filter(|l| !l.is_empty()).collect()
    }

    fn log(from: f64, to: f64) -> Span {
        Span { scale: Scale::Logarithmic, from, to }
    }

    fn linear_span(from: f64, to: f64) -> Span {
        Span { scale: Scale::Linear, from, to }
    }

    #[test]
    fn the_audible_range_is_written_as_the_trade_writes_it() {
        assert_eq!(
            labels(&log(20.0, 20_000.0), 12),
            ["20", "50", "100", "200", "500", "1k", "2k", "5k", "10k", "20k"]
        );
        let lines: Vec<f64> = ticks(&log(20.0, 20_000.0), 12).iter().map(|t| t.value).collect();
        assert_eq!(lines.len(), 8 + 9 + 9 + 2, "{lines:?}");
        assert_eq!(
            ticks(&log(20.0, 20_000.0), 12).iter().filter(|t| t.major).map(|t| t.value).collect::<Vec<_>>(),
            [100.0, 1000.0, 10_000.0]
        );
    }

    #[test]
    fn zoomed_in_more_numbers_appear() {
        assert_eq!(labels(&log(100.0, 500.0), 12), ["100", "200", "300", "400", "500"]);
        assert_eq!(labels(&log(1000.0, 1400.0), 6), ["1k", "1.1k", "1.2k", "1.3k", "1.4k"]);
    }

    #[test]
    fn narrow_space_keeps_only_the_decades() {
        assert_eq!(labels(&log(20.0, 20_000.0), 4), ["100", "1k", "10k"]);
    }

    #[test]
    fn decibels_step_by_one_two_or_five() {
        assert_eq!(labels(&linear_span(-20.0, 10.0), 7), ["−20", "−15", "−10", "−5", "0", "5", "10"]);
        assert_eq!(labels(&linear_span(-1.0, 1.0), 4), ["−1", "−0.5", "0", "0.5", "1"]);
        assert_eq!(labels(&linear_span(0.3, 9.7), 5), ["2", "4", "6", "8"]);
        assert!(ticks(&linear_span(-20.0, 10.0), 7).iter().any(|t| t.major && t.value == 0.0));
    }

    proptest! {
        #[test]
        fn ticks_ascend_inside_and_are_not_too_many(
            from in -1e4f64..1e4, length in 1e-3f64..1e5, most in 2usize..20,
        ) {
            let span = linear_span(from, from + length);
            let found = ticks(&span, most);
            prop_assert!(found.len() <= most + 1, "{} for {most}", found.len());
            for pair in found.windows(2) {
                prop_assert!(pair[0].value < pair[1].value);
            }
            for tick in &found {
                prop_assert!(tick.value >= span.from - length * 1e-6 && tick.value <= span.to + length * 1e-6);
            }
        }

        #[test]
        fn log_ticks_ascend_inside(from in 1e-2f64..1e4, ratio in 1.05f64..1e5, most in 2usize..20) {
            let span = log(from, from * ratio);
            let found = ticks(&span, most);
            for pair in found.windows(2) {
                prop_assert!(pair[0].value < pair[1].value);
            }
            for tick in &found {
                prop_assert!(tick.value >= span.from * 0.999_999 && tick.value <= span.to * 1.000_001);
            }
        }
    }
}
