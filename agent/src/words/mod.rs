//! What the agent says of alarms, by language: one file a language, all with the same keys and gaps.
//!
//! Texts of configured alarms are the site's own and in its language already; here is what the agent adds: what happened
//! to an alarm, what it follows from, its own alarms. A language is added as a file here and a word in
//! `plan::Language`; the tests compare its keys and gaps with the English ones. Decides nothing. Panics only if a shipped
//! file is no TOML of this shape, which the tests rule out.

use std::collections::BTreeMap;
use std::sync::OnceLock;

use serde::Deserialize;

use crate::plan::Language;

/// The words of one language.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Words {
    /// What is said of transitions.
    pub tell: Tell,
    /// Names of priorities.
    priority: BTreeMap<String, String>,
    /// Names of qualities, by the English ones.
    status: BTreeMap<String, String>,
    /// The agent's own alarms.
    pub own: Own,
}

/// What is said of transitions.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)] // the English file is the documentation
pub struct Tell {
    pub unknown_rate: String,
    pub all_points: String,
    pub quoted: String,
    pub by: String,
    pub cleared: String,
    pub cleared_at: String,
    pub acknowledged: String,
    pub reset: String,
    pub shelved: String,
    pub unshelved: String,
    pub shelf_ended: String,
    pub suppressed: String,
    pub released: String,
    pub suppression_ended: String,
    pub removed: String,
    pub returned: String,
    pub follows: String,
    pub follows_tie: String,
    pub explains: String,
    pub explains_tie: String,
    pub r#where: String,
    pub test: String,
    pub maintenance: String,
    pub simulated: String,
}

/// The agent's own alarms.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)] // the English file is the documentation
pub struct Own {
    pub link: OwnAlarm,
    pub line: OwnAlarm,
    pub masters: OwnAlarm,
    pub device: OwnAlarm,
    pub identity: OwnAlarm,
    pub map: OwnAlarm,
    pub point: OwnAlarm,
    pub store: OwnAlarm,
    pub clock: OwnAlarm,
    pub disk: OwnAlarm,
    pub unsent: OwnAlarm,
}

/// One of them.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct OwnAlarm {
    /// Its sentence.
    pub text: String,
    /// What follows if nobody acts.
    pub consequence: String,
    /// What to do.
    pub response: String,
    /// What to look at first.
    pub first_check: String,
}

impl Words {
    /// The words of a language.
    #[must_use]
    pub fn of(language: Language) -> &'static Self {
        static ENGLISH: OnceLock<Words> = OnceLock::new();
        static GERMAN: OnceLock<Words> = OnceLock::new();
        let (kept, text) = match language {
            Language::English => (&ENGLISH, include_str!("en.toml")),
            Language::German => (&GERMAN, include_str!("de.toml")),
        };
        kept.get_or_init(|| {
            toml::from_str(text).expect("a shipped file of words has every key; the tests read them all")
        })
    }

    /// A quality as people say it.
    #[must_use]
    pub fn status(&self, status: lapwing_protocol::Status) -> &str {
        let english = status.words();
        self.status.get(english).map_or(english, String::as_str)
    }

    /// A priority as people say it.
    #[must_use]
    pub fn priority(&self, priority: lapwing_protocol::Priority) -> &str {
        let english = priority.word();
        self.priority.get(english).map_or(english, String::as_str)
    }
}

/// A sentence with its gaps filled, each once; other gaps stay.
#[must_use]
pub fn filled(sentence: &str, gaps: &[(&str, &str)]) -> String {
    let mut text = String::with_capacity(sentence.len() + 64);
    let mut rest = sentence;
    // What is filled in may have braces of its own: it is not looked at again.
    while let Some(open) = rest.find('{') {
        let (before, after) = rest.split_at(open);
        text.push_str(before);
        let found = after.find('}').and_then(|close| {
            let (_, value) = gaps.iter().find(|(name, _)| *name == &after[1..close])?;
            Some((close, *value))
        });
        match found {
            Some((close, value)) => {
                text.push_str(value);
                rest = &after[close + 1..];
            }
            None => {
                text.push('{');
                rest = &after[1..];
            }
        }
    }
    text + rest
}

#[cfg(test)]
mod tests {
    use super::*;

    const FILES: [(&str, Language); 2] =
        [(include_str!("en.toml"), Language::English), (include_str!("de.toml"), Language::German)];

    fn sentences(value: &toml::Value, path: &str, into: &mut BTreeMap<String, Vec<String>>) {
        match value {
            toml::Value::Table(table) => {
                for (key, value) in table {
                    sentences(value, &format!("{path}.{key}"), into);
                }
            }
            toml::Value::String(text) => {
                let mut gaps: Vec<String> = text
                    .split('{')
                    .skip(1)
                    .filter_map(|rest| rest.split_once('}'))
                    .map(|(gap, _)| gap.to_owned())
                    .collect();
                gaps.sort();
                assert!(!text.is_empty(), "{path} says nothing");
                into.insert(path.to_owned(), gaps);
            }
            other => panic!("{path} is no text: {other:?}"),
        }
    }

    #[test]
    fn every_language_has_the_same_keys_and_gaps() {
        let all = FILES.map(|(text, language)| {
            let _readable = Words::of(language);
            let mut into = BTreeMap::new();
            sentences(&text.parse::<toml::Table>().map(toml::Value::Table).expect("TOML"), "", &mut into);
            into
        });
        assert_eq!(all[0], all[1]);
        assert_eq!(Language::WORDS.len(), FILES.len(), "a language without its file");
    }

    #[test]
    fn every_quality_and_priority_has_its_word() {
        use lapwing_protocol::{Priority, Status};
        for words in [Words::of(Language::English), Words::of(Language::German)] {
            for high in 0..=0xFFFF_u32 {
                assert!(words.status.contains_key(Status::from_number(high << 16).words()));
            }
            for priority in [Priority::Critical, Priority::High, Priority::Medium, Priority::Low] {
                assert!(words.priority.contains_key(priority.word()));
            }
        }
        assert_eq!(Words::of(Language::German).priority(Priority::High), "hoch");
    }

    #[test]
    fn gaps_are_filled_once() {
        assert_eq!(filled("{a} and {b}, {c", &[("a", "{b}"), ("b", "2")]), "{b} and 2, {c");
        assert_eq!(filled("", &[]), "");
    }
}
