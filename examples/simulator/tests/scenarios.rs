//! Every scenario of the plant for two minutes of model time without sockets: its main effect in the physics and on the
//! wire.
//!
//! Reads the banks through the demo's maps. Panics are test failures.

mod maps;
mod playing;

use lapwing_simulator::plant::{FaultNote, Plant};
use lapwing_simulator::scenario::Scenario;
use playing::Run;

#[test]
fn every_scenario_runs_two_minutes_and_tells_its_faults() {
    for name in Scenario::names() {
        let mut run = Run::of(name);
        run.to(-0.5);
        assert!(run.notes.is_empty(), "{name}: calm before the first fault");
        run.to(110.0);
        assert_eq!(run.notes.is_empty(), name == "calm", "{name}");
        let truth = run.plant.truth();
        let values = [truth.cold_aisle_c, truth.hot_aisle_c, truth.supply_water_c, truth.main_kw, truth.dew_point_c];
        assert!(values.iter().all(|v| v.is_finite()), "{name}: {values:?}");
        assert!((5.0..80.0).contains(&run.hottest()), "{name}: {}", run.hottest());
        for point in &run.points {
            point.read(&run.links);
        }
    }
}

#[test]
fn calm_is_calm_and_plausible() {
    let mut run = Run::of("calm");
    run.to(110.0);
    let truth = run.plant.truth();
    let it = truth.it_kw();
    assert!((405.0..420.0).contains(&it), "{it}");
    let through_ups: f64 = truth.ups.iter().map(|u| u.output_kw).sum::<f64>() / 0.985;
    assert!((1.04..1.06).contains(&(through_ups / it)), "power ratio without chiller plant {}", through_ups / it);
    assert!((1.22..1.28).contains(&(truth.main_kw / it)), "power ratio with chiller plant {}", truth.main_kw / it);
    // What the racks and fans give, the coil takes: heat balance within 5 %.
    let fans_kw: f64 = truth.fans.iter().map(|f| f.power_w).sum::<f64>() / 1000.0;
    assert!((truth.coil_heat_kw / (it + fans_kw) - 1.0).abs() < 0.05);
    assert_eq!(run.state("pump/2/state"), "standby");
    assert_eq!(run.seen("ups/a1/alarms-present"), 0.0);
}

#[test]
fn fan_lost() {
    let mut run = Run::of("fan-lost");
    let before = run.to(-0.1).truth("fan-wall/pressure-rise");
    run.to(1.5);
    assert_eq!(run.state("fan/07/fault"), "failed");
    assert!(run.truth("fan-wall/pressure-rise") < before - 10.0, "air runs back through the stopped fan");
    run.to(40.0);
    assert!(run.seen("fan/07/speed") < -50.0, "it turns backwards");
    assert_eq!(run.state("fan/07/rotation"), "backwards");
    assert!(run.seen("fan/08/command") > 96.0, "the others speed up");
    assert!(run.hottest() < 25.0, "and hold the load");
}

#[test]
fn fans_to_minimum() {
    let mut run = Run::of("fans-to-minimum");
    run.to(3.0);
    assert!(run.seen("fan-wall/pressure-rise") < 120.0);
    assert!(run.seen("aisle/pressure-difference") < -5.0);
    run.to(15.0);
    assert!(run.seen("rack/09/inlet/top/temperature") > 32.0);
    assert!(run.seen("fan/01/speed") < 400.0);
}

#[test]
fn pump_trip_and_the_standby_takes_over() {
    let mut run = Run::of("pump-trip");
    run.to(1.0);
    assert_eq!(run.state("pump/1/state"), "tripped");
    assert!(run.seen("coil/water/flow") < 20.0);
    run.to(8.0);
    assert_eq!(run.state("pump/2/state"), "running");
    assert!(run.seen("coil/water/flow") > 30.0);
    run.to(50.0);
    assert_eq!(run.state("chiller/state"), "running", "the chiller plant rides through");
    assert!(run.hottest() < 25.5, "{}", run.hottest());
}

#[test]
fn pump_trip_and_the_standby_fails() {
    let mut run = Run::of("pump-trip-standby-fails");
    run.to(1.2);
    assert!(run.seen("coil/water/flow") < 20.0);
    run.to(5.0);
    assert_eq!(run.state("pump/2/state"), "failed to start");
    run.to(50.0);
    assert!(run.seen("rack/01/inlet/top/temperature") > 32.0);
    assert!(run.seen("coil/air/leaving/left/temperature") > 30.0);
    assert_eq!(run.state("chiller/state"), "waiting to restart");
    assert!(run.truth("coil/water/flow").abs() < 0.1);
}

#[test]
fn chiller_trip() {
    let mut run = Run::of("chiller-trip");
    run.to(1.0);
    assert_eq!(run.state("chiller/state"), "tripped");
    assert_eq!(run.state("chiller/fault"), "fault");
    run.to(50.0);
    assert!(run.seen("coil/water/supply/temperature") > 20.0);
    run.to(110.0);
    assert!(run.seen("coil/water/supply/temperature") > 23.0);
    assert!(run.hottest() > 27.0);
}

