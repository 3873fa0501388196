//! The noise floor of a source or a room, and the lines in it.

use dsp::biquad::Cascade;
use dsp::detector::MeanSquare;
use dsp::weighting::Weighting;
use measure::{
    Block, Cell, Feed, Finding, Manifest, Measurement, Parameter, Reading, Start, StimulusWanted, Table,
};

use crate::lines::{Line, PowerSpectrum};
use crate::scale::{Scale, dbfs};
use crate::signals;

/// How many lines are listed.
const MOST_LINES: usize = 40;

/// The filter's beginning is left out of the A-weighted level.
const SETTLE_S: f64 = 0.2;

/// Measures what is heard when nothing is played.
#[derive(Default)]
pub(crate) struct Noise {
    scale: Scale,
    sample_rate_hz: f64,
    plain: MeanSquare,
    sum: f64,
    weighting: Cascade,
    weighted: MeanSquare,
    scratch: Vec<f64>,
    fed: u64,
    spectrum: Option<PowerSpectrum>,
    least_db: f64,
    lost: bool,
}

/// What a line probably comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Kind {
    Mains,
    Whine,
    Tone,
}

impl Kind {
    fn word(self) -> &'static str {
        match self {
            Self::Mains => "mains",
            Self::Whine => "whine",
            Self::Tone => "tone",
        }
    }
}

impl Measurement for Noise {
    fn manifest(&self) -> Manifest {
        Manifest {
            id: "noise".to_owned(),
            title: "Noise".to_owned(),
            version: 1,
            summary: "Measures the noise floor while nothing is played, names mains hum and other lines. Repeat it \
                      at another engine speed: lines that move with it come from the alternator or the ignition."
                .to_owned(),
            channels: 1,
            needs_reference: false,
            stimulus: signals::track("quiet").map_or(StimulusWanted::Quiet, StimulusWanted::Suggested),
            parameters: vec![Parameter::number(
                "least",
                "db",
                -120.0,
                (-200.0, 0.0),
                "lines quieter than this (dBFS) are not listed",
            )],
        }
    }

    fn start(&mut self, start: &Start) -> Result<(), Finding> {
        let weighting = Weighting::A.filter(start.sample_rate_hz).map_err(|error| {
            Finding::stop("sample-rate-too-low", format!("The weighting filter cannot be made: {error}."))
        })?;
        *self = Self {
            scale: Scale::of(start),
            sample_rate_hz: start.sample_rate_hz,
            weighting,
            spectrum: Some(PowerSpectrum::new(start.sample_rate_hz)),
            least_db: start.parameters.number("least").unwrap_or(-120.0),
            ..Self::default()
        };
        Ok(())
    }

    fn feed(&mut self, block: &Block<'_>) -> Feed {
        self.lost |= block.gap;
        let samples = self.scale.samples(block);
        self.scratch.clear();
        for &sample in samples {
            let x = f64::from(sample);
            self.plain.add(x);
            self.sum += x;
            self.scratch.push(x);
        }
        self.weighting.process_in_place(&mut self.scratch);
        let settled = (SETTLE_S * self.sample_rate_hz) as u64;
        for (index, &y) in self.scratch.iter().enumerate() {
            if self.fed + index as u64 >= settled {
                self.weighted.add(y);
            }
        }
        self.fed += samples.len() as u64;
        if let Some(spectrum) = &mut self.spectrum {
            spectrum.feed(samples);
        }
        Feed::More
    }

    fn reading(&mut self) -> Reading {
        let mut reading = Reading::new("noise", 1, self.sample_rate_hz);
        let (Some(mean_square), Some(spectrum)) = (self.plain.get(), &self.spectrum) else { return reading };
        let mean = self.sum / self.plain.count() as f64;
        // An offset of the input is no noise.
        let noise = (mean_square - mean * mean).max(0.0);
        reading.value("rms_dbfs", dbfs(noise));
        if let Some(volts) = self.scale.volts(noise.sqrt()) {
            reading.value("rms_v", volts);
        }
        if let Some(weighted) = self.weighted.get() {
            reading.value("rms_a_dbfs", dbfs(weighted));
            reading.value("leq_a_db", self.scale.spl_db(dbfs(weighted)).unwrap_or(f64::NAN));
        }
        let (frequency_hz, level_db) = spectrum.curve();
        reading.curve("spectrum", [("frequency_hz", frequency_hz), ("level_db", level_db)]);
        let mut lines = spectrum.lines(15.0, MOST_LINES);
        lines.retain(|line| dbfs(line.mean_square) >= self.least_db);
        self.tell_lines(&lines, &mut reading);
        if self.lost {
            let text = "Samples were lost during the capture; the levels are those of what was recorded.";
            reading.finding(Finding::caution("samples-lost", text));
        }
        reading
    }

