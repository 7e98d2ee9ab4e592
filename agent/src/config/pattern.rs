//! Patterns over point paths: one alarm for each match.
//!
//! A pattern is a path whose segments may be `*` (stands for one segment) or `{name}` (stands for one segment and keeps
//! it); the same name twice must stand for the same segment. A segment is either wholly one of these or plain text.
//! Captures are filled into an alarm's id and texts by `fill`. Never panics.

use super::wrong::Wrong;

/// A parsed pattern.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Pattern {
    segments: Vec<Segment>,
}

#[derive(Clone, Debug, PartialEq, Eq)]
enum Segment {
    Plain(String),
    Any,
    Named(String),
}

/// Names and the segments they stand for.
pub(crate) type Captures = Vec<(String, String)>;

/// Words between braces that are no captures.
pub(crate) const RESERVED: &[&str] = &["value", "limit", "state", "rate", "tag", "where", "feeds"];

impl Pattern {
    /// Reads a pattern.
    pub(crate) fn parse(text: &str) -> Result<Self, Wrong> {
        let bad = |why: &str| Wrong::BadPattern { pattern: text.to_string(), why: why.to_string() };
        let mut segments = Vec::new();
        for segment in text.split('/') {
            segments.push(match segment {
                "" => return Err(bad("a segment is empty")),
                "*" => Segment::Any,
                _ => match segment.strip_prefix('{').and_then(|rest| rest.strip_suffix('}')) {
                    Some(name) if RESERVED.contains(&name) => {
                        return Err(bad(&format!("the name {name} has a meaning of its own")));
                    }
                    Some(name) if is_name(name) => Segment::Named(name.to_string()),
                    Some(_) => return Err(bad("a name between braces has lower-case letters, digits and _")),
                    None if segment.contains(['{', '}', '*']) => {
                        return Err(bad("* and {name} stand for a whole segment"));
                    }
                    None => Segment::Plain(segment.to_string()),
                },
            });
        }
        Ok(Self { segments })
    }

    /// Whether it can stand for one path only.
    pub(crate) fn is_plain(&self) -> bool {
        self.segments.iter().all(|segment| matches!(segment, Segment::Plain(_)))
    }

    /// The one path it stands for, if there is only one.
    pub(crate) fn plain(&self) -> Option<String> {
        let segments: Option<Vec<&str>> = self
            .segments
            .iter()
            .map(|segment| match segment {
                Segment::Plain(text) => Some(text.as_str()),
                Segment::Any | Segment::Named(_) => None,
            })
            .collect();
        Some(segments?.join("/"))
    }

    /// The captures, if the path fits.
    pub(crate) fn matches(&self, path: &str) -> Option<Captures> {
        let mut captures: Captures = Vec::new();
        let mut parts = path.split('/');
        for segment in &self.segments {
            let part = parts.next()?;
            match segment {
                Segment::Plain(text) if text == part => {}
                Segment::Plain(_) => return None,
                Segment::Any => {}
                Segment::Named(name) => match captures.iter().find(|(known, _)| known == name) {
                    Some((_, before)) if before != part => return None,
                    Some(_) => {}
                    None => captures.push((name.clone(), part.to_string())),
                },
            }
        }
        parts.next().is_none().then_some(captures)
    }

    /// Whether some path could fit both.
    pub(crate) fn overlaps(&self, other: &Self) -> bool {
        self.segments.len() == other.segments.len()
            && self.segments.iter().zip(&other.segments).all(|pair| match pair {
                (Segment::Plain(one), Segment::Plain(two)) => one == two,
                (Segment::Any | Segment::Named(_), _) | (_, Segment::Any | Segment::Named(_)) => true,
            })
    }

    /// Names it captures.
    pub(crate) fn names(&self) -> Vec<String> {
        let mut names: Vec<String> = Vec::new();
        for segment in &self.segments {
            if let Segment::Named(name) = segment
                && !names.contains(name)
            {
                names.push(name.clone());
            }
        }
        names
    }
}

