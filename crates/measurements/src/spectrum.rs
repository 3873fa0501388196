//! The fractional-octave spectrum of whatever sounds, as it sounds.

use dsp::detector::MeanSquare;
use dsp::fft_bands::FftBands;
use dsp::octave::Band;
use dsp::octave_bank::OctaveBank;
use measure::{Block, Feed, Finding, Manifest, Measurement, Parameter, Reading, Start, StimulusWanted};

use crate::scale::{Scale, dbfs};
use crate::signals;

/// Blocks are cut to this length, so that averages follow the sound closely.
const PIECE: usize = 1_024;

/// A band with less in it reads this: there is nothing.
const EMPTY_DBFS: f64 = -200.0;

/// Splits the sound into bands: a class 1 filter bank for 1/1 and 1/3 octave,
/// Fourier bands for narrower ones.
#[derive(Default)]
pub(crate) struct Spectrum {
    scale: Scale,
    sample_rate_hz: f64,
    pace: Pace,
    bands: Vec<Band>,
    microphone_db: Vec<f64>,
    averages: Vec<Average>,
    method: Option<Method>,
    energy: Vec<f64>,
    broadband: MeanSquare,
    lost: bool,
}

enum Method {
    Bank(Box<OctaveBank>),
    Fourier(FftBands),
}

/// How the sound is averaged.
#[derive(Debug, Clone, Copy, Default)]
struct Pace {
    /// The time constant of an exponential average; zero averages everything alike.
    average_s: f64,
    /// How long a piece is of which the spread is told; zero tells none.
    piece_s: f64,
}

/// The mean square of one band.
#[derive(Debug, Clone, Default)]
struct Average {
    mean_square: f64,
    weight_s: f64,
    /// How long to wait until the band's filter has settled.
    unsettled_s: f64,
    /// What was seen before that, for recordings that end sooner.
    early_energy: f64,
    early_s: f64,
    /// The piece that is being heard, and the level of those that have been, in dB.
    piece_energy: f64,
    piece_heard_s: f64,
    pieces_db: Vec<f64>,
}

impl Average {
    /// Takes the mean square of a stretch.
    fn add(&mut self, mean_square: f64, seconds: f64, Pace { average_s, piece_s }: Pace) {
        if self.unsettled_s > 0.0 {
            self.unsettled_s -= seconds;
            self.early_energy += mean_square * seconds;
            self.early_s += seconds;
            return;
        }
        self.weight_s += seconds;
        // An exponential average begins as a plain one, so that it is right at once.
        let plain = seconds / self.weight_s;
        let part = if average_s > 0.0 { plain.max(-(-seconds / average_s).exp_m1()) } else { plain };
        self.mean_square += part * (mean_square - self.mean_square);
        if piece_s > 0.0 {
            self.piece_energy += mean_square * seconds;
            self.piece_heard_s += seconds;
            // By the whole of the time, so that the pieces do not wander.
            if self.weight_s >= (self.pieces_db.len() + 1) as f64 * piece_s {
                self.pieces_db.push(dbfs(self.piece_energy / self.piece_heard_s).max(EMPTY_DBFS));
                (self.piece_energy, self.piece_heard_s) = (0.0, 0.0);
            }
        }
    }

    /// How far the level of the pieces differs beside what noise does by itself, which is
    /// `4.343/√(B·T)` dB in a piece of `T` seconds.
    fn spread_db(&self, bandwidth_hz: f64, piece_s: f64) -> f64 {
        let count = self.pieces_db.len() as f64;
        let mean = self.pieces_db.iter().sum::<f64>() / count;
        let variance = self.pieces_db.iter().map(|db| (db - mean).powi(2)).sum::<f64>() / (count - 1.0);
        let own = 4.343f64.powi(2) / (bandwidth_hz * piece_s);
        (variance - own).max(0.0).sqrt()
    }

    fn get(&self) -> Option<f64> {
        if self.weight_s > 0.0 {
            Some(self.mean_square)
        } else {
            (self.early_s > 0.0).then(|| self.early_energy / self.early_s)
        }
    }
}

