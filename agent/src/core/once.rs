//! Remembers which commands were taken, so that none is done twice: neither one that is sent again nor a copy of it.
//!
//! A command is named by its person and an id. Where it is signed it says when it was made (`iat`), and nothing made longer
//! than [`KEEP_S`] before the newest of that person is taken: so only newer ids must be remembered, and a clock set back opens
//! no door. Without `iat` the time it came counts instead, for forgetting only. Seconds since the Unix epoch. Never panics.

use std::collections::BTreeMap;

use super::operator::Refused;
use crate::store::SeenCommand;

/// How long before the newest a command may have been made; longer than any is fresh.
pub const KEEP_S: i64 = 600;
/// Commands of one person remembered at once.
const MOST: usize = 500;

/// What names a command, and when it was made.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Once {
    /// Its id, the person's own.
    pub id: String,
    /// When it says it was made; `None` where nothing vouches for that.
    pub iat_s: Option<i64>,
    /// When it came.
    pub now_s: i64,
}

/// Commands taken, by person and id.
#[derive(Debug, Default)]
pub struct Seen(BTreeMap<String, BTreeMap<String, i64>>);

impl Seen {
    /// What the store remembers.
    #[must_use]
    pub fn new(kept: Vec<SeenCommand>) -> Self {
        let mut seen = Self::default();
        for command in kept {
            seen.0.entry(command.by).or_default().insert(command.id, command.at_s);
        }
        seen
    }

    /// Takes a command of a person for the first time.
    ///
    /// # Errors
    /// When it was taken before, or could have been.
    pub fn take(&mut self, by: &str, once: &Once) -> Result<SeenCommand, Refused> {
        let known = self.0.entry(by.to_owned()).or_default();
        if known.contains_key(&once.id) {
            return Err(Refused::Repeated { id: once.id.clone() });
        }
        let at_s = once.iat_s.unwrap_or(once.now_s);
        let newest = known.values().copied().max().unwrap_or(at_s).max(at_s);
        let keep_from_s = newest.saturating_sub(KEEP_S);
        if once.iat_s.is_some() && at_s < keep_from_s {
            return Err(Refused::Old { id: once.id.clone() });
        }
        known.retain(|_, at| *at >= keep_from_s);
        if known.len() >= MOST {
            return Err(Refused::TooMany { most: MOST });
        }
        known.insert(once.id.clone(), at_s);
        Ok(SeenCommand { by: by.to_owned(), id: once.id.clone(), at_s, keep_from_s })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn once(id: &str, iat_s: i64) -> Once {
        Once { id: id.into(), iat_s: Some(iat_s), now_s: iat_s }
    }

    #[test]
    fn each_id_once_a_person_also_after_a_restart() {
        let mut seen = Seen::default();
        let kept = vec![
            seen.take("ada", &once("1", 1000)).expect("first"),
            seen.take("eve", &once("1", 1000)).expect("another person's"),
            seen.take("ada", &once("2", 1000)).expect("another id"),
        ];
        let repeated = Err(Refused::Repeated { id: "1".into() });
        assert_eq!(seen.take("ada", &once("1", 1000)), repeated);
        assert_eq!(seen.take("ada", &once("1", 1001)), repeated, "the same id again is the same command");
        assert_eq!(Seen::new(kept).take("ada", &once("1", 1000)), repeated);
    }

    #[test]
    fn what_may_have_been_forgotten_is_not_taken_whatever_the_clock_says() {
        let mut seen = Seen::default();
        seen.take("ada", &once("1", 1000)).expect("first");
        let newer = seen.take("ada", &once("2", 1000 + KEEP_S + 1)).expect("newer");
        assert_eq!(newer.keep_from_s, 1001, "the first is forgotten");
        // The clock is set back, the first is sent again.
        assert_eq!(seen.take("ada", &Once { now_s: 1000, ..once("1", 1000) }), Err(Refused::Old { id: "1".into() }));
        assert!(seen.take("ada", &once("3", 1001)).is_ok());
    }

    #[test]
    fn without_a_time_of_its_own_only_the_id_counts() {
        let mut seen = Seen::default();
        let at = |id: &str, now_s| Once { id: id.into(), iat_s: None, now_s };
        seen.take("ada", &at("1", 5000)).expect("first");
        // A clock that is set back keeps nobody out.
        seen.take("ada", &at("2", 10)).expect("taken");
        assert!(seen.take("ada", &at("1", 20)).is_err());
    }

    #[test]
    fn memory_is_bounded() {
        let mut seen = Seen::default();
        for n in 0..MOST {
            seen.take("ada", &once(&n.to_string(), 1000)).expect("room");
        }
        assert_eq!(seen.take("ada", &once("more", 1000)), Err(Refused::TooMany { most: MOST }));
        assert!(seen.take("ada", &once("later", 1001 + KEEP_S)).is_ok(), "the old ones are forgotten");
    }
}
