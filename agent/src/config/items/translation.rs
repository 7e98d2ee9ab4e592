//! A file of texts in another language: what the alarm set says, in that language, by where it is written.
//!
//! `[alarm."ID"]` has the texts of the `[[alarm]]` that is written with this id, `[suppress]` those of rules by name;
//! `[where]`, `[state]` and `[captured]` hold places, names of states and captured segments as the configuration has them.
//! A table in `[state]` is for the points of a pattern. What that means for the alarms is judged in `assemble::translate`.
//! Never panics.

use toml::de::DeTable;

use crate::config::keys;
use crate::config::mistake::Report;
use crate::config::pattern::Pattern;
use crate::config::reader::{Item, Read as _, entries, nearest};
use crate::config::source::{Located, Origin, Place};
use crate::config::wrong::{OfTranslations, Wrong};
use crate::plan::Language;

use super::alarm::TEXTS;

/// Keys of an alarm that have a text.
pub(crate) const TRANSLATED: [&str; 6] = [TEXTS[0], TEXTS[1], TEXTS[2], TEXTS[3], TEXTS[4], "document"];

/// What is written, and what it is in the language.
pub(crate) type Pair = (Located<String>, Located<String>);

/// One file as written.
#[derive(Clone, Debug)]
pub(crate) struct TranslationItem {
    /// Where the file begins.
    pub(crate) place: Place,
    pub(crate) language: Option<Located<Language>>,
    pub(crate) alarms: Vec<AlarmTexts>,
    pub(crate) rules: Vec<Pair>,
    pub(crate) places: Vec<Pair>,
    pub(crate) captured: Vec<Pair>,
    pub(crate) states: Vec<StateText>,
}

/// The texts of one alarm.
#[derive(Clone, Debug)]
pub(crate) struct AlarmTexts {
    /// As the alarm's id is written.
    pub(crate) id: Located<String>,
    /// By key.
    pub(crate) texts: Vec<(&'static str, Located<String>)>,
}

/// The name of a state.
#[derive(Clone, Debug)]
pub(crate) struct StateText {
    /// The points it is for; `None`: all.
    pub(crate) points: Option<Pattern>,
    pub(crate) name: Located<String>,
    pub(crate) text: Located<String>,
}

/// Reads one file.
pub(crate) fn read(document: &DeTable<'_>, origin: Origin, report: &mut Report) -> TranslationItem {
    const SECTION: &str = "translation";
    let place = Place { origin, start: 0, end: 0 };
    let known: Vec<&str> = std::iter::once("schema").chain(keys::of(SECTION).map(|key| key.name)).collect();
    super::only(document, &known, origin, report);
    let mut item = Item::new(document, place, SECTION, "language", 0);
    let language = super::link::word(&mut item, "language", &Language::WORDS, report);
    if !item.has("language") {
        report.wrong(place, "language", Wrong::MissingKey { key: "language", example: "\"de\"" });
    }
    let language_place = item.place_of("language");
    let language = language.and_then(Language::from_word).map(|value| Located { value, place: language_place });
    TranslationItem {
        place,
        language,
        alarms: alarms(document, origin, report),
        rules: pairs(document, "suppress", origin, report),
        places: pairs(document, "where", origin, report),
        captured: pairs(document, "captured", origin, report),
        states: states(document, origin, report),
    }
}

/// The entries of a table of the file, in the order they are written; none if it is no table.
fn table<'t>(
    document: &'t DeTable<'t>,
    name: &str,
    origin: Origin,
    report: &mut Report,
) -> Vec<crate::config::reader::Entry<'t>> {
    let Some((key, value)) = document.get_key_value(name) else { return Vec::new() };
    entries(value, origin).unwrap_or_else(|wrong| {
        report.wrong(Place::new(origin, &key.span()), name, wrong);
        Vec::new()
    })
}

