//! Where a setting was written: files with their text, and places inside them as line and column.
//!
//! Lines and columns count from 1, columns in characters, as editors show them. A place may also be an environment
//! variable or an override handed in by the caller; those have no line. Knows nothing of what the text means. Never
//! panics: a place outside its text is answered with the end of the text.

use std::path::{Path, PathBuf};

/// Where something was written.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Origin {
    /// A file, by its number in `Sources`.
    File(usize),
    /// An environment variable.
    Environment,
    /// An override of the caller's.
    Override,
}

/// A stretch of bytes in an origin.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) struct Place {
    /// Which text.
    pub(crate) origin: Origin,
    /// First byte.
    pub(crate) start: usize,
    /// One past the last byte.
    pub(crate) end: usize,
}

impl Place {
    /// A stretch of a file.
    pub(crate) const fn new(origin: Origin, span: &std::ops::Range<usize>) -> Self {
        Self { origin, start: span.start, end: span.end }
    }

    /// An origin without a text of its own.
    pub(crate) const fn whole(origin: Origin) -> Self {
        Self { origin, start: 0, end: 0 }
    }
}

/// A value with the place it was written.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Located<T> {
    /// The value.
    pub(crate) value: T,
    /// Where.
    pub(crate) place: Place,
}

impl<T> Located<T> {
    pub(crate) fn map<U>(self, change: impl FnOnce(T) -> U) -> Located<U> {
        Located { value: change(self.value), place: self.place }
    }
}

/// One file as read.
#[derive(Clone, Debug)]
pub(crate) struct SourceFile {
    /// Path as a person would write it.
    pub(crate) path: PathBuf,
    /// Its text; empty when it could not be read.
    pub(crate) text: String,
}

/// Every file read so far.
#[derive(Clone, Debug, Default)]
pub(crate) struct Sources {
    /// In the order they were read.
    pub(crate) files: Vec<SourceFile>,
}

/// A position as editors count it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Position {
    /// Line, from 1.
    pub line: u32,
    /// Column in characters, from 1.
    pub column: u32,
}

impl Sources {
    /// Keeps a text; the answer names it from now on.
    pub(crate) fn add(&mut self, path: &Path, text: String) -> Origin {
        self.files.push(SourceFile { path: path.to_path_buf(), text });
        Origin::File(self.files.len() - 1)
    }

    /// Path of a file.
    pub(crate) fn path(&self, origin: Origin) -> Option<PathBuf> {
        let Origin::File(n) = origin else { return None };
        self.files.get(n).map(|file| file.path.clone())
    }

    /// Name of an origin as printed.
    pub(crate) fn name(&self, origin: Origin) -> String {
        match origin {
            Origin::File(n) => self.files.get(n).map_or_else(String::new, |file| file.path.display().to_string()),
            Origin::Environment => "environment".into(),
            Origin::Override => "command".into(),
        }
    }

    /// Line and column where a place begins, the source line, and how many characters of that line it covers.
    pub(crate) fn locate(&self, place: Place) -> Option<(Position, &str, usize)> {
        let Origin::File(n) = place.origin else { return None };
        let text = self.files.get(n)?.text.as_str();
        let start = floor(text, place.start);
        let line_start = text[..start].rfind('\n').map_or(0, |at| at + 1);
        let line_end = text[start..].find('\n').map_or(text.len(), |at| start + at);
        let line = text[line_start..line_end].trim_end_matches('\r');
        let number = text[..line_start].bytes().filter(|byte| *byte == b'\n').count() + 1;
        let column = text[line_start..start].chars().count() + 1;
        let covered = text[start..floor(text, place.end.clamp(start, line_end))].chars().count();
        let position = Position {
            line: u32::try_from(number).unwrap_or(u32::MAX),
            column: u32::try_from(column).unwrap_or(u32::MAX),
        };
        Some((position, line, covered.max(1)))
    }
}

/// The nearest character boundary at or before a byte.
fn floor(text: &str, at: usize) -> usize {
    let mut at = at.min(text.len());
    while !text.is_char_boundary(at) {
        at -= 1;
    }
    at
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn columns_count_characters() {
        let mut sources = Sources::default();
        let origin = sources.add(Path::new("m.toml"), "a = 1\nö = \"°C\"\r\nlast".into());
        let at = |start, end| sources.locate(Place { origin, start, end }).expect("a file");
        assert_eq!(at(0, 1), (Position { line: 1, column: 1 }, "a = 1", 1));
        assert_eq!(at(11, 16), (Position { line: 2, column: 5 }, "ö = \"°C\"", 4)); // the quoted text
        assert_eq!(at(18, 22).0, Position { line: 3, column: 1 });
        assert_eq!(at(900, 901).0, Position { line: 3, column: 5 });
        assert_eq!(sources.locate(Place::whole(Origin::Environment)), None);
    }
}
