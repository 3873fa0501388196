//! Where tracks of a recording belong, without guessing in silence: as somebody says it, as a name says it, as the
//! job expects it next (a proposal, marked as one), or nowhere, and that is said.

use job::{CaptureId, Conditions, Driver, ImportSource, PlacedBy, Set, Stage};
use measure::Finding;
use tuning::Role;

use crate::{Placement, Project};

/// A track is the one that is meant when it begins within so many seconds of the time that is said.
const CLOSE_S: f64 = 3.0;

/// What is known of where tracks belong.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Placing {
    /// What somebody says, in a table or track by track.
    pub said: Vec<SaidPlace>,
    /// The set of all that nobody says more of.
    pub set: Option<Set>,
    /// What all was made under, where nobody says more.
    pub conditions: Conditions,
    /// Whether a recording that the job has already is imported again.
    pub again: bool,
    /// The drivers of the car.
    drivers: Vec<Driver>,
    /// What the job holds.
    taken: Vec<Taken>,
    /// Whether bands were entered, so that what comes next is *after*.
    entered: bool,
    /// From which recordings its captures were cut, and of which channel.
    imported: Vec<(CaptureId, ImportSource, usize)>,
}

/// A place that the job has a capture of.
#[derive(Debug, Clone, PartialEq)]
struct Taken {
    measurement: String,
    set: Option<Set>,
    position: String,
    channel: String,
    driver: String,
}

/// Where one track belongs, as somebody says it.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct SaidPlace {
    /// How it was written, for messages.
    pub written: String,
    /// The recording's name; any, where it is absent.
    pub file: Option<String>,
    /// The track.
    pub track: String,
    /// When it begins; absent where there is only one.
    pub at_s: Option<f64>,
    /// The stage that it was made for, where that is another one than the track's own.
    pub stage: Option<Stage>,
    /// Where it belongs. What it is called is found where nothing is said.
    pub placement: Placement,
}

/// A track that was found.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TrackAt<'a> {
    /// Its name.
    pub track: &'a str,
    /// When it begins.
    pub start_s: f64,
    /// What it is measured with.
    pub measurement: &'a str,
    /// The stage that it is made for.
    pub stage: Stage,
}

/// Where a track was placed, and what is to be said of that.
#[derive(Debug, Clone, PartialEq)]
pub struct PlacedTrack {
    /// The stage that it was made for, where that is another one than the track's own.
    pub stage: Option<Stage>,
    /// Where it belongs.
    pub placement: Placement,
    /// Why it is there, or why it is nowhere.
    pub finding: Option<Finding>,
}

/// Why tracks cannot be placed as somebody says.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum PlacingError {
    /// No track is there.
    #[error("{written}: no such track was found in {file} there; found were {found}")]
    NoTrack {
        /// What was said.
        written: String,
        /// The recording.
        file: String,
        /// What was found.
        found: String,
    },
    /// Two say different things of one track.
    #[error("{0} and {1} speak of the same track; say once where it belongs")]
    Twice(String, String),
}

impl Placing {
    /// Nothing but a set is known.
    #[must_use]
    pub fn in_set(set: Option<Set>) -> Self {
        Self { set, ..Self::default() }
    }

    /// What a job says of where tracks belong.
    #[must_use]
    pub fn of(project: &Project) -> Self {
        let mut placing = Self {
            drivers: project.data.intake.drivers.clone(),
            entered: project.data.bands.iter().any(|band| band.enabled),
            ..Self::default()
        };
        for capture in project.captures.iter().chain(&project.discarded) {
            if let Some(source) = &capture.meta.imported_from {
                placing.imported.push((capture.id, source.clone(), capture.meta.channel));
            }
        }
        for capture in &project.captures {
            placing.takes(&capture.meta.measurement, &Placement::of(&capture.meta));
        }
        placing
    }

    fn takes(&mut self, measurement: &str, placement: &Placement) {
        self.taken.push(Taken {
            measurement: measurement.to_owned(),
            set: placement.set.clone(),
            position: placement.position.clone(),
            channel: placement.processor_channel.clone(),
            driver: placement.driver.clone(),
        });
    }

    /// The captures that were cut out of this channel, from 0, of a recording with these bytes.
    #[must_use]
    pub fn known(&self, sha256: &str, channel: usize) -> Vec<CaptureId> {
        let of = self.imported.iter().filter(|(_, source, of)| source.sha256 == sha256 && *of == channel);
        of.map(|(id, _, _)| *id).collect()
    }

