//! The functions that the host calls.

#![cfg_attr(
    target_arch = "wasm32",
    expect(unsafe_code, reason = "the host passes places in memory as numbers")
)]

use alloc::string::String;
use core::cell::RefCell;

use crate::{Block, Feed, Plugin, Reading, Start};

/// The version of the interface that this crate speaks.
pub const ABI_VERSION: u32 = 1;

/// A plugin in memory, with the text that it answered last.
#[doc(hidden)]
#[derive(Debug)]
pub struct Slot<P>(RefCell<Held<P>>);

#[derive(Debug)]
struct Held<P> {
    plugin: Option<P>,
    /// The reading that says why it did not begin.
    refusal: Reading,
    channel: usize,
    /// Kept until the host has read it.
    #[cfg(target_arch = "wasm32")]
    answer: String,
}

// SAFETY: a plugin has one thread, and the host calls one function at a time.
#[cfg(target_arch = "wasm32")]
unsafe impl<P> Sync for Slot<P> {}

impl<P: Plugin> Slot<P> {
    /// Nothing is held yet.
    #[must_use]
    pub const fn new() -> Self {
        Self(RefCell::new(Held {
            plugin: None,
            refusal: Reading::EMPTY,
            channel: 0,
            #[cfg(target_arch = "wasm32")]
            answer: String::new(),
        }))
    }

    /// The text of the manifest.
    pub fn describe(&self) -> String {
        P::manifest().to_json()
    }

    /// Begins; 0 when it is ready, 1 when it refuses.
    pub fn begin(&self, lines: &str) -> u32 {
        let start = Start::new(lines);
        let mut held = self.0.borrow_mut();
        held.channel = start.channel();
        match P::begin(&start) {
            Ok(plugin) => {
                held.plugin = Some(plugin);
                0
            }
            Err(refusal) => {
                held.refusal.stop(&refusal.code, &refusal.text);
                1
            }
        }
    }

    /// Feeds a block; 0 when it can use more, 1 when it has enough.
    pub fn feed(&self, samples: &[f32], frames: usize, first_frame: u64, gap: bool) -> u32 {
        let mut held = self.0.borrow_mut();
        let channel = held.channel;
        let Some(plugin) = &mut held.plugin else { return 1 };
        match plugin.feed(&Block { samples, frames, channel, first_frame, gap }) {
            Feed::More => 0,
            Feed::Enough => 1,
        }
    }

    /// The text of the reading so far, or of the last one.
    pub fn reading(&self, last: bool) -> String {
        let mut held = self.0.borrow_mut();
        match &mut held.plugin {
            Some(plugin) if last => plugin.finish().to_json(),
            Some(plugin) => plugin.reading().to_json(),
            None => held.refusal.to_json(),
        }
    }

    /// Keeps a text and says where it lies: its place in the upper half of the
    /// number, its length in the lower one.
    #[cfg(target_arch = "wasm32")]
    pub fn answer(&self, text: String) -> u64 {
        let mut held = self.0.borrow_mut();
        held.answer = text;
        (held.answer.as_ptr() as u64) << 32 | held.answer.len() as u64
    }

    /// Begins from lines at a place in memory.
    #[cfg(target_arch = "wasm32")]
    pub fn begin_at(&self, at: u32, length: u32) -> u32 {
        // SAFETY: the host has written so many bytes to this place, which it got
        // from `alloc`.
        let bytes = unsafe { core::slice::from_raw_parts(at as *const u8, length as usize) };
        self.begin(core::str::from_utf8(bytes).unwrap_or_default())
    }

    /// Feeds a block at a place in memory.
    #[cfg(target_arch = "wasm32")]
    pub fn feed_at(&self, at: u32, channels: u32, frames: u32, first_frame: u64, gap: u32) -> u32 {
        let count = channels as usize * frames as usize;
        // SAFETY: the host has written so many samples to this place, which it got
        // from `alloc`, and which is aligned to eight bytes.
        let samples = unsafe { core::slice::from_raw_parts(at as *const f32, count) };
        self.feed(samples, frames as usize, first_frame, gap != 0)
    }

    /// Memory for the host to write to. It is never freed: a plugin is put into
    /// memory anew for each run.
    #[cfg(target_arch = "wasm32")]
    pub fn alloc(&self, size: u32) -> u32 {
        let words: alloc::vec::Vec<u64> = alloc::vec![0; size as usize / 8 + 1];
        words.leak().as_ptr() as u32
    }
}

impl<P: Plugin> Default for Slot<P> {
    fn default() -> Self {
        Self::new()
    }
}

/// Offers a [`Plugin`] to the host under the names that it looks for. It is written
/// once, in the plugin's `lib.rs`.
///
/// Outside of WebAssembly nothing is exported, so that a plugin can be tested like
/// any other code.
#[macro_export]
macro_rules! export {
    ($plugin:ty) => {
        #[cfg(target_arch = "wasm32")]
        #[allow(unsafe_code, reason = "the host finds these functions by their plain names")]
        const _: () = {
            static SLOT: $crate::Slot<$plugin> = $crate::Slot::new();

            #[unsafe(no_mangle)]
            extern "C" fn abi_version() -> u32 {
                $crate::ABI_VERSION
            }

            #[unsafe(no_mangle)]
            extern "C" fn alloc(size: u32) -> u32 {
                SLOT.alloc(size)
            }

            #[unsafe(no_mangle)]
            extern "C" fn describe() -> u64 {
                SLOT.answer(SLOT.describe())
            }

            #[unsafe(no_mangle)]
            extern "C" fn begin(at: u32, length: u32) -> u32 {
                SLOT.begin_at(at, length)
            }

            #[unsafe(no_mangle)]
            extern "C" fn feed(at: u32, channels: u32, frames: u32, first_frame: u64, gap: u32) -> u32 {
                SLOT.feed_at(at, channels, frames, first_frame, gap)
            }

            #[unsafe(no_mangle)]
            extern "C" fn reading() -> u64 {
                SLOT.answer(SLOT.reading(false))
            }

            #[unsafe(no_mangle)]
            extern "C" fn finish() -> u64 {
                SLOT.answer(SLOT.reading(true))
            }
        };

        #[cfg(not(target_arch = "wasm32"))]
        const _: $crate::Slot<$plugin> = $crate::Slot::new();
    };
}
