//! A tone taken apart: distortion, noise, harmonics and clipping.

use dsp::harmonics::{HarmonicAnalyzer, Harmonics};
use dsp::sine_fit::{guess_frequency, three_parameter};
use dsp::statistics::median;
use measure::{Block, Feed, Finding, Manifest, Measurement, Parameter, Reading, Start, StimulusWanted};

use crate::lines::PowerSpectrum;
use crate::scale::{Scale, db, dbfs};
use crate::signals;

/// Only the newest part of a long stream is kept.
const KEPT_S: f64 = 30.0;

/// A live reading looks at this much.
const LIVE_S: f64 = 0.5;

/// The final reading looks at this much of the steady part at the most.
const MOST_S: f64 = 4.0;

/// The steady part is looked for in frames of one period of 20 Hz.
const FRAME_S: f64 = 0.05;

/// Frames within this of the middle of the loud ones belong to the steady part.
const STEADY_DB: f64 = 1.5;

/// A tone holds at least this part of the power of a stretch that is called one.
const LEAST_PART: f64 = 0.2;

/// A tone whose harmonics and itself hold this part of a stretch is not looked into further.
const WHOLE_PART: f64 = 0.9;

/// What lies between a tone's harmonics, at whole parts of its frequency, makes it the
/// overtone of a lower one when it holds this part of the power.
const BETWEEN_PART: f64 = 0.1;

/// The highest overtone that a tone may be.
const HIGHEST_OVERTONE: usize = 9;

/// Quieter than this there is no tone.
const QUIETEST_DBFS: f64 = -100.0;

/// Measures the distortion of a steady tone of any frequency.
#[derive(Default)]
pub(crate) struct Tone {
    scale: Scale,
    sample_rate_hz: f64,
    wanted_hz: Option<f64>,
    samples: Vec<f32>,
    peak: f64,
    analyzer: HarmonicAnalyzer,
    lost: bool,
}

impl Measurement for Tone {
    fn manifest(&self) -> Manifest {
        Manifest {
            id: "tone".to_owned(),
            title: "Tone".to_owned(),
            version: 1,
            summary: "Takes a steady tone apart: frequency, level, THD, THD+N (20 Hz to 20 kHz, both re the \
                      fundamental), harmonics, signal-to-noise ratio, and whether its tops are cut flat."
                .to_owned(),
            channels: 1,
            needs_reference: false,
            stimulus: signals::track("tone-1k").map_or(StimulusWanted::Any, StimulusWanted::Suggested),
            parameters: vec![Parameter::number(
                "frequency",
                "hz",
                0.0,
                (0.0, 20_000.0),
                "roughly where the tone lies; 0 takes the strongest",
            )],
        }
    }

    fn start(&mut self, start: &Start) -> Result<(), Finding> {
        *self = Self {
            scale: Scale::of(start),
            sample_rate_hz: start.sample_rate_hz,
            wanted_hz: start.parameters.number("frequency").filter(|hz| *hz > 0.0),
            ..Self::default()
        };
        Ok(())
    }

    fn feed(&mut self, block: &Block<'_>) -> Feed {
        if block.gap {
            // A jump in the tone would look like distortion.
            self.lost = true;
            self.samples.clear();
        }
        let samples = self.scale.samples(block);
        self.samples.extend_from_slice(samples);
        let kept = (KEPT_S * self.sample_rate_hz) as usize;
        if self.samples.len() > 2 * kept {
            self.samples.drain(..self.samples.len() - kept);
        }
        self.peak = samples.iter().fold(self.peak, |peak, x| peak.max(f64::from(x.abs())));
        Feed::More
    }

    fn reading(&mut self) -> Reading {
        let live = (LIVE_S * self.sample_rate_hz) as usize;
        let from = self.samples.len().saturating_sub(live);
        self.read(from..self.samples.len(), false)
    }

    fn finish(&mut self) -> Reading {
        let range = steady_part(&self.samples, self.sample_rate_hz);
        self.read(range, true)
    }
}

