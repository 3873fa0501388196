//! The memory of the program.
#![expect(unsafe_code, reason = "a global allocator is an unsafe trait")]

use std::alloc::{GlobalAlloc, Layout, System};
use std::hint::black_box;

/// The system's allocator, which says in words that there is no more memory and ends the program in order. Rust's own way
/// is to abort with a line for programmers, wherever in the program or in a library it happens.
pub(crate) struct Spoken;

/// What the system gave; it does not return when it gave nothing.
fn given(pointer: *mut u8, bytes: usize) -> *mut u8 {
    if pointer.is_null() { cli::out_of_memory(bytes) } else { pointer }
}

// SAFETY: every call is handed to the system's allocator as it came, and what it gives is handed back.
unsafe impl GlobalAlloc for Spoken {
    unsafe fn alloc(&self, layout: Layout) -> *mut u8 {
        // SAFETY: the caller keeps the contract of `GlobalAlloc`.
        given(unsafe { System.alloc(layout) }, layout.size())
    }

    unsafe fn alloc_zeroed(&self, layout: Layout) -> *mut u8 {
        // SAFETY: the caller keeps the contract of `GlobalAlloc`.
        given(unsafe { System.alloc_zeroed(layout) }, layout.size())
    }

    unsafe fn dealloc(&self, pointer: *mut u8, layout: Layout) {
        // SAFETY: the caller keeps the contract of `GlobalAlloc`.
        unsafe { System.dealloc(pointer, layout) }
    }

    unsafe fn realloc(&self, pointer: *mut u8, layout: Layout, size: usize) -> *mut u8 {
        // SAFETY: the caller keeps the contract of `GlobalAlloc`.
        given(unsafe { System.realloc(pointer, layout, size) }, size)
    }
}

/// Makes the system's allocator keep up to 64 MB that was freed, where it is glibc's: of itself it gives back at once what lies
/// free beyond twice the largest block that was freed, and each page that is asked for again costs a fault, a tenth of a
/// sweep's analysis. A block that nobody writes into takes no memory.
pub(crate) fn keep_what_is_freed() {
    drop(black_box(Vec::<u8>::with_capacity(31 << 20)));
}
