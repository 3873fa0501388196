//! What the host offers to a plugin: a line for the log and a Fourier transform,
//! and memory up to a limit. What the host does for a plugin is done in the plugin's
//! own time.

use std::time::{Duration, Instant};

use wasmtime::{Caller, Engine, Extern, Linker, ResourceLimiter};

use crate::abi::{HOST_MODULE, MOST_LOG_CHARS, MOST_LOG_LINES, MOST_MEMORY_BYTES, MOST_TABLE_ENTRIES};
use crate::fault::Refusal;
use crate::text::tamed;
use crate::transform::Transforms;

/// What the host keeps for one plugin in memory.
pub(crate) struct Store {
    pub(crate) log: Vec<String>,
    transforms: Transforms,
    /// When the call that is being made must have ended. The engine's clock looks at
    /// entries of functions and at loops alone, and a function without a loop may call
    /// the host ten thousand times.
    until: Instant,
    /// Whether the memory that was asked for last is within what the plugin itself
    /// declares as its most.
    within_its_own: bool,
}

impl Store {
    /// For a plugin whose first call may take so long.
    pub(crate) fn new(limit: Duration) -> Self {
        let transforms = Transforms::default();
        Self { log: Vec::new(), transforms, until: Instant::now() + limit, within_its_own: true }
    }

    /// Begins a call that may take so long.
    pub(crate) fn begin(&mut self, limit: Duration) {
        self.until = Instant::now() + limit;
    }

    fn in_time(&self) -> Result<(), Refusal> {
        if Instant::now() < self.until { Ok(()) } else { Err(Refusal::Time) }
    }
}

impl ResourceLimiter for Store {
    fn memory_growing(&mut self, _: usize, desired: usize, most: Option<usize>) -> wasmtime::Result<bool> {
        self.within_its_own = most.is_none_or(|most| desired <= most);
        if desired > MOST_MEMORY_BYTES { Err(Refusal::Memory.into()) } else { Ok(true) }
    }

    fn memory_grow_failed(&mut self, _: wasmtime::Error) -> wasmtime::Result<()> {
        // Beyond its own most, the plugin is told so and goes on.
        if self.within_its_own { Err(Refusal::Machine.into()) } else { Ok(()) }
    }

    fn table_growing(&mut self, _: usize, desired: usize, _: Option<usize>) -> wasmtime::Result<bool> {
        if desired > MOST_TABLE_ENTRIES { Err(Refusal::Table.into()) } else { Ok(true) }
    }

    fn instances(&self) -> usize {
        1
    }

    fn memories(&self) -> usize {
        1
    }

    fn tables(&self) -> usize {
        4
    }
}

/// The functions that a plugin may import.
pub(crate) fn linker(engine: &Engine) -> wasmtime::Result<Linker<Store>> {
    let mut linker = Linker::new(engine);
    linker.func_wrap(HOST_MODULE, "log", log)?;
    linker.func_wrap(HOST_MODULE, "real_fft", real_fft)?;
    Ok(linker)
}

/// `log(at: i32, length: i32)`: a line of UTF-8 for the log.
fn log(mut caller: Caller<'_, Store>, at: u32, length: u32) -> wasmtime::Result<()> {
    let (memory, store) = memory(&mut caller, "log")?;
    let line = region(at, length as usize).and_then(|region| memory.get(region));
    let line = line.ok_or(Refusal::Outside("log"))?;
    if store.log.len() < MOST_LOG_LINES {
        // Four bytes a character at the most.
        let start = &line[..line.len().min(4 * MOST_LOG_CHARS)];
        store.log.push(tamed(&String::from_utf8_lossy(start), MOST_LOG_CHARS));
    }
    Ok(())
}

/// `real_fft(input: i32, n: i32, output: i32) -> i32`: n numbers (f64) in, n/2 + 1
/// complex numbers (pairs of f64) out; 0 when it was done, 1 for a length that is
/// not offered.
fn real_fft(mut caller: Caller<'_, Store>, input: u32, n: u32, output: u32) -> wasmtime::Result<u32> {
    let n = n as usize;
    if !Transforms::offers(n) {
        return Ok(1);
    }
    if !Transforms::fits(n) {
        return Err(Refusal::Memory.into());
    }
    let (memory, store) = memory(&mut caller, "real_fft")?;
    let outside = Refusal::Outside("real_fft");
    let input = region(input, n * 8).filter(|region| region.end <= memory.len()).ok_or(outside)?;
    let output =
        region(output, (n / 2 + 1) * 16).filter(|region| region.end <= memory.len()).ok_or(outside)?;
    // The spectrum is written when the input has been read, so they may overlap.
    let spectrum = store.transforms.forward(&memory[input], n);
    for (place, bin) in memory[output].chunks_exact_mut(16).zip(spectrum) {
        place[..8].copy_from_slice(&bin.re.to_le_bytes());
        place[8..].copy_from_slice(&bin.im.to_le_bytes());
    }
    store.in_time()?;
    Ok(0)
}

/// A stretch of a plugin's memory.
pub(crate) fn region(at: u32, length: usize) -> Option<std::ops::Range<usize>> {
    let at = at as usize;
    Some(at..at.checked_add(length)?)
}

fn memory<'a>(
    caller: &'a mut Caller<'_, Store>,
    function: &'static str,
) -> wasmtime::Result<(&'a mut [u8], &'a mut Store)> {
    match caller.get_export("memory") {
        Some(Extern::Memory(memory)) => {
            let (memory, store) = memory.data_and_store_mut(caller);
            store.in_time()?;
            Ok((memory, store))
        }
        _ => Err(Refusal::Outside(function).into()),
    }
}
