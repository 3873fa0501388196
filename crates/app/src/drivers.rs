//! The drivers: which there are, what each one's sweep is, and what was found of it.

use job::Driver;
use project::derive::{self, is_inverted};
use project::hertz;
use tuning::{Feed, Role};
use view::{CardLine, FindingLine, Layout, Stage, Tone};

use super::captures::CaptureView;
use super::state::State;

/// What a car with devices may hold, and what each is called.
pub(super) const LAYOUTS: [(Layout, &str); 7] = [
    (Layout::TwoWaySub, "Two-way front, sub"),
    (Layout::ThreeWaySub, "Three-way front, sub"),
    (Layout::TwoWayRearSub, "Two-way front, rear, sub"),
    (Layout::Large, "Two-way front, centre, rear, two subs"),
    (Layout::TwoWay, "Two-way front"),
    (Layout::FullRange, "Coaxial or full-range front"),
    (Layout::FullRangeRear, "Coaxial front and rear"),
];
const TWEETERS: [(&str, Role); 2] = [("left-tweeter", Role::Tweeter), ("right-tweeter", Role::Tweeter)];
const MIDS: [(&str, Role); 2] = [("left-mid", Role::Mid), ("right-mid", Role::Mid)];
const WOOFERS: [(&str, Role); 2] = [("left-woofer", Role::Woofer), ("right-woofer", Role::Woofer)];
const REARS: [(&str, Role); 2] = [("rear-left", Role::Fill), ("rear-right", Role::Fill)];
const FULL: [(&str, Role); 2] = [("left", Role::FullRange), ("right", Role::FullRange)];
const SUB: (&str, Role) = ("sub", Role::Sub);
const SUB_2: (&str, Role) = ("sub-2", Role::Sub);
const CENTRE: (&str, Role) = ("centre", Role::Centre);

/// A layout's drivers.
pub(super) fn layout(layout: Layout) -> Vec<Driver> {
    let drivers = match layout {
        Layout::TwoWaySub => [&TWEETERS[..], &MIDS, &[SUB]].concat(),
        Layout::ThreeWaySub => [&TWEETERS[..], &MIDS, &WOOFERS, &[SUB]].concat(),
        Layout::TwoWayRearSub => [&TWEETERS[..], &MIDS, &REARS, &[SUB]].concat(),
        Layout::Large => [&TWEETERS[..], &MIDS, &[CENTRE], &REARS, &[SUB, SUB_2]].concat(),
        Layout::TwoWay => [&TWEETERS[..], &MIDS].concat(),
        Layout::FullRange => FULL.to_vec(),
        Layout::FullRangeRear => [&FULL[..], &REARS].concat(),
    };
    drivers.iter().map(|(name, role)| driver(name, *role)).collect()
}

/// A driver whose processor channel has its name.
pub(super) fn driver(name: &str, role: Role) -> Driver {
    Driver {
        name: name.to_owned(),
        role: Some(role),
        feed: Some(Feed::proposed(name)),
        channel: name.to_owned(),
        ..Driver::default()
    }
}

impl State {
    /// The drivers of the car.
    pub(super) fn drivers(&self) -> &[Driver] {
        self.job.as_ref().map_or(&[], |job| &job.data.intake.drivers)
    }

    /// What was found of a driver: at the place that stands for the seat, else wherever it was measured.
    pub(super) fn driver_found(&self, name: &str) -> Option<&CaptureView> {
        let there = self.main_place().and_then(|place| self.captures.of_driver(name, Some(place)));
        there.or_else(|| self.captures.of_driver(name, None))
    }

    /// The place that stands for the seat where drivers were measured at several.
    pub(super) fn main_place(&self) -> Option<&str> {
        let measured = self.captures.counted(Stage::Drivers).filter(|held| held.has_result());
        derive::main_place(measured.map(|held| held.place.as_str()).filter(|place| !place.is_empty()))
    }

    /// The places at which drivers are measured.
    pub(super) fn driver_places(&self) -> Vec<String> {
        self.place_names(self.choices.driver_places)
    }

    /// What is still to be measured: place by place, each with its drivers, so that the microphone stands still
    /// from one driver to the next.
    pub(super) fn drivers_open(&self) -> Vec<(usize, String, &Driver)> {
        let places = self.driver_places();
        let one = places.len() == 1;
        let is_open = |index: usize, place: &str, driver: &Driver| {
            let anywhere = one && self.captures.of_driver(&driver.name, None).is_some();
            // A capture without a place was made where everything was measured then.
            let unplaced = index == 0 && self.captures.of_driver(&driver.name, Some("")).is_some();
            !anywhere && !unplaced && self.captures.of_driver(&driver.name, Some(place)).is_none()
        };
        let each = places.iter().enumerate().flat_map(|(index, place)| {
            self.drivers().iter().map(move |driver| (index, place.clone(), driver))
        });
        each.filter(|(index, place, driver)| is_open(*index, place, driver)).collect()
    }

