//! How papers lie on their pages: nothing beyond a margin, no word over another, nothing lost, from a job in which
//! everything is long down to an empty one.
//!
//! With `HEADREST_PICTURES=FOLDER` the papers are kept there, to be looked at.

use std::fs;
use std::path::PathBuf;
use std::process::Command;

use jiff::Timestamp;
use job::{
    Amplifier, AuditLine, AuditRecord, CaptureMeta, ChannelFitRecord, ChannelSetting, Crossover, Driver,
    EnteredBand, FitRecord, Job, LeftAlone, Outcome, PresetOrInline, Set, Source, SourceOutput, Stage,
};
use report::{PageSize, Sheet, Wording};
use tuning::{BandKind, Role};

mod scratch;
use scratch::{Scratch, job, kept};

/// The margins at the sides and above, and the least one below, in points.
const MARGINS: [f64; 2] = [14.0 * 72.0 / 25.4, 7.0 * 72.0 / 25.4];

/// A word of a page with its box: left, top, right, bottom, in points from the upper left corner.
#[derive(Debug, Clone)]
struct Word {
    text: String,
    edges: [f64; 4],
}

struct Page {
    size: [f64; 2],
    words: Vec<Word>,
}

impl Page {
    fn text(&self) -> String {
        self.words.iter().map(|word| word.text.as_str()).collect::<Vec<_>>().join(" ")
    }
}

/// The pages of a paper as `pdftotext` of poppler-utils sees them.
fn pages(pdf: &[u8]) -> Vec<Page> {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("paper.pdf");
    fs::write(&file, pdf).unwrap();
    let read = Command::new("pdftotext").arg("-bbox").arg(&file).arg("-").output();
    let read = read.expect("pdftotext of poppler-utils, which `cargo xtask test` installs");
    assert!(read.status.success(), "{}", String::from_utf8_lossy(&read.stderr));
    let mut pages: Vec<Page> = Vec::new();
    for line in String::from_utf8(read.stdout).unwrap().lines().map(str::trim) {
        let number = |key: &str| -> f64 {
            let (_, rest) = line.split_once(&format!(" {key}=\"")).expect("it has one");
            rest.split('"').next().unwrap().parse().unwrap()
        };
        if line.starts_with("<page ") {
            pages.push(Page { size: [number("width"), number("height")], words: Vec::new() });
        } else if line.starts_with("<word ") {
            let text = line.split('>').nth(1).unwrap().trim_end_matches("</word").to_owned();
            let edges = ["xMin", "yMin", "xMax", "yMax"].map(number);
            pages.last_mut().unwrap().words.push(Word { text, edges });
        }
    }
    pages
}

/// That no word leaves the margins, and none lies on another.
fn lies_well(name: &str, pages: &[Page]) {
    for (number, page) in (1..).zip(pages) {
        let [side, below] = MARGINS;
        for (index, word) in page.words.iter().enumerate() {
            let [left, top, right, bottom] = word.edges;
            let fits = left > side - 1.0
                && right < page.size[0] - side + 1.0
                && top > side - 1.0
                && bottom < page.size[1] - below + 1.0;
            assert!(fits, "{name}, page {number}: {word:?} is not within the margins of {:?}", page.size);
            for other in &page.words[index + 1..] {
                // A line's box is higher than its letters: half of it may lie under the next line.
                let across = right.min(other.edges[2]) - left.max(other.edges[0]);
                let down = bottom.min(other.edges[3]) - top.max(other.edges[1]);
                let lower = (bottom - top).min(other.edges[3] - other.edges[1]);
                assert!(
                    across < 0.5 || down < 0.5 * lower,
                    "{name}, page {number}: {word:?} lies on {other:?}"
                );
            }
        }
    }
}

/// A response that rises and falls by so much about a level.
fn capture(job: &mut Job, set: Set, depth_db: f64) {
    let mut meta = CaptureMeta::new("sweep", 1, Stage::Tune, Timestamp::UNIX_EPOCH);
    meta.set = Some(set);
    let grid = (0..=240).map(|n| 20.0 * (f64::from(n) / 24.0).exp2());
    let response: Vec<(f64, f64)> = grid.map(|hz| (hz, depth_db * (3.0 * hz.ln()).sin() - 30.0)).collect();
    kept(job, meta, &response);
}

