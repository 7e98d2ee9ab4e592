//! Fixed vocabularies: enums whose values are words on the wire, and how a reader survives a word it does not know.
//!
//! `Vocabulary` gives every such enum its table of words. `Word` holds one of them or, as text, a word that a later
//! version added: readers go on, and writing it again loses nothing. Writers only ever use known words, so the JSON
//! Schema lists exactly those. Knows no meaning of any word. Never panics.

/// An enum whose values are words.
pub trait Vocabulary: Copy + PartialEq + 'static {
    /// Every value with its word, in the order people list them.
    const WORDS: &'static [(&'static str, Self)];

    /// The word on the wire.
    #[must_use]
    fn as_word(self) -> &'static str {
        Self::WORDS.iter().find(|(_, value)| *value == self).map_or("", |(word, _)| word)
    }

    /// The value of a word, if there is one.
    #[must_use]
    fn from_word(word: &str) -> Option<Self> {
        Self::WORDS.iter().find(|(known, _)| *known == word).map(|(_, value)| *value)
    }
}

#[cfg(feature = "alloc")]
pub use open::Word;
#[cfg(feature = "alloc")]
pub(crate) use open::is_word;

#[cfg(feature = "alloc")]
mod open {
    use alloc::string::String;
    use core::fmt;

    use serde::{Deserialize, Deserializer, Serialize, Serializer};

    use super::Vocabulary;

    /// Longest word a reader keeps.
    const WORD_MAX: usize = 64;

    /// Whether a text can be a word of a later version: short and printable, so that writing it again always fits.
    pub(crate) fn is_word(text: &str) -> bool {
        (1..=WORD_MAX).contains(&text.len())
            && text.bytes().all(|byte| byte.is_ascii_graphic() && !matches!(byte, b'"' | b'\\'))
    }

    /// A word of a vocabulary, or one that this version does not know.
    #[derive(Clone, Debug, PartialEq, Eq, Hash)]
    pub enum Word<T> {
        /// A word of the vocabulary.
        Known(T),
        /// A word from a later version, unchanged.
        Unknown(String),
    }

    impl<T: Vocabulary> Word<T> {
        /// The value, if this version knows it.
        #[must_use]
        pub fn known(&self) -> Option<T> {
            match self {
                Self::Known(value) => Some(*value),
                Self::Unknown(_) => None,
            }
        }

        /// The word on the wire.
        #[must_use]
        pub fn as_str(&self) -> &str {
            match self {
                Self::Known(value) => value.as_word(),
                Self::Unknown(word) => word,
            }
        }

        /// From a word on the wire; `None` when the text is no word (`is_word`).
        #[must_use]
        pub fn new(word: &str) -> Option<Self> {
            match T::from_word(word) {
                Some(value) => Some(Self::Known(value)),
                None => is_word(word).then(|| Self::Unknown(word.into())),
            }
        }
    }

    impl<T> From<T> for Word<T> {
        fn from(value: T) -> Self {
            Self::Known(value)
        }
    }

    impl<T: Default> Default for Word<T> {
        fn default() -> Self {
            Self::Known(T::default())
        }
    }

    impl<T: Vocabulary> PartialEq<T> for Word<T> {
        fn eq(&self, other: &T) -> bool {
            self.known() == Some(*other)
        }
    }

    impl<T: Vocabulary> fmt::Display for Word<T> {
        fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
            f.write_str(self.as_str())
        }
    }

    impl<T: Vocabulary> Serialize for Word<T> {
        fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
            serializer.serialize_str(self.as_str())
        }
    }

    impl<'de, T: Vocabulary> Deserialize<'de> for Word<T> {
        fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
            struct Text<T>(core::marker::PhantomData<T>);
            impl<T: Vocabulary> serde::de::Visitor<'_> for Text<T> {
                type Value = Word<T>;
                fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                    f.write_str("a word of at most 64 printable ASCII characters")
                }
                fn visit_str<E: serde::de::Error>(self, word: &str) -> Result<Word<T>, E> {
                    Word::new(word).ok_or_else(|| E::invalid_value(serde::de::Unexpected::Str(word), &self))
                }
            }
            deserializer.deserialize_str(Text(core::marker::PhantomData))
        }
    }

    #[cfg(feature = "schema")]
    impl<T: schemars::JsonSchema> schemars::JsonSchema for Word<T> {
        fn schema_name() -> alloc::borrow::Cow<'static, str> {
            T::schema_name()
        }
        fn schema_id() -> alloc::borrow::Cow<'static, str> {
            T::schema_id()
        }
        fn json_schema(generator: &mut schemars::SchemaGenerator) -> schemars::Schema {
            T::json_schema(generator)
        }
    }
}

#[cfg(all(test, feature = "alloc"))]
mod tests {
    use super::*;
    use crate::alarm_words::Mode;

    #[test]
    fn unknown_words_are_kept_as_they_are() {
        let word: Word<Mode> = serde_json::from_str("\"rehearsal\"").expect("a word");
        assert_eq!((word.known(), word.as_str()), (None, "rehearsal"));
        assert_eq!(serde_json::to_string(&word).expect("serialises"), "\"rehearsal\"");
        assert_eq!(Word::new("live"), Some(Word::Known(Mode::Live)));
        assert_eq!(Word::Known(Mode::Test), Mode::Test);
    }

    #[test]
    fn texts_are_no_words() {
        for text in ["", "two words", "tab\t", "\u{1}", "größe", "a\"b", "a\\b", &"x".repeat(65)] {
            assert_eq!(Word::<Mode>::new(text), None, "{text:?}");
        }
        assert!(serde_json::from_str::<Word<Mode>>("7").is_err());
        assert!(serde_json::from_str::<Word<Mode>>("\"\"").is_err());
    }
}