fn alarms(document: &DeTable<'_>, origin: Origin, report: &mut Report) -> Vec<AlarmTexts> {
    let mut alarms = Vec::new();
    for (id, value) in table(document, "alarm", origin, report) {
        let label = format!("alarm[{}]", id.value);
        let fields = entries(value, origin).unwrap_or_else(|wrong| {
            report.wrong(id.place, label.clone(), wrong);
            Vec::new()
        });
        let mut texts = Vec::new();
        for (key, value) in fields {
            let Some(known) = TRANSLATED.into_iter().find(|known| *known == key.value) else {
                let near = nearest(&key.value, TRANSLATED.into_iter());
                let wrong = Wrong::UnknownKey { key: key.value.clone(), near, known: TRANSLATED.to_vec() };
                report.wrong(key.place, format!("{label}.{}", key.value), wrong);
                continue;
            };
            let place = Place::new(origin, &value.span());
            if let Some(text) = text(value, place, &format!("{label}.{known}"), report) {
                texts.push((known, text));
            }
        }
        alarms.push(AlarmTexts { id, texts });
    }
    alarms
}

fn pairs(document: &DeTable<'_>, name: &str, origin: Origin, report: &mut Report) -> Vec<Pair> {
    let mut pairs = Vec::new();
    for (key, value) in table(document, name, origin, report) {
        let place = Place::new(origin, &value.span());
        if let Some(text) = text(value, place, &format!("{name}.{}", key.value), report) {
            pairs.push((key, text));
        }
    }
    pairs
}

fn states(document: &DeTable<'_>, origin: Origin, report: &mut Report) -> Vec<StateText> {
    let mut states = Vec::new();
    for (key, value) in table(document, "state", origin, report) {
        let label = format!("state.{}", key.value);
        if value.get_ref().as_table().is_none() {
            let place = Place::new(origin, &value.span());
            if let Some(text) = text(value, place, &label, report) {
                states.push(StateText { points: None, name: key, text });
            }
            continue;
        }
        let pattern = match Pattern::parse(&key.value) {
            Ok(pattern) => pattern,
            Err(wrong) => {
                report.wrong(key.place, label, wrong);
                continue;
            }
        };
        for (name, value) in entries(value, origin).unwrap_or_default() {
            let place = Place::new(origin, &value.span());
            if let Some(text) = text(value, place, &format!("{label}.{}", name.value), report) {
                states.push(StateText { points: Some(pattern.clone()), name, text });
            }
        }
    }
    // What is said of certain points goes before what is said of all.
    states.sort_by_key(|state| state.points.is_none());
    states
}

fn text(
    value: &toml::Spanned<toml::de::DeValue<'_>>,
    place: Place,
    key: &str,
    report: &mut Report,
) -> Option<Located<String>> {
    match String::read(value, place.origin) {
        Ok(value) if value.trim().is_empty() => {
            report.wrong(place, key, OfTranslations::Empty);
            None
        }
        Ok(value) => Some(Located { value, place }),
        Err(wrong) => {
            report.wrong(place, key, wrong);
            None
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const TEXTS: &str = "language = \"de\"\n[alarm.\"f-{n}\"]\ntext = \"Lüfter {n}\"\ndocument = \"d\"\n[suppress]\nw = \"A\"\n\
        [where]\n\"coil bay\" = \"Kühlerraum\"\n[state]\non = \"ein\"\n[state.\"f/{n}/s\"]\non = \"an\"\n[captured]\nleft = \"links\"\n";

    fn read_text(text: &str) -> TranslationItem {
        let (document, _) = DeTable::parse_recoverable(text);
        read(document.get_ref(), Origin::File(0), &mut Report::default())
    }

    #[test]
    fn what_is_written_is_read() {
        let item = read_text(TEXTS);
        assert_eq!(item.language.map(|language| language.value), Some(Language::German));
        assert_eq!(item.alarms.len(), 1);
        assert_eq!(item.alarms[0].texts.len(), 2);
        assert_eq!((item.rules.len(), item.places.len(), item.captured.len()), (1, 1, 1));
        // What is for certain points comes before what is for all.
        let states: Vec<(bool, &str)> =
            item.states.iter().map(|state| (state.points.is_some(), state.text.value.as_str())).collect();
        assert_eq!(states, [(true, "an"), (false, "ein")]);
    }

    #[test]
    fn no_file_is_too_broken() {
        for end in (0..TEXTS.len()).filter(|end| TEXTS.is_char_boundary(*end)) {
            let _read = read_text(&TEXTS[..end]);
        }
        for at in 0..TEXTS.len() {
            for bit in 0..8 {
                let mut bent = TEXTS.as_bytes().to_vec();
                bent[at] ^= 1 << bit;
                let _read = read_text(&String::from_utf8_lossy(&bent));
            }
        }
    }
}
