//! What the radio plays: the live input or a memory stick, each by its own clock.

use std::f64::consts::PI;

use crate::delay::kaiser;

/// Half of the resampler's taps at a cut-off of half the lower rate.
const HALF: usize = 64;
/// How many fractions of a sample are tabulated; between them the table is
/// read linearly, which is exact to 10⁻⁶.
const FRACTIONS: usize = 1024;
/// The Kaiser window's shape: 120 dB of stop band.
const BETA: f64 = 12.0;

/// How far a live player with its own clock is read behind, so that either
/// clock may gain on the other for a while.
const LEAD_S: f64 = 0.25;

/// A track on a memory stick.
#[derive(Debug, Clone, PartialEq)]
pub struct Stick {
    /// Its sample rate, any.
    pub sample_rate_hz: f64,
    /// Interleaved stereo samples.
    pub samples: Vec<f32>,
    /// When it begins, from now on; negative for one that is already under way.
    pub start_s: f64,
    /// How much faster the recorder's clock runs than the player's.
    pub clock_ppm: f64,
    /// Whether it begins again when it has ended.
    pub repeat: bool,
}

/// Why a memory stick cannot be played.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum StickError {
    /// The track's sample rate is outside 8 kHz to 192 kHz.
    SampleRate(f64),
    /// The clock's offset is beyond ±2,000 ppm.
    Clock(f64),
    /// The start is not a number or beyond a day.
    Start(f64),
    /// There is half a frame at the end.
    HalfFrame,
}

impl std::fmt::Display for StickError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::SampleRate(hz) => write!(f, "a track at {hz} Hz; expected 8000 to 192000 Hz"),
            Self::Clock(ppm) => write!(f, "a clock that is {ppm} ppm off; expected −2000 to 2000 ppm"),
            Self::Start(s) => write!(f, "a track that starts at {s} s; expected −86400 to 86400 s"),
            Self::HalfFrame => f.write_str("a track with an odd number of samples; expected stereo pairs"),
        }
    }
}

impl std::error::Error for StickError {}

impl Stick {
    pub(crate) fn check(&self) -> Result<(), StickError> {
        if !(8_000.0..=192_000.0).contains(&self.sample_rate_hz) {
            Err(StickError::SampleRate(self.sample_rate_hz))
        } else if !(self.clock_ppm.abs() <= 2_000.0) {
            Err(StickError::Clock(self.clock_ppm))
        } else if !(self.start_s.abs() <= 86_400.0) {
            Err(StickError::Start(self.start_s))
        } else if self.samples.len() % 2 == 1 {
            Err(StickError::HalfFrame)
        } else {
            Ok(())
        }
    }
}

/// A band-limited interpolator: a windowed sinc, tabulated.
///
/// `y(t) = Σ x[k]·c·sinc(c·(t − k))·w((t − k)/half)` with `c` the cut-off re
/// the input's Nyquist frequency and `w` a Kaiser window (β 12).
///
/// References: J. O. Smith, *Digital Audio Resampling Home Page*.
/// Accuracy: state in `a_resampled_sine_is_a_sine`: error −100 dB up to 0.42
/// times the lower rate.
#[derive(Debug, Clone)]
struct Interpolator {
    half: usize,
    /// `FRACTIONS + 1` rows of `2·half` weights.
    table: Vec<f64>,
}

impl Interpolator {
    /// `ratio` is the output's rate over the input's.
    #[expect(clippy::cast_precision_loss, reason = "table indices are small")]
    fn new(ratio: f64) -> Self {
        let cutoff = ratio.min(1.0);
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a few hundred taps")]
        let half = (HALF as f64 / cutoff).ceil() as usize;
        let mut table = Vec::with_capacity((FRACTIONS + 1) * 2 * half);
        for row in 0..=FRACTIONS {
            let fraction = row as f64 / FRACTIONS as f64;
            let start = table.len();
            for k in 0..2 * half {
                let x = k as f64 - (half as f64 - 1.0) - fraction;
                let sinc = if x == 0.0 { 1.0 } else { (PI * cutoff * x).sin() / (PI * cutoff * x) };
                table.push(sinc * kaiser(x / half as f64, BETA));
            }
            let sum: f64 = table[start..].iter().sum();
            table[start..].iter_mut().for_each(|weight| *weight /= sum);
        }
        Self { half, table }
    }

