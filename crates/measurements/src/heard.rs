//! A sound in one channel of a recording: its impulse response, and when it arrives.

use dsp::correlate::{Peak, refine_peak};
use dsp::deconvolve::ImpulseResponse;
use dsp::fft::Complex64;
use dsp::response::{log_grid, power_db};
use measure::Finding;

use crate::background::Background;
use crate::copies::Copies;
use crate::excitation::Excitation;
use crate::find::silences;
use crate::precision::{ImpulseNoise, Precision, SEARCHED_S};
use crate::witness::believed;

/// An earlier peak within this many decibels of the highest one is the arrival: what
/// comes later has been reflected, and may add up to more.
const DIRECT_DB: f64 = 3.0;

/// A sound in one channel: its impulse response and where on the tape it lies.
pub(crate) struct Heard<'a> {
    pub(crate) copies: Copies<'a>,
    pub(crate) impulse: ImpulseResponse,
    pub(crate) peak: Peak,
    /// The peak, in samples of the tape.
    pub(crate) at: f64,
    /// The band in which it plays.
    pub(crate) band_hz: (f64, f64),
    /// How exactly its moment is known; nothing without a silence to measure noise in.
    pub(crate) precision: Option<Precision>,
    /// What is wrong with its clock.
    pub(crate) findings: Vec<Finding>,
}

