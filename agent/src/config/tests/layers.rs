//! Defaults, file, environment and overrides: which wins, and what is refused.

use std::path::PathBuf;

use lapwing_protocol::Mode;

use super::{Loaded, Mistakes, Overrides, load, small};
use crate::plan::{Encoding, Transport};

fn with(environment: &[(&str, &str)], overrides: &Overrides) -> Result<Loaded, Mistakes> {
    let environment = environment.iter().map(|(name, value)| ((*name).to_string(), (*value).to_string()));
    load(&small().join("module.toml"), environment, overrides)
}

#[track_caller]
fn refused(variable: &str, value: &str, code: &str, what: &str, mend: &str) {
    let mistakes = with(&[(variable, value)], &Overrides::default()).expect_err("a mistake");
    let [mistake] = mistakes.list() else { panic!("{mistakes}") };
    assert_eq!((mistake.code, mistake.file.as_str(), mistake.position), (code, "environment", None), "{mistake:#?}");
    assert!(mistake.what.contains(variable) && mistake.what.contains(what), "{}", mistake.what);
    assert!(mistake.mend.contains(mend), "{}", mistake.mend);
    assert!(mistake.to_string().starts_with(&format!("environment: environment variable {variable}")), "{mistake}");
}

#[test]
fn environment_over_file() {
    let environment = [
        ("LAPWING__MQTT__BROKER", "broker.example:8883"),
        ("LAPWING__MQTT__FRAMES", "json"),
        ("LAPWING__MQTT__FRAME_PERIOD", "2s"),
        ("LAPWING__MODULE__ALTITUDE_M", "12.5"),
        ("LAPWING__STORE__MAX_MIB", "64"),
        ("LAPWING__HTTP__ENABLED", "false"),
        ("LAPWING__LOG__LEVEL", "lapwing=debug"),
        ("PATH", "/bin"),
        ("LAPWING_OTHER", "not ours"),
    ];
    let plan = with(&environment, &Overrides::default()).unwrap_or_else(|mistakes| panic!("{mistakes}")).plan;
    assert_eq!(plan.mqtt.broker, ("broker.example".into(), 8883));
    assert_eq!((plan.mqtt.frames, plan.mqtt.frame_period.as_secs()), (Encoding::Json, 2));
    assert!((plan.module.altitude_m - 12.5).abs() < f64::EPSILON);
    assert_eq!((plan.store.max_mib, plan.http.listen, plan.log.level.as_str()), (64, None, "lapwing=debug"));
    // What the environment does not name stays as the file has it.
    assert_eq!((plan.module.site.as_str(), plan.store.dir), ("saltmarsh", PathBuf::from("data")));
}

#[test]
fn a_text_is_taken_as_it_stands() {
    // Digits are a name too where a text belongs; no type is guessed.
    let plan = with(&[("LAPWING__MODULE__SITE", "12"), ("LAPWING__MQTT__USER", "true")], &Overrides::default())
        .unwrap_or_else(|mistakes| panic!("{mistakes}"))
        .plan;
    assert_eq!((plan.module.site.as_str(), plan.mqtt.user.as_deref()), ("12", Some("true")));
}

#[test]
fn the_environment_is_as_strict_as_the_file() {
    refused(
        "LAPWING__MODULE__ALTITUDE_M",
        "abc",
        "bad_variable",
        "the text \"abc\" where a number belongs",
        "set it to a number",
    );
    refused("LAPWING__MODULE__ALTITUDE_M", "\"9\"", "bad_variable", "where a number belongs", "set it to a number");
    refused("LAPWING__MODULE__ALTITUDE_M", "", "bad_variable", "where a number belongs", "set it to a number");
    refused(
        "LAPWING__STORE__MAX_MIB",
        "9.7",
        "bad_variable",
        "the number 9.7 where an integer belongs",
        "set it to an integer",
    );
    refused(
        "LAPWING__HTTP__ENABLED",
        "yes",
        "bad_variable",
        "the text \"yes\" where a boolean belongs",
        "set it to true or false",
    );
    refused("LAPWING__HTTP__ENABLED", "1", "bad_variable", "the integer 1 where a boolean belongs", "true or false");
    refused("LAPWING__MQTT__FRAMES", "xml", "bad_variable", "`xml` is none of: json, cbor", "choose one");
    refused("LAPWING__MQTT__FRAME_PERIOD", "1", "bad_variable", "`1` is no duration", "\"5s\"");
}

