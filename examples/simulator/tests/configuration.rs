//! The demo's configuration fits the simulated module: every address is there, every scale is right, calm is quiet.
//!
//! Without sockets; reads the banks through the maps. Panics are test failures.

mod maps;

use lapwing_simulator::plant::Plant;
use lapwing_simulator::scenario::Scenario;
use maps::{Mapped, Seen, file, list, number, points, text};
use toml::{Table, Value};

fn plant(name: &str, seed: u64) -> Plant {
    Plant::new(&Scenario::named(name).expect("a scenario of that name"), seed)
}

fn run(plant: &mut Plant, seconds: f64) {
    let until = plant.time_s() + seconds;
    while plant.time_s() < until - 1e-6 {
        plant.step(0.05, &mut |_| {});
    }
}

#[test]
fn every_mapped_address_is_in_its_bank_and_every_device_is_configured() {
    let plant = plant("calm", 1);
    let links = plant.links();
    let all = points(&links);
    assert!(all.len() > 1000, "{} points", all.len());
    for point in &all {
        let Seen::Value(value) = point.read(&links) else { panic!("{} shows nothing", point.path) };
        if let Some([low, high]) = point.point.get("valid").and_then(Value::as_array).map(Vec::as_slice) {
            let bound = |v: &Value| v.as_float().or_else(|| v.as_integer().map(|i| i as f64)).expect("a number");
            assert!((bound(low)..=bound(high)).contains(&value), "{}: {value} is not valid", point.path);
        }
        if point.point.contains_key("names") {
            point.state(&links);
        }
    }
    let devices: usize = links.iter().map(|l| l.devices.len()).sum();
    assert_eq!(list(&file("module.toml"), "device").len(), devices, "every device of the module is configured");
    let mut paths: Vec<_> = all.iter().map(|p| &p.path).collect();
    paths.sort();
    paths.dedup();
    assert_eq!(paths.len(), all.len(), "no path twice");
}

#[test]
fn what_the_maps_read_is_what_is_true() {
    let mut plant = plant("calm", 3);
    run(&mut plant, 20.0);
    let links = plant.links();
    let mut compared = 0;
    for point in points(&links) {
        let Some(truth) = plant.truth().get(&point.path) else { continue };
        let Seen::Value(value) = point.read(&links) else { panic!("{} shows nothing", point.path) };
        // Sensors stand 0.2 K left and right of the mean, cards round; a wrong scale or word order is far beyond.
        let most = 0.4 + 0.01 * truth.abs();
        assert!((value - truth).abs() <= most, "{}: shows {value}, true {truth}", point.path);
        compared += 1;
    }
    assert!(compared > 170, "{compared} points compared");
}

#[test]
fn about_eight_hundred_points_a_second_are_due() {
    let plant = plant("calm", 1);
    let period = |point: &Mapped| {
        let by_default = match text(&point.point, "quantity").expect("quantity") {
            "energy" => 60.0,
            "relative_humidity" => 10.0,
            "count" | "time" | "charge_level" => 5.0,
            _ => 1.0,
        };
        text(&point.point, "scan_period").map_or(by_default, |written| match written.strip_suffix("ms") {
            Some(ms) => ms.parse::<f64>().expect("ms") / 1000.0,
            None => written.trim_end_matches('s').parse().expect("s"),
        })
    };
    let due: f64 = points(&plant.links()).iter().map(|p| 1.0 / period(p)).sum();
    assert!((700.0..900.0).contains(&due), "{due} a second");
}

/// A condition of the configuration, laid over the points by its pattern; rates and delays left out.
struct Watch {
    id: String,
    point: Mapped,
    alarm: Table,
}

fn watches(plant: &Plant) -> Vec<Watch> {
    let links = plant.links();
    let mut all = Vec::new();
    for alarm in list(&file("module.toml"), "alarm") {
        // Some conditions watch many points together; they are judged by the agent's own tests.
        let Some(point) = text(&alarm, "point") else { continue };
        let pattern: Vec<_> = point.split('/').collect();
        for point in points(&links) {
            let parts: Vec<_> = point.path.split('/').collect();
            let fits = pattern.len() == parts.len()
                && pattern.iter().zip(&parts).all(|(p, part)| p.starts_with('{') || *p == "*" || p == part);
            if fits {
                let mut id = text(&alarm, "id").expect("id").to_owned();
                for (p, part) in pattern.iter().zip(&parts) {
                    id = id.replace(*p, if p.starts_with('{') { part } else { p });
                }
                all.push(Watch { id, point, alarm: alarm.clone() });
            }
        }
    }
    all
}

impl Watch {
    /// Whether the condition holds now; `None` for rates.
    fn holds(&self, plant: &Plant) -> Option<bool> {
        let links = plant.links();
        if let Some(states) = self.alarm.get("state") {
            let state = self.point.state(&links);
            let meant = |v: &Value| v.as_str() == Some(state.as_str());
            return Some(meant(states) || states.as_array().is_some_and(|list| list.iter().any(meant)));
        }
        let Seen::Value(value) = self.point.read(&links) else { return Some(false) };
        if let Some(high) = number(&self.alarm, "high") {
            return Some(value > high);
        }
        number(&self.alarm, "low").map(|low| value < low)
    }
}

#[test]
fn calm_meets_no_alarm_condition_for_an_hour() {
    for seed in [1, 2] {
        let mut plant = plant("calm", seed);
        let watches = watches(&plant);
        // That ids are unique is the agent's to refuse, which knows every kind of pattern.
        assert!(watches.len() > 150, "{}", watches.len());
        let mut warmest: f64 = 0.0;
        let mut last = plant.truth().cold_aisle_c;
        for _ in 0..240 {
            run(&mut plant, 15.0);
            for watch in &watches {
                assert_ne!(watch.holds(&plant), Some(true), "{} at {} s", watch.id, plant.time_s());
            }
            let now = plant.truth().cold_aisle_c;
            warmest = warmest.max(4.0 * (now - last).abs());
            last = now;
            assert!(plant.truth().supply_water_c - plant.truth().dew_point_c > 4.0);
        }
        assert!(warmest < 1.0, "the cold aisle stays: {warmest} K/min");
    }
}

#[test]
fn low_flow_is_there_to_be_announced_within_three_seconds_and_the_inlets_pass_32_within_a_minute() {
    let mut plant = plant("pump-trip-standby-fails", 1);
    let watches = watches(&plant);
    let find = |id: &str| watches.iter().find(|w| w.id == id).unwrap_or_else(|| panic!("no alarm {id}"));
    let (flow, inlet, water) = (find("water-flow-low"), find("inlet-hot-09"), find("pump-2-failed-to-start"));
    run(&mut plant, 10.0);
    let first = |plant: &mut Plant, watch: &Watch, most_s: f64| {
        let start = plant.time_s();
        while watch.holds(plant) != Some(true) {
            run(plant, 0.05);
            assert!(plant.time_s() - start < most_s, "{} not within {most_s} s", watch.id);
        }
        plant.time_s() - 10.0
    };
    // Left of the three seconds: at worst one scan of 0.5 s, the delay of 0.5 s and another scan.
    let flow_s = first(&mut plant, flow, 1.4);
    let standby_s = first(&mut plant, water, 5.0);
    let inlet_s = first(&mut plant, inlet, 50.0);
    assert!(flow_s < standby_s && standby_s < inlet_s, "{flow_s} {standby_s} {inlet_s}");
    assert!(inlet_s < 25.0, "{inlet_s}");
}
