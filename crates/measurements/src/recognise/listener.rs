//! One signal that is listened for in a stream.

use dsp::correlate::MatchedFilter;

use crate::cells::{Cells, Mark, Standing};

/// A template and what it has found in the stream so far.
pub(super) struct Listener {
    filter: MatchedFilter,
    cells: Cells,
    /// The first sample of the stream that has not been compared.
    next: usize,
}

impl Listener {
    /// For a template in a band (in parts of the rate); in steps of at least `hop`
    /// samples where the answer is needed soon.
    pub(super) fn new(template: &[f64], band: (f64, f64), rate_hz: f64, hop: Option<usize>) -> Self {
        let filter = match hop {
            None => MatchedFilter::phase_only(template, band.0, band.1),
            Some(hop) => MatchedFilter::phase_only_by(template, band.0, band.1, hop),
        };
        Self { filter, cells: Cells::new(template.len(), rate_hz, band.0 * rate_hz), next: 0 }
    }

    /// How far the stream has been compared.
    pub(super) fn next(&self) -> usize {
        self.next
    }

    /// The first sample of the stream that is still needed.
    pub(super) fn needed(&self) -> usize {
        self.next.saturating_sub(self.filter.reach().1)
    }

    /// Compares as much of the stream, which begins with sample `base`, as can be.
    pub(super) fn listen(&mut self, stream: &[f32], base: usize) {
        let (block, before) = self.filter.reach();
        while base + stream.len() + before >= self.next + block {
            self.compare(stream, base, self.filter.hop());
        }
    }

    /// Compares the rest, after which silence follows.
    pub(super) fn finish(&mut self, stream: &[f32], base: usize) {
        let end = base + stream.len();
        while self.next < end {
            self.compare(stream, base, self.filter.hop().min(end - self.next));
        }
    }

    fn compare(&mut self, stream: &[f32], base: usize, count: usize) {
        let powers = self.filter.power(stream, self.next as i64 - base as i64);
        self.cells.take(self.next, &powers[..count]);
        self.next += count;
    }

    /// What stands out from a sample onward.
    pub(super) fn marks(&self, from: usize) -> Vec<(Mark, Standing)> {
        self.cells.marks_from(from)
    }
}