#[test]
fn a_wrong_meaning_names_the_environment_too() {
    let mistakes = with(&[("LAPWING__MQTT__BROKER", "127.0.0.1")], &Overrides::default()).expect_err("a mistake");
    let [mistake] = mistakes.list() else { panic!("{mistakes}") };
    assert_eq!(
        (mistake.code, mistake.file.as_str(), mistake.key.as_str()),
        ("bad_address", "environment", "mqtt.broker")
    );
}

#[test]
fn variables_that_name_nothing() {
    refused(
        "LAPWING__MQTT__BROKR",
        "x:1",
        "unknown_variable",
        "names no setting",
        "did you mean LAPWING__MQTT__BROKER?",
    );
    refused("LAPWING__MODUL__SITE", "x", "unknown_variable", "names no setting", "did you mean LAPWING__MODULE__SITE?");
    refused("LAPWING__MQTT", "x", "unknown_variable", "names no setting", "LAPWING__");
    refused("LAPWING__MQTT__BROKER__PORT", "1", "unknown_variable", "names no setting", "LAPWING__MQTT__BROKER");
    refused(
        "LAPWING__mqtt__broker",
        "x:1",
        "unknown_variable",
        "names no setting",
        "did you mean LAPWING__MQTT__BROKER?",
    );
}

#[test]
fn variables_never_reach_lists() {
    for variable in [
        "LAPWING__LINK__0__MODBUS_TCP",
        "LAPWING__LINK",
        "LAPWING__ALARM__SUPPLY__HIGH",
        "LAPWING__MQTT__POINTS",
        "LAPWING__MQTT__POINTS__0",
    ] {
        refused(variable, "x", "variable_into_list", "reach into a list", "change the file");
    }
}

#[test]
fn the_digest_covers_the_environment() {
    let digest = |environment: &[(&str, &str)]| {
        with(environment, &Overrides::default()).unwrap_or_else(|mistakes| panic!("{mistakes}")).plan.digest
    };
    let plain = digest(&[("HOME", "anywhere")]);
    assert_eq!(plain, digest(&[]));
    assert_ne!(plain, digest(&[("LAPWING__LOG__LEVEL", "warn")]));
}

#[test]
fn overrides_come_last() {
    let overrides = Overrides {
        link_addresses: [("plant", "127.0.0.1:40001"), ("fans", "/dev/pts/7"), ("ups-a1", "127.0.0.1:40002")]
            .map(|(link, address)| (link.to_string(), address.to_string()))
            .into(),
        mode: Some(Mode::Simulated),
        store_dir: Some("elsewhere".into()),
        page: Some("127.0.0.1:9".parse().expect("an address")),
        broker: Some("127.0.0.1:40003".into()),
        review: false,
    };
    let plan =
        with(&[("LAPWING__MQTT__BROKER", "a:1")], &overrides).unwrap_or_else(|mistakes| panic!("{mistakes}")).plan;
    assert_eq!(plan.links[0].transport, Transport::ModbusTcp { host: "127.0.0.1".into(), port: 40_001 });
    assert!(
        matches!(&plan.links[1].transport, Transport::Serial { path, baud: 19_200, .. } if path.to_str() == Some("/dev/pts/7"))
    );
    assert!(matches!(&plan.links[2].transport, Transport::Snmp { port: 40_002, .. }));
    assert_eq!((plan.module.mode, plan.mqtt.broker), (Mode::Simulated, ("127.0.0.1".into(), 40_003)));
    assert_eq!(plan.store.dir, PathBuf::from("elsewhere"));
}

#[test]
fn overrides_are_judged() {
    let overrides = Overrides {
        link_addresses: [("plan".to_string(), "127.0.0.1:1".to_string()), ("plant".into(), "nowhere".into())].into(),
        ..Overrides::default()
    };
    let mistakes = with(&[], &overrides).expect_err("mistakes");
    let mut codes: Vec<(&str, &str)> =
        mistakes.list().iter().map(|mistake| (mistake.file.as_str(), mistake.code)).collect();
    codes.sort_unstable();
    assert_eq!(codes, [("command", "bad_address"), ("command", "unknown_override")]);
}
