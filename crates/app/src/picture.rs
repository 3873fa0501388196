//! What the window sees: the snapshot. What is costly in it is computed again
//! only when what it depends on has changed.

use std::sync::Arc;

use chart::{Dash, Line, Point, Role};
use tuning::{Response, Target};
use view::{
    JobHead, Ribbon, RigHead, RigState, SetMark, Shared, Snapshot, Stage, StageLine, StageState, Tile,
};

use project::derive::SIDES;

use super::captures::{CaptureView, USUAL_SMOOTHING};
use super::derivation::Derivation;
use super::memos::{Picture, RANGE_HZ};
use super::state::State;

impl State {
    /// How much louder than the target a response is on the whole.
    pub(super) fn offset_db(&self, response: &Response) -> f64 {
        offset_to(self.tune.target(), response)
    }

    /// The ribbon of what is heard at this moment.
    pub(super) fn live_ribbon(&self, response: &Response, caption: &str) -> Option<Ribbon> {
        let left = self.is_tuning().then(|| residual_to(self.tune.target(), response))?;
        ribbon_of(&left, caption.to_owned())
    }
}

impl Derivation {
    pub(super) fn snapshot(&self) -> Snapshot {
        let picture = self.picture();
        Snapshot {
            revision: self.revision,
            shared: self.shared(),
            face: self.face.clone(),
            start: self.face.at_start.then(|| Arc::clone(&self.start)),
            card: self.card(),
            chart_faces: self.faces(),
            chart_face: self.shown_face(),
            chart: picture.chart,
            picture: self.drawn().map(Arc::new),
            ribbon: picture.ribbon,
            handles: if self.is_tuning() { self.handle_cards() } else { Vec::new() },
            tray: picture.tray,
        }
    }

    fn rig(&self) -> RigHead {
        match &self.rig {
            None => RigHead {
                name: "No rig".to_owned(),
                state: RigState::None,
                text: "not chosen yet".to_owned(),
                simulated: false,
            },
            Some(rig) => RigHead {
                name: rig.spec().name.clone(),
                // A green plug says that sound has really arrived.
                state: if self.rig_heard || rig.is_simulated() { RigState::Ready } else { RigState::Untried },
                text: match (rig.car().is_some(), self.choices.times) {
                    (true, times) if times > 1 => format!("computed, {times} × faster"),
                    (true, _) => "computed, in real time".to_owned(),
                    (false, _) if !self.rig_heard => "not tried yet".to_owned(),
                    (false, _) => format!("{} kHz", f64::from(rig.spec().sample_rate_hz) / 1000.0),
                },
                simulated: rig.car().is_some(),
            },
        }
    }

    /// How far a stage is, and its result.
    pub(super) fn stage_line(&self, stage: Stage) -> StageLine {
        let (state, result) = self.stage_result(stage).unwrap_or((StageState::NotBegun, String::new()));
        StageLine { stage, state, result }
    }

    /// The average of one side of the comparison, of the channel that is looked at.
    pub(super) fn average(&self, mark: SetMark) -> Option<Arc<Response>> {
        self.averaged(mark, self.looked_at(), self.face.smoothing)
    }

    /// The average that results are told from, whatever a face looks at.
    pub(super) fn average_of(&self, mark: SetMark, channel: &str) -> Option<Arc<Response>> {
        self.averaged(mark, channel, USUAL_SMOOTHING)
    }

