//! An allocator that counts what one thread allocates while it is told to watch.
#![expect(unsafe_code, reason = "a global allocator is an unsafe trait")]

use std::alloc::{GlobalAlloc, Layout, System};
use std::cell::Cell;

/// The system's allocator, counted. It counts where a test makes it the global one:
///
/// ```
/// #[global_allocator]
/// static ALLOCATOR: testkit::Counting = testkit::Counting;
///
/// assert_eq!(testkit::allocations(|| drop(std::hint::black_box(Box::new(1)))), 2);
/// ```
#[derive(Debug, Clone, Copy)]
pub struct Counting;

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

/// How often `work` allocated, freed or moved memory on this thread. Without
/// [`Counting`] as the global allocator it is always 0, so a test checks first that
/// an allocation is noticed.
pub fn allocations(work: impl FnOnce()) -> u64 {
    HITS.set(0);
    WATCHING.set(true);
    work();
    WATCHING.set(false);
    HITS.get()
}
