//! A tuning as the virtual processor in the playback path takes it.

use dsp::biquad::{Biquad, Cascade};
use dsp::crossover::{self, Family};
use dsp::weighting::Weighting;
use engine::RigSpec;
use job::{ChannelSetting, Crossover};
use measure::Finding;
use preview::{Chain, ChannelSettings};
use project::derive::StandIn;
use tuning::{Band, BandKind, Response, channel_reaches};

use library::{Error, Result};

/// So far below everything that it does not count.
const NOT_HEARD_DB: f64 = -200.0;

/// A tuning that is to be heard.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct PreviewTuning {
    /// The bands with the cookbook's Q, each with its channel; an empty one means all.
    pub bands: Vec<(String, Band)>,
    /// Delays, gains, polarities and crossovers; they reach an output of the channel's name.
    pub channels: Vec<ChannelSetting>,
    /// What the car does to the sound, where it was measured: what it makes loud counts more
    /// when levels are matched.
    pub car: Option<Response>,
    /// How far, in dB RMS, the bands are from those of single drivers that they stand in for; absent where they are the
    /// tuning's own.
    pub stands_in_db: Option<f64>,
    /// What a simulated processor holds meanwhile; empty for what it holds anyway.
    pub in_processor: Vec<ChannelSetting>,
}

impl PreviewTuning {
    /// The same, with bands of the two sides in place of those of single drivers, which no output carries.
    #[must_use]
    pub fn standing_in(self, stand_in: StandIn) -> Self {
        let StandIn { bands, rms_db, car } = stand_in;
        // With the channels set, as it is without the bands: the captures before were made with something else.
        Self {
            bands,
            channels: Vec::new(),
            car: Some(car),
            stands_in_db: Some(rms_db),
            in_processor: self.channels,
        }
    }

    /// A remark that names the channels that are not heard, because no output of the rig has their
    /// name.
    ///
    /// # Errors
    /// When with the bands it would be as without.
    pub fn left_out(&self, spec: &RigSpec) -> Result<Vec<Finding>> {
        let outputs: Vec<&str> = spec.outputs.iter().map(|output| output.name.as_str()).collect();
        let unheard = |channel: &str| !outputs.iter().any(|output| channel_reaches(channel, output));
        if self.bands.iter().all(|(channel, _)| unheard(channel)) {
            let mut channels: Vec<&str> = self.bands.iter().map(|(channel, _)| channel.as_str()).collect();
            channels.dedup();
            return Err(Error::input(format!(
                "the bands are for {}, and what is played has {}; name an output of the rig like a channel, or leave the \
                 channel of the bands empty",
                channels.join(", "),
                outputs.join(", ")
            )));
        }
        let bands = self.bands.iter().map(|(channel, _)| channel).filter(|channel| unheard(channel));
        let plain = |entered: &ChannelSetting| {
            *entered == ChannelSetting { channel: entered.channel.clone(), ..ChannelSetting::default() }
        };
        let others = self.channels.iter().filter(|entered| !plain(entered)).map(|entered| &entered.channel);
        let others = others.filter(|channel| !outputs.contains(&channel.as_str()));
        let mut names: Vec<&str> = bands.chain(others).map(String::as_str).collect();
        names.sort_unstable();
        names.dedup();
        let stands_in = self.stands_in_db.map(|rms_db| {
            let text = format!(
                "The bands belong to single drivers. Heard are bands of the left and the right side that do the same at the \
                 listener within {rms_db:.1} dB RMS, with levels, delays and crossovers as the job says."
            );
            Finding::note("stands-in", text)
        });
        let not_heard = (!names.is_empty()).then(|| {
            let text = format!(
                "No output has the name of {}, so what is entered there (delay, gain, polarity, crossover or bands of its \
                 own) is not heard.",
                names.join(", ")
            );
            Finding::note("channel-not-heard", text)
        });
        Ok(stands_in.into_iter().chain(not_heard).collect())
    }

