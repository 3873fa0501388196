//! The place where plugins run: one engine, one clock, and what was compiled.

use std::collections::HashMap;
use std::fmt;
use std::sync::{Arc, Mutex, PoisonError};

use measure::Finding;
use sha2::{Digest, Sha256};
use wasmtime::{Config, Engine, Linker, Module};

use crate::abi::MOST_STACK_BYTES;
use crate::clock::Clock;
use crate::fault::{Fault, Kind};
use crate::instance::Instance;
use crate::manifest;
use crate::offer::{self, Store};
use crate::plugin::Plugin;
use crate::vet::vet;

/// How many compiled plugins are kept; a program meets a handful.
const MOST_KEPT: usize = 64;

/// Compiles plugins and holds them to their limits. It may be shared between
/// threads, and one is enough for a program.
#[derive(Clone)]
pub struct Sandbox(Arc<Inner>);

struct Inner {
    engine: Engine,
    linker: Linker<Store>,
    clock: Arc<Clock>,
    /// What was compiled, by the hash of its file. It lives in memory alone: see
    /// `docs/measurements.md` for why nothing compiled is kept on disk.
    compiled: Mutex<HashMap<String, Plugin>>,
}

impl fmt::Debug for Sandbox {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Sandbox").finish_non_exhaustive()
    }
}

impl Sandbox {
    /// Makes one.
    ///
    /// # Errors
    /// When this machine cannot run WebAssembly, or has no thread to give.
    pub fn new() -> Result<Self, Finding> {
        let unfit = |why: String| {
            Finding::stop(
                "plugins-unavailable",
                format!("Plugins cannot be run on this machine: {why}. The built-in measurements can."),
            )
        };
        let mut config = Config::new();
        config
            .epoch_interruption(true)
            .max_wasm_stack(MOST_STACK_BYTES)
            .wasm_memory64(false)
            .wasm_multi_memory(false)
            // What is relaxed may differ between processors, and the same
            // recording must give the same reading everywhere.
            .wasm_relaxed_simd(false)
            .cranelift_nan_canonicalization(true);
        let engine = Engine::new(&config).map_err(|error| unfit(error.to_string()))?;
        let linker = offer::linker(&engine).map_err(|error| unfit(error.to_string()))?;
        let clock = Clock::new(engine.clone()).map_err(|error| unfit(error.to_string()))?;
        let clock = Arc::new(clock);
        Ok(Self(Arc::new(Inner { engine, linker, clock, compiled: Mutex::default() })))
    }

    /// Compiles a plugin and asks it what it is. A file that was seen before is
    /// not compiled again.
    ///
    /// # Errors
    /// What is wrong with it, as a finding; `who` names it there, for example by
    /// the path of its file.
    pub fn load(&self, bytes: &[u8], who: &str) -> Result<Plugin, Finding> {
        let hash = hash(bytes);
        if let Some(plugin) = self.kept().get(&hash) {
            return Ok(plugin.clone());
        }
        let plugin = self.compile(bytes, hash.clone()).map_err(|fault| fault.finding(who))?;
        let mut kept = self.kept();
        if kept.len() >= MOST_KEPT {
            kept.clear();
        }
        kept.insert(hash, plugin.clone());
        Ok(plugin)
    }

    fn kept(&self) -> std::sync::MutexGuard<'_, HashMap<String, Plugin>> {
        self.0.compiled.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn compile(&self, bytes: &[u8], hash: String) -> Result<Plugin, Fault> {
        vet(bytes)?;
        let module = Module::from_binary(&self.0.engine, bytes).map_err(|error| {
            let why = crate::text::tamed(&error.to_string(), 120);
            Fault::new(Kind::Unreadable, format!("cannot be compiled: {why}"))
        })?;
        let prepared = self.0.linker.instantiate_pre(&module).map_err(|error| {
            let why = crate::text::tamed(&error.to_string(), 120);
            Fault::new(Kind::Imports, format!("asks for a function of the host in another form: {why}"))
        })?;
        let mut instance = Instance::new(&prepared, self.0.clock.ticking())?;
        let described = instance.describe()?;
        let manifest = manifest::decode(&described)
            .map_err(|why| Fault::new(Kind::Manifest, format!("has a manifest that {why}")))?;
        Ok(Plugin::new(Arc::clone(&self.0.clock), prepared, manifest, hash))
    }
}

/// The SHA-256 of a file, as 64 hexadecimal digits.
fn hash(bytes: &[u8]) -> String {
    Sha256::digest(bytes).iter().map(|byte| format!("{byte:02x}")).collect()
}

#[cfg(test)]
mod tests {
    #[test]
    fn the_hash_is_that_of_the_standard() {
        // Source: FIPS 180-4, the example "abc" of NIST's SHA-256 test vectors.
        assert_eq!(super::hash(b"abc"), "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
    }
}
