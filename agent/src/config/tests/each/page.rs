//! The page: which points its drawing shows in which role, and what it is protected by.

use super::*;
use crate::plan::Plan;

const LISTEN: &str = "listen = \"127.0.0.1:8467\"";

fn good(copy: &Copy) -> Plan {
    copy.load().unwrap_or_else(|mistakes| panic!("{mistakes}")).plan
}

fn paths<'p>(plan: &'p Plan, role: &str) -> Vec<(&'p str, &'p str)> {
    let drawn = plan.overview.role(role).iter();
    drawn.map(|drawn| (drawn.part.as_str(), plan.points[drawn.point as usize].path.as_str())).collect()
}

#[test]
fn roles_are_filled_from_the_usual_paths_and_the_others_left_out() {
    let plan = good(&Copy::new());
    assert_eq!(paths(&plan, "flow"), [("", "coil/water/flow")]);
    assert_eq!(paths(&plan, "heat"), [("", "coil/water/heat")], "a derived point");
    assert_eq!(paths(&plan, "fan_speed"), [("01", "fan/01/speed"), ("02", "fan/02/speed")]);
    assert_eq!(paths(&plan, "ups_source"), [("a1", "ups/a1/output/source")]);
    assert_eq!(paths(&plan, "cold_aisle_temperature"), [("", "cold-aisle/temperature")]);
    assert!(paths(&plan, "pump_speed").is_empty() && paths(&plan, "fits").is_empty());
    assert_eq!(plan.overview.parts(&["fan_running", "fan_speed"]), ["01", "02"]);
}

#[test]
fn what_is_written_holds_and_an_empty_text_leaves_a_role_out() {
    let plan = good(&Copy::new().and(
        MODULE,
        "\n[overview]\nflow = \"\"\ncondensation_margin = \"coil/margin\"\nfan_speed = [\"fan/{n}/speed\", \"fan/{n}/mode\"]\nfan_running = \"fan/{f}/state\"\nleaks = []\n",
    ));
    assert!(paths(&plan, "flow").is_empty());
    assert_eq!(paths(&plan, "condensation_margin"), [("", "coil/margin")]);
    let four = [("01", "fan/01/speed"), ("02", "fan/02/speed"), ("01", "fan/01/mode"), ("02", "fan/02/mode")];
    assert_eq!(paths(&plan, "fan_speed"), four);
    assert_eq!(paths(&plan, "fan_running"), [("01", "fan/01/state"), ("02", "fan/02/state")]);
}

#[test]
fn roles_written_wrongly() {
    let role = |line: &str| format!("\n[overview]\n{line}\n");
    added(
        &role("flow = \"coil/water/flaw\""),
        "\"coil/water/flaw\"",
        "unknown_point",
        "coil/water/flaw",
        "coil/water/flow",
    );
    added(&role("flow = \"coil/*/flow\""), "\"coil/*/flow\"", "bad_pattern", "one point's", "segments");
    added(&role("fan_speed = \"fan/{n}/sped\""), "\"fan/{n}/sped\"", "nothing_matches", "fan/{n}/sped", "");
    added(&role("fan_speed = [\"fan/{N}/speed\"]"), "[\"fan/{N}/speed\"]", "bad_pattern", "fan/{N}/speed", "captures");
    added(&role("fan_sped = \"fan/{n}/speed\""), "fan_sped", "unknown_key", "fan_sped", "fan_speed");
    added(&role("flow = 35711"), "35711", "wrong_type", "a text", "");
}

#[test]
fn beyond_loopback_the_page_asks_for_tls_or_a_word() {
    let at = |more: &str| format!("listen = \"0.0.0.0:8467\"{more}");
    let open = "\"0.0.0.0:8467\"";
    changed(MODULE, LISTEN, &at(""), open, "weak_access", "without TLS", "certificate and key");
    changed(MODULE, LISTEN, &at("\nwithout_tls = false"), open, "weak_access", "without TLS", "without_tls = true");
    let files = "\ncertificate = \"page.pem\"\nkey = \"page.key\"";
    let plan = good(&Copy::new().with(MODULE, LISTEN, &at(files)));
    assert_eq!(plan.http.tls, Some(("page.pem".into(), "page.key".into())));
    let plan = good(&Copy::new().with(MODULE, LISTEN, &at("\nwithout_tls = true")));
    assert_eq!((plan.http.tls, plan.http.listen.map(|at| at.port())), (None, Some(8467)));
    let plan = good(&Copy::new().with(MODULE, LISTEN, &at("\nenabled = false")));
    assert_eq!(plan.http.listen, None);
}

#[test]
fn certificate_and_key_belong_together_and_names_are_names() {
    let with = |more: &str| format!("{LISTEN}\n{more}");
    changed(MODULE, LISTEN, &with("certificate = \"page.pem\""), "\"page.pem\"", "missing_key", "`key`", "page.key");
    changed(MODULE, LISTEN, &with("key = \"page.key\""), "\"page.key\"", "missing_key", "`certificate`", "page.pem");
    let plan = good(&Copy::new().with(MODULE, LISTEN, &with("names = [\"M1.Saltmarsh.example\"]")));
    assert_eq!(plan.http.names, ["m1.saltmarsh.example"]);
    for name in ["10.1.2.3", "m1.saltmarsh.example:8467", "a b", ""] {
        let list = format!("[\"{name}\"]");
        changed(MODULE, LISTEN, &with(&format!("names = {list}")), &list, "bad_address", "DNS name", "m1.saltmarsh");
    }
}