    fn averaged(&self, mark: SetMark, channel: &str, fraction: u32) -> Option<Arc<Response>> {
        let averages = self.memos.averages.get((self.captures.results(), fraction), || {
            let of = |channel: &'static str| {
                [SetMark::Before, SetMark::After]
                    .map(|mark| self.captures.average(mark, channel, fraction).map(Arc::new))
            };
            ["", SIDES[0], SIDES[1]].map(of)
        });
        let at = SIDES.iter().position(|side| *side == channel).map_or(0, |side| side + 1);
        averages[at][usize::from(mark == SetMark::After)].clone()
    }

    /// How far the average of a side lies from the target, RMS.
    pub(super) fn deviation(&self, mark: SetMark) -> Option<f64> {
        self.average_of(mark, self.looked_at()).and_then(|average| rms(&self.residual(&average)))
    }

    /// How far the averages of all channels lie from the target: RMS, and at worst; of the
    /// channel that is farthest.
    pub(super) fn deviation_of_all(&self, mark: SetMark) -> Option<(f64, f64)> {
        let of = |channel: &str| {
            let left = self.residual(&*self.average_of(mark, channel)?);
            Some((rms(&left)?, worst(&left)?))
        };
        let all: Option<Vec<(f64, f64)>> = self.tuned_channels().iter().map(|channel| of(channel)).collect();
        let farther = |one: (f64, f64), other: (f64, f64)| (one.0.max(other.0), one.1.max(other.1));
        all?.into_iter().reduce(farther)
    }

    /// Response minus target, at the level where the two fit best.
    pub(super) fn residual(&self, response: &Response) -> Response {
        residual_to(self.tune.target(), response)
    }

    fn ribbon(&self) -> Option<Ribbon> {
        let count = |mark: SetMark| self.side(mark).count();
        let after = self.average(SetMark::After).map(|average| {
            ((*average).clone(), format!("After, {} positions − target", count(SetMark::After)))
        });
        let before = || {
            let average = self.average(SetMark::Before)?;
            let predicted = self.tune.bands().iter().any(|band| band.enabled);
            let word = if predicted { "Predicted" } else { "Before" };
            let caption = format!("{word}, {} positions − target", count(SetMark::Before));
            Some((self.tune.predicted(self.looked_at(), &average), caption))
        };
        let (response, caption) = after.or_else(before)?;
        ribbon_of(&self.residual(&response), caption)
    }

    /// The tiles in the order of the work: by stage, and as they came within each.
    fn tray(&self) -> Vec<Tile> {
        let mut tiles: Vec<Tile> = self.captures.iter().map(|held| self.tile(held)).collect();
        tiles.sort_by_key(|tile| tile.stage);
        tiles
    }

    /// The positions of a side that stand apart from the others, as sentences.
    pub(super) fn outliers(&self, mark: SetMark) -> Vec<(view::CaptureId, String)> {
        let outliers = self.memos.outliers.get((self.captures.results(), self.looked_at()), || {
            [SetMark::Before, SetMark::After].map(|mark| {
                let side: Vec<&CaptureView> = self.side(mark).collect();
                let responses: Vec<Response> =
                    side.iter().filter_map(|held| held.response.as_deref().cloned()).collect();
                let outliers = tuning::outliers(&responses).into_iter();
                outliers.map(|outlier| (side[outlier.index].id, outlier)).collect()
            })
        });
        let [before, after] = outliers;
        let sentence = |(id, outlier): (view::CaptureId, tuning::Outlier)| {
            let text = format!(
                "{} stands apart: {:.1} dB RMS from the others, which differ by {:.1} dB. Measure there again, or \
                 take its mark away so that it does not count.",
                self.captures.get(id).map_or("", |held| &held.label),
                outlier.distance_db,
                outlier.usual_db
            );
            (id, text)
        };
        if mark == SetMark::Before { before } else { after }.into_iter().map(sentence).collect()
    }

    fn tile(&self, held: &CaptureView) -> Tile {
        let left = self.captures.smoothed(held, THIRD_OCTAVES).map(|response| self.residual(&response));
        Tile {
            id: held.id,
            label: held.label.clone(),
            time: held.time.clone(),
            stage: held.stage,
            mark: held.mark,
            fingerprint: left.as_ref().map_or([None; 31], fingerprint),
            result: self.short_result(held),
            shown: self.is_shown(held),
            remark: match held.mark.map(|mark| self.outliers(mark)) {
                Some(outliers) if outliers.iter().any(|(id, _)| *id == held.id) => {
                    "stands apart from the others".to_owned()
                }
                _ => held.remark.clone(),
            },
        }
    }
}