impl Tone {
    fn read(&mut self, range: std::ops::Range<usize>, is_final: bool) -> Reading {
        let mut reading = Reading::new("tone", 1, self.sample_rate_hz);
        if self.lost {
            let text = "Samples were lost; only what came after the last loss was looked at.";
            reading.finding(Finding::caution("samples-lost", text));
        }
        let part = &self.samples[range];
        let harmonics = match take_apart(part, self.sample_rate_hz, self.wanted_hz, &mut self.analyzer) {
            Heard::Tone(harmonics) => harmonics,
            other => {
                if is_final {
                    reading.finding(no_tone(&other));
                }
                return reading;
            }
        };
        let count = part.len() as f64;
        let mean = part.iter().map(|&x| f64::from(x)).sum::<f64>() / count;
        let mean_square = part.iter().map(|&x| (f64::from(x) - mean).powi(2)).sum::<f64>() / count;
        let peak = part.iter().fold(0.0f64, |peak, &x| peak.max((f64::from(x) - mean).abs()));
        reading
            .value("frequency_hz", harmonics.fundamental.frequency_hz)
            .value("rms_dbfs", dbfs(mean_square))
            .value("crest_db", db(peak / mean_square.sqrt()))
            .value("thd_n_percent", 100.0 * harmonics.thd_n)
            .value("snr_db", db(harmonics.snr()));
        if let Some(volts) = self.scale.volts(mean_square.sqrt()) {
            reading.value("rms_v", volts);
        }
        if harmonics.components.is_empty() {
            let text =
                "No harmonic of this tone lies below 20 kHz and half the sample rate; there is no THD.";
            reading.finding(Finding::note("no-harmonics-in-band", text));
        } else if let Some(thd) = harmonics.thd.filter(|_| harmonics.is_told()) {
            reading.value("thd_percent", 100.0 * thd);
        } else {
            let at_most = 100.0 * harmonics.thd_at_most;
            reading.value("thd_at_most_percent", at_most);
            let text = format!(
                "The distortion cannot be told from the noise: THD is at most {} %.",
                if at_most < 1e-4 { "0.0001".to_owned() } else { format!("{at_most:.4}") }
            );
            reading.finding(Finding::note("thd-below-noise", text));
        }
        for order in 2..=10 {
            if let Some(ratio) = harmonics.ratio(order) {
                reading.value(&format!("h{order}_db"), db(ratio));
            }
        }
        self.clipping(&harmonics, peak + mean.abs(), &mut reading);
        if is_final {
            let mut spectrum = PowerSpectrum::new(self.sample_rate_hz);
            spectrum.feed(part);
            spectrum.finish();
            let (frequency_hz, level_db) = spectrum.curve();
            reading.curve("spectrum", [("frequency_hz", frequency_hz), ("level_db", level_db)]);
        }
        reading
    }

    fn clipping(&self, harmonics: &Harmonics, peak: f64, reading: &mut Reading) {
        let Some((top, bottom)) = harmonics.roundness() else {
            let text = "Fewer than nine harmonics of this tone fit below 20 kHz and half the sample rate, so that a \
                        flat top cannot be seen. A lower tone shows it.";
            reading.finding(Finding::caution("one-sign-only", text));
            return;
        };
        let sharp = harmonics.sharpness().is_some_and(|sharpness| sharpness > 0.8);
        let is_flat = |roundness: f64| {
            harmonics.thd.is_some_and(|thd| thd >= 3e-4) && (roundness < 0.35 || (sharp && roundness < 0.9))
        };
        let sides = usize::from(is_flat(top)) + usize::from(is_flat(bottom));
        reading.label("clipping", ["none", "one-sided", "both-sides"][sides]);
        if sides > 0 && peak >= 0.99 {
            let text = "The recording itself reaches full scale and is cut off there. Turn down the input's gain: \
                        nothing can be said about the source.";
            reading.finding(Finding::caution("input-clipped", text));
        }
    }
}

/// What a stretch holds.
enum Heard {
    Tone(Harmonics),
    /// The strongest line is an overtone of something that repeats less often.
    Overtone {
        of_hz: f64,
    },
    Nothing,
}

fn no_tone(heard: &Heard) -> Finding {
    let text = match heard {
        Heard::Overtone { of_hz: hz } => format!(
            "What sounds repeats {hz:.1} times a second, but its overtones are stronger than the tone of {hz:.1} Hz \
             itself: this is no tone any more. A digital source whose numbers run over the end of their scale sounds \
             so. Turn the volume down and measure again."
        ),
        _ => "No steady tone of at least five periods was found. Play a tone, check the connection and the \
                 input's gain."
            .to_owned(),
    };
    Finding::stop("no-tone", text)
}