    /// Places the tracks of one recording, in their order. `file` is its name.
    ///
    /// # Errors
    /// When what somebody says fits no track.
    pub fn place(&mut self, file: &str, tracks: &[TrackAt<'_>]) -> Result<Vec<PlacedTrack>, PlacingError> {
        let said = self.said_of(file, tracks)?;
        let mut placed = Vec::new();
        for (track, said) in tracks.iter().zip(said) {
            let one = match said {
                Some(said) => self.as_said(&said),
                None => {
                    let alike = |other: &&TrackAt<'_>| {
                        (other.stage, other.measurement) == (track.stage, track.measurement)
                    };
                    let alone = tracks.iter().filter(alike).count() == 1;
                    self.by_name(file, track, alone)
                        .or_else(|| self.as_expected(track))
                        .unwrap_or_else(|| self.nowhere(track))
                }
            };
            self.takes(track.measurement, &one.placement);
            placed.push(one);
        }
        Ok(placed)
    }

    /// What somebody says of each track.
    fn said_of(&self, file: &str, tracks: &[TrackAt<'_>]) -> Result<Vec<Option<SaidPlace>>, PlacingError> {
        let mut of: Vec<Option<SaidPlace>> = vec![None; tracks.len()];
        let here = self.said.iter().filter(|said| said.file.as_ref().is_none_or(|name| name == file));
        for said in here {
            let named = (0..).zip(tracks).filter(|(_, track)| track.track == said.track);
            let close = |track: &TrackAt<'_>| match said.at_s {
                Some(at_s) => (track.start_s - at_s).abs(),
                None => 0.0,
            };
            let meant: Vec<usize> =
                named.filter(|(_, track)| close(track) <= CLOSE_S).map(|(index, _)| index).collect();
            let nearest =
                meant.iter().copied().min_by(|a, b| close(&tracks[*a]).total_cmp(&close(&tracks[*b])));
            let Some(index) = nearest.filter(|_| said.at_s.is_some() || meant.len() == 1) else {
                let found: Vec<String> = tracks
                    .iter()
                    .map(|track| {
                        let s = track.start_s.max(0.0);
                        format!("{} at {}:{:04.1}", track.track, (s / 60.0).floor(), s % 60.0)
                    })
                    .collect();
                let found = if found.is_empty() { "none".to_owned() } else { found.join(", ") };
                return Err(PlacingError::NoTrack {
                    written: said.written.clone(),
                    file: file.to_owned(),
                    found,
                });
            };
            if let Some(other) = &of[index] {
                return Err(PlacingError::Twice(other.written.clone(), said.written.clone()));
            }
            of[index] = Some(said.clone());
        }
        Ok(of)
    }

    fn as_said(&self, said: &SaidPlace) -> PlacedTrack {
        // What was said of one, on top of what was said of all.
        let conditions = said.placement.conditions.clone().or(self.conditions.clone());
        let placement = Placement { conditions, ..said.placement.clone() };
        let finding = self.again_there(&placement);
        PlacedTrack { stage: said.stage, placement, finding }
    }

    /// A finished set is never added to in silence.
    fn again_there(&self, placement: &Placement) -> Option<Finding> {
        let set = placement.set.as_ref()?;
        let same = |taken: &&Taken| {
            taken.set.as_ref() == Some(set)
                && taken.driver == placement.driver
                && taken.channel == placement.processor_channel
        };
        if !placement.position.is_empty()
            && self.taken.iter().filter(same).any(|taken| taken.position == placement.position)
        {
            let text = format!(
                "The set `{}` has a capture at `{}` already; the newer one counts from now on.",
                set.word(),
                placement.position
            );
            return Some(Finding::note("place-taken", text));
        }
        (*set == Set::Before && self.is_finished()).then(|| {
            Finding::caution(
                "set-finished",
                "The set `before` was finished: bands were found from it or `after` was measured. This capture is added to it as \
                 you said, and changes its average.",
            )
        })
    }

    /// Whether *before* is done with.
    fn is_finished(&self) -> bool {
        let has = |set: &Set| self.taken.iter().any(|taken| taken.set.as_ref() == Some(set));
        has(&Set::Before) && (self.entered || has(&Set::After))
    }

