//! Level: volts, dBFS, sound pressure and exposure.

use dsp::biquad::Cascade;
use dsp::detector::{Exponential, FAST_S, MeanSquare, Peak, SLOW_S};
use dsp::exposure::Dose;
use dsp::weighting::Weighting;
use measure::{Block, Feed, Finding, Manifest, Measurement, Parameter, Reading, Start, StimulusWanted};

use crate::scale::{Scale, db, dbfs, dbu};

/// The curve has a point this often.
const POINT_S: f64 = 0.125;

/// The curve is thinned to half when it would grow longer than this.
const MOST_POINTS: usize = 4_096;

/// Sample values this high are the recorder's full scale.
const FULL_SCALE: f64 = 0.999;

/// A level below this is digital silence rather than any input's noise.
const SILENT_DBFS: f64 = -120.0;

/// Measures how loud whatever sounds is.
///
/// `rms_dbfs` is re a full-scale sine (AES17: such a sine reads 0); `peak_dbfs` is
/// `20·lg` of the highest sample, so that the same sine reads 0 there too;
/// `crest_db` is the peak over the RMS value, 3.01 dB for a sine.
#[derive(Default)]
pub(crate) struct Level {
    scale: Scale,
    sample_rate_hz: f64,
    plain: MeanSquare,
    sum: f64,
    peak: Peak,
    full_scale: u64,
    acoustic: Option<Acoustic>,
    curve: FastCurve,
    lost: bool,
    most_samples: u64,
}

struct Acoustic {
    a: Cascade,
    c: Cascade,
    fast: Exponential,
    slow: Exponential,
    leq_a: MeanSquare,
    leq_c: MeanSquare,
    peak_c: Peak,
    scratch: Vec<f64>,
}

/// The fast level over time, thinned as it grows.
#[derive(Default)]
struct FastCurve {
    time_s: Vec<f64>,
    level_db: Vec<f64>,
    every: u64,
    until_next: u64,
    /// The greatest mean square since the last point.
    greatest: f64,
    seen: u64,
}

impl Measurement for Level {
    fn manifest(&self) -> Manifest {
        Manifest {
            id: "level".to_owned(),
            title: "Level".to_owned(),
            version: 1,
            summary:
                "Measures the level of whatever sounds: RMS, peak and crest factor, in volts where the input \
                      is calibrated, as sound pressure (A, C, fast, Leq, peak) where the microphone is."
                    .to_owned(),
            channels: 1,
            needs_reference: false,
            stimulus: StimulusWanted::Any,
            parameters: vec![Parameter::number(
                "duration",
                "s",
                0.0,
                (0.0, 86_400.0),
                "stop after this time; 0 goes on until it is stopped",
            )],
        }
    }

    fn start(&mut self, start: &Start) -> Result<(), Finding> {
        let rate = start.sample_rate_hz;
        let scale = Scale::of(start);
        // Without a microphone's calibration nothing acoustic is told.
        let acoustic = if scale.is_acoustic() { Some(Acoustic::new(rate)?) } else { None };
        let seconds = start.parameters.number("duration").filter(|seconds| *seconds > 0.0);
        let every = ((POINT_S * rate).round() as u64).max(1);
        *self = Self {
            scale,
            sample_rate_hz: rate,
            acoustic,
            most_samples: seconds.map_or(u64::MAX, |seconds| (seconds * rate) as u64),
            curve: FastCurve { every, until_next: every, ..FastCurve::default() },
            ..Self::default()
        };
        Ok(())
    }

    fn feed(&mut self, block: &Block<'_>) -> Feed {
        self.lost |= block.gap;
        let samples = self.scale.samples(block);
        for &sample in samples {
            let x = f64::from(sample);
            self.plain.add(x);
            self.sum += x;
            self.peak.add(x);
            self.full_scale += u64::from(x.abs() >= FULL_SCALE);
        }
        if let Some(acoustic) = &mut self.acoustic {
            acoustic.feed(samples, &mut self.curve, self.sample_rate_hz);
        }
        if self.plain.count() >= self.most_samples { Feed::Enough } else { Feed::More }
    }

