//! From the copies to the reading: responses, noise, harmonics and what to say
//! about them.

use dsp::deconvolve::{Deconvolver, TimeWindow, WindowedImpulse};
use dsp::fft::Complex64;
use dsp::response::{amplitude, db, interpolate_log, log_grid, power_db};
use dsp::smoothing::smooth_power;
use dsp::sweep::Sweep;
use dsp::window::fade_gain;
use measure::{CalibrationCurve, Finding, Reading};

use crate::background::Background;
use crate::copies::Copies;
use crate::excitation::Excitation;
use crate::half_wave;
use crate::heard::{moment, playing_band};
use crate::options::ResponseOptions;
use crate::reference_burst::Zero;
use crate::tape::Tape;

/// A response is drawn where it stands this far above its noise floor.
const VALID_OVER_NOISE_DB: f64 = 10.0;
/// Two copies that repeat to this are alike, where the noise allows it: through lossy codecs
/// of low rates they do not (up to 0.5 dB at 64 kbit/s), through those of high rates they do.
const REPEATS_DB: f64 = 0.1;
/// Two copies that differ by so much in a twelfth of an octave, and by six standard deviations,
/// were disturbed there: a drop-out or a knock.
const DISTURBED_DB: f64 = 0.15;
/// How long an impulse response is that counts, for how many values a band holds.
const RINGS_S: f64 = 0.25;
/// So far above the noise a single point is right to half a decibel.
const SURE_OVER_NOISE_DB: f64 = 26.0;
/// A sweep is faded above this part of its highest frequency.
const BESIDE_FADE: f64 = 1.15;
/// A harmonic is drawn where it stands this far above the noise at its own place in time.
const HARMONIC_OVER_NOISE_DB: f64 = 10.0;
/// How finely the response of a reference driver is told.
const REFERENCE_POINTS_PER_OCTAVE: f64 = 48.0;
/// The lowest noise floor that is stated; a digital silence has none at all.
const LOWEST_DB: f64 = -200.0;

/// Everything that the reading is written from.
pub(super) struct Analysis<'a> {
    pub tape: &'a Tape,
    pub excitation: &'a Excitation,
    pub copies: &'a Copies<'a>,
    /// The same copies in the reference channel, where there is one.
    pub reference: Option<&'a Copies<'a>>,
    /// What the track's reference bursts tell, where it has any.
    pub zero: Option<&'a Zero<'a>>,
    pub background: Option<&'a Background>,
    pub options: ResponseOptions,
    pub microphone: Option<&'a CalibrationCurve>,
}

/// The linear response of each copy and their mean, on a grid.
struct Linear {
    grid: Vec<f64>,
    each: Vec<Vec<Complex64>>,
    mean: Vec<Complex64>,
    /// The magnitude as asked for, smoothed or not.
    level_db: Vec<f64>,
    /// The noise that is in the mean, in the same units.
    noise_db: Vec<f64>,
}