    /// Both channels at a position; `frame` gives the input's frames, silence
    /// outside.
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        clippy::cast_precision_loss,
        reason = "positions in a recording fit an i64; rows lie inside the table"
    )]
    fn at(&self, position: f64, frame: impl Fn(i64) -> [f64; 2]) -> [f64; 2] {
        let whole = position.floor();
        let row = (position - whole) * FRACTIONS as f64;
        let (index, blend) = (row as usize, row.fract());
        let taps = 2 * self.half;
        let low = &self.table[index * taps..(index + 1) * taps];
        let high = &self.table[(index + 1) * taps..(index + 2) * taps];
        let first = whole as i64 - (self.half as i64 - 1);
        let mut sum = [0.0; 2];
        for ((offset, &a), &b) in (0i64..).zip(low).zip(high) {
            let weight = a + blend * (b - a);
            let [left, right] = frame(first + offset);
            sum[0] += weight * left;
            sum[1] += weight * right;
        }
        sum
    }
}

/// A live player whose clock is not the recorder's.
#[derive(Debug, Clone)]
struct Drifting {
    interpolator: Interpolator,
    step: f64,
    ring: Vec<[f64; 2]>,
    received: i64,
    position: f64,
    lead: f64,
    slips: u64,
}

impl Drifting {
    fn new(clock_ppm: f64, sample_rate_hz: f64) -> Self {
        let lead = (LEAD_S * sample_rate_hz).round();
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a second of samples")]
        let capacity = (4.0 * lead) as usize + 4 * HALF;
        Self {
            interpolator: Interpolator::new(1.0),
            step: 1.0 / (1.0 + clock_ppm * 1e-6),
            ring: vec![[0.0; 2]; capacity.next_power_of_two()],
            received: 0,
            position: -lead,
            lead,
            slips: 0,
        }
    }

    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        clippy::cast_precision_loss,
        reason = "frame numbers are far below 2⁵³, masked ones below the capacity"
    )]
    fn next(&mut self, input: [f64; 2]) -> [f64; 2] {
        let mask = self.ring.len() - 1;
        self.ring[self.received as usize & mask] = input;
        self.received += 1;
        let (ring, received) = (&self.ring, self.received);
        let frame = |k: i64| if (0..received).contains(&k) { ring[k as usize & mask] } else { [0.0; 2] };
        let out = self.interpolator.at(self.position, frame);
        self.position += self.step;
        let behind = self.received as f64 - self.position;
        if behind < 2.0 * HALF as f64 || behind > 2.0 * self.lead + 2.0 * HALF as f64 {
            self.position = self.received as f64 - self.lead;
            self.slips += 1;
        }
        out
    }
}

/// A track while it plays.
#[derive(Debug, Clone)]
struct Playing {
    stick: Stick,
    interpolator: Interpolator,
    /// Track frames per recorded frame.
    step: f64,
    /// The track frame at which the recorder's frame 0 falls.
    origin: f64,
    frame: u64,
}

impl Playing {
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        clippy::cast_precision_loss,
        reason = "frame numbers are far below 2⁵³, and indices are checked against the length"
    )]
    fn next(&mut self) -> [f64; 2] {
        let position = self.origin + self.frame as f64 * self.step;
        self.frame += 1;
        let samples = &self.stick.samples;
        let length = (samples.len() / 2) as i64;
        let repeat = self.stick.repeat && length > 0;
        if position < -(self.interpolator.half as f64)
            || (!repeat && position > length as f64 + self.interpolator.half as f64)
        {
            return [0.0; 2];
        }
        self.interpolator.at(position, |k| {
            let k = if repeat && k >= length { k % length } else { k };
            if (0..length).contains(&k) {
                let at = 2 * k as usize;
                [f64::from(samples[at]), f64::from(samples[at + 1])]
            } else {
                [0.0; 2]
            }
        })
    }
}

/// The radio's source.
#[derive(Debug, Clone)]
pub(crate) struct Player {
    sample_rate_hz: f64,
    drifting: Option<Drifting>,
    live_ppm: f64,
    stick: Option<Playing>,
}

impl Player {
    pub(crate) fn new(sample_rate_hz: f64) -> Self {
        Self { sample_rate_hz, drifting: None, live_ppm: 0.0, stick: None }
    }

