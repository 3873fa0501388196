//! Running a car allocates and frees nothing, as its documentation promises.

use cabin::{Cabin, Car, Stick};
use testkit::{Counting, allocations};

#[global_allocator]
static ALLOCATOR: Counting = Counting;

#[test]
fn a_running_car_allocates_nothing() {
    assert_eq!(allocations(|| drop(std::hint::black_box(Box::new(1)))), 2, "the count does not work");
    for name in ["compact-hatch", "box-van"] {
        let car = Car::preset(name).unwrap();
        let mut cabin = Cabin::new(&car, 48_000.0).unwrap();
        let input = vec![0.1; 2 * 4_800];
        let mut output = vec![0.0; input.len()];
        assert_eq!(allocations(|| cabin.process(&input, &mut output)), 0, "{name}: at rest");

        let mut setup = car.setup();
        setup.engine_rpm = 1_500.0;
        setup.mains_hz = Some(50.0);
        setup.live_clock_ppm = 100.0;
        cabin.apply(&setup).unwrap();
        assert_eq!(allocations(|| cabin.process(&input, &mut output)), 0, "{name}: while a change is faded");

        let stick = Stick {
            sample_rate_hz: 44_100.0,
            samples: input.clone(),
            start_s: 0.0,
            clock_ppm: 30.0,
            repeat: true,
        };
        cabin.insert_stick(stick).unwrap();
        assert_eq!(allocations(|| cabin.process(&input, &mut output)), 0, "{name}: from a memory stick");
    }
}
