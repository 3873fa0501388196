//! Sheets and reports of a job on disk.

use std::fs;

use jiff::Timestamp;
use job::{
    Amplifier, AuditLine, AuditRecord, CaptureMeta, ChannelFitRecord, ChannelSetting, Crossover, Driver,
    EnteredBand, FitRecord, Job, JobData, LeftAlone, Outcome, PresetOrInline, ProcessorSetting, Set, Source,
    SourceOutput, Stage, StageResult, StageState,
};
use measure::Reading;
use proptest::prelude::*;
use report::{CUSTOMER_CAUTIONS, PageSize, Sheet, TECHNICIAN_CAUTIONS, Wording};
use serde_json::Value;
use tuning::{BandKind, Role};

mod scratch;
use scratch::{job, kept};

fn band(channel: &str, kind: BandKind, frequency_hz: f64, gain_db: f64, q: f64) -> EnteredBand {
    EnteredBand {
        channel: channel.to_owned(),
        kind,
        frequency_hz,
        gain_db,
        q,
        entered_q: None,
        enabled: true,
        locked: false,
        reason: String::new(),
    }
}

/// A whole job of an invented car.
fn whole(data: &mut JobData) {
    data.intake.vehicle = "Invented estate".to_owned();
    data.intake.source.name = "factory radio".to_owned();
    data.intake.source.tap = "speaker leads".to_owned();
    data.intake.amplifiers.push(Amplifier {
        name: "four channels".to_owned(),
        power_w: Some(100.0),
        load_ohm: Some(4.0),
    });
    data.intake.drivers.push(Driver {
        name: "woofer left".to_owned(),
        role: Some(Role::Mid),
        channel: "front left".to_owned(),
        ..Driver::default()
    });
    data.processor = Some(PresetOrInline::Preset("parametric-free".to_owned()));
    data.target = Some(PresetOrInline::Preset("flat".to_owned()));
    data.source = Source {
        clean_step: Some(34),
        limited_by: "rear".to_owned(),
        outputs: vec![
            SourceOutput { name: "front".to_owned(), clean_step: Some(36), volts_rms: Some(4.123) },
            SourceOutput { name: "rear".to_owned(), clean_step: Some(34), volts_rms: None },
        ],
        ..Source::default()
    };
    let high_pass = Crossover { family: "linkwitz-riley".to_owned(), order: 4, frequency_hz: 80.0 };
    data.channels = vec![
        ChannelSetting {
            channel: "front left".to_owned(),
            delay_s: 0.001_31,
            gain_db: -1.0,
            inverted: true,
            high_pass: Some(high_pass),
            low_pass: None,
        },
        ChannelSetting { channel: "sub".to_owned(), ..ChannelSetting::default() },
    ];
    let mut typed = band("front left", BandKind::Peak, 160.0, -4.5, 3.2);
    typed.entered_q = Some(2.471);
    typed.reason = "All 6 positions agree.".to_owned();
    let mut off = band("front left", BandKind::Peak, 5_555.0, -2.0, 1.0);
    off.enabled = false;
    data.bands = vec![
        off,
        typed,
        band("front left", BandKind::HighShelf, 8_000.0, 1.5, 0.707),
        band("", BandKind::LowShelf, 63.0, 3.0, 0.7),
        band("front right", BandKind::Peak, 31.5, -6.0, 8.0),
    ];
    let dip = LeftAlone {
        frequency_hz: 74.0,
        why: "cancellation".to_owned(),
        text: String::new(),
        from_hz: None,
        to_hz: None,
    };
    let fit = ChannelFitRecord { left_alone: vec![dip], ..ChannelFitRecord::default() };
    data.fit = Some(FitRecord { channels: vec![fit], ..FitRecord::default() });
    data.outcome = Some(Outcome {
        before_rms_db: 4.13,
        after_rms_db: Some(0.81),
        before_max_db: 11.0,
        after_max_db: Some(2.94),
        from_hz: 30.0,
        to_hz: 16_000.0,
    });
    let line = AuditLine {
        index: 2,
        verdict: "wrong-frequency".to_owned(),
        text: "Band 2 sounds as if 800 Hz had been typed instead of 8000 Hz.".to_owned(),
        channel: String::new(),
        meant: None,
        found: None,
        found_entered_q: None,
    };
    data.audit = Some(AuditRecord { bands: vec![line], ..AuditRecord::default() });
    data.stages.insert(
        Stage::Source,
        StageResult { state: StageState::Measured, line: "clean to step 34 · 4.1 V".to_owned() },
    );
    data.notes = "Left door rattles.".to_owned();
}

