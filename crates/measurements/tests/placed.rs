//! Drivers recorded one after the other with the tracks `place-…`, each against the same reference driver: by any
//! recorder, begun at any time, on any clock. Response and arrival are told on one zero of time.
//!
//! The suite tries a few recordings of each track; `HEADREST_THOROUGH=1` tries 25 of each.

use dsp::biquad::Biquad;
use dsp::noise::WhiteNoise;
use dsp::resample::read_at;
use dsp::response::{db, interpolate_log};
use measure::{Block, ParameterValue, Reading, Start};
use measurements::built_ins;
use measurements::signals::{render_stereo, track};
use testkit::{at_most, near};

const RATE: f64 = 48_000.0;
const CASES: [usize; 2] = [2, 25];
/// The band of the reference driver.
const REFERENCE: [f64; 2] = [150.0, 5_000.0];

fn cases() -> usize {
    CASES[usize::from(std::env::var_os("HEADREST_THOROUGH").is_some())]
}

/// The filters of a driver that plays from one frequency to another.
fn filters([from_hz, to_hz]: [f64; 2]) -> [Biquad; 2] {
    let q = std::f64::consts::FRAC_1_SQRT_2;
    [Biquad::high_pass(RATE, from_hz, q).unwrap(), Biquad::low_pass(RATE, to_hz, q).unwrap()]
}

/// What a driver makes of a signal: its filters forward and backward, so that they do not delay.
fn through(band: [f64; 2], signal: &[f32]) -> Vec<f64> {
    let mut wave: Vec<f64> = signal.iter().map(|x| f64::from(*x)).collect();
    // What rings on into the past and the future of the track.
    wave.splice(0..0, vec![0.0; PAD]);
    wave.extend(vec![0.0; PAD]);
    for filter in filters(band) {
        for _ in 0..2 {
            let mut filter = filter.clone();
            wave.iter_mut().for_each(|x| *x = filter.process(*x));
            wave.reverse();
        }
    }
    wave
}
const PAD: usize = 24_000;

/// A recording of a track at a place.
struct Recording {
    track: &'static str,
    band: [f64; 2],
    /// How much later the driver's sound arrives than that of the reference driver.
    later_s: f64,
    gain: f64,
    ppm: f64,
    start_s: f64,
    snr_db: f64,
    seed: u64,
}

impl Recording {
    fn of(track: &'static str, band: [f64; 2], seed: u64) -> Self {
        let mut chance = WhiteNoise::new(seed);
        let mut draw = |low: f64, high: f64| low + (high - low) * chance.uniform();
        Self {
            track,
            band,
            later_s: draw(-0.004, 0.006),
            gain: 10f64.powf(draw(-1.0, 0.0)) * if draw(0.0, 1.0) < 0.5 { -1.0 } else { 1.0 },
            ppm: draw(-300.0, 300.0),
            start_s: draw(0.0, 8.0),
            snr_db: [20.0, 40.0][seed as usize % 2],
            seed,
        }
    }

    /// The samples: those from `lost.0` seconds on come `lost.1` samples earlier.
    fn samples(&self, lost: (f64, usize)) -> Vec<f32> {
        let [left, right] = render_stereo(&track(self.track).unwrap(), RATE);
        let step = 1.0 / (1.0 + self.ppm * 1e-6);
        let frames = ((self.start_s + left.len() as f64 / RATE + 1.5) * RATE) as usize;
        let at = |wave: &[f64], later_s: f64| {
            let wave: Vec<f32> = wave.iter().map(|x| *x as f32).collect();
            read_at(&wave, PAD as f64 - (self.start_s + later_s) * RATE, step, frames)
        };
        let reference = at(&through(REFERENCE, &left), 0.0);
        let driver = at(&through(self.band, &right), self.later_s);
        let loudest = driver.iter().fold(0.0f64, |most, x| most.max(x.abs()));
        let sounding: Vec<f64> = driver.iter().copied().filter(|x| x.abs() > 0.01 * loudest).collect();
        let power = sounding.iter().map(|x| x * x).sum::<f64>() / sounding.len() as f64;
        let sigma = self.gain.abs() * power.sqrt() * 10f64.powf(-self.snr_db / 20.0);
        let mut noise = WhiteNoise::new(1_000 + self.seed);
        // The reference is as loud as the driver.
        let heard = reference.iter().zip(&driver).map(|(reference, driver)| {
            (self.gain.abs() * reference + self.gain * driver + sigma * noise.sample()) as f32
        });
        let mut heard: Vec<f32> = heard.collect();
        let from = ((self.start_s + lost.0) * RATE) as usize;
        heard.drain(from..from + lost.1);
        heard
    }

