//! One `[[group]]`: which alarms explain which, as a chain from cause to consequence; and one `[[suppress]]`: which
//! alarms a declared condition hides.
//!
//! Alarms are named by id or by pattern (`*` for any part of a segment). Which alarms that are is judged in `assemble`.
//! Never panics.

use std::time::Duration;

use crate::config::mistake::Report;
use crate::config::reader::{Item, OneOrMany};
use crate::config::source::{Located, Place};
use crate::config::wrong::Wrong;

use super::used::{self, UsedItem};

/// A group as written.
#[derive(Clone, Debug)]
pub(crate) struct GroupItem {
    pub(crate) name: Located<String>,
    pub(crate) label: String,
    pub(crate) window: Duration,
    pub(crate) lag: Duration,
    /// Steps, each of one or several patterns.
    pub(crate) chain: Vec<Vec<Located<String>>>,
    pub(crate) together: Vec<Located<String>>,
    pub(crate) tell_again: Vec<Located<String>>,
}

/// A rule of suppression as written.
#[derive(Clone, Debug)]
pub(crate) struct SuppressItem {
    pub(crate) name: Located<String>,
    pub(crate) label: String,
    pub(crate) text: String,
    pub(crate) alarms: Vec<Located<String>>,
    pub(crate) at_most: Duration,
    pub(crate) when: Option<UsedItem>,
}

/// Reads one group.
pub(crate) fn read(mut item: Item<'_>, report: &mut Report) -> Option<GroupItem> {
    let name = item.need::<String>("name", report);
    let window = item.take::<Duration>("window", report);
    let lag = item.take::<Duration>("lag", report);
    let place = item.place_of("chain");
    let chain = item.need::<Vec<Located<OneOrMany>>>("chain", report);
    let together = texts(&mut item, "together", report);
    let tell_again = texts(&mut item, "tell_again", report);
    if let Some(chain) = chain.as_ref().filter(|chain| chain.value.len() < 2 && together.is_empty()) {
        report.wrong(place, item.key("chain"), Wrong::ShortChain { steps: chain.value.len() });
    }
    let label = item.label.clone();
    item.close(report);
    Some(GroupItem {
        name: name?,
        label,
        window: window.map_or(Duration::from_secs(300), |time| time.value),
        lag: lag.map_or(Duration::from_secs(5), |time| time.value),
        chain: chain?.value.into_iter().map(|step| step.value.0).collect(),
        together,
        tell_again,
    })
}

/// Reads one rule of suppression.
pub(crate) fn read_suppress(mut item: Item<'_>, report: &mut Report) -> Option<SuppressItem> {
    let name = item.need::<String>("name", report);
    let text = item.need::<String>("text", report);
    let has_alarms = item.has("alarms");
    let alarms = texts(&mut item, "alarms", report);
    if !has_alarms {
        report.wrong(item.place, item.key("alarms"), Wrong::MissingKey { key: "alarms", example: "[\"pump-1-*\"]" });
    }
    let place: Place = item.place_of("at_most");
    let at_most = item.need::<Duration>("at_most", report);
    if at_most.as_ref().is_some_and(|time| time.value.is_zero()) {
        report.wrong(place, item.key("at_most"), Wrong::BadDuration { value: "0s".into() });
    }
    let when = used::read(&mut item, "while", "point", report);
    let label = item.label.clone();
    item.close(report);
    Some(SuppressItem { name: name?, label, text: text?.value, alarms, at_most: at_most?.value, when })
}

fn texts(item: &mut Item<'_>, key: &'static str, report: &mut Report) -> Vec<Located<String>> {
    item.take::<Vec<Located<String>>>(key, report).map(|list| list.value).unwrap_or_default()
}
