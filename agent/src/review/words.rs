//! What an alarm says to the person it wakes: a response and a first check.
//!
//! An alarm without an operator's response is no alarm (EEMUA 191, ISA-18.2; from memory). Missing consequence and time
//! to respond are told where alarms are read (`config`). Never panics.

use super::ground::Ground;
use super::{Finding, Severity, alarm};

pub(super) fn review(ground: &Ground<'_>, found: &mut Vec<Finding>) {
    for subject in &ground.alarms {
        let (id, about) = (&subject.alarm.id, subject.alarm);
        if about.response.trim().is_empty() || about.response.trim() == about.text.trim() {
            let what = "asks nobody to do anything: what needs no response is an event, not an alarm".to_owned();
            found.push(alarm("no_response", Severity::Serious, id, what, "add `response`, or drop the alarm"));
        }
        if about.first_check.trim().is_empty() {
            let what = "does not say what to look at first: who comes loses time".to_owned();
            found.push(alarm("no_first_check", Severity::Minor, id, what, "add `first_check`"));
        }
    }
}
