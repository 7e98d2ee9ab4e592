//! Which points the module's drawing shows, by role, found by the paths that maps use by convention.
//!
//! The page knows no path by heart: it draws the roles named here and leaves out those that have no point. Decides nothing
//! about values. Never panics.

use serde_json::{Map, Value, json};

use crate::plan::Plan;

/// Roles of a single point and the path that fills each.
const SINGLE: &[(&str, &str)] = &[
    ("supply_temperature", "coil/water/supply/temperature"),
    ("return_temperature", "coil/water/return/temperature"),
    ("flow", "coil/water/flow"),
    ("static_pressure", "coil/water/static-pressure"),
    ("strainer_drop", "coil/water/strainer/pressure-drop"),
    ("pump_rise", "pump/pressure-rise"),
    ("valve", "coil/valve/position"),
    ("entering_air", "coil/air/entering/temperature"),
    ("fan_rise", "fan-wall/pressure-rise"),
    ("fan_reserve", "fan-wall/reserve"),
    ("filter_drop", "filter/pressure-drop"),
    ("heat", "coil/water/heat"),
    ("main_power", "main/power"),
    ("condensation_margin", "coil/condensation-margin"),
    ("dew_point", "cold-aisle/dew-point"),
    ("smoke", "smoke/alarm"),
];

/// The drawing's points.
pub(super) fn of(plan: &Plan) -> Value {
    let paths: Vec<&str> = plan.points.iter().map(|point| point.path.as_str()).collect();
    let has = |path: &str| paths.contains(&path).then(|| Value::from(path));
    let matching = |begin: &str, end: &str| -> Vec<&str> {
        paths.iter().copied().filter(|path| path.starts_with(begin) && path.ends_with(end)).collect()
    };
    let mut roles = Map::new();
    for (role, path) in SINGLE {
        if let Some(path) = has(path) {
            roles.insert((*role).into(), path);
        }
    }
    let mut put = |role: &str, value: Value| {
        let empty = match &value {
            Value::Array(list) => list.is_empty(),
            Value::Object(map) => map.is_empty(),
            Value::Null => true,
            Value::Bool(_) | Value::Number(_) | Value::String(_) => false,
        };
        if !empty {
            roles.insert(role.into(), value);
        }
    };
    put("leaving_air", json!(matching("coil/air/leaving/", "/temperature")));
    put("cold_aisle", climate(&matching("cold-aisle/", "/temperature"), &matching("cold-aisle/", "/humidity")));
    put("hot_aisle", climate(&matching("hot-aisle/", "/temperature"), &matching("hot-aisle/", "/humidity")));
    put("doors", json!(matching("door/", "").iter().map(|path| json!({ "path": path })).collect::<Vec<_>>()));
    put("leaks", json!(matching("leak/", "").into_iter().filter(|path| !path.ends_with("/cable")).collect::<Vec<_>>()));
    let parts = |begin: &str| numbered(&paths, begin);
    let of = |begin: &str, name: &str, ends: &[(&str, &str)]| {
        let mut part = Map::from_iter([("name".to_owned(), Value::from(name))]);
        for (role, end) in ends {
            if let Some(path) = has(&format!("{begin}{name}/{end}")) {
                part.insert((*role).into(), path);
            }
        }
        Value::Object(part)
    };
    let list = |begin: &str, ends: &[(&str, &str)]| -> Value {
        parts(begin).iter().map(|name| of(begin, name, ends)).collect()
    };
    put("pumps", list("pump/", &[("state", "state"), ("speed", "speed"), ("power", "power")]));
    put("fans", list("fan/", &[("speed", "speed"), ("running", "running"), ("fault", "fault")]));
    let racks = parts("rack/").into_iter().map(|name| {
        let mut rack = of("rack/", name, &[("outlet", "outlet/temperature")]);
        rack["inlets"] = json!(matching(&format!("rack/{name}/inlet"), "temperature"));
        rack["powers"] = json!(matching(&format!("rack/{name}/"), "/power"));
        rack
    });
    put("racks", racks.collect());
    if let (Some(leaving), state) = (has("chiller/water/leaving/temperature"), has("chiller/state")) {
        put("chiller", json!({ "leaving_temperature": leaving, "state": state, "power": has("chiller/power") }));
    }
    let clocks = ["air", "water", "chiller"].into_iter().filter_map(|name| {
        let (seconds, margin) =
            (has(&format!("ride-through/{name}/seconds")), has(&format!("ride-through/{name}/margin")));
        (seconds.is_some() || margin.is_some()).then(|| json!({ "name": name, "seconds": seconds, "margin": margin }))
    });
    put("clocks", clocks.collect());
    if let Some(margin) = has("ride-through/electrical/margin") {
        put("electrical_margin", margin);
    }
    if let Some(seconds) = has("ride-through/electrical/seconds") {
        put("battery_seconds", seconds);
    }
    put("ups", list_of_ups(&paths));
    let capacity: Map<String, Value> = matching("capacity/", "")
        .into_iter()
        .map(|path| (path.trim_start_matches("capacity/").to_owned(), Value::from(path)))
        .collect();
    put("capacity", Value::Object(capacity));
    Value::Object(roles)
}

/// Rack UPS units with their seconds left.
fn list_of_ups(paths: &[&str]) -> Value {
    let with = |path: &&str| path.starts_with("ups/") && path.ends_with("/seconds-left");
    let rows = paths.iter().copied().filter(with).map(|path| {
        let name = path.trim_start_matches("ups/").trim_end_matches("/seconds-left");
        json!({ "name": name, "seconds_left": path })
    });
    rows.collect()
}

fn climate(temperature: &[&str], humidity: &[&str]) -> Value {
    if temperature.is_empty() && humidity.is_empty() {
        return Value::Null;
    }
    json!({ "temperature": temperature, "humidity": humidity })
}

/// Second segments below a first one, those that begin with a digit, each once, in the plan's order sorted by name.
fn numbered<'a>(paths: &[&'a str], begin: &str) -> Vec<&'a str> {
    let mut names: Vec<&str> = paths
        .iter()
        .filter_map(|path| path.strip_prefix(begin))
        .filter_map(|rest| rest.split_once('/').map(|(name, _)| name))
        .filter(|name| name.starts_with(|c: char| c.is_ascii_digit()))
        .collect();
    names.sort_unstable();
    names.dedup();
    names
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::Point;

    #[test]
    fn what_has_points_is_drawn_and_nothing_else() {
        let paths =
            ["coil/water/flow", "rack/07/inlet/top/temperature", "rack/07/power", "fan/03/speed", "fan/01/speed"];
        let points = paths.iter().map(|path| Point { path: (*path).into(), ..Point::default() });
        let roles = of(&Plan { points: points.collect(), ..Plan::default() });
        assert_eq!(roles["flow"], "coil/water/flow");
        assert_eq!(roles["racks"][0]["inlets"][0], "rack/07/inlet/top/temperature");
        assert_eq!(roles["fans"][0]["name"], "01");
        assert!(
            roles.get("pumps").is_none() && roles.get("supply_temperature").is_none() && roles.get("doors").is_none()
        );
    }
}
