//! The faces of the chart.

use std::sync::Arc;

use chart::{Area, Axis, Chart, Dash, Line, Mark, Point, Role, Scale};
use dsp::response::log_grid;
use project::derive::impulse_of;
use tuning::Response;
use view::{ChartFace, SetMark, Stage};

use super::captures::CaptureView;
use super::derivation::Derivation;
use super::picture::{line, points};
use super::state::State;

/// Half of what the chart shows above and below the target, in dB.
pub(super) const HALF_RANGE_DB: f64 = 25.0;
/// How much a chart of several drivers or of a source shows below its top.
const RANGE_DB: f64 = 60.0;
/// When it is looked at what is left, in ms.
const LATER_MS: [f64; 6] = [0.0, 5.0, 10.0, 20.0, 40.0, 60.0];

impl State {
    /// The picked capture if it is of the open stage and of this kind, else the
    /// newest that is.
    pub(super) fn chosen_of(&self, kind: impl Fn(&CaptureView) -> bool) -> Option<&CaptureView> {
        let picked = self.face.picked.and_then(|id| self.captures.get(id));
        picked.filter(|held| held.stage == self.face.stage && kind(held)).or_else(|| {
            self.captures.of(self.face.stage).rev().find(|held| self.is_shown(held) && kind(held))
        })
    }
}

impl State {
    /// Whether responses are shown against the target.
    pub(super) fn is_tuning(&self) -> bool {
        !matches!(self.face.stage, Stage::Source | Stage::Gain | Stage::Drivers | Stage::Timing)
    }
}

impl Derivation {
    /// The faces that can be shown now.
    pub(super) fn faces(&self) -> Vec<ChartFace> {
        // Noise, rattles and volts have one picture only.
        let of_sweeps = self.face.stage != Stage::Source || self.is_of_sweeps();
        let shown = || self.captures.of(self.face.stage).filter(move |held| self.is_shown(held) && of_sweeps);
        let has = |curve: &str| shown().any(|held| held.reading.curves.contains_key(curve));
        let mut faces = match self.face.stage {
            // Volts at the amplifier are no curve over frequency.
            Stage::Gain => return self.picture_face().into_iter().collect(),
            Stage::Source => self.source_faces().to_vec(),
            _ => vec![ChartFace::Response],
        };
        if self.average(SetMark::Before).is_some() && self.average(SetMark::After).is_some() {
            faces.push(ChartFace::Difference);
        }
        if shown().any(|held| held.response.as_ref().is_some_and(|response| response.phase_deg.is_some())) {
            faces.push(ChartFace::Phase);
        }
        if self.face.stage == Stage::Timing && self.arrivals_compare() && self.arrivals().next().is_some() {
            faces.push(ChartFace::Arrivals);
        }
        if has("impulse") {
            faces.extend([ChartFace::GroupDelay, ChartFace::Impulse, ChartFace::Decay]);
        }
        let has_harmonics =
            shown().any(|held| held.reading.curves.keys().any(|name| name.starts_with("harmonic_")));
        if has_harmonics && !faces.contains(&ChartFace::Harmonics) {
            faces.push(ChartFace::Harmonics);
        }
        faces.extend(self.picture_face());
        faces
    }

    pub(super) fn chart(&self) -> Chart {
        let face = self.shown_face();
        if self.is_trying() {
            return self.tried_chart();
        }
        if self.face.stage == Stage::Source
            && let Some(chart) = self.source_chart(face)
        {
            return chart;
        }
        match face {
            ChartFace::Steps => self.steps_chart(),
            ChartFace::Spectrum => self.noise_chart(),
            ChartFace::Phase => self.phase_chart(),
            ChartFace::GroupDelay => self.delay_chart(),
            ChartFace::Impulse => self.impulse_chart(),
            ChartFace::Arrivals => self.arrivals_chart(),
            ChartFace::Harmonics => self.harmonics_chart(),
            ChartFace::Decay => self.decay_chart(),
            // A picture stands in the chart's place.
            ChartFace::Cabin | ChartFace::Chain => self.stage_chart(),
            ChartFace::Difference => self.difference_chart(),
            ChartFace::Response if self.is_tuning_car() => self.car_chart(),
            ChartFace::Response if self.is_tuning() => self.tune_chart(),
            ChartFace::Response => self.stage_chart(),
        }
    }

