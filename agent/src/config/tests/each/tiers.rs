//! The power distribution: each mistake in it, located; each finding; and what follows from a small one.

use super::{Copy, MODULE, one};
use crate::plan::Constant;
use crate::plan::topology::TierKind;

/// Meters `b/a`, `b/b`, taps and PDUs of two racks, the second on side B only.
const MAP: &str = "maps/power.toml";
const POWER: &str = r#"
[[device]]
name = "power"
link = "plant"
unit = 77
map = "maps/power.toml"

[[main]]
name = "main"
rating_a = 800
meter = "main"
efficiency = 0.9
also = "coil/water/heat"
cooling_kw = 50
cooling_load = "coil/water/heat"

[[busway]]
name = "a1"
side = "a"
fed_by = "main"
rating_a = 250
limit = 1.0
meter = "a/a"

[[busway]]
name = "b1"
side = "b"
fed_by = "main"
rating_a = 250
meter = "b/b"
source_kw = 60

[[pdu]]
name = "1/a"
fed_by = "a1"
rating_a = 32
meter = "pdu/1a"

[[pdu]]
name = "{r}/{s}"
fed_by = "b1"
rating_a = 32
limit = 1.0
meter = "pdu/{s}/{r}"

[[rack]]
name = "1"
fed_by = ["1/a", "1/b"]

[[rack]]
name = "2"
fed_by = "2/b"
cords = "single"
"#;

/// The small configuration with a power distribution.
pub(crate) fn powered() -> Copy {
    let mut map = String::new();
    for (at, meter) in ["main", "a/a", "b/b", "pdu/1a", "pdu/b/1", "pdu/b/2"].into_iter().enumerate() {
        for phase in 1..=3 {
            let register = 10 * at + phase;
            map.push_str(&format!(
                "[[point]]\npath = \"{meter}/l{phase}/current\"\nquantity = \"current\"\nunit = \"A\"\nregister = \"holding:{register}\"\nas = \"u16\"\nscale = 0.1\n\n"
            ));
        }
        map.push_str(&format!(
            "[[point]]\npath = \"{meter}/power\"\nquantity = \"power\"\nunit = \"W\"\nregister = \"holding:{}\"\nas = \"u16\"\nscale = 10\n\n",
            10 * at + 4
        ));
    }
    for (at, ups) in ["a", "b"].into_iter().enumerate() {
        map.push_str(&format!(
            "[[point]]\npath = \"ups/{ups}/source\"\nquantity = \"state\"\nregister = \"holding:{}\"\nas = \"enum\"\nnames = {{ 3 = \"normal\", 5 = \"battery\" }}\n\n",
            80 + at
        ));
    }
    map.push_str("[[point]]\npath = \"ups/alarm\"\nquantity = \"state\"\nregister = \"holding:90\"\nas = \"enum\"\nnames = { 0 = \"off\", 1 = \"on\" }\n");
    let copy = Copy::new();
    std::fs::write(copy.0.join(MAP), map).expect("written");
    copy.and(MODULE, POWER)
}

#[track_caller]
fn changed(old: &str, new: &str, needle: &str, code: &str, what: &str) {
    one(&powered().with(MODULE, old, new), MODULE, needle, code, what, "");
}

