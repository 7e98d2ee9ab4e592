//! Collects the lines a process prints and lets tests wait for one of them with a deadline.
//!
//! A thread reads the stream; `Lines` keeps every line with the moment it came. Panics when a deadline passes, with the
//! last lines seen. Knows nothing of what the lines mean.

use std::io::{BufRead, BufReader, Read};
use std::sync::{Arc, Condvar, Mutex, PoisonError};
use std::time::{Duration, Instant};

/// One line and when it came.
#[derive(Clone, Debug)]
pub struct Line {
    /// Without its line end.
    pub text: String,
    /// When it was read.
    pub at: Instant,
}

#[derive(Debug, Default)]
struct Inside {
    lines: Vec<Line>,
    ended: bool,
}

/// Every line of one stream, growing while it is read. Clones see the same lines.
#[derive(Clone, Debug)]
pub struct Lines {
    name: String,
    inside: Arc<(Mutex<Inside>, Condvar)>,
}

impl Lines {
    /// Reads `stream` on a thread until it ends.
    pub fn of(name: &str, stream: impl Read + Send + 'static) -> Self {
        let lines = Self { name: name.into(), inside: Arc::default() };
        let inside = Arc::clone(&lines.inside);
        std::thread::spawn(move || {
            let mut reader = BufReader::new(stream);
            let mut bytes = Vec::new();
            loop {
                bytes.clear();
                let got = reader.read_until(b'\n', &mut bytes).unwrap_or(0);
                let (mutex, changed) = &*inside;
                let mut inside = mutex.lock().unwrap_or_else(PoisonError::into_inner);
                if got == 0 {
                    inside.ended = true;
                    changed.notify_all();
                    return;
                }
                let text = String::from_utf8_lossy(&bytes).trim_end_matches(['\n', '\r']).to_owned();
                inside.lines.push(Line { text, at: Instant::now() });
                changed.notify_all();
            }
        });
        lines
    }

    /// How many lines there are: a mark to search from later.
    #[must_use]
    pub fn mark(&self) -> usize {
        self.inside.0.lock().unwrap_or_else(PoisonError::into_inner).lines.len()
    }

    /// Lines from a mark on.
    #[must_use]
    pub fn since(&self, mark: usize) -> Vec<Line> {
        let inside = self.inside.0.lock().unwrap_or_else(PoisonError::into_inner);
        inside.lines.get(mark..).unwrap_or_default().to_vec()
    }

    /// Every line so far.
    #[must_use]
    pub fn all(&self) -> Vec<Line> {
        self.since(0)
    }

    /// First line from `mark` on for which `wanted` gives something; `None` when the deadline passes or the stream ends.
    pub fn find<T>(&self, mark: usize, within: Duration, mut wanted: impl FnMut(&Line) -> Option<T>) -> Option<T> {
        let deadline = Instant::now() + within;
        let (mutex, changed) = &*self.inside;
        let mut inside = mutex.lock().unwrap_or_else(PoisonError::into_inner);
        let mut next = mark;
        loop {
            while next < inside.lines.len() {
                if let Some(found) = wanted(&inside.lines[next]) {
                    return Some(found);
                }
                next += 1;
            }
            let left = deadline.saturating_duration_since(Instant::now());
            if inside.ended || left.is_zero() {
                return None;
            }
            inside = changed.wait_timeout(inside, left).unwrap_or_else(PoisonError::into_inner).0;
        }
    }

    /// As `find`, but not finding it fails the test.
    ///
    /// # Panics
    /// When the deadline passes or the stream ends first.
    pub fn wait<T>(
        &self,
        what: &str,
        mark: usize,
        within: Duration,
        wanted: impl FnMut(&Line) -> Option<T>,
    ) -> (T, Vec<Line>) {
        let found = self.find(mark, within, wanted);
        let seen = self.since(mark);
        match found {
            Some(found) => (found, seen),
            None => panic!("{}: no {what} within {within:?}; last lines:\n{}", self.name, last(&seen)),
        }
    }

    /// Whether the stream has ended.
    #[must_use]
    pub fn ended(&self) -> bool {
        self.inside.0.lock().unwrap_or_else(PoisonError::into_inner).ended
    }

    /// The last lines, for a message.
    #[must_use]
    pub fn tail(&self) -> String {
        last(&self.all())
    }
}

fn last(lines: &[Line]) -> String {
    let from = lines.len().saturating_sub(15);
    lines[from..].iter().map(|line| format!("    {}", shortened(&line.text))).collect::<Vec<_>>().join("\n")
}

fn shortened(text: &str) -> String {
    if text.chars().count() <= 600 { text.into() } else { text.chars().take(600).chain("…".chars()).collect() }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn finds_what_was_printed_and_gives_up_at_the_end() {
        let lines = Lines::of("text", &b"one\ntwo\nthree"[..]);
        let long = Duration::from_secs(5);
        assert_eq!(lines.find(0, long, |line| (line.text == "two").then_some(2)), Some(2));
        assert_eq!(lines.find(0, long, |line| (line.text == "four").then_some(4)), None);
        assert!(lines.ended());
        assert_eq!(lines.since(1).len(), 2);
    }
}
