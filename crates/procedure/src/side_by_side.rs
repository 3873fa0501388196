//! The same work on many things, several at a time.

use std::num::NonZero;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::mpsc::sync_channel;
use std::thread;

/// How many at a time: a reading of a long track takes 100 MB, and an import of an hour is to stay below 300.
const MOST: usize = 2;

/// Works on each item, two at a time where the machine has two cores, and hands over what came of each, in
/// the order of the items. When `take` fails, what has not been begun is not begun any more.
///
/// # Errors
/// As `take`.
pub(crate) fn in_order<T: Sync, R: Send, E>(
    items: &[T],
    work: impl Fn(&T) -> R + Sync,
    take: impl FnMut(usize, R) -> Result<(), E>,
) -> Result<(), E> {
    let cores = thread::available_parallelism().map_or(1, NonZero::get);
    on_threads(cores.min(MOST), items, work, take)
}

fn on_threads<T: Sync, R: Send, E>(
    threads: usize,
    items: &[T],
    work: impl Fn(&T) -> R + Sync,
    mut take: impl FnMut(usize, R) -> Result<(), E>,
) -> Result<(), E> {
    let next = AtomicUsize::new(0);
    let (outbox, results) = sync_channel(items.len());
    let begin = || {
        let index = next.fetch_add(1, Ordering::Relaxed);
        items.get(index).map(|item| (index, work(item)))
    };
    thread::scope(|scope| {
        // One item needs no other thread, and where none can be started this one does the work.
        for _ in 0..threads.min(items.len()).saturating_sub(1) {
            let (begin, outbox) = (&begin, outbox.clone());
            let worker = thread::Builder::new().name("procedure-work".to_owned());
            let _ = worker.spawn_scoped(scope, move || {
                // Nobody takes what comes after a failure.
                while let Some(done) = begin()
                    && outbox.send(done).is_ok()
                {}
            });
        }
        drop(outbox);
        let mut early: Vec<Option<R>> = items.iter().map(|_| None).collect();
        let mut taken = 0;
        while taken < items.len() {
            // What another thread has done, else an item of its own, else what another thread is about to finish.
            let done = results.try_recv().ok().or_else(&begin).or_else(|| results.recv().ok());
            let Some((index, result)) = done else { break };
            early[index] = Some(result);
            while let Some(result) = early.get_mut(taken).and_then(Option::take) {
                if let Err(error) = take(taken, result) {
                    next.store(items.len(), Ordering::Relaxed);
                    return Err(error);
                }
                taken += 1;
            }
        }
        Ok(())
    })
}

#[cfg(test)]
mod tests {
    use std::time::Duration;

    use super::*;

    #[test]
    fn everything_is_done_once_and_handed_over_in_order() {
        for threads in [0, 1, 2, 4] {
            for count in [0_u64, 1, 2, 37] {
                let items: Vec<u64> = (0..count).collect();
                let begun = AtomicUsize::new(0);
                let mut taken = Vec::new();
                let work = |item: &u64| {
                    begun.fetch_add(1, Ordering::Relaxed);
                    // The first ones take longest.
                    thread::sleep(Duration::from_millis(if *item < 3 { 5 } else { 0 }));
                    item * item
                };
                on_threads(threads, &items, work, |index, square| {
                    taken.push((index as u64, square));
                    Ok::<(), ()>(())
                })
                .unwrap();
                assert_eq!(taken, items.iter().map(|item| (*item, item * item)).collect::<Vec<_>>());
                assert_eq!(begun.load(Ordering::Relaxed), items.len());
            }
        }
    }

    #[test]
    fn a_failure_ends_the_work() {
        let items: Vec<u32> = (0..10_000).collect();
        let begun = AtomicUsize::new(0);
        let work = |item: &u32| {
            begun.fetch_add(1, Ordering::Relaxed);
            thread::sleep(Duration::from_micros(50));
            *item
        };
        let outcome = on_threads(4, &items, work, |_, item| if item == 3 { Err("enough") } else { Ok(()) });
        assert_eq!(outcome, Err("enough"));
        assert!(begun.load(Ordering::Relaxed) < items.len());
    }
}
