//! Texts in the module's language: which of them are in force, and whether each file of them fits the configuration.
//!
//! Every file is judged, whatever language the module speaks, so that one alarm set can be shipped to several countries; only
//! that of the module's own language is used. Texts for what this module does not have are findings: another may have it, and
//! an alarm that is taken out must not need all files changed at once. Texts change what people read, never what is judged: ids, names of states in
//! settings and digests stay. An alarm that replaces one of a pattern and says the same takes the pattern's translation
//! over. Where a text is missing the original stands in. Never panics.

use std::collections::{BTreeMap, BTreeSet};

use crate::config::items::alarm::AlarmItem;
use crate::config::items::translation::{Pair, TRANSLATED, TranslationItem};
use crate::config::mistake::Report;
use crate::config::pattern::{Captures, Pattern, fill, placeholders};
use crate::config::reader::nearest;
use crate::config::source::{Located, Origin, Place};
use crate::config::wrong::OfTranslations;
use crate::plan::Language;
use crate::review::{About, Finding, Kind, Severity};
use crate::words::Words;

use super::{Parts, Points};

/// The texts of one `[[alarm]]` in the module's language, in the order of `TRANSLATED`; `None`: the original stands.
pub(crate) type Said = [Option<String>; TRANSLATED.len()];

/// What is in force.
#[derive(Debug, Default)]
pub(crate) struct Translated<'p> {
    item: Option<&'p TranslationItem>,
    by_alarm: Vec<Said>,
}

/// How the source in front of a tier is called.
const SOURCE_OF: &str = "source of ";

/// A finding of the review with where it is written and its key.
pub(crate) type Lacking = (Finding, Place, String);

impl<'p> Translated<'p> {
    /// The texts of the module's language.
    pub(crate) fn of(parts: &'p Parts) -> Self {
        let language = parts.settings.module.language;
        let speaks = |item: &&TranslationItem| item.language.as_ref().is_some_and(|known| known.value == language);
        let item = parts.translations.iter().find(speaks);
        let by_alarm = match item {
            Some(item) => (0..parts.alarms.len()).map(|number| said(item, &parts.alarms, number)).collect(),
            None => Vec::new(),
        };
        Self { item, by_alarm }
    }

    /// The file of texts for the module's language, if there is one.
    pub(crate) fn origin(&self) -> Option<Origin> {
        self.item.map(|item| item.place.origin)
    }

    /// The texts of an alarm, by its number.
    pub(crate) fn alarm(&self, number: usize) -> Said {
        self.by_alarm.get(number).cloned().unwrap_or_default()
    }

    /// Captured segments as translated texts have them.
    pub(crate) fn captures(&self, captures: &Captures) -> Captures {
        self.item.map_or_else(|| captures.clone(), |item| spoken(item, captures))
    }

    /// What a rule of suppression says.
    pub(crate) fn rule(&self, name: &str, otherwise: &str) -> String {
        self.item.and_then(|item| found(&item.rules, name)).unwrap_or(otherwise).to_owned()
    }

    /// Places and names of states of all points, as people of the module read them.
    pub(crate) fn points(&self, points: &mut Points, words: &Words) {
        for draft in &mut points.drafts {
            let point = &mut draft.point;
            if let (Some(place), Some(item)) = (&point.location, self.item) {
                point.location = Some(placed(place, |part| found(&item.places, part)));
            }
            let is_ours = point.device.is_none();
            let said = |name: &str| {
                let translated = self.item.and_then(|item| state(item, &point.path, name));
                translated.map(str::to_owned).or_else(|| is_ours.then(|| ours(words, name)).flatten())
            };
            let texts: Vec<(i64, String)> = point
                .states
                .iter()
                .map(|(number, name)| (*number, said(name).unwrap_or_else(|| name.clone())))
                .collect();
            if texts != point.states {
                point.state_texts = texts;
            }
        }
    }
}

/// Judges every file of texts against the configuration.
pub(crate) fn judge(parts: &Parts, points: &Points, report: &mut Report) {
    let mut languages: BTreeMap<&'static str, String> = BTreeMap::new();
    for item in &parts.translations {
        if let Some(language) = &item.language {
            let word = word(language.value);
            let name = parts.settings.translations.get(languages.len()).cloned().unwrap_or_default();
            match languages.get(word) {
                Some(first) => {
                    let wrong = OfTranslations::TwoOfLanguage { language: word, first: first.clone() };
                    report.wrong(language.place, "language", wrong);
                }
                None => drop(languages.insert(word, name)),
            }
        }
        alarms(item, parts, report);
        for (name, _) in &item.rules {
            if !parts.suppress.iter().any(|rule| rule.name.value == name.value) {
                let near = nearest(&name.value, parts.suppress.iter().map(|rule| rule.name.value.as_str()));
                let wrong = OfTranslations::UnknownRule { name: name.value.clone(), near };
                report.finding(name.place, format!("suppress.{}", name.value), wrong);
            }
        }
        if !parts.incomplete {
            unused(item, parts, points, report);
        }
    }
}

