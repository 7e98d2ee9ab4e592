//! Who is signed in: sessions, their tokens, and how often a secret may be tried.
//!
//! A session is a random cookie for one shift; beside it stands a second random token that only the page's own script can
//! send, against requests forged by other sites. Sessions live in memory: a restart signs everybody out. Tries are limited
//! by account and by address. Monotonic time passed in. Never panics.

use std::collections::HashMap;
use std::net::IpAddr;
use std::time::{Duration, Instant};

use crate::core::operator::Role;

/// A shift with what comes before and after it (common practice, no source).
pub(super) const SHIFT: Duration = Duration::from_secs(12 * 3600);
/// Wrong tries an account or address has before it must wait.
const TRIES: u32 = 5;
/// How long they count.
const TRIES_FOR: Duration = Duration::from_secs(300);
/// Sessions at once; the oldest gives way.
const SESSIONS: usize = 256;
/// Addresses and names whose tries are remembered.
const REMEMBERED: usize = 4096;

/// A session.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Session {
    /// Who.
    pub name: String,
    /// With which role.
    pub role: Role,
    /// What a changing request must carry.
    pub token: String,
    /// When it ends.
    pub until: Instant,
}

/// All sessions and tries.
#[derive(Debug, Default)]
pub(crate) struct Sessions {
    open: HashMap<String, Session>,
    tries: HashMap<Tried, (u32, Instant)>,
}

#[derive(Clone, Debug, PartialEq, Eq, Hash)]
enum Tried {
    Name(String),
    Address(IpAddr),
}

impl Sessions {
    /// Whether a try is allowed now; if not, how long to wait.
    ///
    /// # Errors
    /// The time to wait.
    pub(super) fn may_try(&mut self, name: &str, address: IpAddr, now: Instant) -> Result<(), Duration> {
        self.tries.retain(|_, (_, since)| now.duration_since(*since) < TRIES_FOR);
        let keys = [Tried::Name(name.to_owned()), Tried::Address(address)];
        let waits = keys.iter().filter_map(|key| {
            let (count, since) = self.tries.get(key)?;
            // An address may be many people's behind one gateway: it has more tries than a name.
            let most = if matches!(key, Tried::Address(_)) { TRIES * 4 } else { TRIES };
            (*count >= most).then(|| TRIES_FOR.saturating_sub(now.duration_since(*since)))
        });
        waits.max().map_or(Ok(()), Err)
    }

    /// A try was wrong. Returns how many are left for the name.
    pub(super) fn wrong(&mut self, name: &str, address: IpAddr, now: Instant) -> u32 {
        let mut left = 0;
        for key in [Tried::Address(address), Tried::Name(name.to_owned())] {
            if self.tries.len() >= REMEMBERED && !self.tries.contains_key(&key) {
                continue;
            }
            let entry = self.tries.entry(key).or_insert((0, now));
            entry.0 = entry.0.saturating_add(1);
            left = TRIES.saturating_sub(entry.0);
        }
        left
    }

    /// Opens a session; returns its cookie.
    ///
    /// # Errors
    /// When the system has no random numbers.
    pub(super) fn open(&mut self, name: &str, role: Role, now: Instant) -> Result<(String, Session), getrandom::Error> {
        self.tries.remove(&Tried::Name(name.to_owned()));
        self.open.retain(|_, session| session.until > now);
        if self.open.len() >= SESSIONS
            && let Some(oldest) = self.open.iter().min_by_key(|(_, session)| session.until).map(|(key, _)| key.clone())
        {
            self.open.remove(&oldest);
        }
        let (cookie, token) = (random()?, random()?);
        let session = Session { name: name.to_owned(), role, token, until: now + SHIFT };
        self.open.insert(cookie.clone(), session.clone());
        Ok((cookie, session))
    }

    /// The session of a cookie.
    #[must_use]
    pub(super) fn find(&self, cookie: &str, now: Instant) -> Option<&Session> {
        self.open.get(cookie).filter(|session| session.until > now)
    }

    /// Ends a session.
    pub(super) fn close(&mut self, cookie: &str) {
        self.open.remove(cookie);
    }

    /// Ends every session of a person whose account is gone or has another role.
    pub(super) fn keep_only(&mut self, still: impl Fn(&str, Role) -> bool) {
        self.open.retain(|_, session| still(&session.name, session.role));
    }
}

fn random() -> Result<String, getrandom::Error> {
    let mut bytes = [0_u8; 32];
    getrandom::fill(&mut bytes)?;
    Ok(bytes.iter().map(|byte| format!("{byte:02x}")).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    const HERE: IpAddr = IpAddr::V4(std::net::Ipv4Addr::LOCALHOST);

    #[test]
    fn five_wrong_tries_make_a_name_wait_and_a_right_one_forgets_them() {
        let (mut sessions, now) = (Sessions::default(), Instant::now());
        for left in (0..5).rev() {
            assert_eq!(sessions.may_try("ada", HERE, now), Ok(()));
            assert_eq!(sessions.wrong("ada", HERE, now), left);
        }
        assert_eq!(sessions.may_try("ada", HERE, now), Err(TRIES_FOR));
        assert_eq!(sessions.may_try("bob", HERE, now), Ok(()));
        assert_eq!(sessions.may_try("ada", HERE, now + TRIES_FOR), Ok(()));
        sessions.wrong("bob", HERE, now);
        sessions.open("bob", Role::Operator, now).expect("random numbers");
        assert_eq!(sessions.wrong("bob", HERE, now), 4);
    }

    #[test]
    fn many_names_from_one_address_make_the_address_wait() {
        let (mut sessions, now) = (Sessions::default(), Instant::now());
        for n in 0..TRIES * 4 {
            sessions.wrong(&format!("name {n}"), HERE, now);
        }
        assert!(sessions.may_try("anybody", HERE, now).is_err());
    }

    #[test]
    fn a_session_ends_with_its_shift_when_closed_and_with_its_account() {
        let (mut sessions, now) = (Sessions::default(), Instant::now());
        let (cookie, session) = sessions.open("ada", Role::Engineer, now).expect("random numbers");
        assert_eq!(sessions.find(&cookie, now), Some(&session));
        assert_ne!(cookie, session.token);
        assert_eq!(sessions.find(&cookie, now + SHIFT), None);
        sessions.keep_only(|name, role| name == "ada" && role == Role::Operator);
        assert_eq!(sessions.find(&cookie, now), None);
        let (cookie, _) = sessions.open("ada", Role::Engineer, now).expect("random numbers");
        sessions.close(&cookie);
        assert_eq!(sessions.find(&cookie, now), None);
    }
}
