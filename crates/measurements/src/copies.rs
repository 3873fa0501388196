//! The copies of an excitation in a recording: the clock that they share, and their
//! impulse responses on that clock.

use std::cell::{OnceCell, RefCell, RefMut};
use std::rc::Rc;

use dsp::correlate::{analytic, refine_peak};
use dsp::deconvolve::{Deconvolver, ImpulseResponse, Reference, TimeWindow, WindowedImpulse};
use dsp::fft::{Complex64, RealFft, fast_len, irfft, rfft};
use dsp::smoothing::LogMeans;
use dsp::window::fade_ends;

use crate::background::Background;
use crate::clock::{about_between, delay_between, is_a_clock};
use crate::excitation::Excitation;

/// Where the copies lie in one channel of a recording, and on which clock.
///
/// Each stretch is transformed once for each length that is asked for, and what was played is
/// rendered and transformed once; copies in another channel share it. So is the impulse response of each copy over the
/// excitation's whole band, which nearly everything is read from.
pub(crate) struct Copies<'a> {
    samples: &'a [f32],
    excitation: &'a Excitation,
    /// Samples of the recording per second of the stimulus.
    pub rate_hz: f64,
    /// The recorder's clock against the player's; nothing with a single copy.
    pub clock_ppm: Option<f64>,
    /// Whether nothing but the distance of the copies speaks for that clock: samples that were
    /// lost between them would look the same.
    pub is_unconfirmed: bool,
    /// When the first of these copies was played, from the beginning of the stimulus.
    pub first_s: f64,
    /// The first sample of each stretch that is analysed.
    starts: Vec<i64>,
    /// How far each copy lies from where its stretch expects it.
    advances: Vec<f64>,
    /// How many samples a stretch has.
    frames: usize,
    /// How much of a stretch lies before the copy begins, and how many samples that are.
    lead_s: f64,
    lead: i64,
    /// How much of a stretch lies after the copy ends.
    tail_s: f64,
    played: Rc<Played>,
    spectra: RefCell<Vec<Spectrum>>,
    as_found: OnceCell<Rc<Vec<ImpulseResponse>>>,
}

/// A clock that moves by less than this, as a share, is found: by each look its error becomes a thousandth.
const SETTLED: f64 = 1e-7;
/// A clock that turns the highest frequency by less than this until the end of a copy, a tenth of a degree, stays as it is,
const KEPT_TURNS: f64 = 0.1 / 360.0;
/// if it moves by less than this share as well: longer sounds may be read on it.
const KEPT: f64 = 1e-8;

/// One copy of the excitation on the recorder's clock.
#[derive(Default)]
struct Played {
    samples: OnceCell<Vec<f64>>,
    reference: OnceCell<Reference>,
    power: OnceCell<LogMeans<Vec<f64>>>,
    over_all: OnceCell<RefCell<Deconvolver>>,
}

/// The spectrum of a stretch by its number, taken over so many samples.
#[derive(Clone)]
struct Spectrum {
    index: usize,
    frames: usize,
    bins: Rc<Vec<Complex64>>,
}

/// How much of the recording before a copy is taken along, for the part of the
/// impulse response that a band limit puts before its peak.
pub(crate) const LEAD_S: f64 = 0.3;

impl<'a> Copies<'a> {
    /// Lays stretches around the positions found, and refines the clock.
    pub(crate) fn new(
        samples: &'a [f32],
        sample_rate_hz: f64,
        excitation: &'a Excitation,
        positions: &[usize],
        background: Option<&Background>,
    ) -> Self {
        Self::on_clock(samples, sample_rate_hz, excitation, positions, background, sample_rate_hz)
    }

