//! Each mistake by itself: file, line, column, what is wrong, what would be right.
//!
//! Every case changes one thing of the small configuration and expects exactly one mistake.

use super::Copy;

const MODULE: &str = "module.toml";
const COIL: &str = "maps/coil.toml";
const FAN: &str = "maps/fan.toml";
const UPS: &str = "maps/ups.toml";

/// Expects one mistake, at the first place of `needle` in `file`.
#[track_caller]
fn one(copy: &Copy, file: &str, needle: &str, code: &str, what: &str, mend: &str) {
    let mistakes = copy.mistakes();
    assert_eq!(mistakes.len(), 1, "{mistakes:#?}");
    let mistake = &mistakes[0];
    assert_eq!((mistake.code, mistake.file.as_str()), (code, file), "{mistake:#?}");
    let position = mistake.position.expect("a place in a file");
    assert_eq!((position.line, position.column), copy.at(file, needle), "{mistake:#?}");
    assert!(mistake.what.contains(what), "what: {}", mistake.what);
    assert!(mistake.mend.contains(mend), "mend: {}", mistake.mend);
    let printed = mistake.to_string();
    assert!(printed.starts_with(&format!("{file}:{}:{}: ", position.line, position.column)), "{printed}");
    assert!(printed.contains('^') && printed.contains("mend: "), "{printed}");
}

/// One change, and what it leads to: file, old, new, needle, code, what, mend.
#[track_caller]
fn changed(file: &str, old: &str, new: &str, needle: &str, code: &str, what: &str, mend: &str) {
    one(&Copy::new().with(file, old, new), file, needle, code, what, mend);
}

/// Text added to the module file.
#[track_caller]
fn added(text: &str, needle: &str, code: &str, what: &str, mend: &str) {
    one(&Copy::new().and(MODULE, text), MODULE, needle, code, what, mend);
}

#[test]
fn unknown_keys() {
    changed(
        MODULE,
        "timeout_ms = 300",
        "timout_ms = 300",
        "timout_ms",
        "unknown_key",
        "unknown key `timout_ms`",
        "did you mean `timeout_ms`?",
    );
    changed(
        MODULE,
        "altitude_m = 9",
        "altitude = 9",
        "altitude = 9",
        "unknown_key",
        "`altitude`",
        "did you mean `altitude_m`?",
    );
    changed(
        MODULE,
        "deadband = 0.5",
        "hysterese = 0.5",
        "hysterese",
        "unknown_key",
        "`hysterese`",
        "remove it; known here: id, point",
    );
    changed(
        COIL,
        "response_s = 8.0",
        "responce_s = 8.0",
        "responce_s",
        "unknown_key",
        "`responce_s`",
        "did you mean `response_s`?",
    );
    added("\n[[alarms]]\nid = \"x\"\n", "alarms]]", "unknown_table", "`alarms`", "did you mean `alarm`?");
    added("\n[[busway]]\nname = \"a1\"\n", "busway]]", "unknown_table", "`busway`", "remove it");
    changed(COIL, "schema = 1", "scheme = 1", "scheme", "unknown_table", "`scheme`", "did you mean `schema`?");
}

#[test]
fn every_unknown_key_of_one_item_is_told() {
    let copy = Copy::new().with(COIL, "response_s = 8.0", "responce_s = 8.0\nplace = \"here\"");
    let keys: Vec<String> = copy.mistakes().into_iter().map(|mistake| mistake.key).collect();
    assert_eq!(keys, ["point[coil/water/supply/temperature].responce_s", "point[coil/water/supply/temperature].place"]);
}

