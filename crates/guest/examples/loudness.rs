//! The smallest useful plugin: RMS, peak and crest factor, as the built-in `level`
//! gives them. The tests compare the two.

use guest::{Block, Feed, Manifest, Plugin, Reading, Refusal, Start};

#[derive(Default)]
struct Loudness {
    sum_of_squares: f64,
    peak: f64,
    samples: f64,
}

impl Plugin for Loudness {
    fn manifest() -> Manifest {
        Manifest::new("example.loudness", 1, "Loudness", "RMS, peak and crest factor of whatever sounds.")
    }

    fn begin(_: &Start) -> Result<Self, Refusal> {
        Ok(Self::default())
    }

    fn feed(&mut self, block: &Block<'_>) -> Feed {
        for &sample in block.measured() {
            let x = f64::from(sample);
            self.sum_of_squares += x * x;
            self.peak = self.peak.max(x.abs());
        }
        self.samples += block.frames as f64;
        Feed::More
    }

    fn reading(&mut self) -> Reading {
        let rms = (self.sum_of_squares / self.samples).sqrt();
        let mut reading = Reading::new();
        reading
            // A full-scale sine reads 0 dBFS (AES17).
            .value("rms_dbfs", 20.0 * (rms * std::f64::consts::SQRT_2).log10())
            .value("peak_dbfs", 20.0 * self.peak.log10())
            .value("crest_db", 20.0 * (self.peak / rms).log10());
        if self.peak == 0.0 {
            reading.stop("no-signal", "Nothing was heard. Check the connection and the input's gain.");
        }
        reading
    }
}

guest::export!(Loudness);
