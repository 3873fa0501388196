//! Why a band is there, in plain words.

use std::fmt::Write as _;

use crate::{Band, BandKind, Response, Target, log_axis};

/// What a reason is drawn from.
pub(super) struct Evidence<'a> {
    pub(super) responses: &'a [Response],
    /// The response that was fitted.
    pub(super) response: &'a Response,
    pub(super) target: &'a Target,
    /// Where the target lies against the response before any band: the level that a
    /// person sees when both are drawn over each other.
    pub(super) level_db: f64,
    pub(super) from_hz: f64,
    pub(super) to_hz: f64,
    pub(super) max_boost_db: f64,
}

/// A position counts as agreeing when it deviates in the same direction by at
/// least this share of what the band corrects.
const AGREEING_SHARE: f64 = 0.25;

impl Evidence<'_> {
    /// The reason for one band (`q` of the cookbook).
    pub(super) fn reason(&self, band: &Band) -> String {
        let (low, high) = self.reach(band);
        let deviation = mean_over(self.response, self.target, low, high) - self.level_db;
        let place = match band.kind {
            BandKind::Peak => format!("Around {}", hertz(band.frequency_hz)),
            BandKind::LowShelf => format!("Below {}", hertz(band.frequency_hz)),
            BandKind::HighShelf => format!("Above {}", hertz(band.frequency_hz)),
        };
        let side = if deviation >= 0.0 { "above" } else { "below" };
        let explained = -deviation * band.gain_db.signum() >= AGREEING_SHARE * band.gain_db.abs();
        let mut text = if explained {
            let most = self.greatest(deviation, low, high);
            let up_to =
                if most > deviation.abs() + 1.0 { format!(", up to {most:.1} dB") } else { String::new() };
            format!("{place} the response lies {:.1} dB {side} the target{up_to}.", deviation.abs())
        } else {
            format!("{place} it corrects the overlap of the neighbouring bands.")
        };
        if explained && let Some(agreement) = self.agreement(band, low, high) {
            let _ = write!(text, " {agreement}");
        }
        if band.gain_db > 0.0 && band.gain_db > self.max_boost_db - 1e-6 {
            let _ = write!(text, " At the boost limit, {:.1} dB.", self.max_boost_db);
        }
        text
    }

    /// The greatest deviation over a range in the direction of its mean, without its sign.
    fn greatest(&self, mean_db: f64, low_hz: f64, high_hz: f64) -> f64 {
        let grid = log_axis::grid(low_hz, high_hz.max(low_hz * 1.001), 24.0);
        let deviation = |f: f64| Some(self.response.db_at(f)? - self.target.db_at(f) - self.level_db);
        grid.into_iter().filter_map(deviation).map(|db| db * mean_db.signum()).fold(0.0, f64::max)
    }

    /// Where a band does at least about half of its work, within the fitted range.
    fn reach(&self, band: &Band) -> (f64, f64) {
        let (low, high) = match band.kind {
            BandKind::Peak => {
                // Half-gain edges of the analog prototype: `asinh(1/2Q)` on either side.
                let half = (0.5 / band.q).asinh().exp();
                (band.frequency_hz / half, band.frequency_hz * half)
            }
            BandKind::LowShelf => (self.from_hz, band.frequency_hz),
            BandKind::HighShelf => (band.frequency_hz, self.to_hz),
        };
        (low.max(self.from_hz).min(self.to_hz), high.min(self.to_hz).max(self.from_hz))
    }

    /// How many of several positions show the same deviation.
    fn agreement(&self, band: &Band, low: f64, high: f64) -> Option<String> {
        let count = self.responses.len();
        if count < 2 {
            return None;
        }
        let whole = mean_over(self.response, self.target, self.from_hz, self.to_hz);
        let agreeing = self
            .responses
            .iter()
            .filter(|response| {
                // Each position is taken at its own level.
                let level = mean_over(response, self.target, self.from_hz, self.to_hz) - whole;
                let deviation = mean_over(response, self.target, low, high) - level - self.level_db;
                -deviation * band.gain_db.signum() >= AGREEING_SHARE * band.gain_db.abs()
            })
            .count();
        Some(if agreeing == count {
            let all = if count == 2 { "Both".to_owned() } else { format!("All {count}") };
            format!("{all} positions agree.")
        } else {
            format!("{agreeing} of {count} positions agree.")
        })
    }
}

/// The mean of response minus target over a range, in dB, even in log frequency.
fn mean_over(response: &Response, target: &Target, low_hz: f64, high_hz: f64) -> f64 {
    let grid = log_axis::grid(low_hz, high_hz.max(low_hz * 1.001), 24.0);
    let levels: Vec<f64> =
        grid.iter().filter_map(|&f| response.db_at(f).map(|level| level - target.db_at(f))).collect();
    #[expect(clippy::cast_precision_loss, reason = "a few hundred points")]
    let count = levels.len().max(1) as f64;
    levels.iter().sum::<f64>() / count
}

/// A frequency as a person says it.
pub(crate) fn hertz(frequency_hz: f64) -> String {
    if frequency_hz >= 1_000.0 {
        let kilohertz = (frequency_hz / 10.0).round() / 100.0;
        format!("{kilohertz} kHz")
    } else if frequency_hz >= 100.0 {
        format!("{frequency_hz:.0} Hz")
    } else {
        format!("{} Hz", (frequency_hz * 10.0).round() / 10.0)
    }
}