impl Analysis<'_> {
    pub(super) fn write(&self, reading: &mut Reading) -> Result<(), Finding> {
        let band_hz = playing_band(self.copies, self.background, self.tape.sample_rate_hz).ok();
        let moment = band_hz.map(|band_hz| {
            // The highest peak, of which response and phase are told.
            let within = (band_hz, 0.0);
            moment(self.copies, self.background, within)
        });
        let peak_s = moment.as_ref().map_or_else(|| highest_s(self.copies), |moment| moment.at_s);
        let reference = self.reference.map(|copies| (copies, highest_s(copies)));
        let linear = self.linear(peak_s, reference);
        let (first, last) = self.valid_range(&linear)?;

        self.write_timing(reading, peak_s, reference.map(|(_, peak_s)| peak_s));
        let precision = moment.and_then(|moment| moment.precision).filter(|_| reference.is_none());
        if let Some(precision) = precision {
            let of_zero_s =
                self.zero.and_then(|zero| zero.heard.precision).map_or(0.0, |of| of.random_error_s);
            reading.value("random_error_s", precision.random_error_s.hypot(of_zero_s));
        }
        self.write_reference(reading);
        self.write_noise(reading, &linear, first, last)?;
        self.write_repeatability(reading, &linear, first, last)?;
        self.write_response(reading, &linear, first, last);
        self.write_impulse(reading, peak_s, band_hz);
        self.write_harmonics(reading, &linear, first, last, peak_s);
        if self.tape.reference.is_none() {
            let text =
                "The level is relative to the test signal; the gain of whatever played it is part of it.";
            reading.finding(Finding::note("relative-level", text));
        }
        Ok(())
    }

    fn linear(&self, peak_s: f64, reference: Option<(&Copies<'_>, f64)>) -> Linear {
        let rate = self.copies.rate_hz;
        let window = self.copies.window();
        let to_hz = self.excitation.to_hz.min(0.47 * self.tape.sample_rate_hz);
        let grid = log_grid(self.excitation.from_hz, to_hz, self.options.points_per_octave);
        let through = reference.map(|(copies, peak_s)| copies.linear_part(peak_s));
        let divide = |values: Vec<Complex64>| match &through {
            Some(reference) => {
                let below = reference.response(&grid).value;
                values.iter().zip(below).map(|(a, b)| a / (b + 1e-12)).collect()
            }
            None => values,
        };
        let parts = self.copies.parts(peak_s, &window);
        let each: Vec<Vec<Complex64>> = parts.iter().map(|part| divide(part.response(&grid).value)).collect();
        let share = 1.0 / each.len() as f64;
        let mean: Vec<Complex64> =
            (0..grid.len()).map(|i| each.iter().map(|values| values[i]).sum::<Complex64>() * share).collect();
        let level_db = match self.options.smoothing {
            None => mean.iter().map(|h| db(h.norm())).collect(),
            Some(fraction) => {
                let (power, bin_hz) = power_ratio(&self.copies.linear_part(peak_s), through.as_ref());
                smooth_power(&power, bin_hz, fraction, &grid).into_iter().map(power_db).collect()
            }
        };
        let noise_db = self.noise_in_response(&grid, rate, &window, through.as_ref());
        Linear { grid, each, mean, level_db, noise_db }
    }

    /// What the background becomes when it is divided by the excitation, windowed
    /// and averaged: `S(f)·Σw² / (|X(f)|²·copies)`.
    fn noise_in_response(
        &self,
        grid: &[f64],
        rate: f64,
        window: &TimeWindow,
        reference: Option<&WindowedImpulse>,
    ) -> Vec<f64> {
        let Some(background) = self.background else { return vec![LOWEST_DB; grid.len()] };
        let power = self.copies.power_at(grid);
        let weights = window.energy_s() * rate;
        let copies = self.copies.count() as f64;
        // At its ends the sweep is faded, and its power over a sixth of an octave is not what it has there.
        let faded = |f: f64| {
            self.excitation.sweep(rate).map_or(1.0, |sweep| {
                let fade_s = self.excitation.fade_s();
                fade_gain(sweep.time_of_s(f), sweep.duration_s(), fade_s).powi(2).max(1e-12)
            })
        };
        let below = reference.map(|part| part.response(grid).value);
        power
            .iter()
            .zip(background.at(grid))
            .enumerate()
            .map(|(i, (input, density))| {
                let input = input * faded(grid[i]) * below.as_ref().map_or(1.0, |b| b[i].norm_sqr() + 1e-24);
                power_db(density * weights / (input * copies)).max(LOWEST_DB)
            })
            .collect()
    }

    /// The first and last point of the grid where the response, smoothed to a third
    /// of an octave, stands clear of its noise.
    fn valid_range(&self, linear: &Linear) -> Result<(usize, usize), Finding> {
        let reach = (self.options.points_per_octave / 6.0).round() as usize;
        let powers: Vec<f64> = linear.mean.iter().map(Complex64::norm_sqr).collect();
        let clear = |i: usize| {
            let near = &powers[i.saturating_sub(reach)..(i + reach + 1).min(powers.len())];
            let level = power_db(near.iter().sum::<f64>() / near.len() as f64);
            // The mean power near a point holds the noise as well as the response.
            level > linear.noise_db[i] + VALID_OVER_NOISE_DB && level > LOWEST_DB
        };
        // Outward from the strongest point, over dips of up to a third of an octave.
        let strongest =
            (0..powers.len()).filter(|&i| clear(i)).max_by(|&a, &b| powers[a].total_cmp(&powers[b]));
        let outward = |points: &mut dyn Iterator<Item = usize>| {
            let (mut reached, mut missed) = (None, 0);
            for i in points {
                if clear(i) {
                    (reached, missed) = (Some(i), 0);
                } else {
                    missed += 1;
                    if missed > 2 * reach.max(1) {
                        break;
                    }
                }
            }
            reached
        };
        let first = strongest.and_then(|middle| outward(&mut (0..=middle).rev()));
        let last = strongest.and_then(|middle| outward(&mut (middle..powers.len())));
        match (first, last) {
            (Some(first), Some(last)) if linear.grid[last] > 1.25 * linear.grid[first] => Ok((first, last)),
            _ => {
                let text = "The sweep is there, but hardly above the noise. Turn the level up, or find what is noisy.";
                Err(Finding::stop("too-noisy", text))
            }
        }
    }

    fn write_timing(&self, reading: &mut Reading, peak_s: f64, reference_peak_s: Option<f64>) {
        let rate = self.tape.sample_rate_hz;
        let at = self.copies.origin() + peak_s * self.copies.rate_hz;
        let arrival_s = match (reference_peak_s, self.zero) {
            (Some(reference), _) => peak_s - reference,
            (None, Some(zero)) => zero.arrival_s(at, self.excitation),
            (None, None) => self.tape.begins_s() + (at - self.copies.first_s * self.copies.rate_hz) / rate,
        };
        reading.value("arrival_s", arrival_s);
        match self.copies.clock_ppm {
            Some(ppm) => {
                reading.value("clock_ppm", ppm);
            }
            None => {
                let text = "The stimulus holds one copy only, so the clocks could not be compared; both were taken as equal.";
                reading.finding(Finding::note("clock-unknown", text));
            }
        }
    }

    /// The response of the driver that played the reference bursts, from their arrival on: by it recordings are told
    /// apart in which another driver, level or place of the microphone came in.
    fn write_reference(&self, reading: &mut Reading) {
        let Some(Zero { heard, .. }) = self.zero else { return };
        let (copies, rate) = (&heard.copies, self.tape.sample_rate_hz);
        let (from_hz, to_hz) = copies.excitation().inner_band_hz(rate);
        let grid = log_grid(from_hz, to_hz, REFERENCE_POINTS_PER_OCTAVE);
        let at_s = (heard.at - copies.origin()) / copies.rate_hz;
        let values = copies.linear_part(at_s).response(&grid).value;
        let level = values.iter().map(|h| db(h.norm()).max(LOWEST_DB)).collect();
        let phase = values.iter().map(|h| h.arg().to_degrees()).collect();
        reading.curve("reference", [("frequency_hz", grid), ("magnitude_db", level), ("phase_deg", phase)]);
    }

    fn write_noise(
        &self,
        reading: &mut Reading,
        linear: &Linear,
        first: usize,
        last: usize,
    ) -> Result<(), Finding> {
        let Some(background) = self.background else {
            let text = "There is no silence before or after the sweep, so the noise could not be measured.";
            reading.finding(Finding::caution("no-silence", text));
            return Ok(());
        };
        let rate = self.tape.sample_rate_hz;
        let (from, to) = (self.excitation.from_hz, self.excitation.to_hz.min(rate / 2.0));
        let noise = background.between(from, to);
        let signal = self.copies.power_between(from, to, noise);
        if signal <= 0.0 {
            let text = "The sweep is not louder than the noise. Turn the level up, or find what is noisy.";
            return Err(Finding::stop("too-noisy", text));
        }
        // Digital silence has no noise: 200 dB stand for that.
        let snr_db = power_db(signal / noise.max(1e-20 * signal)).min(-LOWEST_DB);
        reading.value("snr_db", snr_db);
        if snr_db < 20.0 {
            let text = format!(
                "The sweep is only {snr_db:.0} dB above the noise; the response is uncertain. Turn the level up."
            );
            reading.finding(Finding::caution("low-snr", text));
        }
        reading.value("valid_from_hz", linear.grid[first]).value("valid_to_hz", linear.grid[last]);
        let noise_db = self.calibrated(&linear.grid, linear.noise_db.clone(), 1.0);
        reading.curve("noise_floor", [("frequency_hz", linear.grid.clone()), ("magnitude_db", noise_db)]);
        Ok(())
    }

    /// How far the copies differ, where the response is valid: as levels in twelfths
    /// of an octave, and as what is left of one when the other is taken away.
    fn write_repeatability(
        &self,
        reading: &mut Reading,
        linear: &Linear,
        first: usize,
        last: usize,
    ) -> Result<(), Finding> {
        let [one, .., other] = linear.each.as_slice() else { return Ok(()) };
        // Where the sweep is faded there is more noise than its density says.
        let full_hz = self.excitation.full_band_hz();
        let full = |f: f64| (full_hz.0 * 1.06..full_hz.1 / 1.06).contains(&f);
        let inside: Vec<usize> = (first..=last).filter(|i| full(linear.grid[*i])).collect();
        let reach = (self.options.points_per_octave / 24.0).round() as usize;
        let points = (2 * reach + 1) as f64;
        let near = |values: &[Complex64], i: usize| {
            let part = &values[i.saturating_sub(reach)..(i + reach + 1).min(values.len())];
            power_db(part.iter().map(Complex64::norm_sqr).sum::<f64>() / part.len() as f64)
        };
        let clear = |i: &usize| db(linear.mean[*i].norm()) > linear.noise_db[*i] + VALID_OVER_NOISE_DB;
        let clear: Vec<usize> = inside.iter().copied().filter(clear).collect();
        let count = clear.len().max(1) as f64;
        let squares: f64 = clear.iter().map(|&i| (near(one, i) - near(other, i)).powi(2)).sum();
        let repeat_error_db = (squares / count).sqrt();
        reading.value("repeat_error_db", repeat_error_db);

        // The difference of two copies holds the noise of both, which is four times
        // that of their mean.
        let (mut difference, mut noise, mut signal) = (0.0, 0.0, 0.0);
        for i in inside {
            let level = linear.mean[i].norm_sqr().max(1e-40);
            let share = (one[i] - other[i]).norm_sqr() / level;
            difference += share.min(4.0);
            noise += (4.0 * amplitude(linear.noise_db[i]).powi(2) / level).min(4.0);
            signal += 1.0;
        }
        // Noise scatters: what is less than four times its expectation may be noise.
        let unexplained_db =
            power_db(if difference > 4.0 * noise { difference / f64::max(signal, 1.0) } else { 0.0 });
        if unexplained_db > -12.0 || repeat_error_db > 3.0 && unexplained_db > -20.0 {
            let text = format!(
                "The two copies of the sweep disagree ({repeat_error_db:.1} dB, difference {unexplained_db:.0} dB): the sound went \
                 through something that changes with time, such as a lossy link, a level control or a moved microphone."
            );
            return Err(Finding::stop("copies-disagree", text));
        }
        // The level of a copy scatters by 8.7·√(noise/signal) dB, the difference of two by √2
        // of that; each copy has twice the noise of their mean.
        let scatter: f64 = clear
            .iter()
            .map(|&i| {
                4.0 * 8.686f64.powi(2) * amplitude(linear.noise_db[i] - db(linear.mean[i].norm())).powi(2)
            })
            .sum();
        let levels_differ = repeat_error_db > REPEATS_DB && repeat_error_db.powi(2) > 4.0 * scatter / count;
        if unexplained_db > -30.0 || levels_differ {
            let text = format!(
                "The two copies of the sweep differ by more than the noise explains ({repeat_error_db:.1} dB, difference \
                 {unexplained_db:.0} dB). Keep the microphone still, and avoid wireless or lossy links."
            );
            reading.finding(Finding::caution("copies-differ", text));
            return Ok(());
        }
        let disturbed = clear
            .iter()
            .map(|&i| {
                let apart_db = (near(one, i) - near(other, i)).abs();
                let noise = amplitude(linear.noise_db[i] - near(&linear.mean, i)).powi(2);
                // No more values are averaged than there are points, however many the band holds.
                let values = (linear.grid[i] * (1.0 / 12.0f64).exp2().ln() * RINGS_S).clamp(1.0, points);
                (linear.grid[i], apart_db, 8.686 * (4.0 * noise / values).sqrt())
            })
            .filter(|(_, apart_db, sigma_db)| *apart_db > DISTURBED_DB && *apart_db > 6.0 * sigma_db)
            .max_by(|a, b| a.1.total_cmp(&b.1));
        if let Some((at_hz, apart_db, _)) = disturbed {
            let text = format!(
                "Near {at_hz:.0} Hz one copy of the sweep differs from the other by {apart_db:.1} dB: a knock, a drop-out or a \
                 level control came in between. Record again if that matters."
            );
            reading.finding(Finding::caution("copies-differ", text));
        }
        Ok(())
    }

    fn write_response(&self, reading: &mut Reading, linear: &Linear, first: usize, last: usize) {
        reading.value("valid_from_hz", linear.grid[first]).value("valid_to_hz", linear.grid[last]);
        let kept: Vec<usize> = (first..=last)
            .filter(|&i| (self.options.from_hz..=self.options.to_hz).contains(&linear.grid[i]))
            .collect();
        let grid: Vec<f64> = kept.iter().map(|&i| linear.grid[i]).collect();
        if grid.is_empty() {
            let text = format!(
                "Nothing is valid between the limits asked for; the response is valid from {:.0} to {:.0} Hz.",
                linear.grid[first], linear.grid[last]
            );
            reading.finding(Finding::caution("out-of-range", text));
        }
        let level = self.calibrated(&grid, kept.iter().map(|&i| linear.level_db[i]).collect(), 1.0);
        let turn = self
            .microphone
            .filter(|curve| curve.phase_deg.len() == curve.frequency_hz.len() && !grid.is_empty());
        let microphone_phase = match turn {
            Some(curve) if !curve.frequency_hz.is_empty() => {
                interpolate_log(&curve.frequency_hz, &curve.phase_deg, &grid)
            }
            _ => vec![0.0; grid.len()],
        };
        let phase = kept
            .iter()
            .zip(&microphone_phase)
            .map(|(&i, own)| {
                let degrees = linear.mean[i].arg().to_degrees() - own;
                degrees - 360.0 * (degrees / 360.0).round()
            })
            .collect();
        reading.curve("response", [("frequency_hz", grid), ("magnitude_db", level), ("phase_deg", phase)]);
    }

    fn write_impulse(&self, reading: &mut Reading, peak_s: f64, band_hz: Option<(f64, f64)>) {
        let drawn = TimeWindow { left_s: 0.005, right_s: 0.1, left_fade_s: 0.0, right_fade_s: 0.0 };
        // What is drawn lies where nothing is faded.
        let reach = TimeWindow { left_s: 0.03, right_s: 0.15, left_fade_s: 0.02, right_fade_s: 0.04 };
        let part = self.copies.about(peak_s, &reach).windowed(0.0, &drawn);
        let time_s: Vec<f64> =
            (0..part.samples.len()).map(|i| part.start_s + i as f64 / self.copies.rate_hz).collect();
        let band = band_hz.unwrap_or((self.excitation.from_hz, self.excitation.to_hz));
        half_wave::write(reading, self.copies, band);
        reading.curve("impulse", [("time_s", time_s), ("value", part.samples)]);
    }

    fn write_harmonics(
        &self,
        reading: &mut Reading,
        linear: &Linear,
        first: usize,
        last: usize,
        peak_s: f64,
    ) {
        let Some(sweep) = self.excitation.sweep(self.copies.rate_hz) else { return };
        if self.tape.reference.is_some() {
            return;
        }
        let Some(mut deconvolver) = self.copies.extended() else { return };
        let impulse = self.copies.impulse(&mut deconvolver);
        // Where the sweep or what carries it on is faded, the division has nothing to go by.
        let (bottom, top) = self.excitation.inner_band_hz(self.copies.rate_hz);
        let highest = self.copies.extended_to_hz() / BESIDE_FADE;
        for n in 2..=5u32 {
            let played = bottom..top.min(highest / f64::from(n));
            let kept: Vec<usize> = (first..=last).filter(|&i| played.contains(&linear.grid[i])).collect();
            if kept.is_empty() {
                continue;
            }
            let grid: Vec<f64> = kept.iter().map(|&i| linear.grid[i]).collect();
            let value = impulse.harmonic(&sweep, n, peak_s, &grid).value;
            let (stands, power) = self.stands_out(&sweep, n, &deconvolver, (&grid, &value));
            let only = |values: Vec<f64>| -> Vec<f64> {
                values
                    .into_iter()
                    .zip(&stands)
                    .filter(|(_, stands)| **stands)
                    .map(|(value, _)| value)
                    .collect()
            };
            if !stands.contains(&true) {
                continue;
            }
            let level = power.iter().map(|power| power_db(*power).max(LOWEST_DB)).collect();
            let level = self.calibrated(&grid, level, f64::from(n));
            let fundamental =
                self.calibrated(&grid, kept.iter().map(|&i| db(linear.mean[i].norm())).collect(), 1.0);
            let relative = only(level.iter().zip(fundamental).map(|(h, f)| h - f).collect());
            let (grid, level) = (only(grid), only(level));
            let name = format!("harmonic_{n}");
            reading
                .curve(&name, [("frequency_hz", grid), ("magnitude_db", level), ("relative_db", relative)]);
        }
    }

    /// Where a harmonic stands out of the noise, over a sixth of an octave at the least, and its power. Near the noise
    /// that is the mean over a sixth of an octave, less the noise: a single point says little there.
    ///
    /// The noise in it is the background's at `n` times the frequency, raised by the division
    /// as it is there, in the harmonic's own window: `S(nf)·|1/X(nf)|²·Σw²/copies`. Power and noise are
    /// averaged over a sixth of an octave, so that noise alone hardly reaches ten times its mean.
    fn stands_out(
        &self,
        sweep: &Sweep,
        n: u32,
        deconvolver: &Deconvolver,
        (grid, value): (&[f64], &[Complex64]),
    ) -> (Vec<bool>, Vec<f64>) {
        let power: Vec<f64> = value.iter().map(Complex64::norm_sqr).collect();
        let Some(background) = self.background else { return (vec![true; grid.len()], power) };
        let rate = self.copies.rate_hz;
        let lead_s = |n: u32| sweep.harmonic_lead_s(n);
        let (before_s, after_s) = (0.45 * (lead_s(n + 1) - lead_s(n)), 0.45 * (lead_s(n) - lead_s(n - 1)));
        let weights = TimeWindow::half_faded(before_s, after_s).energy_s() * rate;
        let at: Vec<f64> = grid.iter().map(|f| f * f64::from(n)).collect();
        let noise: Vec<f64> = background
            .at(&at)
            .iter()
            .zip(&at)
            .map(|(density, f)| density * deconvolver.power_gain(*f) * weights / self.copies.count() as f64)
            .collect();
        let reach = (self.options.points_per_octave / 12.0).round() as usize;
        let mean = |of: &dyn Fn(usize) -> f64, i: usize, reach: usize| {
            let range = i.saturating_sub(reach)..(i + reach + 1).min(grid.len());
            let count = range.len() as f64;
            range.map(of).sum::<f64>() / count
        };
        let enough = 10f64.powf(HARMONIC_OVER_NOISE_DB / 10.0);
        let around: Vec<(f64, f64)> = (0..grid.len())
            .map(|i| (mean(&|i| power[i], i, reach), mean(&|i| noise[i], i, 2 * reach)))
            .collect();
        let clear: Vec<bool> = around.iter().map(|(power, noise)| *power > enough * noise).collect();
        // What stands out for less than that is a line of noise.
        let mut stands = vec![false; clear.len()];
        let mut from = 0;
        for run in clear.chunk_by(|a, b| a == b) {
            if run[0] && run.len() > 2 * reach {
                stands[from..from + run.len()].fill(true);
            }
            from += run.len();
        }
        let sure = 10f64.powf(SURE_OVER_NOISE_DB / 10.0);
        let power = power
            .iter()
            .zip(around)
            .map(|(own, (power, noise))| if power > sure * noise { *own } else { (power - noise).max(0.0) })
            .collect();
        (stands, power)
    }

    /// Levels without the microphone's own response at `multiple` times the grid.
    fn calibrated(&self, grid: &[f64], mut level_db: Vec<f64>, multiple: f64) -> Vec<f64> {
        if let Some(curve) = self.microphone
            && !curve.frequency_hz.is_empty()
        {
            let at: Vec<f64> = grid.iter().map(|f| f * multiple).collect();
            for (level, own) in
                level_db.iter_mut().zip(interpolate_log(&curve.frequency_hz, &curve.magnitude_db, &at))
            {
                *level -= own;
            }
        }
        level_db
    }
}

/// When the impulse response of copies is highest, looked for where the search had found it.
fn highest_s(copies: &Copies<'_>) -> f64 {
    let found_s = copies.found_s();
    found_s + copies.peak_near_s(&copies.about(found_s, &copies.window()), 0.0)
}

/// The power spectrum of a part, divided by that of a reference where there is one.
fn power_ratio(part: &WindowedImpulse, reference: Option<&WindowedImpulse>) -> (Vec<f64>, f64) {
    let frames = part.samples.len().max(reference.map_or(0, |reference| reference.samples.len()));
    let (spectrum, bin_hz) = part.spectrum(frames);
    let power = spectrum.iter().map(Complex64::norm_sqr);
    match reference {
        None => (power.collect(), bin_hz),
        Some(reference) => {
            let below = reference.spectrum(frames).0;
            (power.zip(&below).map(|(a, b)| a / (b.norm_sqr() + 1e-24)).collect(), bin_hz)
        }
    }
}
