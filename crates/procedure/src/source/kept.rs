//! What the job keeps of the source's tone and noise: the whole result, without its curves, which follow
//! from the captures.

use jiff::Timestamp;
use job::{
    Basis, CaptureId, EngineNoise, EngineNoiseLine, EnteredBand, NoiseLevel, NoiseRecord, OutputDifference,
    OutputTone, ToneChange, ToneRecord,
};
use project::Change;
use tuning::{EngineLines, PairDifference};

use super::{NoiseFound, NoiseReport, ToneOfOutput, ToneReport};

fn basis(captures: Vec<CaptureId>) -> Basis {
    Basis {
        program: crate::program_version::PROGRAM.to_owned(),
        made: Some(Timestamp::now()),
        captures,
        ..Basis::default()
    }
}

impl ToneReport {
    /// What the project notes of it.
    #[must_use]
    pub fn change(&self, captures: Vec<CaptureId>) -> Change {
        let bands = self.bands.iter().flat_map(|fit| &fit.bands);
        Change::ToneFound(Some(ToneRecord {
            basis: basis(captures),
            outputs: self.outputs.iter().map(|tone| self.output_tone(tone)).collect(),
            pairs: self.pairs.iter().map(output_difference).collect(),
            bands: bands.map(|band| EnteredBand::fitted("", band)).collect(),
            findings: self.findings.clone(),
        }))
    }
}

impl ToneReport {
    /// An output with everything that changes its tone.
    fn output_tone(&self, tone: &ToneOfOutput) -> OutputTone {
        let mut kept = output_tone(tone);
        let own = self.conditions.iter().filter(|one| one.output == tone.output);
        kept.changes.extend(own.map(|one| one.change.clone()));
        kept
    }
}

fn output_tone(tone: &ToneOfOutput) -> OutputTone {
    let shape = &tone.shape;
    let change = |change: &tuning::ToneChange| ToneChange {
        condition: "volume-step".to_owned(),
        part: change.part.clone(),
        unchanged: change.unchanged_step.to_string(),
        changed: change.changed_step.to_string(),
        largest: change.largest_step.to_string(),
        gain_db: change.gain_db,
    };
    OutputTone {
        output: tone.output.clone(),
        step: tone.step.and_then(|step| u32::try_from(step).ok()),
        level_db: shape.level_db,
        flatness_db: shape.flatness_db,
        rms_db: shape.rms_db,
        low_corner_hz: shape.low.corner_hz,
        low_slope_db_per_octave: shape.low.slope_db_per_octave,
        high_corner_hz: shape.high.corner_hz,
        high_slope_db_per_octave: shape.high.slope_db_per_octave,
        changes: tone.changes.iter().map(change).collect(),
    }
}

fn output_difference(pair: &PairDifference) -> OutputDifference {
    OutputDifference {
        first: pair.first.clone(),
        second: pair.second.clone(),
        level_db: pair.level_db,
        tone_rms_db: pair.tone_rms_db,
        worst_db: pair.worst_db,
        worst_hz: pair.worst_hz,
        delay_s: pair.delay_s,
        inverted: pair.inverted,
    }
}

impl NoiseReport {
    /// What the project notes of it.
    #[must_use]
    pub fn change(&self, captures: Vec<CaptureId>) -> Change {
        Change::NoiseFound(Some(NoiseRecord {
            basis: basis(captures),
            recordings: self.recordings.iter().map(noise_level).collect(),
            engine: self.engine.iter().map(engine_noise).collect(),
            findings: self.findings.clone(),
        }))
    }
}

fn noise_level(found: &NoiseFound) -> NoiseLevel {
    NoiseLevel {
        name: found.name.clone(),
        engine_rpm: found.rpm,
        rms_dbfs: found.rms_dbfs,
        rms_a_dbfs: found.rms_a_dbfs,
        rms_v: found.rms_v,
        snr_db: found.snr_db,
        snr_a_db: found.snr_a_db,
        mains_hz: found.mains_hz,
        mains_db: found.mains_db,
    }
}

fn engine_noise(lines: &EngineLines) -> EngineNoise {
    let line = |line: &tuning::MovingLine| EngineNoiseLine {
        first_hz: line.first_hz,
        second_hz: line.second_hz,
        level_db: line.second_db,
        order: line.order,
    };
    EngineNoise {
        first: lines.first.clone(),
        second: lines.second.clone(),
        ratio: lines.ratio,
        lines: lines.moving.iter().map(line).collect(),
    }
}

#[cfg(test)]
mod tests {
    use crate::testing::Trial;
    use crate::{NoiseOrder, OpenJob, Store, ToneOrder, source_noise, source_tone};

    /// Source: the simulated car's own description: its adapter output loses bass from a step on, and a line
    /// of its alternator moves with the engine. What the procedures found stands in the job, with the captures
    /// that it was found from.
    #[test]
    fn tone_and_noise_are_kept_with_what_they_were_found_from() {
        let folder = tempfile::tempdir().unwrap();
        let mut job = OpenJob::open_or_create(&folder.path().join("job")).unwrap();
        let mut trial = Trial::car("");
        trial.store = Store::Job(job.store().unwrap());
        let output = trial.rig.car().unwrap().car.tap.output.clone();
        let order = ToneOrder {
            outputs: vec![output.clone()],
            steps: vec![12, 24],
            processor: Some("parametric-free".to_owned()),
            ..ToneOrder::default()
        };
        let tone = trial.run(|session| source_tone(session, &order)).unwrap();
        let noise = trial.run(|session| source_noise(session, &NoiseOrder::default())).unwrap();
        trial.changes().for_each(|change| job.apply(change.clone()).unwrap());
        let dir = job.job().dir().to_owned();
        drop((job, trial));

        let job = job::Job::open(dir).unwrap();
        let source = &job.data().source;
        let kept = source.tone.as_ref().expect("the tone is kept");
        let ids: Vec<u32> = kept.basis.captures.iter().map(|id| id.0).collect();
        assert_eq!((ids, kept.outputs[0].output.as_str()), (vec![1, 2], output.as_str()));
        assert_eq!(kept.outputs[0].flatness_db, tone.outputs[0].shape.flatness_db);
        assert_eq!(kept.bands.len(), tone.bands.unwrap().bands.len());
        assert_eq!(kept.findings, tone.findings);
        let kept = source.noise.as_ref().expect("the noise is kept");
        let ids: Vec<u32> = kept.basis.captures.iter().map(|id| id.0).collect();
        assert_eq!((ids, kept.recordings.len()), (vec![3, 4, 5], 3));
        assert_eq!(kept.recordings[0].snr_db, noise.recordings[0].snr_db);
        assert!(kept.engine.iter().any(|engine| !engine.lines.is_empty()), "{kept:?}");
    }
}
