//! What the callbacks' time stamps tell: clocks that differ, samples that were lost.

/// A callback's place in the stream and in time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Tick {
    /// Frames that passed before this buffer, lost ones included.
    pub(crate) frames: u64,
    /// When its first frame passed the converter, by the stream's own clock.
    pub(crate) ns: u64,
}

/// How fast the recorder's clock runs against the player's.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ClockRatio {
    /// Positive when the recorder counts more samples than were played.
    pub ppm: f64,
    /// One standard error of it, from the scatter about a straight line. An audio server's time
    /// stamps wander for seconds, so several times as much happens by chance.
    pub uncertainty_ppm: f64,
}

/// A straight line through points, one by one.
///
/// Least squares in Welford's form: the slope is `Sxy/Sxx` and its standard error
/// `√((Syy − Sxy²/Sxx)/((n − 2)·Sxx))`.
#[derive(Debug, Clone, Copy, Default)]
struct Line {
    count: f64,
    mean: (f64, f64),
    sxx: f64,
    sxy: f64,
    syy: f64,
}

impl Line {
    fn add(&mut self, x: f64, y: f64) {
        self.count += 1.0;
        let (dx, dy) = (x - self.mean.0, y - self.mean.1);
        self.mean = (self.mean.0 + dx / self.count, self.mean.1 + dy / self.count);
        self.sxx += dx * (x - self.mean.0);
        self.sxy += dx * (y - self.mean.1);
        self.syy += dy * (y - self.mean.1);
    }

    /// The slope and its standard error.
    fn slope(&self) -> Option<(f64, f64)> {
        if self.count < 4.0 || self.sxx <= 0.0 {
            return None;
        }
        let slope = self.sxy / self.sxx;
        let residual = (self.syy - self.sxy * slope).max(0.0);
        Some((slope, (residual / ((self.count - 2.0) * self.sxx)).sqrt()))
    }
}

/// How long the windows are whose median lags are compared.
const WINDOW_S: f64 = 0.5;
/// From here on a rate is another one: half the distance of neighbouring standard rates.
const OTHER_RATE: f64 = 0.04;
/// How many time stamps a window needs at least.
const WINDOW_TICKS: usize = 5;

/// Watches one stream's time stamps.
///
/// The *lag* of a time stamp is its time less the time of as many frames at the nominal rate. Late
/// callbacks scatter it; lost frames raise it for good; a clock that is off slopes it.
#[derive(Debug)]
pub(crate) struct StreamClock {
    rate_hz: f64,
    first: Option<Tick>,
    /// Median lag over time, since the last loss.
    line: Line,
    window: Window,
    /// The middle of the window before, and its median lag.
    before: Option<(f64, f64)>,
    /// How steeply the lag rose from window to window.
    slopes: Vec<f64>,
    threshold_s: f64,
}

/// The time stamps of half a second.
#[derive(Debug, Default)]
struct Window {
    from_s: f64,
    elapsed_sum_s: f64,
    lags_s: Vec<f64>,
}

impl Window {
    /// Its middle and its median lag; begins anew.
    fn close(&mut self, now_s: f64) -> (f64, f64) {
        self.lags_s.sort_by(f64::total_cmp);
        let count = self.lags_s.len();
        let closed = (self.elapsed_sum_s / count as f64, self.lags_s[count / 2]);
        self.lags_s.clear();
        self.elapsed_sum_s = 0.0;
        self.from_s = now_s;
        closed
    }
}

impl StreamClock {
    /// For a stream of this rate whose buffers hold about so many frames.
    pub(crate) fn new(rate_hz: u32, buffer_frames: u32) -> Self {
        let rate_hz = f64::from(rate_hz);
        Self {
            rate_hz,
            first: None,
            line: Line::default(),
            window: Window::default(),
            before: None,
            slopes: Vec::new(),
            // Half a buffer stands out of a window's median; 5 ms is above its jitter.
            threshold_s: (0.5 * f64::from(buffer_frames) / rate_hz).max(0.005),
        }
    }

    /// Takes a time stamp, and tells how many frames the device seems to have lost.
    ///
    /// The median lags of neighbouring windows of half a second are compared: a clock that is
    /// 1000 ppm off moves them by only half a millisecond.
    pub(crate) fn add(&mut self, tick: Tick) -> Option<u64> {
        let first = *self.first.get_or_insert(tick);
        let elapsed_s = tick.ns.saturating_sub(first.ns) as f64 * 1e-9;
        let counted_s = tick.frames.saturating_sub(first.frames) as f64 / self.rate_hz;
        self.window.lags_s.push(elapsed_s - counted_s);
        self.window.elapsed_sum_s += elapsed_s;
        if elapsed_s - self.window.from_s < WINDOW_S || self.window.lags_s.len() < WINDOW_TICKS {
            return None;
        }
        let (middle_s, lag_s) = self.window.close(elapsed_s);
        let (before_s, before_lag_s) = self.before.replace((middle_s, lag_s))?;
        let risen_s = lag_s - before_lag_s;
        self.slopes.push(risen_s / (middle_s - before_s));
        if risen_s <= self.threshold_s {
            self.line.add(middle_s, lag_s);
            return None;
        }
        // A line through a step would slope.
        self.line = Line::default();
        Some((risen_s * self.rate_hz).round() as u64)
    }