fn take_apart(
    part: &[f32],
    sample_rate_hz: f64,
    wanted_hz: Option<f64>,
    analyzer: &mut HarmonicAnalyzer,
) -> Heard {
    let (from_hz, to_hz) = wanted_hz.map_or((15.0, 0.49 * sample_rate_hz), |hz| (0.9 * hz, 1.1 * hz));
    let harmonics = guess_frequency(part, sample_rate_hz, from_hz, to_hz)
        .and_then(|start_hz| analyzer.analyze(part, sample_rate_hz, start_hz));
    let Some(harmonics) = harmonics else { return Heard::Nothing };
    let count = part.len() as f64;
    let mean = part.iter().map(|&x| f64::from(x)).sum::<f64>() / count;
    let power = part.iter().map(|&x| (f64::from(x) - mean).powi(2)).sum::<f64>() / count;
    let tone = harmonics.fundamental.amplitude.powi(2) / 2.0;
    if dbfs(tone) <= QUIETEST_DBFS || tone <= LEAST_PART * power {
        return Heard::Nothing;
    }
    if wanted_hz.is_none()
        && harmonics.signal_rms().powi(2) < WHOLE_PART * power
        && let Some(of_hz) = lower_tone(part, sample_rate_hz, harmonics.fundamental.frequency_hz, power)
    {
        return Heard::Overtone { of_hz };
    }
    Heard::Tone(harmonics)
}

/// The frequency of which a line is an overtone: the highest whole part of it at whose
/// other multiples there is a good part of the power.
fn lower_tone(part: &[f32], sample_rate_hz: f64, line_hz: f64, power: f64) -> Option<f64> {
    const LOOKED_AT_S: f64 = 0.25;
    let frames = ((LOOKED_AT_S * sample_rate_hz) as usize).min(part.len());
    let part = &part[(part.len() - frames) / 2..][..frames];
    (2..=HIGHEST_OVERTONE).map(|divisor| (divisor, line_hz / divisor as f64)).find_map(|(divisor, hz)| {
        let between: f64 = (1..3 * divisor)
            .filter(|order| order % divisor != 0)
            .filter_map(|order| three_parameter(part, sample_rate_hz, order as f64 * hz))
            .map(|fit| fit.amplitude.powi(2) / 2.0)
            .sum();
        (hz > 15.0 && between > BETWEEN_PART * power).then_some(hz)
    })
}

/// The longest stretch of even level among the loud ones, its ends trimmed; of a
/// longer one the middle.
fn steady_part(samples: &[f32], sample_rate_hz: f64) -> std::ops::Range<usize> {
    let frame = ((FRAME_S * sample_rate_hz).round() as usize).max(1);
    let levels: Vec<f64> = samples
        .chunks_exact(frame)
        .map(|part| dbfs(part.iter().map(|&x| f64::from(x).powi(2)).sum::<f64>() / frame as f64))
        .collect();
    let loudest = levels.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let loud: Vec<f64> = levels.iter().copied().filter(|level| *level > loudest - 10.0).collect();
    let Some(middle) = median(&loud).filter(|level| level.is_finite()) else { return 0..samples.len() };
    let (mut best, mut run) = (0..0, 0..0);
    for (index, level) in levels.iter().enumerate() {
        if (level - middle).abs() <= STEADY_DB {
            run = if run.is_empty() { index..index + 1 } else { run.start..index + 1 };
            if run.len() > best.len() {
                best = run.clone();
            }
        } else {
            run = 0..0;
        }
    }
    // The outer frames may hold a fade, unless they are the recording's own ends.
    let start = if best.start == 0 || best.len() < 4 { best.start } else { best.start + 1 };
    let end = if best.end == levels.len() || best.len() < 4 { best.end } else { best.end - 1 };
    let (mut start, mut end) = (start * frame, end * frame);
    let most = (MOST_S * sample_rate_hz) as usize;
    if end - start > most {
        start += (end - start - most) / 2;
        end = start + most;
    }
    start..end
}

#[cfg(test)]
mod tests {
    use std::f64::consts::PI;

    use dsp::noise::WhiteNoise;
    use testkit::{at_most, near};

    use super::*;

    fn measured(samples: &[f32], rate: f64) -> Reading {
        let mut tone = Tone::default();
        let mut start = Start { sample_rate_hz: rate, channels: 1, ..Start::default() };
        start.calibration.volts_per_fs = Some(10.0);
        tone.start(&start).unwrap();
        for (index, block) in samples.chunks(1_500).enumerate() {
            tone.feed(&Block { first_frame: 1_500 * index as u64, channels: &[block], gap: false });
        }
        let reading = tone.finish();
        assert_eq!(reading.check(), Ok(()));
        reading
    }

