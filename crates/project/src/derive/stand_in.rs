//! Bands of two sides that stand in for bands of single drivers, where a signal of two sides has to carry them.

use job::{Basis, EnteredBand};
use tuning::{Band, FitOptions, Profile, Response, Target, TuneOptions};

use super::audit_job::in_channels;
use super::{FitInputs, SIDES, TuneInputs};
use crate::Project;

/// What the bands of single drivers do to each side at the listener, as bands of the sides.
#[derive(Debug, Clone, PartialEq)]
pub struct StandIn {
    /// Each with its side.
    pub bands: Vec<(String, Band)>,
    /// How far they are from what they stand in for, the worse side, RMS over log frequency.
    pub rms_db: f64,
    /// What the car makes of both sides without them.
    pub car: Response,
}

/// Where bands are heard at all.
const RANGE_HZ: (f64, f64) = (40.0, 16_000.0);
/// So many bands at the most do for a side what several do in each of its drivers.
const BANDS: usize = 16;

/// Bands that do to each side, averaged over the places, what these do in the channels of single drivers, the
/// channels set as the job says. Nothing where a signal of two sides can carry them as they are, or where the drivers
/// were not measured so that their sum is known.
#[must_use]
pub fn stand_in(project: &Project, bands: &[EnteredBand], profile: &Profile) -> Option<StandIn> {
    let mut project = project.clone();
    project.data.bands = bands.to_vec();
    if !in_channels(&project) {
        return None;
    }
    let flat = Target::preset("flat").ok()?;
    let options = TuneOptions::default();
    let inputs = TuneInputs::of_job(&project, &[], flat.clone(), profile.clone(), options, Basis::default());
    let inputs = inputs.ok().filter(TuneInputs::is_timed)?;
    let channels = &project.data.channels;
    let (without, with) = (inputs.judged(channels, &[]).ok()?, inputs.judged(channels, bands).ok()?);
    let sides = [(&without.left, &with.left), (&without.right, &with.right)];
    let undone = sides.map(|(without, with)| {
        // What is fitted is what would take it back: the bands then do it.
        let levels = without.magnitude_db.iter().zip(&with.magnitude_db).map(|(was, is)| was - is);
        Response::new(without.frequency_hz.clone(), levels.collect())
    });
    let names = SIDES.map(str::to_owned).into_iter();
    let measured: Vec<(String, Vec<Response>)> =
        names.zip(undone).map(|(side, undone)| Some((side, vec![undone.ok()?]))).collect::<Option<_>>()?;
    let free = Profile::preset("parametric-free").ok()?;
    let options = FitOptions {
        max_bands: Some(BANDS),
        max_boost_db: Some(free.gain_db.max()),
        from_hz: RANGE_HZ.0,
        to_hz: RANGE_HZ.1,
        ..FitOptions::default()
    };
    let fits = FitInputs::of_channels(measured, flat, free, options).fits().ok()?;
    let bands = fits.iter().flat_map(|one| one.fit.bands.iter().map(|band| (one.channel.clone(), band.band)));
    Some(StandIn {
        bands: bands.collect(),
        rms_db: fits.iter().map(|one| one.fit.after.rms_db).fold(0.0, f64::max),
        car: without.both,
    })
}
