//! The pictures of all faces, and what the job keeps
//! of results. One thread computes, one state at a time; the latest wish waits, and until it is answered
//! every face shows its last complete picture.

use std::sync::Arc;
use std::sync::mpsc::{Receiver, SyncSender, TrySendError, sync_channel};

use procedure::Change;
use view::{FaceState, Update};

use super::derivation::Derivation;

/// The number of a face.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct FaceId(pub(super) u64);

/// What is to be computed: what each face sees of this state.
pub(super) struct Wish {
    pub(super) derivation: Derivation,
    pub(super) faces: Vec<(FaceId, SyncSender<Update>, FaceState)>,
    /// What the face looks at that began what runs.
    pub(super) run_face: FaceState,
    /// Takes the answer.
    pub(super) answer: Box<dyn FnOnce(Derived) + Send>,
}

/// What was computed.
#[derive(Debug)]
pub(super) struct Derived {
    /// Of which state.
    pub(super) revision: u64,
    /// The faces whose picture did not fit: they lag, and it is tried again.
    pub(super) lagging: Vec<FaceId>,
    /// What the job keeps.
    pub(super) results: Vec<Change>,
    /// What is taken off a response that is being measured, so that it lies where it will lie.
    pub(super) live_offset_db: Option<f64>,
}

/// Begins the thread that computes, and gives the way to it. It ends when that way is dropped.
pub(super) fn deriver() -> SyncSender<Wish> {
    let (to, wishes) = sync_channel(1);
    let thread = std::thread::Builder::new().name("app-derive".to_owned());
    if let Err(error) = thread.spawn(move || derive_all(&wishes)) {
        tracing::error!(%error, "no thread for what is shown");
    }
    to
}

fn derive_all(wishes: &Receiver<Wish>) {
    while let Ok(Wish { mut derivation, faces, run_face, answer }) = wishes.recv() {
        let mut lagging = Vec::new();
        for (id, updates, face) in faces {
            derivation = derivation.seen_by(face);
            let snapshot = Update::Snapshot(Arc::new(derivation.snapshot()));
            // A full queue means that the face lags.
            if let Err(TrySendError::Full(_)) = updates.try_send(snapshot) {
                lagging.push(id);
            }
        }
        let derivation = derivation.seen_by(run_face);
        answer(Derived {
            revision: derivation.revision,
            lagging,
            results: derivation.results(),
            live_offset_db: derivation.live_offset_db(),
        });
    }
}