    /// A tone of some seconds between two silences with a little noise.
    fn recording(rate: f64, seconds: f64, noise: f64, wave: impl Fn(f64) -> f64) -> Vec<f32> {
        let mut hiss = WhiteNoise::new(2);
        let silence = (0.3 * rate) as usize;
        let count = (seconds * rate) as usize;
        (0..count + 2 * silence)
            .map(|n| {
                let inside = (silence..silence + count).contains(&n);
                let signal = if inside { wave(n as f64 / rate) } else { 0.0 };
                (signal + noise * hiss.sample()) as f32
            })
            .collect()
    }

    /// Any tone from 20 Hz to 20 kHz at any rate, between silences.
    #[test]
    fn tones_of_any_frequency_at_any_rate() {
        for rate in [8_000.0, 44_100.0, 48_000.0, 192_000.0] {
            for frequency_hz in [20.0, 41.7, 315.0, 1_000.0, 3_999.0, 12_000.0, 19_900.0] {
                if frequency_hz > 0.45 * rate {
                    continue;
                }
                let samples = recording(rate, 0.8, 1e-6, |t| 0.5 * (2.0 * PI * frequency_hz * t).sin());
                let reading = measured(&samples, rate);
                let what = format!("{frequency_hz} Hz at {rate} Hz");
                near(&what, reading.values["frequency_hz"], frequency_hz, 1e-4 * frequency_hz);
                near(&format!("level of {what}"), reading.values["rms_dbfs"], -6.02, 0.05);
                near(&format!("volts of {what}"), reading.values["rms_v"], 3.535_5, 0.02);
                if let Some(thd) = reading.values.get("thd_percent") {
                    at_most(&format!("THD of {what}"), *thd, 0.002);
                }
                assert!(reading.labels.get("clipping").is_none_or(|word| word == "none"), "{what}");
            }
        }
    }

    /// Source: Fourier series of the clipped sine, THD 4.220 % at 0.9, and 1.924 % at
    /// 0.95; AES17's band for the noise.
    #[test]
    fn clipping_is_measured_and_named() {
        for (c, thd) in [(0.9, 4.220), (0.95, 1.924)] {
            let reading = measured(
                &recording(48_000.0, 1.0, 1e-5, |t| 0.5 * (2.0 * PI * 100.3 * t).sin().clamp(-c, c)),
                48_000.0,
            );
            near("THD", reading.values["thd_percent"], thd, 0.005 * thd);
            assert_eq!(reading.labels["clipping"], "both-sides");
        }
        let one = measured(
            &recording(48_000.0, 1.0, 1e-5, |t| 0.5 * (2.0 * PI * 1_000.0 * t).sin().min(0.97)),
            48_000.0,
        );
        assert_eq!(one.labels["clipping"], "one-sided");
        let soft = measured(
            &recording(48_000.0, 1.0, 1e-5, |t| (0.5 * (2.0 * PI * 1_000.0 * t).sin()).tanh()),
            48_000.0,
        );
        assert_eq!(soft.labels["clipping"], "none");
        let full = measured(
            &recording(48_000.0, 1.0, 0.0, |t| (1.2 * (2.0 * PI * 1_000.0 * t).sin()).clamp(-1.0, 1.0)),
            48_000.0,
        );
        assert!(full.findings.iter().any(|finding| finding.code == "input-clipped"));
    }

    #[test]
    fn harmonics_and_noise_in_decibels() {
        let samples = recording(48_000.0, 2.0, 5e-5, |t| {
            let phase = 2.0 * PI * 1_000.0 * t;
            0.5 * (phase.sin() + 0.01 * (2.0 * phase).sin() + 0.001 * (5.0 * phase).cos())
        });
        let reading = measured(&samples, 48_000.0);
        near("h2", reading.values["h2_db"], -40.0, 0.02);
        near("h5", reading.values["h5_db"], -60.0, 0.05);
        // Noise of 5e-5 RMS has 19.98/24 of its power in the band.
        let snr = 20.0 * (0.5 / 2f64.sqrt() / 5e-5).log10() + 10.0 * (24.0f64 / 19.98).log10();
        near("SNR", reading.values["snr_db"], snr, 0.3);
        assert!(!reading.curves["spectrum"]["level_db"].is_empty());
    }

    #[test]
    fn no_tone_is_refused() {
        for samples in [vec![], vec![0.0; 20_000], recording(48_000.0, 1.0, 0.1, |_| 0.0), vec![0.5; 100]] {
            assert_eq!(measured(&samples, 48_000.0).stopped().map(|f| f.code.as_str()), Some("no-tone"));
        }
    }
}