    /// The tuning for the outputs of a rig, with the bands or without them. With them it is as
    /// loud as without, for pink noise, so that louder does not sound better.
    ///
    /// # Errors
    /// When a filter cannot run at the rig's rate.
    pub fn chain(&self, spec: &RigSpec, with_bands: bool) -> Result<Box<Chain>> {
        let plain = self.settings(spec, false)?;
        if !with_bands {
            return prepare(spec, &plain);
        }
        let mut with = self.settings(spec, true)?;
        let louder_db = self.louder_db(spec)?;
        with.iter_mut().for_each(|channel| channel.gain_db -= louder_db);
        prepare(spec, &with)
    }

    /// How much louder pink noise is with the bands than without, before levels are matched:
    /// A-weighted (IEC 61672-1), at the listener's place where the car was measured.
    ///
    /// # Errors
    /// When a filter cannot run at the rig's rate.
    pub fn louder_db(&self, spec: &RigSpec) -> Result<f64> {
        let weight_db = |hz: f64| {
            // What the car does not play is not heard.
            let car_db = self.car.as_ref().map_or(0.0, |car| car.db_at(hz).unwrap_or(NOT_HEARD_DB));
            Weighting::A.db(hz) + car_db
        };
        let loudness = |with: bool| -> Result<f64> {
            Ok(prepare(spec, &self.settings(spec, with)?)?.weighted_loudness_db(&weight_db))
        };
        Ok(loudness(true)? - loudness(false)?)
    }

    fn settings(&self, spec: &RigSpec, with_bands: bool) -> Result<Vec<ChannelSettings>> {
        let rate_hz = f64::from(spec.sample_rate_hz);
        let settings = spec.outputs.iter().map(|output| {
            let mut filters = Cascade::new(Vec::new());
            let entered = self.channels.iter().find(|channel| channel.channel == output.name);
            let bands =
                self.bands.iter().filter(|(channel, _)| with_bands && channel_reaches(channel, &output.name));
            for (_, band) in bands {
                filters.push(biquad(band, rate_hz)?);
            }
            let edges = entered.map(|entered| (entered.high_pass.as_ref(), entered.low_pass.as_ref()));
            let (high, low) = edges.unwrap_or_default();
            for (edge, design) in [(high, crossover::high_pass as Design), (low, crossover::low_pass)] {
                if let Some(edge) = edge {
                    filters.append(
                        design(rate_hz, family(edge)?, edge.order as usize, edge.frequency_hz)
                            .map_err(|error| Error::input(error.to_string()))?,
                    );
                }
            }
            Ok(ChannelSettings {
                filters,
                delay_s: entered.map_or(0.0, |entered| entered.delay_s),
                gain_db: entered.map_or(0.0, |entered| entered.gain_db),
                invert: entered.is_some_and(|entered| entered.inverted),
            })
        });
        settings.collect()
    }
}

/// A high-pass or low-pass of a family, an order and a corner at a rate.
type Design = fn(f64, Family, usize, f64) -> std::result::Result<Cascade, dsp::biquad::DesignError>;

fn prepare(spec: &RigSpec, settings: &[ChannelSettings]) -> Result<Box<Chain>> {
    let chain = Chain::prepare(f64::from(spec.sample_rate_hz), settings, false);
    chain.map_err(|error| Error::input(format!("the preview: {error}")))
}

fn biquad(band: &Band, rate_hz: f64) -> Result<Biquad> {
    let design = match band.kind {
        BandKind::Peak => Biquad::peak,
        BandKind::LowShelf => Biquad::low_shelf,
        BandKind::HighShelf => Biquad::high_shelf,
    };
    design(rate_hz, band.frequency_hz, band.gain_db, band.q)
        .map_err(|error| Error::input(format!("the band at {} Hz: {error}", band.frequency_hz)))
}

