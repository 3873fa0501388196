//! The audit of a whole job: what it calls a band, and what it does not claim.

use jiff::Timestamp;
use job::{Basis, CaptureId, CaptureMeta, ChannelSetting, EnteredBand, Head, JobData, Set, Stage};
use measure::Reading;
use project::derive::{FitInputs, audit_job};
use project::{Change, Project};
use tuning::{Band, FitOptions, Profile, Target, Verdict};

fn profile() -> Profile {
    Profile::preset("parametric-gridded").expect("it is built in")
}

fn entered(channel: &str, band: &Band) -> EnteredBand {
    EnteredBand::of_typed(channel, band, &profile())
}

/// Bands of all channels and of each side, on the processor's grid.
fn bands() -> Vec<EnteredBand> {
    vec![
        entered("", &Band::peak(240.0, -5.0, 2.0)),
        entered("left", &Band::peak(1_020.0, 4.0, 2.0)),
        entered("right", &Band::peak(2_030.0, -6.0, 2.0)),
        entered("right", &Band::peak(4_060.0, 5.0, 2.0)),
    ]
}

/// A response with these bands, and a dip where two drivers cancel.
fn reading(bands: &[Band], dip_db: f64) -> Reading {
    let grid = dsp::response::log_grid(30.0, 16_000.0, 48.0);
    let mut level = tuning::bands_db(bands, &grid, 48_000.0);
    for (level, hz) in level.iter_mut().zip(&grid) {
        *level += dip_db / (1.0 + (6.0 * (hz / 500.0).ln()).powi(2)) - 3.0 * (hz / 900.0).ln().sin();
    }
    let mut reading = Reading::new("sweep", 1, 48_000.0);
    reading.curve("response", [("frequency_hz", grid), ("magnitude_db", level)]);
    reading
}

struct Car {
    project: Project,
    next: u32,
}

impl Car {
    fn new() -> Self {
        let head = Head { name: "Blue estate".to_owned(), created: Timestamp::UNIX_EPOCH };
        Self { project: Project::new(JobData::new(head)), next: 1 }
    }

    /// Both sides at two places.
    fn measure(&mut self, set: &Set, of_side: impl Fn(&str) -> Reading) {
        for side in ["left", "right"] {
            for place in ["driver", "nose"] {
                let meta = CaptureMeta {
                    set: Some(set.clone()),
                    position: place.to_owned(),
                    processor_channel: side.to_owned(),
                    ..CaptureMeta::new("sweep", 1, Stage::Tune, Timestamp::UNIX_EPOCH)
                };
                let (id, reading) = (CaptureId(self.next), of_side(side));
                self.project.apply(Change::CaptureDone { id, meta, reading }).expect("it is kept");
                self.next += 1;
            }
        }
    }

    fn apply(&mut self, change: Change) {
        self.project.apply(change).expect("it is made");
    }
}

/// What is typed for a side, with one error: the right side's second band with the opposite sign.
fn typed(side: &str, wrong: bool) -> Vec<Band> {
    let reaches = |band: &&EnteredBand| band.channel.is_empty() || band.channel == side;
    let mut typed: Vec<Band> = bands().iter().filter(reaches).map(EnteredBand::typed).collect();
    if let (true, Some(last)) = (wrong && side == "right", typed.last_mut()) {
        last.gain_db = -last.gain_db;
    }
    typed
}

#[test]
fn a_band_is_called_as_on_the_sheet_and_counted_in_the_whole_list() {
    let mut car = Car::new();
    car.measure(&Set::Before, |_| reading(&[], 0.0));
    car.apply(Change::Bands(bands()));
    car.measure(&Set::After, |side| reading(&typed(side, true), 0.0));
    let audit = audit_job(&car.project, &profile(), Basis::default()).expect("an audit");
    let right = &audit.bands.iter().find(|(side, _)| side == "right").expect("the right side").1;
    let wrong: Vec<_> = right.bands.iter().filter(|band| band.verdict != Verdict::AsMeant).collect();
    let [wrong] = wrong.as_slice() else { panic!("{:?}", right.bands) };
    assert_eq!((wrong.index, wrong.verdict), (4, Verdict::WrongSign));
    assert!(wrong.text.starts_with("Band 2 "), "{}", wrong.text);
    let shared = &right.bands[0];
    assert!(
        shared.index == 1 && shared.text.starts_with("Band 1 of all channels (240 Hz)"),
        "{}",
        shared.text
    );
    assert!(audit.has_mistake());
}

/// Delays, polarity or crossovers that were set between the two sets make a difference which looks like wrong bands.
#[test]
fn what_else_was_changed_is_not_laid_to_the_bands() {
    let delayed = |channel: &str| ChannelSetting {
        channel: channel.to_owned(),
        delay_s: 0.0012,
        ..ChannelSetting::default()
    };
    let audited = |set_first: bool| {
        let mut car = Car::new();
        if set_first {
            car.apply(Change::Channels(vec![delayed("sub")]));
        }
        car.measure(&Set::Before, |_| reading(&[], if set_first { -14.0 } else { 0.0 }));
        if !set_first {
            car.apply(Change::Channels(vec![delayed("sub")]));
        }
        car.apply(Change::Bands(bands()));
        car.measure(&Set::After, |side| reading(&typed(side, true), -14.0));
        let fit = FitInputs::of_set(
            &car.project,
            &Set::Before,
            Target::preset("flat").expect("a target"),
            profile(),
            FitOptions::default(),
            Basis::default(),
        );
        (audit_job(&car.project, &profile(), Basis::default()).expect("an audit"), fit.doubt)
    };
    let (audit, doubt) = audited(true);
    assert!(audit.has_mistake() && doubt.is_none(), "{doubt:?}");
    let (audit, doubt) = audited(false);
    let verdicts: Vec<Verdict> =
        audit.bands.iter().flat_map(|(_, audit)| audit.bands.iter().map(|band| band.verdict)).collect();
    assert!(!audit.has_mistake() && verdicts.iter().all(|one| *one == Verdict::Unclear), "{verdicts:?}");
    for (side, audit) in &audit.bands {
        let [finding] = audit.findings.as_slice() else { panic!("{side}: {:?}", audit.findings) };
        assert!(finding.code == "more-changed" && finding.text.contains("sub"), "{finding:?}");
    }
    assert_eq!(doubt.expect("the set is of another car").code, "set-since");
}
