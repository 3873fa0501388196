//! Running a car allocates nothing, as its documentation promises.

use std::alloc::{GlobalAlloc, Layout, System};
use std::cell::Cell;

use cabin::{Cabin, Car, Stick};

thread_local! {
    static ARMED: Cell<bool> = const { Cell::new(false) };
    static HITS: Cell<u32> = const { Cell::new(0) };
}

/// Counts what the armed thread allocates.
struct Counting;

#[expect(unsafe_code, reason = "an allocator cannot be written without")]
// SAFETY: every call goes on to the system's allocator unchanged.
unsafe impl GlobalAlloc for Counting {
    unsafe fn alloc(&self, layout: Layout) -> *mut u8 {
        if ARMED.get() {
            HITS.set(HITS.get() + 1);
        }
        // SAFETY: the caller's promises are passed on.
        unsafe { System.alloc(layout) }
    }

    unsafe fn dealloc(&self, pointer: *mut u8, layout: Layout) {
        // SAFETY: the caller's promises are passed on.
        unsafe { System.dealloc(pointer, layout) }
    }
}

#[global_allocator]
static ALLOCATOR: Counting = Counting;

fn hits(work: impl FnOnce()) -> u32 {
    HITS.set(0);
    ARMED.set(true);
    work();
    ARMED.set(false);
    HITS.get()
}

#[test]
fn a_running_car_allocates_nothing() {
    assert_eq!(hits(|| drop(std::hint::black_box(Box::new(1)))), 1, "the count does not work");
    for name in ["compact-hatch", "box-van"] {
        let car = Car::preset(name).unwrap();
        let mut cabin = Cabin::new(&car, 48_000.0).unwrap();
        let input = vec![0.1; 2 * 4_800];
        let mut output = vec![0.0; input.len()];
        assert_eq!(hits(|| cabin.process(&input, &mut output)), 0, "{name}: at rest");

        let mut setup = car.setup();
        setup.engine_rpm = 1_500.0;
        setup.mains_hz = Some(50.0);
        setup.live_clock_ppm = 100.0;
        cabin.apply(&setup).unwrap();
        assert_eq!(hits(|| cabin.process(&input, &mut output)), 0, "{name}: while a change is faded");

        let stick = Stick {
            sample_rate_hz: 44_100.0,
            samples: input.clone(),
            start_s: 0.0,
            clock_ppm: 30.0,
            repeat: true,
        };
        cabin.insert_stick(stick).unwrap();
        assert_eq!(hits(|| cabin.process(&input, &mut output)), 0, "{name}: from a memory stick");
    }
}
