//! What was found at each point, kept in a file so that work can stop and go on.
//!
//! `progress.jsonl`: a first line that says whose it is, then one line a finding; the last one of a point counts. Each
//! line is on disk before the next point is asked. A line cut short by a power cut is dropped, anything else unreadable is
//! said with its line. A finding whose point is read differently now does not count. Stamps are RFC 3339, UTC. Never
//! panics.

use std::collections::BTreeMap;
use std::fs::{File, OpenOptions};
use std::io::{Seek as _, SeekFrom, Write as _};
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};
use thiserror::Error;

use super::select::Target;

/// File name in the directory of a checkout.
pub const FILE_NAME: &str = "progress.jsonl";

/// What a finding says.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    /// What is read is what is there.
    Agrees,
    /// It is not.
    Differs,
    /// Looked at, and left for later.
    NotDecided,
}

impl Verdict {
    /// In words.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Agrees => "agrees",
            Self::Differs => "differs",
            Self::NotDecided => "not decided",
        }
    }
}

/// What was found at a point.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Finding {
    /// Path of the point.
    pub path: String,
    /// Where and how it was read.
    pub reads: String,
    /// Raw registers, hexadecimal, or the number SNMP gave.
    pub raw: String,
    /// Value with its unit, or empty.
    pub value: String,
    /// What a person expected, as typed.
    pub expected: String,
    /// Read minus expected.
    pub difference: Option<f64>,
    /// How far off it might have been.
    pub tolerance: Option<f64>,
    /// Quality in words.
    pub quality: String,
    /// From request to answer, ms.
    pub latency_ms: Option<f64>,
    /// How often the device refreshes it, as measured, s.
    pub refresh_s: Option<f64>,
    /// What came of it.
    pub verdict: Verdict,
    /// Who says so.
    pub initials: String,
    /// When.
    pub t: String,
    /// What the person noted.
    pub note: String,
    /// Changes of the map that would make it right.
    pub suggestions: Vec<String>,
}

/// Whose progress it is.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
struct Head {
    schema: u32,
    site: String,
    module: String,
}

/// Why progress cannot be kept or used.
#[derive(Debug, Error)]
pub enum RecordError {
    /// Reading or writing failed.
    #[error("{path}: {source}; choose another directory with --out")]
    File {
        /// Which file.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// The file is another module's.
    #[error("{path} belongs to {site} {module}; choose another directory with --out")]
    Foreign {
        /// Which file.
        path: PathBuf,
        /// Its site.
        site: String,
        /// Its module.
        module: String,
    },
    /// A line that is no finding.
    #[error("{path}, line {line}: {why}; mend or remove the line, or choose another directory with --out")]
    Line {
        /// Which file.
        path: PathBuf,
        /// Which line, from 1.
        line: usize,
        /// Why.
        why: String,
    },
}

/// The progress of a checkout.
#[derive(Debug)]
pub struct Progress {
    file: File,
    path: PathBuf,
    findings: BTreeMap<String, Finding>,
}

impl Progress {
    /// Opens or begins the progress in a directory, which is made if it is missing.
    ///
    /// # Errors
    /// Every variant of [`RecordError`].
    pub fn open(dir: &Path, site: &str, module: &str) -> Result<Self, RecordError> {
        let path = dir.join(FILE_NAME);
        let fail = |source| RecordError::File { path: path.clone(), source };
        std::fs::create_dir_all(dir).map_err(fail)?;
        let mut file =
            OpenOptions::new().read(true).write(true).create(true).truncate(false).open(&path).map_err(fail)?;
        let text = std::fs::read(&path).map_err(fail)?;
        let (findings, whole) = findings(&text, &path, site, module)?;
        file.set_len(whole).map_err(fail)?;
        file.seek(SeekFrom::End(0)).map_err(fail)?;
        let mut progress = Self { file, path, findings };
        if whole == 0 {
            progress.line(&Head { schema: 1, site: site.to_owned(), module: module.to_owned() })?;
        }
        Ok(progress)
    }

    /// Records a finding; it is on disk when this returns.
    ///
    /// # Errors
    /// When it cannot be written.
    pub fn record(&mut self, finding: Finding) -> Result<(), RecordError> {
        self.line(&finding)?;
        self.findings.insert(finding.path.clone(), finding);
        Ok(())
    }

    /// The last finding of a point, if the point is still read as it was then.
    #[must_use]
    pub fn finding(&self, path: &str, target: &Target) -> Option<&Finding> {
        self.findings.get(path).filter(|finding| finding.reads == target.reads)
    }

    fn line(&mut self, what: &impl Serialize) -> Result<(), RecordError> {
        let fail = |source| RecordError::File { path: self.path.clone(), source };
        let mut line = serde_json::to_vec(what).map_err(|error| fail(error.into()))?;
        line.push(b'\n');
        self.file.write_all(&line).and_then(|()| self.file.sync_data()).map_err(fail)
    }
}

/// The findings of a file by point, and how many of its bytes are whole lines. `path` is only for messages.
///
/// # Errors
/// Another module's file, or a line that is no finding.
pub fn findings(
    text: &[u8],
    path: &Path,
    site: &str,
    module: &str,
) -> Result<(BTreeMap<String, Finding>, u64), RecordError> {
    let whole = text.iter().rposition(|byte| *byte == b'\n').map_or(0, |at| at + 1);
    let mut findings = BTreeMap::new();
    let lines = text.get(..whole).unwrap_or_default().split(|byte| *byte == b'\n').filter(|line| !line.is_empty());
    for (at, line) in lines.enumerate() {
        let wrong = |error: serde_json::Error| RecordError::Line {
            path: path.to_path_buf(),
            line: at + 1,
            why: error.to_string(),
        };
        if at == 0 {
            let head: Head = serde_json::from_slice(line).map_err(wrong)?;
            if (head.site.as_str(), head.module.as_str()) != (site, module) {
                return Err(RecordError::Foreign { path: path.to_path_buf(), site: head.site, module: head.module });
            }
        } else {
            let finding: Finding = serde_json::from_slice(line).map_err(wrong)?;
            findings.insert(finding.path.clone(), finding);
        }
    }
    Ok((findings, u64::try_from(whole).unwrap_or(0)))
}

#[cfg(test)]
#[path = "record/tests.rs"]
mod tests;