fn band(channel: &str, frequency_hz: f64, reason: &str) -> EnteredBand {
    EnteredBand {
        channel: channel.to_owned(),
        kind: BandKind::Peak,
        frequency_hz,
        gain_db: -9.5,
        q: 4.318,
        entered_q: None,
        enabled: true,
        locked: false,
        reason: reason.to_owned(),
    }
}

/// Channels with bands, drivers and all that a paper has a place for, with these words for every name.
fn filled(channels: usize, bands: usize, name: impl Fn(&str, usize) -> String, text: &str) -> Scratch {
    let mut scratch = job(|data| {
        data.head.name = name("Grey saloon", 0);
        data.intake.vehicle = name("Invented saloon", 0);
        data.intake.plate = "X 1234".to_owned();
        data.intake.customer = name("Order 1207", 0);
        data.intake.source.name = name("factory radio", 0);
        data.intake.source.tap = name("digital adapter", 0);
        data.intake.processor = name("eight channels", 0);
        data.processor = Some(PresetOrInline::Preset("parametric-gridded".to_owned()));
        data.target = Some(PresetOrInline::Preset("car-medium".to_owned()));
        data.intake.amplifiers = (0..2)
            .map(|n| Amplifier { name: name("front", n), power_w: Some(75.0), load_ohm: Some(4.0) })
            .collect();
        data.source = Source {
            clean_step: Some(31),
            limited_by: name("front", 0),
            outputs: (0..2)
                .map(|n| SourceOutput {
                    name: name("front", n),
                    clean_step: Some(31),
                    volts_rms: Some(4.123),
                })
                .collect(),
            ..Source::default()
        };
        for n in 0..channels {
            let (part, role) = [
                ("tweeter", Role::Tweeter),
                ("mid", Role::Mid),
                ("woofer", Role::Woofer),
                ("rear fill", Role::Fill),
                ("sub", Role::Sub),
            ][n / 2 % 5];
            let side = ["left", "right"][n % 2];
            let channel = name(&format!("{side} {part}"), n);
            data.intake.drivers.push(Driver {
                name: channel.clone(),
                role: Some(role),
                channel: channel.clone(),
                ..Driver::default()
            });
            let pass = |frequency_hz| {
                Some(Crossover { family: "linkwitz-riley".to_owned(), order: 4, frequency_hz })
            };
            data.channels.push(ChannelSetting {
                channel: channel.clone(),
                delay_s: 0.001_31,
                gain_db: -1.5,
                inverted: n == 1,
                high_pass: pass(350.0),
                low_pass: pass(3_150.0),
            });
            let frequency = |n: usize| 20.0 * 1.25_f64.powi(i32::try_from(n).unwrap());
            data.bands.extend((0..bands).map(|n| band(&channel, frequency(n), text)));
        }
        let dip = |frequency_hz| LeftAlone {
            frequency_hz,
            why: "cancellation".to_owned(),
            text: String::new(),
            from_hz: None,
            to_hz: None,
        };
        let fit = ChannelFitRecord { left_alone: vec![dip(74.0), dip(131.0)], ..ChannelFitRecord::default() };
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
            text: format!("Band 2 sounds as if 800 Hz had been typed instead of 8000 Hz. {text}"),
            channel: String::new(),
            meant: None,
            found: None,
            found_entered_q: None,
        };
        data.audit = Some(AuditRecord { bands: vec![line], ..AuditRecord::default() });
        data.notes = format!("Left door rattles.\n{text}");
    });
    capture(&mut scratch.job, Set::Before, 5.0);
    capture(&mut scratch.job, Set::After, 1.0);
    scratch
}

/// A job as it usually is: six channels with a few bands each.
fn usual() -> Scratch {
    filled(6, 3, |what, _| what.to_owned(), "All 6 positions agree.")
}