fn is_name(name: &str) -> bool {
    !name.is_empty() && name.bytes().all(|byte| byte.is_ascii_lowercase() || byte.is_ascii_digit() || byte == b'_')
}

/// Names between braces in a text. A brace that closes nothing, or is not closed, is plain text.
pub(crate) fn placeholders(text: &str) -> Vec<&str> {
    let mut names = Vec::new();
    let mut rest = text;
    while let Some(open) = rest.find('{') {
        let after = &rest[open + 1..];
        match after.find(['{', '}']) {
            Some(close) if after[close..].starts_with('}') => {
                names.push(&after[..close]);
                rest = &after[close + 1..];
            }
            Some(again) => rest = &after[again..],
            None => break,
        }
    }
    names
}

/// The text with every given name between braces replaced, in one pass: what was filled in is not looked at again.
pub(crate) fn fill(text: &str, values: &Captures) -> String {
    let mut filled = String::with_capacity(text.len());
    let mut rest = text;
    while let Some(open) = rest.find('{') {
        filled.push_str(&rest[..open]);
        let after = &rest[open + 1..];
        let replaced = after
            .find('}')
            .and_then(|close| values.iter().find(|(name, _)| *name == after[..close]).map(|(_, value)| (close, value)));
        match replaced {
            Some((close, value)) => {
                filled.push_str(value);
                rest = &after[close + 1..];
            }
            None => {
                filled.push('{');
                rest = after;
            }
        }
    }
    filled.push_str(rest);
    filled
}

#[cfg(test)]
mod tests {
    use super::*;

    fn parsed(text: &str) -> Pattern {
        Pattern::parse(text).expect("valid")
    }

    #[test]
    fn captures_one_segment_each() {
        let pattern = parsed("rack/{r}/inlet/*/temperature");
        assert_eq!(pattern.matches("rack/07/inlet/top/temperature"), Some(vec![("r".into(), "07".into())]));
        assert_eq!(pattern.matches("rack/07/inlet/temperature"), None);
        assert_eq!(pattern.matches("rack/07/inlet/top/temperature/x"), None);
        assert_eq!(pattern.names(), ["r"]);
        assert!(!pattern.is_plain() && parsed("a/b").is_plain());
    }

    #[test]
    fn one_name_stands_for_one_segment() {
        let pattern = parsed("{a}/x/{a}");
        assert_eq!(pattern.matches("1/x/1"), Some(vec![("a".into(), "1".into())]));
        assert_eq!(pattern.matches("1/x/2"), None);
    }

    #[test]
    fn patterns_overlap_where_a_path_could_fit_both() {
        let overlap = |one: &str, two: &str| {
            assert_eq!(parsed(one).overlaps(&parsed(two)), parsed(two).overlaps(&parsed(one)));
            parsed(one).overlaps(&parsed(two))
        };
        assert!(overlap("a/{n}/c", "a/b/*") && overlap("a/b", "a/b") && overlap("*", "{x}"));
        assert!(!overlap("a/{n}/c", "a/b/d") && !overlap("a/*", "a/b/c") && !overlap("a/b", "a/c"));
    }

    #[test]
    fn refuses_half_segments() {
        for text in ["rack/r{n}/x", "rack/*x", "a//b", "", "{R}/x", "{}/x", "{value}/x", "a/{b", "**"] {
            assert!(Pattern::parse(text).is_err(), "{text}");
        }
    }

    #[test]
    fn fills_once() {
        let values = vec![("r".into(), "{value}".into()), ("tag".into(), "TT-1".into())];
        assert_eq!(fill("{r} {value} {tag} {x} {", &values), "{value} {value} TT-1 {x} {");
        assert_eq!(placeholders("a {r} b {value} {{x} }"), ["r", "value", "x"]);
    }

    proptest::proptest! {
        #[test]
        fn any_text_is_answered(pattern in ".{0,16}", path in ".{0,16}") {
            if let Ok(pattern) = Pattern::parse(&pattern) {
                let _ = pattern.matches(&path);
            }
            let _ = (placeholders(&path), fill(&path, &vec![("a".into(), "b".into())]));
        }
    }
}