    fn finish(&mut self) -> Reading {
        if let Some(spectrum) = &mut self.spectrum {
            spectrum.finish();
        }
        let mut reading = self.reading();
        let Some(mean_square) = self.plain.get() else {
            reading.finding(Finding::stop("no-signal", "Nothing was recorded; check the input."));
            return reading;
        };
        if dbfs(mean_square) < -120.0 {
            let text = "The input is digitally silent: check that it is connected and not muted.";
            reading.finding(Finding::caution("silent", text));
        }
        let seconds = self.plain.count() as f64 / self.sample_rate_hz;
        if seconds < 2.0 {
            let text = format!(
                "The capture lasted {seconds:.1} s; lines close together are not told apart. Ten seconds are better."
            );
            reading.finding(Finding::note("short-capture", text));
        }
        reading
    }
}

impl Noise {
    fn tell_lines(&self, lines: &[Line], reading: &mut Reading) {
        let mains_hz = mains_of(lines);
        let kinds = kinds(lines, mains_hz);
        if let Some(mains_hz) = mains_hz {
            let total: f64 = lines
                .iter()
                .zip(&kinds)
                .filter(|(_, kind)| **kind == Kind::Mains)
                .map(|(line, _)| line.mean_square)
                .sum();
            reading.value("mains_hz", mains_hz).value("mains_db", dbfs(total));
            let text = format!(
                "Mains hum at {mains_hz:.0} Hz and its multiples, {:.1} dBFS in all. Something is connected to the \
                 mains (a charger, a computer): unplug it, or break the ground loop with an isolating transformer.",
                dbfs(total)
            );
            reading.finding(Finding::note("mains-hum", text));
        }
        if kinds.contains(&Kind::Whine) {
            let text = "A family of lines at multiples of one frequency stands in the noise. Measure again at \
                        another engine speed: if they move with it, they come from the alternator or the ignition, \
                        and the ground connection of the source or the amplifiers is the place to look.";
            reading.finding(Finding::note("whine", text));
        }
        let mut rows: Vec<(f64, f64, Kind)> = lines
            .iter()
            .zip(&kinds)
            .map(|(line, kind)| (line.frequency_hz, dbfs(line.mean_square), *kind))
            .collect();
        rows.sort_by(|a, b| a.0.total_cmp(&b.0));
        let rows = rows
            .into_iter()
            .map(|(hz, level, kind)| {
                vec![Cell::Number(hz), Cell::Number(level), Cell::Text(kind.word().to_owned())]
            })
            .collect();
        let columns = ["frequency_hz", "level_db", "kind"].map(str::to_owned).to_vec();
        reading.tables.insert("lines".to_owned(), Table { columns, rows });
    }
}

/// Whether a line is a multiple of a frequency: within 0.4 Hz or 0.15 %.
fn is_multiple(line_hz: f64, of_hz: f64) -> bool {
    let order = (line_hz / of_hz).round();
    order >= 1.0 && (line_hz - order * of_hz).abs() <= (0.0015 * line_hz).max(0.4)
}

/// The mains frequency whose family of lines is the strongest, if there is one:
/// 50 or 60 Hz, with a line at one of its first three multiples.
fn mains_of(lines: &[Line]) -> Option<f64> {
    [50.0, 60.0]
        .into_iter()
        .filter_map(|mains_hz| {
            let low = lines.iter().filter(|line| {
                line.frequency_hz < 3.5 * mains_hz && is_multiple(line.frequency_hz, mains_hz)
            });
            let strongest = low.max_by(|a, b| a.mean_square.total_cmp(&b.mean_square))?;
            let family: f64 = lines
                .iter()
                .filter(|line| line.frequency_hz < 1_000.0 && is_multiple(line.frequency_hz, mains_hz))
                .map(|line| line.mean_square)
                .sum();
            let order = (strongest.frequency_hz / mains_hz).round();
            Some((strongest.frequency_hz / order, family))
        })
        .max_by(|a, b| a.1.total_cmp(&b.1))
        .map(|(mains_hz, _)| mains_hz)
}

/// What each line probably is: a multiple of the mains; one of a family of at
/// least three multiples of one frequency; a tone of its own.
fn kinds(lines: &[Line], mains_hz: Option<f64>) -> Vec<Kind> {
    let mut kinds: Vec<Kind> = lines
        .iter()
        .map(|line| {
            // High multiples lie so close that any line would be one of them.
            let is_mains = mains_hz
                .is_some_and(|hz| line.frequency_hz < 25.0 * hz && is_multiple(line.frequency_hz, hz));
            if is_mains { Kind::Mains } else { Kind::Tone }
        })
        .collect();
    let others: Vec<usize> = (0..lines.len()).filter(|&index| kinds[index] == Kind::Tone).collect();
    for &base in &others {
        let base_hz = lines[base].frequency_hz;
        let near_multiple = |index: &&usize| {
            let ratio = lines[**index].frequency_hz / base_hz;
            (0.9..12.5).contains(&ratio) && (ratio - ratio.round()).abs() < 0.004
        };
        let family: Vec<usize> = others.iter().filter(near_multiple).copied().collect();
        if family.len() >= 3 {
            family.into_iter().for_each(|index| kinds[index] = Kind::Whine);
        }
    }
    kinds
}