/// As much as a processor holds, with names that nobody would type, one of them without a blank.
fn crowded() -> Scratch {
    let long = |what: &str, n: usize| match n % 2 {
        0 => format!(
            "{what} {n} behind the grille of the door, which hangs on the fuse of the sunroof as well"
        ),
        _ => format!("{what}{n}{}", "Doppelkupplungsgetriebesteuergeraetekabelbaum".repeat(2)),
    };
    let text = "Both positions agree within 0.4 dB, the microphone moved by the width of a head, and the level of \
                the band was lowered because the processor's cap of boost was reached. ";
    filled(10, 31, long, &text.repeat(2))
}

/// All papers of a job, each with its name.
fn papers(name: &str, sheet: &Sheet) -> Vec<(String, Vec<u8>)> {
    let words = Wording::plain();
    let mut papers = Vec::new();
    for (size, paper) in [(PageSize::A4, "a4"), (PageSize::Letter, "letter")] {
        papers.push((format!("{name}-sheet-{paper}.pdf"), sheet.to_pdf(size)));
        papers.push((format!("{name}-report-{paper}.pdf"), sheet.to_customer_pdf(size, &words)));
        papers.push((format!("{name}-sheet-{paper}.html"), sheet.to_html(size).into_bytes()));
        papers
            .push((format!("{name}-report-{paper}.html"), sheet.to_customer_html(size, &words).into_bytes()));
    }
    if let Some(folder) = std::env::var_os("HEADREST_PICTURES").map(PathBuf::from) {
        fs::create_dir_all(&folder).unwrap();
        papers.iter().for_each(|(name, bytes)| fs::write(folder.join(name), bytes).unwrap());
    }
    papers
}

#[test]
fn nothing_lies_beyond_a_margin_or_on_something_else() {
    for (name, scratch) in [("empty", job(|_| {})), ("usual", usual()), ("crowded", crowded())] {
        let sheet = Sheet::from_job(&scratch.job);
        for (paper, bytes) in papers(name, &sheet).iter().filter(|(name, _)| name.ends_with(".pdf")) {
            lies_well(paper, &pages(bytes));
        }
        assert_eq!(papers(name, &sheet), papers(name, &sheet), "the same bytes twice");
    }
}

/// Two pages, whatever the paper: what a customer keeps is read, a book is not.
#[test]
fn a_report_of_a_usual_job_has_two_pages() {
    let sheet = Sheet::from_job(&usual().job);
    for size in [PageSize::A4, PageSize::Letter] {
        assert_eq!(pages(&sheet.to_customer_pdf(size, &Wording::plain())).len(), 2, "{size:?}");
    }
}

#[test]
fn an_empty_sheet_says_so() {
    let pages = pages(&Sheet::from_job(&job(|_| {}).job).to_pdf(PageSize::A4));
    assert_eq!(pages.len(), 1);
    assert!(pages[0].text().contains("No bands, delays or crossovers have been chosen yet."));
}

/// Every band is on the paper, each table's head is whole wherever it goes on, and every page has its number.
#[test]
fn a_crowded_sheet_loses_nothing() {
    let sheet = Sheet::from_job(&crowded().job);
    for size in [PageSize::A4, PageSize::Letter] {
        let pages = pages(&sheet.to_pdf(size));
        let count = |page: &Page, text: &str| page.words.iter().filter(|word| word.text == text).count();
        assert_eq!(pages.iter().map(|page| count(page, "4.318")).sum::<usize>(), 310, "{size:?}");
        for (number, page) in (1..).zip(&pages) {
            let heads = ["Done", "Q", "Why"].map(|title| count(page, title));
            let bands = count(page, "4.318");
            assert!(heads.iter().all(|one| *one == heads[0]), "{size:?}, page {number}: {heads:?}");
            assert!(bands == 0 || heads[0] > 0, "{size:?}, page {number} has bands and no head");
            let foot = format!("Page {number} of {}", pages.len());
            assert!(page.text().contains(&foot), "{size:?}: {}", page.text());
        }
    }
}
