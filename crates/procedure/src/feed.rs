//! A recording, as a measurement takes it.

use host::Run;
use measure::{Block, Feed, Reading};
use recording::Audio;

use crate::pieces::PIECE_FRAMES;

/// Feeds a whole recording, as a device would have done.
pub(crate) fn feed_all(mut run: Run, audio: &Audio) -> Reading {
    for first in (0..audio.frames()).step_by(PIECE_FRAMES) {
        let end = audio.frames().min(first + PIECE_FRAMES);
        let channels: Vec<&[f32]> = audio.channels.iter().map(|channel| &channel[first..end]).collect();
        if run.feed(&Block { first_frame: first as u64, channels: &channels, gap: false }) == Feed::Enough {
            break;
        }
    }
    run.finish()
}
