//! The points of the module's drawing as the page takes them: by role, parts with their names.
//!
//! The page knows no path by heart: it draws the roles named here and leaves out those that have no point. Which point has
//! which role is the plan's (`[overview]`). Decides nothing about values. Never panics.

use serde_json::{Map, Value, json};

use crate::plan::Plan;

/// Roles of one point that keep their name.
const SINGLE: &[&str] = &[
    "supply_temperature",
    "return_temperature",
    "flow",
    "static_pressure",
    "strainer_drop",
    "pump_rise",
    "valve",
    "heat",
    "condensation_margin",
    "dew_point",
    "entering_air",
    "fan_rise",
    "fan_reserve",
    "filter_drop",
    "main_power",
    "power_source",
    "electrical_margin",
    "smoke",
];

/// Parts: their name, and for each key of a part the role, with whether several points may fill it.
type Parts = (&'static str, &'static [(&'static str, &'static str, bool)]);
const PARTS: &[Parts] = &[
    ("pumps", &[("state", "pump_state", false), ("speed", "pump_speed", false), ("power", "pump_power", false)]),
    ("fans", &[("speed", "fan_speed", false), ("running", "fan_running", false), ("fault", "fan_fault", false)]),
    (
        "racks",
        &[
            ("inlets", "rack_inlet", true),
            ("outlet", "rack_outlet", false),
            ("powers", "rack_power", true),
            ("fits", "rack_fits", false),
        ],
    ),
    ("ups", &[("seconds_left", "ups_seconds", false), ("source", "ups_source", false)]),
    ("breakers", &[("position", "breaker_position", false), ("trip", "breaker_trip", false)]),
    ("first_breakers", &[("breaker", "first_breaker", false), ("margin", "first_breaker_margin", false)]),
    ("doors", &[("path", "doors", false)]),
];

/// Single things of several points.
const THINGS: &[Parts] = &[
    (
        "chiller",
        &[
            ("state", "chiller_state", false),
            ("leaving_temperature", "chiller_leaving", false),
            ("power", "chiller_power", false),
        ],
    ),
    ("cold_aisle", &[("temperature", "cold_aisle_temperature", true), ("humidity", "cold_aisle_humidity", true)]),
    ("hot_aisle", &[("temperature", "hot_aisle_temperature", true)]),
    (
        "capacity",
        &[
            ("total", "fits", false),
            ("binds", "fits_bound_by", false),
            ("power", "fits_power", false),
            ("cooling", "fits_cooling", false),
        ],
    ),
];

/// The drawing's points.
pub(super) fn of(plan: &Plan) -> Value {
    let path = |point: u32| usize::try_from(point).ok().and_then(|at| plan.points.get(at)).map(|p| p.path.as_str());
    let role =
        |role: &str| -> Vec<&str> { plan.overview.role(role).iter().filter_map(|drawn| path(drawn.point)).collect() };
    let mut roles = Map::new();
    for name in SINGLE {
        if let Some(path) = role(name).first() {
            roles.insert((*name).into(), json!(path));
        }
    }
    let mut put = |name: &str, value: Value| {
        let empty = match &value {
            Value::Array(list) => list.is_empty(),
            Value::Object(map) => map.is_empty(),
            Value::Null => true,
            Value::Bool(_) | Value::Number(_) | Value::String(_) => false,
        };
        if !empty {
            roles.insert(name.into(), value);
        }
    };
    put("leaving_air", json!(role("leaving_air")));
    put("leaks", json!(role("leaks")));
    for (name, keys) in PARTS {
        let names = plan.overview.parts(&roles_of(keys));
        let parts = names.into_iter().map(|part| {
            let of_part = |role: &str| -> Vec<&str> {
                let drawn = plan.overview.role(role).iter().filter(|drawn| drawn.part == part);
                drawn.filter_map(|drawn| path(drawn.point)).collect()
            };
            let mut whole = filled(keys, &of_part);
            whole.insert("name".into(), part.into());
            Value::Object(whole)
        });
        put(name, parts.collect());
    }
    for (name, keys) in THINGS {
        put(name, Value::Object(filled(keys, &role)));
    }
    let clocks = ["air", "water", "chiller"].into_iter().filter_map(|name| {
        let one = |end: &str| role(&format!("{name}_{end}")).first().copied().map(str::to_owned);
        let (seconds, margin) = (one("seconds"), one("margin"));
        (seconds.is_some() || margin.is_some()).then(|| json!({ "name": name, "seconds": seconds, "margin": margin }))
    });
    put("clocks", clocks.collect());
    Value::Object(roles)
}

/// The keys of one part that have a point.
fn filled<'p>(keys: &[(&'static str, &'static str, bool)], role: &dyn Fn(&str) -> Vec<&'p str>) -> Map<String, Value> {
    let values = keys.iter().filter_map(|(key, name, several)| {
        let paths = role(name);
        let value =
            if *several { (!paths.is_empty()).then(|| json!(paths)) } else { paths.first().map(|path| json!(path)) };
        Some(((*key).to_owned(), value?))
    });
    values.collect()
}

/// The roles of a part's keys.
fn roles_of(keys: &[(&'static str, &'static str, bool)]) -> Vec<&'static str> {
    keys.iter().map(|(_, role, _)| *role).collect()
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use super::*;
    use crate::config::keys;
    use crate::plan::Point;
    use crate::plan::overview::Drawn;

    #[test]
    fn what_has_points_is_drawn_and_nothing_else() {
        let paths =
            ["coil/water/flow", "rack/07/inlet/top/temperature", "rack/07/pdu/a/power", "fan/03/speed", "fan/01/speed"];
        let points = paths.iter().map(|path| Point { path: (*path).into(), ..Point::default() });
        let mut plan = Plan { points: points.collect(), ..Plan::default() };
        let drawn = |part: &str, point| Drawn { part: part.into(), point };
        plan.overview.fill("flow", vec![drawn("", 0)]);
        plan.overview.fill("rack_inlet", vec![drawn("07", 1)]);
        plan.overview.fill("rack_power", vec![drawn("07", 2)]);
        plan.overview.fill("fan_speed", vec![drawn("01", 4), drawn("03", 3)]);
        let roles = of(&plan);
        assert_eq!(
            roles,
            json!({
                "flow": "coil/water/flow",
                "racks": [{ "name": "07", "inlets": ["rack/07/inlet/top/temperature"], "powers": ["rack/07/pdu/a/power"] }],
                "fans": [{ "name": "01", "speed": "fan/01/speed" }, { "name": "03", "speed": "fan/03/speed" }],
            })
        );
    }

    #[test]
    fn every_role_that_can_be_configured_is_drawn_and_no_other() {
        let configured: BTreeSet<&str> = keys::of("overview").map(|key| key.name).collect();
        let clocks = ["air", "water", "chiller"].map(|name| [format!("{name}_seconds"), format!("{name}_margin")]);
        let clocks: Vec<String> = clocks.into_iter().flatten().collect();
        let of_parts = PARTS.iter().chain(THINGS).flat_map(|(_, keys)| roles_of(keys));
        let drawn: BTreeSet<&str> = SINGLE
            .iter()
            .copied()
            .chain(of_parts)
            .chain(["leaving_air", "leaks"])
            .chain(clocks.iter().map(String::as_str))
            .collect();
        assert_eq!(configured, drawn);
    }
}