#[test]
fn chiller_slow_restart() {
    let mut run = Run::of("chiller-slow-restart");
    run.to(110.0);
    assert_eq!(run.state("chiller/state"), "waiting to restart");
    run.to(305.0);
    assert_eq!(run.state("chiller/state"), "running", "five minutes later");
    let hot = run.truth("coil/water/supply/temperature");
    run.to(900.0);
    assert!(run.truth("coil/water/supply/temperature") < hot - 5.0, "and the water comes down again");
}

#[test]
fn utility_lost_and_the_generator_carries() {
    let mut run = Run::of("utility-lost");
    run.to(3.0);
    assert_eq!(run.state("supply/utility"), "lost");
    assert_eq!(run.state("ups/b3/output/source"), "battery");
    assert_eq!(run.seen("ups/b3/alarms-present"), 2.0, "on battery and input bad");
    assert_eq!(run.state("chiller/state"), "stopped");
    assert!(run.truth("fan-wall/pressure-rise") > 180.0, "fans and pumps hang on the UPS");
    run.to(13.0);
    assert_eq!(run.state("supply/source"), "generator");
    assert_eq!(run.state("ups/b3/output/source"), "normal");
    assert_eq!(run.seen("ups/b3/alarms-present"), 0.0, "alarm rows vanish");
    run.to(90.0);
    assert_eq!(run.state("chiller/state"), "running");
}

#[test]
fn utility_return() {
    let mut run = Run::of("utility-return");
    run.to(20.0);
    assert_eq!(run.state("supply/source"), "generator");
    run.to(45.0);
    assert_eq!(run.state("supply/utility"), "healthy");
    assert_eq!(run.state("supply/source"), "utility");
    assert!(run.notes.iter().any(|n| n.text.starts_with("Over: ")));
    run.to(110.0);
    assert_eq!(run.state("supply/generator/running"), "stopped", "after its cool-down");
}

#[test]
fn generator_does_not_start_and_the_batteries_run_down() {
    let mut run = Run::of("generator-no-start");
    run.to(20.0);
    assert_eq!(run.state("supply/generator/start"), "failed");
    let minutes = run.seen("ups/a1/battery/time-remaining");
    assert!((3.0..=4.0).contains(&minutes), "about four minutes: {minutes}");
    run.to(110.0);
    assert!((40.0..70.0).contains(&run.seen("ups/a1/battery/charge")));
    run.to(150.0);
    assert_eq!(run.state("ups/a1/battery/status"), "low");
    run.to(360.0);
    assert_eq!(run.state("ups/a1/output/source"), "none");
    assert_eq!(run.state("cooling-panel/supply"), "dead");
    assert!(run.plant.truth().it_kw() < 1.0, "the racks are dark");
}

#[test]
fn side_a_lost() {
    let mut run = Run::of("side-a-lost");
    let before = run.to(-0.1).truth("busway/b1/l1/current");
    run.to(3.0);
    for busway in ["a1", "a2", "a3"] {
        assert_eq!(run.state(&format!("breaker/{busway}/trip")), "tripped");
        assert!(run.seen(&format!("busway/{busway}/l2/voltage")) < 1.0);
    }
    let after = run.seen("busway/b1/l1/current");
    assert!(after > 1.8 * before && after < 225.0, "B carries all: {before} → {after} A");
    assert!(run.plant.truth().it_kw() > 400.0, "no rack is lost");
    assert!(run.seen("rack/09/pdu/b/power") > 28.0 && run.seen("rack/09/pdu/a/power") < 0.01);
}

#[test]
fn tap_trip() {
    let mut run = Run::of("tap-trip");
    run.to(2.5);
    assert_eq!(run.state("busway/a2/tapoff/1/state"), "tripped");
    assert!(run.seen("rack/07/pdu/a/l1/current") < 0.01);
    assert!(run.seen("rack/07/pdu/b/power") > 24.0, "side B carries the rack");
    assert_eq!(run.state("busway/a2/tapoff/2/state"), "on");
}

#[test]
fn breaker_open() {
    let mut run = Run::of("breaker-open");
    run.to(2.5);
    assert_eq!(run.state("breaker/a2/position"), "open");
    assert_eq!(run.state("breaker/a2/trip"), "sound", "opened, not tripped");
    assert!(run.seen("busway/b2/l3/current") > 190.0);
    assert_eq!(run.state("busway/a2/tapoff/4/state"), "off");
}

#[test]
fn phase_lost() {
    let mut run = Run::of("phase-lost");
    run.to(2.5);
    assert!(run.seen("busway/b3/l2/voltage") < 1.0 && run.seen("busway/b3/l1/voltage") > 225.0);
    assert!(run.seen("busway/b3/l2/current") < 1.0 && run.seen("busway/b3/l3/current") > 80.0);
    assert!(run.seen("busway/b3/neutral/current") > 80.0, "two phases left");
    assert!(run.seen("busway/a3/l2/current") > 190.0, "side A carries that phase");
    assert!(run.plant.truth().it_kw() > 400.0);
}

