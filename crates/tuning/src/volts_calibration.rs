//! Electrical calibration: what a sample value of an input is in volts.

use measure::Finding;
use units::quantity::signed_decibels;

/// A tone as the input heard it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HeardTone {
    /// Its frequency.
    pub frequency_hz: f64,
    /// Its RMS level re a full-scale sine.
    pub rms_dbfs: f64,
    /// Its distortion and noise re the fundamental.
    pub thd_n_percent: f64,
    /// The highest sample re full scale.
    pub peak_dbfs: f64,
}

/// What the meter and the input say together.
#[derive(Debug, Clone, PartialEq)]
pub struct VoltsCalibration {
    /// The voltage, ahead of any attenuator, of a sample value of 1.0.
    pub volts_per_fs: f64,
    /// The largest sine that the input takes, ahead of any attenuator.
    pub largest_sine_v_rms: f64,
    /// Remarks.
    pub findings: Vec<Finding>,
}

/// Why no calibration can be made.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum VoltsRefusal {
    /// The reading is no voltage that a meter shows here.
    #[error(
        "the meter's reading is {0} V; expected a voltage between 0.001 and 250 V RMS. Set the meter to AC volts, \
         and type what it shows while the tone plays"
    )]
    Meter(f64),
    /// The input clips.
    #[error(
        "the tone reaches the input's full scale ({0:.1} dBFS), so its level means nothing. Turn the input's gain \
         down, or put an attenuator ahead of it, and try again"
    )]
    Clipped(f64),
    /// There is hardly a tone.
    #[error(
        "the tone reads {0:.1} dBFS, too quiet for a calibration. Check the connection and the channel, or turn the \
         source up to −40 dBFS or more"
    )]
    Quiet(f64),
    /// It is not a clean tone.
    #[error(
        "what the input hears is no clean tone: {0:.1} % of it is distortion and noise (less than 5 % is needed, a \
         meter would read it wrong). Turn the source down, or check the connection"
    )]
    NotClean(f64),
    /// Meter and input cannot belong together.
    #[error(
        "a sample value of 1.0 would be {0} V, which no input has (0.05 to 2000 V, an attenuator included). Check \
         whether the meter shows V or mV, and whether it and the input hear the same tone"
    )]
    Implausible(f64),
}

/// Nearer to full scale than this, the input's limit is close.
const NEAR_LIMIT_DBFS: f64 = -3.0;

/// A meter that is not made for audio reads true within these (common practice, no source).
const METER_HZ: std::ops::RangeInclusive<f64> = 40.0..=1_100.0;

impl VoltsCalibration {
    /// Computes `volts_per_fs` from the meter's RMS volts: `V·√2 / 10^(L/20)`, `L` the
    /// tone's RMS level re a full-scale sine, whose peak is `V·√2` volts.
    ///
    /// `before` is the calibration that the input had, if it had one.
    ///
    /// # Errors
    /// When the reading makes no sense: nothing may be calibrated with it.
    ///
    /// References: AES17 (0 dBFS is the RMS level of a full-scale sine); the RMS value of
    /// a sine. Accuracy: exact; proven by `a_full_scale_sine_of_twenty_volts`.
    pub fn from_meter(tone: &HeardTone, meter_v_rms: f64, before: Option<f64>) -> Result<Self, VoltsRefusal> {
        if !(0.001..=250.0).contains(&meter_v_rms) {
            return Err(VoltsRefusal::Meter(meter_v_rms));
        }
        if !(tone.peak_dbfs < -0.05) {
            return Err(VoltsRefusal::Clipped(tone.peak_dbfs));
        }
        if !(tone.rms_dbfs > -80.0) {
            return Err(VoltsRefusal::Quiet(tone.rms_dbfs));
        }
        if !(tone.thd_n_percent < 5.0) {
            return Err(VoltsRefusal::NotClean(tone.thd_n_percent));
        }
        let volts_per_fs = meter_v_rms * std::f64::consts::SQRT_2 / 10f64.powf(tone.rms_dbfs / 20.0);
        if !(0.05..=2_000.0).contains(&volts_per_fs) {
            return Err(VoltsRefusal::Implausible((volts_per_fs * 1e4).round() / 1e4));
        }
        let largest_sine_v_rms = volts_per_fs / std::f64::consts::SQRT_2;
        let findings = remarks(tone, volts_per_fs, largest_sine_v_rms, before);
        Ok(Self { volts_per_fs, largest_sine_v_rms, findings })
    }
}

fn remarks(tone: &HeardTone, volts_per_fs: f64, largest_v: f64, before: Option<f64>) -> Vec<Finding> {
    let mut findings = Vec::new();
    if tone.peak_dbfs > NEAR_LIMIT_DBFS {
        let text = format!(
            "The tone peaks at {:.1} dBFS: the input's limit is near. It takes {largest_v:.2} V RMS at the most; put an \
             attenuator ahead of it before the source goes louder.",
            tone.peak_dbfs
        );
        findings.push(Finding::caution("near-input-limit", text));
    }
    if tone.rms_dbfs < -40.0 {
        let text = format!(
            "The tone reads only {:.1} dBFS. The calibration holds, but a louder tone is read more exactly by meter and \
             input alike.",
            tone.rms_dbfs
        );
        findings.push(Finding::note("quiet-tone", text));
    }
    if tone.thd_n_percent > 1.0 {
        let text = format!(
            "{:.1} % of the tone is distortion and noise; a meter that averages reads it a little wrong. Turn the source \
             down and calibrate again.",
            tone.thd_n_percent
        );
        findings.push(Finding::caution("impure-tone", text));
    }
    if !METER_HZ.contains(&tone.frequency_hz) {
        let text = format!(
            "The tone lies at {:.0} Hz. Many meters read AC volts true from 40 Hz to 1 kHz only; see its data sheet, or \
             calibrate with the 1 kHz tone.",
            tone.frequency_hz
        );
        findings.push(Finding::caution("meter-range", text));
    }
    if let Some(before) = before.filter(|before| *before > 0.0) {
        let change_db = 20.0 * (volts_per_fs / before).log10();
        if change_db.abs() > 1.0 {
            let text = format!(
                "The input was calibrated to {before:.4} V before and is {} off it now. That is right if its \
                 gain or the attenuator was changed; otherwise read the meter again.",
                signed_decibels(change_db)
            );
            findings.push(Finding::caution("calibration-moved", text));
        }
    }
    findings
}

