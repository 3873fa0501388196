//! Opens the window on invented data, so that it can be looked at:
//! `cargo run -p window --example gallery -- tune [daylight] [WIDTHxHEIGHT]`.
//! Without a name it shows every scene for three seconds, for ever.
//! `live` plays a moving spectrum, `live20` twenty of them, thirty times a second.

#[path = "../tests/screens/sample/mod.rs"]
#[expect(dead_code, reason = "the tests use more of it")]
mod sample;

use std::sync::Arc;
use std::thread;
use std::time::Duration;

use view::{Command, LooseEnd, Update};
use window::{Options, Theme};

fn main() -> Result<(), String> {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let mut options = Options::default();
    let mut wanted = None;
    for word in &words {
        let size = word.split_once('x').and_then(|(w, h)| Some((w.parse().ok()?, h.parse().ok()?)));
        match (word.as_str(), size) {
            (_, Some(size)) => options.size = size,
            ("daylight", _) => options.theme = Theme::Daylight,
            (name, _) => wanted = Some(name.to_owned()),
        }
    }
    let (link, session) = view::loose_link();
    let play = move || pretend(&session, wanted.as_deref());
    let session = thread::Builder::new().name("pretend-session".to_owned()).spawn(play);
    window::run(link, options).map_err(|error| error.to_string())?;
    if let Ok(session) = session {
        let _ = session.join();
    }
    Ok(())
}

/// Plays the session until the window closes.
fn pretend(session: &LooseEnd, wanted: Option<&str>) {
    let closed = |wait: Duration| {
        matches!(
            session.commands.recv_timeout(wait),
            Ok(Command::Close) | Err(std::sync::mpsc::RecvTimeoutError::Disconnected)
        )
    };
    let mut revision = 0;
    let mut show = |updates: Vec<Update>| {
        for update in updates {
            let update = match update {
                Update::Snapshot(snapshot) => {
                    revision += 1;
                    Update::Snapshot(Arc::new(view::Snapshot { revision, ..(*snapshot).clone() }))
                }
                other => other,
            };
            let _ = session.updates.send(update);
        }
    };
    if let Some(count) = match wanted {
        Some("live") => Some(1),
        Some("live20") => Some(20),
        _ => None,
    } {
        show(vec![Update::Snapshot(Arc::new(sample::tune()))]);
        for tick in 0.. {
            let lines = (0..count).map(|curve| sample::live_spectrum(tick + curve)).collect();
            let live = view::Live { lines, ..view::Live::default() };
            let _ = session.updates.try_send(Update::Live(live));
            if closed(Duration::from_millis(33)) {
                return;
            }
        }
    }
    loop {
        for scene in sample::scenes() {
            if wanted.is_some_and(|name| name != scene.name) {
                continue;
            }
            show(scene.updates);
            let wait = if wanted.is_some() { Duration::from_secs(3600) } else { Duration::from_secs(3) };
            if closed(wait) {
                return;
            }
        }
    }
}