/// Records a capture with this response into a set.
fn capture(job: &mut Job, set: Set, response: &[(f64, f64)]) {
    let meta = CaptureMeta::new("sweep", 1, Stage::Tune, Timestamp::UNIX_EPOCH);
    kept(job, CaptureMeta { set: Some(set), ..meta }, response);
}

/// The window's picture calls a reversed driver so, and so does the sheet's: as it was found last, before the entry.
#[test]
fn a_reversed_driver_is_drawn_as_one() {
    let drivers = ["left-mid", "right-mid"].map(|name| Driver { name: name.to_owned(), ..Driver::default() });
    let mut scratch = job(|data| data.intake.drivers = drivers.to_vec());
    let mut found = |driver: &str, set: Option<Set>, polarity: &str| {
        let mut meta = CaptureMeta::new("sweep", 1, Stage::Drivers, Timestamp::UNIX_EPOCH);
        (meta.driver, meta.set) = (driver.to_owned(), set);
        let pending = scratch.job.begin_capture(&meta).unwrap();
        fs::write(&pending.audio_path, b"").unwrap();
        let mut reading = Reading::new("sweep", 1, 48_000.0);
        reading.labels.insert("polarity".to_owned(), polarity.to_owned());
        scratch.job.finish_capture(&pending, &reading, meta).unwrap();
        Sheet::from_job(&scratch.job).to_html(PageSize::A4).matches(">reversed<").count()
    };
    assert_eq!(found("left-mid", None, "normal"), 0);
    assert_eq!(found("right-mid", None, "inverted"), 1);
    assert_eq!(
        found("right-mid", Some(Set::After), "normal"),
        1,
        "inverted in the processor, and still wired so"
    );
    assert_eq!(found("right-mid", None, "normal"), 0, "its wires were swapped");
}

#[test]
fn a_third_partys_newest_reading_is_on_sheet_and_report() {
    let mut scratch = job(whole);
    for score in [41.5, 56.25] {
        let mut meta = CaptureMeta::new("shop.score", 1, Stage::Source, Timestamp::UNIX_EPOCH);
        meta.label = "Score <of> the shop".to_owned();
        let pending = scratch.job.begin_capture(&meta).unwrap();
        fs::write(&pending.audio_path, b"").unwrap();
        let mut reading = Reading::new("shop.score", 1, 48_000.0);
        reading.value("score_percent", score);
        scratch.job.finish_capture(&pending, &reading, meta).unwrap();
    }
    let sheet = Sheet::from_job(&scratch.job);
    assert_eq!(sheet.also, ["Score <of> the shop: score 56.2\u{a0}%"]);
    for page in [sheet.to_customer_html(PageSize::A4, &Wording::plain()), sheet.to_html(PageSize::A4)] {
        assert!(page.contains("Score &lt;of&gt; the shop: score 56.2\u{a0}%"), "{page}");
    }
}

#[test]
fn csv_is_what_is_typed_channel_by_channel() {
    let scratch = job(whole);
    let csv = Sheet::from_job(&scratch.job).to_csv();
    assert_eq!(
        csv,
        "channel,band,type,frequency_hz,gain_db,q\n\
         ,1,low-shelf,63,3,0.7\n\
         front left,1,peak,160,-4.5,2.471\n\
         front left,2,high-shelf,8000,1.5,0.707\n\
         front right,1,peak,31.5,-6,8\n"
    );
    assert_eq!(tuning::parse_bands_csv(&csv, "x").unwrap().len(), 4);
}

