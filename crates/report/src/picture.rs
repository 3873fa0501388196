//! Before, after and target in one chart.

use std::sync::Arc;

use chart::{Area, Axis, Chart, Dash, Line, Point, Role, Scale};
use job::{Capture, CaptureMeta, Job, JobData, PresetOrInline, Set};
use tuning::{Response, Target, average};

/// The smoothing of what is shown, in parts of an octave.
const SMOOTHING: u32 = 6;

/// Where levels are laid over each other when the job does not say in which
/// range it compared: the midrange, which every full-range system plays.
const LEVEL_RANGE_HZ: (f64, f64) = (100.0, 5_000.0);

/// The chart of a job's before and after sets; `None` when neither has a
/// response. What could not be read is told.
pub(crate) fn before_and_after(job: &Job, remarks: &mut Vec<String>) -> Option<Chart> {
    let before = set_average(job, &Set::Before, remarks);
    let after = set_average(job, &Set::After, remarks);
    if before.is_none() && after.is_none() {
        return None;
    }
    let target = target(job.data(), remarks);
    Some(draw(before.as_ref(), after.as_ref(), target.as_ref(), level_range(job.data())))
}

fn level_range(data: &JobData) -> (f64, f64) {
    data.outcome.as_ref().map_or(LEVEL_RANGE_HZ, |outcome| (outcome.from_hz, outcome.to_hz))
}

/// Whether two captures were made of the same, so that the newer one counts. Of those without a place all count.
pub(crate) fn is_same_place(one: &CaptureMeta, other: &CaptureMeta) -> bool {
    let of =
        |meta: &CaptureMeta| (meta.position.clone(), meta.processor_channel.clone(), meta.driver.clone());
    !one.position.is_empty() && of(one) == of(other)
}

/// The power average of the responses of one set; of several at one place the newest counts.
fn set_average(job: &Job, set: &Set, remarks: &mut Vec<String>) -> Option<Response> {
    let mut found: Vec<(&CaptureMeta, Response)> = Vec::new();
    for capture in job.in_set(set).filter(|capture| capture.meta.is_together()) {
        match response(job, capture) {
            Ok(Some(response)) => {
                found.retain(|(earlier, _)| !is_same_place(earlier, &capture.meta));
                found.push((&capture.meta, response));
            }
            Ok(None) => {}
            Err(problem) => remarks.push(problem),
        }
    }
    let responses: Vec<Response> = found.into_iter().map(|(_, response)| response).collect();
    if responses.is_empty() {
        return None;
    }
    match average(&responses) {
        Ok(average) => Some(average.smoothed(SMOOTHING)),
        Err(error) => {
            remarks.push(format!("The set `{}` is not shown: {error}.", set.word()));
            None
        }
    }
}

/// The response in a capture's reading: of a sweep or a transfer function, or
/// else the band levels of a spectrum.
fn response(job: &Job, capture: &Capture) -> Result<Option<Response>, String> {
    let Some(reading) = job.reading(capture.id).map_err(|error| error.to_string())? else {
        return Ok(None);
    };
    let column = |curve: &str, column: &str| Some(reading.curves.get(curve)?.get(column)?.clone());
    let columns = column("response", "frequency_hz")
        .zip(column("response", "magnitude_db"))
        .or_else(|| column("bands", "frequency_hz").zip(column("bands", "level_db")));
    let Some((frequency_hz, magnitude_db)) = columns else { return Ok(None) };
    Response::new(frequency_hz, magnitude_db)
        .map(Some)
        .map_err(|error| format!("Capture {} is not shown: {error}.", capture.id))
}

/// The job's target; what cannot be read is told.
pub(crate) fn target(data: &JobData, remarks: &mut Vec<String>) -> Option<Target> {
    let target = match data.target.as_ref()? {
        PresetOrInline::Preset(name) => Target::preset(name),
        PresetOrInline::Inline(text) => Target::parse(text, "the job's target"),
    };
    target.map_err(|error| remarks.push(format!("The target is not shown: {error}"))).ok()
}