    /// The stage whose captures the chart shows.
    fn charted(&self) -> Stage {
        match self.face.stage {
            Stage::Timing => Stage::Drivers,
            Stage::Intake | Stage::Handover => Stage::Tune,
            stage => stage,
        }
    }

    fn shown(&self) -> impl Iterator<Item = &CaptureView> {
        // Drivers are looked at from one place: at several there would be too many curves.
        let place = self.main_place();
        let is_there = move |held: &&CaptureView| held.place.is_empty() || Some(held.place.as_str()) == place;
        self.captures.of(self.charted()).filter(|held| self.is_shown(held)).filter(is_there)
    }

    fn smoothing_text(&self) -> String {
        match self.face.smoothing {
            0 => "not smoothed".to_owned(),
            fraction => format!("1/{fraction} octave"),
        }
    }

    /// The responses of a stage, as they are.
    fn stage_chart(&self) -> Chart {
        let shown: Vec<&CaptureView> = self.shown().filter(|held| held.response.is_some()).collect();
        let smoothed = shown.iter().filter_map(|held| self.captures.smoothed(held, self.face.smoothing));
        let offset_db = self.level_offset_db();
        let lines = shown
            .iter()
            .zip(smoothed)
            .enumerate()
            .map(|(number, (held, response))| series(number, &curve_name(held), &response, offset_db))
            .collect();
        let what = match self.face.stage {
            Stage::Timing => "Drivers and their combined response",
            Stage::Drivers => "Drivers, each alone",
            _ => "Source",
        };
        let mut chart = Chart {
            lines,
            ..empty(
                format!("{what} · {}", self.smoothing_text()),
                Axis::audio_frequency(),
                linear("Level", "dB", 5.0 - RANGE_DB, 5.0),
            )
        };
        if self.face.stage == Stage::Timing {
            for line in &mut chart.lines {
                line.certainty = vec![BEHIND; line.points.len()].into();
            }
            // With a tune of the whole car other delays are entered than those that these sums are of.
            if self.entered_tune().is_none() {
                self.add_sums(&mut chart, offset_db);
            }
        }
        chart
    }

    /// The highest level of what the stage's chart shows, which becomes 0 dB.
    fn level_offset_db(&self) -> f64 {
        let top = self
            .shown()
            .filter_map(|held| self.captures.smoothed(held, 3))
            .flat_map(|response| response.magnitude_db.clone())
            .fold(f64::NEG_INFINITY, f64::max);
        if top.is_finite() { top } else { 0.0 }
    }

    /// What is taken off a response that is being measured, so that it lies
    /// where it will lie; nothing before there is anything to lie beside.
    pub(super) fn live_offset_db(&self) -> Option<f64> {
        if self.is_tuning() {
            let average = self.average(SetMark::Before).or_else(|| self.average(SetMark::After))?;
            return Some(self.offset_db(&average));
        }
        self.shown().any(|held| held.response.is_some()).then(|| self.level_offset_db())
    }