#[test]
fn json_has_both_meanings_of_q_and_every_setting() {
    let scratch = job(whole);
    let json: Value = serde_json::from_str(&Sheet::from_job(&scratch.job).to_json()).unwrap();
    assert_eq!(json["format"], "headrest-sheet");
    assert_eq!(json["version"], 1);
    assert_eq!(json["date"], "2026-03-04");
    assert_eq!(json["processor"], "parametric-free");
    assert_eq!(json["target"], "Flat");
    assert_eq!(json["source"]["clean_step"], 34);
    assert_eq!(json["source"]["outputs"][1]["level_v"], Value::Null);
    let channels = json["channels"].as_array().unwrap();
    let names: Vec<_> = channels.iter().map(|channel| channel["channel"].as_str().unwrap()).collect();
    assert_eq!(names, ["", "front left", "sub", "front right"]);
    let left = &channels[1];
    assert_eq!(left["setting"]["inverted"], true);
    assert_eq!(left["setting"]["delay_s"], 0.001_31);
    assert_eq!(left["setting"]["high_pass"]["order"], 4);
    assert_eq!((&left["bands"][0]["q"], &left["bands"][0]["entered_q"]), (&3.2.into(), &2.471.into()));
    assert_eq!(left["bands"][1].get("entered_q"), None);
    assert_eq!(channels[0]["setting"], Value::Null);
    assert_eq!(json["outcome"]["after_rms_db"], 0.81);
}

#[test]
fn text_shows_each_number_to_be_typed_beside_a_box() {
    let scratch = job(whole);
    let text = Sheet::from_job(&scratch.job).to_text();
    let squeezed: Vec<String> =
        text.lines().map(|line| line.split_whitespace().collect::<Vec<_>>().join(" ")).collect();
    for wanted in [
        "NEVER ABOVE VOLUME STEP 34 (limited by rear)",
        "Vehicle Invented estate",
        "Source factory radio, taken at: speaker leads",
        "Target Flat",
        "Amplifiers four channels, 100 W, 4 ohm",
        "Drivers woofer left (mid), fed by front left",
        "front 36 4.12 V",
        "rear 34 not measured",
        "FRONT LEFT",
        "[ ] Delay 1.31 ms (45 cm)",
        "[ ] Gain −1 dB",
        "[ ] Polarity INVERTED",
        "[ ] High-pass 80 Hz, Linkwitz-Riley, 24 dB per octave",
        "[ ] Low-pass none",
        "[ ] 1 peak 160 Hz −4.5 dB 2.471 All 6 positions agree.",
        "[ ] 2 high shelf 8000 Hz +1.5 dB 0.707",
        "average (RMS) 4.1 dB 0.8 dB",
        "maximum 11.0 dB 2.9 dB",
        "- 74 Hz: a cancellation, which more level does not fill",
        "- Band 2 sounds as if 800 Hz had been typed instead of 8000 Hz.",
        "Left door rattles.",
    ] {
        assert!(squeezed.iter().any(|line| line == wanted), "no line `{wanted}` in\n{text}");
    }
    assert!(!text.contains("5555"), "a band that is switched off is not entered");
}

#[test]
fn every_form_for_people_has_the_cautions_and_the_mark() {
    let scratch = job(whole);
    let sheet = Sheet::from_job(&scratch.job);
    let flat = |text: String| text.split_whitespace().collect::<Vec<_>>().join(" ");
    let (text, html, customer) = (
        flat(sheet.to_text()),
        flat(sheet.to_html(PageSize::A4)),
        flat(sheet.to_customer_html(PageSize::A4, &Wording::plain())),
    );
    let escaped = |caution: &str| caution.replace('\'', "&#39;");
    for caution in TECHNICIAN_CAUTIONS {
        assert!(text.contains(caution), "{caution}");
        assert!(html.contains(&escaped(caution)), "{caution}");
    }
    for caution in CUSTOMER_CAUTIONS {
        assert!(customer.contains(&escaped(caution)), "{caution}");
    }
    for page in [&html, &customer] {
        assert!(page.contains("Never above volume step <strong>34</strong>"));
        assert!(page.contains("4.1 dB") && page.contains("0.8 dB"));
    }
    assert!(customer.contains("At 74 Hz, sound that comes by two ways cancels itself"));
    assert!(customer.contains("The polarity of front left is inverted"));
}