    fn level_db(&self, at_hz: f64) -> f64 {
        let through: f64 = filters(self.band).iter().map(|f| 2.0 * db(f.response(at_hz).norm())).sum();
        db(self.gain.abs()) + through
    }

    fn says(&self) -> String {
        format!(
            "{} {}: {:.0} ppm, {} dB, {:.3} ms",
            self.track,
            self.seed,
            self.ppm,
            self.snr_db,
            1e3 * self.later_s
        )
    }
}

fn read(id: &str, name: &str, samples: &[f32]) -> Reading {
    let mut all = built_ins();
    let measurement = all.iter_mut().find(|one| one.manifest().id == id).unwrap();
    let mut start = Start { sample_rate_hz: RATE, channels: 1, stimulus: track(name), ..Start::default() };
    start.parameters = measurement.manifest().defaults();
    if id == "sweep" {
        start.parameters.set("smoothing", ParameterValue::Number(3.0));
    }
    measurement.start(&start).unwrap();
    measurement.feed(&Block { first_frame: 0, channels: &[samples], gap: false });
    let reading = measurement.finish();
    assert_eq!(reading.check(), Ok(()));
    reading
}

/// The tracks, and the band of a driver of each kind.
const PLACES: [(&str, [f64; 2]); 5] = [
    ("place-sub", [20.0, 120.0]),
    ("place-woofer", [50.0, 1_500.0]),
    ("place-mid", [150.0, 4_000.0]),
    ("place-high", [2_500.0, 20_000.0]),
    ("place-full", [60.0, 18_000.0]),
];

/// Source: analytic; filters, delays and clocks are known exactly. Bars of the design page: at ±300 ppm and 20 dB the
/// magnitude within 0.1 dB (third octaves), the clock within 0.5 ppm at 30 dB and more; arrivals within 1 µs full range and
/// 50 µs for a subwoofer at 40 dB, and at any level within four of the standard deviations that are told with them.
#[test]
#[expect(clippy::print_stderr, reason = "the long run says how far off the worst recording was")]
fn response_and_arrival_come_from_one_recording() {
    let (mut level_off_db, mut worst_s, mut sub_s, mut clock_off) = (0.0f64, 0.0f64, 0.0f64, 0.0f64);
    for (name, band) in PLACES {
        for seed in 0..cases() as u64 {
            let recording = Recording::of(name, band, seed);
            let what = recording.says();
            let samples = recording.samples((0.0, 0));
            let reading = read("sweep", name, &samples);
            assert_eq!(reading.stopped(), None, "{what}");
            assert!(!reading.findings.iter().any(|one| one.code == "clock-unknown"), "{what}");
            let clean = recording.snr_db >= 30.0;
            let clock = (reading.values["clock_ppm"] - recording.ppm).abs();
            at_most(&format!("clock, {what}"), clock, if clean { 0.5 } else { 2.0 });
            let curve = &reading.curves["response"];
            for share in [0.25, 0.5, 0.75] {
                let at_hz = band[0] * (band[1].min(16_000.0) / band[0]).powf(share);
                let level = interpolate_log(&curve["frequency_hz"], &curve["magnitude_db"], &[at_hz])[0];
                let off = (level - recording.level_db(at_hz)).abs();
                at_most(&format!("level at {at_hz:.0} Hz, {what}"), off, 0.1);
                level_off_db = level_off_db.max(off);
            }
            let wanted = if recording.gain < 0.0 { "inverted" } else { "normal" };
            assert_eq!(reading.labels["polarity"], wanted, "{what}");
            // The other measurement of the same track tells the same.
            let arrival = read("arrival", name, &samples);
            for (id, of) in [("sweep", &reading), ("arrival", &arrival)] {
                let off_s = (of.values["arrival_s"] - recording.later_s).abs();
                let told_s = of.values["random_error_s"];
                at_most(&format!("{id} arrival, {what}"), off_s, 4.0 * told_s + 1e-7);
                if clean {
                    let (worst, bar_s) =
                        if name == "place-sub" { (&mut sub_s, 50e-6) } else { (&mut worst_s, 1e-6) };
                    at_most(&format!("{id} arrival, {what}"), off_s, bar_s);
                    *worst = worst.max(off_s);
                }
            }
            if clean {
                clock_off = clock_off.max(clock);
            }
            // The reference driver, from its own arrival on.
            let reference = &reading.curves["reference"];
            let found =
                interpolate_log(&reference["frequency_hz"], &reference["magnitude_db"], &[1_000.0])[0];
            let true_db = Recording { band: REFERENCE, ..recording }.level_db(1_000.0);
            near(&format!("reference, {what}"), found, true_db, if clean { 0.1 } else { 0.6 });
        }
    }
    eprintln!(
        "the worst: level {level_off_db:.3} dB, arrival {:.2} µs, of a subwoofer {:.1} µs, clock {clock_off:.3} ppm",
        1e6 * worst_s,
        1e6 * sub_s
    );
}

