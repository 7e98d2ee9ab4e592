//! Runs every row of `tests/checks.csv` through the functions: as a library and through `lapwing calc --jsonl`.
//!
//! A row says function, inputs, expected answer, unit (UCUM) and tolerance: `abs:x`, `rel:x` or `exact`. In an answer of
//! several parts the tolerance holds for each number. Sources stand in the table.

use std::io::Write as _;
use std::process::{Command, Stdio};

use lapwing::compute::{self, Answer};
use serde_json::{Map, Value, json};

const TABLE: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/../tests/checks.csv");

struct Row {
    id: String,
    function: String,
    inputs: Map<String, Value>,
    expected: Value,
    unit: String,
    tolerance: Tolerance,
    source: String,
}

#[derive(Clone, Copy)]
enum Tolerance {
    Exact,
    Absolute(f64),
    Relative(f64),
}

fn rows() -> Vec<Row> {
    let mut reader = csv::Reader::from_path(TABLE).expect("the table is there");
    let rows: Vec<Row> = reader.records().map(|record| row(&record.expect("a row of the table"))).collect();
    assert!(rows.len() >= 108, "the table has lost rows: {}", rows.len());
    rows
}

fn row(record: &csv::StringRecord) -> Row {
    let number = |text: &str| text.parse().unwrap_or_else(|_| panic!("{}: tolerance {text}", &record[0]));
    Row {
        id: record[0].into(),
        function: record[1].into(),
        inputs: serde_json::from_str(&record[2]).unwrap_or_else(|error| panic!("{}: {error}", &record[0])),
        // What is no JSON is a word.
        expected: serde_json::from_str(&record[3]).unwrap_or_else(|_| record[3].into()),
        unit: record[4].into(),
        tolerance: match record[5].split_once(':') {
            Some(("abs", by)) => Tolerance::Absolute(number(by)),
            Some(("rel", by)) => Tolerance::Relative(number(by)),
            Some(_) | None => {
                assert_eq!(&record[5], "exact", "{}", &record[0]);
                Tolerance::Exact
            }
        },
        source: record[6].into(),
    }
}

fn fits(got: &Value, expected: &Value, tolerance: Tolerance) -> bool {
    match (got, expected) {
        (Value::Number(got), Value::Number(expected)) => {
            let (Some(got), Some(expected)) = (got.as_f64(), expected.as_f64()) else { return false };
            let off = (got - expected).abs();
            match tolerance {
                Tolerance::Exact => off == 0.0,
                Tolerance::Absolute(by) => off <= by,
                Tolerance::Relative(by) => off <= by * expected.abs(),
            }
        }
        (Value::Array(got), Value::Array(expected)) => {
            got.len() == expected.len()
                && got.iter().zip(expected).all(|(got, expected)| fits(got, expected, tolerance))
        }
        (Value::Object(got), Value::Object(expected)) => {
            got.len() == expected.len()
                && expected
                    .iter()
                    .all(|(name, expected)| got.get(name).is_some_and(|got| fits(got, expected, tolerance)))
        }
        (got, expected) => got == expected,
    }
}

/// What is wrong with an answer; nothing if it fits.
fn wrong(row: &Row, value: &Value, unit: Option<&str>) -> Option<String> {
    if !fits(value, &row.expected, row.tolerance) {
        return Some(format!("{} {}: {value}, expected {}", row.id, row.function, row.expected));
    }
    let unit = unit?;
    (unit != row.unit).then(|| format!("{} {}: unit {unit}, expected {}", row.id, row.function, row.unit))
}

/// What nobody here has read is known from memory, and the row says so.
#[test]
fn every_row_names_its_source() {
    let unread =
        ["NEMA MG 1", "IEC 61000-4-30", "IEEE 450", "IEEE 1188", "ISA-18.2", "TC 9.9", "AMCA", "pPUE", "triple point"];
    for row in rows() {
        let source = &row.source;
        let kinds =
            ["computed", "published", "example", "suite", "rule", "definition", "identity", "convention", "memory"];
        let standards = ["ASHRAE", "IAPWS", "ISO/IEC", "NEC ", "NAMUR", "RFC ", "Modbus", "IEEE 754", "SunSpec"];
        let known = kinds.iter().chain(&standards).any(|word| source.contains(word))
            || ["12 s^2", "log(0)", "analytic"].iter().any(|word| source.starts_with(word));
        assert!(known, "{}: '{source}' is no source", row.id);
        // A public example may quote a standard that was not read.
        if unread.iter().any(|name| source.contains(name)) && !source.contains("public example") {
            assert!(source.contains("from memory"), "{}: '{source}' does not say that it is from memory", row.id);
        }
    }
}

#[test]
fn every_row_as_a_library() {
    let answers = rows().into_iter().map(|row| match compute::answer(&row.function, &row.inputs) {
        Ok(Answer::Value { value, unit, .. }) => wrong(&row, &value, Some(unit)),
        Ok(Answer::NoNumber { word, why }) if !why.is_empty() => wrong(&row, &word.into(), None),
        other => Some(format!("{} {}: {other:?}", row.id, row.function)),
    });
    let wrong: Vec<String> = answers.flatten().collect();
    assert!(wrong.is_empty(), "{wrong:#?}");
}