impl Derivation {
    /// What every face sees alike.
    fn shared(&self) -> Shared {
        Shared {
            job: self.job.as_ref().map_or_else(JobHead::default, |job| JobHead {
                name: job.data.head.name.clone(),
                car: job.data.intake.vehicle.clone(),
                folder: job.dir.display().to_string(),
            }),
            rig: self.rig(),
            output_dbfs: self.output_dbfs,
            muted: self.muted,
            stages: Stage::ALL.map(|stage| self.stage_line(stage)),
            activity: self.busy.activity.clone(),
            run: self.busy.run,
            can_undo: self.can_undo,
        }
    }

    fn picture(&self) -> Picture {
        let looked = (
            self.captures.revision(),
            self.tune.revision(),
            self.face.clone(),
            self.sweep_steps.clone(),
            (
                self.is_sweeping(),
                self.is_trying(),
                self.source.together,
                self.choices.filters_on,
                self.choices.by_side,
            ),
            self.car_options(),
        );
        self.memos.picture.get(looked, || Picture {
            chart: Arc::new(self.chart()),
            ribbon: match self.is_tuning() {
                true if self.is_tuning_car() => self.car_ribbon(),
                true => self.ribbon(),
                false => None,
            },
            tray: self.tray(),
        })
    }
}

/// What is left of a response, with its RMS.
fn ribbon_of(left: &Response, caption: String) -> Option<Ribbon> {
    let rms = rms(left)?;
    Some(Ribbon {
        line: line(&caption, Role::Difference, Dash::Solid, left, 0.0),
        rms_text: format!("{rms:.1} dB"),
        caption,
    })
}

pub(super) fn line(label: &str, role: Role, dash: Dash, response: &Response, offset_db: f64) -> Line {
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

/// A fingerprint is of responses over a third of an octave.
pub(super) const THIRD_OCTAVES: u32 = 3;

/// A deviation at the 31 third octaves from 20 Hz to 20 kHz, base ten (IEC 61260-1).
pub(super) fn fingerprint(left: &Response) -> [Option<f32>; 31] {
    std::array::from_fn(|band| {
        let frequency_hz = 1000.0 * 10f64.powf((band as f64 - 17.0) / 10.0);
        #[expect(clippy::cast_possible_truncation, reason = "a deviation in dB")]
        left.db_at(frequency_hz).map(|db| db as f32)
    })
}

/// How much louder than the target a response is on the whole.
fn offset_to(target: &Target, response: &Response) -> f64 {
    let within: Vec<f64> = response
        .frequency_hz
        .iter()
        .zip(&response.magnitude_db)
        .filter(|(f, _)| (RANGE_HZ.0..=RANGE_HZ.1).contains(*f))
        .map(|(&f, level)| level - target.db_at(f))
        .collect();
    if within.is_empty() { 0.0 } else { within.iter().sum::<f64>() / within.len() as f64 }
}

/// Response minus target, at the level where the two fit best.
pub(super) fn residual_to(target: &Target, response: &Response) -> Response {
    let offset_db = offset_to(target, response);
    let levels = response.frequency_hz.iter().zip(&response.magnitude_db);
    let magnitude_db = levels.map(|(&f, level)| level - target.db_at(f) - offset_db).collect();
    Response { magnitude_db, ..response.clone() }
}

/// Root mean square over log frequency within the range that counts.
fn rms(left: &Response) -> Option<f64> {
    let flat = Response { magnitude_db: vec![0.0; left.frequency_hz.len()], ..left.clone() };
    tuning::compare(&flat, left, RANGE_HZ.0, RANGE_HZ.1, 0).ok().map(|comparison| comparison.rms_db)
}

/// The greatest deviation within the range that counts.
pub(super) fn worst(left: &Response) -> Option<f64> {
    let within = left.frequency_hz.iter().zip(&left.magnitude_db);
    let within = within.filter(|(f, _)| (RANGE_HZ.0..=RANGE_HZ.1).contains(*f));
    within.map(|(_, db)| db.abs()).max_by(f64::total_cmp)
}