/// Lays the curves over each other: the level of a tuning is free, so each is
/// moved until it lies around the target (or around 0 dB).
fn draw(
    before: Option<&Response>,
    after: Option<&Response>,
    target: Option<&Target>,
    range: (f64, f64),
) -> Chart {
    let goal = |hz: f64| target.map_or(0.0, |target| target.db_at(hz));
    let mut lines = Vec::new();
    let mut areas = Vec::new();
    if let Some(target) = target {
        let curve = target.response(20.0, 20_000.0, 12.0);
        let edge = |aside: f64| points(&curve.raised(aside));
        areas.push(Area {
            label: "Target".to_owned(),
            role: Role::Target,
            lower: edge(-target.tolerance_db),
            upper: edge(target.tolerance_db),
        });
        lines.push(line("Target", Role::Target, Dash::Dashed, &curve));
    }
    for (name, role, dash, response) in
        [("Before", Role::Before, Dash::DashDot, before), ("After", Role::After, Dash::Solid, after)]
    {
        if let Some(response) = response {
            let level = mean_distance(response, &goal, range);
            lines.push(line(name, role, dash, &response.raised(-level)));
        }
    }
    let (from, to) = limits(&lines);
    Chart {
        title: "Before and after".to_owned(),
        x: Axis::audio_frequency(),
        y: Axis { label: "Level".to_owned(), unit: "dB".to_owned(), scale: Scale::Linear, from, to },
        areas,
        lines,
        handles: Vec::new(),
        marks: Vec::new(),
    }
}

/// The mean of response minus goal over the logarithm of frequency, within the
/// range (or, where the response does not reach it, over all of the response).
fn mean_distance(response: &Response, goal: &dyn Fn(f64) -> f64, range: (f64, f64)) -> f64 {
    let mean = |from: f64, to: f64| {
        let hz = &response.frequency_hz;
        let (mut sum, mut width) = (0.0, 0.0);
        for i in 1..hz.len() {
            let middle = (hz[i - 1] * hz[i]).sqrt();
            if (from..=to).contains(&middle) {
                let octaves = (hz[i] / hz[i - 1]).log2();
                let level = (response.magnitude_db[i - 1] + response.magnitude_db[i]) / 2.0;
                sum += octaves * (level - goal(middle));
                width += octaves;
            }
        }
        (width > 0.0).then(|| sum / width)
    };
    mean(range.0, range.1).or_else(|| mean(0.0, f64::INFINITY)).unwrap_or(0.0)
}

/// A vertical range in whole fives that holds the lines between 20 Hz and
/// 20 kHz, but no more than 60 dB of them: the rest is noise.
fn limits(lines: &[Line]) -> (f64, f64) {
    let heard = |point: &&Point| (20.0..=20_000.0).contains(&point.x);
    let values = || lines.iter().flat_map(|line| line.points.iter().filter(heard).map(|point| point.y));
    let top = (values().fold(5.0, f64::max) / 5.0).ceil() * 5.0;
    let bottom = (values().fold(-5.0, f64::min) / 5.0).floor() * 5.0;
    (bottom.max(top - 60.0), top)
}

fn line(label: &str, role: Role, dash: Dash, response: &Response) -> Line {
    Line { label: label.to_owned(), role, dash, points: points(response), certainty: Arc::from([]) }
}

fn points(response: &Response) -> Arc<[Point]> {
    response.frequency_hz.iter().zip(&response.magnitude_db).map(|(&x, &y)| Point { x, y }).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use testkit::near;

    fn grid() -> Vec<f64> {
        (0..=120).map(|i| 20.0 * 2f64.powf(f64::from(i) / 12.0)).collect()
    }

    #[test]
    fn curves_of_any_level_lie_around_the_target() {
        let target = Target { tilt_db_per_octave: -1.0, ..Target::flat() };
        let shape = |level: f64| {
            let magnitude = grid().iter().map(|&hz| level + target.db_at(hz)).collect();
            Response::new(grid(), magnitude).unwrap()
        };
        let chart = draw(Some(&shape(-37.0)), Some(&shape(80.0)), Some(&target), (50.0, 10_000.0));
        let [wanted, before, after] = &chart.lines[..] else { panic!("three lines") };
        assert_eq!([&wanted.label, &before.label, &after.label], ["Target", "Before", "After"]);
        for line in [before, after] {
            for point in line.points.iter() {
                // The mean is taken with the trapezoidal rule, which is exact
                // for a tilt apart from rounding.
                near(&line.label, point.y, target.db_at(point.x), 1e-9);
            }
        }
        assert!(chart.y.from <= target.db_at(20_000.0) && chart.y.to >= target.db_at(20.0));
    }

    #[test]
    fn a_dip_without_bottom_does_not_flatten_the_chart() {
        let magnitude = grid().iter().map(|&hz| if hz < 25.0 { -200.0 } else { 0.0 }).collect();
        let chart = draw(Some(&Response::new(grid(), magnitude).unwrap()), None, None, LEVEL_RANGE_HZ);
        near("height", chart.y.to - chart.y.from, 60.0, 0.0);
    }
}
