//! One plugin in memory, for one run. After a fault it is dropped and never
//! called again.

use std::ops::Range;
use std::time::{Duration, Instant};

use measure::{Block, Feed};
use wasmtime::{Extern, InstancePre, Memory, TypedFunc, WasmParams, WasmResults};

use crate::abi::{ABI_VERSION, Entry, MOST_BEHIND_S, MOST_FRAMES, MOST_MANIFEST_BYTES, MOST_READING_BYTES};
use crate::clock::{Ticking, ticks};
use crate::fault::{Fault, Kind};
use crate::offer::{Store, region};

/// A plugin in memory.
pub(crate) struct Instance {
    store: wasmtime::Store<Store>,
    memory: Memory,
    functions: Functions,
    /// Where blocks are put, from `begin` on.
    buffer: Option<Range<usize>>,
    frames: u64,
    sample_rate_hz: f64,
    /// How long it has taken for all calls so far.
    spent: Duration,
    _ticking: Ticking,
}

#[derive(Clone)]
struct Functions {
    abi_version: TypedFunc<(), u32>,
    alloc: TypedFunc<u32, u32>,
    describe: TypedFunc<(), u64>,
    begin: TypedFunc<(u32, u32), u32>,
    feed: TypedFunc<(u32, u32, u32, u64, u32), u32>,
    reading: TypedFunc<(), u64>,
    finish: TypedFunc<(), u64>,
}

/// What a plugin says to a start.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Begun {
    /// It is ready.
    Ready,
    /// It refuses; its reading says why.
    Refused,
}

impl Instance {
    /// Puts a plugin into memory and asks for the version of its interface.
    pub(crate) fn new(prepared: &InstancePre<Store>, ticking: Ticking) -> Result<Self, Fault> {
        let limit = Entry::Initialize.limit_after(0.0);
        let mut store = wasmtime::Store::new(prepared.module().engine(), Store::new(limit));
        store.limiter(|store| store);
        store.set_epoch_deadline(ticks(limit));
        let instance = prepared.instantiate(&mut store).map_err(|error| {
            let words = format!("took longer than {:.2} s", limit.as_secs_f64());
            Fault::of_call(Entry::Initialize, &words, &error)
        })?;
        let Some(Extern::Memory(memory)) = instance.get_export(&mut store, "memory") else {
            return Err(Fault::new(Kind::Exports, "does not export its `memory`"));
        };
        let functions = Functions {
            abi_version: function(&instance, &mut store, Entry::AbiVersion, "() -> i32")?,
            alloc: function(&instance, &mut store, Entry::Alloc, "(i32) -> i32")?,
            describe: function(&instance, &mut store, Entry::Describe, "() -> i64")?,
            begin: function(&instance, &mut store, Entry::Begin, "(i32, i32) -> i32")?,
            feed: function(&instance, &mut store, Entry::Feed, "(i32, i32, i32, i64, i32) -> i32")?,
            reading: function(&instance, &mut store, Entry::Reading, "() -> i64")?,
            finish: function(&instance, &mut store, Entry::Finish, "() -> i64")?,
        };
        let initialize = instance.get_typed_func::<(), ()>(&mut store, Entry::Initialize.name()).ok();
        let mut this = Self {
            store,
            memory,
            functions,
            buffer: None,
            frames: 0,
            sample_rate_hz: f64::NAN,
            spent: Duration::ZERO,
            _ticking: ticking,
        };
        if let Some(initialize) = initialize {
            this.call(Entry::Initialize, &initialize, ())?;
        }
        let version = this.call(Entry::AbiVersion, &this.functions.abi_version.clone(), ())?;
        if version != ABI_VERSION {
            let age = if version < ABI_VERSION { "an older" } else { "a newer" };
            return Err(Fault::new(
                Kind::Abi,
                format!(
                    "was written for version {version} of the plugin interface, {age} one; this is version {ABI_VERSION}"
                ),
            ));
        }
        Ok(this)
    }

    /// The text by which it describes itself.
    pub(crate) fn describe(&mut self) -> Result<String, Fault> {
        let answer = self.call(Entry::Describe, &self.functions.describe.clone(), ())?;
        self.text(Entry::Describe, answer, MOST_MANIFEST_BYTES)
    }

    /// Starts a run: the lines of [`crate::start::encode`].
    pub(crate) fn begin(
        &mut self,
        lines: &str,
        channels: usize,
        sample_rate_hz: f64,
    ) -> Result<Begun, Fault> {
        self.sample_rate_hz = sample_rate_hz;
        let place = self.alloc(lines.len())?;
        let at = place.start as u32;
        self.memory.data_mut(&mut self.store)[place].copy_from_slice(lines.as_bytes());
        match self.call(Entry::Begin, &self.functions.begin.clone(), (at, lines.len() as u32))? {
            0 => {
                self.buffer = Some(self.alloc(channels * MOST_FRAMES * size_of::<f32>())?);
                Ok(Begun::Ready)
            }
            1 => Ok(Begun::Refused),
            other => Err(Fault::new(
                Kind::Answer,
                format!("returned {} from `begin`, which is neither 0 nor 1", other.cast_signed()),
            )),
        }
    }

    /// Feeds a block, in pieces where it is long.
    pub(crate) fn feed(&mut self, block: &Block<'_>) -> Result<Feed, Fault> {
        let mut first = 0;
        while first < block.frames() {
            let frames = (block.frames() - first).min(MOST_FRAMES);
            if self.feed_piece(block, first, frames)? == Feed::Enough {
                return Ok(Feed::Enough);
            }
            first += frames;
        }
        Ok(Feed::More)
    }

