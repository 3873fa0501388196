//! A plugin that scores how well left and right match.
//!
//! Both sides play the same pink noise, and two channels record them: two outputs
//! of a processor, or two microphones at mirrored places. In each third of an
//! octave the levels are compared; what is left after the mean difference is what
//! pulls an image to one side at some frequencies and not at others.

use guest::{Block, Feed, Manifest, Plugin, Reading, Refusal, Start, real_fft};

/// Samples in one transform; half of them are new each time.
const LENGTH: usize = 16_384;

struct Match {
    rate_hz: f64,
    from_hz: f64,
    to_hz: f64,
    window: Vec<f64>,
    held: [Vec<f64>; 2],
    /// The power of each bin, added up over all transforms.
    power: [Vec<f64>; 2],
    turns: u32,
    lost: bool,
}

impl Plugin for Match {
    fn manifest() -> Manifest {
        Manifest::new(
            "example.match",
            1,
            "Left and right match",
            "Scores how well two channels match, third by third of an octave. \
             Connect left to the first input and right to the second, and play pink noise on both.",
        )
        .channels(2)
        .suggests("pink")
        .number("from", "Hz", 200.0, (20.0, 2_000.0), "compare from here up")
        .number("to", "Hz", 8_000.0, (1_000.0, 20_000.0), "compare up to here")
    }

    fn begin(start: &Start) -> Result<Self, Refusal> {
        let (rate_hz, from_hz, to_hz) =
            (start.sample_rate_hz(), start.parameter("from"), start.parameter("to"));
        if to_hz < 2.0 * from_hz || to_hz > 0.45 * rate_hz {
            return Err(Refusal::new(
                "no-range",
                "Let `to` be at least twice `from` and below 45 % of the sample rate.",
            ));
        }
        // Hann, in the form whose copies half a length apart add up to one.
        let turn = core::f64::consts::TAU / LENGTH as f64;
        let window = (0..LENGTH).map(|i| 0.5 - 0.5 * (turn * i as f64).cos()).collect();
        let power = [vec![0.0; LENGTH / 2 + 1], vec![0.0; LENGTH / 2 + 1]];
        Ok(Self { rate_hz, from_hz, to_hz, window, held: [vec![], vec![]], power, turns: 0, lost: false })
    }

    fn feed(&mut self, block: &Block<'_>) -> Feed {
        if block.gap {
            // A transform over a gap would show a click that nobody heard.
            self.lost = true;
            self.held.iter_mut().for_each(Vec::clear);
        }
        for (side, held) in self.held.iter_mut().enumerate() {
            held.extend(block.channel(side).iter().map(|&sample| f64::from(sample)));
        }
        while self.held[0].len() >= LENGTH {
            for (held, power) in self.held.iter_mut().zip(&mut self.power) {
                let windowed: Vec<f64> = held.iter().zip(&self.window).map(|(x, w)| x * w).collect();
                let mut spectrum = Vec::new();
                real_fft(&windowed, &mut spectrum);
                for (sum, [re, im]) in power.iter_mut().zip(spectrum) {
                    *sum += re * re + im * im;
                }
                held.drain(..LENGTH / 2);
            }
            self.turns += 1;
        }
        Feed::More
    }

    fn reading(&mut self) -> Reading {
        let mut reading = Reading::new();
        if self.lost {
            reading.caution("gap", "Samples were lost; the transforms around the gap were left out.");
        }
        let (mut frequency_hz, mut difference_db) = (vec![], vec![]);
        // Exact mid-bands of thirds of an octave (IEC 61260-1, base ten).
        for number in -20..=13 {
            let middle_hz = 1_000.0 * 10_f64.powf(f64::from(number) / 10.0);
            if (self.from_hz * 0.99..=self.to_hz * 1.01).contains(&middle_hz) {
                let half = 10_f64.powf(0.05);
                let bin = |hz: f64| ((hz * LENGTH as f64 / self.rate_hz).round() as usize).min(LENGTH / 2);
                let band = bin(middle_hz / half)..bin(middle_hz * half) + 1;
                let [left, right] = [0, 1].map(|side| self.power[side][band.clone()].iter().sum::<f64>());
                if left > 0.0 && right > 0.0 {
                    frequency_hz.push(middle_hz);
                    difference_db.push(10.0 * (left / right).log10());
                }
            }
        }
        if frequency_hz.len() < 3 {
            let text = "There is nothing on one of the channels to compare. Check the connections, and record \
                        at least a second.";
            reading.stop("nothing-to-compare", text);
            return reading;
        }
        let count = difference_db.len() as f64;
        let balance_db = difference_db.iter().sum::<f64>() / count;
        difference_db.iter_mut().for_each(|x| *x -= balance_db);
        let rms_db = (difference_db.iter().map(|x| x * x).sum::<f64>() / count).sqrt();
        let worst = (0..difference_db.len())
            .max_by(|&a, &b| difference_db[a].abs().total_cmp(&difference_db[b].abs()))
            .unwrap_or(0);
        reading
            .value("balance_db", balance_db)
            .value("rms_db", rms_db)
            .value("worst_db", difference_db[worst])
            .value("worst_hz", frequency_hz[worst])
            // A measure of our own: half of the score is gone at 3 dB.
            .value("score_percent", 100.0 / (1.0 + (rms_db / 3.0).powi(2)))
            .value("averages", f64::from(self.turns))
            .curve("difference", &[("frequency_hz", &frequency_hz), ("magnitude_db", &difference_db)]);
        reading
    }
}

guest::export!(Match);