/// Losses anywhere between the bursts, inside the test sweep as well, are told from a dozen samples on whatever the noise; fewer
/// are no more than 20 ppm of clock (the bar of the design page), and the clocks of one session's recordings tell them.
#[test]
fn lost_samples_are_told() {
    for (index, (name, band)) in PLACES.into_iter().enumerate() {
        let length_s = track(name).unwrap().duration_s();
        for (number, share) in [0.15, 0.5, 0.8].into_iter().enumerate() {
            let seed = 2 * (index + number) as u64 + 1;
            let lost = [2, 12, 600, 9_000, 48_000][(index + 2 * number) % 5];
            let recording = Recording { snr_db: 40.0, ..Recording::of(name, band, seed) };
            let reading = read("sweep", name, &recording.samples((share * length_s, lost)));
            let what = format!("{lost} at {share} of {}", recording.says());
            match reading.stopped() {
                Some(stop) => {
                    assert!(["copies-apart", "cut", "not-found"].contains(&&*stop.code), "{what}: {stop:?}");
                }
                None => {
                    assert!(lost < 12, "{what}: nothing is said");
                    near(&format!("clock, {what}"), reading.values["clock_ppm"], recording.ppm, 20.0);
                }
            }
        }
    }
}

/// Where little noise is, losses of a few samples between the marks are told as well: they are 14 to 30 ppm of clock, and enough to
/// turn the polarity of a tweeter.
#[test]
fn a_few_lost_samples_are_told_where_little_noise_is() {
    for (index, (name, band)) in PLACES.into_iter().enumerate() {
        let length_s = track(name).unwrap().duration_s();
        for (number, (share, lost)) in [(0.35, 5), (0.5, 7), (0.62, 10)].into_iter().enumerate() {
            let recording =
                Recording { snr_db: 60.0, ..Recording::of(name, band, (3 * index + number) as u64) };
            let what = format!("{lost} at {share} of {}", recording.says());
            let whole = read("sweep", name, &recording.samples((0.0, 0)));
            near(&format!("clock, {what}"), whole.values["clock_ppm"], recording.ppm, 0.5);
            let reading = read("sweep", name, &recording.samples((share * length_s, lost)));
            let is_told = |code: &str| ["copies-apart", "clock-doubtful"].contains(&code);
            assert!(reading.findings.iter().any(|finding| is_told(&finding.code)), "{what}: nothing is said");
            assert!(
                !whole.findings.iter().any(|finding| is_told(&finding.code)),
                "{what}: {:?}",
                whole.findings
            );
        }
    }
}

/// A recording without one of its two drivers says which.
#[test]
fn a_silent_driver_is_named() {
    let [left, right] = render_stereo(&track("place-mid").unwrap(), RATE);
    for (heard, missing) in [(left, "driver under test"), (right, "reference driver")] {
        let mut noise = WhiteNoise::new(3);
        let samples: Vec<f32> = heard.iter().map(|x| 0.3 * x + (1e-3 * noise.sample()) as f32).collect();
        let reading = read("sweep", "place-mid", &samples);
        let stop = reading.stopped().expect("there is no result");
        assert!(stop.code == "not-found" && stop.text.contains(missing), "{stop:?}");
    }
}
