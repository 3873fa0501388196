//! Memory that the system refuses.

use std::io::{self, Cursor, Write};
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread;
use std::time::Duration;

/// Whether the person wants a document on standard output.
static JSON: AtomicBool = AtomicBool::new(false);

/// Remembers how a refusal is to be told: when it comes there is no memory to find out.
pub(crate) fn tell_in_json(json: bool) {
    JSON.store(json, Ordering::Relaxed);
    // Its buffer is made now, for the same reason.
    let _ = io::stdout();
}

/// Says that `bytes` of memory were asked for and not given, and ends the program with status 2. What was recorded is on
/// disk by then. Nothing is allocated on the way.
pub fn out_of_memory(bytes: usize) -> ! {
    static SPEAKING: AtomicBool = AtomicBool::new(false);
    if SPEAKING.swap(true, Ordering::SeqCst) {
        // Another thread is saying it, or saying it is what failed.
        thread::sleep(Duration::from_millis(200));
    } else {
        let mut text = [0; 512];
        let text = written(&mut text, |text| message(text, bytes));
        // Where nobody listens there is nothing left to do.
        let _ = writeln!(io::stderr().lock(), "headrest: {text}");
        if JSON.load(Ordering::Relaxed) {
            let mut out = io::stdout().lock();
            let document = writeln!(
                out,
                "{{\n  \"error\": {{\n    \"kind\": \"input\",\n    \"text\": \"{text}\",\n    \"file\": null,\n    \"line\": null\n  }}\n}}"
            );
            let _ = document.and_then(|()| out.flush());
        }
    }
    signal_hook::low_level::exit(2)
}

fn message(mut text: &mut dyn Write, bytes: usize) -> io::Result<()> {
    write!(
        &mut text,
        "there is not enough memory: {} MB more were asked for, and the system gives none. Close other programs, raise the \
         limit where one is set (ulimit -v), or cut a long recording into shorter ones. What was recorded is kept.",
        bytes.div_ceil(1_000_000)
    )
}

/// What was written into `space`, as far as there was room.
fn written(space: &mut [u8], write: impl FnOnce(&mut dyn Write) -> io::Result<()>) -> &str {
    let mut cursor = Cursor::new(&mut *space);
    // What does not fit is cut.
    let _ = write(&mut cursor);
    let length = usize::try_from(cursor.position()).unwrap_or(0);
    std::str::from_utf8(&space[..length]).unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_message_fits_and_is_plain_in_json() {
        let mut space = [0; 512];
        let text = written(&mut space, |text| message(text, usize::MAX));
        assert!(text.ends_with("What was recorded is kept."), "{text}");
        assert_eq!(serde_json::to_string(text).unwrap(), format!("\"{text}\""));
    }
}
