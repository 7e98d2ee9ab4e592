//! Faults of sensors, devices and links: they show on the wire and change nothing real.
//!
//! Without sockets; reads the banks through the demo's maps. Panics are test failures.

mod maps;
mod playing;

use lapwing_simulator::bank::Manner;
use maps::Seen;
use playing::Run;
use std::sync::atomic::Ordering;

#[test]
fn sensor_faults_show_on_the_wire_only() {
    let mut run = Run::of("sensor-open");
    run.to(1.0);
    assert_eq!(run.point("rack/04/inlet/top/temperature").read(&run.links), Seen::Absent);

    let mut run = Run::of("sensor-short");
    run.to(1.0);
    assert!(run.seen("rack/11/inlet/middle/temperature") < -20.0, "below its valid range");

    let mut run = Run::of("sensor-frozen");
    let frozen = run.to(0.5).seen("coil/water/flow");
    for k in 1..50 {
        assert_eq!(run.to(0.5 + f64::from(k)).seen("coil/water/flow").to_bits(), frozen.to_bits());
    }

    let mut run = Run::of("sensor-drift");
    run.to(50.0);
    let off = run.seen("coil/water/supply/temperature") - run.truth("coil/water/supply/temperature");
    assert!((2.0..4.0).contains(&off), "{off}");
    assert!(run.hottest() < 24.5, "nothing real changed");
}

#[test]
fn device_and_link_faults_set_manner_and_switches() {
    for (name, device, manner) in [
        ("device-silent", "fan-05", Manner::Silent),
        ("device-slow", "fan-09", Manner::Slow { delay_ms: 450 }),
        ("device-garbage", "rack-06", Manner::Garbage),
        ("duplicate-address", "fan-03", Manner::Doubled),
    ] {
        let mut run = Run::of(name);
        assert_eq!(run.to(-0.5).manner(device), Manner::Well);
        assert_eq!(run.to(0.1).manner(device), manner, "{name}");
    }
    let mut run = Run::of("second-master");
    run.to(0.1);
    assert!(run.link("fans").second_master.load(Ordering::Relaxed));
    let mut run = Run::of("link-cut");
    run.to(0.1);
    assert!(!run.link("environment").up.load(Ordering::Relaxed));
    assert!(run.link("plant").up.load(Ordering::Relaxed));
}

#[test]
fn device_swapped_reads_wrong_and_has_another_identity() {
    let mut run = Run::of("device-swapped");
    run.to(-0.5);
    let serial =
        |run: &Run| run.link("plant").devices.iter().find(|d| d.name == "meter-b2").map(|d| d.bank.lock().holding[202]);
    let before = serial(&run);
    run.to(5.0);
    assert_ne!(serial(&run), before);
    assert_eq!(run.seen("busway/b2/current-transformer/primary"), 400.0);
    let ratio = run.seen("busway/b2/l1/current") / run.truth("busway/b2/l1/current");
    assert!((ratio - 1.6).abs() < 0.02, "{ratio}");
}
