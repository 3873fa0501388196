//! A recording, as a measurement takes it.

use host::Run;
use library::Result;
use measure::{Block, Feed, Reading};
use recording::{Audio, Reader};

use crate::pieces::PIECE_FRAMES;

/// Feeds a recording from its first frame to its last, as a device would have done, a piece at a time: it is
/// never in memory as a whole.
///
/// # Errors
/// When it cannot be read to its end.
pub(crate) fn feed_recording(mut run: Run, audio: &mut Reader) -> Result<Reading> {
    let (mut rows, mut feed) = (Vec::new(), Feed::More);
    loop {
        let first_frame = audio.frames();
        if audio.next_block(PIECE_FRAMES, &mut rows)? == 0 {
            return Ok(run.finish());
        }
        // Read on to its end all the same: what is wrong with the file is to be known.
        if feed == Feed::More {
            let channels: Vec<&[f32]> = rows.iter().map(Vec::as_slice).collect();
            feed = run.feed(&Block { first_frame, channels: &channels, gap: false });
        }
    }
}

/// Feeds what is in memory, as a device would have done.
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
