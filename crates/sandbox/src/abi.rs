//! The binary interface between host and plugin, version 1: names, sizes, times.
//!
//! `docs/measurements.md` describes the same for the author of a plugin, and
//! `crates/guest` holds the plugin's side of it.

use std::time::Duration;

/// The version of the binary interface.
pub const ABI_VERSION: u32 = 1;

/// The largest file that is looked at.
pub const MOST_FILE_BYTES: usize = 2 << 20;

/// The most memory that a plugin gets.
pub const MOST_MEMORY_BYTES: usize = 64 << 20;

/// The module name under which the host offers its functions.
pub(crate) const HOST_MODULE: &str = "headrest";

/// The largest code of one function; compiling takes longer than in proportion.
pub(crate) const MOST_FUNCTION_BYTES: usize = 128 << 10;

/// The most functions.
pub(crate) const MOST_FUNCTIONS: u32 = 10_000;

/// The most types of functions, and the most parameters and results of one.
pub(crate) const MOST_TYPES: u32 = 1_000;
pub(crate) const MOST_VALUES: usize = 64;

/// The most exports.
pub(crate) const MOST_EXPORTS: u32 = 1_000;

/// How deep blocks, and loops among them, may be nested.
pub(crate) const MOST_NESTING: usize = 1_000;
pub(crate) const MOST_NESTED_LOOPS: usize = 32;

/// The most loops of a function, nested or not: what they cost to compile goes with the square of
/// their number.
pub(crate) const MOST_LOOPS: usize = 1_000;

/// The same for calls through a table.
pub(crate) const MOST_INDIRECT_CALLS: usize = 1_000;

/// The most instructions of a function that fill or copy memory. Each may take some 10 ms, and the clock looks only where
/// a function begins and where a loop turns.
pub(crate) const MOST_LONG_INSTRUCTIONS: usize = 48;

/// The most code, counted as `vet` counts it: about a second of compiling.
pub(crate) const MOST_WORK: u64 = 600_000;

/// The most imports, tables and lists of functions, and the most globals and pieces of data.
pub(crate) const MOST_LISTS: u32 = 1_000;
pub(crate) const MOST_GLOBALS: u32 = 10_000;

/// The most entries of a table of functions, and of all lists of functions together.
pub(crate) const MOST_TABLE_ENTRIES: usize = 20_000;

/// How deep calls may be nested, in bytes of stack.
pub(crate) const MOST_STACK_BYTES: usize = 256 << 10;

/// The longest manifest.
pub(crate) const MOST_MANIFEST_BYTES: usize = 64 << 10;

/// The longest reading, as text.
pub(crate) const MOST_READING_BYTES: usize = 2 << 20;

/// The most frames that are fed in one call; longer blocks come in pieces.
pub(crate) const MOST_FRAMES: usize = 4_096;

/// The longest transform that the host makes for a plugin.
pub(crate) const MOST_TRANSFORM: usize = 1 << 20;

/// The most memory for the plans of a plugin's transforms, as much as for itself: four of
/// the longest would take ten times that.
pub(crate) const MOST_PLAN_BYTES: usize = MOST_MEMORY_BYTES;

/// How many lines a plugin may write to the log during one run, and how long
/// each is kept.
pub(crate) const MOST_LOG_LINES: usize = 64;
pub(crate) const MOST_LOG_CHARS: usize = 200;

/// How far a plugin may fall behind the sound, in seconds, all its calls but `finish`
/// together.
pub(crate) const MOST_BEHIND_S: f64 = 0.5;

/// A function that the host calls.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Entry {
    /// What runs when the module is put into memory, `_initialize` included.
    Initialize,
    /// `abi_version() -> i32`
    AbiVersion,
    /// `describe() -> i64`
    Describe,
    /// `alloc(size: i32) -> i32`
    Alloc,
    /// `begin(at: i32, length: i32) -> i32`
    Begin,
    /// `feed(at: i32, channels: i32, frames: i32, first_frame: i64, gap: i32) -> i32`
    Feed,
    /// `reading() -> i64`
    Reading,
    /// `finish() -> i64`
    Finish,
}

impl Entry {
    /// Its exported name.
    pub(crate) fn name(self) -> &'static str {
        match self {
            Self::Initialize => "_initialize",
            Self::AbiVersion => "abi_version",
            Self::Describe => "describe",
            Self::Alloc => "alloc",
            Self::Begin => "begin",
            Self::Feed => "feed",
            Self::Reading => "reading",
            Self::Finish => "finish",
        }
    }

    /// How long it may take on the clock. `finish` gets more for a long
    /// recording, see [`Entry::limit_after`].
    fn limit(self) -> Duration {
        Duration::from_millis(match self {
            Self::Initialize | Self::AbiVersion | Self::Describe | Self::Alloc => 250,
            Self::Begin | Self::Feed | Self::Reading | Self::Finish => 500,
        })
    }

    /// How long it may take after a recording of so many seconds: `finish` gets
    /// a twentieth of it on top.
    pub(crate) fn limit_after(self, recorded_s: f64) -> Duration {
        match self {
            Self::Finish if recorded_s.is_finite() => {
                self.limit() + Duration::from_secs_f64((recorded_s / 20.0).clamp(0.0, 60.0))
            }
            _ => self.limit(),
        }
    }
}
