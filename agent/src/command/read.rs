//! From the bytes of a command to what is asked, by whom it says, and when it was made; nothing of it is proved here.
//!
//! What has no meaning for an action is refused rather than lost. Stamps `until` are milliseconds, `iat` and `exp` seconds
//! since the Unix epoch. No clock of its own, no file. Never panics.

use lapwing_protocol::{COMMAND_MAX, Command, CommandAction, Mode};

use super::jws::{NotSigned, Signed};
use crate::core::operator::Action;

/// Longest id of a command, characters.
pub const ID_MAX: usize = 64;

/// Why bytes are no command that could be tried.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum NotRead {
    /// Longer than any command.
    #[error("it has {bytes} bytes, more than {COMMAND_MAX}")]
    TooLong {
        /// Its length.
        bytes: usize,
    },
    /// Not signed as it must be.
    #[error(transparent)]
    Signed(#[from] NotSigned),
    /// No JSON of a command.
    #[error("it is no command: {why}; `lapwing schema command` describes one")]
    Json {
        /// What was found.
        why: String,
    },
    /// The id is none.
    #[error("id is no 1 to {ID_MAX} printable ASCII characters without blanks")]
    Id,
    /// Not an action of this version.
    #[error("no action is called `{action}`")]
    Action {
        /// As given.
        action: String,
    },
    /// Something is missing.
    #[error("`{key}` is missing: {action} needs it")]
    Missing {
        /// Key.
        key: &'static str,
        /// Action.
        action: &'static str,
    },
    /// Something has no meaning here.
    #[error("`{key}` has no meaning for {action}")]
    Meaningless {
        /// Key.
        key: &'static str,
        /// Action.
        action: &'static str,
    },
    /// Both `for_s` and `until`.
    #[error("give for_s or until, not both")]
    TwoTimes,
    /// `until` lies in the past, or the time is too long to be told.
    #[error("the time asked for is none: it lies in the past or is longer than 49 days")]
    Time,
    /// A mode that nobody sets.
    #[error("mode is live, test or maintenance")]
    Mode,
}

impl NotRead {
    /// A stable code, for programs.
    #[must_use]
    pub const fn code(&self) -> &'static str {
        match self {
            Self::TooLong { .. } => "too_long_a_command",
            Self::Signed(NotSigned::Signature) => "bad_signature",
            Self::Signed(_) => "not_signed",
            Self::Json { .. } => "no_command",
            Self::Id => "bad_id",
            Self::Action { .. } => "unknown_action",
            Self::Missing { .. } => "missing_key",
            Self::Meaningless { .. } => "meaningless_key",
            Self::TwoTimes | Self::Time => "bad_time",
            Self::Mode => "bad_mode",
        }
    }
}

/// The command of a payload.
///
/// # Errors
/// When it is none, or its id cannot name it.
pub fn command(payload: &[u8]) -> Result<Command, NotRead> {
    if payload.len() > COMMAND_MAX {
        return Err(NotRead::TooLong { bytes: payload.len() });
    }
    let command: Command =
        serde_json::from_slice(payload).map_err(|error| NotRead::Json { why: plain(&error.to_string()) })?;
    let fits = (1..=ID_MAX).contains(&command.id.len()) && command.id.bytes().all(|byte| byte.is_ascii_graphic());
    if fits { Ok(command) } else { Err(NotRead::Id) }
}

/// The JWS of a payload.
///
/// # Errors
/// When it is none.
pub fn signed(payload: &[u8]) -> Result<Signed<'_>, NotRead> {
    if payload.len() > COMMAND_MAX {
        return Err(NotRead::TooLong { bytes: payload.len() });
    }
    Ok(Signed::parse(payload)?)
}

/// What a command asks for.
///
/// # Errors
/// When something is missing or has no meaning.
pub fn action(command: &Command, now_ms: i64) -> Result<Action, NotRead> {
    let Some(action) = command.action.known() else {
        return Err(NotRead::Action { action: plain(command.action.as_str()) });
    };
    let word = word(action);
    let takes = |key: &'static str, given: bool, of: &[CommandAction]| {
        if given && !of.contains(&action) { Err(NotRead::Meaningless { key, action: word }) } else { Ok(()) }
    };
    let timed = [CommandAction::Shelve, CommandAction::Suppress, CommandAction::SetMode];
    takes("for_s", command.for_s.is_some(), &timed)?;
    takes("until", command.until.is_some(), &timed)?;
    takes("rule", command.rule.is_some(), &[CommandAction::Suppress, CommandAction::Release])?;
    takes("mode", command.mode.is_some(), &[CommandAction::SetMode])?;
    let on_alarm = !matches!(action, CommandAction::Suppress | CommandAction::Release | CommandAction::SetMode);
    let no_alarm = [CommandAction::Suppress, CommandAction::Release, CommandAction::SetMode];
    if !on_alarm && command.alarm.is_some() {
        return Err(NotRead::Meaningless { key: "alarm", action: word });
    }
    if command.occurrence.is_some() && (no_alarm.contains(&action) || action == CommandAction::Note) {
        return Err(NotRead::Meaningless { key: "occurrence", action: word });
    }
    let for_ms = for_ms(command, now_ms)?;
    let missing = |key| NotRead::Missing { key, action: word };
    let rule = || command.rule.clone().ok_or(missing("rule"));
    Ok(match action {
        CommandAction::Acknowledge => Action::Acknowledge,
        CommandAction::AcknowledgeIncident => Action::AcknowledgeIncident,
        CommandAction::Reset => Action::Reset,
        CommandAction::Shelve => Action::Shelve { for_ms: for_ms.ok_or(missing("for_s"))? },
        CommandAction::ShelveOnce => Action::ShelveOnce,
        CommandAction::Unshelve => Action::Unshelve,
        CommandAction::RemoveFromService => Action::RemoveFromService,
        CommandAction::ReturnToService => Action::ReturnToService,
        CommandAction::Suppress => Action::Suppress { rule: rule()?, for_ms },
        CommandAction::Release => Action::Release { rule: rule()? },
        CommandAction::SetMode => {
            let mode = command.mode.as_ref().ok_or(missing("mode"))?.known();
            match mode {
                Some(mode @ (Mode::Live | Mode::Test | Mode::Maintenance)) => Action::SetMode { mode, for_ms },
                Some(Mode::Simulated) | None => return Err(NotRead::Mode),
            }
        }
        CommandAction::Note => Action::Note,
    })
}