#[test]
fn wrong_types() {
    changed(
        MODULE,
        "on_delay = \"5s\"",
        "on_delay = \"5s\"\nlatching = \"yes\"",
        "\"yes\"",
        "wrong_type",
        "the text \"yes\" where a flag belongs",
        "write true, without quotes",
    );
    changed(
        MODULE,
        "timeout_ms = 300",
        "timeout_ms = 9.7",
        "9.7",
        "wrong_type",
        "the number 9.7 where a whole number belongs",
        "write a whole number, such as 10",
    );
    changed(
        MODULE,
        "timeout_ms = 300",
        "timeout_ms = \"100\"",
        "\"100\"",
        "wrong_type",
        "the text \"100\" where a whole number belongs",
        "write 100 without quotes",
    );
    changed(
        MODULE,
        "high = 21.0",
        "high = \"21.0\"",
        "\"21.0\"",
        "wrong_type",
        "where a number belongs",
        "write 21.0 without quotes",
    );
    changed(
        MODULE,
        "altitude_m = 9",
        "altitude_m = \"9\"",
        "\"9\"",
        "wrong_type",
        "where a number belongs",
        "write 9 without quotes",
    );
    changed(
        MODULE,
        "site = \"saltmarsh\"",
        "site = 7",
        "7",
        "wrong_type",
        "the whole number 7 where a text belongs",
        "put it in quotes",
    );
    changed(
        MODULE,
        "listen = \"127.0.0.1:8467\"",
        "enabled = \"yes\"",
        "\"yes\"",
        "wrong_type",
        "where a flag belongs",
        "write true",
    );
    changed(
        MODULE,
        "on_delay = \"5s\"",
        "on_delay = 5",
        "5\npriority",
        "wrong_type",
        "where a duration belongs",
        "write it with its unit, such as \"5s\"",
    );
    changed(
        COIL,
        "valid = [-20.0, 90.0]",
        "valid = 90.0",
        "90.0",
        "wrong_type",
        "where a list belongs",
        "square brackets",
    );
    changed(
        COIL,
        "valid = [-20.0, 90.0]",
        "valid = [-20.0]",
        "[-20.0]",
        "wrong_type",
        "a list of 1",
        "valid = [low, high]",
    );
    changed(
        COIL,
        "absent = [0x8000, -1]",
        "absent = [0x8000, 1.5]",
        "[0x8000, 1.5]",
        "wrong_type",
        "the number 1.5",
        "whole number",
    );
    changed(
        MODULE,
        "from = { t_surface_c",
        "from = [1]\n#",
        "[1]",
        "wrong_type",
        "a list where a table belongs",
        "table",
    );
    changed(MODULE, "[mqtt]", "[[mqtt]]", "mqtt]]", "wrong_type", "a list where a table belongs", "write [mqtt] once");
}

#[test]
fn a_single_bracket_list() {
    let copy = Copy::new().with(UPS, "[[point]]\npath = \"battery/charge\"", "[point]\npath = \"battery/charge\"");
    // TOML itself refuses a table that is a list later.
    let codes: Vec<&str> = copy.mistakes().iter().map(|mistake| mistake.code).collect();
    assert!(codes.contains(&"syntax") && codes.contains(&"wrong_type"), "{codes:?}");
    let copy = Copy::new();
    std::fs::write(copy.0.join(UPS), "[point]\npath = \"x\"\n").expect("written");
    one(&copy, UPS, "point]", "wrong_type", "a list of tables", "[[point]] in double brackets");
}

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
fn maps_that_cannot_be_read() {
    // What a map would have brought is missing too, and told after it.
    let first = |copy: Copy, needle: &str, what: &str, mend: &str| {
        let mistake = &copy.mistakes()[0];
        let position = mistake.position.expect("a place");
        assert_eq!((mistake.code, mistake.file.as_str()), ("unknown_map", MODULE), "{mistake:#?}");
        assert_eq!((position.line, position.column), copy.at(MODULE, needle));
        assert!(mistake.what.contains(what) && mistake.mend.contains(mend), "{mistake:#?}");
    };
    let copy = Copy::new().with(MODULE, "map = \"maps/coil.toml\"", "map = \"maps/coils.toml\"");
    first(copy, "\"maps/coils.toml\"", "the map `maps/coils.toml` cannot be read: ", "did you mean `maps/coil.toml`?");
    // A directory, and bytes that are no text.
    let copy = Copy::new();
    std::fs::remove_file(copy.0.join(FAN)).expect("it was there");
    std::fs::create_dir(copy.0.join(FAN)).expect("created");
    first(copy, "\"maps/fan.toml\"", "maps/fan.toml", "relative to the directory of the module file");
    let copy = Copy::new();
    std::fs::write(copy.0.join(UPS), [0x61, 0xFF, 0xFE]).expect("written");
    first(copy, "\"maps/ups.toml\"", "no UTF-8 text (byte 1)", "");
}