#[test]
fn each_mistake_is_located() {
    changed("rating_a = 800", "", "[[main]]", "missing_key", "`rating_a` is missing");
    changed("rating_a = 800", "rating_a = -3", "-3", "out_of_range", "outside 0.1 to");
    changed("limit = 1.0\nmeter = \"a/a", "limit = 1.2\nmeter = \"a/a", "1.2", "out_of_range", "outside 0.1 to 1");
    changed("side = \"b\"", "side = \"c\"", "\"c\"", "not_one_of", "`c` is none of: a, b");
    changed("side = \"b\"", "", "[[busway]]\nname = \"b1\"", "missing_key", "`side` is missing");
    let again = "\n[[busway]]\nname = \"a1\" # again\nside = \"a\"\nfed_by = \"main\"\nrating_a = 100\n";
    one(
        &powered().and(MODULE, again),
        MODULE,
        "\"a1\" # again",
        "duplicate",
        "exists already (a busway)",
        "of its own",
    );
    changed("fed_by = \"a1\"", "fed_by = \"a2\"", "\"a2\"", "unknown_feeder", "no tier is called `a2`");
    changed("fed_by = \"a1\"", "fed_by = [\"a1\", \"b1\"]", "fed_by = [\"a1\"", "several_feeders", "one place");
    changed("[\"1/a\", \"1/b\"]", "[\"1/b\", \"1/b\"]", "\"1/b\", ", "not_two_sides", "both its cords on one side");
    changed("cords = \"single\"", "", "\"2/b\"", "not_two_sides", "rack 2");
    changed("fed_by = \"2/b\"", "fed_by = [\"1/a\", \"2/b\"]", "\"1/a\", \"2/b\"", "not_single", "both sides");
    // The rack that hangs on what then is not there says so too, at its own place.
    let nothing = powered().with(MODULE, "\"pdu/{s}/{r}\"", "\"pdus/{s}/{r}\"").mistakes();
    let codes: Vec<&str> = nothing.iter().map(|mistake| mistake.code).collect();
    assert_eq!(codes, ["nothing_matches", "unknown_feeder", "unknown_feeder"], "{nothing:#?}");
    let half = powered().with(MODULE, "name = \"{r}/{s}\"", "name = \"{r}-{s}\"").mistakes();
    assert_eq!(half[0].code, "bad_pattern", "{half:#?}");
    let uncaught = powered().with(MODULE, "name = \"{r}/{s}\"", "name = \"{r}/{x}\"").mistakes();
    assert_eq!(uncaught[0].code, "not_captured", "{uncaught:#?}");
    changed("meter = \"pdu/1a\"", "meter = \"pdu/1b\"", "\"pdu/1b\"", "unknown_point", "`pdu/1b/l1/current`");
    changed("also = \"coil/water/heat\"", "also = \"coil/water/haet\"", "\"coil/water/haet\"", "unknown_point", "haet");
    let source = |point: &str| {
        powered().with(MODULE, "meter = \"a/a\"", &format!("meter = \"a/a\"\nsource_state = \"{point}\""))
    };
    one(&source("ups/a/sauce"), MODULE, "\"ups/a/sauce\"", "unknown_point", "`ups/a/sauce`", "ups/a/source");
    one(&source("ups/alarm"), MODULE, "\"ups/alarm\"", "not_a_source", "no state 5, battery", "upsOutputSource");
    one(&source("a/a/power"), MODULE, "\"a/a/power\"", "not_a_source", "no state 5, battery", "upsOutputSource");
    changed(
        "cooling_kw = 50",
        "source_state = \"ups/a/source\"\ncooling_kw = 50",
        "source_state",
        "unknown_key",
        "unknown key",
    );
    changed("cooling_kw = 50", "", "[[main]]", "missing_key", "`cooling_kw` is missing");
    changed("efficiency = 0.9", "draws_per_kw = 0.9", "0.9", "out_of_range", "outside 1 to 10");
    changed("efficiency = 0.9", "efficency = 0.9", "efficency", "unknown_key", "unknown key");
}

