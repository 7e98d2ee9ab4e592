//! One `[[accept]]`: a finding of the review that is right as it is, and why.
//!
//! Which findings that are is judged in `assemble::review`. Never panics.

use crate::config::mistake::Report;
use crate::config::reader::Item;
use crate::config::source::{Located, Place};
use crate::config::wrong::Wrong;

/// An accepted finding as written.
#[derive(Clone, Debug)]
pub(crate) struct AcceptItem {
    pub(crate) finding: Located<String>,
    pub(crate) about: Located<String>,
    pub(crate) because: String,
    pub(crate) label: String,
    pub(crate) place: Place,
}

/// Reads one.
pub(crate) fn read(mut item: Item<'_>, report: &mut Report) -> Option<AcceptItem> {
    let finding = item.need::<String>("finding", report);
    let about = item.need::<String>("about", report);
    let because = item.need::<String>("because", report);
    if let Some(because) = because.as_ref().filter(|because| because.value.trim().is_empty()) {
        let wrong = Wrong::MissingKey { key: "because", example: "\"the site watches it\"" };
        report.wrong(because.place, item.key("because"), wrong);
    }
    let (label, place) = (item.label.clone(), item.place);
    item.close(report);
    Some(AcceptItem { finding: finding?, about: about?, because: because?.value, label, place })
}