    fn reading(&mut self) -> Reading {
        let mut reading = Reading::new("level", 1, self.sample_rate_hz);
        let Some(mean_square) = self.plain.get() else { return reading };
        let (rms, peak) = (mean_square.sqrt(), self.peak.absolute());
        reading
            .value("rms_dbfs", dbfs(mean_square))
            .value("peak_dbfs", db(peak))
            .value("crest_db", db(peak / rms))
            .value("dc_offset", self.sum / self.plain.count() as f64)
            .value("duration_s", self.plain.count() as f64 / self.sample_rate_hz);
        self.volts(rms, &mut reading);
        self.pressure(mean_square, &mut reading);
        self.findings(mean_square, &mut reading);
        reading
    }

    fn finish(&mut self) -> Reading {
        let mut reading = self.reading();
        if self.plain.count() == 0 {
            reading.finding(Finding::stop("no-signal", "Nothing was recorded; check the input."));
        }
        reading
    }
}

impl Level {
    fn volts(&self, rms: f64, reading: &mut Reading) {
        let (Some(rms_v), Some(peak_v), Some(to_peak_v)) = (
            self.scale.volts(rms),
            self.scale.volts(self.peak.absolute()),
            self.scale.volts(self.peak.to_peak()),
        ) else {
            return;
        };
        reading
            .value("rms_v", rms_v)
            .value("peak_v", peak_v)
            .value("peak_to_peak_v", to_peak_v)
            .value("rms_dbu", dbu(rms_v))
            .value("rms_dbv", db(rms_v));
    }

    fn pressure(&self, mean_square: f64, reading: &mut Reading) {
        let Some(acoustic) = &self.acoustic else { return };
        let spl = |mean_square: f64| self.scale.spl_db(dbfs(mean_square));
        let (Some(a), Some(c), Some(z)) =
            (acoustic.leq_a.get().and_then(spl), acoustic.leq_c.get().and_then(spl), spl(mean_square))
        else {
            return;
        };
        reading.value("leq_a_db", a).value("leq_c_db", c).value("leq_z_db", z);
        // A peak is compared with the pressure itself: it lies 3.01 dB over the level
        // of a sine that reaches it.
        let squared = acoustic.peak_c.absolute().powi(2);
        for (name, level) in [
            ("max_fast_a_db", spl(acoustic.fast.greatest())),
            ("max_slow_a_db", spl(acoustic.slow.greatest())),
            ("fast_a_db", spl(acoustic.fast.mean_square())),
            ("peak_c_db", spl(squared)),
        ] {
            reading.value(name, level.unwrap_or(f64::NAN));
        }
        let seconds = self.plain.count() as f64 / self.sample_rate_hz;
        let mut dose = Dose::default();
        dose.add(a, seconds);
        let mut day = Dose::default();
        day.add(a, 8.0 * 3_600.0);
        reading.value("dose_percent", dose.percent()).value("dose_8h_percent", day.percent());
        let (time_s, level_db): (Vec<f64>, Vec<f64>) = self
            .curve
            .time_s
            .iter()
            .zip(&self.curve.level_db)
            .filter_map(|(time_s, level)| {
                self.scale.spl_db(*level).filter(|l| l.is_finite()).map(|l| (*time_s, l))
            })
            .unzip();
        reading.curve("fast_a", [("time_s", time_s), ("level_db", level_db)]);
    }

