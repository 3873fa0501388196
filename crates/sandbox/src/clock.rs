//! The clock by which a plugin's time is limited: a thread that moves the
//! engine's epoch on while any plugin is in memory, and sleeps otherwise.

use std::sync::{Arc, Condvar, Mutex, PoisonError};
use std::time::{Duration, Instant};

use wasmtime::Engine;

/// The time between two ticks. A limit is kept to within one of them.
const TICK: Duration = Duration::from_millis(5);

/// How many ticks are at least so long.
pub(crate) fn ticks(limit: Duration) -> u64 {
    u64::try_from(limit.as_millis().div_ceil(TICK.as_millis())).unwrap_or(u64::MAX).saturating_add(1)
}

/// The clock of one engine; its thread ends when the clock is dropped.
#[derive(Debug)]
pub(crate) struct Clock(Arc<Shared>);

#[derive(Debug, Default)]
struct Shared {
    state: Mutex<State>,
    changed: Condvar,
}

#[derive(Debug, Default)]
struct State {
    /// How many plugins are in memory.
    users: usize,
    /// Whether the clock was dropped.
    over: bool,
}

/// While this lives, the clock ticks.
#[derive(Debug)]
pub(crate) struct Ticking(Arc<Shared>);

impl Clock {
    /// Starts the thread.
    ///
    /// # Errors
    /// When the system has no thread to give.
    pub(crate) fn new(engine: Engine) -> std::io::Result<Self> {
        let shared = Arc::new(Shared::default());
        let theirs = Arc::clone(&shared);
        std::thread::Builder::new().name("sandbox-clock".to_owned()).spawn(move || tick(&theirs, &engine))?;
        Ok(Self(shared))
    }

    /// Lets the clock tick.
    pub(crate) fn ticking(&self) -> Ticking {
        self.0.change(|state| state.users += 1);
        Ticking(Arc::clone(&self.0))
    }
}

impl Shared {
    fn change(&self, change: impl FnOnce(&mut State)) {
        change(&mut self.state.lock().unwrap_or_else(PoisonError::into_inner));
        self.changed.notify_all();
    }
}

impl Drop for Ticking {
    fn drop(&mut self) {
        self.0.change(|state| state.users -= 1);
    }
}

impl Drop for Clock {
    fn drop(&mut self) {
        self.0.change(|state| state.over = true);
    }
}

fn tick(shared: &Shared, engine: &Engine) {
    loop {
        let state = shared.state.lock().unwrap_or_else(PoisonError::into_inner);
        let state = shared
            .changed
            .wait_while(state, |state| state.users == 0 && !state.over)
            .unwrap_or_else(PoisonError::into_inner);
        if state.over {
            return;
        }
        drop(state);
        // A thread that wakes up late makes up for it, so that limits are kept on
        // a machine with much else to do.
        let slept = Instant::now();
        std::thread::sleep(TICK);
        for _ in 0..(slept.elapsed().as_micros() / TICK.as_micros()).max(1) {
            engine.increment_epoch();
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_limit_is_never_cut_short() {
        // The first tick may come at once, so one more than fits is needed.
        assert_eq!(ticks(Duration::from_millis(5)), 2);
        assert_eq!(ticks(Duration::from_millis(6)), 3);
        assert_eq!(ticks(Duration::from_millis(500)), 101);
        assert_eq!(ticks(Duration::MAX), u64::MAX);
    }
}