impl Measurement for Spectrum {
    fn manifest(&self) -> Manifest {
        Manifest {
            id: "spectrum".to_owned(),
            title: "Spectrum".to_owned(),
            version: 1,
            summary: "Shows the sound in fractional-octave bands while it sounds, usually pink noise. The microphone's \
                      calibration is applied."
                .to_owned(),
            channels: 1,
            needs_reference: false,
            stimulus: signals::track("pink").map_or(StimulusWanted::Any, StimulusWanted::Suggested),
            parameters: vec![
                Parameter::choice(
                    "fraction",
                    &["3", "1", "6", "12", "24", "48"],
                    "bands of 1/N octave; 1 and 3 by a class 1 filter bank",
                ),
                Parameter::number(
                    "average",
                    "s",
                    0.0,
                    (0.0, 600.0),
                    "time constant of the running average; 0 averages the whole capture",
                ),
                Parameter::number(
                    "moving",
                    "s",
                    0.0,
                    (0.0, 10.0),
                    "the microphone is moved: tell the spread over pieces of so long; 0 tells none, 1 is usual",
                ),
                Parameter::number("from", "hz", 20.0, (5.0, 96_000.0), "the lowest band"),
                Parameter::number("to", "hz", 20_000.0, (5.0, 96_000.0), "the highest band"),
            ],
        }
    }

    fn start(&mut self, start: &Start) -> Result<(), Finding> {
        let number = |name: &str, otherwise: f64| start.parameters.number(name).unwrap_or(otherwise);
        let rate = start.sample_rate_hz;
        let fraction = start.parameters.text("fraction").and_then(|text| text.parse().ok()).unwrap_or(3);
        let (from_hz, to_hz) = (number("from", 20.0), number("to", 20_000.0));
        let refuse = |why: String| Finding::stop("no-bands", why);
        let method = if matches!(fraction, 1 | 3) {
            OctaveBank::new(fraction, rate, from_hz, to_hz)
                .map(|bank| Method::Bank(Box::new(bank)))
                .map_err(|e| refuse(e.to_string()))?
        } else {
            Method::Fourier(FftBands::new(fraction, rate, from_hz, to_hz))
        };
        let bands: Vec<Band> = match &method {
            Method::Bank(bank) => bank.bands().collect(),
            Method::Fourier(analyzer) => analyzer.bands().to_vec(),
        };
        if bands.is_empty() {
            return Err(refuse(format!(
                "There is no 1/{fraction}-octave band from {from_hz} to {to_hz} Hz at a sample rate of {rate} Hz; \
                 choose other limits."
            )));
        }
        let scale = Scale::of(start);
        let middles: Vec<f64> = bands.iter().map(|band| band.mid_hz).collect();
        let settles = matches!(method, Method::Bank(_));
        *self = Self {
            microphone_db: scale.microphone_db(&middles),
            averages: bands
                .iter()
                .map(|band| Average {
                    unsettled_s: if settles { OctaveBank::settling_s(band) } else { 0.0 },
                    ..Average::default()
                })
                .collect(),
            energy: vec![0.0; bands.len()],
            scale,
            sample_rate_hz: rate,
            pace: Pace { average_s: number("average", 0.0), piece_s: number("moving", 0.0) },
            bands,
            method: Some(method),
            broadband: MeanSquare::default(),
            lost: false,
        };
        Ok(())
    }

    fn feed(&mut self, block: &Block<'_>) -> Feed {
        self.lost |= block.gap;
        for piece in self.scale.samples(block).chunks(PIECE) {
            let energy: f64 = piece.iter().map(|&x| f64::from(x).powi(2)).sum();
            self.broadband.add_energy(energy, piece.len() as u64);
            let pace = self.pace;
            match &mut self.method {
                Some(Method::Bank(bank)) => {
                    self.energy.fill(0.0);
                    bank.feed(piece, &mut self.energy);
                    let seconds = piece.len() as f64 / self.sample_rate_hz;
                    for (average, energy) in self.averages.iter_mut().zip(&self.energy) {
                        average.add(energy / piece.len() as f64, seconds, pace);
                    }
                }
                Some(Method::Fourier(analyzer)) => analyzer.feed(piece, |range, powers, seconds| {
                    for (average, power) in self.averages[range].iter_mut().zip(powers) {
                        average.add(*power, seconds, pace);
                    }
                }),
                None => {}
            }
        }
        Feed::More
    }