    fn tune_chart(&self) -> Chart {
        let (before, after) = (self.average(SetMark::Before), self.average(SetMark::After));
        // Each lies where it fits the target best: overall level is no matter of tone.
        let offset = |average: &Option<Arc<Response>>| average.as_ref().map_or(0.0, |a| self.offset_db(a));
        let (before_db, after_db) = (offset(&before), offset(&after));
        let mut lines = Vec::new();
        // The positions stand behind their average: faint, and without names.
        let unmarked = self.shown().filter(|held| held.mark.is_none());
        for (number, held) in unmarked.enumerate() {
            if let Some(response) = self.captures.smoothed(held, self.face.smoothing) {
                lines.push(series(number, &held.label, &response, self.offset_db(&response)));
            }
        }
        let sides = [(SetMark::Before, Role::Before, before_db), (SetMark::After, Role::After, after_db)];
        for (mark, role, offset_db) in sides {
            if after.is_some() && mark == SetMark::Before {
                continue;
            }
            for held in self.side(mark).filter(|held| self.is_shown(held)) {
                if let Some(response) = self.captures.smoothed(held, self.face.smoothing) {
                    let faint = line("", role, Dash::Solid, &response, offset_db);
                    lines.push(Line { certainty: vec![FAINT; faint.points.len()].into(), ..faint });
                }
            }
        }
        if let Some(before) = &before {
            let dash = if after.is_some() { Dash::Dashed } else { Dash::Solid };
            lines.push(line("before", Role::Before, dash, before, before_db));
            if after.is_none() && self.tune.bands().iter().any(|band| band.enabled) {
                let predicted = self.tune.predicted(self.looked_at(), before);
                let offset_db = self.offset_db(&predicted);
                lines.push(line("predicted", Role::Predicted, Dash::Dashed, &predicted, offset_db));
            }
        }
        if let Some(after) = &after {
            lines.push(line("after", Role::After, Dash::Solid, after, after_db));
        }
        if self.tune.bands().iter().any(|band| band.enabled) {
            let grid = log_grid(20.0, 20_000.0, 24.0);
            let bands = self.tune.bands_db(self.looked_at(), &grid);
            let points = grid.iter().zip(bands).map(|(&x, y)| Point { x, y }).collect();
            lines.push(Line {
                label: "bands".to_owned(),
                role: Role::Bands,
                dash: Dash::Dotted,
                points,
                certainty: [].into(),
            });
        }
        if self.is_editing_target() {
            // What the handles lie on.
            let target = self.tune.target().response(20.0, 20_000.0, 24.0);
            lines.push(line("target", Role::Target, Dash::Solid, &target, 0.0));
        }
        let side = if after.is_some() { SetMark::After } else { SetMark::Before };
        let count = self.side(side).count();
        let title = match count {
            0 => format!("Target: {}", self.tune.target().name),
            1 => format!("One position · {}", self.smoothing_text()),
            count => format!("Average of {count} positions · {}", self.smoothing_text()),
        };
        Chart {
            areas: vec![self.tolerance()],
            lines,
            handles: self.handles(),
            ..empty(title, Axis::audio_frequency(), linear("Level", "dB", -HALF_RANGE_DB, HALF_RANGE_DB))
        }
    }

    fn difference_chart(&self) -> Chart {
        let (before, after) = (self.average(SetMark::Before), self.average(SetMark::After));
        let offset_db = before.as_ref().or(after.as_ref()).map_or(0.0, |average| self.offset_db(average));
        let mut lines = Vec::new();
        if let Some(before) = &before {
            lines.push(line("before", Role::Before, Dash::Dashed, before, offset_db));
        }
        if let Some(after) = &after {
            lines.push(line("after", Role::After, Dash::Solid, after, offset_db));
        }
        if let (Some(before), Some(after)) = (&before, &after)
            && let Some(difference) = tuning::difference(before, after, 20.0, 20_000.0)
        {
            lines.push(line("after − before", Role::Difference, Dash::DashDot, &difference, 0.0));
        }
        Chart {
            areas: vec![self.tolerance()],
            lines,
            ..empty(
                format!("Before and after · {}", self.smoothing_text()),
                Axis::audio_frequency(),
                linear("Level", "dB", -HALF_RANGE_DB, HALF_RANGE_DB),
            )
        }
    }

    fn phase_chart(&self) -> Chart {
        let phase = |(number, held): (usize, &CaptureView)| {
            let response = held.response.as_ref()?;
            let magnitude_db = response.phase_deg.clone()?;
            Some(series(number, &curve_name(held), &Response { magnitude_db, ..(**response).clone() }, 0.0))
        };
        let lines = self.few().enumerate().filter_map(phase).collect();
        let y = linear("Phase", "°", -180.0, 180.0);
        Chart { lines, ..empty("Phase".to_owned(), Axis::audio_frequency(), y) }
    }

    fn delay_chart(&self) -> Chart {
        let delay = |(number, held): (usize, &CaptureView)| {
            let impulse = impulse_of(&held.reading)?;
            let (from_hz, to_hz) = held.response.as_ref()?.range_hz();
            let grid = log_grid(from_hz, to_hz, 24.0);
            let magnitude_db = impulse.group_delay_s(&grid).iter().map(|s| 1e3 * s).collect();
            let delay = Response::new(grid, magnitude_db).ok()?;
            Some(series(number, &curve_name(held), &delay, 0.0))
        };
        let lines = self.few().enumerate().filter_map(delay).collect();
        let y = linear("Group delay", "ms", -5.0, 25.0);
        Chart {
            lines,
            ..empty("Group delay after the peak · 1/6 octave".to_owned(), Axis::audio_frequency(), y)
        }
    }