    /// What the recording's name says: the driver of all that is for one driver, and the place of the only track of its
    /// kind. Several of one driver are taken for its places in their order, and that is a proposal.
    fn by_name(&self, file: &str, track: &TrackAt<'_>, alone: bool) -> Option<PlacedTrack> {
        let stem = file.rsplit_once('.').map_or(file, |(stem, _)| stem);
        let words = words(stem);
        let placed = |placement: Placement| {
            let placement = Placement {
                conditions: self.conditions.clone(),
                placed_by: Some(PlacedBy::Name),
                ..placement
            };
            PlacedTrack { stage: None, finding: self.again_there(&placement), placement }
        };
        if is_for_one_driver(track) {
            let driver = self.named(&words)?;
            let position = match is_against_reference(track) && alone {
                true => without(&words, &self::words(&driver.name)),
                false => String::new(),
            };
            let of_driver = placed(Placement {
                label: at_place(&driver.name, &position),
                driver: driver.name.clone(),
                position,
                set: self.set.clone(),
                ..Placement::default()
            });
            return Some(if alone { of_driver } else { self.at_next_place(file, track, of_driver) });
        }
        if track.stage != Stage::Tune || !alone {
            return None;
        }
        let (first, rest) = words.split_first()?;
        let set = match first.as_str() {
            "before" => Set::Before,
            "after" => Set::After,
            _ => return None,
        };
        if self.set.as_ref().is_some_and(|said| *said != set) || rest.is_empty() {
            return None;
        }
        let position = rest.join(" ");
        Some(placed(Placement { label: position.clone(), set: Some(set), position, ..Placement::default() }))
    }

    /// One of several tracks of a driver, at the first place where the job has none of it: the places of other drivers
    /// first, then numbered ones.
    fn at_next_place(&self, file: &str, track: &TrackAt<'_>, placed: PlacedTrack) -> PlacedTrack {
        let driver = &placed.placement.driver;
        let is_open = |place: &str| {
            !self.taken.iter().any(|taken| {
                &taken.driver == driver && taken.measurement == track.measurement && taken.position == place
            })
        };
        let of_drivers = self.taken.iter().filter(|taken| !taken.driver.is_empty());
        let known = of_drivers.map(|taken| taken.position.clone()).filter(|place| !place.is_empty());
        let numbered = (1..).map(|number| format!("position {number}"));
        let Some(position) = known.chain(numbered).find(|place| is_open(place)) else { return placed };
        let finding = Finding::caution(
            "place-proposed",
            format!(
                "`{file}` holds several of the driver {driver}. Each was taken for the next place, this one for \
                 `{position}`: confirm it with `headrest job capture`, or say it with --as."
            ),
        );
        let label = at_place(driver, &position);
        let placed_by = Some(PlacedBy::Proposal);
        let placement = Placement { label, position, placed_by, ..placed.placement };
        PlacedTrack { placement, finding: Some(finding), ..placed }
    }

    /// The driver whose whole name stands among these words: the longest where one name is a part of another, and
    /// none where two are as long.
    fn named(&self, words: &[String]) -> Option<&Driver> {
        let length = |driver: &Driver| {
            let name = self::words(&driver.name);
            holds(words, &name).then_some(name.len())
        };
        let longest = self.drivers.iter().filter_map(length).max()?;
        let mut named = self.drivers.iter().filter(|driver| length(driver) == Some(longest));
        named.next().filter(|_| named.next().is_none())
    }

    /// What the job expects next.
    fn as_expected(&self, track: &TrackAt<'_>) -> Option<PlacedTrack> {
        let placement = if is_for_one_driver(track) {
            let (driver, position) = self.driver_expected(track)?;
            Placement {
                label: at_place(&driver.name, &position),
                driver: driver.name.clone(),
                position,
                set: self.set.clone(),
                ..Placement::default()
            }
        } else if track.stage == Stage::Tune && self.expects_after() {
            let next = self.taken.iter().find(|taken| {
                taken.set == Some(Set::Before)
                    && taken.driver.is_empty()
                    && taken.measurement == track.measurement
                    && !taken.position.is_empty()
                    && !self.taken.iter().any(|other| {
                        other.set == Some(Set::After)
                            && other.driver.is_empty()
                            && (&other.position, &other.channel) == (&taken.position, &taken.channel)
                    })
            })?;
            Placement {
                label: next.position.clone(),
                set: Some(Set::After),
                position: next.position.clone(),
                processor_channel: next.channel.clone(),
                ..Placement::default()
            }
        } else {
            return None;
        };
        let place = match (&placement.set, placement.driver.as_str()) {
            (Some(set), "") => format!("{}, {}", set.word(), placement.position),
            (_, _) => format!("the driver {}", placement.label),
        };
        let text = format!(
            "Nobody said where `{}` belongs. It was taken for {place}, which the job expects next: confirm it with `headrest \
             job capture`, or say it with --as.",
            track.track
        );
        let placement = Placement {
            conditions: self.conditions.clone(),
            placed_by: Some(PlacedBy::Proposal),
            ..placement
        };
        let finding = Some(Finding::caution("place-proposed", text));
        Some(PlacedTrack { stage: None, placement, finding })
    }