    fn findings(&self, mean_square: f64, reading: &mut Reading) {
        if dbfs(mean_square) < SILENT_DBFS {
            let text =
                "The input is silent: check the connection, the input's gain and which channel is measured.";
            reading.finding(Finding::caution("silent", text));
        }
        if self.full_scale > 1 {
            let text = format!(
                "{} samples stand at full scale: the recording itself is probably clipped. Turn down the input's gain.",
                self.full_scale
            );
            reading.finding(Finding::caution("input-clipped", text));
        }
        if self.lost {
            let text = "Samples were lost during the capture; levels are those of what was recorded.";
            reading.finding(Finding::caution("samples-lost", text));
        }
        if reading.values.get("dose_8h_percent").is_some_and(|dose| *dose > 100.0) {
            let text = format!(
                "Eight hours at this level are more than a day allows (NIOSH 98-126: 85 dB(A), 3 dB exchange); \
                 {:.0} minutes are the limit. Wear hearing protection.",
                60.0 * 8.0 * 100.0 / reading.values["dose_8h_percent"]
            );
            reading.finding(Finding::caution("hearing", text));
        }
    }
}

impl Acoustic {
    fn new(rate: f64) -> Result<Self, Finding> {
        let filter = |weighting: Weighting| {
            weighting.filter(rate).map_err(|error| {
                Finding::stop(
                    "sample-rate-too-low",
                    format!("The weighting filters cannot be made: {error}."),
                )
            })
        };
        Ok(Self {
            a: filter(Weighting::A)?,
            c: filter(Weighting::C)?,
            fast: Exponential::new(rate, FAST_S),
            slow: Exponential::new(rate, SLOW_S),
            leq_a: MeanSquare::default(),
            leq_c: MeanSquare::default(),
            peak_c: Peak::default(),
            scratch: Vec::new(),
        })
    }

    fn feed(&mut self, samples: &[f32], curve: &mut FastCurve, sample_rate_hz: f64) {
        self.scratch.clear();
        self.scratch.extend(samples.iter().map(|&x| f64::from(x)));
        self.a.process_in_place(&mut self.scratch);
        for &y in &self.scratch {
            self.leq_a.add(y);
            self.slow.process(y);
            let fast = self.fast.process(y);
            curve.add(fast, sample_rate_hz);
        }
        self.scratch.clear();
        self.scratch.extend(samples.iter().map(|&x| f64::from(x)));
        self.c.process_in_place(&mut self.scratch);
        for &y in &self.scratch {
            self.leq_c.add(y);
            self.peak_c.add(y);
        }
    }
}

impl FastCurve {
    fn add(&mut self, mean_square: f64, sample_rate_hz: f64) {
        self.seen += 1;
        self.greatest = self.greatest.max(mean_square);
        self.until_next -= 1;
        if self.until_next > 0 {
            return;
        }
        self.time_s.push(self.seen as f64 / sample_rate_hz);
        self.level_db.push(dbfs(self.greatest));
        self.greatest = 0.0;
        if self.time_s.len() >= MOST_POINTS {
            // Of two neighbours the higher one stays, so that no maximum is lost.
            self.time_s = self.time_s.chunks(2).map(|pair| pair[pair.len() - 1]).collect();
            self.level_db =
                self.level_db.chunks(2).map(|pair| pair.iter().copied().fold(f64::MIN, f64::max)).collect();
            self.every *= 2;
        }
        self.until_next = self.every;
    }
}

#[cfg(test)]
mod tests {
    use std::f64::consts::PI;

    use testkit::near;

    use super::*;

    fn measured(samples: &[f32], rate: f64, calibrate: impl Fn(&mut Start)) -> Reading {
        let mut start = Start { sample_rate_hz: rate, channels: 1, ..Start::default() };
        calibrate(&mut start);
        let mut level = Level::default();
        level.start(&start).unwrap();
        let mut first_frame = 0;
        for block in samples.chunks(777) {
            level.feed(&Block { first_frame, channels: &[block], gap: false });
            first_frame += block.len() as u64;
        }
        let reading = level.finish();
        assert_eq!(reading.check(), Ok(()));
        reading
    }

