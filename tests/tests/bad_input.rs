//! Every kind of mistake in a configuration, all told in one run: file, line, column, what is wrong, how to mend it.

use std::collections::BTreeSet;

use lapwing_tests::agent::output;
use lapwing_tests::place::TempDir;

/// A mistake planted in a file: the words of its line, the part of that line it stands at, what must be said of it, and a
/// part of its mend.
struct Planted {
    file: &'static str,
    line: &'static str,
    at: &'static str,
    said: &'static str,
    mend: &'static str,
}

const fn planted(
    file: &'static str,
    line: &'static str,
    at: &'static str,
    said: &'static str,
    mend: &'static str,
) -> Planted {
    Planted { file, line, at, said, mend }
}

const MODULE: &str = r#"[module]
site = "testbay"
name = "t1"
altitude_m = "9"
altitud = 3

[mqtt]
broker = "127.0.0.1"

[http]
enabled = "yes"

[[link]]
name = "plant"
modbus_tcp = "127.0.0.1:1502"
timeout_ms = 9.7

[[link]]
name = "far"
modbus_tcp = "nowhere:99999"

[[device]]
name = "first"
link = "plant"
unit = 1
map = "maps/good.toml"

[[device]]
name = "second"
link = "plant"
unit = 1
map = "maps/bad.toml"
prefix = "second"

[[device]]
name = "third"
link = "plant"
unit = 3
map = "maps/not-there.toml"

[[device]]
name = "fourth"
link = "plant"
unit = 4
map = "maps/a-directory"

[[alarm]]
id = "on-nothing"
point = "coil/water/suply/temperature"
high = 21.0
deadband = 0.5
priority = "high"
text = "Supply water {value} is above {limit}"

[[alarm]]
id = "pattern-{r}"
point = "rack/{r}/inlet/temperature"
high = 32.0
deadband = 0.5
priority = "high"
text = "Inlet {value} is above {limit}"

[[alarm]]
id = "both"
point = "coil/water/supply/temperature"
high = 21.0
low = 5.0
deadband = 0.5
priority = "high"
text = "Supply water {value} is outside {limit}"

[[alarm]]
id = "flag"
point = "coil/water/supply/temperature"
high = 22.0
deadband = 0.5
latching = "yes"
priority = "high"
text = "Supply water {value} is above {limit}"
"#;

const GOOD_MAP: &str = r#"schema = 1

[[point]]
path = "coil/water/supply/temperature"
quantity = "temperature"
unit = "Cel"
register = "holding:0"
as = "i16"
scale = 0.1
"#;

const BAD_MAP: &str = r#"schema = 1

[[point]]
path = "return/temperature"
quantity = "temperature"
unit = "°C"
register = "holding:0"
as = "i16"
scale = 0.1

[[point]]
path = "pressure"
quantity = "pressure"
unit = "kPa"
register = "holding:2"
as = "f32"

[[point]]
path = "flow"
quantity = "volume_flow"
unit = "m3/h"
register = "holding:1"
as = "u16"

[[point]]
path = "flow"
quantity = "volume_flow"
unit = "m3/h"
register = "holding:8"
as = "u16"
"#;

const M: &str = "module.toml";
const B: &str = "bad.toml";