#[test]
fn what_cannot_be_told_is_a_finding() {
    let findings = |copy: Copy| copy.load().expect("no mistake").findings;
    let has = |copy: Copy, code: &str, what: &str| {
        let findings = findings(copy);
        let found = findings.iter().any(|finding| finding.code == code && finding.what.contains(what));
        assert!(found, "{code} {what}: {findings:#?}");
    };
    let quiet = findings(powered());
    assert!(!quiet.iter().any(|finding| finding.file.is_empty()), "{quiet:#?}");
    has(powered().with(MODULE, "rating_a = 250\nlimit", "rating_a = 900\nlimit"), "rating_above_feeder", "900 A");
    let unmetered = || powered().with(MODULE, "meter = \"pdu/1a\"\n", "");
    has(unmetered(), "unmetered", "PDU 1/a has no meter");
    has(unmetered(), "no_sum_below", "busway a1");
    // What moves to the other side can still be read at the busway.
    assert!(!findings(unmetered()).iter().any(|finding| finding.code == "no_failover"));
    let blind = unmetered().with(MODULE, "meter = \"a/a\"\n", "");
    has(blind, "no_failover", "busway b1");
    let feeds_nothing = "\n[[pdu]]\nname = \"9/a\"\nfed_by = \"a1\"\nrating_a = 32\nmeter = \"pdu/1a\"\n";
    has(powered().and(MODULE, feeds_nothing).with(MODULE, "meter = \"pdu/1a\"\n", ""), "feeds_nothing", "PDU 9/a");
}

#[test]
fn what_follows() {
    let plan = powered().load().expect("no mistake").plan;
    let topology = &plan.topology;
    let kinds: Vec<TierKind> = topology.tiers.iter().map(|tier| tier.kind).collect();
    assert!(kinds.is_sorted(), "every tier behind what feeds it");
    assert_eq!(topology.pairs().len(), 1);
    let path = |point: u32| plan.points[point as usize].path.as_str();
    let of = |wanted: &str| {
        let derived = plan.derived.iter().find(|derived| path(derived.point) == wanted);
        derived.unwrap_or_else(|| panic!("no {wanted}"))
    };
    let from = |wanted: &str| of(wanted).from.iter().map(|input| path(input.point)).collect::<Vec<_>>();
    // Rack 2 hangs on side B only: its cord does not move, so side A's meter and PDU tell what moves to B …
    assert_eq!(from("b/b/l1/failover-current"), ["b/b/l1/current", "a/a/l1/current"]);
    // … but to side A moves rack 1's cord only, not all of what busway b1 carries.
    assert_eq!(from("a/a/l2/failover-current"), ["a/a/l2/current", "pdu/b/1/l2/current"]);
    assert_eq!(from("pdu/1a/l3/failover-current"), ["pdu/1a/l3/current", "pdu/b/1/l3/current"]);
    // A single-corded load has no failover.
    assert!(!plan.points.iter().any(|point| point.path == "pdu/b/2/failover-load"));
    assert_eq!(from("b/b/meter-difference").len(), 9, "three phases of the busway and of two PDUs");
    assert_eq!(from("main/meter-difference"), ["main/power", "a/a/power", "b/b/power", "coil/water/heat"]);
    assert_eq!(of("main/meter-difference").compute, "meter_difference_power_pct");
    let told = powered().with(MODULE, "meter = \"a/a\"", "meter = \"a/a\"\nsource_state = \"ups/a/source\"").with(
        MODULE,
        "meter = \"b/b\"",
        "meter = \"b/b\"\nsource_state = \"ups/b/source\"",
    );
    let told = told.load().expect("no mistake").plan;
    let difference = told.derived.iter().find(|derived| derived.compute == "meter_difference_ups_pct").expect("made");
    let paths: Vec<&str> =
        difference.from.iter().map(|input| told.points[input.point as usize].path.as_str()).collect();
    assert_eq!(
        paths,
        ["main/power", "a/a/power", "b/b/power", "coil/water/heat", "ups/a/source", "ups/b/source"],
        "UPS units that tell what feeds them"
    );
    assert_eq!(from("failover/side-a-lost/first-breaker"), ["b/b/failover-load", "pdu/b/1/failover-load"]);
    let first = &plan.points[of("failover/side-a-lost/first-breaker").point as usize];
    assert_eq!((first.states.len(), first.states[1].1.as_str(), first.quantity.as_str()), (2, "PDU 1/b", "state"));
    let allowed = Constant::Numbers(vec![200.0, 32.0]);
    assert_eq!(of("failover/side-a-lost/margin").with, [("allowed_a".to_string(), allowed)]);
    let with =
        |wanted: &str| of(wanted).with.iter().filter(|(name, _)| name == "draws_per_kw").cloned().collect::<Vec<_>>();
    assert_eq!(with("main/capacity"), [("draws_per_kw".to_string(), Constant::Number(1.0 / 0.9))], "losses of the UPS");
    assert!(with("b/b/capacity").is_empty() && with("b/b/source/capacity").is_empty());
    assert_eq!(from("b/b/source/capacity"), ["b/b/power", "a/a/power"]);
    assert_eq!(from("busway-pair/a1-b1/capacity"), ["a/a/capacity", "b/b/capacity", "b/b/source/capacity"]);
    assert_eq!(
        from("rack/2/capacity"),
        ["pdu/b/2/capacity", "b/b/capacity", "b/b/source/capacity", "main/capacity", "cooling/capacity"]
    );
    let bound = &plan.points[of("rack/2/capacity/bound-by").point as usize];
    let names: Vec<&str> = bound.states.iter().map(|(_, name)| name.as_str()).collect();
    assert_eq!(names, ["PDU 2/b", "busway b1", "source of busway b1", "main main", "cooling"]);
    assert_eq!(from("module/capacity"), ["module/busways/capacity", "main/capacity", "cooling/capacity"]);
}

