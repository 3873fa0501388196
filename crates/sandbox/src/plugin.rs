//! A plugin that was compiled and has said what it is.

use std::fmt;
use std::sync::Arc;

use measure::{Finding, Manifest, StimulusWanted};
use wasmtime::InstancePre;

use crate::clock::Clock;
use crate::fault::Fault;
use crate::instance::Instance;
use crate::offer::Store;

/// A plugin, ready to be run any number of times, each time in a memory of its own.
#[derive(Clone)]
pub struct Plugin(Arc<Inner>);

struct Inner {
    clock: Arc<Clock>,
    prepared: InstancePre<Store>,
    manifest: Manifest,
    hash: String,
}

impl fmt::Debug for Plugin {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Plugin").field("id", &self.0.manifest.id).field("hash", &self.0.hash).finish()
    }
}

impl Plugin {
    pub(crate) fn new(
        clock: Arc<Clock>,
        prepared: InstancePre<Store>,
        manifest: Manifest,
        hash: String,
    ) -> Self {
        Self(Arc::new(Inner { clock, prepared, manifest, hash }))
    }

    /// What it says of itself.
    #[must_use]
    pub fn manifest(&self) -> &Manifest {
        &self.0.manifest
    }

    /// The same plugin, which asks for another stimulus: the host knows what stands
    /// behind a name.
    #[must_use]
    pub fn with_stimulus(&self, stimulus: StimulusWanted) -> Self {
        let manifest = Manifest { stimulus, ..self.0.manifest.clone() };
        let (clock, prepared) = (Arc::clone(&self.0.clock), self.0.prepared.clone());
        Self::new(clock, prepared, manifest, self.0.hash.clone())
    }

    /// The SHA-256 of its file, as 64 hexadecimal digits.
    #[must_use]
    pub fn hash(&self) -> &str {
        &self.0.hash
    }

    pub(crate) fn instance(&self) -> Result<Instance, Fault> {
        Instance::new(&self.0.prepared, self.0.clock.ticking())
    }

    /// A fault of it as a finding.
    pub(crate) fn finding(&self, fault: &Fault) -> Finding {
        fault.finding(&format!("`{}`", self.0.manifest.id))
    }

    /// A fault of it as a finding, while there is a recording.
    pub(crate) fn finding_of_run(&self, fault: &Fault) -> Finding {
        fault.finding_of_run(&format!("`{}`", self.0.manifest.id))
    }
}