/// Source: the design's section on safety; every subject that it names.
#[test]
fn the_cautions_cover_what_the_design_asks_for() {
    let all = TECHNICIAN_CAUTIONS.join("\n").to_lowercase();
    for subject in [
        "98-126",
        "tweeter",
        "carbon monoxide",
        "battery",
        "bridged",
        "differential",
        "isolated",
        "airbag",
        "driving",
        "maker",
        "local codes",
        "licensed",
    ] {
        assert!(all.contains(subject), "{subject}");
    }
}

#[test]
fn the_chart_shows_the_average_of_each_set_around_the_target() {
    let mut scratch = job(whole);
    let flat = |level: f64| [20.0, 200.0, 2_000.0, 20_000.0].map(|hz| (hz, level));
    capture(&mut scratch.job, Set::Before, &flat(-30.0));
    capture(&mut scratch.job, Set::Before, &flat(-20.0));
    capture(&mut scratch.job, Set::After, &flat(-40.0));
    let sheet = Sheet::from_job(&scratch.job);
    assert_eq!(sheet.remarks, Vec::<String>::new());
    let chart = sheet.chart.as_ref().expect("a chart");
    let labels: Vec<_> = chart.lines.iter().map(|line| line.label.as_str()).collect();
    assert_eq!(labels, ["Target", "Before", "After"]);
    for line in &chart.lines[1..] {
        for point in line.points.iter() {
            testkit::near(&line.label, point.y, 0.0, 1e-9);
        }
    }
    for page in [sheet.to_html(PageSize::A4), sheet.to_customer_html(PageSize::A4, &Wording::plain())] {
        assert_eq!(page.matches("<figure>").count(), 1);
        well_formed(&page);
    }
}

/// What was measured again replaces what it was at that place, in the chart and for what stood in the processor.
#[test]
fn of_several_captures_at_a_place_the_newest_counts() {
    let mut scratch = job(whole);
    let entered = scratch.job.data().planned();
    let mut mistyped = entered.clone();
    mistyped.bands[1].gain_db = 4.5;
    let at = |position: &str, setting: &ProcessorSetting| CaptureMeta {
        set: Some(Set::After),
        position: position.to_owned(),
        setting: Some(setting.clone()),
        ..CaptureMeta::new("sweep", 1, Stage::Tune, Timestamp::UNIX_EPOCH)
    };
    let flat = [20.0, 200.0, 2_000.0, 20_000.0].map(|hz| (hz, -30.0));
    let bent = [(20.0, -30.0), (200.0, -18.0), (2_000.0, -30.0), (20_000.0, -42.0)];
    kept(&mut scratch.job, at("driver", &mistyped), &bent);
    assert_ne!(Sheet::from_job(&scratch.job).remarks, Vec::<String>::new(), "the mistyped one counts alone");
    kept(&mut scratch.job, at("left ear", &entered), &flat);
    let mixed = Sheet::from_job(&scratch.job).remarks.concat();
    assert!(mixed.contains("not all made with the same settings"), "{mixed}");
    kept(&mut scratch.job, at("driver", &entered), &flat);
    let sheet = Sheet::from_job(&scratch.job);
    assert_eq!(sheet.remarks, Vec::<String>::new());
    let after = sheet.chart.as_ref().and_then(|chart| chart.lines.iter().find(|line| line.label == "After"));
    for point in after.expect("a curve").points.iter() {
        testkit::near("after", point.y, 0.0, 1e-9);
    }
}