    fn reading(&mut self) -> Reading {
        let mut reading = Reading::new("spectrum", 1, self.sample_rate_hz);
        let Some(broadband) = self.broadband.get() else { return reading };
        reading.value("broadband_dbfs", dbfs(broadband));
        if let Some(spl) = self.scale.spl_db(dbfs(broadband)) {
            reading.value("broadband_spl_db", spl);
        }
        let (mut frequency_hz, mut level_db) = (Vec::new(), Vec::new());
        for ((band, average), microphone) in self.bands.iter().zip(&self.averages).zip(&self.microphone_db) {
            let Some(mean_square) = average.get() else { continue };
            let level = dbfs(mean_square).max(EMPTY_DBFS) - microphone;
            frequency_hz.push(band.mid_hz);
            level_db.push(self.scale.spl_db(level).unwrap_or(level));
        }
        reading.curve("bands", [("frequency_hz", frequency_hz), ("level_db", level_db)]);
        self.tell_spread(&mut reading);
        reading.label("level_reference", if self.scale.is_acoustic() { "spl" } else { "dbfs" });
        if self.lost {
            let text =
                "Samples were lost during the capture; the spectrum is an average over what was recorded.";
            reading.finding(Finding::caution("samples-lost", text));
        }
        reading
    }

    fn finish(&mut self) -> Reading {
        let pace = self.pace;
        if let Some(Method::Fourier(analyzer)) = self.method.take() {
            analyzer.finish(|range, powers, seconds| {
                for (average, power) in self.averages[range].iter_mut().zip(powers) {
                    average.add(*power, seconds, pace);
                }
            });
        }
        let mut reading = self.reading();
        match self.broadband.get() {
            None => {
                reading.finding(Finding::stop("no-signal", "Nothing was recorded; check the input."));
            }
            Some(mean_square) if dbfs(mean_square) < -120.0 => {
                let text = "The input is silent: check the connection, the input's gain and which channel is measured.";
                reading.finding(Finding::caution("silent", text));
            }
            Some(_) => {
                self.short_recording(&mut reading);
                self.short_walk(&mut reading);
            }
        }
        reading
    }
}

/// With fewer independent pieces the spread says little (common practice, no source).
const FEW_PIECES: f64 = 8.0;

impl Spectrum {
    /// The spread over the pieces of a moved microphone, and how many of them are independent:
    /// `n·(1 − r)/(1 + r)`, `r` the correlation of neighbouring pieces over all bands.
    ///
    /// References: the effective number of a series whose neighbours are correlated (Bayley and
    /// Hammersley, J. R. Stat. Soc. Suppl. 8, 1946, first order; from memory). Accuracy:
    /// `the_spread_of_a_moved_microphone`.
    fn tell_spread(&self, reading: &mut Reading) {
        let heard = |average: &&Average| average.get().is_some();
        let told = self.averages.iter().filter(heard);
        if self.pace.piece_s <= 0.0 || told.clone().any(|average| average.pieces_db.len() < 3) {
            return;
        }
        let bands = self.bands.iter().zip(&self.averages).filter(|(_, average)| heard(average));
        let spread_db =
            bands.map(|(band, average)| average.spread_db(band.bandwidth_hz(), self.pace.piece_s));
        let spread_db: Vec<f64> = spread_db.collect();
        if let Some(curve) = reading.curves.get_mut("bands") {
            curve.insert("spread_db".to_owned(), spread_db);
        }
        let (mut own, mut neighbours) = (0.0, 0.0);
        let mut pieces = usize::MAX;
        for average in told {
            let levels = &average.pieces_db;
            let mean = levels.iter().sum::<f64>() / levels.len() as f64;
            own += levels.iter().map(|db| (db - mean).powi(2)).sum::<f64>();
            neighbours += levels.windows(2).map(|pair| (pair[0] - mean) * (pair[1] - mean)).sum::<f64>();
            pieces = pieces.min(levels.len());
        }
        let correlation = if own > 0.0 { (neighbours / own).clamp(0.0, 0.99) } else { 0.0 };
        reading
            .value("pieces", pieces as f64)
            .value("independent_pieces", pieces as f64 * (1.0 - correlation) / (1.0 + correlation));
    }

