//! Calls that may never return.

use std::sync::mpsc::sync_channel;
use std::thread;
use std::time::Duration;

/// Runs something on a helper thread and waits for so long at most; nothing when it has not
/// returned by then. The thread is then left behind: drivers have been seen to hang for ever.
pub(crate) fn within<T: Send + 'static>(
    limit: Duration,
    name: &str,
    work: impl FnOnce() -> T + Send + 'static,
) -> Option<T> {
    let (done, result) = sync_channel(1);
    let spawned = thread::Builder::new().name(name.to_owned()).spawn(move || {
        quietly();
        // Nobody waits any more when the limit has passed.
        let _ = done.send(work());
    });
    if let Err(error) = spawned {
        tracing::error!(%error, "no helper thread");
        return None;
    }
    result.recv_timeout(limit).ok()
}

/// Keeps ALSA's remarks of this thread off the person's terminal.
fn quietly() {
    #[cfg(target_os = "linux")]
    if let Err(error) = alsa::Output::local_error_handler() {
        tracing::debug!(%error, "ALSA keeps talking");
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_call_that_hangs_is_left_behind() {
        assert_eq!(within(Duration::from_secs(5), "quick", || 7), Some(7));
        let hung = within(Duration::from_millis(20), "hangs", || thread::sleep(Duration::from_secs(3)));
        assert_eq!(hung, None);
    }
}
