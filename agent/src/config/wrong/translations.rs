//! Mistakes and findings about files of texts in other languages.
//!
//! Part of `wrong`. Never panics.

use thiserror::Error;

use super::did_you_mean;

/// One kind of mistake or finding.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
#[rustfmt::skip]
pub(crate) enum OfTranslations {
    #[error("the texts `{file}` cannot be read: {why}")]
    Unreadable { file: String, why: String, near: Option<String> },
    #[error("there are two files of texts in `{language}`, the first is {first}")]
    TwoOfLanguage { language: &'static str, first: String },
    #[error("the text is empty")]
    Empty,
    #[error("{}", placeholders(missing, extra))]
    OtherPlaceholders { missing: Vec<String>, extra: Vec<String> },
    // Findings.
    #[error("no [[alarm]] is written with the id `{id}`")]
    UnknownAlarm { id: String, near: Option<String> },
    #[error("no [[suppress]] is called `{name}`")]
    UnknownRule { name: String, near: Option<String> },
    #[error("the alarm `{id}` has no `{key}` that this would translate")]
    NothingToTranslate { id: String, key: &'static str },
    #[error("nothing in this module has {what} `{name}`")]
    NotUsed { what: &'static str, name: String, near: Option<String> },
}

impl OfTranslations {
    /// What would be right.
    #[rustfmt::skip]
    pub(super) fn mend(&self) -> String {
        match self {
            Self::Unreadable { near, .. } => did_you_mean(near.as_ref(), "name a file of texts, relative to the directory of the module file", &[]),
            Self::TwoOfLanguage { .. } => "put the texts of a language into one file".into(),
            Self::UnknownAlarm { near, .. } => did_you_mean(near.as_ref(), "write the id as it stands in the module file, with its {name} in braces, or take the texts out", &[]),
            Self::UnknownRule { near, .. } => did_you_mean(near.as_ref(), "name a [[suppress]] of the module file, or take the text out", &[]),
            Self::NothingToTranslate { key, .. } => format!("take it out, or give the alarm its {key} in the module file first"),
            Self::Empty => "write the text, or take it out: the one of the module file then stands in".into(),
            Self::OtherPlaceholders { .. } => "use exactly the {name} in braces that the text in the module file has".into(),
            Self::NotUsed { near, .. } => did_you_mean(near.as_ref(), "take it out, unless another module uses these texts too", &[]),
        }
    }

    /// Stable code.
    pub(super) fn code(&self) -> &'static str {
        match self {
            Self::Unreadable { .. } => "unknown_translation",
            Self::TwoOfLanguage { .. } => "two_of_language",
            Self::UnknownAlarm { .. } => "translates_no_alarm",
            Self::UnknownRule { .. } => "translates_no_rule",
            Self::NothingToTranslate { .. } => "nothing_to_translate",
            Self::Empty => "empty_translation",
            Self::OtherPlaceholders { .. } => "other_placeholders",
            Self::NotUsed { .. } => "translation_not_used",
        }
    }
}

fn placeholders(missing: &[String], extra: &[String]) -> String {
    let list = |names: &[String]| names.iter().map(|name| format!("{{{name}}}")).collect::<Vec<_>>().join(", ");
    match (missing.is_empty(), extra.is_empty()) {
        (false, true) => format!("the text lacks {}", list(missing)),
        (true, _) => format!("the text has {}, which the one it translates has not", list(extra)),
        (false, false) => format!("the text lacks {} and has {} instead", list(missing), list(extra)),
    }
}