/// An alarm on a current of a meter.
fn alarm_on(meter: &str, text: &str, rest: &str) -> String {
    format!(
        "\n[[alarm]]\nid = \"current-{}\"\npoint = \"{meter}/l1/current\"\nhigh = 25.0\ndeadband = 1.0\npriority = \"low\"\n\
         text = \"{text}\"\nconsequence = \"c\"\nresponse = \"r\"\nrespond_within = \"8h\"\n{rest}",
        meter.replace('/', "-")
    )
}

#[test]
fn an_alarm_on_a_tier_names_the_racks_below_it() {
    let text = |meter: &str, text: &str, rest: &str, language: &str| -> String {
        let copy = powered().with(MODULE, "fed_by = \"2/b\"", "fed_by = \"2/b\"\ntag = \"R2\"");
        let copy = copy.with(MODULE, "[module]", &format!("[module]\nlanguage = \"{language}\""));
        let plan = copy.and(MODULE, &alarm_on(meter, text, rest)).load().expect("no mistake").plan;
        let id = format!("current-{}", meter.replace('/', "-"));
        plan.alarms.iter().find(|alarm| alarm.id == id).expect("it is there").text.clone()
    };
    let risk = "impact = \"load_at_risk\"\n";
    assert_eq!(text("a/a", "A carries {value}.", risk, "en"), "A carries {value}; it feeds rack 1");
    assert_eq!(text("b/b", "B carries {value}", risk, "en"), "B carries {value}; it feeds all 2 racks");
    assert_eq!(text("b/b", "B trägt {value}", risk, "de"), "B trägt {value}; daran hängen alle 2 Schränke");
    assert_eq!(text("pdu/b/2", "PDU {value}", risk, "en"), "PDU {value}", "it stands in its rack");
    assert_eq!(text("pdu/b/2", "PDU of {feeds}", risk, "en"), "PDU of rack 2 (R2)");
    assert_eq!(text("a/a", "A carries {value}", "", "en"), "A carries {value}", "nothing is at stake");
    assert_eq!(text("a/a", "A of {feeds}", "", "de"), "A of Schrank 1");
    let elsewhere = powered().and(MODULE, "\n[[alarm]]\nid = \"x\"\npoint = \"coil/water/supply/temperature\"\nhigh = 30.0\ndeadband = 1.0\npriority = \"low\"\ntext = \"{feeds}\"\nconsequence = \"c\"\nresponse = \"r\"\nrespond_within = \"8h\"\n");
    let (code, what) = ("feeds_no_rack", "below the meter of no tier");
    one(&elsewhere, MODULE, "\"{feeds}\"", code, what, "take {feeds} out of the text");
}
