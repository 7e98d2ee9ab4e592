//! Names that become topics: point paths, alarm ids, topic segments, and what is wrong with one that cannot.
//!
//! Allowed are `a`–`z`, `0`–`9`, `-`, `_`, `.` and, in paths and ids, `/` between non-empty segments. That keeps every
//! name free of MQTT's `+`, `#` and leading `$` (MQTT 3.1.1 §4.7) and the same on every file system and in every URL.
//! Positions are counted in characters from 1. Knows no topic tree. Never panics.

use core::fmt;

/// Longest point path. Shorter than an alarm id, because `fault/point/PATH` is one.
pub const PATH_MAX: usize = 100;
/// Longest alarm id.
pub const ALARM_ID_MAX: usize = 120;
/// Longest single segment: site, module, link, device, first topic segment.
pub const SEGMENT_MAX: usize = 32;

/// What is wrong with a name.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum NameError {
    /// Nothing in it.
    Empty,
    /// Longer than allowed.
    TooLong {
        /// Its length in bytes.
        length: usize,
        /// The longest allowed.
        longest: usize,
    },
    /// A character that is not allowed.
    Character {
        /// The character.
        found: char,
        /// Its place, counted from 1.
        position: usize,
    },
    /// A slash at the start, at the end or after another one.
    EmptySegment {
        /// Place of the slash, counted from 1.
        position: usize,
    },
    /// A slash in a name that is one segment.
    Slash {
        /// Its place, counted from 1.
        position: usize,
    },
}

impl fmt::Display for NameError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Empty => f.write_str("is empty; give a name of a-z, 0-9, '-', '_' or '.'"),
            Self::TooLong { length, longest } => write!(f, "has {length} characters, at most {longest} are allowed"),
            Self::Character { found, position } if found.is_ascii_uppercase() => {
                write!(
                    f,
                    "has '{found}' at position {position}; write it in lower case: '{}'",
                    found.to_ascii_lowercase()
                )
            }
            Self::Character { found, position } => {
                write!(f, "has {found:?} at position {position}; only a-z, 0-9, '-', '_', '.' and '/' are allowed")
            }
            Self::EmptySegment { position } => {
                write!(f, "has a '/' at position {position} with nothing on one side; remove it or name the segment")
            }
            Self::Slash { position } => write!(f, "has a '/' at position {position}; it must be a single segment"),
        }
    }
}

impl core::error::Error for NameError {}

/// Whether a point path is one.
///
/// # Errors
/// The first thing that is wrong, with its position.
pub fn check_path(path: &str) -> Result<(), NameError> {
    check(path, PATH_MAX, true)
}

/// Whether an alarm id is one.
///
/// # Errors
/// The first thing that is wrong, with its position.
pub fn check_alarm_id(id: &str) -> Result<(), NameError> {
    check(id, ALARM_ID_MAX, true)
}

/// Whether a name is one segment of a topic.
///
/// # Errors
/// The first thing that is wrong, with its position.
pub fn check_segment(name: &str) -> Result<(), NameError> {
    check(name, SEGMENT_MAX, false)
}

fn check(name: &str, longest: usize, slashes: bool) -> Result<(), NameError> {
    if name.is_empty() {
        return Err(NameError::Empty);
    }
    let mut after_slash = true;
    let mut position = 0;
    for found in name.chars() {
        position += 1;
        match found {
            'a'..='z' | '0'..='9' | '-' | '_' | '.' => after_slash = false,
            '/' if !slashes => return Err(NameError::Slash { position }),
            '/' if after_slash => return Err(NameError::EmptySegment { position }),
            '/' => after_slash = true,
            _ => return Err(NameError::Character { found, position }),
        }
    }
    if after_slash {
        return Err(NameError::EmptySegment { position });
    }
    // Only ASCII is left, so bytes are characters.
    if name.len() > longest {
        return Err(NameError::TooLong { length: name.len(), longest });
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use alloc::format;
    use alloc::string::ToString;

    #[test]
    fn real_names_pass() {
        for path in [
            "coil/water/supply/temperature",
            "rack/07/inlet/top/temperature",
            "busway/a2/l1/current",
            "a",
            "agent/v1.2_x",
        ] {
            assert_eq!(check_path(path), Ok(()), "{path}");
        }
        assert_eq!(check_alarm_id(&format!("fault/point/{}", "p".repeat(PATH_MAX))), Ok(()));
        assert_eq!(check_segment("saltmarsh"), Ok(()));
    }

    #[test]
    fn each_mistake_has_its_name_and_place() {
        assert_eq!(check_path(""), Err(NameError::Empty));
        assert_eq!(check_path("/a"), Err(NameError::EmptySegment { position: 1 }));
        assert_eq!(check_path("a//b"), Err(NameError::EmptySegment { position: 3 }));
        assert_eq!(check_path("a/"), Err(NameError::EmptySegment { position: 2 }));
        assert_eq!(check_path("a/B"), Err(NameError::Character { found: 'B', position: 3 }));
        for found in ['+', '#', '$', ' ', '°', '\0', '\u{7f}'] {
            assert_eq!(check_path(&format!("ab{found}")), Err(NameError::Character { found, position: 3 }));
        }
        assert_eq!(check_segment("a/b"), Err(NameError::Slash { position: 2 }));
        assert_eq!(check_path(&"a".repeat(101)), Err(NameError::TooLong { length: 101, longest: 100 }));
        assert_eq!(check_segment(&"a".repeat(33)), Err(NameError::TooLong { length: 33, longest: 32 }));
    }

    #[test]
    fn upper_case_is_mended_in_words() {
        let said = check_path("coil/Water").expect_err("upper case").to_string();
        assert_eq!(said, "has 'W' at position 6; write it in lower case: 'w'");
    }

    proptest::proptest! {
        #[test]
        fn what_passes_is_safe_in_a_topic(name in ".{0,130}") {
            if check_path(&name).is_ok() {
                proptest::prop_assert!(!name.contains(['+', '#', '$', ' ', '\0']));
                proptest::prop_assert!(name.len() <= PATH_MAX && name.split('/').all(|segment| !segment.is_empty()));
            }
        }
    }
}
