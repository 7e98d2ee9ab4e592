//! What the agent says, by language: one file a language, all with the same keys and gaps.
//!
//! Texts of configured alarms are the site's own, translated by its own files (`config`); here is what the agent adds: what
//! happened to an alarm, what it follows from, its own alarms, what people did, what became of links, devices, store and
//! configuration, what a recipient reads. What system or libraries say is sorted by `cause`; what has no words is quoted. A
//! language is added as a file here and a word in `plan::Language`; the tests compare its keys and gaps with the English
//! ones. Decides nothing. Panics only if a shipped
//! file is no TOML of this shape, which the tests rule out.

mod tables;

use std::collections::BTreeMap;
use std::sync::OnceLock;

use lapwing_protocol::Vocabulary as _;
use serde::Deserialize;

use crate::plan::Language;
pub use tables::{Agent, Change, Config, Feeds, Field, Message, Operator, Own, OwnAlarm, Store, Tell};

/// The words of one language.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Words {
    /// What parts whole numbers from their fractions.
    decimal: String,
    /// What is said of transitions.
    pub tell: Tell,
    /// Names of priorities.
    priority: BTreeMap<String, String>,
    /// What is at stake, by the words of the wire.
    impact: BTreeMap<String, String>,
    /// Names of qualities, by the English ones.
    status: BTreeMap<String, String>,
    /// Names of modes, by the words of the wire.
    mode: BTreeMap<String, String>,
    /// Names of roles, by the words of the wire.
    role: BTreeMap<String, String>,
    /// What people did.
    pub operator: Operator,
    /// Why something was refused, by its code.
    refused: BTreeMap<String, String>,
    /// What has changed around the alarms.
    pub change: Change,
    /// Which racks hang on what an alarm is about.
    pub feeds: Feeds,
    /// What links and devices do.
    pub field: Field,
    /// Why, by its code: what `field::why` says.
    why: BTreeMap<String, String>,
    /// Why something of this machine or beyond it does not work, by its code: what `cause` says.
    cause: BTreeMap<String, String>,
    /// What the agent itself does.
    pub agent: Agent,
    /// What becomes of event store and history.
    pub store: Store,
    /// What a changed configuration brings.
    pub config: Config,
    /// What a recipient reads.
    pub message: Message,
    /// What an alarm's state is called, by the words of the wire.
    state: BTreeMap<String, String>,
    /// Names of states that the agent itself gives points, by the English ones.
    state_name: BTreeMap<String, String>,
    /// The agent's own alarms.
    pub own: Own,
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

    /// A decimal number as it is written in the language.
    #[must_use]
    pub fn number(&self, plain: &str) -> String {
        plain.replace('.', &self.decimal)
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

    /// What is at stake, as people say it.
    #[must_use]
    pub fn impact(&self, impact: lapwing_protocol::Impact) -> &str {
        let english = impact.as_word();
        self.impact.get(english).map_or(english, String::as_str)
    }

    /// A mode as people say it.
    #[must_use]
    pub fn mode(&self, mode: lapwing_protocol::Mode) -> &str {
        let english = mode.as_word();
        self.mode.get(english).map_or(english, String::as_str)
    }

    /// A role as people say it, by its word.
    #[must_use]
    pub fn role<'a>(&'a self, word: &'a str) -> &'a str {
        self.role.get(word).map_or(word, String::as_str)
    }

    /// Why something was refused, by its code, with its gaps.
    #[must_use]
    pub fn refused(&self, code: &'static str) -> &str {
        self.refused.get(code).map_or(code, String::as_str)
    }

    /// Why something of the field is as it is, by its code, with its gaps.
    #[must_use]
    pub fn why(&self, code: &'static str) -> &str {
        self.why.get(code).map_or(code, String::as_str)
    }

    /// A name of a state of the agent's own points and functions, by the English one; `None`: it is none of ours.
    #[must_use]
    pub fn state_name(&self, english: &str) -> Option<&str> {
        self.state_name.get(english).map(String::as_str)
    }

    /// Why something of this machine or beyond it does not work, by its code, with its gaps.
    #[must_use]
    pub fn cause(&self, code: &'static str) -> &str {
        self.cause.get(code).map_or(code, String::as_str)
    }

    /// What a state of an alarm is called; `None` is one that this version does not know.
    #[must_use]
    pub fn state(&self, state: Option<lapwing_protocol::ShownState>) -> &str {
        let word = state.map_or("unknown", |state| state.as_word());
        self.state.get(word).map_or(word, String::as_str)
    }
}

/// Seconds as people say them, in any language.
#[must_use]
pub fn lasting(seconds: u64) -> String {
    match (seconds / 3600, seconds / 60 % 60, seconds % 60) {
        (0, 0, s) => format!("{s} s"),
        (0, m, 0) => format!("{m} min"),
        (0, m, s) => format!("{m} min {s} s"),
        (h, 0, _) => format!("{h} h"),
        (h, m, _) => format!("{h} h {m} min"),
    }
}

/// A part of a sentence as one of its own: a capital letter before it, a full stop behind it unless it asks or has one.
#[must_use]
pub fn sentence(part: &str) -> String {
    let mut letters = part.chars();
    let mut said: String = letters.next().into_iter().flat_map(char::to_uppercase).collect();
    said.push_str(letters.as_str());
    if !said.ends_with(['.', '?', '!']) {
        said.push('.');
    }
    said
}

/// A sentence with its gaps filled, each once; other gaps stay.
#[must_use]
pub fn filled(sentence: &str, gaps: &[(&str, &str)]) -> String {
    let filled: usize = gaps.iter().map(|(_, value)| value.len()).sum();
    let mut text = String::with_capacity(sentence.len() + filled);
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
    fn every_quality_priority_mode_and_state_has_its_word() {
        use lapwing_protocol::{Mode, Priority, ShownState, Status};
        for words in [Words::of(Language::English), Words::of(Language::German)] {
            for high in 0..=0xFFFF_u32 {
                assert!(words.status.contains_key(Status::from_number(high << 16).words()));
            }
            for priority in [Priority::Critical, Priority::High, Priority::Medium, Priority::Low] {
                assert!(words.priority.contains_key(priority.word()));
            }
            assert!(Mode::WORDS.iter().all(|(word, _)| words.mode.contains_key(*word)));
            assert!(ShownState::WORDS.iter().all(|(word, _)| words.state.contains_key(*word)));
            for role in ["observer", "operator", "engineer"] {
                assert!(words.role.contains_key(role));
            }
        }
        assert_eq!(Words::of(Language::German).priority(Priority::High), "hoch");
    }

    #[test]
    fn times_are_said_shortly() {
        let said = [0, 59, 60, 61, 3600, 3660, 28_800].map(lasting);
        assert_eq!(said, ["0 s", "59 s", "1 min", "1 min 1 s", "1 h", "1 h 1 min", "8 h"]);
    }

    #[test]
    fn a_part_becomes_a_sentence() {
        let said = ["no alarm", "did you mean `x`?", "über alles", "Done."].map(sentence);
        assert_eq!(said, ["No alarm.", "Did you mean `x`?", "Über alles.", "Done."]);
        assert_eq!(sentence(""), ".");
    }

    #[test]
    fn gaps_are_filled_once() {
        assert_eq!(filled("{a} and {b}, {c", &[("a", "{b}"), ("b", "2")]), "{b} and 2, {c");
        assert_eq!(filled("", &[]), "");
    }
}
