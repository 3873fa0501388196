//! What the measurements share that look at a whole recording: it is taped while
//! it comes in, and analysed at the end.
//!
//! A recording of hours is not kept whole. Where a track is looked for in it, it is searched by windows that
//! overlap by more than the track, and what was found best is the result; where it is averaged, its beginning is.

use measure::{Block, Feed, Finding, Manifest, Measurement, Reading, Start};

use crate::tape::Tape;

/// How many samples are kept to be averaged, the measured channel and the reference together: four minutes of two
/// channels at 48 kHz, 100 MB.
const MOST_AVERAGED: usize = 24 << 20;
/// How many samples are kept to be searched: four minutes of one channel at 48 kHz, 50 MB. Of twice as
/// many an hour of stereo took 411 MB in all.
const MOST_SEARCHED: usize = 12 << 20;

/// How much longer than the track the windows overlap: the ends of a capture, and the clock.
const MARGIN_S: f64 = 5.0;

/// A started measurement that has its recording on tape.
pub(crate) trait Analyse: Sized + Send {
    /// The measurement's id.
    const ID: &'static str;
    /// Its version.
    const VERSION: u32;
    /// Whether it looks for a track that is somewhere in the recording, or averages over all of it.
    const LOOKS_FOR_A_TRACK: bool = true;

    /// What it says of itself.
    fn manifest() -> Manifest;

    /// Looks at what is to be measured, and puts an empty tape in.
    ///
    /// # Errors
    /// Why it cannot be measured.
    fn prepare(start: &Start) -> Result<Self, Finding>;

    /// What has been recorded.
    fn tape(&self) -> &Tape;

    /// The tape that records.
    fn tape_mut(&mut self) -> &mut Tape;

    /// Writes what the recording holds into the reading.
    ///
    /// # Errors
    /// Why there is no result.
    fn analyse(&self, reading: &mut Reading) -> Result<(), Finding>;
}

/// A measurement on tape, started or not.
#[derive(Debug)]
pub(crate) struct Taped<R>(Option<Started<R>>);

#[derive(Debug)]
struct Started<R> {
    running: R,
    /// How many samples the tape may hold.
    most_samples: usize,
    /// By how much windows overlap.
    overlap_frames: usize,
    /// What the windows so far have given; nothing while there was none.
    found: Option<Reading>,
    /// Whether only the beginning was kept.
    is_full: bool,
}

impl<R> Default for Taped<R> {
    fn default() -> Self {
        Self(None)
    }
}

impl<R: Analyse> Started<R> {
    fn empty_reading(&self) -> Reading {
        Reading::new(R::ID, R::VERSION, self.running.tape().sample_rate_hz)
    }

    /// Looks at what is on the tape, and keeps the better of this and what was found before.
    fn look(&mut self) {
        let mut reading = self.empty_reading();
        if let Err(stop) = self.running.analyse(&mut reading) {
            reading.finding(stop);
        }
        if self.found.as_ref().is_none_or(|before| is_better(&reading, before)) {
            self.found = Some(reading);
        }
    }
}

/// Whether what one window gave is more than what another one gave: a result before none, the clearer result, and
/// else the reason that says more.
fn is_better(new: &Reading, old: &Reading) -> bool {
    let clear_db = |reading: &Reading| reading.values.get("snr_db").copied().unwrap_or(f64::NEG_INFINITY);
    let says = |stop: &Finding| match stop.code.as_str() {
        "no-signal" => 0,
        "not-found" => 1,
        "cut" => 2,
        _ => 3,
    };
    match (new.stopped(), old.stopped()) {
        (None, None) => clear_db(new) > clear_db(old),
        (None, Some(_)) => true,
        (Some(_), None) => false,
        (Some(new), Some(old)) => says(new) > says(old),
    }
}

impl<R: Analyse> Measurement for Taped<R> {
    fn manifest(&self) -> Manifest {
        R::manifest()
    }

    /// Starts anew; nothing is started when it cannot be measured.
    fn start(&mut self, start: &Start) -> Result<(), Finding> {
        self.0 = None;
        let track_s = start.stimulus.as_ref().map_or(0.0, measure::Stimulus::duration_s);
        self.0 = Some(Started {
            running: R::prepare(start)?,
            most_samples: if R::LOOKS_FOR_A_TRACK { MOST_SEARCHED } else { MOST_AVERAGED },
            overlap_frames: ((track_s + MARGIN_S) * start.sample_rate_hz) as usize,
            found: None,
            is_full: false,
        });
        Ok(())
    }

    fn feed(&mut self, block: &Block<'_>) -> Feed {
        let Some(started) = self.0.as_mut().filter(|started| !started.is_full) else { return Feed::More };
        started.running.tape_mut().feed(block);
        // A window that is hardly longer than its overlap would be searched over and over.
        let most = started.most_samples.max(3 * started.overlap_frames);
        if started.running.tape().held() >= most {
            if R::LOOKS_FOR_A_TRACK {
                started.look();
                started.running.tape_mut().keep_last(started.overlap_frames);
            } else {
                started.is_full = true;
            }
        }
        Feed::More
    }

