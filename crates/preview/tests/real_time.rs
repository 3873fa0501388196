//! Nothing is allocated or freed while a preview runs and changes.

use dsp::biquad::{Biquad, Cascade};
use preview::{Chain, ChannelSettings, Preview};
use testkit::{Counting, allocations};

#[global_allocator]
static ALLOCATOR: Counting = Counting;

/// The guard itself can fail.
#[test]
fn an_allocation_is_noticed() {
    assert_eq!(allocations(|| drop(std::hint::black_box(Box::new(1)))), 2);
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
    let hits = allocations(|| {
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