fn family(edge: &Crossover) -> Result<Family> {
    match edge.family.as_str() {
        "butterworth" => Ok(Family::Butterworth),
        "linkwitz-riley" => Ok(Family::LinkwitzRiley),
        "bessel" => Ok(Family::Bessel),
        other => Err(Error::input(format!(
            "the job's crossover family is `{other}`; expected butterworth, linkwitz-riley or bessel"
        ))),
    }
}

#[cfg(test)]
mod tests {
    use engine::Output;
    use testkit::near;

    use super::*;

    fn spec() -> RigSpec {
        RigSpec {
            outputs: vec![Output::new(1, "left"), Output::new(2, "right-tweeter")],
            ..RigSpec::system_default()
        }
    }

    /// Source: analytic: a gain of the whole band is undone by matching the levels.
    #[test]
    fn with_bands_it_is_as_loud_as_without() {
        let bands = vec![
            (String::new(), Band::low_shelf(200.0, -9.0, 0.7)),
            ("left".to_owned(), Band::peak(3e3, 4.0, 1.0)),
        ];
        let edge = Crossover { family: "linkwitz-riley".to_owned(), order: 4, frequency_hz: 2_500.0 };
        let tweeter = ChannelSetting {
            channel: "right-tweeter".to_owned(),
            high_pass: Some(edge),
            delay_s: 0.001,
            ..ChannelSetting::default()
        };
        let mut heard = PreviewTuning { bands, channels: vec![tweeter], ..PreviewTuning::default() };
        let louder_db = heard.louder_db(&spec()).expect("it can be heard");
        assert!(louder_db > 0.0, "the ear hears 3 kHz more than the bass: {louder_db} dB");
        let loudness = |with| {
            heard.chain(&spec(), with).expect("a chain").weighted_loudness_db(&|hz| Weighting::A.db(hz))
        };
        near("matched", loudness(true), loudness(false), 1e-9);
        let boomy = Response::new(vec![20.0, 150.0, 400.0, 20_000.0], vec![60.0, 60.0, 0.0, 0.0]);
        heard.car = boomy.ok();
        let louder_db = heard.louder_db(&spec()).expect("it can be heard");
        assert!(louder_db < -3.0, "in a car that booms, the bass cut is softer: {louder_db} dB");
    }

    #[test]
    fn channels_without_an_output_are_named_and_bands_for_none_refused() {
        let band = |channel: &str| (channel.to_owned(), Band::peak(100.0, -3.0, 2.0));
        let channel = |name: &str, gain_db: f64| ChannelSetting {
            channel: name.to_owned(),
            gain_db,
            ..ChannelSetting::default()
        };
        let mut heard = PreviewTuning {
            bands: vec![band("left"), band("sub"), band("sub")],
            channels: vec![channel("left-mid", -1.0), channel("right-tweeter", -1.0), channel("fill", 0.0)],
            car: None,
            ..PreviewTuning::default()
        };
        let remarks = heard.left_out(&spec()).expect("the left is heard");
        let [remark] = &remarks[..] else { panic!("one remark: {remarks:?}") };
        assert!(remark.text.contains("the name of left-mid, sub, so"), "{remark:?}");
        let standing_in = PreviewTuning { stands_in_db: Some(0.1), ..heard.clone() };
        let remarks = standing_in.left_out(&spec()).expect("the left is heard");
        let codes: Vec<&str> = remarks.iter().map(|remark| remark.code.as_str()).collect();
        assert_eq!(codes, ["stands-in", "channel-not-heard"]);
        heard.bands.remove(0);
        let error = heard.left_out(&spec()).expect_err("nothing of them would be heard").to_string();
        assert!(error.contains("for sub,") && error.contains("left, right-tweeter"), "{error}");
    }

    #[test]
    fn what_cannot_run_is_refused() {
        let bands = vec![(String::new(), Band::peak(30_000.0, 3.0, 1.0))];
        let error = PreviewTuning { bands, ..PreviewTuning::default() }
            .chain(&spec(), true)
            .expect_err("beyond half the rate");
        assert!(error.to_string().contains("30000 Hz"), "{error}");
    }
}