/// In the order of the issue they guard against: each kind once.
const PLANTED: &[Planted] = &[
    planted(M, "altitud = 3", "altitud", "unknown key `altitud`", "altitude_m"),
    planted(M, "altitude_m = \"9\"", "\"9\"", "wrong type", "quotes"),
    planted(M, "broker = \"127.0.0.1\"", "\"127.0.0.1\"", "not an address", "127.0.0.1:1883"),
    planted(M, "enabled = \"yes\"", "\"yes\"", "wrong type", "true, without quotes"),
    planted(M, "timeout_ms = 9.7", "9.7", "wrong type", "whole number"),
    planted(M, "modbus_tcp = \"nowhere:99999\"", "\"nowhere:99999\"", "not an address", "127.0.0.1:502"),
    planted(M, "map = \"maps/not-there.toml\"", "\"maps/not-there.toml\"", "maps/not-there.toml", "map file"),
    planted(M, "map = \"maps/a-directory\"", "\"maps/a-directory\"", "maps/a-directory", "map file"),
    planted(
        M,
        "point = \"coil/water/suply/temperature\"",
        "\"coil",
        "no point is called",
        "coil/water/supply/temperature",
    ),
    planted(M, "point = \"rack/{r}/inlet/temperature\"", "\"rack", "matches no point", ""),
    planted(M, "low = 5.0", "low", "two conditions", ""),
    planted(M, "latching = \"yes\"", "\"yes\"", "wrong type", "true, without quotes"),
    planted(B, "unit = \"°C\"", "\"°C\"", "unknown unit `°C`", "Cel"),
];

/// Mistakes whose place is the item, not one key; the line is that of the item or its key.
const ELSEWHERE: &[(&str, &str, &str)] = &[
    (M, "both answer as unit 1", "unit"),
    (B, "`resolution` is missing", "resolution = 0.1"),
    (B, "the path `second/flow` exists already", "path of its own"),
];

/// `file:line:column: what`, with the indented lines that belong to it.
struct Said {
    file: String,
    line: usize,
    column: usize,
    what: String,
    rest: String,
}

fn read(text: &str) -> Vec<Said> {
    let mut said: Vec<Said> = Vec::new();
    for row in text.lines() {
        if row.starts_with(' ') {
            if let Some(last) = said.last_mut() {
                last.rest.push_str(row);
                last.rest.push('\n');
            }
            continue;
        }
        let Some((place, what)) = row.split_once(": ") else { continue };
        let mut parts = place.rsplitn(3, ':');
        let column = parts.next().and_then(|part| part.parse().ok());
        let line = parts.next().and_then(|part| part.parse().ok());
        if let (Some(column), Some(line), Some(file)) = (column, line, parts.next()) {
            said.push(Said { file: file.into(), line, column, what: what.into(), rest: String::new() });
        }
    }
    said
}

fn home() -> TempDir {
    let home = TempDir::new("bad-input");
    home.write("module.toml", MODULE);
    home.write("maps/good.toml", GOOD_MAP);
    home.write("maps/bad.toml", BAD_MAP);
    std::fs::create_dir(home.join("maps/a-directory")).expect("a directory can be made");
    home
}

/// Line and column, counted from 1, of a part of a line.
fn place(text: &str, line: &str, at: &str) -> (usize, usize) {
    let found: Vec<_> = text.lines().enumerate().filter(|(_, row)| *row == line).collect();
    let [(number, row)] = found.as_slice() else { panic!("{line:?} stands {} times in the file", found.len()) };
    let before = &row[..row.find(at).unwrap_or_else(|| panic!("{at:?} is not in {row:?}"))];
    (number + 1, before.chars().count() + 1)
}