impl<'a> Heard<'a> {
    /// The copies of an excitation at these positions; `clock_hz` is the clock that holds where there is only one.
    ///
    /// # Errors
    /// A finding when the sound is hardly above the noise, or the copies are not as they were played.
    pub(crate) fn of(
        (samples, rate): (&'a [f32], f64),
        excitation: &'a Excitation,
        positions: &[usize],
        clock_hz: f64,
    ) -> Result<Self, Finding> {
        let background = Background::of(&silences(samples, rate, excitation, positions), rate);
        let (copies, findings) = if positions.len() > 1 {
            believed(samples, rate, excitation, positions, background.as_ref())?
        } else {
            let copies =
                Copies::on_clock(samples, rate, excitation, positions, background.as_ref(), clock_hz);
            (copies, Vec::new())
        };
        let band = playing_band(&copies, background.as_ref(), rate)?;
        let moment = moment(&copies, background.as_ref(), (band, DIRECT_DB));
        let Moment { impulse, peak, at_s, precision } = moment;
        let at = copies.origin() + at_s * copies.rate_hz;
        if let Some(precision) = precision
            && precision.peak_over_noise < precision.enough
        {
            let text = format!(
                "The sound is there, but its arrival stands only {:.0} dB above the noise, and {:.0} dB are needed to tell it from noise. Turn the level up.",
                power_db(precision.peak_over_noise),
                power_db(precision.enough)
            );
            return Err(Finding::stop("too-noisy", text));
        }
        Ok(Self { copies, impulse, peak, at, band_hz: band, precision, findings })
    }

    /// Refuses a sound that tells the time when samples were lost between or inside its copies: whatever lies
    /// between them is then anywhere.
    ///
    /// # Errors
    /// A finding when they were.
    pub(crate) fn refuse_loss(&self) -> Result<(), Finding> {
        match self.findings.iter().find(|finding| finding.code == "samples-lost") {
            None => Ok(()),
            Some(_) => Err(Finding::stop(
                "copies-apart",
                "Samples were lost while the track played, so that the time between its sounds is not what was played. \
                 Close other programs, and record again.",
            )),
        }
    }
}

/// The band in which the driver plays: around the strongest third of an octave, as
/// far as the level stays within 15 dB of it and clear of the noise.
pub(crate) fn playing_band(
    copies: &Copies<'_>,
    background: Option<&Background>,
    rate: f64,
) -> Result<(f64, f64), Finding> {
    let (bottom, top) = copies.excitation().inner_band_hz(rate);
    let window = copies.window();
    let grid = log_grid(bottom, top, 24.0);
    // Not around the highest point: noise of the whole band may be higher than a sound that
    // fills a few octaves of it.
    let response = copies.linear_part(copies.found_s()).response(&grid);
    let power: Vec<f64> = (0..grid.len())
        .map(|i| {
            let near = &response.value[i.saturating_sub(4)..(i + 5).min(grid.len())];
            near.iter().map(Complex64::norm_sqr).sum::<f64>() / near.len() as f64
        })
        .collect();
    let noise: Vec<f64> = match background {
        None => vec![0.0; grid.len()],
        Some(background) => {
            let weights = 0.6 * (window.left_s + window.right_s) * rate / copies.count() as f64;
            let power = copies.power_at(&grid);
            power.iter().zip(background.at(&grid)).map(|(power, density)| density * weights / power).collect()
        }
    };
    let strongest = (0..grid.len())
        .max_by(|&a, &b| (power[a] - noise[a]).total_cmp(&(power[b] - noise[b])))
        .filter(|&i| power[i] > 4.0 * noise[i])
        .ok_or_else(|| {
            Finding::stop("too-noisy", "The sound is hardly above the noise. Turn the level up.")
        })?;
    let plays = |i: &usize| power[*i] > 0.03 * power[strongest] && power[*i] > 4.0 * noise[*i];
    let low = (0..=strongest).rev().take_while(plays).last().unwrap_or(strongest);
    let high = (strongest..grid.len()).take_while(plays).last().unwrap_or(strongest);
    // Less than a third of an octave has no arrival to speak of.
    Ok((grid[low.min(strongest.saturating_sub(4))], grid[high.max((strongest + 4).min(grid.len() - 1))]))
}

/// When a sound arrives, on the time axis of the impulse responses.
pub(crate) struct Moment {
    pub(crate) impulse: ImpulseResponse,
    pub(crate) peak: Peak,
    /// The time of the envelope's peak.
    pub(crate) at_s: f64,
    /// How exactly that is known; nothing without a silence to measure noise in.
    pub(crate) precision: Option<Precision>,
}

/// The first peak of the envelope, within a band, that comes within so many decibels of
/// the highest.
pub(crate) fn moment(
    copies: &Copies<'_>,
    background: Option<&Background>,
    (band_hz, within_db): ((f64, f64), f64),
) -> Moment {
    let mut deconvolver = copies.within(band_hz);
    let (impulse, quadrature) = copies.analytic(&mut deconvolver);
    let (signal, peak, at_s) = first_peak((&impulse, &quadrature), copies, within_db);
    let precision = background.map(|background| {
        ImpulseNoise::of(background, copies, &deconvolver, band_hz).precision(&signal, &peak)
    });
    Moment { impulse, peak, at_s, precision }
}

/// The analytic signal around the highest peak, the first one that comes near it, and its
/// time.
///
/// The Hilbert transform reaches far: a window put on the impulse of a subwoofer before
/// it moves the peak by some microseconds. So it is that of the whole.
fn first_peak(
    (impulse, quadrature): (&ImpulseResponse, &[f64]),
    copies: &Copies<'_>,
    within_db: f64,
) -> (Vec<Complex64>, Peak, f64) {
    let about_s = copies.peak_s(impulse);
    let frames = |s: f64| (s * copies.rate_hz).round() as i64;
    let (start, count) = (frames(about_s - SEARCHED_S / 2.0), quadrature.len() as i64);
    let at = |i: i64| {
        let i = (start + i).rem_euclid(count) as usize;
        Complex64::new(impulse.samples()[i], quadrature[i])
    };
    let signal: Vec<Complex64> = (0..frames(SEARCHED_S).min(count)).map(at).collect();
    let power: Vec<f64> = signal.iter().map(Complex64::norm_sqr).collect();
    let highest = power.iter().copied().fold(0.0, f64::max);
    let enough = highest * 10f64.powf(-within_db / 10.0);
    let first = (1..power.len().saturating_sub(1))
        .find(|&i| power[i] >= enough && power[i] >= power[i - 1] && power[i] >= power[i + 1])
        .unwrap_or(0);
    let peak = refine_peak(&signal, first);
    let at_s = (start as f64 + peak.position) / copies.rate_hz;
    (signal, peak, at_s)
}
