//! All mistakes of all files in one run, in the order of files and lines, and what is not told twice.

use super::Copy;

#[test]
fn every_mistake_at_once() {
    let copy = Copy::new()
        .with("module.toml", "altitude_m = 9", "altitude = 9")
        .with("module.toml", "timeout_ms = 300", "timeout_ms = 9.7")
        .with("module.toml", "serial = \"/dev/ttyUSB0\"", "serial = \"ttyUSB0\"")
        .with("module.toml", "unit = 12", "unit = 11")
        .with("module.toml", "map = \"maps/ups.toml\"", "map = \"maps/usp.toml\"")
        .with("module.toml", "resolution = 0.5\n", "")
        .with("module.toml", "high = 21.0", "high = 21.0\nlow = 4.0")
        .with("module.toml", "point = \"fan/{n}/state\"", "point = \"fan/{n}/statte\"")
        .with("module.toml", "point = \"cold-aisle/humidity\"\n", "point = \"cold-aisle/humidty\"\n")
        .with("module.toml", "bad_measurement = true", "bad_measurement = true\nlatching = \"yes\"")
        .with("maps/coil.toml", "unit = \"Cel\"", "unit = \"°C\"")
        .and(
            "maps/coil.toml",
            "\n[[point]]\npath = \"coil/water/flow\"\nquantity = \"count\"\nregister = \"input:90\"\nas = \"u16\"\n",
        )
        .with("maps/fan.toml", "scan_period = \"500ms\"", "scan_period = 500");
    let told: Vec<(String, &str)> = copy.mistakes().into_iter().map(|mistake| (mistake.file, mistake.code)).collect();
    let module = |code| ("module.toml".to_string(), code);
    let expected = [
        module("unknown_key"),
        module("wrong_type"),
        module("bad_address"),
        module("same_unit"),
        module("unknown_map"),
        module("missing_resolution"),
        module("two_conditions"),
        module("nothing_matches"),
        module("unknown_point"),
        module("wrong_type"),
        ("maps/coil.toml".into(), "unknown_unit"),
        ("maps/coil.toml".into(), "duplicate_path"),
        ("maps/fan.toml".into(), "wrong_type"),
    ];
    assert_eq!(told, expected);
}

#[test]
fn a_point_with_a_mistake_is_not_missing_too() {
    // The flow's own mistake is told; derived points and alarms that use it are not.
    let copy = Copy::new().with("maps/coil.toml", "register = \"input:10\"", "register = \"input\"");
    let codes: Vec<&str> = copy.mistakes().iter().map(|mistake| mistake.code).collect();
    assert_eq!(codes, ["bad_register"]);
}

#[test]
fn an_alarm_with_a_mistake_is_not_missing_in_its_groups_too() {
    let grouped = "\n[[group]]\nname = \"fans\"\nwindow = \"1m\"\nchain = [\"fan-*-failed\", \"humidity-sensor\"]\n\
                   [[suppress]]\nname = \"work\"\ntext = \"Work.\"\nalarms = [\"humidity-sensor\"]\nat_most = \"1h\"\n";
    let wrong = Copy::new().and("module.toml", grouped).with(
        "module.toml",
        "point = \"cold-aisle/humidity\"\n",
        "point = \"cold-aisle/humiditie\"\n",
    );
    let codes = |copy: &Copy| copy.mistakes().iter().map(|mistake| mistake.code).collect::<Vec<_>>();
    assert_eq!(codes(&wrong), ["unknown_point"]);
    let wrong = wrong.with("module.toml", "chain = [\"fan-*-failed\"", "chain = [\"fan-*-falied\"");
    assert_eq!(codes(&wrong), ["unknown_point", "no_such_alarm"], "one that nobody wrote is missing all the same");
}

#[test]
fn a_map_of_several_devices_is_told_once() {
    let copy = Copy::new().with("maps/fan.toml", "register = \"input:0\"", "register = \"input:70000\"");
    assert_eq!(copy.mistakes().len(), 1);
}

#[test]
fn a_missing_map_is_named_as_a_possible_cause() {
    let copy = Copy::new().with("module.toml", "map = \"maps/ups.toml\"", "map = \"maps/gone.toml\"").with(
        "module.toml",
        "point = \"cold-aisle/humidity\"\n",
        "point = \"ups/a1/battery/charge\"\n",
    );
    let mistakes = copy.mistakes();
    assert_eq!(mistakes.iter().map(|mistake| mistake.code).collect::<Vec<_>>(), ["unknown_map", "unknown_point"]);
    assert!(mistakes[1].mend.contains("mend that first"), "{}", mistakes[1].mend);
}

