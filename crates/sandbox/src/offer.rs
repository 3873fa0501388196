//! What the host offers to a plugin: a line for the log and a Fourier transform,
//! and memory up to a limit.

use wasmtime::{Caller, Engine, Extern, Linker, ResourceLimiter};

use crate::abi::{HOST_MODULE, MOST_LOG_CHARS, MOST_LOG_LINES, MOST_MEMORY_BYTES, MOST_TABLE_ENTRIES};
use crate::fault::Refusal;
use crate::text::tamed;
use crate::transform::Transforms;

/// What the host keeps for one plugin in memory.
#[derive(Default)]
pub(crate) struct Store {
    pub(crate) log: Vec<String>,
    transforms: Transforms,
}

impl ResourceLimiter for Store {
    fn memory_growing(&mut self, _: usize, desired: usize, _: Option<usize>) -> wasmtime::Result<bool> {
        if desired > MOST_MEMORY_BYTES { Err(Refusal::Memory.into()) } else { Ok(true) }
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
    let (memory, store) = memory(&mut caller, "real_fft")?;
    let outside = Refusal::Outside("real_fft");
    let input = region(input, n * 8).filter(|region| region.end <= memory.len()).ok_or(outside)?;
    let output =
        region(output, (n / 2 + 1) * 16).filter(|region| region.end <= memory.len()).ok_or(outside)?;
    // The spectrum is written when the input has been read, so they may overlap.
    let mut spectrum = Vec::new();
    store.transforms.forward(&memory[input], n, |bins| {
        spectrum.reserve_exact(bins.len() * 16);
        for bin in bins {
            spectrum.extend_from_slice(&bin.re.to_le_bytes());
            spectrum.extend_from_slice(&bin.im.to_le_bytes());
        }
    });
    memory[output].copy_from_slice(&spectrum);
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
        Some(Extern::Memory(memory)) => Ok(memory.data_and_store_mut(caller)),
        _ => Err(Refusal::Outside(function).into()),
    }
}