    /// The first driver of the track's kind that has not been measured: with a track against a reference driver at the
    /// first place where one is left, for such tracks are recorded place by place.
    fn driver_expected(&self, track: &TrackAt<'_>) -> Option<(&Driver, String)> {
        let suited =
            || self.drivers.iter().filter(|driver| driver.role.is_some_and(|role| suits(role, track.track)));
        let open = |driver: &&Driver, position: Option<&str>| {
            !self.taken.iter().any(|taken| {
                taken.driver == driver.name
                    && taken.measurement == track.measurement
                    && position.is_none_or(|position| taken.position == position)
            })
        };
        if !is_against_reference(track) {
            return suited().find(|driver| open(driver, None)).map(|driver| (driver, String::new()));
        }
        // After as many places as there are captures one is open, if there is such a driver at all.
        (1..=self.taken.len() + 1).find_map(|number| {
            let position = format!("position {number}");
            let driver = suited().find(|driver| open(driver, Some(&position)))?;
            Some((driver, position))
        })
    }

    fn expects_after(&self) -> bool {
        self.entered && self.set.as_ref().is_none_or(|set| *set == Set::After)
    }

    /// A track whose place nobody knows. It is in the set that was said for all, and else in none.
    fn nowhere(&self, track: &TrackAt<'_>) -> PlacedTrack {
        let set = self.set.clone();
        let placement = Placement {
            conditions: self.conditions.clone(),
            placed_by: set.as_ref().map(|_| PlacedBy::Person),
            set,
            ..Placement::default()
        };
        let finding = match &placement.set {
            Some(_) => self.again_there(&placement),
            None if ["sweep", "spectrum", "arrival"].contains(&track.measurement) => Some(Finding::note(
                "unplaced",
                format!(
                    "Nobody said where `{}` belongs, so it is in no set. Say it with --as {}@TIME=before:PLACE (or \
                     driver:NAME), or with `headrest job capture`.",
                    track.track, track.track
                ),
            )),
            None => None,
        };
        PlacedTrack { stage: None, placement, finding }
    }
}

/// Whether a track is for one driver alone.
fn is_for_one_driver(track: &TrackAt<'_>) -> bool {
    track.measurement == "arrival" || (track.measurement == "sweep" && track.stage == Stage::Drivers)
}

/// Whether a track gives a driver's response against a reference driver.
fn is_against_reference(track: &TrackAt<'_>) -> bool {
    track.track.starts_with("place-")
}

/// What a driver is called at a place.
fn at_place(driver: &str, position: &str) -> String {
    if position.is_empty() { driver.to_owned() } else { format!("{driver}, {position}") }
}

/// Whether a track is made for drivers of this role.
fn suits(role: Role, track: &str) -> bool {
    let Some((kind, band)) = track.split_once('-') else { return track == "arrival" };
    let is_placed = kind == "place";
    match role {
        Role::Sub => band == "sub",
        Role::Woofer => band == "woofer",
        Role::Mid => band == "mid",
        Role::Tweeter => band == "high",
        Role::FullRange => is_placed && band == "full",
        Role::Centre | Role::Fill => is_placed && band == "mid",
    }
}

/// The words of a name, in small letters.
fn words(name: &str) -> Vec<String> {
    let parts = name.split(|c: char| !c.is_alphanumeric());
    parts.filter(|part| !part.is_empty()).map(str::to_lowercase).collect()
}

/// Whether all words of one stand in a row in the other.
fn holds(words: &[String], part: &[String]) -> bool {
    !part.is_empty() && words.windows(part.len()).any(|window| window == part)
}

