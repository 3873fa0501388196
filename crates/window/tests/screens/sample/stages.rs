//! The cards of the stages.

use std::sync::Arc;

use view::{
    Action, Activity, BandState, Button, Card, CardLine, ChartFace, Choice, ChoiceKey, ChoiceOption,
    FindingLine, HandleCard, HandleId, HandleNumber, Number, NumberKey, Ribbon, Setting, SettingKind, Shelf,
    Snapshot, Stage, SwitchKey, TextKey, Tone,
};

use super::{base, curves};

fn main(label: &str) -> Option<Button> {
    Some(button(Action::Measure, label, true))
}

fn button(action: Action, label: &str, enabled: bool) -> Button {
    Button { action, label: label.into(), enabled, why: String::new() }
}

fn fact(label: &str, value: &str, tone: Tone) -> CardLine {
    CardLine { label: label.into(), value: value.into(), tone }
}

fn remark(tone: Tone, text: &str) -> FindingLine {
    FindingLine { tone, text: text.into() }
}

fn setting(label: &str, kind: SettingKind) -> Setting {
    Setting { label: label.into(), kind }
}

fn choice<T>(
    key: ChoiceKey,
    of: impl Fn(T) -> Choice,
    options: impl IntoIterator<Item = (T, &'static str)>,
    chosen: T,
) -> SettingKind {
    let options =
        options.into_iter().map(|(choice, label)| ChoiceOption { choice: of(choice), label: label.into() });
    SettingKind::Choice { key, options: options.collect(), chosen: Some(of(chosen)) }
}

fn number(key: NumberKey, value: f64, (min, max, step): (f64, f64, f64), text: &str) -> SettingKind {
    SettingKind::Number { key, value, min, max, step, text: text.into() }
}

pub(crate) fn intake() -> Snapshot {
    let mut snapshot = base(Stage::Intake);
    snapshot.card = Card {
        instruction: "Note the car and what its processor can hold.".into(),
        detail: "The fit only suggests bands that this processor can really take.".into(),
        main: main("On to the source"),
        settings: vec![
            setting("Car", SettingKind::Text(TextKey::Vehicle, "Juniper estate, invented".into())),
            setting(
                "Signal processor",
                choice(
                    ChoiceKey::Processor,
                    |name: &str| Choice::Processor(name.into()),
                    [
                        ("free", "Parametric, 10 free bands"),
                        ("grid", "Parametric, 31 fixed frequencies"),
                        ("graphic", "Graphic, third-octave"),
                        ("tone", "Tone control, three bands"),
                    ],
                    "grid",
                ),
            ),
            setting(
                "Tune for",
                choice(
                    ChoiceKey::Driver,
                    |name: &str| Choice::Driver(Some(name.into())),
                    [("driver", "Driver"), ("both", "Both"), ("all", "All")],
                    "driver",
                ),
            ),
            setting("Drivers", number(NumberKey::Positions, 7.0, (1.0, 16.0, 1.0), "7")),
            setting("Has a subwoofer", SettingKind::Switch(SwitchKey::Continue, true)),
        ],
        ..Card::default()
    };
    snapshot
}

pub(crate) fn source() -> Snapshot {
    let mut snapshot = base(Stage::Source);
    snapshot.chart_faces = vec![
        ChartFace::Response,
        ChartFace::Phase,
        ChartFace::GroupDelay,
        ChartFace::Impulse,
        ChartFace::Harmonics,
        ChartFace::Steps,
    ];
    snapshot.chart_face = ChartFace::Harmonics;
    snapshot.chart = Arc::new(curves::harmonics());
    snapshot.card = Card {
        instruction: "Play the track tone-1k and turn the radio up, one step at a time.".into(),
        detail: "Wait for the chime at each step. Sound the horn of nobody: keep the doors shut.".into(),
        main: main("Listen for steps"),
        actions: vec![
            button(Action::NextStage, "Next output", true),
            button(Action::Measure, "Forget steps", false),
        ],
        headline: "4.13 V".into(),
        headline_caption: "at step 34, the last clean one".into(),
        lines: vec![
            fact("Clean to step", "34", Tone::Good),
            fact("THD there", "0.08 %", Tone::Good),
            fact("First clipped step", "35", Tone::Plain),
            fact("Rear output", "step 31", Tone::Caution),
        ],
        findings: vec![remark(
            Tone::Caution,
            "The rear output clips three steps earlier than the front. The lowest one decides: never above 31.",
        )],
        ..Card::default()
    };
    snapshot
}

pub(crate) fn headroom() -> Snapshot {
    let mut snapshot = source();
    snapshot.chart_faces = vec![ChartFace::Steps];
    snapshot.chart_face = ChartFace::Steps;
    snapshot.chart = Arc::new(curves::steps());
    snapshot.card.headline = "Step 36".into();
    snapshot.card.headline_caption = "4.35 V · THD 3.9 % · clipped".into();
    snapshot.shared.activity = Activity::Running {
        title: "Turn up one step".into(),
        detail: "Step 36 is not clean. The last clean one was 34, at 4.13 V.".into(),
        progress: None,
    };
    snapshot
}

pub(crate) fn drivers() -> Snapshot {
    let mut snapshot = base(Stage::Drivers);
    snapshot.chart_faces = vec![
        ChartFace::Response,
        ChartFace::Phase,
        ChartFace::GroupDelay,
        ChartFace::Impulse,
        ChartFace::Harmonics,
    ];
    snapshot.chart = Arc::new(curves::drivers());
    snapshot.shared.muted = true;
    snapshot.card = Card {
        instruction: "Measure each driver alone, from low to high.".into(),
        detail: "The sweep is limited to what each driver can take: no bass reaches a tweeter.".into(),
        main: main("Sweep right tweeter"),
        settings: vec![setting(
            "Driver",
            choice(
                ChoiceKey::Driver,
                |name: &str| Choice::Driver(Some(name.into())),
                [
                    ("sub", "Subwoofer"),
                    ("lm", "Left mid"),
                    ("rm", "Right mid"),
                    ("lt", "Left tweeter"),
                    ("rt", "Right tweeter"),
                ],
                "rt",
            ),
        )],
        lines: vec![
            fact("Subwoofer", "24–110 Hz", Tone::Good),
            fact("Left mid", "reversed", Tone::Bad),
            fact("Right mid", "75 Hz–3.4 kHz", Tone::Good),
            fact("Left tweeter", "2.4–19 kHz", Tone::Good),
        ],
        findings: vec![
            remark(
                Tone::Bad,
                "The left mid moves the other way. Swap its two wires at the amplifier, then sweep it again.",
            ),
            remark(Tone::Caution, "Something buzzes near 82 Hz in the right door."),
            remark(
                Tone::Plain,
                "The microphone is not calibrated: levels compare, but are not sound pressure.",
            ),
        ],
        ..Card::default()
    };
    snapshot
}

pub(crate) fn tune() -> Snapshot {
    let mut snapshot = base(Stage::Tune);
    snapshot.chart_faces = vec![
        ChartFace::Response,
        ChartFace::Phase,
        ChartFace::GroupDelay,
        ChartFace::Impulse,
        ChartFace::Harmonics,
        ChartFace::Difference,
    ];
    snapshot.chart = Arc::new(curves::tune_chart());
    snapshot.ribbon = Some(Ribbon {
        line: curves::residue(),
        rms_text: "1.4 dB".into(),
        caption: "After, 6 positions − target".into(),
    });
    snapshot.card = Card {
        instruction: "Enter the bands, then sweep the same six positions again.".into(),
        detail: "Boost is capped at 6 dB. One cancellation was left alone.".into(),
        main: main("Sweep position 1 of 6"),
        actions: vec![
            button(Action::SuggestBands, "Fit again", true),
            button(Action::ExportBands, "Export bands", true),
        ],
        settings: vec![
            setting(
                "Target",
                choice(
                    ChoiceKey::Target,
                    |name: &str| Choice::Target(Some(name.into())),
                    [("flat", "Flat"), ("gentle", "Gentle"), ("medium", "Medium"), ("strong", "Strong")],
                    "medium",
                ),
            ),
            setting("Most bands", number(NumberKey::MaxBands, 8.0, (1.0, 10.0, 1.0), "8")),
        ],
        first_settings: 2,
        files: Vec::new(),
        headline: "1.4 dB".into(),
        headline_caption: "RMS from target, 4.6 dB before".into(),
        lines: vec![
            fact("Before", "4.6 dB", Tone::Plain),
            fact("Predicted", "1.1 dB", Tone::Plain),
            fact("Now", "1.4 dB", Tone::Good),
            fact("Headroom used", "2.5 dB", Tone::Plain),
        ],
        findings: vec![remark(
            Tone::Plain,
            "74 Hz is a cancellation: its depth changes from position to position, so it is left alone.",
        )],
    };
    snapshot.handles = bands();
    snapshot
}

pub(crate) fn target() -> Snapshot {
    let mut snapshot = tune();
    snapshot.chart = Arc::new(curves::target_chart());
    snapshot.card = Card {
        instruction: "Shape the target.".into(),
        detail: "Drag its handles, or choose one below and use the arrow keys.".into(),
        main: main("Done"),
        actions: vec![
            button(Action::AddPoint, "+ Point", true),
            button(Action::AddShelf(Shelf::Low), "+ Low shelf", true),
            button(Action::AddShelf(Shelf::High), "+ High shelf", true),
            button(Action::KeepTarget, "Keep it among my targets", true),
        ],
        settings: vec![
            setting("Tilt per octave", number(NumberKey::Tilt, -0.5, (-6.0, 6.0, 0.1), "−0.5 dB")),
            setting("Tolerance", number(NumberKey::Tolerance, 3.0, (0.5, 12.0, 0.5), "±3.0 dB")),
            setting("Its name", SettingKind::Text(TextKey::TargetName, "In-car, medium, edited".into())),
        ],
        first_settings: 2,
        ..Card::default()
    };
    snapshot.handles = curves::TARGET
        .iter()
        .map(|&(id, label, hz, db)| HandleCard {
            id,
            heading: String::new(),
            label: label.into(),
            text: format!("{} dB at {}", chart::number(db), chart::with_unit(hz, "Hz")),
            reason: String::new(),
            selected: id == HandleId::Shelf(0),
            numbers: vec![
                stepped(Number::Frequency, "Frequency", chart::with_unit(hz, "Hz")),
                stepped(Number::Gain, "Gain", format!("{} dB", chart::number(db))),
                stepped(Number::Q, "Q", "Q 0.71".into()),
            ],
            band: None,
            locked: None,
        })
        .collect();
    snapshot
}

fn bands() -> Vec<HandleCard> {
    let reasons = [
        "All 6 positions agree.",
        "All 6 positions agree.",
        "5 of 6 positions agree.",
        "A broad dip, safe to fill.",
        "All 6 positions agree.",
        "Off: it would not be heard from the seat.",
    ];
    curves::BANDS
        .iter()
        .zip(reasons)
        .enumerate()
        .map(|(index, (&(hz, gain, q), reason))| HandleCard {
            id: HandleId::Band(index),
            heading: String::new(),
            label: (index + 1).to_string(),
            text: format!(
                "{} {:.1} dB at {}, Q {q:.1}",
                if gain < 0.0 { "Cut" } else { "Boost" },
                gain.abs(),
                chart::with_unit(hz, "Hz")
            ),
            reason: reason.into(),
            selected: index == 1,
            numbers: vec![
                stepped(Number::Frequency, "Frequency", chart::with_unit(hz, "Hz")),
                stepped(Number::Gain, "Gain", format!("{} dB", chart::number(gain))),
                stepped(Number::Q, "Q", format!("{q:.1}")),
            ],
            band: Some(BandState { enabled: index != 3, locked: index == 4 }),
            locked: None,
        })
        .collect()
}

fn stepped(what: Number, label: &str, text: String) -> HandleNumber {
    HandleNumber { what, label: label.into(), text }
}

pub(crate) fn handover() -> Snapshot {
    let mut snapshot = tune();
    snapshot.face.stage = Stage::Handover;
    snapshot.handles.clear();
    snapshot.card = Card {
        instruction: "Check what was typed, then write the entry sheet and the report.".into(),
        detail: "Keep one copy in the car.".into(),
        main: main("Check the entered bands"),
        actions: vec![
            button(Action::WritePapers, "Sheet and report", true),
            button(Action::ExportBands, "Bands as CSV", true),
        ],
        lines: vec![
            fact("Never above step", "31", Tone::Caution),
            fact("Bands as meant", "5 of 6", Tone::Caution),
        ],
        findings: vec![remark(
            Tone::Caution,
            "Band 4 sounds as if 125 Hz had been typed instead of 1250 Hz.",
        )],
        ..Card::default()
    };
    snapshot
}