#[test]
fn every_mistake_is_told_in_one_run() {
    let home = home();
    let config = home.join("module.toml");
    let config = config.to_str().expect("a temporary path is text");
    for command in ["check", "run"] {
        let (code, out, err) = output(&[command, "--config", config], &[("LAPWING__STORE__MAX_MIB", "plenty")]);
        assert_eq!(code, 2, "{command}: {out}\n{err}");
        let all = format!("{out}{err}");
        let said = read(&all);
        let mut told = BTreeSet::new();
        for planted in PLANTED {
            let text = if planted.file == M { MODULE } else { BAD_MAP };
            let (line, column) = place(text, planted.line, planted.at);
            let found = said.iter().position(|one| {
                one.file.ends_with(planted.file)
                    && one.line == line
                    && one.column == column
                    && one.what.contains(planted.said)
            });
            let found = found.unwrap_or_else(|| {
                panic!("{command}: nothing at {}:{line}:{column} saying {:?} in:\n{all}", planted.file, planted.said)
            });
            let mend = said[found].rest.split("mend: ").nth(1).unwrap_or("");
            assert!(!mend.trim().is_empty(), "no mend for {}", planted.line);
            assert!(mend.contains(planted.mend), "the mend of {:?} is {mend:?}", planted.line);
            assert!(said[found].rest.contains(planted.line), "the line itself is not shown: {}", said[found].rest);
            told.insert(found);
        }
        for (file, what, mend) in ELSEWHERE {
            let found = said.iter().position(|one| one.file.ends_with(file) && one.what.contains(what));
            let found = found.unwrap_or_else(|| panic!("{command}: nothing in {file} saying {what:?} in:\n{all}"));
            assert!(said[found].line > 1 && said[found].column >= 1);
            assert!(said[found].rest.contains(mend), "the mend of {what:?} is {:?}", said[found].rest);
            told.insert(found);
        }
        assert!(all.contains("LAPWING__STORE__MAX_MIB"), "the environment's mistake is not told:\n{all}");
        // Nothing follows from another mistake: each planted one is told once, and no other.
        let more: Vec<_> = said
            .iter()
            .enumerate()
            .filter(|(n, _)| !told.contains(n))
            .map(|(_, one)| format!("{}:{}:{}: {}", one.file, one.line, one.column, one.what))
            .collect();
        assert!(more.is_empty(), "{command}: told but not planted: {more:#?}");
    }
}

#[test]
fn a_file_that_cannot_be_read_or_parsed_is_told() {
    let home = TempDir::new("unreadable");
    let missing = home.join("nowhere.toml");
    let (code, out, err) = output(&["check", "--config", missing.to_str().expect("text")], &[]);
    assert_eq!(code, 2, "{out}{err}");
    assert!(format!("{out}{err}").contains("nowhere.toml"), "{out}{err}");

    let broken = home.write("broken.toml", "[module]\nsite = \"testbay\"\nname = \"t1\n");
    let (code, out, err) = output(&["check", "--config", broken.to_str().expect("text")], &[]);
    assert_eq!(code, 2, "{out}{err}");
    let said = read(&format!("{out}{err}"));
    assert!(said.iter().any(|one| one.line == 3 && one.file.ends_with("broken.toml")), "{out}{err}");

    let latin = home.join("latin.toml");
    std::fs::write(&latin, b"[module]\nsite = \"s\xe9\"\n").expect("a file can be written");
    let (code, out, err) = output(&["check", "--config", latin.to_str().expect("text")], &[]);
    assert_eq!(code, 2, "{out}{err}");
    assert!(!format!("{out}{err}").contains("panicked"), "{out}{err}");
}

#[test]
fn as_json_too() {
    let home = home();
    let config = home.join("module.toml");
    let (code, out, err) = output(&["check", "--json", "--config", config.to_str().expect("text")], &[]);
    assert_eq!(code, 2);
    let values: Vec<serde_json::Value> = serde_json::Deserializer::from_str(&out)
        .into_iter()
        .collect::<Result<_, _>>()
        .unwrap_or_else(|error| panic!("{error}: {out}{err}"));
    let text = serde_json::to_string(&values).expect("JSON can be written");
    for planted in PLANTED {
        let quoted = serde_json::to_string(planted.said).expect("text is JSON");
        assert!(text.contains(quoted.trim_matches('"')), "{} is not told in {out}", planted.said);
    }
}

#[test]
fn usage_mistakes_end_with_2_and_help_with_0() {
    assert_eq!(output(&["run"], &[]).0, 2);
    assert_eq!(output(&["no-such-command"], &[]).0, 2);
    assert_eq!(output(&["demo", "--scenario", "no-such-scenario", "--seconds", "1"], &[]).0, 2);
    assert_eq!(output(&["schema", "no-such-message"], &[]).0, 2);
    assert_eq!(output(&["--help"], &[]).0, 0);
}
