//! The simulated cars.

use view::SimulatedCar;

/// The cars that a person may try.
pub(super) fn simulated_cars() -> Vec<SimulatedCar> {
    let cars = rig::cars().into_iter();
    cars.map(|(id, car)| SimulatedCar { id: id.to_owned(), name: car.name, about: car.description }).collect()
}
