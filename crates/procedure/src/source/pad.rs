//! The attenuator pad ahead of an input: what it does, and the rig file that knows of it.

use std::fmt;
use std::path::PathBuf;

use measure::Finding;
use serde::Serialize;
use tuning::{Attenuator, input_limit_warning};
use units::quantity::{decimals, spoken};

use rig::{electrical_input, read_spec, write_calibration};

use super::calibrate::{rounded, today};
use library::{Error, Result};

/// A pad and what it is for.
#[derive(Debug, Clone, PartialEq)]
pub struct PadOrder {
    /// Its resistors and the input's impedance.
    pub pad: Attenuator,
    /// The highest RMS voltage that will be measured.
    pub largest_v: Option<f64>,
    /// The rig file whose input it is put ahead of.
    pub rig: Option<PathBuf>,
    /// The input's name; by default the only electrical one.
    pub input: Option<String>,
}

/// What a pad does.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PadReport {
    /// What it takes away.
    pub loss_db: f64,
    /// What the source sees.
    pub seen_by_source_ohm: f64,
    /// What is left of the highest voltage, RMS.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub largest_at_input_v: Option<f64>,
    /// What a series resistor must stand at that voltage.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub series_power_w: Option<f64>,
    /// The voltage, ahead of the pad, of a sample value of 1.0, where the input is calibrated.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub volts_per_fs: Option<f64>,
    /// The rig file that was written.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub rig: Option<PathBuf>,
    /// Remarks.
    pub findings: Vec<Finding>,
}

/// Computes a pad; with a rig file its input is noted to have it from now on, and its
/// calibration is moved by what the pad changes.
///
/// # Errors
/// When a value cannot be, or the rig file cannot be used.
pub fn pad(order: &PadOrder) -> Result<PadReport> {
    order.pad.check().map_err(|error| Error::input(error.to_string()))?;
    if let Some(volts) = order.largest_v.filter(|volts| !(0.001..=1_000.0).contains(volts)) {
        return Err(Error::input(format!("--largest-v {volts}: expected 0.001 to 1000 V RMS")));
    }
    let loss_db = order.pad.loss_db();
    let mut findings = remarks(order);
    let mut volts_per_fs = None;
    if let Some(path) = &order.rig {
        let spec = read_spec(path)?;
        let input = &spec.inputs[electrical_input(&spec, order.input.as_deref())?];
        let Some(before) = input.volts_per_fs else {
            return Err(Error::input(format!(
                "{}: the input `{}` is not calibrated yet; put the pad in place and run `headrest calibrate volts --rig \
                 {}` with it, which takes it into account",
                path.display(),
                input.name,
                path.display()
            )));
        };
        let change_db = loss_db - input.attenuator_db.unwrap_or(0.0);
        let after = rounded(before * units::amplitude_from_db(change_db));
        let change = engine::InputCalibration {
            input: input.name.clone(),
            volts_per_fs: after,
            attenuator_db: Some((loss_db * 1e4).round() / 1e4),
            calibrated_on: input.calibrated_on.clone().unwrap_or_else(today),
        };
        write_calibration(path, &change)?;
        volts_per_fs = Some(after);
        findings.extend(order.largest_v.and_then(|volts| input_limit_warning(after, volts)));
    }
    Ok(PadReport {
        loss_db,
        seen_by_source_ohm: order.pad.seen_by_source_ohm(),
        largest_at_input_v: order.largest_v.map(|volts| volts * order.pad.gain()),
        series_power_w: order.largest_v.map(|volts| order.pad.series_power_w(volts)),
        volts_per_fs,
        rig: order.rig.clone(),
        findings,
    })
}

fn remarks(order: &PadOrder) -> Vec<Finding> {
    let mut findings = Vec::new();
    if order.pad.input_ohm.is_none() {
        let text = "The input's impedance is not given, so that it was left out. An input of 10 kohm beside a shunt of 1 \
                    kohm takes 0.8 dB more; look into the interface's data sheet.";
        findings.push(Finding::note("input-impedance-unknown", text));
    }
    if let Some(power_w) = order.largest_v.map(|volts| order.pad.series_power_w(volts)).filter(|w| *w > 0.125)
    {
        let text = format!(
            "A series resistor turns {power_w:.2} W into heat at the highest voltage; take one that stands twice as \
             much, or higher values."
        );
        findings.push(Finding::caution("resistor-power", text));
    }
    if order.pad.seen_by_source_ohm() < 100.0 {
        let text = format!(
            "The source sees only {:.0} ohms. That loads a line output; take ten times as much.",
            order.pad.seen_by_source_ohm()
        );
        findings.push(Finding::caution("pad-loads-source", text));
    }
    findings
}

impl fmt::Display for PadReport {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(f, "Loss             {} dB", decimals(self.loss_db, 2))?;
        writeln!(f, "Load             {} on the source", spoken("ohm", self.seen_by_source_ohm).value)?;
        if let Some(volts) = self.largest_at_input_v {
            writeln!(f, "At the input     {} RMS at the highest voltage", spoken("v", volts).value)?;
        }
        if let Some(power) = self.series_power_w {
            writeln!(f, "Series resistor  {} mW of heat then", decimals(1e3 * power, 0))?;
        }
        if let (Some(volts), Some(rig)) = (self.volts_per_fs, &self.rig) {
            writeln!(f, "Full scale       {} V, written to {}", decimals(volts, 4), rig.display())?;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use testkit::near;

    use super::*;

    /// Source: the voltage divider. 10 kohm over 1 kohm and an input of 20 kohm take 21.214 dB.
    #[test]
    fn a_pad_moves_the_calibration_of_its_input() {
        let folder = tempfile::tempdir().unwrap();
        let rig = folder.path().join("rig.toml");
        let text = "name = \"Bench\"\n[[input]]\nchannel = 1\nname = \"tap\"\nrole = \"electrical\"\nvolts_per_fs = 4.0\n";
        std::fs::write(&rig, text).unwrap();
        let order = PadOrder {
            pad: Attenuator { series_ohm: 10e3, shunt_ohm: 1e3, input_ohm: Some(20e3), balanced: false },
            largest_v: Some(20.0),
            rig: Some(rig.clone()),
            input: None,
        };
        let report = pad(&order).unwrap();
        near("loss", report.loss_db, 21.213_956_8, 1e-6);
        near("volts per full scale", report.volts_per_fs.unwrap(), 4.0 * 11.5, 1e-4);
        assert!(report.findings.is_empty(), "{:?}", report.findings);
        // Once more changes nothing: the pad is known to be there.
        near("again", pad(&order).unwrap().volts_per_fs.unwrap(), 46.0, 1e-3);
        let over = PadOrder { largest_v: Some(40.0), ..order };
        assert!(pad(&over).unwrap().findings.iter().any(|finding| finding.code == "near-input-limit"));
    }
}