    /// As [`Copies::new`], with a clock (in samples per second of the stimulus) that
    /// holds where there is one copy only.
    pub(crate) fn on_clock(
        samples: &'a [f32],
        sample_rate_hz: f64,
        excitation: &'a Excitation,
        positions: &[usize],
        background: Option<&Background>,
        clock_hz: f64,
    ) -> Self {
        let tail_s = 0.95 * excitation.silence_after_s;
        let lead = (LEAD_S * sample_rate_hz).round() as i64;
        let starts: Vec<i64> = positions.iter().map(|p| *p as i64 - lead).collect();
        let frames = ((LEAD_S + excitation.duration_s + tail_s) * sample_rate_hz).ceil() as usize;
        let mut copies = Self {
            samples,
            excitation,
            rate_hz: clock_hz,
            clock_ppm: None,
            is_unconfirmed: false,
            first_s: excitation.starts_s[0],
            advances: vec![0.0; starts.len()],
            starts,
            frames,
            lead_s: LEAD_S,
            lead,
            tail_s,
            played: Rc::default(),
            spectra: RefCell::default(),
            as_found: OnceCell::new(),
        };
        let (first, last) = (copies.starts[0], copies.starts[copies.starts.len() - 1]);
        if positions.len() > 1 {
            let spread_s = excitation.spread_s();
            let found = (last - first) as f64;
            // Where samples were lost between them, their distance is no clock.
            let clock_of = |distance: f64| {
                let clock_hz = distance / spread_s;
                if is_a_clock(clock_hz, sample_rate_hz) { clock_hz } else { sample_rate_hz }
            };
            let mut distance = found + copies.lag(sample_rate_hz, background);
            for _ in 0..2 {
                copies.set_clock(clock_of(distance));
                let residual = copies.residual_s(sample_rate_hz, background);
                let next = found + residual * copies.rate_hz;
                let moved = (next / distance - 1.0).abs();
                distance = next;
                if moved < SETTLED {
                    break;
                }
            }
            let clock_hz = clock_of(distance);
            let moved = (clock_hz / copies.rate_hz - 1.0).abs();
            if moved > KEPT || moved * excitation.duration_s * excitation.to_hz > KEPT_TURNS {
                copies.set_clock(clock_hz);
            }
            let share = |start_s: f64| (start_s - excitation.starts_s[0]) / spread_s;
            copies.advances = (copies.starts.iter().zip(&excitation.starts_s))
                .map(|(start, start_s)| share(*start_s) * distance - (start - first) as f64)
                .collect();
            copies.clock_ppm = Some((distance / spread_s / sample_rate_hz - 1.0) * 1e6);
        }
        copies
    }

    /// Lays stretches where copies are known to begin, on a known clock; `spans_s` holds
    /// how much is taken before a copy and how much follows it.
    pub(crate) fn at(
        samples: &'a [f32],
        sample_rate_hz: f64,
        excitation: &'a Excitation,
        positions: &[f64],
        clock_hz: f64,
        (lead_s, tail_s): (f64, f64),
    ) -> Self {
        let lead = (lead_s * sample_rate_hz).round();
        let begin = |position: &f64| position - lead;
        Self {
            samples,
            excitation,
            rate_hz: clock_hz,
            clock_ppm: Some((clock_hz / sample_rate_hz - 1.0) * 1e6),
            is_unconfirmed: false,
            first_s: excitation.starts_s[0],
            starts: positions.iter().map(|position| begin(position).floor() as i64).collect(),
            advances: positions.iter().map(|position| begin(position).rem_euclid(1.0)).collect(),
            frames: ((lead_s + excitation.duration_s + tail_s) * sample_rate_hz).ceil() as usize,
            lead_s,
            lead: lead as i64,
            tail_s,
            played: Rc::default(),
            spectra: RefCell::default(),
            as_found: OnceCell::new(),
        }
    }