    fn impulse_chart(&self) -> Chart {
        let line = |(number, held): (usize, &CaptureView)| {
            let impulse = impulse_of(&held.reading)?;
            let peak = impulse.peak();
            let drawn = impulse.time_s.iter().zip(&impulse.value);
            let drawn = drawn.map(|(t, h)| Point { x: 1e3 * t, y: h / peak });
            let points = drawn.filter(|point| (-2.0..=20.0).contains(&point.x)).collect();
            Some(Line {
                label: curve_name(held),
                role: role(number),
                dash: Dash::Solid,
                points,
                certainty: [].into(),
            })
        };
        let lines = self.few().enumerate().filter_map(line).collect();
        let x = linear("Time after the peak", "ms", -2.0, 20.0);
        let y = linear("Relative to the peak", "", -1.1, 1.1);
        Chart { lines, ..empty("Impulse response".to_owned(), x, y) }
    }

    /// The drivers with an arrival, each with its time.
    fn arrivals(&self) -> impl Iterator<Item = (&CaptureView, f64)> {
        let newest = self.drivers().iter().filter_map(move |driver| self.driver_found(&driver.name));
        newest.filter_map(|held| Some((held, *held.reading.values.get("arrival_s")?)))
    }

    /// The impulse of every driver on one time axis, the first arrival at 0, each in a row of its own.
    fn arrivals_chart(&self) -> Chart {
        let first_s = self.arrivals().map(|(_, at_s)| at_s).fold(f64::INFINITY, f64::min);
        let last_s = self.arrivals().map(|(_, at_s)| at_s).fold(first_s, f64::max);
        let count = self.arrivals().count();
        let to_ms = 1e3 * (last_s - first_s) + LATER_MS[1];
        let mut marks = Vec::new();
        let lines = self.arrivals().enumerate().filter_map(|(number, (held, at_s))| {
            let impulse = impulse_of(&held.reading)?;
            let peak = impulse.peak().abs();
            let at_ms = 1e3 * (at_s - first_s) + 0.0;
            // The first driver stands on top.
            let row = (count - number) as f64;
            let drawn = impulse.time_s.iter().zip(&impulse.value);
            let drawn = drawn.map(|(t, h)| Point { x: 1e3 * t + at_ms, y: row + 0.45 * h / peak });
            let points = drawn.filter(|point| (-1.0..=to_ms).contains(&point.x)).collect();
            marks.push(Mark { x: at_ms, label: String::new() });
            let label = format!("{} {at_ms:.2} ms", held.position);
            Some(Line { label, role: role(number), dash: Dash::Solid, points, certainty: [].into() })
        });
        let lines: Vec<Line> = lines.collect();
        let x = linear("Time after the first arrival", "ms", -1.0, to_ms);
        // Each in a row of its own: the height is no number.
        let y = linear("", "", 0.3, count as f64 + 0.7);
        Chart { lines, marks, ..empty("When each driver’s sound arrives".to_owned(), x, y) }
    }

    fn harmonics_chart(&self) -> Chart {
        let held =
            self.chosen_of(|held| held.reading.curves.keys().any(|name| name.starts_with("harmonic_")));
        let harmonic = |number: u32| {
            let curve = held?.reading.curves.get(&format!("harmonic_{number}"))?;
            let response =
                Response::new(curve.get("frequency_hz")?.clone(), curve.get("relative_db")?.clone()).ok()?;
            let response = response.smoothed(self.face.smoothing.clamp(1, 12));
            let name = ["2nd", "3rd", "4th", "5th"][number as usize - 2];
            Some(series(number as usize - 2, name, &response, 0.0))
        };
        let title = held.map_or_else(String::new, |held| format!("Harmonics of {}", held.label));
        let y = linear("Below the fundamental", "dB", -90.0, 0.0);
        Chart { lines: (2..=5).filter_map(harmonic).collect(), ..empty(title, Axis::audio_frequency(), y) }
    }