#[cfg(test)]
mod tests {
    use std::f64::consts::PI;

    use dsp::noise::WhiteNoise;
    use testkit::near;

    use super::*;

    fn measured(tones: &[(f64, f64)], floor: f64, seconds: f64, acoustic: bool) -> Reading {
        let mut noise = WhiteNoise::new(9);
        let samples: Vec<f32> = (0..(seconds * 48_000.0) as usize)
            .map(|n| {
                let t = n as f64 / 48_000.0;
                let tones: f64 =
                    tones.iter().map(|(hz, amplitude)| amplitude * (2.0 * PI * hz * t + hz).sin()).sum();
                (tones + floor * noise.sample() + 0.01) as f32
            })
            .collect();
        let mut start = Start { sample_rate_hz: 48_000.0, channels: 1, ..Start::default() };
        start.calibration.dbfs_at_94 = acoustic.then_some(-30.0);
        let mut measurement = Noise::default();
        measurement.start(&start).unwrap();
        for (index, block) in samples.chunks(2_000).enumerate() {
            measurement.feed(&Block { first_frame: 2_000 * index as u64, channels: &[block], gap: false });
        }
        let reading = measurement.finish();
        assert_eq!(reading.check(), Ok(()));
        reading
    }

    fn kind_of(reading: &Reading, hz: f64) -> Option<(f64, String)> {
        reading.tables["lines"].rows.iter().find_map(|row| match row.as_slice() {
            [Cell::Number(f), Cell::Number(level), Cell::Text(kind)] if (f - hz).abs() < 0.3 => {
                Some((*level, kind.clone()))
            }
            _ => None,
        })
    }

    #[test]
    fn hum_is_named_with_its_frequency_and_level() {
        for mains_hz in [49.98, 60.02] {
            let tones =
                [(mains_hz, 1e-3), (2.0 * mains_hz, 5e-4), (3.0 * mains_hz, 7e-4), (7.0 * mains_hz, 1e-4)];
            let reading = measured(&tones, 1e-5, 10.0, false);
            near("mains", reading.values["mains_hz"], mains_hz, 0.02);
            let total: f64 = tones.iter().map(|(_, amplitude)| amplitude * amplitude / 2.0).sum();
            near("mains level", reading.values["mains_db"], dbfs(total), 0.1);
            let (level, kind) = kind_of(&reading, 3.0 * mains_hz).unwrap();
            assert_eq!(kind, "mains");
            near("third", level, 20.0 * 7e-4f64.log10(), 0.1);
        }
    }

    #[test]
    fn whine_and_single_tones_are_told_apart() {
        let tones = [(713.0, 1e-3), (1_426.0, 5e-4), (2_139.0, 3e-4), (5_000.0, 1e-3), (15_625.0, 2e-4)];
        let reading = measured(&tones, 1e-5, 6.0, false);
        assert!(!reading.values.contains_key("mains_hz"));
        for (hz, kind) in
            [(713.0, "whine"), (1_426.0, "whine"), (2_139.0, "whine"), (5_000.0, "tone"), (15_625.0, "tone")]
        {
            assert_eq!(kind_of(&reading, hz).unwrap().1, kind, "{hz} Hz");
        }
    }

    /// White noise has no lines; its A-weighted level follows from the curve:
    /// −2.72 dB re its plain level at 48 kHz (the mean of the squared A curve over
    /// 0 to 24 kHz, integrated with numpy from the formula of IEC 61672-1).
    #[test]
    fn plain_noise_has_no_lines() {
        let reading = measured(&[], 1e-3, 10.0, true);
        assert!(reading.tables["lines"].rows.is_empty(), "{:?}", reading.tables["lines"].rows);
        near("rms", reading.values["rms_dbfs"], -60.0 + 3.01, 0.05);
        let weighted = reading.values["rms_a_dbfs"];
        near("A re plain", weighted - reading.values["rms_dbfs"], A_OF_WHITE_DB, 0.2);
        near("SPL", reading.values["leq_a_db"], weighted + 30.0 + 94.0, 1e-9);
    }

    const A_OF_WHITE_DB: f64 = -2.722;

    #[test]
    fn nothing_and_little_are_said() {
        assert!(measured(&[], 0.0, 0.0, false).stopped().is_some());
        let short = measured(&[], 1e-3, 0.5, false);
        assert!(short.findings.iter().any(|finding| finding.code == "short-capture"));
    }
}