/// What of an alarm set lacks its text in one of the languages.
pub(crate) fn lacking(parts: &Parts, points: &Points) -> Vec<Lacking> {
    let mut lacking = Vec::new();
    for item in &parts.translations {
        let Some(language) = &item.language else { continue };
        let language = word(language.value);
        for (number, alarm) in parts.alarms.iter().enumerate() {
            let said = said(item, &parts.alarms, number);
            let original = TRANSLATED.map(|key| alarm.said(key).is_some_and(|text| !text.value.trim().is_empty()));
            let keys: Vec<&str> = (TRANSLATED.iter().zip(&said).zip(original))
                .filter(|((key, said), original)| *original && said.is_none() && **key != "document")
                .map(|((key, _), _)| *key)
                .collect();
            if keys.is_empty() {
                continue;
            }
            let at = item.alarms.iter().find(|texts| texts.id.value == alarm.id.value);
            let place = at.map_or(alarm.id.place, |texts| texts.id.place);
            let key = format!("alarm[{}]", alarm.id.value);
            let what = format!("has no {} in `{language}`: the original stands in", keys.join(", "));
            let mend = format!("write it under [alarm.\"{}\"]", alarm.id.value);
            lacking.push((finding(Kind::Alarm, &alarm.id.value, what, mend), place, key));
        }
        for rule in &parts.suppress {
            if found(&item.rules, &rule.name.value).is_none() {
                let what = format!("has no text in `{language}`: the original stands in");
                let finding = finding(Kind::Rule, &rule.name.value, what, "write it under [suppress]".to_owned());
                lacking.push((finding, item.place, format!("suppress[{}]", rule.name.value)));
            }
        }
        let mut table = |name: &str, what: &str, absent: Vec<&str>| {
            if absent.is_empty() {
                return;
            }
            let list = absent.iter().map(|name| format!("`{name}`")).collect::<Vec<_>>().join(", ");
            let what = format!("{what} without a text in `{language}`: {list}");
            lacking.push((
                finding(Kind::Module, name, what, format!("write each under [{name}]")),
                item.place,
                name.to_owned(),
            ));
        };
        let absent = |known: BTreeSet<&'_ str>, pairs: &[Pair]| -> Vec<String> {
            known.into_iter().filter(|name| found(pairs, name).is_none()).map(str::to_owned).collect()
        };
        let of_places = unplaced(points, |part| found(&item.places, part));
        table("where", "places", of_places.iter().map(String::as_str).collect());
        let of_states: BTreeSet<&str> = points
            .drafts
            .iter()
            .filter(|draft| draft.point.device.is_some())
            .flat_map(|draft| {
                draft.point.states.iter().map(move |(_, name)| (draft.point.path.as_str(), name.as_str()))
            })
            .filter(|(path, name)| state(item, path, name).is_none())
            .map(|(_, name)| name)
            .collect();
        table("state", "names of states", of_states.into_iter().collect());
        let captured = captured(parts, points);
        let worded = captured.iter().filter(|word| is_word(word)).map(String::as_str).collect();
        let of_captured = absent(worded, &item.captured);
        table("captured", "captured segments", of_captured.iter().map(String::as_str).collect());
    }
    lacking
}

/// A name of a state that the agent gives: its own, or what a tier is called.
fn ours(words: &Words, name: &str) -> Option<String> {
    let known = |name: &str| words.state_name(name).map(str::to_owned);
    let tier = |name: &str| {
        let (kind, rest) = name.split_once(' ')?;
        Some(format!("{} {rest}", known(kind)?))
    };
    let source = || {
        let of = name.strip_prefix(SOURCE_OF)?;
        Some(format!("{} {}", known(SOURCE_OF.trim_end())?, tier(of)?))
    };
    known(name).or_else(source).or_else(|| tier(name))
}

fn finding(kind: Kind, name: &str, what: String, mend: String) -> Finding {
    Finding {
        code: "not_translated",
        severity: Severity::Minor,
        about: About { kind, name: name.to_owned() },
        what,
        mend,
    }
}