/// The words of a name without those that stand in a row in it.
fn without(words: &[String], part: &[String]) -> String {
    let first = words.windows(part.len().max(1)).position(|window| window == part).unwrap_or(words.len());
    let left = |(index, _): &(usize, &String)| !(first..first + part.len()).contains(index);
    words.iter().enumerate().filter(left).map(|(_, word)| word.as_str()).collect::<Vec<_>>().join(" ")
}

#[cfg(test)]
mod tests {
    use super::*;

    const FULL: TrackAt<'_> =
        TrackAt { track: "sweep-full", start_s: 5.0, measurement: "sweep", stage: Stage::Tune };
    const MID: TrackAt<'_> =
        TrackAt { track: "sweep-mid", start_s: 40.0, measurement: "sweep", stage: Stage::Drivers };

    fn driver(name: &str, role: Role) -> Driver {
        Driver { name: name.to_owned(), role: Some(role), ..Driver::default() }
    }

    fn placing() -> Placing {
        let drivers =
            vec![driver("left-mid", Role::Mid), driver("right-mid", Role::Mid), driver("sub", Role::Sub)];
        Placing { drivers, ..Placing::default() }
    }

    fn took(placing: &mut Placing, set: Set, position: &str) {
        let placement = Placement { set: Some(set), position: position.to_owned(), ..Placement::default() };
        placing.takes("sweep", &placement);
    }

    fn said(track: &str, at_s: Option<f64>, position: &str) -> SaidPlace {
        let placement = Placement {
            set: Some(Set::Before),
            position: position.to_owned(),
            placed_by: Some(PlacedBy::Person),
            ..Placement::default()
        };
        SaidPlace {
            written: position.to_owned(),
            track: track.to_owned(),
            at_s,
            placement,
            ..SaidPlace::default()
        }
    }

    fn code(placed: &PlacedTrack) -> &str {
        placed.finding.as_ref().map_or("", |finding| finding.code.as_str())
    }

    #[test]
    fn what_somebody_says_counts_and_must_fit() {
        let mut placing = placing();
        let later = TrackAt { start_s: 25.2, ..FULL };
        placing.said =
            vec![said("sweep-full", Some(25.0), "right ear"), said("sweep-full", Some(5.0), "left ear")];
        let placed = placing.place("day.wav", &[FULL, later]).unwrap();
        let positions: Vec<&str> = placed.iter().map(|one| one.placement.position.as_str()).collect();
        assert_eq!(positions, ["left ear", "right ear"]);
        placing.said = vec![said("sweep-full", Some(60.0), "roof")];
        let error = placing.place("day.wav", &[FULL]).unwrap_err().to_string();
        assert!(error.contains("sweep-full at 0:05.0") && error.contains("day.wav"), "{error}");
        // Without a time there must be only one.
        placing.said = vec![said("sweep-full", None, "roof")];
        assert!(
            placing.place("day.wav", &[FULL, later]).is_err() && placing.place("day.wav", &[FULL]).is_ok()
        );
        placing.said = vec![said("sweep-full", None, "roof"), said("sweep-full", Some(5.0), "ear")];
        assert!(matches!(placing.place("day.wav", &[FULL]), Err(PlacingError::Twice(..))));
        // Of another file nothing is said here.
        placing.said =
            vec![SaidPlace { file: Some("other.wav".to_owned()), ..said("sweep-full", None, "roof") }];
        assert_eq!(code(&placing.place("day.wav", &[FULL]).unwrap()[0]), "unplaced");
    }