#[test]
fn printed_for_people() {
    let copy = Copy::new().with("maps/coil.toml", "unit = \"Cel\"", "unit = \"°C\"");
    let text = copy.load().expect_err("a mistake").to_string();
    let expected = format!(
        "{}/maps/coil.toml:6:8: unknown unit `°C`\n    unit = \"°C\"\n           ^^^^\n    mend: did you mean `Cel`?\n",
        copy.0.display()
    );
    assert_eq!(text, expected);
}

#[test]
fn written_for_programs() {
    let copy = Copy::new().with("maps/coil.toml", "unit = \"Cel\"", "unit = \"°C\"");
    let value = serde_json::to_value(copy.load().expect_err("a mistake").list()).expect("serialises");
    assert_eq!(value[0]["code"], "unknown_unit");
    assert_eq!((value[0]["line"].as_u64(), value[0]["column"].as_u64()), (Some(6), Some(8)));
    assert_eq!(value[0]["key"], "point[coil/water/supply/temperature].unit");
    assert_eq!(value[0]["snippet"], "unit = \"°C\"");
    assert!(value[0]["what"].is_string() && value[0]["mend"].is_string() && value[0]["file"].is_string());
}

#[test]
fn findings_do_not_forbid_running() {
    let copy = Copy::new()
        .with("module.toml", "high = 21.0\ndeadband = 0.5", "high = 95.0")
        .with("module.toml", "respond_within = \"3m\"\n", "")
        .and("module.toml", "\n[[link]]\nname = \"spare\"\nmodbus_tcp = \"127.0.0.1:5\"\n");
    let findings = copy.load().unwrap_or_else(|mistakes| panic!("{mistakes}")).findings;
    let mut codes: Vec<&str> = findings.iter().map(|finding| finding.code).collect();
    codes.sort_unstable();
    assert_eq!(
        codes,
        ["alarm_may_chatter", "alarm_says_nothing", "limit_outside_valid", "link_without_device", "weak_access"]
    );
    let outside = findings.iter().find(|finding| finding.code == "limit_outside_valid").expect("it is there");
    assert_eq!(
        outside.what,
        "the limit 95.0 lies outside the valid range -20.0 to 90.0 of `coil/water/supply/temperature`: the alarm can never be raised"
    );
}

#[test]
fn a_configuration_without_alarms_is_a_finding() {
    let copy = Copy::new();
    let path = copy.0.join("module.toml");
    let text = std::fs::read_to_string(&path).expect("readable");
    let end = text.find("[[alarm]]").expect("there are alarms");
    std::fs::write(&path, &text[..end]).expect("written");
    let findings = copy.load().unwrap_or_else(|mistakes| panic!("{mistakes}")).findings;
    assert_eq!(findings.iter().map(|finding| finding.code).collect::<Vec<_>>(), ["no_alarm", "weak_access"]);
}

#[test]
fn every_truncation_is_answered() {
    for file in ["module.toml", "maps/coil.toml"] {
        let copy = Copy::new();
        let path = copy.0.join(file);
        let whole = std::fs::read(&path).expect("readable");
        for length in (0..whole.len()).step_by(7) {
            std::fs::write(&path, &whole[..length]).expect("written");
            if let Err(mistakes) = copy.load() {
                assert!(!mistakes.list().is_empty());
                assert!(mistakes.list().iter().all(|mistake| !mistake.what.is_empty() && !mistake.mend.is_empty()));
            }
        }
    }
}

#[test]
fn every_flipped_bit_is_answered() {
    // One bit of each byte: all eight of all bytes take minutes in a debug build and find nothing more.
    for file in ["module.toml", "maps/coil.toml", "maps/fan.toml", "maps/ups.toml"] {
        let copy = Copy::new();
        let path = copy.0.join(file);
        let whole = std::fs::read(&path).expect("readable");
        for at in 0..whole.len() {
            let mut flipped = whole.clone();
            flipped[at] ^= 1 << (at % 8);
            std::fs::write(&path, &flipped).expect("written");
            if let Err(mistakes) = copy.load() {
                assert!(!mistakes.to_string().is_empty());
            }
        }
    }
}
