//! Mistakes of writing: keys, types, files that cannot be read, keys that are missing.

use super::{COIL, Copy, FAN, MODULE, UPS, added, changed, one};

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
    added("\n[[cupboard]]\nname = \"a1\"\n", "cupboard]]", "unknown_table", "`cupboard`", "remove it");
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
        "the text \"yes\" where a boolean belongs",
        "write true, without quotes",
    );
    changed(
        MODULE,
        "timeout_ms = 300",
        "timeout_ms = 9.7",
        "9.7",
        "wrong_type",
        "the number 9.7 where an integer belongs",
        "write a whole number, such as 10",
    );
    changed(
        MODULE,
        "timeout_ms = 300",
        "timeout_ms = \"100\"",
        "\"100\"",
        "wrong_type",
        "the text \"100\" where an integer belongs",
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
        "the integer 7 where a text belongs",
        "put it in quotes",
    );
    changed(
        MODULE,
        "listen = \"127.0.0.1:8467\"",
        "enabled = \"yes\"",
        "\"yes\"",
        "wrong_type",
        "where a boolean belongs",
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
    assert_eq!((mistake.code, mistake.position), ("unreadable", Some(crate::config::At { line: 1, column: 1 })));
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