#[test]
fn unreadable_and_broken_files() {
    let missing = Copy::new();
    std::fs::remove_file(missing.0.join(MODULE)).expect("it was there");
    let mistake = &missing.mistakes()[0];
    assert_eq!((mistake.code, mistake.position), ("unreadable", Some(super::super::At { line: 1, column: 1 })));
    assert!(mistake.what.contains("module.toml cannot be read"), "{}", mistake.what);
    changed(UPS, "scale = 0.1", "scale = = 0.1", "= 0.1", "syntax", "not valid TOML", "correct the text");
    changed(MODULE, "[mqtt]", "[mqtt", "\nbroker", "syntax", "not valid TOML", "correct the text");
}

#[test]
fn a_key_written_twice_leaves_the_rest_readable() {
    let copy = Copy::new().with(MODULE, "altitude_m = 9", "altitude_m = 9\naltitude_m = 9").with(
        MODULE,
        "high = 21.0",
        "hihg = 21.0",
    );
    let codes: Vec<&str> = copy.mistakes().iter().map(|mistake| mistake.code).collect();
    assert_eq!(codes, ["syntax", "no_condition", "unknown_key"]);
}

#[test]
fn paths_and_names() {
    let again =
        "\n[[point]]\npath = \"coil/water/flow\"\nquantity = \"count\"\nregister = \"input:90\"\nas = \"u16\"\n";
    one(
        &Copy::new().and(COIL, again),
        COIL,
        "\"coil/water/flow\"\nquantity = \"count\"",
        "duplicate_path",
        "`coil/water/flow` exists already (in the same map)",
        "path of its own",
    );
    changed(
        MODULE,
        "path = \"coil/margin\"",
        "path = \"coil/water/flow\"",
        "\"coil/water/flow\"",
        "duplicate_path",
        "exists already (device `coil-plant`)",
        "path of its own",
    );
    changed(
        UPS,
        "path = \"battery/charge\"",
        "path = \"Battery/charge\"",
        "\"Battery/charge\"",
        "bad_name",
        "'B' at position 1",
        "lower-case",
    );
}

#[test]
fn one_path_of_two_devices() {
    let copy = Copy::new().with(MODULE, "prefix = \"fan/02\"", "prefix = \"fan/01\"").with(
        MODULE,
        "point = \"fan/02/state\"",
        "point = \"fan/01/state\"",
    );
    one(
        &copy,
        MODULE,
        "\"fan/01\"\n\n[[device]]\nname = \"ups",
        "duplicate_paths",
        "device `fan-2` brings 3 paths that exist already",
        "prefix",
    );
}