    /// At how many of the places all drivers were measured.
    pub(super) fn places_done(&self) -> usize {
        let mut open: Vec<usize> = self.drivers_open().into_iter().map(|(place, ..)| place).collect();
        open.dedup();
        self.choices.driver_places - open.len()
    }

    /// What it costs to measure at one place only.
    pub(super) fn few_places(&self) -> Vec<FindingLine> {
        let text = "At one place only, bands above 500 Hz follow what is true of a few centimetres. Measure at four \
                    places or more, and the head may move.";
        let few = self.choices.driver_places == 1 && !self.drivers().is_empty();
        few.then(|| FindingLine { tone: Tone::Plain, text: text.to_owned() }).into_iter().collect()
    }

    /// How long all of it takes, with the countdowns.
    pub(super) fn drivers_time(&self) -> String {
        let open = self.drivers_open();
        if open.len() < 2 || !self.choices.go_on {
            return String::new();
        }
        let sweep_s = |driver: &Driver| {
            let stimulus = self.driver_stimulus(driver);
            stimulus.map_or(0.0, |stimulus| stimulus.segments.iter().map(|one| one.duration_s).sum::<f64>())
        };
        let countdown_s = f64::from(self.choices.countdown_s);
        let all_s: f64 = open.iter().map(|(_, _, driver)| sweep_s(driver) + countdown_s).sum();
        let minutes = (all_s / 60.0).ceil().max(1.0);
        format!("{} sweeps, about {minutes:.0} min with the countdown.", open.len())
    }

    /// One line for each driver: what was found of it.
    pub(super) fn driver_lines(&self) -> Vec<CardLine> {
        let line = |driver: &Driver| {
            let (value, tone) = match self.driver_found(&driver.name) {
                None => ("not measured".to_owned(), Tone::Plain),
                Some(held) if is_inverted(&held.reading) => {
                    let tone = if self.is_settled(&driver.name) { Tone::Caution } else { Tone::Bad };
                    (format!("reversed polarity · {}", range_text(held)), tone)
                }
                Some(held) if !held.remark.is_empty() => (range_text(held), Tone::Caution),
                Some(held) => (range_text(held), Tone::Good),
            };
            CardLine { label: driver.name.clone(), value, tone }
        };
        self.drivers().iter().map(line).collect()
    }

    /// The drivers of reversed polarity about which nothing has been decided.
    pub(super) fn reversed_drivers(&self) -> Vec<&str> {
        let (_, _, reversed) = self.drivers_result();
        reversed.into_iter().filter(|name| !self.is_settled(name)).collect()
    }

    /// Whether it was decided that a reversed driver is inverted in the processor.
    fn is_settled(&self, name: &str) -> bool {
        let entered = self.entered_channels();
        let channel = |driver: &&Driver| driver.name == name;
        let channel = self.drivers().iter().find(channel).map_or(name, |driver| &driver.channel);
        self.inverted_instead.contains(name)
            || entered.iter().any(|one| one.channel == channel && one.inverted)
    }

    /// Whether a driver was found reversed more than once.
    pub(super) fn was_measured_again(&self, name: &str) -> bool {
        // Another place is no second measurement.
        let place = self.driver_found(name).map(|held| &held.place);
        let found = |held: &&CaptureView| {
            held.position == name
                && Some(&held.place) == place
                && held.has_result()
                && is_inverted(&held.reading)
        };
        self.captures.counted(Stage::Drivers).filter(found).count() > 1
    }

    /// How many drivers are measured, of how many, and which have reversed polarity.
    pub(super) fn drivers_result(&self) -> (usize, usize, Vec<&str>) {
        let found: Vec<&CaptureView> =
            self.drivers().iter().filter_map(|driver| self.driver_found(&driver.name)).collect();
        let backwards = found.iter().filter(|held| is_inverted(&held.reading)).map(|held| &*held.position);
        (found.len(), self.drivers().len(), backwards.collect())
    }
}

/// Where a driver plays. An end that is the sweep's own is marked as such: it may play beyond.
fn range_text(held: &CaptureView) -> String {
    let Some(response) = &held.response else { return "measured".to_owned() };
    let (from_hz, to_hz) = tuning::playing_range_hz(response);
    let (first_hz, last_hz) = response.range_hz();
    let from = if from_hz <= first_hz * NEAR_THE_END { "≤ " } else { "" };
    let to = if to_hz * NEAR_THE_END >= last_hz { "≥ " } else { "" };
    format!("{from}{} to {to}{}", hertz(from_hz), hertz(to_hz))
}

/// A range that ends so near to the sweep's own end, a twelfth of an octave, ends with the sweep.
const NEAR_THE_END: f64 = 1.06;
