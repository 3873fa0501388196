//! The thread that keeps the output ring full.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::{self, JoinHandle};
use std::time::Duration;

use rtrb::Producer;

use crate::player::Player;

/// How many frames are made at once.
const PIECE_FRAMES: usize = 1_024;
/// How long to sleep when the ring is full; it holds far more.
const PAUSE: Duration = Duration::from_millis(10);

/// Keeps the ring full from a player until it ends or is told to.
#[derive(Debug)]
pub(crate) struct Feed {
    player: Player,
    ring: Producer<f32>,
    piece: Vec<f32>,
    channels: usize,
}

impl Feed {
    /// Fills the ring for the first time.
    pub(crate) fn new(player: Player, ring: Producer<f32>, channels: usize) -> Self {
        let mut feed = Self { player, ring, piece: vec![0.0; PIECE_FRAMES * channels], channels };
        while feed.step() {}
        feed
    }

    /// Makes one piece, if there is room and something left to play.
    fn step(&mut self) -> bool {
        if self.ring.slots() < self.piece.len() {
            return false;
        }
        let frames = self.player.fill(&mut self.piece);
        // There is room: it was just asked for, and nobody else fills the ring.
        frames > 0 && self.ring.push_entire_slice(&self.piece[..frames * self.channels]).is_ok()
    }

    /// Goes on by itself until `stop` or until the other end is gone.
    pub(crate) fn run(mut self, stop: Arc<AtomicBool>) -> std::io::Result<JoinHandle<()>> {
        thread::Builder::new().name("engine-feed".to_owned()).spawn(move || {
            while !stop.load(Ordering::Relaxed) && !self.ring.is_abandoned() {
                if !self.step() {
                    thread::sleep(PAUSE);
                }
            }
        })
    }
}
