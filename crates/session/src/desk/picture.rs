//! What the window sees: the snapshot and its chart.

use std::sync::Arc;

use chart::{Area, Axis, Chart, Dash, Handle, Line, Point, Role, Scale};
use tuning::Response;
use view::{
    BandCard, Face, JobHead, Ribbon, RigHead, RigState, SetMark, Snapshot, Stage, StageLine, StageState, Tile,
};

use super::{Desk, Held};
use crate::fitting::band_text;

/// Half of what the chart shows above and below the target, in dB.
const HALF_RANGE_DB: f64 = 25.0;

/// Where deviations count: a small car gives what it gives below, and above the
/// microphone's place is all that is measured.
pub(super) const RANGE_HZ: (f64, f64) = (30.0, 16_000.0);

impl Desk {
    pub(super) fn snapshot(&self) -> Snapshot {
        Snapshot {
            revision: self.revision,
            job: self.job.as_ref().map_or_else(JobHead::default, |job| JobHead {
                name: job.data().head.name.clone(),
                car: job.data().intake.vehicle.clone(),
                folder: job.dir().display().to_string(),
            }),
            rig: self.rig(),
            output_dbfs: self.output_dbfs,
            muted: self.muted,
            stages: Stage::ALL.map(|stage| self.stage_line(stage)),
            stage: self.stage,
            card: self.card(),
            faces: vec![Face::Response, Face::Phase, Face::Difference],
            face: self.face,
            chart: Arc::new(self.chart()),
            ribbon: self.ribbon(),
            bands: self.band_cards(),
            tray: self.held.iter().map(|held| self.tile(held)).collect(),
            activity: self.activity(),
            can_undo: self.tune.can_undo(),
        }
    }

    fn rig(&self) -> RigHead {
        match &self.bench {
            None => RigHead {
                name: "No rig".to_owned(),
                state: RigState::None,
                text: "choose devices or the simulated car".to_owned(),
                simulated: false,
            },
            Some(bench) => RigHead {
                name: bench.spec().name.clone(),
                state: RigState::Ready,
                text: format!("{} kHz", f64::from(bench.spec().sample_rate_hz) / 1000.0),
                simulated: bench.car().is_some(),
            },
        }
    }

    fn stage_line(&self, stage: Stage) -> StageLine {
        let count = |wanted: job::Stage| self.held.iter().filter(|held| held.stage == wanted).count();
        let (state, result) = match stage {
            Stage::Intake if self.job.is_some() && self.bench.is_some() => {
                (StageState::Measured, self.tune.profile().name.clone())
            }
            Stage::Source if count(job::Stage::Source) > 0 => {
                (StageState::Measured, "response measured".to_owned())
            }
            Stage::Drivers if count(job::Stage::Drivers) > 0 => {
                (StageState::Measured, format!("{} measured", count(job::Stage::Drivers)))
            }
            Stage::Tune if count(job::Stage::Tune) > 0 => {
                let rms = self.deviation(SetMark::After).or_else(|| self.deviation(SetMark::Before));
                let result = rms.map_or_else(String::new, |rms| format!("{rms:.1} dB RMS to the target"));
                (StageState::Measured, result)
            }
            _ => (StageState::NotBegun, String::new()),
        };
        StageLine { stage, state, result }
    }

    /// How far the average of a side lies from the target, RMS.
    pub(super) fn deviation(&self, mark: SetMark) -> Option<f64> {
        self.average(mark).map(|average| self.left(&average)).and_then(|left| rms(&left))
    }

    /// Response minus target, at the level where the two fit best.
    fn left(&self, response: &Response) -> Response {
        let target = self.tune.target();
        let offset_db = self.offset_db(response);
        let magnitude_db = response
            .frequency_hz
            .iter()
            .zip(&response.magnitude_db)
            .map(|(&f, level)| level - target.db_at(f) - offset_db)
            .collect();
        Response { magnitude_db, ..response.clone() }
    }

    /// How much louder than the target a response is on the whole.
    fn offset_db(&self, response: &Response) -> f64 {
        let within: Vec<f64> = response
            .frequency_hz
            .iter()
            .zip(&response.magnitude_db)
            .filter(|(f, _)| (RANGE_HZ.0..=RANGE_HZ.1).contains(*f))
            .map(|(&f, level)| level - self.tune.target().db_at(f))
            .collect();
        if within.is_empty() { 0.0 } else { within.iter().sum::<f64>() / within.len() as f64 }
    }

    fn chart(&self) -> Chart {
        let mut lines = Vec::new();
        let average = self.average(SetMark::Before).or_else(|| self.average(SetMark::After));
        let offset_db = average.as_ref().map_or(0.0, |average| self.offset_db(average));
        match self.face {
            Face::Phase => lines.extend(self.phases()),
            Face::Difference => lines.extend(self.differences(offset_db)),
            _ => lines.extend(self.responses(offset_db)),
        }
        let phase = self.face == Face::Phase;
        Chart {
            title: self.face.title().to_owned(),
            x: Axis::audio_frequency(),
            y: Axis {
                label: if phase { "Phase" } else { "Level" }.to_owned(),
                unit: if phase { "°" } else { "dB" }.to_owned(),
                scale: Scale::Linear,
                from: if phase { -180.0 } else { -HALF_RANGE_DB },
                to: if phase { 180.0 } else { HALF_RANGE_DB },
            },
            areas: if phase { Vec::new() } else { vec![self.tolerance()] },
            lines,
            handles: if phase { Vec::new() } else { self.handles() },
            marks: Vec::new(),
        }
    }

