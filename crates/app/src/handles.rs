//! What has a handle on the chart, and a card of its own: the bands, or the shelves and points of
//! the target while that is edited.

use chart::{Handle, Point};
use tuning::{BandKind, BandLayout, Target, TargetHandle, TargetShelf};
use units::quantity::{signed_decibels, typed_signed};
use view::{BandState, HandleCard, HandleId, HandleNumber, Number};

use super::channels::channel_word;
use super::state::State;
use super::typed_band::{TypedBand, number_of};

impl State {
    /// The handles on the chart.
    pub(super) fn handles(&self) -> Vec<Handle> {
        if self.is_editing_target() {
            let target = self.tune.target();
            return target.handles().filter_map(|handle| self.target_handle(target, handle)).collect();
        }
        if self.is_tuning_car() {
            let bands = self.tune.car().map_or(&[][..], |car| &car.bands);
            let at = |index| self.band_handle(HandleId::Proposed(index), bands, index);
            return (0..bands.len()).map(at).collect();
        }
        let bands = self.tune.bands();
        (0..bands.len()).map(|index| self.band_handle(HandleId::Band(index), bands, index)).collect()
    }

    /// Their cards.
    pub(super) fn handle_cards(&self) -> Vec<HandleCard> {
        if self.is_editing_target() {
            let target = self.tune.target();
            return target.handles().filter_map(|handle| self.target_handle_card(target, handle)).collect();
        }
        if self.is_tuning_car() {
            return self.car_cards();
        }
        let bands = self.tune.bands();
        (0..bands.len()).map(|index| self.band_card(HandleId::Band(index), bands, index)).collect()
    }

    fn band_handle(&self, id: HandleId, bands: &[TypedBand], index: usize) -> Handle {
        let band = &bands[index];
        let (profile, own_hz) = (self.tune.profile(), band.typed.frequency_hz);
        let (least_hz, greatest_hz) = match &profile.bands {
            BandLayout::Parametric { frequency_hz, .. } => (frequency_hz.min(), frequency_hz.max()),
            BandLayout::Fixed(_) => (own_hz, own_hz),
        };
        Handle {
            id,
            at: Point { x: own_hz, y: band.typed.gain_db },
            least: Point { x: least_hz, y: profile.gain_db.min() },
            greatest: Point { x: greatest_hz, y: profile.gain_db.max() },
            label: number_of(bands, index),
            enabled: band.enabled,
            selected: self.selected() == Some(id),
        }
    }

    pub(super) fn band_card(&self, id: HandleId, bands: &[TypedBand], index: usize) -> HandleCard {
        let band = &bands[index];
        HandleCard {
            id,
            heading: String::new(),
            label: number_of(bands, index),
            text: match channel_word(&band.channel, self.choices.by_side) {
                "" => band.typed.sentence(),
                channel => format!("{}, {channel}", band.typed.sentence()),
            },
            reason: band.reason.clone(),
            selected: self.selected() == Some(id),
            numbers: vec![
                number(Number::Frequency, "Frequency", format!("{} Hz", band.typed.frequency_hz)),
                number(Number::Gain, "Gain", format!("{} dB", typed_signed(band.typed.gain_db))),
                number(Number::Q, "Q", format!("Q {}", band.typed.q)),
            ],
            band: Some(BandState { enabled: band.enabled, locked: band.locked }),
            locked: None,
        }
    }

    fn target_handle(&self, target: &Target, handle: TargetHandle) -> Option<Handle> {
        let place = target.place(handle)?;
        let point = |(x, y): (f64, f64)| Point { x, y };
        Some(Handle {
            id: id_of(handle),
            at: point((place.frequency_hz, place.db)),
            least: point(place.least),
            greatest: point(place.greatest),
            label: label(target, handle),
            enabled: true,
            selected: self.selected() == Some(id_of(handle)),
        })
    }

    fn target_handle_card(&self, target: &Target, handle: TargetHandle) -> Option<HandleCard> {
        let (text, numbers) = match handle {
            TargetHandle::Shelf(index) => shelf_words(target.shelves.get(index)?),
            TargetHandle::Point(index) => {
                let point = target.points.get(index)?;
                let (hz, db) = (hertz(point.frequency_hz), signed_decibels(point.db));
                let numbers = vec![
                    number(Number::Frequency, "Frequency", hz.clone()),
                    number(Number::Gain, "Level", db.clone()),
                ];
                (format!("{db} at {hz}"), numbers)
            }
        };
        Some(HandleCard {
            id: id_of(handle),
            heading: String::new(),
            label: label(target, handle),
            text,
            reason: String::new(),
            selected: self.selected() == Some(id_of(handle)),
            numbers,
            band: None,
            locked: None,
        })
    }
}

fn shelf_words(shelf: &TargetShelf) -> (String, Vec<HandleNumber>) {
    let (hz, db) = (hertz(shelf.frequency_hz), signed_decibels(shelf.gain_db));
    let side = if shelf.kind == BandKind::LowShelf { "below" } else { "above" };
    // As many digits as are stepped; the letter stays beside its number.
    let q = format!("Q\u{a0}{}", (shelf.q * 100.0).round() / 100.0);
    let text = format!("{db} {side} {hz}, {q}");
    let numbers = vec![
        number(Number::Frequency, "Frequency", hz),
        number(Number::Gain, "Gain", db),
        number(Number::Q, "Q", q),
    ];
    (text, numbers)
}

fn number(what: Number, label: &str, text: String) -> HandleNumber {
    HandleNumber { what, label: label.to_owned(), text }
}

fn id_of(handle: TargetHandle) -> HandleId {
    match handle {
        TargetHandle::Shelf(index) => HandleId::Shelf(index),
        TargetHandle::Point(index) => HandleId::Point(index),
    }
}

/// Points are numbered; a shelf is L or H, with a number where there are several.
fn label(target: &Target, handle: TargetHandle) -> String {
    let index = match handle {
        TargetHandle::Point(index) => return (index + 1).to_string(),
        TargetHandle::Shelf(index) => index,
    };
    let kind = target.shelves.get(index).map(|shelf| shelf.kind);
    let letter = if kind == Some(BandKind::LowShelf) { "L" } else { "H" };
    let alike = |shelves: &[TargetShelf]| shelves.iter().filter(|shelf| Some(shelf.kind) == kind).count();
    match alike(&target.shelves) {
        0 | 1 => letter.to_owned(),
        _ => format!("{letter}{}", alike(&target.shelves[..=index])),
    }
}

fn hertz(hz: f64) -> String {
    format!("{} Hz", (hz * 10.0).round() / 10.0)
}