#[test]
fn reserved_and_refused_names() {
    changed(
        UPS,
        "path = \"battery/charge\"",
        "path = \"battery//charge\"",
        "\"battery//charge\"",
        "bad_name",
        "'/' at position 9",
        "",
    );
    changed(MODULE, "prefix = \"ups/a1\"", "prefix = \"ups/a#\"", "\"ups/a#\"", "bad_name", "position 6", "");
    changed(
        MODULE,
        "site = \"saltmarsh\"",
        "site = \"salt/marsh\"",
        "\"salt/marsh\"",
        "bad_name",
        "'/' at position 5",
        "topic segment",
    );
    changed(MODULE, "name = \"m1\"", "name = \"M1\"", "\"M1\"", "bad_name", "lower case: 'm'", "topic segment");
    changed(
        MODULE,
        "path = \"coil/margin\"",
        "path = \"agent/margin\"",
        "\"agent/margin\"",
        "reserved_path",
        "agent/",
        "another first segment",
    );
    changed(
        MODULE,
        "id = \"humidity-sensor\"",
        "id = \"fault/humidity\"",
        "\"fault/humidity\"",
        "reserved_alarm",
        "fault/",
        "another first segment",
    );
    changed(
        MODULE,
        "id = \"humidity-sensor\"",
        "id = \"humidity sensor\"",
        "\"humidity sensor\"",
        "bad_name",
        "position 9",
        "an alarm id",
    );
    let copy = Copy::new().with(MODULE, "prefix = \"ups/a1\"", "prefix = \"agent\"");
    let codes: Vec<(&str, String)> = copy.mistakes().into_iter().map(|mistake| (mistake.code, mistake.file)).collect();
    assert_eq!(codes, vec![("reserved_path", UPS.to_string()); 3]);
}

#[test]
fn missing_keys() {
    changed(
        MODULE,
        "site = \"saltmarsh\"\n",
        "",
        "module]",
        "missing_key",
        "`site` is missing",
        "add site = \"saltmarsh\"",
    );
    changed(
        MODULE,
        "priority = \"high\"\n",
        "",
        "[[alarm]]\nid = \"supply-water-warm\"",
        "missing_key",
        "`priority` is missing",
        "add priority = \"high\"",
    );
    changed(
        MODULE,
        "text = \"No humidity reading\"\n",
        "",
        "[[alarm]]\nid = \"humidity-sensor\"",
        "missing_key",
        "`text` is missing",
        "add text",
    );
    changed(
        COIL,
        "as = \"f32\"\n",
        "",
        "[[point]]\npath = \"coil/water/flow\"",
        "missing_key",
        "`as` is missing",
        "as = \"i16\"",
    );
    changed(
        UPS,
        "quantity = \"voltage\"\n",
        "",
        "[[point]]\npath = \"battery/voltage\"",
        "missing_key",
        "`quantity` is missing",
        "quantity = ",
    );
    changed(
        MODULE,
        "[[device]]\nname = \"ups-a1\"\nlink = \"ups-a1\"\nmap",
        "[[device]]\nlink = \"ups-a1\"\nmap",
        "[[device]]\nlink",
        "missing_key",
        "`name` is missing",
        "add name",
    );
    let copy = Copy::new();
    std::fs::write(copy.0.join(UPS), "schema = 1\n").expect("written");
    one(&copy, UPS, "schema", "missing_key", "[[point]]", "[[point]]");
    changed(COIL, "schema = 1", "schema = 2", "2", "unknown_schema", "schema 2 is not known", "schema = 1");
}

