//! What is said about a configuration: mistakes that forbid running, and findings a person should look at.
//!
//! Both have one shape: where, what, how to mend. Printed as `file:line:column: what`, the source line with a caret, and
//! the mend; serialised for `--json`. Decides nothing. Never panics.

use std::fmt;

use serde::Serialize;

use super::source::{Place, Position, Sources};
use super::wrong::Wrong;
use crate::review::Severity;

/// One thing said about one place.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Remark {
    /// Stable code of the kind of mistake, such as `unknown_key`.
    pub code: &'static str,
    /// How grave it is; of the review of the alarm set only.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub severity: Option<Severity>,
    /// What it is about, as `[[accept]]` names it; of the review only.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub about: Option<String>,
    /// File, `environment` or `command`.
    pub file: String,
    /// Line and column, if it stands in a file that could be read.
    #[serde(flatten, skip_serializing_if = "Option::is_none")]
    pub position: Option<At>,
    /// Key path, such as `link[plant].timeout_ms`.
    pub key: String,
    /// What is wrong.
    pub what: String,
    /// What would be right.
    pub mend: String,
    /// The source line.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub snippet: Option<String>,
    #[serde(skip)]
    covered: usize,
}

/// A finding that is right as it is.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Accepted {
    /// Its code.
    pub code: &'static str,
    /// What it is about.
    pub about: Vec<String>,
    /// Why.
    pub because: String,
}

/// A position inside the JSON form.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct At {
    /// Line, from 1.
    pub line: u32,
    /// Column in characters, from 1.
    pub column: u32,
}

impl From<Position> for At {
    fn from(position: Position) -> Self {
        Self { line: position.line, column: position.column }
    }
}

/// A mistake: the agent does not start with it.
pub type Mistake = Remark;
/// A finding: the agent starts, a person should decide.
pub type Finding = Remark;

/// Every mistake of a configuration, in the order of files and lines.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, thiserror::Error)]
pub struct Mistakes {
    pub(crate) list: Vec<Mistake>,
}

impl Mistakes {
    /// All of them, at least one.
    #[must_use]
    pub fn list(&self) -> &[Mistake] {
        &self.list
    }
}

impl fmt::Display for Mistakes {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (n, mistake) in self.list.iter().enumerate() {
            if n > 0 {
                writeln!(f)?;
            }
            write!(f, "{mistake}")?;
        }
        Ok(())
    }
}

impl fmt::Display for Remark {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let severity = self.severity.map(|severity| format!("{}: ", severity.word())).unwrap_or_default();
        match self.position {
            Some(at) => writeln!(f, "{}:{}:{}: {severity}{}", self.file, at.line, at.column, self.what)?,
            None => writeln!(f, "{}: {severity}{}", self.file, self.what)?,
        }
        if let (Some(line), Some(at)) = (&self.snippet, self.position) {
            let before = usize::try_from(at.column.saturating_sub(1)).unwrap_or(0);
            // Tabs stay tabs, so that the caret stands below its character.
            let pad: String = line.chars().take(before).map(|c| if c == '\t' { '\t' } else { ' ' }).collect();
            writeln!(f, "    {line}")?;
            writeln!(f, "    {pad}{}", "^".repeat(self.covered.clamp(1, 60)))?;
        }
        writeln!(f, "    mend: {}", self.mend)
    }
}

/// What was found so far.
#[derive(Debug, Default)]
pub(crate) struct Report {
    mistakes: Vec<(Place, String, Wrong)>,
    findings: Vec<(Place, String, Wrong)>,
    review: Vec<(Place, String, Wrong)>,
    /// What of the review is right as it is.
    pub(crate) accepted: Vec<Accepted>,
    /// The file of texts in the module's language.
    pub(crate) texts: Option<super::source::Origin>,
    /// Where each configured alarm comes from.
    pub(crate) listed: Vec<super::list::Listed>,
}

/// All that is said about a configuration.
#[derive(Debug)]
pub(crate) struct Rendered {
    pub(crate) mistakes: Vec<Mistake>,
    pub(crate) findings: Vec<Finding>,
    pub(crate) review: Vec<Finding>,
}

impl Report {
    /// Notes a mistake.
    pub(crate) fn wrong(&mut self, place: Place, key: impl Into<String>, wrong: impl Into<Wrong>) {
        let (key, wrong) = (key.into(), wrong.into());
        // A map serves several devices, a pattern many points: what is wrong at one place is said once.
        let known = |(p, k, w): &(Place, String, Wrong)| *p == place && *k == key && w.code() == wrong.code();
        if !self.mistakes.iter().any(known) {
            self.mistakes.push((place, key, wrong));
        }
    }

    /// Notes a finding.
    pub(crate) fn finding(&mut self, place: Place, key: impl Into<String>, wrong: impl Into<Wrong>) {
        self.findings.push((place, key.into(), wrong.into()));
    }

    /// Notes what the review of the alarm set found.
    pub(crate) fn reviewed(&mut self, place: Place, key: impl Into<String>, wrong: impl Into<Wrong>) {
        self.review.push((place, key.into(), wrong.into()));
    }

    /// Whether there is no mistake so far.
    pub(crate) fn is_clean(&self) -> bool {
        self.mistakes.is_empty()
    }

    /// Mistakes and findings with their lines, each in the order of files and lines; the review's gravest first.
    pub(crate) fn render(self, sources: &Sources) -> Rendered {
        let mut review = render(self.review, sources);
        review.sort_by_key(|remark| std::cmp::Reverse(remark.severity));
        Rendered { mistakes: render(self.mistakes, sources), findings: render(self.findings, sources), review }
    }
}

fn render(mut list: Vec<(Place, String, Wrong)>, sources: &Sources) -> Vec<Remark> {
    list.sort_by_key(|(place, ..)| *place);
    let mut remarks: Vec<Remark> = Vec::with_capacity(list.len());
    for (place, key, wrong) in list {
        let located = sources.locate(place);
        remarks.push(Remark {
            code: wrong.code(),
            severity: wrong.severity(),
            about: wrong.about(),
            file: sources.name(place.origin),
            position: located.map(|(position, ..)| position.into()),
            key,
            what: wrong.to_string(),
            mend: wrong.mend(),
            // An empty line shows nothing: of a file that could not be read, or one that lacks a table.
            snippet: located.map(|(_, line, _)| line.to_string()).filter(|line| !line.trim().is_empty()),
            covered: located.map_or(1, |(.., covered)| covered),
        });
    }
    remarks
}
