//! Each mistake by itself: file, line, column, what is wrong, what would be right.
//!
//! Every case changes one thing of the small configuration and expects exactly one mistake.

mod field;
mod groups;
mod meaning;
mod numbers;
mod pace;
mod page;
mod recipients;
mod redfish;
mod registers;
mod snmp;
pub(super) mod tiers;
mod translations;
mod writing;

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