    /// Gives the live player a clock of its own, or the recorder's for 0.
    pub(crate) fn set_live_clock(&mut self, ppm: f64) {
        if ppm != self.live_ppm {
            self.live_ppm = ppm;
            self.drifting = (ppm != 0.0).then(|| Drifting::new(ppm, self.sample_rate_hz));
        }
    }

    pub(crate) fn insert(&mut self, stick: Stick) {
        let ratio = self.sample_rate_hz / stick.sample_rate_hz;
        let player_rate_hz = stick.sample_rate_hz / (1.0 + stick.clock_ppm * 1e-6);
        self.stick = Some(Playing {
            interpolator: Interpolator::new(ratio),
            step: player_rate_hz / self.sample_rate_hz,
            origin: -stick.start_s * player_rate_hz,
            frame: 0,
            stick,
        });
    }

    pub(crate) fn eject(&mut self) {
        self.stick = None;
    }

    pub(crate) fn slips(&self) -> u64 {
        self.drifting.as_ref().map_or(0, |drifting| drifting.slips)
    }

    /// The next frame that the radio plays.
    #[inline]
    pub(crate) fn next(&mut self, live: [f64; 2]) -> [f64; 2] {
        if let Some(playing) = &mut self.stick {
            playing.next()
        } else if let Some(drifting) = &mut self.drifting {
            drifting.next(live)
        } else {
            live
        }
    }
}

#[cfg(test)]
mod tests {
    use std::f64::consts::TAU;

    use testkit::at_most;

    use super::*;

    /// Source: analytic; the recorder counts (1 + ppm·10⁻⁶) samples per sample played.
    #[test]
    fn a_resampled_sine_is_a_sine() {
        for (track_hz, recorder_hz, ppm) in
            [(48_000.0, 48_000.0, 300.0), (44_100.0, 48_000.0, -300.0), (96_000.0, 48_000.0, 17.0)]
        {
            let highest = 0.42 * f64::min(track_hz, recorder_hz);
            for hz in [20.0, 1_000.0, 0.5 * highest, highest] {
                let frames = 12_000u32;
                #[expect(clippy::cast_possible_truncation, reason = "samples are f32")]
                let samples = (0..frames)
                    .flat_map(|n| [(TAU * hz * f64::from(n) / track_hz).sin() as f32; 2])
                    .collect();
                let mut player = Player::new(recorder_hz);
                player.insert(Stick {
                    sample_rate_hz: track_hz,
                    samples,
                    start_s: 0.0,
                    clock_ppm: ppm,
                    repeat: false,
                });
                let played: Vec<f64> = (0..5_000).map(|_| player.next([0.0; 2])[0]).collect();
                let recorded_hz = hz / (1.0 + ppm * 1e-6);
                let worst = (500u32..5_000)
                    .map(|n| {
                        let wanted = (TAU * recorded_hz * f64::from(n) / recorder_hz).sin();
                        (played[n as usize] - wanted).abs()
                    })
                    .fold(0.0, f64::max);
                at_most(&format!("error at {hz} Hz from {track_hz} Hz"), worst, 1e-5);
            }
        }
    }

    #[test]
    fn a_track_starts_when_it_should_and_ends() {
        let mut player = Player::new(48_000.0);
        let samples = vec![1.0; 2 * 4_800];
        player.insert(Stick {
            sample_rate_hz: 48_000.0,
            samples,
            start_s: 0.1,
            clock_ppm: 0.0,
            repeat: false,
        });
        let played: Vec<f64> = (0..14_400).map(|_| player.next([9.0; 2])[0]).collect();
        testkit::near("middle of the track", played[7_200], 1.0, 1e-9);
        assert_eq!(played[4_700], 0.0);
        assert_eq!(played[9_700], 0.0);
        testkit::near("half way up at its edge", (played[4_799] + played[4_800]) / 2.0, 0.5, 1e-6);
    }

    #[test]
    fn a_live_player_with_another_clock_slips_rather_than_run_dry() {
        for ppm in [2_000.0, -2_000.0] {
            let mut drifting = Drifting::new(ppm, 8_000.0);
            let mut last = 0.0;
            for _ in 0..4_000_000 {
                last = drifting.next([1.0; 2])[0];
            }
            testkit::near("a constant stays a constant", last, 1.0, 1e-9);
            assert!(drifting.slips > 0 && drifting.slips < 10, "{} slips", drifting.slips);
        }
    }
}