    /// The same copies in another channel of the same recording.
    pub(crate) fn in_channel<'b>(&self, samples: &'b [f32]) -> Copies<'b>
    where
        'a: 'b,
    {
        Copies {
            samples,
            starts: self.starts.clone(),
            advances: self.advances.clone(),
            played: Rc::clone(&self.played),
            spectra: RefCell::default(),
            as_found: OnceCell::new(),
            ..*self
        }
    }

    /// The same copies, each where it was found, by what was played on another clock.
    pub(crate) fn on(&self, rate_hz: f64) -> Self {
        let mut copies = self.in_channel(self.samples);
        (copies.spectra, copies.as_found) = (self.spectra.clone(), self.as_found.clone());
        copies.set_clock(rate_hz);
        copies
    }

    fn set_clock(&mut self, rate_hz: f64) {
        if self.rate_hz != rate_hz {
            (self.rate_hz, self.played, self.as_found) = (rate_hz, Rc::default(), OnceCell::new());
        }
    }

    /// How many samples lie between the beginnings of the first and the last.
    pub(crate) fn distance(&self) -> f64 {
        self.at_moment(self.count() - 1, 0.0) - self.at_moment(0, 0.0)
    }

    /// The clock that their distance tells.
    pub(crate) fn clock_by_distance_hz(&self) -> f64 {
        self.distance() / self.excitation.spread_s()
    }

    /// These copies, each where it was recorded, on a clock that their distance does not tell.
    pub(crate) fn on_another_clock(&self, clock_hz: f64, sample_rate_hz: f64) -> Self {
        let first = self.begins(0);
        let ends = [first, first + self.distance()];
        Self::at(self.samples, sample_rate_hz, self.excitation, &ends, clock_hz, (self.lead_s, self.tail_s))
    }

    /// One of these copies, on a clock that is known otherwise.
    pub(crate) fn alone(&self, index: usize, clock_hz: f64, sample_rate_hz: f64) -> Self {
        let begins = [self.begins(index)];
        let spans_s = (self.lead_s, self.tail_s);
        let one = Self::at(self.samples, sample_rate_hz, self.excitation, &begins, clock_hz, spans_s);
        Self { first_s: self.excitation.starts_s[index], ..one }
    }

    /// These copies, whose clock is that of others, with what is known about it.
    pub(crate) fn on_the_clock_of(&mut self, others: &Copies<'_>) {
        (self.clock_ppm, self.is_unconfirmed) = (others.clock_ppm, others.is_unconfirmed);
    }

    /// The first copy on the recorder's own clock, where the one that the copies give is not
    /// confirmed.
    pub(crate) fn as_if_on_one_clock(&self) -> Option<Self> {
        let ppm = self.clock_ppm.filter(|_| self.is_unconfirmed)?;
        let recorder_hz = self.rate_hz / (1.0 + 1e-6 * ppm);
        Some(self.alone(0, recorder_hz, recorder_hz))
    }

    /// The recording.
    pub(crate) fn samples(&self) -> &'a [f32] {
        self.samples
    }

    /// The sample at which a copy begins, as the search had found it.
    pub(crate) fn begins(&self, index: usize) -> f64 {
        (self.starts[index] + self.lead) as f64
    }

    /// Where the sample lies that a copy holds a time after it began, on the axis that the copies share.
    pub(crate) fn at_moment(&self, index: usize, time_s: f64) -> f64 {
        self.begins(index) + self.advances[index] + time_s * self.rate_hz
    }

    /// What was played.
    pub(crate) fn excitation(&self) -> &'a Excitation {
        self.excitation
    }

    fn played_samples(&self) -> &[f64] {
        self.played.samples.get_or_init(|| self.excitation.samples(self.rate_hz))
    }

    fn reference(&self) -> &Reference {
        self.played.reference.get_or_init(|| {
            let samples = self.played_samples();
            Reference::new(samples, self.frames.max(samples.len()), self.rate_hz)
        })
    }

    /// The power `|X(f)|²` of one copy at frequencies, over a sixth of an octave each.
    pub(crate) fn power_at(&self, frequency_hz: &[f64]) -> Vec<f64> {
        // So many samples that a sixth of an octave holds some points.
        let enough = (self.rate_hz / self.excitation.from_hz * 32.0) as usize;
        let power = if self.reference().len() >= enough {
            self.reference().power()
        } else {
            self.played.power.get_or_init(|| {
                let n = fast_len(enough);
                let power: Vec<f64> =
                    rfft(self.played_samples(), n).iter().map(Complex64::norm_sqr).collect();
                LogMeans::new(power, self.rate_hz / n as f64)
            })
        };
        frequency_hz.iter().map(|f| power.mean(f / 1.06, f * 1.06).max(1e-300)).collect()
    }

    /// The spectrum of a stretch at a length.
    fn spectrum(&self, index: usize, frames: usize) -> Rc<Vec<Complex64>> {
        let mut spectra = self.spectra.borrow_mut();
        let found = spectra.iter().find(|spectrum| (spectrum.index, spectrum.frames) == (index, frames));
        if let Some(found) = found {
            return Rc::clone(&found.bins);
        }
        let mut time = stretch(self.samples, self.starts[index], self.frames.min(frames), frames);
        let mut fft = RealFft::new(frames);
        let mut bins = vec![Complex64::default(); fft.bins()];
        fft.forward(&mut time, &mut bins);
        let bins = Rc::new(bins);
        spectra.push(Spectrum { index, frames, bins: Rc::clone(&bins) });
        bins
    }

    /// About how many samples later the last copy lies in its stretch than the first one in its own, whatever was
    /// played: so that it can be rendered on a clock that is right to some thousandths of a ppm.
    fn lag(&self, sample_rate_hz: f64, background: Option<&Background>) -> f64 {
        let frames = fast_len(self.frames);
        let (first, last) = (self.spectrum(0, frames), self.spectrum(self.count() - 1, frames));
        let band_hz = (self.excitation.from_hz, self.top_hz(sample_rate_hz));
        about_between((&first, &last), sample_rate_hz, band_hz, |frequency_hz| match background {
            Some(noise) => noise.at(frequency_hz).iter().map(|noise| 1.0 / (noise + 1e-30)).collect(),
            None => vec![1.0; frequency_hz.len()],
        })
    }

    /// How far up a recording at a rate holds the excitation well.
    fn top_hz(&self, sample_rate_hz: f64) -> f64 {
        self.excitation.to_hz.min(0.45 * sample_rate_hz)
    }

    /// How much later the last copy lies in its stretch than the first one in its own.
    fn residual_s(&self, sample_rate_hz: f64, background: Option<&Background>) -> f64 {
        let window = TimeWindow::half_faded(0.1, 0.3f64.min(self.tail_s.max(0.02)));
        let each = self.as_found();
        let part = |index: usize| each[index].windowed(self.found_s(), &window);
        let (first, last) = (part(0), part(self.count() - 1));
        // Where it is faded, what was divided by it is noise.
        let (from_hz, to_hz) = self.excitation.full_band_hz();
        let band_hz = (from_hz, to_hz.min(self.top_hz(sample_rate_hz)));
        // What was received, re what disturbs it: an exponential sweep's own power
        // falls by 3 dB an octave.
        let weight = |frequency_hz: &[f64]| {
            let noise =
                background.map_or_else(|| vec![1.0; frequency_hz.len()], |noise| noise.at(frequency_hz));
            frequency_hz.iter().zip(noise).map(|(f, noise)| 1.0 / (f * (noise + 1e-30))).collect()
        };
        delay_between(&first, &last, band_hz, weight)
    }

    /// What divides by the excitation over its whole band and all that it holds beside it, faded or
    /// not: for the shape of an onset, which a steep limit would hide.
    pub(crate) fn over_all(&self) -> RefMut<'_, Deconvolver> {
        let made = || RefCell::new(Deconvolver::of(self.reference(), self.excitation.band_hz()));
        self.played.over_all.get_or_init(made).borrow_mut()
    }

    /// What divides by the excitation within a band (see [`Excitation::inner_band_hz`]),
    /// and lets nothing pass where the excitation is faded.
    pub(crate) fn within(&self, band_hz: (f64, f64)) -> Deconvolver {
        let full_hz = self.excitation.full_band_hz();
        // Half an octave to either side is enough, a tenth the least.
        let ends_hz = (
            (band_hz.0 / std::f64::consts::SQRT_2).max(full_hz.0).min(band_hz.0 / 1.1),
            (band_hz.1 * std::f64::consts::SQRT_2).min(full_hz.1).max(band_hz.1 * 1.1),
        );
        Deconvolver::between(self.reference(), band_hz, ends_hz)
    }

    /// How far up the excitation's sweep is carried on: its fifth harmonic, or as far as the recording reaches.
    pub(crate) fn extended_to_hz(&self) -> f64 {
        (5.2 * self.excitation.to_hz).min(0.49 * self.rate_hz).max(self.excitation.to_hz)
    }

    /// What divides by the excitation's sweep carried on as far up as the recording reaches,
    /// for the harmonics that lie above its band; nothing where it is no sweep.
    pub(crate) fn extended(&self) -> Option<Deconvolver> {
        let excitation = self.excitation;
        let sweep = excitation.sweep(self.rate_hz)?;
        let to_hz = self.extended_to_hz();
        let sweep = sweep.extended(to_hz);
        let mut reference = vec![0.0; sweep.len()];
        sweep.add_to(&mut reference, 0.0, excitation.peak(), (sweep.duration_s(), excitation.fade_s()));
        let frames = self.frames.max(reference.len());
        Some(Deconvolver::new(&reference, frames, self.rate_hz, excitation.from_hz, to_hz))
    }

    /// The impulse response of each copy over the whole band, each where the search had found it.
    pub(crate) fn as_found(&self) -> Rc<Vec<ImpulseResponse>> {
        let made = || {
            let mut deconvolver = self.over_all();
            let spectra = self.spectra(deconvolver.len());
            Rc::new(
                spectra.iter().map(|(bins, _)| deconvolver.mean_impulse([(bins.as_slice(), 0.0)])).collect(),
            )
        };
        Rc::clone(self.as_found.get_or_init(made))
    }

    /// How much later each of these lies than on the time axis that the copies share: on that the
    /// excitation begins at time zero less [`Copies::origin`].
    pub(crate) fn later_s(&self) -> impl Iterator<Item = f64> {
        self.advances.iter().map(|advance| advance / self.rate_hz)
    }

    /// What each of these holds about a moment of that axis.
    pub(crate) fn parts(&self, moment_s: f64, window: &TimeWindow) -> Vec<WindowedImpulse> {
        let each = self.as_found();
        let each = each.iter().zip(self.later_s());
        each.map(|(impulse, later_s)| impulse.windowed(moment_s + later_s, window)).collect()
    }

    /// The mean impulse response of the copies over their whole band about a moment, which is time zero of what is given.
    pub(crate) fn about(&self, moment_s: f64, window: &TimeWindow) -> ImpulseResponse {
        let parts = self.parts(moment_s, window);
        let frames = longest(&parts);
        let spectra: Vec<Vec<Complex64>> = parts.iter().map(|part| part.spectrum(frames).0).collect();
        mean(&spectra, self.rate_hz)
    }

    /// The linear part of it under [`Copies::window`], of which the moment is time zero.
    pub(crate) fn linear_part(&self, moment_s: f64) -> WindowedImpulse {
        let window = self.window();
        let reach = TimeWindow { left_fade_s: 0.0, right_fade_s: 0.0, ..window };
        self.about(moment_s, &window).windowed(0.0, &reach)
    }

    /// The mean impulse response of the copies by a deconvolver, on their time axis.
    pub(crate) fn impulse(&self, deconvolver: &mut Deconvolver) -> ImpulseResponse {
        deconvolver
            .mean_impulse(self.spectra(deconvolver.len()).iter().map(|(bins, advance)| (&***bins, *advance)))
    }

    /// The same with its quadrature.
    pub(crate) fn analytic(&self, deconvolver: &mut Deconvolver) -> (ImpulseResponse, Vec<f64>) {
        deconvolver
            .mean_analytic(self.spectra(deconvolver.len()).iter().map(|(bins, advance)| (&***bins, *advance)))
    }

    /// The spectrum of each copy, and what is to be taken off its delay.
    fn spectra(&self, frames: usize) -> Vec<(Rc<Vec<Complex64>>, f64)> {
        let each = self.advances.iter().enumerate();
        each.map(|(index, advance)| (self.spectrum(index, frames), *advance)).collect()
    }

    /// The mean power (mean square) of the copies in a band while they sound, beyond that of the noise: what their stretches
    /// hold, by Parseval's theorem, less what noise adds to these.
    pub(crate) fn power_between(&self, from_hz: f64, to_hz: f64, noise: f64) -> f64 {
        let frames = self.over_all().len();
        let spectra = self.spectra(frames);
        let bin = |hz: f64| ((hz / self.rate_hz * frames as f64).round() as usize).min(frames / 2);
        let energy =
            |bins: &[Complex64]| 2.0 / frames as f64 * bins.iter().map(Complex64::norm_sqr).sum::<f64>();
        let each = spectra.iter().map(|(bins, _)| energy(&bins[bin(from_hz)..=bin(to_hz)]));
        let energy = each.sum::<f64>() / self.count() as f64 - noise * self.frames as f64;
        energy / (self.excitation.duration_s * self.rate_hz)
    }

    /// Where the search had found the copies, on the impulse responses' time axis.
    pub(crate) fn found_s(&self) -> f64 {
        self.lead as f64 / self.rate_hz
    }

    /// How many there are.
    pub(crate) fn count(&self) -> usize {
        self.starts.len()
    }

    /// The moment of the recording, in its samples, that is time zero of the impulse
    /// responses when the excitation begins there.
    pub(crate) fn origin(&self) -> f64 {
        self.starts[0] as f64
    }

    /// The time of the impulse response's strongest moment, looked for where the
    /// search had found it: the peak of its envelope, between samples.
    pub(crate) fn peak_s(&self, impulse: &ImpulseResponse) -> f64 {
        self.peak_near_s(impulse, self.found_s())
    }

    /// The same about another moment.
    pub(crate) fn peak_near_s(&self, impulse: &ImpulseResponse, about_s: f64) -> f64 {
        let window = TimeWindow::half_faded(0.25, 0.5f64.min(self.tail_s.max(0.05)));
        let mut part = impulse.windowed(about_s, &window);
        // It has faded to silence, and transforms quicker with some more of that.
        part.samples.resize(fast_len(part.samples.len()), 0.0);
        let signal = analytic(&part.samples);
        let highest = (0..signal.len())
            .max_by(|&a, &b| signal[a].norm_sqr().total_cmp(&signal[b].norm_sqr()))
            .unwrap_or(0);
        about_s + part.start_s + refine_peak(&signal, highest).position / self.rate_hz
    }

    /// The window of the linear response: up to 0.3 s before the peak, but not into
    /// the second harmonic, and as far after it as the silence after a copy allows.
    pub(crate) fn window(&self) -> TimeWindow {
        let sweep = self.excitation.sweep(self.rate_hz);
        let lead = sweep.map_or(f64::INFINITY, |sweep| sweep.harmonic_lead_s(2));
        let left_s = 0.28f64.min(0.45 * lead);
        let right_s = self.tail_s.max(0.05);
        TimeWindow { left_s, right_s, left_fade_s: 0.4 * left_s, right_fade_s: 0.5 * right_s }
    }
}