    fn reading(&mut self) -> Reading {
        let Some(started) = &self.0 else { return Reading::new(R::ID, R::VERSION, 0.0) };
        let mut reading = started.empty_reading();
        reading.findings = started.running.tape().findings();
        if started.is_full {
            let kept_s = started.running.tape().samples.len() as f64 / reading.sample_rate_hz;
            let text = format!(
                "The recording is longer than is looked at; the result is that of its first {:.0} minutes.",
                kept_s / 60.0
            );
            reading.finding(Finding::note("beginning-only", text));
        }
        reading
    }

    fn finish(&mut self) -> Reading {
        let mut reading = self.reading();
        let Some(mut started) = self.0.take() else { return reading };
        started.look();
        if let Some(found) = started.found {
            let (tape, analysis) = (reading.findings, found.findings.clone());
            reading = Reading { findings: tape, ..found };
            for finding in analysis {
                reading.finding(finding);
            }
        }
        reading
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::signals::{render, track};
    use crate::sweep::SweepMeasurement;

    /// Where a track begins: in the first window, across the end of it, in the last. The track `sweep-sub` lasts
    /// less than half a minute, and the shortest windows three times as long.
    const PLACES_S: [f64; 3] = [2.0, 70.0, 150.0];

    /// Quiet noise with one track in it, from this second on.
    fn swept(at_s: f64, windowed: bool) -> Reading {
        const RATE_HZ: f64 = 8_000.0;
        let played = render(&track("sweep-sub").expect("a standard track"), RATE_HZ);
        let mut noise = dsp::noise::WhiteNoise::new(3);
        let frames = ((PLACES_S[2] + 60.0) * RATE_HZ) as usize;
        let mut samples: Vec<f32> = (0..frames).map(|_| (1e-4 * noise.sample()) as f32).collect();
        for (sample, x) in samples.iter_mut().skip((at_s * RATE_HZ) as usize).zip(&played) {
            *sample += 0.2 * x;
        }
        let mut measurement = SweepMeasurement::default();
        let start = Start {
            sample_rate_hz: RATE_HZ,
            channels: 1,
            stimulus: track("sweep-sub"),
            parameters: measurement.manifest().defaults(),
            ..Start::default()
        };
        measurement.start(&start).expect("it is measured");
        if windowed {
            let started = measurement.0.as_mut().expect("it was started");
            started.most_samples = 0;
        }
        for (index, part) in samples.chunks(4_096).enumerate() {
            measurement.feed(&Block { first_frame: 4_096 * index as u64, channels: &[part], gap: false });
            if windowed {
                let started = measurement.0.as_ref().expect("it was started");
                assert!(started.running.tape().held() <= 3 * started.overlap_frames + 4_096);
            }
        }
        measurement.finish()
    }

    /// Wherever it lies, a track is measured by windows as it is in the whole recording.
    #[test]
    fn a_track_is_found_by_windows_as_in_the_whole() {
        let length_s = track("sweep-sub").expect("a standard track").duration_s();
        assert!(length_s < 30.0, "{length_s}");
        for at_s in PLACES_S {
            let (whole, windowed) = (swept(at_s, false), swept(at_s, true));
            testkit::near("arrival", windowed.values["arrival_s"], whole.values["arrival_s"], 1e-6);
            testkit::near("arrival", windowed.values["arrival_s"], at_s, 1e-3);
            assert_eq!(windowed.findings, whole.findings);
            let (got, wanted) =
                (&windowed.curves["response"]["magnitude_db"], &whole.curves["response"]["magnitude_db"]);
            testkit::all_near("response", got, wanted, 1e-3);
        }
        // Beyond its end there is none.
        assert_eq!(swept(1e4, true).stopped().expect("nothing was played").code, "not-found");
    }

    #[test]
    fn what_says_more_is_kept() {
        let stop = |code: &str| {
            let mut reading = Reading::new("sweep", 1, 48_000.0);
            reading.finding(Finding::stop(code, "Because."));
            reading
        };
        let heard = |snr_db: f64| {
            let mut reading = Reading::new("sweep", 1, 48_000.0);
            reading.value("snr_db", snr_db);
            reading
        };
        assert!(is_better(&heard(10.0), &stop("clipped")) && !is_better(&stop("clipped"), &heard(10.0)));
        assert!(is_better(&heard(20.0), &heard(10.0)) && !is_better(&heard(10.0), &heard(20.0)));
        assert!(is_better(&stop("clipped"), &stop("cut")) && is_better(&stop("cut"), &stop("not-found")));
        assert!(is_better(&stop("not-found"), &stop("no-signal")) && !is_better(&stop("cut"), &stop("cut")));
    }
}