    /// Says when the microphone was not moved long or fast enough.
    fn short_walk(&self, reading: &mut Reading) {
        let Some(independent) = reading.values.get("independent_pieces").copied() else { return };
        if independent < FEW_PIECES {
            let text = format!(
                "Only {independent:.0} pieces of the way are independent of one another: move the microphone through the whole \
                 space of the head, for half a minute, and no slower than that takes."
            );
            reading.finding(Finding::note("short-walk", text));
        }
    }

    /// The statistical error of a band of noise is `4.343/√(B·T)` dB.
    fn short_recording(&self, reading: &mut Reading) {
        let seconds = self.broadband.count() as f64 / self.sample_rate_hz;
        let uncertain = |band: &&Band| 4.343 / (band.bandwidth_hz() * seconds).sqrt() > 1.0;
        if let Some(highest) = self.bands.iter().rev().find(uncertain) {
            let text = format!(
                "The capture lasted {seconds:.1} s: up to {:.0} Hz, noise leaves the levels uncertain by more than \
                 1 dB. Measure longer for the low bands.",
                highest.mid_hz
            );
            reading.finding(Finding::note("short-capture", text));
        }
    }
}

#[cfg(test)]
mod tests {
    use std::f64::consts::PI;

    use dsp::noise::PinkNoise;
    use measure::{CalibrationCurve, ParameterValue};
    use testkit::near;

    use super::*;

    fn measured(samples: &[f32], fraction: &str, calibrate: impl Fn(&mut Start)) -> Reading {
        let mut start = Start { sample_rate_hz: 48_000.0, channels: 1, ..Start::default() };
        start.parameters.set("fraction", ParameterValue::Text(fraction.to_owned()));
        calibrate(&mut start);
        let mut spectrum = Spectrum::default();
        spectrum.start(&start).unwrap();
        for (index, block) in samples.chunks(4_800).enumerate() {
            spectrum.feed(&Block { first_frame: 4_800 * index as u64, channels: &[block], gap: false });
        }
        let reading = spectrum.finish();
        assert_eq!(reading.check(), Ok(()));
        reading
    }

    /// Source: pink noise has equal power in bands of equal ratio; the bar is the
    /// design's max(0.3 dB, 3σ), σ = 4.343/√(BT).
    #[test]
    fn pink_noise_reads_flat_in_third_octaves() {
        let mut noise = PinkNoise::new(15.0, 21_500.0, 48_000.0, 3);
        let samples: Vec<f32> = (0..20 * 48_000).map(|_| (0.1 * noise.sample()) as f32).collect();
        for fraction in ["3", "1", "12"] {
            let reading = measured(&samples, fraction, |_| {});
            let curve = &reading.curves["bands"];
            let levels = &curve["level_db"];
            let mean = levels.iter().sum::<f64>() / levels.len() as f64;
            let ratio = 10f64.powf(0.15 / fraction.parse::<f64>().unwrap());
            for (frequency_hz, level) in curve["frequency_hz"].iter().zip(levels) {
                if (25.0..17_000.0).contains(frequency_hz) {
                    let width_hz = frequency_hz * (ratio - 1.0 / ratio);
                    let sigma = 4.343 / (width_hz * 20.0).sqrt();
                    near(
                        &format!("1/{fraction} at {frequency_hz} Hz"),
                        level - mean,
                        0.0,
                        (3.0 * sigma).max(0.3),
                    );
                }
            }
            near("broadband", reading.values["broadband_dbfs"], -20.0 + 3.01, 0.3);
        }
    }

