//! What a step costs: no allocation, and microseconds.
//!
//! The time is printed, not judged: it depends on the machine. Panics are test failures.

use lapwing_simulator::model::Model;
use lapwing_simulator::plant::Plant;
use lapwing_simulator::scenario::Scenario;
use std::time::Instant;

#[test]
fn a_step_of_the_model_allocates_nothing() {
    let mut model = Model::new(1);
    model.upset.utility_lost = true;
    model.upset.pump_tripped[0] = true;
    model.upset.fan_stopped[3] = true;
    model.upset.humid_air = true;
    let counted = allocation_counter::measure(|| {
        for _ in 0..2000 {
            model.step(0.05);
        }
    });
    assert_eq!(counted.count_total, 0);
}

#[test]
fn cards_and_scenario_allocate_nothing_while_nothing_appears() {
    let mut plant = Plant::new(&Scenario::named("calm").expect("a scenario of that name"), 1);
    plant.step(0.05, &mut |_| {});
    let counted = allocation_counter::measure(|| {
        for _ in 0..2000 {
            plant.step(0.05, &mut |_| {});
        }
    });
    assert_eq!(counted.count_total, 0);
}

#[test]
fn steps_a_second() {
    let mut plant = Plant::new(&Scenario::named("calm").expect("a scenario of that name"), 1);
    let mut model = Model::new(1);
    let steps = 20_000;
    let start = Instant::now();
    for _ in 0..steps {
        model.step(0.05);
    }
    let of_model = f64::from(steps) / start.elapsed().as_secs_f64();
    let start = Instant::now();
    for _ in 0..steps {
        plant.step(0.05, &mut |_| {});
    }
    let of_plant = f64::from(steps) / start.elapsed().as_secs_f64();
    println!(
        "model {of_model:.0} steps a second, with sensors and cards {of_plant:.0}: {:.0} times life",
        of_plant * 0.05
    );
    assert!(of_plant * 0.05 > 1.0, "faster than life");
}