#[test]
fn a_reading_that_cannot_be_read_costs_a_remark_and_not_the_sheet() {
    let mut scratch = job(whole);
    capture(&mut scratch.job, Set::After, &[(20.0, 0.0), (200.0, 1.0)]);
    capture(&mut scratch.job, Set::After, &[(200.0, 0.0), (20.0, 1.0)]);
    capture(&mut scratch.job, Set::Before, &[(20.0, 0.0), (200.0, 1.0)]);
    fs::write(scratch.job.dir().join("captures/0003/reading.json"), "{").unwrap();
    let sheet = Sheet::from_job(&scratch.job);
    let [damaged, reversed] = &sheet.remarks[..] else { panic!("two remarks: {:?}", sheet.remarks) };
    assert!(damaged.contains("0003/reading.json:1:"), "{damaged}");
    assert!(reversed.contains("Capture 0002 is not shown") && reversed.contains("ascend"), "{reversed}");
    assert_eq!(sheet.chart.as_ref().unwrap().lines.len(), 2);
    assert!(sheet.to_text().contains("NOT SHOWN"));
}

#[test]
fn an_empty_job_has_a_sheet_that_says_so() {
    let scratch = job(|_| {});
    let sheet = Sheet::from_job(&scratch.job);
    let text = sheet.to_text();
    assert!(text.contains("has not been found yet") && text.contains("No bands"), "{text}");
    assert_eq!(sheet.to_csv(), "channel,band,type,frequency_hz,gain_db,q\n");
    for page in [sheet.to_html(PageSize::A4), sheet.to_customer_html(PageSize::A4, &Wording::plain())] {
        well_formed(&page);
        assert!(!page.contains("<figure>"));
    }
    assert!(sheet.to_customer_html(PageSize::A4, &Wording::plain()).contains("was not measured in this job"));
}

/// Checks that tags are closed in the order in which they were opened, that
/// nothing is fetched from outside and that no script runs.
fn well_formed(page: &str) {
    let body = page.strip_prefix("<!DOCTYPE html>\n").expect("a document type");
    assert!(page.contains("<html lang=\"en\">") && page.contains("<meta charset=\"utf-8\"/>"));
    let mut open = Vec::new();
    let mut rest = body;
    while let Some(start) = rest.find('<') {
        let end = start + rest[start..].find('>').expect("a tag ends");
        let tag = &rest[start + 1..end];
        let name = tag.split_whitespace().next().unwrap_or_default();
        if let Some(name) = tag.strip_prefix('/') {
            assert_eq!(open.pop(), Some(name), "closed out of order");
        } else if !tag.ends_with('/') {
            open.push(name);
        }
        assert!(!["script", "link", "iframe", "img", "object"].contains(&name), "<{tag}>");
        assert!(!tag.contains(" href=") && !tag.contains(" src="), "<{tag}>");
        rest = &rest[end + 1..];
    }
    assert_eq!(open, Vec::<&str>::new());
    assert!(!page.contains("url(") && !page.contains("@import"));
}

#[test]
fn the_page_reads_well_by_its_structure() {
    let scratch = job(whole);
    let page = Sheet::from_job(&scratch.job).to_html(PageSize::A4);
    well_formed(&page);
    assert_eq!(page.matches("<h1>").count(), 1);
    assert_eq!(page.matches("<main>").count(), 1);
    assert!(page.contains("@page { size: A4"));
    // A box for each of five settings of two channels and for each of four bands.
    assert_eq!(page.matches("type=\"checkbox\"").count(), 2 * 5 + 4);
    let named = page.matches("<input type=\"checkbox\" aria-label=\"").count();
    assert_eq!(named, 2 * 5 + 4, "each box says what it is for");
    assert!(page.contains("<td class=\"number typed\">2.471</td>"));
    assert!(page.contains("<span class=\"inverted\">INVERTED</span>"));
}

/// The text of each page, in reading order, as `pdftotext` of poppler-utils gives it back.
fn pages(pdf: &[u8]) -> Vec<String> {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("paper.pdf");
    fs::write(&file, pdf).unwrap();
    let read = std::process::Command::new("pdftotext").arg("-layout").arg(&file).arg("-").output();
    let read = read.expect("pdftotext of poppler-utils, which `cargo xtask test` installs");
    assert!(read.status.success(), "{}", String::from_utf8_lossy(&read.stderr));
    let text = String::from_utf8(read.stdout).unwrap();
    text.trim_end_matches('\u{c}').split('\u{c}').map(str::to_owned).collect()
}