    fn sine(amplitude: f64, frequency_hz: f64, rate: f64, seconds: f64) -> Vec<f32> {
        (0..(seconds * rate) as usize)
            .map(|n| (amplitude * (2.0 * PI * frequency_hz * n as f64 / rate).sin()) as f32)
            .collect()
    }

    /// Source: AES17 (0 dBFS), Ohm's law, the definitions of dBu and dBV: a full-scale
    /// sine on an input of 28.284 V peak is 20 V, 28.24 dBu, 26.02 dBV.
    #[test]
    fn volts_of_a_full_scale_sine() {
        let reading = measured(&sine(1.0, 1_000.0, 48_000.0, 1.0), 48_000.0, |start| {
            start.calibration.volts_per_fs = Some(20.0 * 2f64.sqrt());
        });
        for (name, wanted) in [
            ("rms_dbfs", 0.0),
            ("peak_dbfs", 0.0),
            ("crest_db", 3.010_3),
            ("rms_v", 20.0),
            ("peak_v", 28.284_27),
            ("peak_to_peak_v", 56.568_54),
            ("rms_dbu", 28.239_1),
            ("rms_dbv", 26.020_6),
        ] {
            near(name, reading.values[name], wanted, 1e-3);
        }
        assert!(!reading.values.contains_key("leq_a_db"));
    }

    /// Source: IEC 61672-1:2013, Table 3 (A and C are zero at 1 kHz; at 100 Hz −19.1
    /// and −0.3 dB) and the definition of the calibration: 94 dB at the given level.
    #[test]
    fn sound_pressure_of_a_calibrator_and_of_a_low_tone() {
        let calibrated = |start: &mut Start| start.calibration.dbfs_at_94 = Some(-20.0);
        let reading = measured(&sine(0.1, 1_000.0, 48_000.0, 8.0), 48_000.0, calibrated);
        for name in ["leq_a_db", "leq_c_db", "leq_z_db", "max_fast_a_db"] {
            near(name, reading.values[name], 94.0, 0.05);
        }
        // The sudden beginning of a tone goes a little over its peak in the C filter.
        let faded: Vec<f32> = sine(0.1, 1_000.0, 48_000.0, 2.0)
            .iter()
            .enumerate()
            .map(|(n, x)| x * (n as f32 / 48_000.0).min(1.0))
            .collect();
        near("peak", measured(&faded, 48_000.0, calibrated).values["peak_c_db"], 97.01, 0.05);
        // NIOSH 98-126, Table 1-1: one hour is allowed at 94 dB(A).
        near("dose", reading.values["dose_percent"], 8.0 / 36.0, 0.003);
        near("dose of a day", reading.values["dose_8h_percent"], 800.0, 8.0);
        assert_eq!(reading.curves["fast_a"]["time_s"].len(), 64);
        let reading = measured(&sine(0.1, 100.0, 48_000.0, 4.0), 48_000.0, calibrated);
        near("A at 100 Hz", reading.values["leq_a_db"], 94.0 - 19.1, 0.15);
        near("C at 100 Hz", reading.values["leq_c_db"], 94.0 - 0.3, 0.15);
        near("Z at 100 Hz", reading.values["leq_z_db"], 94.0, 0.01);
    }

    #[test]
    fn silence_and_full_scale_are_named() {
        let silent = measured(&[0.0; 4_800], 48_000.0, |_| {});
        assert!(silent.findings.iter().any(|finding| finding.code == "silent"));
        assert!(!silent.values.contains_key("rms_dbfs"));
        let square: Vec<f32> = (0..4_800).map(|n| if n % 48 < 24 { 1.0 } else { -1.0 }).collect();
        let clipped = measured(&square, 48_000.0, |_| {});
        assert!(clipped.findings.iter().any(|finding| finding.code == "input-clipped"));
        near("square", clipped.values["rms_dbfs"], 3.010_3, 1e-3);
        near("crest", clipped.values["crest_db"], 0.0, 1e-9);
        assert!(measured(&[], 48_000.0, |_| {}).stopped().is_some());
    }
}