    /// The rate that the device really runs at, where that is another than the nominal one and shows
    /// throughout: at least three quarters of the windows agree, over three seconds or more.
    ///
    /// Neighbouring standard rates differ by 8.1 % or more (44.1 and 48 kHz), so half of that is
    /// another rate. A busy computer slopes single windows by as much, and the whole of a
    /// short capture by 3 %, but not most of its windows.
    pub(crate) fn other_rate_hz(&self) -> Option<f64> {
        if self.slopes.len() < 6 {
            return None;
        }
        let mut slopes = self.slopes.clone();
        slopes.sort_by(f64::total_cmp);
        let quarter = slopes.len() / 4;
        let (low, high) = (slopes[quarter], slopes[slopes.len() - 1 - quarter]);
        let agreed = low > OTHER_RATE || high < -OTHER_RATE;
        agreed.then(|| self.rate_hz * (1.0 - slopes[slopes.len() / 2]))
    }

    /// How much faster this recorder runs than that player, once both have run for a few seconds.
    pub(crate) fn against(&self, player: &Self) -> Option<ClockRatio> {
        let ((input, input_error), (output, output_error)) = (self.line.slope()?, player.line.slope()?);
        // The lag's slope is what a rate lacks of the nominal one.
        let ratio = (1.0 - input) / (1.0 - output);
        Some(ClockRatio { ppm: (ratio - 1.0) * 1e6, uncertainty_ppm: input_error.hypot(output_error) * 1e6 })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The time stamps of a stream that runs at `rate` true hertz, with scatter of up to
    /// `jitter_s` that repeats.
    fn ticks(rate: f64, buffer: u64, seconds: f64, jitter_s: f64) -> Vec<Tick> {
        let count = (seconds * rate / buffer as f64) as u64;
        (0..count)
            .map(|n| {
                let scatter = (n * 7_919 % 101) as f64 / 101.0 * jitter_s;
                let s = (n * buffer) as f64 / rate + scatter;
                Tick { frames: n * buffer, ns: 5_000_000_000 + (s * 1e9) as u64 }
            })
            .collect()
    }

    /// Source: analytic: the ratio of two known rates.
    #[test]
    fn the_clock_ratio_is_found_within_its_own_uncertainty() {
        let mut recorder = StreamClock::new(48_000, 1_024);
        let mut player = StreamClock::new(48_000, 512);
        for tick in ticks(48_000.0 * 1.000_080, 1_024, 30.0, 1e-3) {
            assert_eq!(recorder.add(tick), None);
        }
        for tick in ticks(48_000.0 * 0.999_990, 512, 30.0, 1e-3) {
            assert_eq!(player.add(tick), None);
        }
        let found = recorder.against(&player).unwrap();
        testkit::near("ppm", found.ppm, 90.0, 3.0 * found.uncertainty_ppm + 0.1);
        testkit::at_most("uncertainty", found.uncertainty_ppm, 2.0);
    }

    #[test]
    fn lost_frames_are_found_and_late_callbacks_are_not() {
        for jitter_s in [0.0, 4e-3, 30e-3] {
            let mut clock = StreamClock::new(48_000, 1_024);
            let mut lost = 0;
            for (n, mut tick) in ticks(48_000.0, 1_024, 20.0, jitter_s).into_iter().enumerate() {
                if n > 400 {
                    // Time went on, the count did not.
                    tick.ns += 2_048 * 1_000_000_000 / 48_000;
                }
                lost += clock.add(tick).unwrap_or(0);
            }
            let tolerance = jitter_s * 48_000.0 * 0.5 + 2.0;
            testkit::near("lost frames", lost as f64, 2_048.0, tolerance);
            assert_eq!(clock.other_rate_hz(), None);
        }
    }

    #[test]
    fn a_wrong_rate_shows() {
        let mut clock = StreamClock::new(48_000, 1_024);
        for tick in ticks(44_100.0, 1_024, 4.0, 5e-3) {
            clock.add(tick);
        }
        // A median lag scatters by under 0.5 ms here: 0.1 % of half a second.
        testkit::near("rate", clock.other_rate_hz().unwrap(), 44_100.0, 48.0);
    }

    #[test]
    fn too_little_gives_no_answer() {
        let mut clock = StreamClock::new(48_000, 1_024);
        assert_eq!(clock.other_rate_hz(), None);
        for tick in ticks(48_000.0, 1_024, 1.0, 0.0) {
            clock.add(tick);
        }
        assert_eq!(clock.against(&StreamClock::new(48_000, 512)), None);
        // Time that stands still divides by nothing.
        let mut stuck = StreamClock::new(48_000, 1_024);
        for n in 0..100 {
            stuck.add(Tick { frames: n * 1_024, ns: 1 });
        }
        assert_eq!(stuck.other_rate_hz(), None);
    }
}