fn words(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

#[test]
fn pdf_gives_back_its_text_in_reading_order_and_the_same_bytes_twice() {
    let mut scratch = job(whole);
    capture(&mut scratch.job, Set::Before, &[(20.0, -20.0), (20_000.0, -30.0)]);
    let sheet = Sheet::from_job(&scratch.job);
    for size in [PageSize::A4, PageSize::Letter] {
        let once = sheet.to_pdf(size);
        assert_eq!(once, sheet.to_pdf(size));
        let pages = pages(&once);
        let text = words(&pages.concat());
        let mut rest = text.as_str();
        for wanted in [
            "Entry sheet: Blue estate",
            "Never above volume step",
            "34",
            "limited by rear",
            "front 36 4.12 V",
            "All channels",
            "63 Hz +3 dB 0.7",
            "front left",
            "Delay 1.31 ms (45 cm)",
            "Polarity INVERTED",
            "160 Hz −4.5 dB 2.471 All 6 positions agree.",
            "front right",
            "Before and after",
            "0.8 dB",
            "Left alone",
            "74 Hz: a cancellation, which more level does not fill",
            "sounds as if 800 Hz",
            "Left door rattles.",
            "Cautions",
            "98-126",
        ] {
            let at = rest
                .find(wanted)
                .unwrap_or_else(|| panic!("no `{wanted}` after what stands before it in\n{text}"));
            rest = &rest[at + wanted.len()..];
        }
        let all = pages.len();
        for (number, page) in pages.iter().enumerate() {
            assert!(words(page).ends_with(&format!("Page {} of {all}", number + 1)), "{page}");
        }
    }
    // Beside the numbers stand small pictures of the cabin and the chain, in every form for people that has pictures.
    let html = sheet.to_html(PageSize::A4);
    for title in ["The drivers, from above", "From the radio to the speakers"] {
        assert!(html.contains(&format!("<title>{title}</title>")), "{title}");
    }
    let report = sheet.to_customer_pdf(PageSize::A4, &Wording::plain());
    assert!(words(&pages(&report).concat()).contains("Up to this step your radio plays cleanly."));
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(32))]

    #[test]
    fn no_words_of_a_person_break_a_page_or_a_table(words in ".{0,40}", evil in r#"[<>"'&/a-c \n\t]{0,30}"#) {
        for text in [words, evil] {
            let filled = |data: &mut JobData| {
                whole(data);
                let fit = &mut data.fit.as_mut().unwrap().channels[0];
                let audit = &mut data.audit.as_mut().unwrap().bands[0];
                for place in [
                    &mut data.head.name, &mut data.intake.vehicle, &mut data.intake.customer,
                    &mut data.intake.source.name, &mut data.intake.processor,
                    &mut data.source.limited_by, &mut data.source.outputs[0].name,
                    &mut data.channels[0].channel, &mut data.bands[2].reason,
                    &mut fit.left_alone[0].why, &mut audit.text, &mut audit.verdict,
                ] {
                    place.clone_from(&text);
                }
                data.notes.clone_from(&text);
                data.bands[1].channel.clone_from(&text);
            };
            let scratch = job(filled);
            let sheet = Sheet::from_job(&scratch.job);
            well_formed(&sheet.to_html(PageSize::A4));
            well_formed(&sheet.to_customer_html(PageSize::A4, &Wording::plain()));
            for pdf in [sheet.to_pdf(PageSize::A4), sheet.to_customer_pdf(PageSize::A4, &Wording::plain())] {
                prop_assert!(pdf.starts_with(b"%PDF-1.") && pdf.ends_with(b"%%EOF"));
            }
            let json: Value = serde_json::from_str(&sheet.to_json()).unwrap();
            prop_assert_eq!(json["name"].as_str(), Some(text.as_str()));
            // One line for each setting and band, whatever the words hold.
            let boxes = sheet.to_text().lines().filter(|line| line.starts_with("  [ ]  ")).count();
            prop_assert_eq!(boxes, 2 * 5 + 4);
        }
    }
}
