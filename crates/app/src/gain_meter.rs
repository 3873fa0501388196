//! What the meter showed while an amplifier was turned, and whether it stood where it should.

use tuning::turn_to;

/// A gain stands where it should within so many dB: 3.5 % of a voltage.
pub(super) const NEAR_DB: f64 = 0.3;
/// For so long, so that a knob that is turned past does not count.
pub(super) const STANDS_S: f64 = 2.0;
/// How fast the simulated car's amplifier is turned.
const TURN_DB_PER_S: f64 = 4.0;
/// What the job calls the voltage at the amplifier's output.
pub(super) const AMPLIFIER: &str = "amplifier";

/// What the meter showed while the amplifier was turned.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct GainMeter {
    /// The newest voltage.
    pub(super) last_v: Option<f64>,
    /// The voltage at which it stood, once it did.
    pub(super) set_v: Option<f64>,
    /// Since when it has been where it should.
    near_since_s: Option<f64>,
    /// How far the simulated amplifier is turned up, and when it was turned last.
    turned: (f64, f64),
}

impl GainMeter {
    /// What a job knows of it.
    pub(super) fn of_job(data: &job::JobData) -> Self {
        let gain = data.source.gain.as_ref();
        let set_v = gain.and_then(|gain| gain.measured_v.get(AMPLIFIER).copied());
        Self { last_v: set_v, set_v, ..Self::default() }
    }

    /// The knob is about to be turned.
    pub(super) fn begin(&mut self) {
        (self.near_since_s, self.turned.1) = (None, 0.0);
    }

    /// Turns the simulated amplifier towards the voltage that is wanted; what stands at its output then.
    pub(super) fn turned_by_itself(&mut self, source_v: f64, wanted_v: f64, now_s: f64) -> f64 {
        let (turned_db, before_s) = &mut self.turned;
        let most_db = TURN_DB_PER_S * (now_s - *before_s).clamp(0.0, 0.5);
        *before_s = now_s;
        if let Some(turn) = turn_to(wanted_v, source_v * 10f64.powf(*turned_db / 20.0)) {
            *turned_db += turn.turn_db.clamp(-most_db, most_db);
        }
        source_v * 10f64.powf(*turned_db / 20.0)
    }

    /// Takes what the meter shows; whether the gain has just come to stand where it should.
    pub(super) fn read(&mut self, volts: f64, wanted_v: f64, now_s: f64) -> bool {
        self.last_v = Some(volts);
        if turn_to(wanted_v, volts).is_none_or(|turn| turn.turn_db.abs() > NEAR_DB) {
            (self.near_since_s, self.set_v) = (None, None);
            return false;
        }
        let since_s = *self.near_since_s.get_or_insert(now_s);
        if now_s - since_s < STANDS_S {
            return false;
        }
        let just_now = self.set_v.is_none();
        self.set_v = Some(volts);
        just_now
    }
}

#[cfg(test)]
mod tests {
    use testkit::near;

    use super::*;

    /// Source: the rule of the design: within 0.3 dB for two seconds; 20 V · 10^(−0.29/20) = 19.343 V.
    #[test]
    fn a_gain_is_set_when_it_has_stood_for_two_seconds() {
        let mut meter = GainMeter::default();
        assert!(!meter.read(6.05, 20.0, 0.0));
        assert_eq!(meter.set_v, None, "6 V is no 20 V");
        assert!(!meter.read(19.343, 20.0, 1.0) && !meter.read(19.343, 20.0, 2.9));
        assert!(!meter.read(20.8, 20.0, 2.95), "turned past");
        assert!(!meter.read(20.1, 20.0, 3.0) && !meter.read(20.1, 20.0, 4.9));
        assert!(meter.read(20.1, 20.0, 5.0));
        assert!(!meter.read(20.1, 20.0, 6.0), "it is told once");
        assert_eq!(meter.set_v, Some(20.1));
        assert!(!meter.read(10.0, 20.0, 7.0));
        assert_eq!(meter.set_v, None, "turned away again");
    }

    /// Source: analytic: 10.39 dB at 4 dB a second are there after 2.6 s.
    #[test]
    fn the_simulated_amplifier_is_turned_towards_what_is_wanted() {
        let mut meter = GainMeter::default();
        let mut volts = 0.0;
        for tenth in 1..=40 {
            volts = meter.turned_by_itself(6.05, 20.0, 0.1 * f64::from(tenth));
        }
        near("turned", volts, 20.0, 1e-9);
        let mut meter = GainMeter::default();
        for tenth in 1..=10 {
            volts = meter.turned_by_itself(6.05, 20.0, 0.1 * f64::from(tenth));
        }
        near("after a second", volts, 6.05 * 10f64.powf(0.2), 1e-9);
    }
}
