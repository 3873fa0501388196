//! Nothing is allocated or freed while a preview runs and changes.
#![expect(unsafe_code, reason = "a global allocator is an unsafe trait")]

use std::alloc::{GlobalAlloc, Layout, System};
use std::cell::Cell;

use dsp::biquad::{Biquad, Cascade};
use preview::{Chain, ChannelSettings, Preview};

struct Counting;

thread_local! {
    static WATCHING: Cell<bool> = const { Cell::new(false) };
    static HITS: Cell<u64> = const { Cell::new(0) };
}

fn hit() {
    if WATCHING.get() {
        HITS.set(HITS.get() + 1);
    }
}

// SAFETY: every call is handed to the system's allocator as it came.
unsafe impl GlobalAlloc for Counting {
    unsafe fn alloc(&self, layout: Layout) -> *mut u8 {
        hit();
        // SAFETY: the caller keeps the contract of `GlobalAlloc`.
        unsafe { System.alloc(layout) }
    }

    unsafe fn dealloc(&self, pointer: *mut u8, layout: Layout) {
        hit();
        // SAFETY: the caller keeps the contract of `GlobalAlloc`.
        unsafe { System.dealloc(pointer, layout) }
    }

    unsafe fn realloc(&self, pointer: *mut u8, layout: Layout, size: usize) -> *mut u8 {
        hit();
        // SAFETY: the caller keeps the contract of `GlobalAlloc`.
        unsafe { System.realloc(pointer, layout, size) }
    }
}

#[global_allocator]
static ALLOCATOR: Counting = Counting;

fn count(work: impl FnOnce()) -> u64 {
    HITS.set(0);
    WATCHING.set(true);
    work();
    WATCHING.set(false);
    HITS.get()
}

/// The guard itself can fail.
#[test]
fn an_allocation_is_noticed() {
    assert_eq!(count(|| drop(std::hint::black_box(Box::new(1)))), 2);
}

#[test]
fn nothing_is_allocated_while_running() {
    let bands = |gain_db: f64| {
        let filters = (0..31).map(|i| {
            Biquad::peak(48_000.0, 20.0 * (f64::from(i) / 3.0).exp2(), gain_db, 4.3).expect("a peak")
        });
        let channel = ChannelSettings {
            filters: filters.collect::<Cascade>(),
            delay_s: 0.01,
            ..ChannelSettings::default()
        };
        Chain::prepare(48_000.0, &[channel.clone(), channel], true).expect("a chain")
    };
    let mut preview = Preview::new(bands(3.0));
    let (next, mut back) = (bands(-3.0), None);
    let mut block = vec![0.25f32; 2 * 512];
    let hits = count(|| {
        preview.process(&mut block);
        assert!(preview.switch(next).is_ok());
        for _ in 0..20 {
            preview.process(&mut block);
        }
        back = preview.retired();
    });
    assert!(back.is_some(), "the change is over");
    assert_eq!(hits, 0, "allocations and frees");
}
