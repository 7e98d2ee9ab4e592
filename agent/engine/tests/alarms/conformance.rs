//! What the standards ask of an alarm, clause by clause, beside what is done here: `tests/conformance.csv`.
//!
//! A row says `does` or `differs` and names the test that shows it, or `leaves out`; whatever is not simply done has its
//! reason. Checked here: the rows are whole, and every test they name is there and is a test. That each does what its
//! row says is for whoever reads the two side by side. Clauses of ISA-18.2 are from memory of its state diagram, those
//! of OPC 10000-9 from its public text.

use std::collections::BTreeMap;
use std::path::Path;

const TABLE: &str = include_str!("../../../../tests/conformance.csv");
const ROOT: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/../..");

/// Fields of a line: separated by commas, in quotation marks where they hold some (RFC 4180; none holds a mark).
fn fields(line: &str) -> Vec<String> {
    let (mut fields, mut quoted) = (vec![String::new()], false);
    for c in line.chars() {
        match c {
            '"' => quoted = !quoted,
            ',' if !quoted => fields.push(String::new()),
            _ => fields.last_mut().expect("never empty").push(c),
        }
    }
    assert!(!quoted, "a quotation mark is left open: {line}");
    fields
}

/// Whether a file holds a function of this name that the test runner calls: under `#[test]` or inside `proptest!`, whose
/// own tests carry that mark too.
fn holds_test(source: &str, name: &str) -> bool {
    let marked = |at: usize| {
        let above = source[..at].trim_end();
        let line = above.rsplit('\n').next().unwrap_or_default().trim();
        line == "#[test]"
    };
    source.match_indices("fn ").any(|(at, _)| {
        let after = &source[at + 3..];
        after.strip_prefix(name).is_some_and(|rest| rest.starts_with('(')) && marked(at)
    })
}

#[test]
fn every_clause_has_its_test_or_its_reason() {
    let mut lines = TABLE.lines();
    assert_eq!(lines.next(), Some("standard,clause,asks,verdict,test,reason"));
    let mut wrong = Vec::new();
    let mut verdicts: BTreeMap<String, usize> = BTreeMap::new();
    let mut clauses = Vec::new();
    for line in lines {
        let row = fields(line);
        let [standard, clause, asks, verdict, test, reason] = row.as_slice() else {
            panic!("six fields: {line}");
        };
        assert!(!standard.is_empty() && !clause.is_empty() && !asks.is_empty(), "{line}");
        *verdicts.entry(verdict.clone()).or_default() += 1;
        clauses.push((standard.clone(), clause.clone()));
        let fits = match verdict.as_str() {
            "does" => !test.is_empty() && reason.is_empty(),
            "differs" => !test.is_empty() && !reason.is_empty(),
            "leaves out" => test.is_empty() && !reason.is_empty(),
            _ => false,
        };
        if !fits {
            wrong.push(format!("{clause}: verdict, test and reason do not fit together"));
        }
        if test.is_empty() {
            continue;
        }
        let (file, name) = test.split_once(' ').unwrap_or((test, ""));
        match std::fs::read_to_string(Path::new(ROOT).join(file)) {
            Ok(source) if holds_test(&source, name) => {}
            Ok(_) => wrong.push(format!("{clause}: {file} holds no test {name}")),
            Err(error) => wrong.push(format!("{clause}: {file}: {error}")),
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
    assert!(["does", "differs", "leaves out"].iter().all(|verdict| verdicts[*verdict] > 0), "{verdicts:?}");
    let count = clauses.len();
    clauses.sort();
    clauses.dedup();
    assert_eq!(clauses.len(), count, "no clause stands twice");
}

#[test]
fn what_is_no_test_is_found_out() {
    let source =
        "#[test]\nfn there() {}\nfn helper() {}\n    #[test]\n    fn inside(x in 0..9) {}\n// fn there_not() {}\n";
    assert_eq!([holds_test(source, "there"), holds_test(source, "inside")], [true; 2]);
    assert_eq!(["the", "helper", "there_not", "", "gone"].map(|name| holds_test(source, name)), [false; 5]);
    assert_eq!(fields("a,\"b, c\",,d"), ["a", "b, c", "", "d"]);
}