const fn word(language: Language) -> &'static str {
    match language {
        Language::English => "en",
        Language::German => "de",
    }
}

fn alarms(item: &TranslationItem, parts: &Parts, report: &mut Report) {
    for texts in &item.alarms {
        let id = &texts.id.value;
        let mut meant = parts.alarms.iter().filter(|alarm| alarm.id.value == *id).peekable();
        if meant.peek().is_none() {
            let near = nearest(id, parts.alarms.iter().map(|alarm| alarm.id.value.as_str()));
            report.finding(
                texts.id.place,
                format!("alarm[{id}]"),
                OfTranslations::UnknownAlarm { id: id.clone(), near },
            );
        }
        for alarm in meant {
            for (key, text) in &texts.texts {
                let at = format!("alarm[{id}].{key}");
                match alarm.said(key).filter(|original| !original.value.trim().is_empty()) {
                    Some(original) => {
                        if let Some(wrong) = other_placeholders(&original.value, &text.value) {
                            report.wrong(text.place, at, wrong);
                        }
                    }
                    None => {
                        let wrong = OfTranslations::NothingToTranslate { id: id.clone(), key };
                        report.finding(text.place, at, wrong);
                    }
                }
            }
        }
    }
}

fn other_placeholders(original: &str, text: &str) -> Option<OfTranslations> {
    let [of_original, of_text] = [original, text].map(|text| placeholders(text).into_iter().collect::<BTreeSet<_>>());
    let names = |one: &BTreeSet<&str>, other: &BTreeSet<&str>| one.difference(other).map(|n| (*n).to_owned()).collect();
    let (missing, extra): (Vec<String>, Vec<String>) = (names(&of_original, &of_text), names(&of_text, &of_original));
    (!missing.is_empty() || !extra.is_empty()).then_some(OfTranslations::OtherPlaceholders { missing, extra })
}

/// What a file names and nothing here has: a slip of the pen, or texts of another module.
fn unused(item: &TranslationItem, parts: &Parts, points: &Points, report: &mut Report) {
    let mut tell = |name: &Located<String>, table: &str, what: &'static str, known: &BTreeSet<&str>| {
        if !known.contains(name.value.as_str()) {
            let near = nearest(&name.value, known.iter().copied());
            let wrong = OfTranslations::NotUsed { what, name: name.value.clone(), near };
            report.finding(name.place, format!("{table}.{}", name.value), wrong);
        }
    };
    let places = places(points);
    for (name, _) in &item.places {
        tell(name, "where", "the place", &places);
    }
    let captured = captured(parts, points);
    let captured = captured.iter().map(String::as_str).collect();
    for (name, _) in &item.captured {
        tell(name, "captured", "the captured segment", &captured);
    }
    for state in &item.states {
        let fits = |path: &str| state.points.as_ref().is_none_or(|pattern| pattern.matches(path).is_some());
        let known = (points.drafts.iter().filter(|draft| fits(&draft.point.path)))
            .flat_map(|draft| draft.point.states.iter().map(|(_, name)| name.as_str()))
            .collect();
        tell(&state.name, "state", "a state called", &known);
    }
}

/// Places as they are written, their parts, and what stands before the number of a part.
fn places(points: &Points) -> BTreeSet<&str> {
    let whole = || points.drafts.iter().filter_map(|draft| draft.point.location.as_deref());
    let parts = || whole().flat_map(parts).map(|(part, _)| part);
    whole().chain(parts()).chain(parts().filter_map(|part| numbered(part).map(|(name, _)| name))).collect()
}

/// A place in another language: as a whole, else part by part, from the whole to the part; a part with a number by what
/// stands before it. What has no text stays.
fn placed<'i>(place: &str, text: impl Fn(&str) -> Option<&'i str>) -> String {
    if let Some(text) = text(place) {
        return text.to_owned();
    }
    let said = |part: &str| match (text(part), numbered(part)) {
        (Some(known), _) => known.to_owned(),
        (None, Some((name, number))) => text(name).map_or_else(|| part.to_owned(), |name| format!("{name} {number}")),
        (None, None) => part.to_owned(),
    };
    parts(place).map(|(part, after)| said(part) + after).collect()
}

/// Parts of places without a text.
fn unplaced<'i>(points: &Points, text: impl Fn(&str) -> Option<&'i str>) -> Vec<String> {
    let whole = points.drafts.iter().filter_map(|draft| draft.point.location.as_deref());
    let open = whole.filter(|place| text(place).is_none()).flat_map(parts).map(|(part, _)| part);
    let open = open.filter(|part| text(part).is_none()).map(|part| numbered(part).map_or(part, |(name, _)| name));
    let open: BTreeSet<&str> = open.filter(|part| is_word(part) && text(part).is_none()).collect();
    open.into_iter().map(str::to_owned).collect()
}