#[test]
fn every_row_through_the_command() {
    let rows = rows();
    let asked = rows
        .iter()
        .map(|row| json!({ "id": row.id, "function": row.function, "inputs": row.inputs }).to_string() + "\n");
    let (ended_well, replies) = calc(&asked.collect::<String>());
    assert!(ended_well);
    assert_eq!(replies.len(), rows.len());
    let answers = rows.iter().zip(&replies).map(|(row, reply)| {
        if reply["id"] != row.id.as_str() || reply.get("error").is_some() {
            return Some(format!("{}: {reply}", row.id));
        }
        if reply.get("unit").is_none() && reply["why"].as_str().is_none_or(str::is_empty) {
            return Some(format!("{}: no number and no reason: {reply}", row.id));
        }
        wrong(row, &reply["value"], reply.get("unit").and_then(Value::as_str))
    });
    let wrong: Vec<String> = answers.flatten().collect();
    assert!(wrong.is_empty(), "{wrong:#?}");
}

/// Leaving out, adding and retyping any input of any row is refused by name, never answered; but for what may be left out.
#[test]
fn inputs_that_do_not_fit() {
    let named = |row: &Row, inputs: &Map<String, Value>, name: &str| {
        let refused = compute::answer(&row.function, inputs).is_err_and(|error| error.to_string().contains(name));
        assert!(refused, "{} {}", row.id, Value::Object(inputs.clone()));
    };
    for row in rows() {
        for name in row.inputs.keys() {
            let mut inputs = row.inputs.clone();
            inputs.remove(name);
            let arguments = compute::Function::named(&row.function).map_or(&[][..], |function| function.arguments);
            if !arguments.iter().any(|argument| argument.name == name && argument.is_optional()) {
                named(&row, &inputs, name);
            }
            inputs.insert(name.clone(), Value::Null);
            assert!(compute::answer(&row.function, &inputs).is_err(), "{} with null as {name}", row.id);
        }
        let mut inputs = row.inputs.clone();
        inputs.insert("another".into(), 1.into());
        named(&row, &inputs, "another");
    }
}

/// Any number in place of any other: a number or a named refusal, never NaN and never a panic.
#[test]
fn any_numbers() {
    let odd = [
        0.0,
        -0.0,
        1.0,
        -1.0,
        0.5,
        1e-300,
        -1e-300,
        1e300,
        -1e300,
        f64::MAX,
        f64::MIN_POSITIVE,
        65_536.0,
        1e9,
        -273.15,
    ];
    for row in rows() {
        for name in row.inputs.keys() {
            for number in odd {
                let mut inputs = row.inputs.clone();
                inputs.insert(name.clone(), replaced(&row.inputs[name], number));
                if let Ok(Answer::Value { value, .. }) = compute::answer(&row.function, &inputs) {
                    // What is not finite becomes null; in a sequence null says that the alarm was never raised.
                    let whole = row.function == "alarm_seq"
                        || row.function == "flood_intervals"
                        || !value.to_string().contains("null");
                    assert!(whole, "{} with {name} {}: {value}", row.id, inputs[name]);
                }
            }
        }
    }
}

fn replaced(value: &Value, number: f64) -> Value {
    match value {
        Value::Number(_) => number.into(),
        Value::Array(list) => list.iter().map(|item| replaced(item, number)).collect(),
        Value::Object(parts) => parts.iter().map(|(name, part)| (name.clone(), replaced(part, number))).collect(),
        Value::Null | Value::Bool(_) | Value::String(_) => value.clone(),
    }
}

#[test]
fn what_is_no_request_is_said_line_by_line() {
    let lines = "{\n\
                 {\"id\": 1, \"function\": \"dew_pint\", \"inputs\": {}}\n\
                 {\"id\": 2, \"function\": \"dew_point\"}\n\
                 \n\
                 {\"id\": 3, \"function\": \"dew_point\", \"inputs\": {\"t_c\": 25, \"rh\": 1e999}}\n\
                 {\"id\": 4, \"function\": \"runtime_const_power_min\", \"inputs\": {\"kw\": 20, \"table_kw_min\": [[4, 22], [16, 3.8]]}}\n";
    let (ended_well, replies) = calc(lines);
    assert!(!ended_well);
    assert_eq!(replies.len(), 5);
    assert!(
        replies[1]["error"].as_str().is_some_and(|error| error.contains("did you mean 'dew_point'")),
        "{}",
        replies[1]
    );
    assert!(replies[2]["error"].as_str().is_some_and(|error| error.contains("inputs")), "{}", replies[2]);
    assert!(replies[3].get("error").is_some(), "{}", replies[3]);
    assert_eq!((&replies[4]["quality"], &replies[4]["value"]), (&json!("uncertain"), &json!(3.8)));
}

/// Whether it ended with exit code 0, and its replies.
fn calc(lines: &str) -> (bool, Vec<Value>) {
    let mut command = Command::new(env!("CARGO_BIN_EXE_lapwing"));
    let mut child = command
        .args(["calc", "--jsonl"])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .expect("the binary starts");
    let (mut input, lines) = (child.stdin.take().expect("piped"), lines.to_owned());
    let writer = std::thread::spawn(move || input.write_all(lines.as_bytes()));
    let output = child.wait_with_output().expect("it ends");
    writer.join().expect("does not panic").expect("it reads all lines");
    let replies = String::from_utf8(output.stdout).expect("UTF-8");
    (output.status.success(), replies.lines().map(|line| serde_json::from_str(line).expect("JSON")).collect())
}