#[test]
fn addresses() {
    changed(
        MODULE,
        "modbus_tcp = \"127.0.0.1:15020\"",
        "modbus_tcp = \"127.0.0.1\"",
        "\"127.0.0.1\"",
        "bad_address",
        "the port is missing",
        "\"127.0.0.1:502\"",
    );
    changed(
        MODULE,
        "modbus_tcp = \"127.0.0.1:15020\"",
        "modbus_tcp = \"127.0.0.1:150200\"",
        "\"127.0.0.1:150200\"",
        "bad_address",
        "1 to 65535",
        "",
    );
    changed(
        MODULE,
        "snmp = \"127.0.0.1:16101\"",
        "snmp = \"127.0.0.256:161\"",
        "\"127.0.0.256:161\"",
        "bad_address",
        "IPv4",
        "\"127.0.0.1:161\"",
    );
    changed(
        MODULE,
        "serial = \"/dev/ttyUSB0\"",
        "serial = \"COM3\"",
        "\"COM3\"",
        "bad_address",
        "device file",
        "\"/dev/ttyUSB0\"",
    );
    changed(
        MODULE,
        "broker = \"127.0.0.1:1883\"",
        "broker = \"tcp://127.0.0.1:1883\"",
        "\"tcp://127.0.0.1:1883\"",
        "bad_address",
        "is not an address",
        "\"127.0.0.1:1883\"",
    );
    changed(
        MODULE,
        "listen = \"127.0.0.1:8467\"",
        "listen = \"8467\"",
        "\"8467\"",
        "bad_address",
        "listen",
        "\"127.0.0.1:8467\"",
    );
    changed(MODULE, "baud = 19200", "baud = 19201", "19201", "not_one_of", "`19201`", "did you mean `19200`?");
    changed(
        MODULE,
        "baud = 19200",
        "baud = 19200\nparity = \"evan\"",
        "\"evan\"",
        "not_one_of",
        "`evan`",
        "did you mean `even`?",
    );
    changed(
        MODULE,
        "timeout_ms = 300",
        "baud = 9600",
        "baud = 9600",
        "key_has_no_meaning",
        "`baud` has no meaning for `a modbus_tcp link`",
        "it belongs to serial",
    );
    changed(
        MODULE,
        "timeout_ms = 300",
        "timeout_ms = 5",
        "5\n",
        "out_of_range",
        "5 is outside 10 to 60000",
        "from 10 to 60000",
    );
}

#[test]
fn links_and_devices() {
    changed(
        MODULE,
        "modbus_tcp = \"127.0.0.1:15020\"\n",
        "",
        "[[link]]\nname = \"plant\"",
        "no_transport",
        "link `plant` names no connection",
        "modbus_tcp",
    );
    changed(
        MODULE,
        "baud = 19200",
        "snmp = \"127.0.0.1:161\"",
        "snmp = \"127.0.0.1:161\"",
        "two_transports",
        "`serial` and `snmp`",
        "another [[link]]",
    );
    changed(
        MODULE,
        "name = \"fan-2\"",
        "name = \"fan-1\"",
        "\"fan-1\"\nlink = \"fans\"\nunit = 12",
        "duplicate",
        "the device `fan-1` exists already",
        "name of its own",
    );
    changed(
        MODULE,
        "link = \"plant\"",
        "link = \"plat\"",
        "\"plat\"",
        "unknown_link",
        "no link is called `plat`",
        "did you mean `plant`?",
    );
    changed(
        MODULE,
        "unit = 12",
        "unit = 11",
        "11\nmap = \"maps/fan.toml\"\nprefix = \"fan/02\"",
        "same_unit",
        "devices `fan-1` and `fan-2` both answer as unit 11 on link `fans`",
        "unit it really has",
    );
    changed(MODULE, "unit = 12", "unit = 248", "248", "out_of_range", "248 is outside 1 to 247", "");
    changed(MODULE, "unit = 12", "unit = 300", "300\nmap", "out_of_range", "300 is outside 0 to 255", "");
    changed(
        MODULE,
        "map = \"maps/ups.toml\"",
        "map = \"maps/ups.toml\"\nunit = 3",
        "unit = 3",
        "key_has_no_meaning",
        "`unit` has no meaning for `an SNMP device`",
        "remove it",
    );
    added(
        "\n[[device]]\nname = \"ups-b1\"\nlink = \"ups-a1\"\nmap = \"maps/ups.toml\"\nprefix = \"ups/b1\"\n",
        "[[device]]\nname = \"ups-b1\"",
        "several_on_snmp",
        "two devices, `ups-a1` and `ups-b1`",
        "a [[link]] of its own",
    );
    added(
        "\n[[device]]\nname = \"x\"\nlink = \"plant\"\nunit = 2\nmap = \"maps/ups.toml\"\nprefix = \"x\"\n",
        "\"maps/ups.toml\"\nprefix = \"x\"",
        "wrong_source",
        "the map reads OIDs, but device `x` is on an Modbus link",
        "another link",
    );
}