/// The parts of a place with what stands behind each.
fn parts(place: &str) -> impl Iterator<Item = (&str, &'static str)> {
    place.split_inclusive([',', ';']).map(|piece| {
        let piece = piece.trim_start();
        match (piece.strip_suffix(','), piece.strip_suffix(';')) {
            (Some(part), _) => (part, ", "),
            (None, Some(part)) => (part, "; "),
            (None, None) => (piece, ""),
        }
    })
}

/// A part that ends with a number or a short label: `rack 07`, `busway A1`.
fn numbered(part: &str) -> Option<(&str, &str)> {
    part.rsplit_once(' ').filter(|(_, last)| last.contains(|c: char| c.is_ascii_digit()))
}

/// Every segment that a pattern of an alarm captures for its texts.
fn captured(parts: &Parts, points: &Points) -> BTreeSet<String> {
    let mut captured = BTreeSet::new();
    // One that replaces what the pattern would make has texts of its own, or those of the pattern with its own captures.
    let replaced = |id: &str| parts.alarms.iter().any(|alarm| alarm.id.value == id);
    for alarm in &parts.alarms {
        let Some(pattern) = alarm.point.as_ref().and_then(|point| Pattern::parse(&point.value).ok()) else { continue };
        let used: BTreeSet<&str> =
            TRANSLATED.iter().filter_map(|key| alarm.said(key)).flat_map(|text| placeholders(&text.value)).collect();
        if pattern.names().iter().all(|name| !used.contains(name.as_str())) {
            continue;
        }
        let captures = points.drafts.iter().filter_map(|draft| pattern.matches(&draft.point.path));
        let captures = captures.filter(|captures| !replaced(&fill(&alarm.id.value, captures))).flatten();
        captured.extend(captures.filter(|(name, _)| used.contains(name.as_str())).map(|(_, segment)| segment));
    }
    captured
}

/// Whether a segment is a word of a language, and no number or short label.
fn is_word(segment: &str) -> bool {
    segment.split(|c: char| !c.is_alphabetic()).any(|part| part.chars().count() >= 3)
}

fn found<'i>(pairs: &'i [Pair], name: &str) -> Option<&'i str> {
    pairs.iter().find(|(known, _)| known.value == name).map(|(_, text)| text.value.as_str())
}

fn state<'i>(item: &'i TranslationItem, path: &str, name: &str) -> Option<&'i str> {
    let fits = |points: &Option<Pattern>| points.as_ref().is_none_or(|pattern| pattern.matches(path).is_some());
    let mut known = item.states.iter().filter(|state| state.name.value == name && fits(&state.points));
    known.next().map(|state| state.text.value.as_str())
}

fn spoken(item: &TranslationItem, captures: &Captures) -> Captures {
    let said = |segment: &str| found(&item.captured, segment).unwrap_or(segment).to_owned();
    captures.iter().map(|(name, segment)| (name.clone(), said(segment))).collect()
}

/// The texts of an alarm: its own, else those of a pattern whose alarm it replaces and whose words it has.
fn said(item: &TranslationItem, alarms: &[AlarmItem], number: usize) -> Said {
    let Some(alarm) = alarms.get(number) else { return Said::default() };
    let own = |id: &str, key: &str| {
        let texts = item.alarms.iter().find(|texts| texts.id.value == id)?;
        texts.texts.iter().find(|(known, _)| *known == key).map(|(_, text)| text.value.as_str())
    };
    let replaced = || {
        let point = alarm.point.as_ref()?;
        alarms.iter().find_map(|pattern| {
            let captures = Pattern::parse(&pattern.point.as_ref()?.value).ok()?.matches(&point.value)?;
            let makes = !captures.is_empty() && fill(&pattern.id.value, &captures) == alarm.id.value;
            makes.then_some((pattern, captures))
        })
    };
    let replaced = replaced();
    TRANSLATED.map(|key| {
        if let Some(text) = own(&alarm.id.value, key) {
            return Some(text.to_owned());
        }
        let (pattern, captures) = replaced.as_ref()?;
        let same = fill(&pattern.said(key)?.value, captures) == alarm.said(key)?.value;
        let text = own(&pattern.id.value, key).filter(|_| same)?;
        Some(fill(text, &spoken(item, captures)))
    })
}
