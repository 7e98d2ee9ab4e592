//! In which language the agent speaks of alarms. Decides nothing; the words are the room `words`'. Never panics.

/// Languages the agent speaks; the words of each are a file of the room `words`.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Language {
    /// English.
    #[default]
    English,
    /// German.
    German,
}

impl Language {
    /// The words of the configuration (ISO 639-1).
    pub const WORDS: [&'static str; 2] = ["en", "de"];

    /// The language of a word.
    #[must_use]
    pub fn from_word(word: &str) -> Option<Self> {
        match word {
            "en" => Some(Self::English),
            "de" => Some(Self::German),
            _ => None,
        }
    }
}
