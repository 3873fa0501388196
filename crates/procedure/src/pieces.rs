//! Captured blocks regrouped into pieces of one length.
//!
//! Devices give blocks of any length, and a sum over samples depends in its last bit on where they are
//! parted. A measurement is always fed pieces of one length, live and from a recording, so that a reading can be
//! made again to the bit.

use measure::Block;

/// How many frames are fed at once.
pub(crate) const PIECE_FRAMES: usize = 4096;

/// What has come in and is less than a piece.
#[derive(Debug, Default)]
pub(crate) struct Pieces {
    first_frame: u64,
    channels: Vec<Vec<f32>>,
    gap: bool,
}

impl Pieces {
    /// Takes the next block, and feeds what is whole. Before a gap the rest is fed as it is.
    pub(crate) fn take(
        &mut self,
        first_frame: u64,
        channels: &[Vec<f32>],
        gap: bool,
        feed: &mut dyn FnMut(&Block<'_>),
    ) {
        if gap || self.channels.is_empty() {
            self.rest(feed);
            *self = Self { first_frame, channels: vec![Vec::new(); channels.len()], gap };
        }
        for (kept, new) in self.channels.iter_mut().zip(channels) {
            kept.extend_from_slice(new);
        }
        while self.frames() >= PIECE_FRAMES {
            self.feed(PIECE_FRAMES, feed);
        }
    }

    /// Feeds what is left, when nothing follows.
    pub(crate) fn rest(&mut self, feed: &mut dyn FnMut(&Block<'_>)) {
        let frames = self.frames();
        if frames > 0 {
            self.feed(frames, feed);
        }
    }

    fn frames(&self) -> usize {
        self.channels.first().map_or(0, Vec::len)
    }

    fn feed(&mut self, frames: usize, feed: &mut dyn FnMut(&Block<'_>)) {
        let channels: Vec<&[f32]> = self.channels.iter().map(|channel| &channel[..frames]).collect();
        feed(&Block { first_frame: self.first_frame, channels: &channels, gap: self.gap });
        for channel in &mut self.channels {
            channel.drain(..frames);
        }
        self.first_frame += frames as u64;
        self.gap = false;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    type Fed = (u64, Vec<f32>, bool);

    fn fed(blocks: &[(u64, usize, bool)]) -> Vec<Fed> {
        let mut all: Vec<Fed> = Vec::new();
        let mut note = |block: &Block<'_>| {
            assert_eq!(block.channels[0].len(), block.channels[1].len());
            all.push((block.first_frame, block.channels[0].to_vec(), block.gap));
        };
        let mut pieces = Pieces::default();
        for &(first, frames, gap) in blocks {
            let row: Vec<f32> = (first..first + frames as u64).map(|frame| frame as f32).collect();
            pieces.take(first, &[row.clone(), row], gap, &mut note);
        }
        pieces.rest(&mut note);
        all
    }

    /// However the samples come, they are parted in the same places, and none is lost or moved.
    #[test]
    fn pieces_do_not_depend_on_the_blocks() {
        let mut seed = 7u64;
        let mut random = move |most: u64| {
            seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (seed >> 33) % most
        };
        let whole = fed(&[(0, 30_000, false)]);
        for _ in 0..200 {
            let (mut blocks, mut at) = (Vec::new(), 0);
            while at < 30_000 {
                let frames = (1 + random(9_000)).min(30_000 - at);
                blocks.push((at, usize::try_from(frames).unwrap(), false));
                at += frames;
            }
            assert_eq!(fed(&blocks), whole);
        }
        let lengths: Vec<usize> = whole.iter().map(|(_, row, _)| row.len()).collect();
        assert_eq!(lengths, [4_096, 4_096, 4_096, 4_096, 4_096, 4_096, 4_096, 1_328]);
    }

    #[test]
    fn a_gap_begins_a_piece_of_its_own() {
        let all = fed(&[(0, 5_000, false), (6_000, 5_000, true)]);
        let shape: Vec<(u64, usize, bool)> =
            all.iter().map(|(first, row, gap)| (*first, row.len(), *gap)).collect();
        assert_eq!(
            shape,
            [(0, 4_096, false), (4_096, 904, false), (6_000, 4_096, true), (10_096, 904, false)]
        );
        assert_eq!(all[2].1[0], 6_000.0);
    }
}
