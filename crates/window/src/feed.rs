//! Brings the session's updates to the window, paced so that it never drowns.

use std::hash::{Hash, Hasher};
use std::sync::mpsc::{Receiver, RecvTimeoutError};
use std::sync::{Arc, Mutex};
use std::thread;
use std::time::{Duration, Instant};

use iced::Subscription;
use iced::futures::channel::mpsc;
use iced::futures::executor::block_on;
use iced::futures::{SinkExt, Stream};
use view::{Live, Update};

use crate::message::FromSession;

/// Live data reaches the window at most this often: what the software renderer
/// draws at well under one core.
const LIVE_EVERY: Duration = Duration::from_millis(50);
/// How long a cue stands.
const CUE_FOR: Duration = Duration::from_millis(2600);
/// How long good news stands; bad news stands until it is read.
const NEWS_FOR: Duration = Duration::from_secs(7);
/// How many messages may wait for the window before the feed waits itself.
const DEPTH: usize = 16;

/// The session's updates, to be subscribed to once.
#[derive(Debug, Clone)]
pub(crate) struct Feed(Arc<Mutex<Option<Receiver<Update>>>>);

impl Feed {
    pub(crate) fn new(updates: Receiver<Update>) -> Self {
        Self(Arc::new(Mutex::new(Some(updates))))
    }

    /// The subscription that carries them.
    pub(crate) fn subscription(&self) -> Subscription<FromSession> {
        Subscription::run_with(self.clone(), |feed| feed.stream())
    }

    fn stream(&self) -> impl Stream<Item = FromSession> + use<> {
        let (sender, receiver) = mpsc::channel(DEPTH);
        let updates = self.0.lock().ok().and_then(|mut updates| updates.take());
        if let Some(updates) = updates {
            let mut carrier = sender.clone();
            let thread = thread::Builder::new().name("window-updates".to_owned());
            if thread.spawn(move || carry(&updates, &mut carrier)).is_err() {
                // Without a thread the session cannot be heard, so it has ended
                // as far as this window is concerned. The queue is empty: this fits.
                let _ = sender.clone().try_send(FromSession::Ended);
            }
        }
        receiver
    }
}

impl Hash for Feed {
    fn hash<H: Hasher>(&self, state: &mut H) {
        Arc::as_ptr(&self.0).hash(state);
    }
}

fn carry(updates: &Receiver<Update>, sender: &mut mpsc::Sender<FromSession>) {
    let start = Instant::now();
    let mut pace = Pace::default();
    loop {
        let received = match pace.next_due(start.elapsed()) {
            Some(wait) => updates.recv_timeout(wait),
            None => updates.recv().map_err(|_| RecvTimeoutError::Disconnected),
        };
        let ended = match received {
            Ok(update) => {
                pace.take(update, start.elapsed());
                while let Ok(update) = updates.try_recv() {
                    pace.take(update, start.elapsed());
                }
                false
            }
            Err(RecvTimeoutError::Timeout) => false,
            Err(RecvTimeoutError::Disconnected) => true,
        };
        let mut ready = pace.ready(start.elapsed());
        if ended {
            ready.push(FromSession::Ended);
        }
        for message in ready {
            if block_on(sender.send(message)).is_err() {
                return;
            }
        }
        if ended {
            return;
        }
    }
}

/// Decides what goes on at which time; knows no clock.
#[derive(Debug, Default)]
struct Pace {
    waiting: Vec<FromSession>,
    live: Option<Live>,
    live_allowed: Duration,
    cue_over: Option<Duration>,
    news_over: Option<Duration>,
}

impl Pace {
    fn take(&mut self, update: Update, now: Duration) {
        match update {
            Update::Live(live) => {
                self.live = Some(live);
                return;
            }
            Update::Snapshot(_) => {
                self.waiting.retain(|m| !matches!(m, FromSession::Update(Update::Snapshot(_))));
            }
            Update::Now(_) => self.waiting.retain(|m| !matches!(m, FromSession::Update(Update::Now(_)))),
            Update::Cue(_) => self.cue_over = Some(now + CUE_FOR),
            Update::Notice { good: true, .. } => self.news_over = Some(now + NEWS_FOR),
            Update::Notice { good: false, .. } => {}
        }
        self.waiting.push(FromSession::Update(update));
    }

    fn ready(&mut self, now: Duration) -> Vec<FromSession> {
        let mut ready = std::mem::take(&mut self.waiting);
        if now >= self.live_allowed
            && let Some(live) = self.live.take()
        {
            self.live_allowed = now + LIVE_EVERY;
            ready.push(FromSession::Update(Update::Live(live)));
        }
        if self.cue_over.take_if(|at| now >= *at).is_some() {
            ready.push(FromSession::CueOver);
        }
        if self.news_over.take_if(|at| now >= *at).is_some() {
            ready.push(FromSession::NewsOver);
        }
        ready
    }

    /// How long until something is due by itself; `None` while nothing is, so
    /// that an idle window costs nothing.
    fn next_due(&self, now: Duration) -> Option<Duration> {
        let live = self.live.is_some().then_some(self.live_allowed);
        [live, self.cue_over, self.news_over].into_iter().flatten().min().map(|at| at.saturating_sub(now))
    }
}

#[cfg(test)]
mod tests {
    use iced::futures::StreamExt;
    use view::Cue;

    use super::*;

    fn ms(milliseconds: u64) -> Duration {
        Duration::from_millis(milliseconds)
    }

    fn live_count(messages: &[FromSession]) -> usize {
        messages.iter().filter(|m| matches!(m, FromSession::Update(Update::Live(_)))).count()
    }

    #[test]
    fn live_data_is_thinned_to_twenty_a_second_and_the_last_one_arrives() {
        let mut pace = Pace::default();
        let mut shown = 0;
        for time in 0..1000 {
            pace.take(Update::Live(Live::default()), ms(time));
            shown += live_count(&pace.ready(ms(time)));
        }
        assert_eq!(shown, 20);
        assert_eq!(pace.next_due(ms(1000)), Some(ms(0)));
        assert_eq!(live_count(&pace.ready(ms(1000))), 1);
        assert_eq!(pace.next_due(ms(1000)), None, "idle");
    }

    #[test]
    fn a_cue_and_good_news_end_by_themselves() {
        let mut pace = Pace::default();
        pace.take(Update::Cue(Cue { text: "Done".into(), good: true }), ms(0));
        pace.take(Update::Notice { text: "Written".into(), good: true, path: None }, ms(0));
        assert_eq!(pace.ready(ms(0)).len(), 2);
        assert_eq!(pace.next_due(ms(100)), Some(CUE_FOR - ms(100)));
        assert!(matches!(pace.ready(CUE_FOR)[..], [FromSession::CueOver]));
        assert!(matches!(pace.ready(NEWS_FOR)[..], [FromSession::NewsOver]));
        pace.take(Update::Notice { text: "Disk full".into(), good: false, path: None }, ms(0));
        pace.ready(ms(0));
        assert_eq!(pace.next_due(ms(0)), None, "bad news stays");
    }

    #[test]
    fn the_stream_carries_everything_and_tells_the_end() {
        let (link, session) = view::loose_link();
        let stream = Feed::new(link.updates).stream();
        session.updates.send(Update::Cue(Cue { text: "One".into(), good: true })).unwrap();
        drop(session);
        let messages: Vec<FromSession> = block_on(stream.collect());
        assert!(matches!(messages[..], [FromSession::Update(Update::Cue(_)), FromSession::Ended]));
    }
}
