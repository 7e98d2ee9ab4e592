//! Findings about what should be watched and is not.

use super::*;

#[test]
fn roles_tell_what_is_missing() {
    let codes = |copy: &Copy| -> Vec<(&'static str, String)> {
        reviewed(copy).review.into_iter().map(|f| (f.code, f.about.unwrap_or_default())).collect()
    };
    assert!(codes(&Copy::new()).contains(&("no_roles", "module".into())));
    let copy = || {
        Copy::new().with(
            FAN,
            "path = \"mode\"\nquantity = \"state\"",
            "path = \"mode\"\nquantity = \"state\"\nrole = \"door\"",
        )
    };
    let found = codes(&copy());
    assert!(!found.iter().any(|(code, _)| *code == "no_roles"));
    assert!(
        found.contains(&("role_unwatched", "door".into())) && found.contains(&("role_missing", "smoke".into())),
        "{found:?}"
    );
    assert!(!found.iter().any(|(_, about)| about == "protection"), "asked for only where something needs it");
    let half = copy().and(MODULE, &alarm("new", "point = \"fan/01/mode\"\nstate = \"local\""));
    let found = reviewed(&half).review;
    let unwatched: Vec<_> = found.iter().filter(|finding| finding.code == "point_unwatched").collect();
    assert_eq!(unwatched.len(), 1, "{found:#?}");
    assert_eq!((unwatched[0].about.as_deref(), unwatched[0].severity), (Some("fan/02/mode"), Some(Severity::Serious)));
    assert!(
        unwatched[0].file.ends_with(FAN)
            && unwatched[0].position.is_some_and(|at| at.line == half.at(FAN, "\"mode\"").0)
    );
}

#[test]
fn breakers_are_watched_or_spoken_for() {
    let map: String = ["main", "a/a", "tap/a", "pdu/a"]
        .into_iter()
        .enumerate()
        .flat_map(|(at, meter)| (1..=3).map(move |phase| format!("[[point]]\npath = \"{meter}/l{phase}/current\"\nquantity = \"current\"\nunit = \"A\"\nregister = \"holding:{}\"\nas = \"u16\"\nscale = 0.1\n\n", 10 * at + phase)))
        .collect::<String>()
        + "[[point]]\npath = \"main/l1/voltage\"\nquantity = \"voltage\"\nunit = \"V\"\nregister = \"holding:90\"\nas = \"u16\"\n";
    let power = r#"
[[device]]
name = "power"
link = "plant"
unit = 77
map = "maps/power.toml"

[[main]]
name = "main"
rating_a = 800
meter = "main"

[[busway]]
name = "a1"
side = "a"
fed_by = "main"
rating_a = 250
meter = "a/a"

[[tapoff]]
name = "t"
fed_by = "a1"
rating_a = 32
meter = "tap/a"

[[pdu]]
name = "p"
fed_by = "t"
rating_a = 32
meter = "pdu/a"

[[rack]]
name = "1"
fed_by = "p"
cords = "single"
"#;
    let copy = Copy::new().and(MODULE, power);
    std::fs::write(copy.0.join("maps/power.toml"), map).expect("written");
    let found = |copy: &Copy| -> Vec<(&'static str, String)> {
        brought(copy)
            .into_iter()
            .map(|f| (f.code, f.about.unwrap_or_default()))
            .filter(|(code, _)| code.ends_with("unwatched"))
            .collect()
    };
    let all = found(&copy);
    for tier in ["main main", "busway a1", "tap-off t", "PDU p"] {
        assert!(all.contains(&("breaker_unwatched", tier.into())), "{tier}: {all:?}");
    }
    assert!(all.contains(&("supply_unwatched", "main main".into())), "{all:?}");
    let placed = brought(&copy).into_iter().find(|finding| finding.code == "supply_unwatched").expect("it is there");
    assert_eq!(placed.position.map(|at| at.line), Some(copy.at(MODULE, "\"main\"").0), "{placed:#?}");
    let watched = copy.and(MODULE, &alarm("tap", "point = \"tap/a/l1/current\"\nhigh = 25.0\ndeadband = 1.0"));
    let left = found(&watched);
    assert!(
        !left.iter().any(|(_, about)| about == "tap-off t" || about == "PDU p"),
        "the tap-off speaks for its PDU: {left:?}"
    );
    assert!(left.contains(&("breaker_unwatched", "busway a1".into())));
}

#[test]
fn what_an_overload_or_a_wrong_meter_needs_is_watched() {
    let found = |copy: &Copy| -> Vec<(&'static str, String)> {
        let of_power = |code: &str| code == "failover_unwatched" || code == "meters_unwatched";
        let all = reviewed(copy).review.into_iter().map(|f| (f.code, f.about.unwrap_or_default()));
        all.filter(|(code, _)| of_power(code)).collect()
    };
    let powered = super::super::each::tiers::powered();
    let busway = |code| (code, "busway b1".to_owned());
    let all = found(&powered);
    assert!(all.contains(&busway("failover_unwatched")) && all.contains(&busway("meters_unwatched")), "{all:?}");
    let watched = powered
        .and(MODULE, &alarm("failover", "point = \"b/b/failover-load\"\nhigh = 100.0\ndeadband = 2.0"))
        .and(MODULE, &alarm("meters", "point = \"b/b/meter-difference\"\nhigh = 8.0\ndeadband = 2.0"));
    let left = found(&watched);
    assert!(!left.iter().any(|(_, about)| about == "busway b1"), "{left:?}");
    assert!(left.contains(&("meters_unwatched", "busway a1".into())), "{left:?}");
}