    #[test]
    fn a_recordings_name_says_where_its_one_track_belongs() {
        let mut placing = placing();
        let of = |placing: &mut Placing, file: &str, track| placing.place(file, &[track]).unwrap().remove(0);
        let left = of(&mut placing, "Left-Mid take 2.wav", MID);
        assert_eq!((&*left.placement.driver, left.placement.placed_by), ("left-mid", Some(PlacedBy::Name)));
        let ear = of(&mut placing, "before driver left ear.wav", FULL);
        assert_eq!(ear.placement.set, Some(Set::Before));
        assert_eq!(ear.placement.position, "driver left ear");
        // Several of one driver: the driver is the one that is named, whatever the job expects next.
        let mut placing = self::placing();
        let files = ["left-mid.wav", "right-mid.wav"];
        for file in files {
            let tracks = [MID, TrackAt { start_s: 70.0, ..MID }, TrackAt { start_s: 90.0, ..MID }];
            let several = placing.place(file, &tracks).unwrap();
            let driver = file.trim_end_matches(".wav");
            assert!(several.iter().all(|one| one.placement.driver == driver), "{several:?}");
            let at: Vec<&str> = several.iter().map(|one| one.placement.position.as_str()).collect();
            assert_eq!(at, ["position 1", "position 2", "position 3"]);
            assert!(several.iter().all(|one| code(one) == "place-proposed"), "{several:?}");
        }
        // Two tracks of one kind: the name cannot be that of both.
        let both = placing.place("before nose.wav", &[FULL, TrackAt { start_s: 20.0, ..FULL }]).unwrap();
        assert!(both.iter().all(|one| one.placement.set.is_none() && code(one) == "unplaced"), "{both:?}");
    }

    #[test]
    fn what_is_expected_next_is_a_proposal_and_else_nothing_is_guessed() {
        let mut placing = placing();
        let of = |placing: &mut Placing, track| placing.place("day.wav", &[track]).unwrap().remove(0);
        for name in ["left-mid", "right-mid"] {
            let placed = of(&mut placing, MID);
            assert_eq!((&*placed.placement.driver, code(&placed)), (name, "place-proposed"));
            assert_eq!(placed.placement.placed_by, Some(PlacedBy::Proposal));
        }
        // Both are measured: nobody knows.
        let third = of(&mut placing, MID);
        assert_eq!((&*third.placement.driver, third.placement.placed_by), ("", None));
        assert_eq!(code(&third), "unplaced");
        assert_eq!(code(&of(&mut placing, FULL)), "unplaced");
        for position in ["left ear", "right ear"] {
            took(&mut placing, Set::Before, position);
        }
        placing.entered = true;
        for position in ["left ear", "right ear"] {
            let placed = of(&mut placing, FULL);
            assert_eq!((&placed.placement.set, &*placed.placement.position), (&Some(Set::After), position));
            assert_eq!(code(&placed), "place-proposed");
        }
        let fifth = of(&mut placing, FULL);
        assert_eq!((fifth.placement.set.clone(), code(&fifth)), (None, "unplaced"));
    }

    /// A session with two mids and the subwoofer at two places, in the order of the drivers; then a recording whose name
    /// says driver and place.
    #[test]
    fn tracks_against_a_reference_are_placed_place_by_place() {
        let mut placing = placing();
        let of = |name| TrackAt { track: name, ..MID };
        let round = ["place-mid", "place-mid", "place-sub"];
        let session: Vec<TrackAt<'_>> = [round, round].concat().into_iter().map(of).collect();
        let placed = placing.place("day.wav", &session).unwrap();
        let where_each: Vec<(&str, &str)> =
            placed.iter().map(|one| (&*one.placement.driver, &*one.placement.position)).collect();
        let at = |position| ["left-mid", "right-mid", "sub"].map(|driver| (driver, position));
        assert_eq!(where_each, [at("position 1"), at("position 2")].concat());
        assert!(placed.iter().all(|one| code(one) == "place-proposed"));
        let named = placing.place("Left-Mid right ear.wav", &[of("place-mid")]).unwrap().remove(0);
        let placement = &named.placement;
        assert_eq!((&*placement.driver, &*placement.position), ("left-mid", "right ear"));
        assert_eq!(placement.placed_by, Some(PlacedBy::Name));
        // Nobody has a tweeter.
        assert_eq!(code(&placing.place("day.wav", &[of("place-high")]).unwrap()[0]), "unplaced");
    }

    #[test]
    fn a_finished_set_is_never_added_to_in_silence() {
        let mut placing = placing();
        took(&mut placing, Set::Before, "left ear");
        placing.set = Some(Set::Before);
        let of = |placing: &mut Placing| placing.place("day.wav", &[FULL]).unwrap().remove(0);
        assert_eq!(code(&of(&mut placing)), "");
        placing.entered = true;
        let added = of(&mut placing);
        assert_eq!((added.placement.set.clone(), code(&added)), (Some(Set::Before), "set-finished"));
        placing.said = vec![said("sweep-full", None, "left ear")];
        assert_eq!(code(&of(&mut placing)), "place-taken");
    }
}
