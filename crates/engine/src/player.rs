//! What comes next at the outputs.

use crate::Play;
use crate::stage::{fade_frames, raised_cosine};

/// How far below the asked level a new level begins.
const APPROACH_DB: f64 = -20.0;
/// How long the first, quiet hearing of a signal lasts.
const HEARING_S: f64 = 1.0;
/// The pause after it, in which its decay dies away.
const PAUSE_S: f64 = 0.5;
/// How long an endless signal takes from the quiet level to the asked one.
const RISE_S: f64 = 2.0;

/// Turns a request's rows into interleaved frames of the device's channels.
///
/// When a level is new to the rig, an approach comes first: a signal that is played once is
/// heard for a second, 20 dB down; an endless one starts 20 dB down and rises. The approach
/// comes before frame 0 of the capture and is not recorded.
#[derive(Debug)]
pub(crate) struct Player {
    rows: Vec<Vec<f32>>,
    /// The device's channel of each row, from 0.
    wires: Vec<usize>,
    channels: usize,
    frames: usize,
    endless: bool,
    approach: Approach,
    fade: Vec<f32>,
    /// Frames played, the approach included.
    position: usize,
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum Approach {
    None,
    /// A stretch of the signal from this frame on, then a pause.
    Hearing {
        from: usize,
        frames: usize,
        pause: usize,
    },
    /// The signal itself, rising; then it goes on from where it is.
    Rise {
        frames: usize,
    },
}

impl Player {
    /// Plays rows on the channels `wires` of a device with so many channels.
    pub(crate) fn new(play: Play, wires: &[usize], channels: usize, rate_hz: u32, new_level: bool) -> Self {
        let endless = matches!(play, Play::Endless(_));
        let rows = match play {
            Play::Nothing => Vec::new(),
            Play::Once(rows) | Play::Endless(rows) => rows,
        };
        let frames = rows.iter().map(Vec::len).max().unwrap_or(0);
        let seconds = |s: f64| (s * f64::from(rate_hz)).round() as usize;
        let approach = match (new_level, endless) {
            (false, _) => Approach::None,
            (true, true) => Approach::Rise { frames: seconds(RISE_S) },
            (true, false) => {
                let from = loud_from(&rows).unwrap_or(0);
                let frames = seconds(HEARING_S).min(frames - from);
                Approach::Hearing { from, frames, pause: seconds(PAUSE_S) }
            }
        };
        let fade = raised_cosine(fade_frames(rate_hz));
        Self { wires: wires.to_vec(), rows, channels, frames, endless, approach, fade, position: 0 }
    }

    /// How many frames come before frame 0 of the capture.
    pub(crate) fn approach_frames(&self) -> usize {
        match self.approach {
            Approach::None => 0,
            Approach::Hearing { frames, pause, .. } => frames + pause,
            Approach::Rise { frames } => frames,
        }
    }

    /// How many frames there are in all; nothing when they never end.
    pub(crate) fn total_frames(&self) -> Option<usize> {
        (!self.endless).then(|| self.approach_frames() + self.frames)
    }

    /// Fills whole interleaved frames with what comes next, silence behind the end, and
    /// tells how many frames were still of the signal.
    pub(crate) fn fill(&mut self, data: &mut [f32]) -> usize {
        data.fill(0.0);
        let mut played = 0;
        for frame in data.chunks_mut(self.channels) {
            if self.total_frames().is_some_and(|total| self.position >= total) {
                break;
            }
            if let Some((index, gain)) = self.next() {
                for (row, &wire) in self.rows.iter().zip(&self.wires) {
                    frame[wire] = row.get(index).map_or(0.0, |x| x * gain);
                }
            }
            self.position += 1;
            played += 1;
        }
        played
    }

    /// Which frame of the rows is due, and its gain; nothing for silence.
    fn next(&self) -> Option<(usize, f32)> {
        let at = self.position;
        let before = self.approach_frames();
        match self.approach {
            Approach::Hearing { from, frames, .. } if at < before => {
                let gain = 10_f64.powf(APPROACH_DB / 20.0) as f32;
                (at < frames).then(|| (from + at, gain * self.edge(at, Some(frames))))
            }
            Approach::Rise { frames } => {
                let left_db = APPROACH_DB * (1.0 - at as f64 / frames as f64).max(0.0);
                let gain = 10_f64.powf(left_db / 20.0) as f32;
                Some((at % self.frames, gain * self.edge(at, None)))
            }
            _ if self.endless => Some((at % self.frames, self.edge(at, None))),
            _ => Some((at - before, self.edge(at - before, Some(self.frames)))),
        }
    }