/// How many samples a transform of any of these parts takes.
pub(crate) fn longest(parts: &[WindowedImpulse]) -> usize {
    fast_len(parts.iter().map(|part| part.samples.len()).max().unwrap_or(0))
}

/// The mean impulse response of several spectra.
pub(crate) fn mean(spectra: &[Vec<Complex64>], rate_hz: f64) -> ImpulseResponse {
    let mut sum = spectra[0].clone();
    for other in &spectra[1..] {
        sum.iter_mut().zip(other).for_each(|(sum, x)| *sum += x);
    }
    let share = 1.0 / spectra.len() as f64;
    sum.iter_mut().for_each(|x| *x *= share);
    let frames = 2 * (sum.len() - 1);
    ImpulseResponse::new(irfft(sum, frames), rate_hz)
}

/// A stretch of a recording, silent where it reaches beyond its ends, without its
/// mean (an offset would leak into the lowest bins) and with faded edges; silent again up to a
/// transform's length.
fn stretch(samples: &[f32], start: i64, frames: usize, padded: usize) -> Vec<f64> {
    let skip = (-start).max(0) as usize;
    let from = start.max(0) as usize;
    if skip >= frames || from >= samples.len() {
        return vec![0.0; padded];
    }
    let mut stretch = Vec::with_capacity(padded);
    let used = (frames - skip).min(samples.len() - from);
    let part = &samples[from..from + used];
    let mean = part.iter().map(|x| f64::from(*x)).sum::<f64>() / used as f64;
    stretch.resize(skip, 0.0);
    stretch.extend(part.iter().map(|x| f64::from(*x) - mean));
    stretch.resize(padded, 0.0);
    // Where the recording itself begins or ends the excitation may too.
    let fade = (frames / 400).max(1);
    let fade_in = if start > 0 { fade } else { 0 };
    let fade_out = if from + used < samples.len() { fade } else { 0 };
    fade_ends(&mut stretch[skip..skip + used], fade_in, fade_out);
    stretch
}