    fn feed_piece(&mut self, block: &Block<'_>, first: usize, frames: usize) -> Result<Feed, Fault> {
        let lost = || Fault::new(Kind::Answer, "has no place for a block");
        let buffer = self.buffer.clone().ok_or_else(lost)?;
        let at = buffer.start as u32;
        let bytes = self.memory.data_mut(&mut self.store).get_mut(buffer).ok_or_else(lost)?;
        let rows = bytes.chunks_exact_mut(frames * size_of::<f32>());
        for (row, channel) in rows.zip(block.channels) {
            for (place, sample) in row.chunks_exact_mut(size_of::<f32>()).zip(&channel[first..first + frames])
            {
                place.copy_from_slice(&sample.to_le_bytes());
            }
        }
        self.frames += frames as u64;
        let gap = u32::from(block.gap && first == 0);
        let arguments =
            (at, block.channels.len() as u32, frames as u32, block.first_frame + first as u64, gap);
        match self.call(Entry::Feed, &self.functions.feed.clone(), arguments)? {
            0 => Ok(Feed::More),
            1 => Ok(Feed::Enough),
            other => Err(Fault::new(
                Kind::Answer,
                format!("returned {} from `feed`, which is neither 0 nor 1", other.cast_signed()),
            )),
        }
    }

    /// The text of the reading so far.
    pub(crate) fn reading(&mut self) -> Result<String, Fault> {
        let answer = self.call(Entry::Reading, &self.functions.reading.clone(), ())?;
        self.text(Entry::Reading, answer, MOST_READING_BYTES)
    }

    /// The text of the final reading.
    pub(crate) fn finish(&mut self) -> Result<String, Fault> {
        let answer = self.call(Entry::Finish, &self.functions.finish.clone(), ())?;
        self.text(Entry::Finish, answer, MOST_READING_BYTES)
    }

    /// The lines that it has written to the log since the last time.
    pub(crate) fn log(&mut self) -> Vec<String> {
        std::mem::take(&mut self.store.data_mut().log)
    }

    fn alloc(&mut self, size: usize) -> Result<Range<usize>, Fault> {
        let at = self.call(Entry::Alloc, &self.functions.alloc.clone(), size as u32)?;
        if at == 0 {
            return Err(Fault::new(Kind::Memory, format!("had no memory for {size} bytes in `alloc`")));
        }
        if !at.is_multiple_of(8) {
            return Err(Fault::new(
                Kind::Answer,
                "returned a place from `alloc` that is not a multiple of 8",
            ));
        }
        region(at, size)
            .filter(|region| region.end <= self.memory.data_size(&self.store))
            .ok_or_else(|| Fault::new(Kind::Answer, "returned a place outside its own memory from `alloc`"))
    }

    /// The text that an answer points to: its place in the upper half, its length
    /// in the lower one.
    fn text(&self, entry: Entry, answer: u64, most: usize) -> Result<String, Fault> {
        let name = entry.name();
        let (at, length) = ((answer >> 32) as u32, (answer & 0xFFFF_FFFF) as usize);
        if length > most {
            return Err(Fault::new(
                Kind::Answer,
                format!("returned a text of {length} bytes from `{name}`; at most {most} are taken"),
            ));
        }
        let bytes =
            region(at, length).and_then(|region| self.memory.data(&self.store).get(region)).ok_or_else(
                || Fault::new(Kind::Answer, format!("returned a text outside its own memory from `{name}`")),
            )?;
        String::from_utf8(bytes.to_vec())
            .map_err(|_| Fault::new(Kind::Answer, format!("returned a text from `{name}` that is not UTF-8")))
    }

    fn call<P: WasmParams, R: WasmResults>(
        &mut self,
        entry: Entry,
        function: &TypedFunc<P, R>,
        arguments: P,
    ) -> Result<R, Fault> {
        let recorded_s = if self.frames == 0 { 0.0 } else { self.frames as f64 / self.sample_rate_hz };
        let own = entry.limit_after(recorded_s);
        // Each call may be in time, and an hour of sound would take a day nevertheless.
        let left = Duration::from_secs_f64(MOST_BEHIND_S + recorded_s).saturating_sub(self.spent);
        let behind = entry != Entry::Finish && left < own;
        let limit = if behind { left } else { own };
        self.store.set_epoch_deadline(ticks(limit));
        self.store.data_mut().begin(limit);
        let begun = Instant::now();
        let answer = function.call(&mut self.store, arguments);
        self.spent += begun.elapsed();
        answer.map_err(|error| {
            let too_long = if behind {
                format!("took {MOST_BEHIND_S:.2} s longer in all than the sound so far, the last of it")
            } else {
                format!("took longer than {:.2} s", own.as_secs_f64())
            };
            Fault::of_call(entry, &too_long, &error)
        })
    }
}

fn function<P: WasmParams, R: WasmResults>(
    instance: &wasmtime::Instance,
    store: &mut wasmtime::Store<Store>,
    entry: Entry,
    form: &str,
) -> Result<TypedFunc<P, R>, Fault> {
    instance.get_typed_func(store, entry.name()).map_err(|_| {
        Fault::new(
            Kind::Exports,
            format!("exports `{}` with other arguments or another result than {form}", entry.name()),
        )
    })
}
