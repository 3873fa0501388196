//! A compressed recording in cells: its highest point and its energy in each tenth of
//! a second, and which of the points stand out as only an excitation does.

/// A peak of the compressed recording.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Mark {
    /// The sample at which the excitation begins.
    pub position: usize,
    /// The squared envelope there.
    pub power: f64,
}

/// The compressed recording, reduced to its highest point and its energy in cells
/// of a tenth of a second.
#[derive(Debug, Clone)]
pub(crate) struct Cells {
    length: usize,
    /// How many cells to each side are a peak's surroundings.
    reach: usize,
    /// How many cells an excitation lasts, less a tenth: a copy's own neighbourhood,
    /// in which there is no other.
    span: usize,
    /// How many cells were let go of before those that follow.
    base: usize,
    peaks: Vec<Mark>,
    energy: Vec<f64>,
    /// How many samples to each side of a peak are the peak itself.
    middle: usize,
    /// The energy of each cell's peak itself.
    tight: Vec<f64>,
    /// Which peaks have been looked at more closely, and how many octaves each fills.
    filled: Vec<(usize, f64)>,
}

/// How far a peak stands out.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Standing {
    /// The peak's power re the mean of its surroundings.
    pub ratio: f64,
    /// The share of the energy around a peak that lies in the peak and its tail.
    pub compact: f64,
    /// The same of all energy within the excitation's length.
    pub share: f64,
    /// The share of the peak and its tail that lies within some milliseconds.
    pub tight: f64,
    /// How many octaves the peak fills; nothing when that has not been looked at.
    pub octaves: f64,
}

/// The length of a cell.
const CELL_S: f64 = 0.1;
/// The surroundings: three seconds to each side.
const REACH_S: f64 = 3.0;
/// A peak stands out from its surroundings by this factor in power (16 dB): noise
/// alone reaches `ln(samples in the surroundings)`, 11 dB, and passes with a
/// probability of e^-40 per sample.
const STANDS_OUT: f64 = 40.0;
/// The share of the energy around a peak that lies in the peak and its tail. A sound
/// that is not the excitation is spread by the filter over the excitation's length.
const COMPACT: f64 = 0.4;
/// The share of all energy within the excitation's length of a peak that lies in it:
/// lower, because other sounds may be near.
const SHARE: f64 = 0.1;
/// The share that a peak without a partner must have, in its surroundings and in its
/// excitation's length.
const ALONE: f64 = 0.9;
/// How much of it must lie within how many seconds, or cycles of the lowest frequency if
/// these are shorter, to each side: a sweep of a pace that is a few per cent off spreads
/// over more, a driver does not.
const TIGHT: f64 = 0.5;
const TIGHT_S: f64 = 0.015;
const TIGHT_CYCLES: f64 = 8.0;
/// How many octaves it must fill. What runs along an exponential sweep for a moment fills
/// less: a linear glide that touches it stays within 4 ms of it for `√(8·0.004/L)`, 0.16
/// octaves for the fastest standard track.
const OCTAVES: f64 = 0.9;
/// The tail of a peak, in cells: half a second, in which the longest room has rung
/// down by most of its energy.
const TAIL: usize = 5;

impl Standing {
    /// Whether nothing but the excitation stands out like that.
    pub(crate) fn is_clear(&self) -> bool {
        self.ratio > STANDS_OUT && self.compact > COMPACT && self.share > SHARE
    }

    /// How surely a peak is what the template says: one of another sweep that resembles it
    /// is lower and wider.
    pub(crate) fn clearness(&self) -> f64 {
        self.ratio * self.compact * self.share
    }

    /// Whether a single peak is enough to tell a sweep: one that resembles it in a part
    /// of its band only is spread wider.
    pub(crate) fn tells_a_sweep(&self) -> bool {
        self.ratio > 100.0 * STANDS_OUT
            && self.compact.min(self.share) > ALONE
            && self.tight > TIGHT
            && self.octaves > OCTAVES
    }

    /// Whether a single peak is enough to tell a noise, which nothing resembles; the two
    /// clocks spread it a little.
    pub(crate) fn tells_a_noise(&self) -> bool {
        self.ratio > 10.0 * STANDS_OUT && self.compact.min(self.share) > 1.5 * COMPACT
    }
}