fn for_ms(command: &Command, now_ms: i64) -> Result<Option<u32>, NotRead> {
    let ms = match (command.for_s, command.until) {
        (None, None) => return Ok(None),
        (Some(_), Some(_)) => return Err(NotRead::TwoTimes),
        (Some(seconds), None) => i64::from(seconds) * 1000,
        (None, Some(until)) => until.saturating_sub(now_ms),
    };
    u32::try_from(ms).ok().filter(|ms| *ms > 0).map(Some).ok_or(NotRead::Time)
}

fn word(action: CommandAction) -> &'static str {
    use lapwing_protocol::Vocabulary as _;
    action.as_word()
}

/// What came from outside, so that it can stand in an answer.
fn plain(text: &str) -> String {
    text.chars().map(|c| if c.is_control() { ' ' } else { c }).take(200).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(json: &str) -> Result<Action, NotRead> {
        action(&command(json.as_bytes())?, 1000)
    }

    #[test]
    fn each_action_and_what_it_needs() {
        let rule = || "pump-1".to_owned();
        for (rest, expected) in [
            (r#""action":"acknowledge","alarm":"a","occurrence":3"#, Action::Acknowledge),
            (r#""action":"acknowledge_incident","alarm":"a""#, Action::AcknowledgeIncident),
            (r#""action":"reset","alarm":"a""#, Action::Reset),
            (r#""action":"shelve","alarm":"a","for_s":60"#, Action::Shelve { for_ms: 60_000 }),
            (r#""action":"shelve","alarm":"a","until":61000"#, Action::Shelve { for_ms: 60_000 }),
            (r#""action":"shelve_once","alarm":"a""#, Action::ShelveOnce),
            (r#""action":"unshelve","alarm":"a""#, Action::Unshelve),
            (r#""action":"remove_from_service","alarm":"a""#, Action::RemoveFromService),
            (r#""action":"return_to_service","alarm":"a""#, Action::ReturnToService),
            (r#""action":"suppress","rule":"pump-1""#, Action::Suppress { rule: rule(), for_ms: None }),
            (r#""action":"release","rule":"pump-1""#, Action::Release { rule: rule() }),
            (
                r#""action":"set_mode","mode":"test","for_s":1"#,
                Action::SetMode { mode: Mode::Test, for_ms: Some(1000) },
            ),
            (r#""action":"note","reason":"x","alarm":"a""#, Action::Note),
        ] {
            assert_eq!(read(&format!("{{\"id\":\"1\",{rest}}}")), Ok(expected), "{rest}");
        }
        let jti = command(br#"{"jti":"a-7","action":"note"}"#).expect("the claim's own name");
        assert_eq!(jti.id, "a-7");
    }

    #[test]
    fn what_is_missing_or_means_nothing_is_refused() {
        for (rest, code) in [
            (r#""action":"shelve","alarm":"a""#, "missing_key"),
            (r#""action":"shelve","alarm":"a","for_s":0"#, "bad_time"),
            (r#""action":"shelve","alarm":"a","until":900"#, "bad_time"),
            (r#""action":"shelve","alarm":"a","until":9000000000000"#, "bad_time"),
            (r#""action":"shelve","alarm":"a","for_s":1,"until":2000"#, "bad_time"),
            (r#""action":"suppress""#, "missing_key"),
            (r#""action":"release","rule":"a","alarm":"a""#, "meaningless_key"),
            (r#""action":"reset","alarm":"a","for_s":1"#, "meaningless_key"),
            (r#""action":"reset","alarm":"a","mode":"test""#, "meaningless_key"),
            (r#""action":"note","occurrence":1"#, "meaningless_key"),
            (r#""action":"set_mode","for_s":1"#, "missing_key"),
            (r#""action":"set_mode","mode":"simulated","for_s":1"#, "bad_mode"),
            (r#""action":"open_valve""#, "unknown_action"),
            (r#""action":"reset","alrm":"a""#, "no_command"),
            (r#""action":7"#, "no_command"),
        ] {
            let refused = read(&format!("{{\"id\":\"1\",{rest}}}")).expect_err(rest);
            assert_eq!(refused.code(), code, "{rest}: {refused}");
        }
        for id in ["", " ", "a b", "ä", &"x".repeat(65)] {
            assert_eq!(read(&format!("{{\"id\":\"{id}\",\"action\":\"note\"}}")), Err(NotRead::Id), "{id}");
        }
        assert_eq!(command(&vec![b' '; COMMAND_MAX + 1]).expect_err("too long").code(), "too_long_a_command");
    }
}
