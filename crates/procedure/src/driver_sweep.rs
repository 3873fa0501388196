//! What is played to measure one driver alone: a sweep that suits its part, and protects it.

use dsp::sweep::Sweep;
use measure::{Signal, Stimulus};
use measurements::signals::{self, short_paired_sweep};
use tuning::Role;

/// The test sweep that suits a driver's part, and protects it.
#[must_use]
pub fn driver_track(role: Option<Role>) -> &'static str {
    match role {
        Some(Role::Sub) => "sweep-sub",
        Some(Role::Tweeter) => "sweep-high",
        Some(Role::FullRange) => "sweep-full",
        // A centre or a fill may be a small driver, and a part that nobody named any.
        Some(Role::Woofer | Role::Mid | Role::Centre | Role::Fill) | None => "sweep-mid",
    }
}

/// What is played for a driver of this part: the standard track; for a woofer one that goes
/// as low as its neighbour below plays, since the two are to be seen where they meet.
#[must_use]
pub fn driver_sweep(role: Option<Role>) -> Option<Stimulus> {
    let mut stimulus = signals::track(driver_track(role))?;
    if role == Some(Role::Woofer) {
        WOOFER_SWEEP.clone_into(&mut stimulus.name);
        for segment in &mut stimulus.segments {
            if let Signal::Sweep { from_hz, to_hz, .. } = &mut segment.signal {
                (*from_hz, *to_hz) = WOOFER_HZ;
                let sweep = Sweep::new(*from_hz, *to_hz, segment.duration_s, 48_000.0, true);
                segment.duration_s = sweep.duration_s();
            }
        }
    }
    Some(stimulus)
}

/// What a woofer is measured over (common practice, no source).
const WOOFER_HZ: (f64, f64) = (30.0, 4_000.0);
const WOOFER_SWEEP: &str = "sweep of a woofer";

/// A short sweep for one driver of a simulated car, which is quieter than a real one: band and peak (common
/// practice, no source: the higher the band, the lower the level).
#[must_use]
pub fn short_driver_sweep(role: Role) -> Stimulus {
    let (from_hz, to_hz, peak_dbfs) = match role {
        Role::Sub => (15.0, 250.0, -12.0),
        Role::Woofer => (30.0, 4_000.0, -12.0),
        Role::Mid | Role::Centre | Role::Fill => (80.0, 8_000.0, -15.0),
        Role::Tweeter => (2_000.0, 21_000.0, -18.0),
        Role::FullRange => (60.0, 20_000.0, -15.0),
    };
    short_paired_sweep("sweep of one driver", from_hz, to_hz, peak_dbfs)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The lowest frequency that a stimulus plays.
    fn lowest_hz(stimulus: &Stimulus) -> f64 {
        let sweeps = stimulus.segments.iter().filter_map(|segment| match segment.signal {
            Signal::Sweep { from_hz, .. } => Some(from_hz),
            _ => None,
        });
        sweeps.fold(f64::INFINITY, f64::min)
    }

    /// Source: the rule of the design: never a full-range sweep for a tweeter, nor for what nobody named.
    #[test]
    fn only_a_full_range_driver_hears_the_full_range() {
        for role in [Role::Sub, Role::Woofer, Role::Mid, Role::Tweeter, Role::Centre, Role::Fill] {
            assert_ne!(driver_track(Some(role)), "sweep-full", "{role:?}");
        }
        assert_eq!(driver_track(Some(Role::FullRange)), "sweep-full");
        assert_eq!(driver_track(Some(Role::Tweeter)), "sweep-high");
        assert_eq!(driver_track(Some(Role::Sub)), "sweep-sub");
        assert_ne!(driver_track(None), "sweep-full");
        for role in [None, Some(Role::Tweeter), Some(Role::Woofer), Some(Role::Sub), Some(Role::FullRange)] {
            let stimulus = driver_sweep(role).expect("a sweep");
            assert_eq!(signals::check(&stimulus), Ok(()), "{role:?}");
        }
        assert!(lowest_hz(&driver_sweep(Some(Role::Tweeter)).expect("a sweep")) >= 1_000.0);
        assert!(lowest_hz(&short_driver_sweep(Role::Tweeter)) >= 1_000.0);
    }

    /// A woofer is seen as low as its neighbour below plays, in one sweep whose time suits its range.
    #[test]
    fn a_woofer_is_seen_where_it_meets_the_subwoofer() {
        let woofer = driver_sweep(Some(Role::Woofer)).expect("a sweep");
        assert_eq!((woofer.name.as_str(), lowest_hz(&woofer)), (WOOFER_SWEEP, WOOFER_HZ.0));
        let sub = driver_sweep(Some(Role::Sub)).expect("a sweep");
        assert!(lowest_hz(&sub) < lowest_hz(&woofer));
        assert_eq!(lowest_hz(&short_driver_sweep(Role::Woofer)), WOOFER_HZ.0);
    }
}