#[test]
fn ups_bypass() {
    let mut run = Run::of("ups-bypass");
    run.to(3.0);
    assert_eq!(run.state("ups/a1/output/source"), "bypass");
    assert_eq!(run.state("ups/a2/output/source"), "normal");
    assert!(run.seen("busway/a1/l1/voltage") > 225.0, "the load stays on");
}

#[test]
fn battery_weak() {
    let mut run = Run::of("battery-weak");
    let sound = run.to(4.0).seen("ups/b2/battery/time-remaining");
    run.to(8.0);
    assert!(run.seen("ups/b2/battery/time-remaining") < sound - 2.0, "it shows when it is used");
    assert_eq!(run.state("ups/b2/battery/status"), "low");
    assert_eq!(run.state("ups/b1/battery/status"), "normal");
}

#[test]
fn filter_clogging() {
    let mut run = Run::of("filter-clogging");
    run.to(50.0);
    assert!(run.seen("filter/pressure-drop") > 200.0);
    assert!(run.seen("fan-wall/command") > 99.0);
    assert!(run.truth("aisle/pressure-difference") < -5.0);
}

#[test]
fn strainer_clogging() {
    let mut run = Run::of("strainer-clogging");
    let at_rest = run.to(-0.1).truth("coil/water/flow");
    let clean = run.seen("coil/water/strainer/pressure-drop");
    run.to(60.0);
    let flow = run.truth("coil/water/flow");
    assert!(flow < 0.95 * at_rest, "{flow} of {at_rest} m³/h, though the valve opens");
    assert!(run.seen("coil/water/strainer/pressure-drop") > 3.0 * clean, "clean {clean} kPa");
}

#[test]
fn static_pressure_fall() {
    let mut run = Run::of("static-pressure-fall");
    assert!(run.to(-0.1).seen("coil/water/static-pressure") > 195.0);
    assert!(run.to(30.0).seen("coil/water/static-pressure") < 125.0, "3 kPa a second");
    assert!(run.to(60.0).seen("coil/water/static-pressure") < 45.0);
    assert!(run.truth("coil/water/flow") > 30.0, "the pump runs on");
}

#[test]
fn emergency_off() {
    let mut run = Run::of("emergency-off");
    assert_eq!(run.to(-0.5).state("emergency-off"), "released");
    run.to(5.0);
    assert_eq!(run.state("emergency-off"), "pressed");
    for path in ["main/power", "cooling/power", "chiller/power", "busway/a1/power", "rack/07/power"] {
        assert!(run.truth(path) < 0.01, "{path}");
    }
    assert_eq!(run.state("ups/b3/output/source"), "none");
    let at_once = run.hottest();
    assert!(run.to(110.0).hottest() < at_once + 8.0, "no power, little heat: only what is stored");
}

#[test]
fn door_open() {
    let mut run = Run::of("door-open");
    let before = run.to(-0.1).hottest();
    run.to(30.0);
    assert_eq!(run.state("door/cold-aisle"), "open");
    assert!(run.hottest() > before + 0.4, "hot air comes round");
    assert!(run.truth("aisle/pressure-difference") < 2.5);
}

#[test]
fn smoke_and_leak_close_their_contacts() {
    let mut run = Run::of("smoke");
    assert_eq!(run.to(-0.5).state("smoke/alarm"), "quiet");
    assert_eq!(run.to(1.0).state("smoke/alarm"), "smoke");
    let mut run = Run::of("leak");
    run.to(1.0);
    assert_eq!((run.state("leak/coil-bay"), run.state("leak/racks")), ("wet".into(), "dry".into()));
}

#[test]
fn humidity_rise() {
    let mut run = Run::of("humidity-rise");
    let before = run.to(-0.1).seen("cold-aisle/middle/humidity");
    run.to(50.0);
    let margin = run.truth("coil/water/supply/temperature") - run.truth("cold-aisle/dew-point");
    assert!(margin < 2.0, "{margin}");
    assert!(run.seen("cold-aisle/middle/humidity") > before + 10.0);
    run.to(300.0);
    let margin = run.truth("coil/water/supply/temperature") - run.truth("cold-aisle/dew-point");
    assert!(margin > -3.0, "the coil takes water out: {margin}");
}

#[test]
fn a_fault_that_ends_leaves_the_module_well() {
    let text = "[[fault]]\nat_s = 10.0\nuntil_s = 30.0\nname = \"fans-to-minimum\"\n[[fault]]\nat_s = 12.0\nuntil_s = 20.0\nname = \"emergency-off\"\n";
    let scenario = Scenario::from_toml("own.toml", text).expect("well formed");
    let mut plant = Plant::new(&scenario, 1);
    let mut notes = Vec::new();
    for _ in 0..20 * 15 {
        plant.step(0.05, &mut |n: FaultNote| notes.push(n));
    }
    assert!(plant.truth().it_kw() < 1.0, "emergency-off drops the load");
    for _ in 0..20 * 1200 {
        plant.step(0.05, &mut |n: FaultNote| notes.push(n));
    }
    assert_eq!(notes.len(), 4);
    assert!(plant.truth().it_kw() > 400.0);
    assert!(plant.truth().hottest_inlet_c() < 26.0, "{}", plant.truth().hottest_inlet_c());
}
