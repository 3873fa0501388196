//! The entry sheet as JSON; the form is in `docs/formats.md`.

use job::{ChannelSetting, Crossover};
use serde_json::{Value, json};

use crate::{Entry, Sheet, SheetChannel, TECHNICIAN_CAUTIONS};

/// The version of the form.
const VERSION: u32 = 1;

impl Sheet {
    /// The entry sheet as one JSON document.
    #[must_use]
    pub fn to_json(&self) -> String {
        let document = json!({
            "format": "headrest-sheet",
            "version": VERSION,
            "name": self.name,
            "date": self.date,
            "vehicle": self.vehicle,
            "customer": self.customer,
            "source": {
                "name": self.source_unit.name,
                "tap": self.source_unit.tap,
                "clean_step": self.source.clean_step,
                "limited_by": self.source.limited_by,
                "outputs": self.source.outputs.iter().map(|output| json!({
                    "name": output.name,
                    "clean_step": output.clean_step,
                    "level_v": output.volts_rms,
                })).collect::<Vec<_>>(),
            },
            "processor": self.processor,
            "target": self.target,
            "amplifiers": self.amplifiers,
            "drivers": self.drivers,
            "measured": self.is_measured,
            "channels": self.channels.iter().map(channel).collect::<Vec<_>>(),
            "left_alone": self.left_alone().map(|(channel, place)| json!({
                "channel": channel,
                "frequency_hz": place.frequency_hz,
                "why": place.why,
                "text": place.text,
            })).collect::<Vec<_>>(),
            "fit": self.fit,
            "timing": self.timing,
            "tune": self.tune,
            "outcome": self.outcome.as_ref().map(|outcome| json!({
                "before_rms_db": outcome.before_rms_db,
                "after_rms_db": outcome.after_rms_db,
                "before_max_db": outcome.before_max_db,
                "after_max_db": outcome.after_max_db,
                "from_hz": outcome.from_hz,
                "to_hz": outcome.to_hz,
            })),
            "audit": self.audit.iter().map(|line| json!({
                "index": line.index,
                "verdict": line.verdict,
                "text": line.text,
                "channel": line.channel,
            })).collect::<Vec<_>>(),
            "audited_channels": self.audited_channels,
            "audit_findings": self.audit_findings,
            "notes": self.notes,
            "cautions": TECHNICIAN_CAUTIONS,
            "remarks": self.remarks,
        });
        format!("{document:#}\n")
    }
}

fn channel(channel: &SheetChannel) -> Value {
    json!({
        "channel": channel.name,
        "setting": channel.setting.as_ref().map(setting),
        "was": channel.was.as_ref().map(setting),
        "bands": channel.bands.iter().map(band).collect::<Vec<_>>(),
    })
}

fn setting(setting: &ChannelSetting) -> Value {
    let crossover = |crossover: &Crossover| {
        json!({
            "family": crossover.family,
            "order": crossover.order,
            "frequency_hz": crossover.frequency_hz,
        })
    };
    json!({
        "delay_s": setting.delay_s,
        "gain_db": setting.gain_db,
        "inverted": setting.inverted,
        "high_pass": setting.high_pass.as_ref().map(crossover),
        "low_pass": setting.low_pass.as_ref().map(crossover),
    })
}

/// `q` by the cookbook; `entered_q` where what is typed differs.
fn band(band: &Entry) -> Value {
    let mut value = json!({
        "band": band.number,
        "type": band.kind.word(),
        "frequency_hz": band.frequency_hz,
        "gain_db": band.gain_db,
        "q": band.q,
        "reason": band.reason,
    });
    if band.typed_q.to_bits() != band.q.to_bits() {
        value["entered_q"] = band.typed_q.into();
    }
    value
}
