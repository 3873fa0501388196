//! The source's noise: how far it lies below the clean step, and what follows the engine.

use std::collections::VecDeque;
use std::sync::Arc;

use chart::{Axis, Chart};
use engine::InputRole;
use job::Stage;
use measure::{Segment, Stimulus};
use tuning::Response;
use view::{Button, Card, CardLine, NumberKey, SettingKind, Tone};

use crate::card::{number, remarks};
use crate::derivation::Derivation;
use crate::faces::{empty, linear, series};
use crate::order::{Order, numbered};
use crate::state::State;
use crate::work::Heading;
use library::Result;
use procedure::{
    LISTEN_S, NoiseReadings, NoiseReport, POOR_SNR_DB, Request, USUAL_RPM, Until, at_speed, level_of_clean,
    noise_of,
};
use rig::Scene;

/// A spectrum line is drawn from here up.
const RANGE_DBFS: (f64, f64) = (-160.0, -40.0);

impl State {
    pub(super) fn noise_orders(&self) -> Result<VecDeque<Order>> {
        let simulated = self.is_simulated();
        let speeds = if simulated { USUAL_RPM.to_vec() } else { vec![self.source.engine_rpm] };
        let seconds = if simulated { LISTEN_S.0 } else { LISTEN_S.1 };
        let order = |(index, rpm): (usize, &f64)| {
            let mut plan = self.plan("noise", Stage::Source, InputRole::Electrical)?;
            plan.stimulus =
                Some(Stimulus { name: "quiet".to_owned(), segments: vec![Segment::silence(seconds)] });
            plan.peak_dbfs = None;
            plan.reference = None;
            plan.until = Until::Seconds(seconds);
            plan.label = format!("Noise, {}", at_speed(*rpm));
            plan.engine_rpm = Some(*rpm);
            plan.volume_step = self.step_now();
            plan.scene = Some(Scene { engine_rpm: *rpm, volume_step: plan.volume_step, ..self.scene() });
            // The car sets itself, so that only the first is counted down.
            plan.request = (!simulated || index == 0).then_some(Request::EngineSpeed { rpm: *rpm });
            let heading = Heading {
                title: numbered("Noise", index, speeds.len(), &at_speed(*rpm)),
                hint: match simulated {
                    true => "Silence is played at the clean step.".to_owned(),
                    false => format!("Silence is played at the clean step, {}.", at_speed(*rpm)),
                },
                detail: "listening".to_owned(),
            };
            Ok(Order { plan, heading, pace: self.pace(u32::MAX) })
        };
        speeds.iter().enumerate().map(order).collect()
    }
}

impl Derivation {
    pub(super) fn noise_main(&self) -> Button {
        if self.is_simulated() {
            self.measure_button("Listen at three engine speeds")
        } else {
            self.measure_button(&format!("Listen, {}", at_speed(self.source.engine_rpm)))
        }
    }

    pub(super) fn noise_card(&self) -> Card {
        let report = self.noise();
        let simulated = self.is_simulated();
        let mut settings = Vec::new();
        if !simulated {
            let rpm = self.source.engine_rpm;
            let mut engine = number(NumberKey::EngineSpeed, "Engine", rpm, (0.0, 8_000.0, 50.0), "rpm");
            if let (true, SettingKind::Number { text, .. }) = (rpm == 0.0, &mut engine.kind) {
                "off".clone_into(text);
            }
            settings.push(engine);
        }
        let lines = report.iter().flat_map(|report| &report.recordings).map(|one| {
            let value = match (one.snr_a_db, one.rms_v) {
                (Some(snr), _) => format!("{snr:.0} dB(A) below"),
                (None, Some(volts)) => format!("{:.3} mV", 1e3 * volts),
                (None, None) => format!("{:.1} dBFS", one.rms_dbfs),
            };
            let tone = match one.snr_a_db {
                Some(snr) if snr < POOR_SNR_DB => Tone::Caution,
                Some(_) => Tone::Good,
                None => Tone::Plain,
            };
            CardLine { label: one.name.clone(), value, tone }
        });
        let mut lines: Vec<CardLine> = lines.collect();
        for engine in report.iter().flat_map(|report| &report.engine) {
            lines.extend(engine.moving.iter().map(|moving| CardLine {
                label: match moving.order {
                    Some(order) => format!("{order:.1} × engine speed"),
                    None => "follows the engine".to_owned(),
                },
                value: format!("{:.0} → {:.0} Hz", moving.first_hz, moving.second_hz),
                tone: Tone::Caution,
            }));
        }
        let silent =
            report.as_ref().and_then(|report| report.recordings.first()).and_then(|one| one.snr_a_db);
        Card {
            instruction: "Listen to the source while it is silent.".to_owned(),
            detail: if simulated {
                "At the clean step, with the engine off, idling and faster.".to_owned()
            } else {
                "Play silence at the clean step. Once with the engine off, then at two speeds: what moves with it is \
                 the alternator or the ignition. A running engine needs open air."
                    .to_owned()
            },
            headline: silent.map_or_else(String::new, |snr| format!("{snr:.0} dB(A)")),
            headline_caption: silent
                .map_or_else(String::new, |_| "signal to noise at the clean step".to_owned()),
            lines,
            settings,
            findings: report.iter().flat_map(|report| remarks(&report.findings)).collect(),
            ..Card::default()
        }
    }

    /// What the newest capture at each engine speed says, computed once.
    fn noise(&self) -> Option<Arc<NoiseReport>> {
        self.memos.noise.get(self.captures.results(), || self.noise_of_captures().map(Arc::new))
    }

    fn noise_of_captures(&self) -> Option<NoiseReport> {
        let mut readings: NoiseReadings = Vec::new();
        let mut volts_per_fs = None;
        for held in self.captures.counted(view::Stage::Source) {
            if held.reading.measurement != "noise" || !held.has_result() {
                continue;
            }
            let name = held.engine_rpm.map_or_else(|| held.label.clone(), at_speed);
            volts_per_fs = held.volts_per_fs;
            let rpm = held.engine_rpm.filter(|rpm| *rpm > 0.0);
            let one = (name, rpm, (*held.reading).clone());
            match readings.iter_mut().find(|other| other.0 == one.0) {
                Some(other) => *other = one,
                None => readings.push(one),
            }
        }
        if readings.is_empty() {
            return None;
        }
        noise_of(&readings, level_of_clean(self.source_volts(), volts_per_fs)).ok()
    }

    /// The spectra of the noise.
    pub(crate) fn noise_chart(&self) -> Chart {
        let shown = self.captures.of(view::Stage::Source).filter(|held| self.is_shown(held));
        let spectra = shown.filter_map(|held| {
            let curve = held.reading.curves.get("spectrum")?;
            Response::new(curve.get("frequency_hz")?.clone(), curve.get("level_db")?.clone())
                .ok()
                .map(|response| (held, response))
        });
        let lines = spectra.enumerate().map(|(number, (held, response))| {
            let name = held.engine_rpm.map_or_else(|| held.label.clone(), at_speed);
            series(number, &name, &response, 0.0)
        });
        Chart {
            lines: lines.collect(),
            ..empty(
                "Noise".to_owned(),
                Axis::audio_frequency(),
                linear("Level", "dBFS", RANGE_DBFS.0, RANGE_DBFS.1),
            )
        }
    }
}
