//! What changes many times a second: the input meter, and the curve that grows
//! while a sweep runs.

use std::collections::BTreeMap;

use chart::{Dash, Line, Point, Role};
use engine::InputMeter;
use measure::{Calibration, Signal, Stimulus};
use units::LevelDbfs;
use view::{Figure, Meter, MeterUnit, Tone};

use procedure::BlockLevel;
use tuning::Response;

/// A meter's lowest level below full scale.
const FLOOR_DB: f64 = -72.0;
/// The live curve has so many places an octave.
const PLACES: f64 = 12.0;

/// The input meter, and its level in very big type: in volts or as a sound
/// pressure level where the input is calibrated.
pub(super) fn meter(input: InputMeter, calibration: &Calibration) -> (Meter, Figure) {
    let rms_dbfs = LevelDbfs::from_rms(input.rms).0.max(-120.0);
    let peak_dbfs = LevelDbfs::from_peak(input.peak).0;
    let share = |dbfs: f64| (1.0 - dbfs / FLOOR_DB).clamp(0.0, 1.0);
    let (value, caption, unit) = match (calibration.volts_per_fs, calibration.dbfs_at_94) {
        (Some(volts), _) => (format!("{:.2} V", volts * input.rms), "RMS at the tap", MeterUnit::Volts),
        (None, Some(at_94)) => {
            (format!("{:.0} dB SPL", rms_dbfs - at_94 + 94.0), "at the microphone", MeterUnit::Spl)
        }
        (None, None) => (format!("{rms_dbfs:.1} dBFS"), "at the input", MeterUnit::Dbfs),
    };
    let clipped = input.clipped > 0;
    let tone = if clipped { Tone::Bad } else { Tone::Plain };
    let figure = Figure { value: value.clone(), caption: caption.to_owned(), tone };
    #[expect(clippy::cast_possible_truncation, reason = "a share of a meter")]
    let (level, peak) = (share(rms_dbfs) as f32, share(peak_dbfs) as f32);
    (Meter { text: value, unit, level, peak, clipped }, figure)
}

/// The response as it grows while a sweep runs: how loud the input was when
/// the sweep passed each frequency, less the sweep's own level. It is a look
/// ahead only: room and noise are in it, and the microphone is not taken off.
#[derive(Debug)]
pub(super) struct Trace {
    stimulus: Option<Stimulus>,
    /// What is taken off, so that it lies where the response will lie.
    offset_db: Option<f64>,
    /// The level at each place of the frequency axis; a second sweep writes anew.
    levels_db: BTreeMap<i32, f64>,
}

impl Trace {
    pub(super) fn new(stimulus: Option<&Stimulus>, offset_db: Option<f64>) -> Self {
        Self { stimulus: stimulus.cloned(), offset_db, levels_db: BTreeMap::new() }
    }

    /// Takes what came in.
    pub(super) fn hear(&mut self, heard: &[BlockLevel]) {
        for heard in heard {
            let Some((frequency_hz, peak_dbfs)) = self.playing(heard.at_s) else { continue };
            let level = LevelDbfs::from_rms(heard.mean_square.sqrt()).0;
            if level.is_finite() {
                #[expect(clippy::cast_possible_truncation, reason = "a place on the axis")]
                let place = (PLACES * frequency_hz.log2()).round() as i32;
                self.levels_db.insert(place, level - peak_dbfs);
            }
        }
    }

    /// The frequency that a sweep passes at this time, and its level.
    fn playing(&self, at_s: f64) -> Option<(f64, f64)> {
        let mut begins_s = 0.0;
        for segment in &self.stimulus.as_ref()?.segments {
            let inside = (at_s - begins_s) / segment.duration_s;
            if (0.0..1.0).contains(&inside) {
                let Signal::Sweep { from_hz, to_hz, .. } = segment.signal else { return None };
                return Some((from_hz * (to_hz / from_hz).powf(inside), segment.peak_dbfs));
            }
            begins_s += segment.duration_s;
        }
        None
    }

    /// The response so far; nothing before there is enough of it to compare.
    pub(super) fn response(&self) -> Option<Response> {
        if self.levels_db.len() < 2 {
            return None;
        }
        let frequency_hz = self.levels_db.keys().map(|place| (f64::from(*place) / PLACES).exp2());
        Response::new(frequency_hz.collect(), self.levels_db.values().copied().collect()).ok()
    }

    /// The curve so far.
    pub(super) fn line(&self) -> Option<Line> {
        if self.levels_db.len() < 2 {
            return None;
        }
        let mean = self.levels_db.values().sum::<f64>() / self.levels_db.len() as f64;
        let offset_db = self.offset_db.unwrap_or(mean);
        let points = self.levels_db.iter();
        let points = points
            .map(|(&place, level)| Point { x: (f64::from(place) / PLACES).exp2(), y: level - offset_db });
        Some(Line {
            label: "now".to_owned(),
            role: Role::Live,
            dash: Dash::Solid,
            points: points.collect(),
            certainty: [].into(),
        })
    }
}

#[cfg(test)]
mod tests {
    use measure::Segment;
    use testkit::near;

    use super::*;

    /// Source: analytic: a sine of −20 dBFS reads −20 dBFS, and 94 dB SPL where
    /// the calibration says so.
    #[test]
    fn a_meter_reads_in_the_unit_that_its_input_is_calibrated_in() {
        let input = InputMeter { peak: 0.1, rms: 0.1 * std::f64::consts::FRAC_1_SQRT_2, clipped: 0 };
        let none = Calibration::default();
        let text = |calibration: &Calibration| meter(input, calibration).0.text;
        assert_eq!(text(&none), "-20.0 dBFS");
        assert_eq!(text(&Calibration { dbfs_at_94: Some(-20.0), ..none.clone() }), "94 dB SPL");
        assert_eq!(text(&Calibration { volts_per_fs: Some(10.0), ..none.clone() }), "0.71 V");
        assert!(meter(InputMeter { clipped: 3, ..input }, &none).0.clipped);
    }

    /// Source: analytic: halfway through an exponential sweep lies the geometric
    /// mean of its ends.
    #[test]
    fn the_live_curve_stands_where_the_sweep_is() {
        let sweep = Signal::Sweep { from_hz: 100.0, to_hz: 1600.0, synchronised: false };
        let stimulus = Stimulus {
            name: "sweep".to_owned(),
            segments: vec![Segment::silence(1.0), Segment::of(sweep, 4.0, -20.0, 0.0)],
        };
        let mut trace = Trace::new(Some(&stimulus), Some(0.0));
        let mean_square = 0.5 * 0.05 * 0.05;
        trace.hear(&[0.5, 1.0, 3.0].map(|at_s| BlockLevel { at_s, mean_square }));
        let line = trace.line().expect("two places");
        near("first", line.points[0].x, 100.0, 3.0);
        near("second", line.points[1].x, 400.0, 12.0);
        // −26 dBFS came of −20 dBFS.
        near("level", line.points[1].y, -6.02, 0.01);
        assert_eq!(line.points.len(), 2, "silence is no place");
    }
}
