//! The engine's tests count what is allocated.

use testkit::{Counting, allocations};

#[global_allocator]
static ALLOCATOR: Counting = Counting;

/// The guard itself can fail.
#[test]
fn an_allocation_is_noticed() {
    assert_eq!(allocations(|| {}), 0);
    assert_eq!(allocations(|| drop(std::hint::black_box(Box::new(1)))), 2);
}
