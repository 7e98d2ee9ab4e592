//! Mistakes about numbers: units, quantities, resolutions, limits, durations.

use lapwing_engine::spec::{Millis, Raw};
use lapwing_engine::{AlarmState, Engine, PointState, Window};
use lapwing_protocol::Status;

use super::{COIL, Copy, FAN, MODULE, changed};

#[test]
fn units_and_quantities() {
    changed(
        COIL,
        "unit = \"Cel\"",
        "unit = \"°C\"",
        "\"°C\"",
        "unknown_unit",
        "unknown unit `°C`",
        "did you mean `Cel`?",
    );
    changed(
        COIL,
        "unit = \"L/s\"",
        "unit = \"l/sek\"",
        "\"l/sek\"",
        "unknown_unit",
        "unknown unit `l/sek`",
        "did you mean `L/s`?",
    );
    changed(COIL, "unit = \"%\"", "unit = \"zorkmid\"", "\"zorkmid\"", "unknown_unit", "`zorkmid`", "UCUM code");
    changed(
        COIL,
        "quantity = \"relative_humidity\"",
        "quantity = \"humidity\"",
        "\"humidity\"",
        "unknown_quantity",
        "unknown quantity `humidity`",
        "did you mean `humidity_ratio`?",
    );
    changed(
        COIL,
        "unit = \"L/s\"",
        "unit = \"kW\"",
        "\"kW\"",
        "unit_not_of_quantity",
        "`kW` is no unit of the quantity `volume_flow`",
        "m3/h",
    );
    changed(
        FAN,
        "unit = \"{rpm}\"\n",
        "",
        "[[point]]\npath = \"speed\"",
        "missing_key",
        "`unit` is missing",
        "unit = \"Cel\"",
    );
}

#[test]
fn numbers_and_resolutions() {
    changed(
        COIL,
        "resolution = 0.05\n",
        "",
        "[[point]]\npath = \"coil/water/flow\"",
        "missing_resolution",
        "floating source",
        "resolution = 0.1",
    );
    changed(
        COIL,
        "resolution = 0.1\n",
        "",
        "[[point]]\npath = \"cold-aisle/humidity\"",
        "missing_resolution",
        "scale-factor register",
        "",
    );
    changed(
        MODULE,
        "resolution = 0.5\n",
        "",
        "[[derived]]\npath = \"coil/water/heat\"",
        "missing_resolution",
        "computed number",
        "",
    );
    changed(COIL, "resolution = 0.05", "resolution = 0.03", "0.03", "bad_resolution", "0.03", "0.05");
    changed(COIL, "resolution = 0.05", "resolution = 0", "0\nrate", "bad_resolution", "0", "");
    changed(
        MODULE,
        "high = 21.0",
        "high = 21.05",
        "21.05",
        "finer_than_resolution",
        "21.05 is finer than the resolution 0.1 of `coil/water/supply/temperature`",
        "round it",
    );
    changed(MODULE, "high = 21.0", "high = 1e18", "1e18", "too_large_at_resolution", "does not fit", "");
    changed(MODULE, "high = 21.0", "high = nan", "nan", "bad_number", "nan", "");
    changed(
        COIL,
        "valid = [-20.0, 90.0]",
        "valid = [90.0, -20.0]",
        "[90.0, -20.0]",
        "empty_range",
        "90.0 to -20.0 is empty",
        "lower bound first",
    );
    changed(
        MODULE,
        "deadband = 0.5",
        "deadband = -0.5",
        "-0.5",
        "negative",
        "deadband cannot be negative",
        "without a sign",
    );
    changed(COIL, "scale = 0.1\nvalid", "scale = 0\nvalid", "0\nvalid", "bad_number", "0", "");
}

#[test]
fn durations() {
    for bad in ["5 s", "5", "-5s", "1.5s", "5sec", "100d"] {
        let new = format!("on_delay = \"{bad}\"");
        changed(
            MODULE,
            "on_delay = \"5s\"",
            &new,
            &format!("\"{bad}\""),
            "bad_duration",
            &format!("`{bad}` is no duration"),
            "\"300ms\", \"5s\", \"3m\", \"1h\"",
        );
    }
    changed(FAN, "scan_period = \"500ms\"", "scan_period = \"5ms\"", "\"5ms\"", "scan_too_short", "5ms", "\"10ms\"");
}

