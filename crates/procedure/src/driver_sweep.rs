//! What is played to measure one driver alone: a sweep that suits its part, and protects it.

use measure::Stimulus;
use measurements::signals::{self, short_paired_sweep};
use tuning::Role;

/// The test sweep that suits a driver's part, and protects it.
#[must_use]
pub fn driver_track(role: Option<Role>) -> &'static str {
    match role {
        Some(Role::Sub) => "sweep-sub",
        Some(Role::Woofer) => "sweep-woofer",
        Some(Role::Tweeter) => "sweep-high",
        Some(Role::FullRange) => "sweep-full",
        // A centre or a fill may be a small driver, and a part that nobody named any.
        Some(Role::Mid | Role::Centre | Role::Fill) | None => "sweep-mid",
    }
}

/// The track that suits a driver's part, protects it, and gives its response and its arrival against a reference
/// driver.
#[must_use]
pub fn place_track(role: Option<Role>) -> &'static str {
    match role {
        Some(Role::Sub) => "place-sub",
        Some(Role::Woofer) => "place-woofer",
        Some(Role::Tweeter) => "place-high",
        Some(Role::FullRange) => "place-full",
        Some(Role::Mid | Role::Centre | Role::Fill) | None => "place-mid",
    }
}

/// What is played for a driver of this part: the standard track.
#[must_use]
pub fn driver_sweep(role: Option<Role>) -> Option<Stimulus> {
    signals::track(driver_track(role))
}

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
    use measure::Signal;

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

    /// The band and the highest level of a track's sweep on the right, or of all of it.
    fn played(name: &str, is_test: bool) -> (f64, f64, f64) {
        let track = signals::track(name).expect("a standard track");
        let segments = track.segments.iter().filter(|one| !is_test || one.side == measure::Side::Right);
        segments.fold((f64::INFINITY, 0.0, f64::NEG_INFINITY), |(low, high, most), one| match one.signal {
            Signal::Sweep { from_hz, to_hz, .. } => {
                (low.min(from_hz), high.max(to_hz), most.max(one.peak_dbfs))
            }
            _ => (low, high, most),
        })
    }

    /// Source: the rule of the design: no driver hears more against a reference than in its own protected sweep.
    #[test]
    fn a_place_track_protects_as_the_drivers_own_sweep_does() {
        for role in
            [Role::Sub, Role::Woofer, Role::Mid, Role::Tweeter, Role::FullRange, Role::Centre, Role::Fill]
        {
            let (test, own) =
                (played(place_track(Some(role)), true), played(driver_track(Some(role)), false));
            assert!(test.0 >= own.0 && test.1 <= own.1 && test.2 <= own.2, "{role:?}: {test:?}, {own:?}");
        }
    }

    /// A woofer is seen as low as its neighbour below plays, in one sweep whose time suits its range.
    #[test]
    fn a_woofer_is_seen_where_it_meets_the_subwoofer() {
        let woofer = driver_sweep(Some(Role::Woofer)).expect("a sweep");
        assert_eq!((woofer.name.as_str(), lowest_hz(&woofer)), ("sweep-woofer", 30.0));
        let sub = driver_sweep(Some(Role::Sub)).expect("a sweep");
        assert!(lowest_hz(&sub) < lowest_hz(&woofer));
        assert_eq!(lowest_hz(&short_driver_sweep(Role::Woofer)), 30.0);
    }
}