    fn responses(&self, offset_db: f64) -> Vec<Line> {
        let mut lines = Vec::new();
        let shown = self.held.iter().filter(|held| held.shown);
        for (number, held) in shown.enumerate() {
            if let Some(response) = &held.response {
                #[expect(clippy::cast_possible_truncation, reason = "taken modulo 8")]
                let role = Role::Series((number % 8) as u8);
                let response = response.smoothed(self.smoothing);
                lines.push(line(&held.label, role, Dash::Dotted, &response, offset_db));
            }
        }
        if let Some(average) = self.average(SetMark::Before) {
            lines.push(line("before", Role::Before, Dash::Solid, &average, offset_db));
            if self.tune.bands().iter().any(|band| band.enabled) {
                let predicted = self.tune.predicted(&average);
                lines.push(line("predicted", Role::Predicted, Dash::Dashed, &predicted, offset_db));
            }
        }
        if let Some(average) = self.average(SetMark::After) {
            lines.push(line("after", Role::After, Dash::Solid, &average, offset_db));
        }
        lines
    }

    fn differences(&self, offset_db: f64) -> Vec<Line> {
        let (before, after) = (self.average(SetMark::Before), self.average(SetMark::After));
        let mut lines = Vec::new();
        if let Some(before) = &before {
            lines.push(line("before", Role::Before, Dash::Solid, before, offset_db));
        }
        if let Some(after) = &after {
            lines.push(line("after", Role::After, Dash::Dashed, after, offset_db));
        }
        if let (Some(before), Some(after)) = (&before, &after)
            && let Some(difference) = tuning::difference(before, after, 20.0, 20_000.0)
        {
            lines.push(line("difference", Role::Difference, Dash::DashDot, &difference, 0.0));
        }
        lines
    }

    fn phases(&self) -> Vec<Line> {
        let shown = self.held.iter().filter(|held| held.shown);
        let phases = shown.filter_map(|held| {
            let response = held.response.as_ref()?;
            let magnitude_db = response.phase_deg.clone()?;
            Some((held, Response { magnitude_db, ..response.clone() }))
        });
        phases.map(|(held, phase)| line(&held.label, Role::Series(0), Dash::Solid, &phase, 0.0)).collect()
    }

    fn tolerance(&self) -> Area {
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

    fn handles(&self) -> Vec<Handle> {
        let bands = self.tune.bands().iter().enumerate();
        bands
            .map(|(index, band)| Handle {
                band: index,
                at: Point { x: band.typed.frequency_hz, y: band.typed.gain_db },
                label: (index + 1).to_string(),
                enabled: band.enabled,
                selected: self.tune.selected == Some(index),
            })
            .collect()
    }

    fn ribbon(&self) -> Option<Ribbon> {
        let after = self.average(SetMark::After).map(|average| (average, "After − target"));
        let before = || {
            let average = self.average(SetMark::Before)?;
            let predicted = self.tune.bands().iter().any(|band| band.enabled);
            let caption = if predicted { "Predicted − target" } else { "Before − target" };
            Some((self.tune.predicted(&average), caption))
        };
        let (response, caption) = after.or_else(before)?;
        let left = self.left(&response);
        let rms = rms(&left)?;
        Some(Ribbon {
            line: line(caption, Role::Difference, Dash::Solid, &left, 0.0),
            rms_text: format!("{rms:.1} dB"),
            caption: caption.to_owned(),
        })
    }

    fn band_cards(&self) -> Vec<BandCard> {
        let bands = self.tune.bands().iter().enumerate();
        bands
            .map(|(index, band)| BandCard {
                text: band_text(&band.typed),
                reason: band.reason.clone(),
                enabled: band.enabled,
                locked: band.locked,
                selected: self.tune.selected == Some(index),
                frequency_text: format!("{} Hz", band.typed.frequency_hz),
                gain_text: format!("{:+} dB", band.typed.gain_db),
                q_text: format!("Q {}", band.typed.q),
            })
            .collect()
    }

    fn tile(&self, held: &Held) -> Tile {
        let left = held.response.as_ref().map(|response| self.left(&response.smoothed(3)));
        let fingerprint = std::array::from_fn(|band| {
            // The 31 third octaves from 20 Hz to 20 kHz, base ten (IEC 61260-1).
            let frequency_hz = 1000.0 * 10f64.powf((band as f64 - 17.0) / 10.0);
            #[expect(clippy::cast_possible_truncation, reason = "a deviation in dB")]
            left.as_ref().and_then(|left| left.db_at(frequency_hz)).map(|db| db as f32)
        });
        Tile {
            id: held.id,
            label: held.label.clone(),
            time: held.time.clone(),
            stage: view_stage(held.stage),
            mark: held.mark,
            fingerprint,
            shown: held.shown,
            remark: held.remark.clone(),
        }
    }
}

fn view_stage(stage: job::Stage) -> Stage {
    let index = job::Stage::ALL.iter().position(|other| *other == stage).unwrap_or(0);
    Stage::ALL[index]
}

fn line(label: &str, role: Role, dash: Dash, response: &Response, offset_db: f64) -> Line {
    Line { label: label.to_owned(), role, dash, points: points(response, offset_db), certainty: [].into() }
}

/// The points of a response, an offset taken off.
pub(super) fn points(response: &Response, offset_db: f64) -> Arc<[Point]> {
    response
        .frequency_hz
        .iter()
        .zip(&response.magnitude_db)
        .map(|(&x, level)| Point { x, y: level - offset_db })
        .collect()
}

/// Root mean square over log frequency within the range that counts.
fn rms(left: &Response) -> Option<f64> {
    let flat = Response { magnitude_db: vec![0.0; left.frequency_hz.len()], ..left.clone() };
    tuning::compare(&flat, left, RANGE_HZ.0, RANGE_HZ.1, 0).ok().map(|comparison| comparison.rms_db)
}
