//! Every fault by its name, and what is said about a wrong one. Panics are test failures.

use super::*;

#[test]
fn every_listed_fault_can_be_made_and_says_its_own_name() {
    for (name, expected, usual) in FAULTS {
        let fault = Fault::from_name(name, None).expect(name);
        assert_eq!(fault.name(), name);
        assert!(fault.sentence().ends_with('.'), "{name}");
        assert_eq!(expected.is_empty(), usual.is_none(), "{name}");
    }
}

#[test]
fn a_wrong_name_or_target_says_what_would_be_right() {
    let unknown = Fault::from_name("pump-tripp", None).expect_err("no such fault");
    assert!(unknown.to_string().contains("pump-trip,"));
    for (name, target) in [
        ("fan-lost", "fan-15"),
        ("fan-lost", "fan-00"),
        ("pump-trip", "pump"),
        ("tap-trip", "rack-19-a"),
        ("phase-lost", "busway-b3-l4"),
        ("sensor-open", "rack/04/inlet/top"),
        ("device-silent", "nobody"),
        ("second-master", "plant"),
        ("link-cut", ""),
    ] {
        let error = Fault::from_name(name, Some(target)).expect_err(target);
        assert!(matches!(error, FaultError::WrongTarget { .. }), "{name} {target}: {error}");
    }
    assert!(matches!(Fault::from_name("smoke", Some("x")), Err(FaultError::NeedsNoTarget { .. })));
}