#[test]
fn how_long_history_is_kept() {
    for (key, value, range) in [
        ("raw_days", "0", "0 is outside 1 to 3660"),
        ("event_days", "4000", "4000 is outside 1 to 3660"),
        ("quarter_days", "36600", "36600 is outside 1 to 3660"),
        ("history_max_mib", "8", "8 is outside 64 to 1073741824"),
        ("reserve_mib", "-1", "-1 is outside 16 to 1073741824"),
    ] {
        let written = format!("dir = \"data\"\n{key} = {value}\n# kept");
        changed(MODULE, "dir = \"data\"", &written, &format!("{value}\n# kept"), "out_of_range", range, "");
    }
}

const FLOW: &str = "resolution = 0.05\nrate_max = 5.0";

#[test]
fn loop_currents() {
    let case = |with: &str, needle: &str, code: &str, what: &str, mend: &str| {
        changed(COIL, FLOW, &format!("{with}\nrate_max = 5.0"), needle, code, what, mend);
    };
    case(
        "resolution = 0.05\ncurrent_loop = [16.0, 16.0]",
        "[16.0, 16.0]",
        "bad_number",
        "4 mA and 20 mA cannot stand for the same",
        "",
    );
    case("resolution = 0.05\ncurrent_loop = [0.0]", "[0.0]", "wrong_type", "a list of 1", "[low, high]");
    case("resolution = 1\ncurrent_loop = [0.0, 16.0]", "resolution = 1", "bad_number", "at most a hundredth", "");
    case(
        "resolution = 0.05\ncurrent_loop = [0.0, 9e17]",
        "[0.0, 9e17]",
        "bad_number",
        "more digits than a value holds",
        "",
    );
    changed(
        COIL,
        "as = \"i16\"\nscale = 0.1\n\n",
        "as = \"i16\"\nscale = 0.1\ncurrent_loop = [0.0, 50.0]\n\n",
        "[[point]]\npath = \"coil/water/return/temperature\"",
        "missing_resolution",
        "a loop current has no places of its own",
        "resolution = 0.1",
    );
    changed(
        FAN,
        "quantity = \"state\"",
        "quantity = \"state\"\ncurrent_loop = [0.0, 1.0]",
        "current_loop",
        "key_has_no_meaning",
        "current_loop",
        "remove it",
    );
}

#[test]
fn a_loop_current_is_believed_as_its_bands_say() {
    let with = format!("{FLOW}\ncurrent_loop = [0.0, 16.0]");
    let plan = Copy::new().with(COIL, FLOW, &with.replace("rate_max = 5.0\n", "")).load().expect("no mistake").plan;
    let point = plan.points.iter().position(|point| point.path == "coil/water/flow").expect("there");
    let number = u32::try_from(point).expect("few points");
    let mut points = vec![PointState::default(); plan.engine.points.len()];
    let mut alarms = vec![AlarmState::default(); plan.engine.alarms.len()];
    let mut windows = vec![Window::default(); plan.engine.windows.len()];
    let mut engine = Engine::new(plan.engine.tables(), &mut points, &mut alarms, &mut windows).expect("fits");
    for (ma, status, value) in [
        (4.0, Status::GOOD, Some(0)),
        (12.8, Status::GOOD, Some(880)),
        (3.8, Status::GOOD, Some(-20)),
        (3.7, Status::UNCERTAIN_SENSOR_NOT_ACCURATE, Some(-30)),
        (3.6, Status::BAD_SENSOR_FAILURE, None),
        (0.0, Status::BAD_SENSOR_FAILURE, None),
        (20.5, Status::GOOD, Some(1650)),
        (20.6, Status::UNCERTAIN_SENSOR_NOT_ACCURATE, Some(1660)),
        (21.0, Status::BAD_SENSOR_FAILURE, None),
        (24.0, Status::BAD_SENSOR_FAILURE, None),
        (20.0, Status::GOOD, Some(1600)),
    ] {
        engine.read(Millis(1000), number, &Raw::Real(ma), Millis(1000), &mut |_| {});
        let reading = engine.reading(number);
        assert_eq!(reading.status, status, "{ma} mA");
        assert!(value.is_none_or(|value| value == reading.value), "{ma} mA: {}", reading.value);
    }
}