#[test]
fn registers() {
    changed(
        COIL,
        "register = \"holding:0\"",
        "register = \"hold:0\"",
        "\"hold:0\"",
        "bad_register",
        "`hold:0` is no register",
        "\"holding:0\"",
    );
    changed(COIL, "register = \"holding:0\"", "register = \"40001\"", "\"40001\"", "bad_register", "`40001`", "");
    changed(
        COIL,
        "register = \"holding:0\"",
        "register = \"holding:65536\"",
        "\"holding:65536\"",
        "bad_register",
        "no address above 65535",
        "",
    );
    changed(
        COIL,
        "register = \"input:10\"",
        "register = \"input:65535\"",
        "\"input:65535\"",
        "beyond_table",
        "the value at input:65535 needs 2 registers",
        "",
    );
    changed(
        COIL,
        "scale_from = \"holding:6\"",
        "scale_from = \"holding:200\"",
        "\"holding:200\"",
        "scale_too_far",
        "too far from holding:3",
        "within 125 registers",
    );
    changed(
        COIL,
        "scale_from = \"holding:6\"",
        "scale_from = \"input:6\"",
        "\"input:6\"",
        "scale_other_table",
        "in the input table, the value in the holding table",
        "holding table",
    );
    changed(
        UPS,
        "oid = \"1.3.6.1.2.1.33.1.2.4.0\"",
        "oid = \"upsBattery.0\"",
        "\"upsBattery.0\"",
        "bad_oid",
        "`upsBattery.0` is no instance OID",
        "in digits",
    );
    changed(
        UPS,
        "oid = \"1.3.6.1.2.1.33.1.2.4.0\"\n",
        "",
        "[[point]]\npath = \"battery/charge\"",
        "no_source",
        "neither a register nor an OID",
        "register = ",
    );
    changed(
        UPS,
        "oid = \"1.3.6.1.2.1.33.1.2.4.0\"",
        "register = \"holding:9\"\nas = \"u16\"\noid = \"1.3.6.1.2.1.33.1.2.4.0\"",
        "oid = ",
        "two_sources",
        "both",
        "keep one",
    );
    changed(
        FAN,
        "register = \"discrete:0\"",
        "register = \"discrete:0\"\nas = \"u16\"",
        "as = \"u16\"",
        "not_a_bit",
        "`u16` cannot be read from a discrete table",
        "as = \"bit\"",
    );
    changed(
        FAN,
        "mask = 0x0004\n",
        "",
        "[[point]]\npath = \"mode\"",
        "bit_without_mask",
        "mask of exactly one bit",
        "mask = 0x0004",
    );
    changed(FAN, "mask = 0x0004", "mask = 0x10000", "0x10000", "mask_too_wide", "0x10000 does not fit 16 bits", "");
    changed(COIL, "as = \"f32\"", "as = \"f23\"", "\"f23\"", "not_one_of", "`f23`", "did you mean `f32`?");
    changed(
        COIL,
        "absent = [0x8000, -1]",
        "absent = [0x10000]",
        "0x10000",
        "absent_too_wide",
        "65536 does not fit 16 bits",
        "0x8000",
    );
    changed(
        COIL,
        "as = \"f32\"",
        "as = \"f32\"\nwords = 3",
        "3\nword_order",
        "bad_words",
        "`f32` takes 2 to 2 registers",
        "words = 2",
    );
}