    /// The gain of the fades at the ends of a stretch.
    fn edge(&self, at: usize, frames: Option<usize>) -> f32 {
        let fade = |distance: usize| self.fade.get(distance).copied().unwrap_or(1.0);
        fade(at) * frames.map_or(1.0, |frames| fade(frames - 1 - at))
    }
}

/// The first frame within 20 dB of the highest.
fn loud_from(rows: &[Vec<f32>]) -> Option<usize> {
    let peak = rows.iter().flatten().fold(0.0, |peak: f32, x| peak.max(x.abs()));
    rows.iter().filter_map(|row| row.iter().position(|x| x.abs() > 0.1 * peak)).min()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn play_all(player: &mut Player, frames: usize) -> Vec<f32> {
        let mut data = vec![0.0; frames * player.channels];
        player.fill(&mut data);
        data
    }

    #[test]
    fn rows_go_to_their_wires_with_faded_ends() {
        let rows = vec![vec![0.5; 2_000], vec![-0.25; 1_000]];
        let mut player = Player::new(Play::Once(rows), &[2, 0], 3, 48_000, false);
        let data = play_all(&mut player, 3_000);
        assert_eq!(data[3 * 700..][..3], [-0.25, 0.0, 0.5]);
        assert_eq!(data[3 * 1_200..][..3], [0.0, 0.0, 0.5]);
        testkit::at_most("first sample", f64::from(data[2].abs()), 1e-5);
        testkit::at_most("last sample", f64::from(data[3 * 1_999 + 2].abs()), 1e-5);
        testkit::near("middle of the fade", f64::from(data[3 * 240 + 2]), 0.25, 2e-3);
        assert!(data[3 * 2_000..].iter().all(|&x| x == 0.0));
        assert_eq!(player.fill(&mut [0.0; 3]), 0);
    }

    #[test]
    fn an_endless_signal_repeats_without_a_seam() {
        let row: Vec<f32> = (0..1_000).map(|n| n as f32 / 1_000.0).collect();
        let mut player = Player::new(Play::Endless(vec![row]), &[0], 1, 48_000, false);
        let data = play_all(&mut player, 5_000);
        assert_eq!(player.total_frames(), None);
        assert_eq!(data[2_000], 0.0);
        for (n, x) in data.iter().enumerate().skip(1_000) {
            assert_eq!(*x, (n % 1_000) as f32 / 1_000.0);
        }
    }

    /// Source: the rule of the real-time side: a new level starts 20 dB down.
    #[test]
    fn a_new_level_is_heard_quietly_first() {
        let mut row = vec![0.0; 48_000];
        row.extend(vec![0.5; 96_000]);
        let mut player = Player::new(Play::Once(vec![row]), &[0], 1, 48_000, true);
        let before = player.approach_frames();
        assert_eq!(before, 48_000 + 24_000);
        let data = play_all(&mut player, before);
        testkit::near("hearing", f64::from(data[24_000]), 0.05, 1e-6);
        assert!(data[48_000..].iter().all(|&x| x == 0.0));
        let data = play_all(&mut player, 144_000);
        assert!(data[..48_000].iter().all(|&x| x == 0.0));
        assert_eq!(data[96_000], 0.5);

        let mut player = Player::new(Play::Endless(vec![vec![0.5; 4_800]]), &[0], 1, 48_000, true);
        assert_eq!(player.approach_frames(), 96_000);
        let data = play_all(&mut player, 100_000);
        testkit::near("start of the rise", f64::from(data[480]), 0.05, 1e-3);
        testkit::near("middle of the rise", f64::from(data[48_000]), 0.5 * 10_f64.powf(-0.5), 1e-4);
        assert_eq!(data[96_000], 0.5);
    }

    #[test]
    fn very_short_signals_are_played_within_bounds() {
        for frames in 1..5 {
            for endless in [false, true] {
                let rows = vec![vec![1.0; frames]];
                let play = if endless { Play::Endless(rows) } else { Play::Once(rows) };
                let data = play_all(&mut Player::new(play, &[0], 1, 8_000, true), 30_000);
                assert!(data.iter().all(|x| x.abs() <= 1.0));
            }
        }
    }
}
