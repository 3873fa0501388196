//! Small pictures of a job's car: the cabin with its drivers, the chain from the radio to the speakers.

use chart::{Cabin, Chain, ChainPart, Flank, PartState, Picture, Size, Speaker, SpeakerKind, SpeakerState};
use job::{Capture, CaptureState, Driver, Job, JobData, Set};
use measure::Reading;
use tuning::{Feed, Role};
use units::quantity::spoken;

use crate::numbers::volts;

/// Where a driver of which nobody says what it is for is taken to play: everywhere.
const RANGE_HZ: (f64, f64) = (30.0, 16_000.0);

/// The pictures with their sizes; none of what the job does not say.
pub(crate) fn of_job(job: &Job) -> Vec<(Picture, Size)> {
    let cabin = cabin(job).map(|cabin| (Picture::Cabin(cabin), Size { width: 420.0, height: 250.0 }));
    let chain = chain(job.data()).map(|chain| (Picture::Chain(chain), Size { width: 760.0, height: 110.0 }));
    cabin.into_iter().chain(chain).collect()
}

/// A driver in its place in the cabin, with nothing known of it yet.
#[must_use]
pub fn speaker(driver: &Driver) -> Speaker {
    let role = driver.role.unwrap_or_else(|| Role::proposed(&driver.name, RANGE_HZ));
    let is_rear = |text: &str| text.to_lowercase().contains("rear");
    Speaker {
        name: driver.name.clone(),
        side: match driver.feed.unwrap_or_else(|| Feed::proposed(&driver.name)) {
            Feed::Left => Flank::Left,
            Feed::Right => Flank::Right,
            Feed::Both => Flank::Middle,
        },
        rear: role == Role::Fill || is_rear(&driver.name) || is_rear(&driver.place),
        kind: match role {
            Role::Tweeter => SpeakerKind::Tweeter,
            Role::Mid => SpeakerKind::Mid,
            Role::Woofer => SpeakerKind::Woofer,
            Role::Sub => SpeakerKind::Sub,
            Role::FullRange | Role::Centre | Role::Fill => SpeakerKind::Full,
        },
        state: SpeakerState::Open,
        arrival_ms: None,
    }
}

fn cabin(job: &Job) -> Option<Cabin> {
    let drivers = &job.data().intake.drivers;
    // What was found of a driver alone, before anything was entered for it.
    let state = |driver: &Driver| {
        let alone = |capture: &&Capture| {
            let meta = &capture.meta;
            meta.driver == driver.name && meta.set != Some(Set::After) && capture.state == CaptureState::Done
        };
        let newest = job.captures().iter().filter(alone).max_by_key(|capture| capture.id);
        match newest.map(|capture| job.reading(capture.id).ok().flatten()) {
            None => SpeakerState::Open,
            Some(reading) if reading.as_ref().is_some_and(is_reversed) => SpeakerState::Reversed,
            Some(_) => SpeakerState::Good,
        }
    };
    let speakers = drivers.iter().map(|driver| Speaker { state: state(driver), ..speaker(driver) });
    (!drivers.is_empty()).then(|| Cabin {
        title: "The drivers, from above".to_owned(),
        speakers: speakers.collect(),
        places: Vec::new(),
        drives_right: false,
    })
}

fn is_reversed(reading: &Reading) -> bool {
    reading.labels.get("polarity").is_some_and(|polarity| polarity == "inverted")
}

fn chain(data: &JobData) -> Option<Chain> {
    let (source, intake) = (&data.source, &data.intake);
    let part = |name: &str, lines: Vec<String>| ChainPart {
        name: name.to_owned(),
        state: if lines.is_empty() { PartState::Open } else { PartState::Good },
        lines,
    };
    let limiting = source.outputs.iter().find(|output| output.name == source.limited_by);
    let radio = [
        source.clean_step.map(|step| format!("clean to step {step}")),
        limiting.and_then(|output| output.volts_rms).map(volts),
    ];
    let into = source.gain.as_ref().and_then(|gain| gain.processor_input_target_v);
    let processor = [
        (!intake.processor.is_empty()).then(|| intake.processor.clone()),
        into.map(|wanted| format!("{} at its input", volts(wanted))),
    ];
    let mut amplifier: Vec<String> = intake
        .amplifiers
        .iter()
        .map(|one| match one.power_w {
            Some(power_w) => format!("{}, {}", one.name, spoken("w", power_w).value),
            None => one.name.clone(),
        })
        .collect();
    amplifier.extend(source.gain.as_ref().map(|gain| format!("{} wanted", volts(gain.target_v))));
    let links: Vec<ChainPart> = vec![
        part("Radio", radio.into_iter().flatten().collect()),
        part("Processor", processor.into_iter().flatten().collect()),
        part("Amplifier", amplifier),
        part("Speakers", Vec::new()),
    ];
    let says_something = links.iter().any(|link| !link.lines.is_empty());
    says_something.then(|| Chain { title: "From the radio to the speakers".to_owned(), links, probe: None })
}