impl Cells {
    /// No cells yet, for an excitation of so many samples that begins at a frequency.
    pub(crate) fn new(excitation_frames: usize, sample_rate_hz: f64, from_hz: f64) -> Self {
        let length = ((CELL_S * sample_rate_hz) as usize).max(1);
        // Less than three seconds where a short excitation's copies lie close together.
        let reach = (excitation_frames / 2 / length).min((REACH_S / CELL_S) as usize).max(6);
        let span = excitation_frames * 9 / 10 / length;
        let middle = (TIGHT_S.min(TIGHT_CYCLES / from_hz) * sample_rate_hz) as usize;
        let (peaks, energy, tight, filled) = Default::default();
        Self { length, reach, span, base: 0, peaks, energy, middle, tight, filled }
    }

    /// How many samples to each side of a peak are the peak itself.
    pub(crate) fn middle(&self) -> usize {
        self.middle
    }

    /// The peaks of the cells from a sample onward that are higher than `enough`.
    pub(crate) fn high_from(&self, position: usize, enough: f64) -> Vec<Mark> {
        self.peaks[self.place(position)..].iter().copied().filter(|mark| mark.power > enough).collect()
    }

    /// Where the cell of a sample stands, or the end.
    fn place(&self, position: usize) -> usize {
        (position / self.length).saturating_sub(self.base).min(self.peaks.len())
    }

    /// Lets go of what nobody asks about who asks for marks from this sample onward only.
    pub(crate) fn forget_before(&mut self, position: usize) {
        // What stands out does so from its surroundings.
        let surroundings = self.span.max(2 * self.reach).max(TAIL) + 1;
        let gone = self.place(position).saturating_sub(surroundings);
        // Seldom, because the rest has to move.
        if gone <= self.peaks.len() / 2 {
            return;
        }
        self.peaks.drain(..gone);
        self.energy.drain(..gone);
        self.tight.drain(..gone);
        self.base += gone;
        self.filled.retain(|(position, _)| *position >= self.base * self.length);
    }

    /// Notes how many octaves the peak at a sample fills.
    pub(crate) fn fill(&mut self, position: usize, octaves: f64) {
        self.filled.push((position, octaves));
    }

    /// Takes squared envelopes, the first of which belongs to the sample `start`.
    pub(crate) fn take(&mut self, start: usize, powers: &[f32]) {
        let cells = ((start + powers.len()).div_ceil(self.length) - self.base).max(self.energy.len());
        self.energy.resize(cells, 0.0);
        self.peaks.resize(cells, Mark { position: 0, power: 0.0 });
        self.tight.resize(cells, 0.0);
        let (mut index, mut position) = (0, start);
        while index < powers.len() {
            let until = ((position / self.length + 1) * self.length - start).min(powers.len());
            let cell = position / self.length - self.base;
            let (energy, peak) = (&mut self.energy[cell], &mut self.peaks[cell]);
            let part = &powers[index..until];
            let highest = part.iter().copied().fold(0.0, f32::max);
            *energy += part.iter().map(|power| f64::from(*power)).sum::<f64>();
            if f64::from(highest) > peak.power {
                let at = part.iter().position(|power| *power == highest).unwrap_or(0);
                *peak = Mark { position: start + index + at, power: highest.into() };
            }
            if let Some(at) = peak.position.checked_sub(start)
                && peak.power > 0.0
            {
                let near = &powers[at.saturating_sub(self.middle)..(at + self.middle + 1).min(powers.len())];
                self.tight[cell] = near.iter().map(|power| f64::from(*power)).sum();
            }
            (index, position) = (until, start + until);
        }
    }

    /// How many samples are covered.
    #[cfg(test)]
    pub(crate) fn covered(&self) -> usize {
        (self.base + self.energy.len()) * self.length
    }

    /// The points that stand out clearly from a sample onward.
    pub(crate) fn marks_from(&self, position: usize) -> Vec<(Mark, Standing)> {
        (self.place(position)..self.peaks.len())
            .filter(|&cell| self.peaks[cell].power > STANDS_OUT * self.around(cell))
            .map(|cell| (self.peaks[cell], self.standing(cell)))
            .filter(|(_, standing)| standing.is_clear())
            .collect()
    }

    fn standing(&self, cell: usize) -> Standing {
        let floor = self.floor(cell);
        Standing {
            ratio: self.peaks[cell].power / self.around(cell).max(f64::MIN_POSITIVE),
            compact: self.share(cell, self.reach, floor),
            share: self.share(cell, self.span, floor),
            tight: self.tight[cell] / self.tail(cell, floor).max(f64::MIN_POSITIVE),
            octaves: self.octaves(self.peaks[cell].position),
        }
    }

    fn octaves(&self, position: usize) -> f64 {
        self.filled.iter().rev().find(|(at, _)| *at == position).map_or(0.0, |(_, octaves)| *octaves)
    }

