//! What the review of the alarm set found, in words: the gravest first, then what is accepted, with its reason.
//!
//! Never panics.

use crate::config::Loaded;
use crate::review::Severity;

/// The review's part of the answer.
pub(super) fn in_words(loaded: &Loaded) -> String {
    let count = |severity| loaded.review.iter().filter(|finding| finding.severity == Some(severity)).count();
    let counts = [Severity::Serious, Severity::Moderate, Severity::Minor].map(|severity| (severity, count(severity)));
    let accepted: usize = loaded.accepted.iter().map(|accepted| accepted.about.len()).sum();
    let mut text = String::from("\nReview of the alarm set: ");
    if loaded.review.is_empty() {
        text.push_str("nothing to look at");
    } else {
        let said: Vec<String> = counts
            .iter()
            .filter(|(_, count)| *count > 0)
            .map(|(severity, count)| format!("{count} {}", severity.word()))
            .collect();
        text.push_str(&said.join(", "));
    }
    if accepted > 0 {
        text.push_str(&format!("; {accepted} accepted"));
    }
    text.push_str(".\n");
    for finding in &loaded.review {
        // The code is what [[accept]] names.
        text.push_str(&format!("  {finding}"));
        // What is about an [[accept]] itself cannot be accepted.
        match &finding.about {
            Some(about) => text.push_str(&format!("    [{} about {about}]\n", finding.code)),
            None => text.push_str(&format!("    [{}]\n", finding.code)),
        }
    }
    for accepted in &loaded.accepted {
        let about: Vec<&str> = accepted.about.iter().take(3).map(String::as_str).collect();
        let more = accepted.about.len().saturating_sub(about.len());
        let more = if more > 0 { format!(" and {more} more") } else { String::new() };
        text.push_str(&format!("  accepted: {} of {}{more}: {}\n", accepted.code, about.join(", "), accepted.because));
    }
    text
}