#[test]
fn forbidden_registers() {
    let copy =
        Copy::new().with(MODULE, "map = \"maps/coil.toml\"", "map = \"maps/coil.toml\"\nforbid = [\"holding:1-1\"]");
    one(&copy, COIL, "\"holding:1\"", "reads_forbidden", "a forbidden register lies inside holding:1", "forbid");
    changed(
        MODULE,
        "map = \"maps/coil.toml\"",
        "map = \"maps/coil.toml\"\nforbid = [\"holding:9-1\"]",
        "\"holding:9-1\"",
        "bad_register",
        "backwards",
        "",
    );
    let counted = Copy::new().with(MODULE, "map = \"maps/coil.toml\"", "map = \"maps/coil.toml\"\nbase = 1");
    one(&counted, COIL, "\"holding:0\"", "bad_register", "counts from 1", "");
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
fn derived_points() {
    changed(
        MODULE,
        "compute = \"water_heat_kw\"",
        "compute = \"water_heat\"",
        "\"water_heat\"",
        "unknown_function",
        "no function is called `water_heat`",
        "did you mean `water_heat_kw`?",
    );
    changed(
        MODULE,
        "with = { p_pa = 300000.0,",
        "with = { p_pa = 300000.0, p = 1,",
        "p = 1",
        "unknown_argument",
        "`water_heat_kw` has no argument `p`",
        "",
    );
    changed(
        MODULE,
        "with = { p_pa = 300000.0,",
        "with = {",
        "[[derived]]\npath = \"coil/water/heat\"",
        "missing_argument",
        "needs the argument `p_pa`",
        "water pressure",
    );
    changed(
        MODULE,
        "meter = \"supply\"",
        "meter = \"middle\"",
        "\"middle\"",
        "not_one_of",
        "`middle` is none of: supply, return",
        "choose one",
    );
    changed(MODULE, "meter = \"supply\"", "meter = 1", "1 }", "argument_form", "one of supply, return", "");
    changed(
        MODULE,
        "with = { p_pa = 300000.0,",
        "with = { flow_m3h = 3.0, p_pa = 300000.0,",
        "flow_m3h = 3.0",
        "argument_twice",
        "`flow_m3h` is given twice",
        "keep one",
    );
    changed(
        MODULE,
        "rh = \"cold-aisle/humidity\"",
        "rh = \"cold-aisle/humidty\"",
        "\"cold-aisle/humidty\"",
        "unknown_point",
        "no point is called `cold-aisle/humidty`",
        "did you mean `cold-aisle/humidity`?",
    );
    changed(
        MODULE,
        "rh = \"cold-aisle/humidity\"",
        "rh = \"coil/water/flow\"",
        "\"coil/water/flow\" }",
        "argument_unit",
        "`rh` of `condensation_margin` is in 1, the point `coil/water/flow` is in L/s",
        "converts to 1",
    );
    changed(
        MODULE,
        "t_air_c = \"cold-aisle/temperature\"",
        "t_air_c = [\"cold-aisle/temperature\"]",
        "[\"cold-aisle/temperature\"]",
        "argument_form",
        "the path of one point",
        "",
    );
    let circle = "\n[[derived]]\npath = \"a\"\ncompute = \"sat_vap_pres\"\nfrom = { t_c = \"b\" }\nresolution = 1\n\n[[derived]]\npath = \"b\"\ncompute = \"sat_vap_pres\"\nfrom = { t_c = \"a\" }\nresolution = 1\n";
    added(circle, "\"a\"", "circle", "a → b → a", "break the circle");
}

#[test]
fn alarms() {
    changed(
        MODULE,
        "point = \"coil/water/supply/temperature\"\nhigh",
        "point = \"coil/water/suply/temperature\"\nhigh",
        "\"coil/water/suply/temperature\"",
        "unknown_point",
        "no point is called `coil/water/suply/temperature`",
        "did you mean `coil/water/supply/temperature`?",
    );
    changed(
        MODULE,
        "point = \"fan/{n}/state\"",
        "point = \"fans/{n}/state\"",
        "\"fans/{n}/state\"",
        "nothing_matches",
        "`fans/{n}/state` matches no point",
        "",
    );
    changed(
        MODULE,
        "high = 21.0",
        "high = 21.0\nlow = 4.0",
        "low = 4.0",
        "two_conditions",
        "two conditions in one alarm, `high` and `low`",
        "an alarm of its own",
    );
    changed(
        MODULE,
        "high = 21.0\n",
        "",
        "[[alarm]]\nid = \"supply-water-warm\"",
        "no_condition",
        "no condition",
        "rise_per_min",
    );
    changed(
        MODULE,
        "bad_measurement = true",
        "bad_measurement = false",
        "bad_measurement = false",
        "no_condition",
        "no condition",
        "bad_measurement = true",
    );
    changed(
        MODULE,
        "priority = \"high\"",
        "priority = \"urgent\"",
        "\"urgent\"",
        "not_one_of",
        "`urgent` is none of: critical, high, medium, low",
        "choose one",
    );
    changed(
        MODULE,
        "state = [\"failed\"]",
        "state = [\"faild\"]",
        "\"faild\"",
        "unknown_state",
        "`fan/01/state` has no state called `faild`",
        "did you mean `failed`?",
    );
    changed(
        MODULE,
        "bad_measurement = true",
        "state = \"on\"",
        "\"on\"",
        "no_states",
        "has no named states",
        "names = ",
    );
    changed(
        MODULE,
        "bad_measurement = true",
        "bad_measurement = true\ndeadband = 1",
        "deadband = 1",
        "key_not_of_condition",
        "`deadband` has no meaning for a bad_measurement alarm",
        "remove deadband",
    );
    changed(
        MODULE,
        "high = 21.0",
        "high = 21.0\nover = \"5s\"",
        "over = \"5s\"",
        "key_not_of_condition",
        "`over`",
        "remove over",
    );
    changed(
        MODULE,
        "over = \"20s\"",
        "over = \"2s\"",
        "rise_per_min",
        "window_too_short",
        "the window 2s of `coil/water/supply/temperature` is too short",
        "three scan periods",
    );
    changed(MODULE, "rise_per_min = 3", "rise_per_min = 0", "0\nover", "bad_number", "noise", "");
    changed(
        MODULE,
        "is above {limit}",
        "is above {limitt}",
        "\"Supply water {value} is above {limitt}",
        "unknown_placeholder",
        "`{limitt}` in `text`",
        "{value}, {limit}",
    );
    changed(
        MODULE,
        "Check fan {n}",
        "Check fan {m}",
        "\"Check fan {m}",
        "unknown_placeholder",
        "`{m}` in `response`",
        "{n}",
    );
    changed(
        MODULE,
        "id = \"supply-water-rising\"",
        "id = \"supply-water-warm\"",
        "\"supply-water-warm\"\npoint = \"coil/water/supply/temperature\"\nrise",
        "duplicate",
        "the alarm `supply-water-warm` exists already",
        "",
    );
}

#[test]
fn ids_that_a_pattern_repeats() {
    let copy = Copy::new().with(MODULE, "id = \"fan-{n}-failed\"", "id = \"fan-failed\"");
    one(
        &copy,
        MODULE,
        "\"fan-failed\"",
        "same_alarm_id",
        "`fan-failed` would be given to `fan/01/state` and to `fan/02/state`",
        "use {place} in the id",
    );
}

#[test]
fn patterns_that_are_none() {
    let copy = Copy::new().with(MODULE, "point = \"fan/{n}/state\"", "point = \"fan/f{n}/state\"");
    one(&copy, MODULE, "\"fan/f{n}/state\"", "bad_pattern", "whole segment", "{name} captures one");
}

#[test]
fn states_beyond_what_an_alarm_can_watch() {
    let copy = Copy::new().with(FAN, "0 = \"failed\"", "64 = \"failed\"");
    let codes: Vec<&str> = copy.mistakes().iter().map(|mistake| mistake.code).collect();
    assert_eq!(codes, ["state_too_high", "state_too_high"], "the pattern and its exception");
}

#[test]
fn windows_that_differ() {
    let second = "\n[[alarm]]\nid = \"x\"\npoint = \"coil/water/supply/temperature\"\nfall_per_min = 3\noff_delay = \"1s\"\npriority = \"low\"\ntext = \"x\"\n";
    added(second, "fall_per_min", "two_windows", "windows of 20s and 10s", "the same `over`");
}