    /// The energy of a cell's peak and its tail, a steady floor taken off.
    fn tail(&self, cell: usize, floor: f64) -> f64 {
        let cells = cell.saturating_sub(1)..(cell + TAIL + 1).min(self.energy.len());
        self.energy[cells].iter().map(|e| (e - floor).max(0.0)).sum()
    }

    fn near(&self, cell: usize, reach: usize) -> &[f64] {
        &self.energy[cell.saturating_sub(reach)..(cell + reach + 1).min(self.energy.len())]
    }

    /// The mean power per sample of the cells around a cell, without the loudest
    /// fifth (where the impulse response itself lies).
    fn around(&self, cell: usize) -> f64 {
        let mut near = self.near(cell, self.reach).to_vec();
        near.sort_by(f64::total_cmp);
        let quiet = &near[..(near.len() * 4).div_ceil(5)];
        quiet.iter().sum::<f64>() / (quiet.len() * self.length) as f64
    }

    /// The energy of a quiet cell: the lower quartile of those within the
    /// excitation's length that hold anything.
    fn floor(&self, cell: usize) -> f64 {
        let near = self.near(cell, self.span.max(2 * self.reach));
        let mut energies: Vec<f64> = near.iter().copied().filter(|e| *e > 0.0).collect();
        energies.sort_by(f64::total_cmp);
        energies.get(energies.len() / 4).copied().unwrap_or(0.0)
    }

    /// The share of the energy within `reach` cells of a cell that lies from one cell
    /// before to five cells after it, a steady floor taken off both.
    fn share(&self, cell: usize, reach: usize, floor: f64) -> f64 {
        let reach = reach.max(TAIL);
        let all: f64 = self.near(cell, reach).iter().map(|e| (e - floor).max(0.0)).sum();
        self.tail(cell, floor) / all.max(f64::MIN_POSITIVE)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_same_cells_come_from_any_stretches() {
        let powers: Vec<f32> = (0..10_000u32).map(|i| ((i * 7_919) % 1_009) as f32).collect();
        let cells = |size: usize| {
            let mut cells = Cells::new(4_000, 1_000.0, 100.0);
            let mut start = 0;
            for part in powers.chunks(size) {
                cells.take(start, part);
                start += part.len();
            }
            assert_eq!(cells.covered(), 10_000);
            (cells.peaks, cells.energy)
        };
        assert_eq!(cells(10_000), cells(37));
    }

    /// What is asked for is the same, however much before it was let go of, and no more is held than it needs.
    #[test]
    fn what_was_let_go_of_is_not_missed() {
        let mut noise = dsp::noise::WhiteNoise::new(2);
        let mut powers: Vec<f32> = (0..400_000).map(|_| noise.sample().powi(2) as f32).collect();
        for index in (3_000..400_000).step_by(7_919) {
            powers[index] = 4_000.0;
        }
        let cells = || Cells::new(4_000, 1_000.0, 100.0);
        let (mut all, mut few) = (cells(), cells());
        let mut told = 0;
        for (index, part) in powers.chunks(700).enumerate() {
            let start = 700 * index;
            for cells in [&mut all, &mut few] {
                cells.take(start, part);
                cells.fill(start, 0.5);
            }
            let from = start.saturating_sub(20_000);
            few.forget_before(from);
            assert_eq!(few.marks_from(from), all.marks_from(from));
            assert_eq!(few.high_from(from, 100.0), all.high_from(from, 100.0));
            told += few.marks_from(from).len();
        }
        assert!(told > 1_000, "{told}");
        assert_eq!(few.covered(), all.covered());
        assert!(
            few.peaks.len() < 700 && few.filled.len() < 200 && all.peaks.len() == 4_000,
            "{}",
            few.peaks.len()
        );
    }

    #[test]
    fn a_peak_stands_out_and_noise_does_not() {
        let mut noise = dsp::noise::WhiteNoise::new(1);
        let mut powers: Vec<f32> = (0..20_000).map(|_| noise.sample().powi(2) as f32).collect();
        let mut quiet = Cells::new(4_000, 1_000.0, 100.0);
        quiet.take(0, &powers);
        assert!(quiet.marks_from(0).is_empty());
        powers[9_321] = 4_000.0;
        let mut cells = Cells::new(4_000, 1_000.0, 100.0);
        cells.take(0, &powers);
        let marks = cells.marks_from(0);
        assert_eq!(marks.iter().map(|(mark, _)| mark.position).collect::<Vec<_>>(), [9_321]);
        assert!(marks[0].1.is_clear());
    }
}