/// What to say when a voltage comes near to what an input takes.
///
/// `volts_per_fs` is that ahead of any attenuator; `volts_rms` a sine that is to be
/// measured. Nothing is said with 3 dB or more to spare.
#[must_use]
pub fn input_limit_warning(volts_per_fs: f64, volts_rms: f64) -> Option<Finding> {
    let largest_v = volts_per_fs / std::f64::consts::SQRT_2;
    let room_db = 20.0 * (largest_v / volts_rms).log10();
    if !(room_db < -NEAR_LIMIT_DBFS) {
        return None;
    }
    // Six decibels of room beside what is missing.
    let pad_db = (6.0 - room_db).ceil();
    let text = if room_db > 0.0 {
        format!(
            "{volts_rms:.2} V RMS leaves only {room_db:.1} dB to the input's limit of {largest_v:.2} V. A further \
             attenuator of {pad_db:.0} dB gives room."
        )
    } else {
        format!(
            "{volts_rms:.2} V RMS is more than the input takes ({largest_v:.2} V): it would clip, and may be damaged. \
             Put {pad_db:.0} dB or more of attenuation ahead of it first."
        )
    };
    Some(Finding::caution("near-input-limit", text))
}

#[cfg(test)]
mod tests {
    use testkit::near;

    use super::*;

    fn tone(rms_dbfs: f64) -> HeardTone {
        HeardTone { frequency_hz: 1_000.0, rms_dbfs, thd_n_percent: 0.05, peak_dbfs: rms_dbfs }
    }

    fn codes(calibration: &VoltsCalibration) -> Vec<&str> {
        calibration.findings.iter().map(|finding| finding.code.as_str()).collect()
    }

    /// Source: AES17; arithmetic. 20 V RMS at −6.02 dBFS (half of full scale) means that
    /// a sample value of 1 is 56.57 V, and that the input takes 40 V RMS.
    #[test]
    fn a_full_scale_sine_of_twenty_volts() {
        let half = 20.0 * 0.5f64.log10();
        let calibration = VoltsCalibration::from_meter(&tone(half), 20.0, None).unwrap();
        near("volts per full scale", calibration.volts_per_fs, 40.0 * 2f64.sqrt(), 1e-9);
        near("largest sine", calibration.largest_sine_v_rms, 40.0, 1e-9);
        assert!(codes(&calibration).is_empty());
    }

    #[test]
    fn nonsense_is_refused_in_words_that_help() {
        let refused = |tone: HeardTone, meter: f64| {
            VoltsCalibration::from_meter(&tone, meter, None).unwrap_err().to_string()
        };
        for meter in [0.0, -2.0, f64::NAN, f64::INFINITY, 1_000.0] {
            assert!(refused(tone(-10.0), meter).contains("AC volts"), "{meter}");
        }
        assert!(refused(tone(0.0), 2.0).contains("attenuator"));
        assert!(refused(tone(-90.0), 2.0).contains("connection"));
        assert!(refused(HeardTone { thd_n_percent: 20.0, ..tone(-10.0) }, 2.0).contains("no clean tone"));
        // Millivolts typed as volts, or a meter on another output.
        assert!(refused(tone(-70.0), 230.0).contains("V or mV"));
        assert!(refused(HeardTone { rms_dbfs: f64::NAN, ..tone(-10.0) }, 2.0).contains("quiet"));
    }

    #[test]
    fn doubts_are_said() {
        let said = |tone: HeardTone, before| {
            codes(&VoltsCalibration::from_meter(&tone, 2.0, before).unwrap())
                .iter()
                .map(|code| (*code).to_owned())
                .collect::<Vec<String>>()
        };
        assert_eq!(said(tone(-1.0), None), ["near-input-limit"]);
        assert_eq!(said(tone(-45.0), None), ["quiet-tone"]);
        assert_eq!(said(HeardTone { thd_n_percent: 2.0, ..tone(-10.0) }, None), ["impure-tone"]);
        assert_eq!(said(HeardTone { frequency_hz: 10_000.0, ..tone(-10.0) }, None), ["meter-range"]);
        assert_eq!(said(tone(-10.0), Some(4.0)), ["calibration-moved"]);
        assert!(said(tone(-10.0), Some(2.0 * 2f64.sqrt() * 10f64.sqrt())).is_empty());
    }

    #[test]
    fn the_limit_is_warned_of_before_it_is_reached() {
        let volts_per_fs = 4.0 * 2f64.sqrt();
        assert_eq!(input_limit_warning(volts_per_fs, 2.0), None);
        let near_it = input_limit_warning(volts_per_fs, 3.5).unwrap();
        assert!(near_it.text.contains("1.2 dB") && near_it.text.contains("4.00 V"), "{}", near_it.text);
        let over = input_limit_warning(volts_per_fs, 20.0).unwrap();
        assert!(over.text.contains("20 dB or more"), "{}", over.text);
    }
}
