//! Expected values prepared in a file: CSV with a first line `path,expected,initials,note`.
//!
//! `expected` is what a person would type (`20.7`, `open`, `=`, `d`, `s`, `w 20.7`). Paths that the module does not have
//! are mistakes: a sheet for another module must not pass silently. Never panics.

use std::collections::BTreeMap;
use std::path::Path;

use crate::plan::Plan;

use super::entry::Entry;

/// What is expected, by path.
#[derive(Clone, Debug, Default)]
pub struct Answers(BTreeMap<String, Answer>);

/// One line of the file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Answer {
    /// What a person would type at the point.
    pub entry: Entry,
    /// What goes onto the sheet beside it.
    pub note: String,
}

#[derive(serde::Deserialize)]
struct Row {
    path: String,
    expected: String,
    #[serde(default)]
    initials: String,
    #[serde(default)]
    note: String,
}

impl Answers {
    /// Reads a file; mistakes say its name and their line.
    ///
    /// # Errors
    /// The file cannot be read, or the first mistake in it.
    pub fn read(file: &Path, plan: &Plan) -> Result<Self, String> {
        let text = std::fs::read(file).map_err(|error| format!("{}: {error}", file.display()))?;
        Self::parse(&text, plan).map_err(|why| format!("{}, {why}", file.display()))
    }

    /// Reads a file's bytes; mistakes say their line.
    ///
    /// # Errors
    /// The first mistake, in words.
    pub fn parse(text: &[u8], plan: &Plan) -> Result<Self, String> {
        let mut reader = csv::ReaderBuilder::new().trim(csv::Trim::All).flexible(true).from_reader(text);
        let mut answers = BTreeMap::new();
        for row in reader.deserialize::<Row>() {
            // The library's own words name the line.
            let row = row.map_err(|error| format!("{error}; write path,expected,initials,note"))?;
            if !plan.points.iter().any(|point| point.path == row.path) {
                return Err(format!("the module has no point `{}`", row.path));
            }
            let entry = match Entry::parse(&format!("{} {}", row.expected, row.initials)) {
                Entry::Unclear(why) => return Err(format!("point `{}`: {why}", row.path)),
                // In these the second word is no initials, so the note must not be taken from there.
                Entry::Differs { .. } => Entry::Differs { note: row.note.clone() },
                Entry::Skip { .. } => Entry::Skip { note: row.note.clone() },
                entry @ (Entry::Expect { .. } | Entry::AsRead { .. } | Entry::WaitFor { .. }) => entry,
                Entry::Back | Entry::Initials(_) | Entry::Again | Entry::Help | Entry::Quit => {
                    return Err(format!(
                        "point `{}`: `{}` is no expected value; write a number, a state, =, d or s",
                        row.path, row.expected
                    ));
                }
            };
            if answers.insert(row.path.clone(), Answer { entry, note: row.note }).is_some() {
                return Err(format!("point `{}` stands there twice", row.path));
            }
        }
        Ok(Self(answers))
    }

    /// What is expected of a point.
    #[must_use]
    pub fn of(&self, path: &str) -> Option<&Answer> {
        self.0.get(path)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::Point;

    fn parse(text: &str) -> Result<Answers, String> {
        let points = ["a/b", "a/c"].map(|path| Point { path: path.into(), ..Point::default() });
        Answers::parse(text.as_bytes(), &Plan { points: points.into(), ..Plan::default() })
    }

    #[test]
    fn expected_values_are_found_by_path() {
        let answers = parse("path,expected,initials,note\na/b, 20.7, ab, wet\na/c,d,AB,\"no, none\"\n").expect("right");
        let expected = Entry::Expect { value: "20.7".into(), initials: Some("AB".into()) };
        assert_eq!(answers.of("a/b"), Some(&Answer { entry: expected, note: "wet".into() }));
        assert_eq!(answers.of("a/c").map(|a| &a.entry), Some(&Entry::Differs { note: "no, none".into() }));
        assert_eq!(answers.of("a/d"), None);
        assert!(parse("path,expected\na/b,=\n").expect("columns may be missing").of("a/b").is_some());
    }

    #[test]
    fn mistakes_are_told() {
        let why = |text| parse(text).expect_err("a mistake");
        assert!(why("path,expected\nx/y,1\n").contains("no point `x/y`"));
        assert!(why("path,expected\na/b,1\na/b,2\n").contains("twice"));
        assert!(why("path,expected,initials\na/b,1,A7\n").contains("initials"));
        assert!(why("path,expected\na/b,\n").contains("no expected value"));
        assert!(why("point,value\na/b,1\n").contains("path,expected,initials,note"));
    }
}