    /// Source: arithmetic: pieces that alternate by ±3 dB every four seconds have a standard deviation of 3·√(n/(n − 1)) dB
    /// and a power average of 10·lg((10^0.3 + 10^−0.3)/2) = 0.968 dB above their middle; noise that stays has
    /// the spread of nothing but itself, which is taken off.
    #[test]
    fn the_spread_of_a_moved_microphone() {
        let mut noise = PinkNoise::new(15.0, 21_500.0, 48_000.0, 5);
        let steady: Vec<f32> = (0..40 * 48_000).map(|_| (0.1 * noise.sample()) as f32).collect();
        let moved: Vec<f32> = steady
            .iter()
            .enumerate()
            .map(|(n, x)| x * 10f32.powf(if (n / (4 * 48_000)).is_multiple_of(2) { 0.15 } else { -0.15 }))
            .collect();
        let moving = |start: &mut Start| start.parameters.set("moving", ParameterValue::Number(1.0));
        let (still, walked) = (measured(&steady, "3", moving), measured(&moved, "3", moving));
        let column = |reading: &Reading, name: &str| reading.curves["bands"][name].clone();
        let frequency_hz = column(&still, "frequency_hz");
        let broad = |of: &[f64]| -> f64 {
            let within = frequency_hz.iter().zip(of).filter(|(f, _)| (2_000.0..10_000.0).contains(*f));
            within.clone().map(|(_, value)| value).sum::<f64>() / within.count() as f64
        };
        assert!(broad(&column(&still, "spread_db")) < 0.25, "{:?}", column(&still, "spread_db"));
        near("spread", broad(&column(&walked, "spread_db")), 3.04, 0.1);
        let louder = broad(&column(&walked, "level_db")) - broad(&column(&still, "level_db"));
        near("power average", louder, 0.968, 0.1);
        near("pieces", walked.values["pieces"], 40.0, 2.0);
        assert!(still.values["independent_pieces"] > 25.0, "{:?}", still.values);
        // The transforms of narrow bands reach over the border of two pieces.
        let narrow = measured(&moved, "12", moving);
        let (hz, spread_db) = (column(&narrow, "frequency_hz"), column(&narrow, "spread_db"));
        let high: Vec<f64> = hz
            .iter()
            .zip(spread_db)
            .filter(|(f, _)| (2_000.0..10_000.0).contains(*f))
            .map(|(_, db)| db)
            .collect();
        near("spread in narrow bands", high.iter().sum::<f64>() / high.len() as f64, 3.0, 0.2);
        assert!(walked.values["independent_pieces"] < 15.0, "{:?}", walked.values);
        assert!(!measured(&steady, "12", |_| {}).curves["bands"].contains_key("spread_db"));
    }

    /// A sine reads its level in its band; the microphone's own response is taken off.
    #[test]
    fn a_sine_and_a_microphone() {
        let sine: Vec<f32> = (0..96_000)
            .map(|n| (0.1 * (2.0 * PI * 1_000.0 * f64::from(n) / 48_000.0).sin()) as f32)
            .collect();
        let reading = measured(&sine, "3", |start| {
            start.calibration.dbfs_at_94 = Some(-20.0);
            start.calibration.microphone = Some(CalibrationCurve {
                frequency_hz: vec![20.0, 20_000.0],
                magnitude_db: vec![2.0, 2.0],
                phase_deg: Vec::new(),
            });
        });
        let curve = &reading.curves["bands"];
        let index = curve["frequency_hz"].iter().position(|f| (f - 1_000.0).abs() < 1e-6).unwrap();
        near("1 kHz", curve["level_db"][index], 92.0, 0.05);
        assert_eq!(reading.labels["level_reference"], "spl");
    }

    #[test]
    fn limits_without_a_band_are_refused() {
        let mut start = Start { sample_rate_hz: 8_000.0, channels: 1, ..Start::default() };
        start.parameters.set("from", ParameterValue::Number(10_000.0));
        for fraction in ["3", "24"] {
            start.parameters.set("fraction", ParameterValue::Text(fraction.to_owned()));
            assert_eq!(Spectrum::default().start(&start).unwrap_err().code, "no-bands");
        }
    }
}