    fn decay_chart(&self) -> Chart {
        let held = self.chosen_of(|held| held.reading.curves.contains_key("impulse"));
        let impulse = held.and_then(|held| impulse_of(&held.reading));
        let grid = log_grid(20.0, 20_000.0, 24.0);
        let slices: Vec<Vec<f64>> = LATER_MS
            .iter()
            .filter_map(|later_ms| Some(impulse.as_ref()?.left_after_db(later_ms / 1e3, &grid)))
            .collect();
        let top = slices.first().map_or(0.0, |first| first.iter().copied().fold(f64::MIN, f64::max));
        let lines = slices.into_iter().enumerate().filter_map(|(number, slice)| {
            let response = Response::new(grid.clone(), slice).ok()?;
            Some(series(number, &format!("{} ms", LATER_MS[number]), &response, top))
        });
        let title = held.map_or_else(String::new, |held| format!("Decay of {}", held.label));
        let y = linear("Level", "dB", 5.0 - RANGE_DB, 5.0);
        Chart { lines: lines.collect(), ..empty(title, Axis::audio_frequency(), y) }
    }

    /// The captures whose curves are told apart one by one: the picked one, or
    /// all that are shown of the stage.
    fn few(&self) -> impl Iterator<Item = &CaptureView> {
        let picked = self.face.picked.filter(|id| self.shown().any(|held| held.id == *id));
        self.shown().filter(move |held| picked.is_none_or(|picked| held.id == picked))
    }

    pub(super) fn tolerance(&self) -> Area {
        let target = self.tune.target();
        let response = target.response(20.0, 20_000.0, 24.0);
        // The chart is drawn about the target's own level.
        Area {
            label: target.name.clone(),
            role: Role::Target,
            lower: points(&response, target.tolerance_db),
            upper: points(&response, -target.tolerance_db),
        }
    }
}

impl Derivation {
    /// The face that is shown: the one chosen, where there is something to see.
    /// Whether a chart of this stage would be empty. The target is a curve of its own.
    fn has_nothing_to_chart(&self) -> bool {
        self.face.stage != Stage::Tune
            && !self.is_sweeping()
            && self.sweep_steps.is_empty()
            && self.shown().next().is_none()
    }

    pub(super) fn shown_face(&self) -> ChartFace {
        let faces = self.faces();
        // Where nothing was measured the picture says more than an empty chart.
        let first = self.picture_face().filter(|_| self.has_nothing_to_chart());
        if faces.contains(&self.face.chart) && (first.is_none() || self.face.chart != faces[0]) {
            self.face.chart
        } else {
            first.unwrap_or(faces[0])
        }
    }
}

/// How sure a curve that stands behind others looks.
const FAINT: f32 = 0.12;
/// The same for curves that are still to be told apart.
const BEHIND: f32 = 0.25;

/// What a capture is called on a chart: what played, where, and in which set. A driver has several curves only where it
/// was measured again after the entry.
fn curve_name(held: &CaptureView) -> String {
    let set = match held.mark {
        Some(SetMark::Before) if held.is_together => "before",
        Some(SetMark::After) => "after",
        Some(SetMark::Before) | None => "",
    };
    let parts = [held.channel, &held.position, set];
    parts.into_iter().filter(|part| !part.is_empty()).collect::<Vec<_>>().join(", ")
}

pub(super) fn role(number: usize) -> Role {
    #[expect(clippy::cast_possible_truncation, reason = "taken modulo 7")]
    Role::Series((number % 7) as u8)
}

pub(super) fn series(number: usize, label: &str, response: &Response, offset_db: f64) -> Line {
    // Colours come again after seven; the dash then tells them apart.
    let dash = [Dash::Solid, Dash::Dashed, Dash::Dotted, Dash::DashDot][(number / 7) % 4];
    line(label, role(number), dash, response, offset_db)
}

pub(super) fn linear(label: &str, unit: &str, from: f64, to: f64) -> Axis {
    Axis { label: label.to_owned(), unit: unit.to_owned(), scale: Scale::Linear, from, to }
}

pub(super) fn empty(title: String, x: Axis, y: Axis) -> Chart {
    Chart { title, x, y, areas: Vec::new(), lines: Vec::new(), handles: Vec::new(), marks: Vec::new() }
}
