//! Takes what people ask for over MQTT: proves whose it is, hands it to the core's one door, and answers.
//!
//! Off unless `mqtt.commands` says how a command proves its person: `signed`, as a JWS by the person's key on topic
//! `command`; or `topic`, where the broker lets only the owner of a client certificate publish to `command/CLIENT/PERSON`.
//! Persons, roles and keys are those of `accounts`, read at each command. A signed command must be fresh, for this module,
//! and new: the core remembers what it has taken, over a restart too. Whatever is proved to be a person's is an event,
//! refused or not, once it can be read and is new; what is nobody's is counted and told at most once a minute. On a thread of its own, because reading a file
//! may hang; a command that finds too many others waiting is dropped and counted. Wall times. Never panics.

pub mod jws;
pub mod read;

use std::collections::HashMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::mpsc::{Receiver, SyncSender, TrySendError, sync_channel};
use std::time::{Duration, Instant};

use lapwing_protocol::{Command, CommandReply, SCHEMA};

use crate::core::operator::{Answer, Once, Reply, Request, Role};
use crate::core::{Door, Message};
use crate::page::accounts::Accounts;
use crate::page::now_ms;
use crate::plan::{Commands, Plan};
use read::NotRead;

/// Commands that wait to be judged.
const WAITING: usize = 64;
/// How old a signed command may be, or how far ahead its clock, seconds.
pub const FRESH_S: i64 = 120;
/// Refusals of what is nobody's are told at most so often.
const TELL: Duration = Duration::from_secs(60);

/// A command as it came.
#[derive(Debug)]
pub struct Received {
    /// Topic below the base.
    pub topic: String,
    /// The broker had kept it: it is not meant for now.
    pub retain: bool,
    /// Payload.
    pub payload: Vec<u8>,
}

/// Says an answer: topic below the base, payload.
pub type Say = Box<dyn Fn(String, Vec<u8>) + Send + Sync>;

/// The way in; clones lead to the same thread.
#[derive(Clone, Debug)]
pub struct Inlet(SyncSender<Received>);

impl Inlet {
    /// Takes a command without waiting; one too many is dropped.
    pub fn take(&self, received: Received) {
        match self.0.try_send(received) {
            Ok(()) | Err(TrySendError::Disconnected(_)) => {}
            Err(TrySendError::Full(_)) => tracing::warn!("a command is dropped: too many wait"),
        }
    }
}

/// The way in and what waits at its other end.
#[must_use]
pub fn channel() -> (Inlet, Receiver<Received>) {
    let (sender, receiver) = sync_channel(WAITING);
    (Inlet(sender), receiver)
}

/// Starts the thread; it ends when every inlet is dropped.
///
/// # Errors
/// When the host gives no thread.
pub fn start(plan: &Plan, receiver: Receiver<Received>, door: Door, say: Say) -> std::io::Result<()> {
    let mut task = Task::new(plan, door, say);
    std::thread::Builder::new().name("commands".into()).spawn(move || {
        for received in receiver {
            task.take(&received);
        }
    })?;
    Ok(())
}

struct Task {
    how: Commands,
    audience: String,
    dir: PathBuf,
    door: Door,
    say: Arc<Say>,
    /// By code: refusals of what is nobody's since they were last told.
    refused: HashMap<&'static str, u64>,
    told: Option<Instant>,
}

/// Why a command is not even put to the core.
#[derive(Debug, thiserror::Error)]
enum NotTaken {
    #[error(transparent)]
    NotRead(#[from] NotRead),
    #[error("the broker had kept it: publish commands without the retain flag")]
    Retained,
    #[error("commands come on another topic: {expected}")]
    Topic { expected: &'static str },
    #[error("nobody is called `{name}`")]
    Nobody { name: String },
    #[error("`{name}` has no key: add it with `lapwing account key`")]
    NoKey { name: String },
    #[error("the accounts cannot be read")]
    Accounts,
    #[error("it is for `{aud}`, this is {ours}")]
    OtherModule { aud: String, ours: String },
    #[error("`{key}` is missing: a signed command needs it")]
    Claim { key: &'static str },
    #[error("it was made at {iat}, it is {now} here: at most {FRESH_S} s may lie between")]
    NotFresh { iat: i64, now: i64 },
    #[error("it counted until {exp}, it is {now} here")]
    Expired { exp: i64, now: i64 },
}

impl NotTaken {
    const fn code(&self) -> &'static str {
        match self {
            Self::NotRead(why) => why.code(),
            Self::Retained => "retained",
            Self::Topic { .. } => "other_topic",
            Self::Nobody { .. } => "unknown_person",
            Self::NoKey { .. } => "no_key",
            Self::Accounts => "no_accounts",
            Self::OtherModule { .. } => "other_module",
            Self::Claim { .. } => "missing_claim",
            Self::NotFresh { .. } => "not_fresh",
            Self::Expired { .. } => "expired",
        }
    }
}

/// A command of somebody who is proved.
struct Proved {
    name: String,
    role: Role,
    command: Command,
}

impl Task {
    fn new(plan: &Plan, door: Door, say: Say) -> Self {
        Self {
            how: plan.mqtt.commands,
            audience: format!("{}/{}", plan.module.site, plan.module.name),
            dir: plan.store.dir.clone(),
            door,
            say: Arc::new(say),
            refused: HashMap::new(),
            told: None,
        }
    }

    fn take(&mut self, received: &Received) {
        let now = now_ms();
        let proved = match self.prove(received, now) {
            Ok(proved) => proved,
            Err(why) => return self.refuse(&why, now),
        };
        let Proved { name, role, command } = proved;
        let (id, by) = (command.id.clone(), name.clone());
        let action = match read::action(&command, now) {
            Ok(action) => action,
            Err(why) => {
                let reply = refusal(Some(id), Some(by), now, why.code(), &why.to_string());
                return answer(&self.say, &reply);
            }
        };
        let say = Arc::clone(&self.say);
        let once = Some(Once { id: id.clone(), iat_s: command.iat, now_s: now / 1000 });
        let reply = Reply::to(move |said| answer(&say, &told(id, by, said)));
        let Command { alarm, occurrence, reason, .. } = command;
        let request = Request { who: name, role, action, alarm, occurrence, reason, once, reply };
        self.door.hand_in(Message::Operator(Box::new(request)));
    }

    /// Whose command it is, and that it is meant for this module and now.
    fn prove(&self, received: &Received, now: i64) -> Result<Proved, NotTaken> {
        if received.retain {
            return Err(NotTaken::Retained);
        }
        match self.how {
            Commands::Off => Err(NotTaken::Topic { expected: "none, commands are off" }),
            Commands::Signed if received.topic != "command" => Err(NotTaken::Topic { expected: "command" }),
            Commands::Signed => {
                let signed = read::signed(&received.payload)?;
                let accounts = accounts(&self.dir)?;
                let account = accounts.list().iter().find(|account| account.name == signed.name);
                // Who does not know a key does not learn who has an account.
                let Some(account) = account else { return Err(NotTaken::Nobody { name: known(&signed.name) }) };
                let key = account.key().ok_or_else(|| NotTaken::NoKey { name: account.name.clone() })?;
                signed.verify(&key).map_err(NotRead::from)?;
                let command = read::command(&signed.payload)?;
                self.is_meant(&command, now / 1000)?;
                Ok(Proved { name: account.name.clone(), role: account.role, command })
            }
            Commands::Topic => {
                let expected = "command/CLIENT/PERSON";
                let mut parts = received.topic.splitn(3, '/');
                let (Some("command"), Some(client), Some(person)) = (parts.next(), parts.next(), parts.next()) else {
                    return Err(NotTaken::Topic { expected });
                };
                if client.is_empty() || person.is_empty() || person.contains('/') {
                    return Err(NotTaken::Topic { expected });
                }
                let accounts = accounts(&self.dir)?;
                let account = accounts.list().iter().find(|account| account.name == person);
                let Some(account) = account else { return Err(NotTaken::Nobody { name: known(person) }) };
                let command = read::command(&received.payload)?;
                if let Some(aud) = command.aud.as_ref().filter(|aud| **aud != self.audience) {
                    return Err(NotTaken::OtherModule { aud: known(aud), ours: self.audience.clone() });
                }
                // The broker vouches for the way, not for the clock of whoever sent it.
                let command = Command { iat: None, ..command };
                Ok(Proved { name: account.name.clone(), role: account.role, command })
            }
        }
    }

    fn is_meant(&self, command: &Command, now: i64) -> Result<(), NotTaken> {
        let aud = command.aud.as_ref().ok_or(NotTaken::Claim { key: "aud" })?;
        if *aud != self.audience {
            return Err(NotTaken::OtherModule { aud: known(aud), ours: self.audience.clone() });
        }
        let iat = command.iat.ok_or(NotTaken::Claim { key: "iat" })?;
        if now.saturating_sub(iat).saturating_abs() > FRESH_S {
            return Err(NotTaken::NotFresh { iat, now });
        }
        match command.exp {
            Some(exp) if exp <= now => Err(NotTaken::Expired { exp, now }),
            Some(_) | None => Ok(()),
        }
    }

    /// What is nobody's makes no event each: whoever can reach the broker could fill the log.
    fn refuse(&mut self, why: &NotTaken, now: i64) {
        answer(&self.say, &refusal(None, None, now, why.code(), &why.to_string()));
        *self.refused.entry(why.code()).or_default() += 1;
        if self.told.is_some_and(|at| at.elapsed() < TELL) {
            return;
        }
        self.told = Some(Instant::now());
        let mut counts: Vec<(&str, u64)> = self.refused.drain().collect();
        counts.sort_unstable();
        let counts: Vec<String> = counts.iter().map(|(code, count)| format!("{count} × {code}")).collect();
        self.door.hand_in(Message::Unproved(counts.join(", ")));
    }
}

fn accounts(dir: &Path) -> Result<Accounts, NotTaken> {
    Accounts::load(dir).map_err(|error| {
        tracing::error!("{error}");
        NotTaken::Accounts
    })
}

/// A name from outside, so that it can stand in an answer.
fn known(name: &str) -> String {
    name.chars().map(|c| if c.is_control() { ' ' } else { c }).take(64).collect()
}

fn told(id: String, by: String, said: Answer) -> CommandReply {
    let now = now_ms();
    match said {
        Ok(done) => CommandReply {
            schema: SCHEMA,
            id: Some(id),
            by: Some(by),
            t: now,
            done: true,
            log: Some(done.log),
            seq: Some(done.seq),
            until: done.until,
            code: None,
            text: "Done.".into(),
        },
        Err(refused) => refusal(Some(id), Some(by), now, refused.code(), &refused.to_string()),
    }
}

fn refusal(id: Option<String>, by: Option<String>, t: i64, code: &str, why: &str) -> CommandReply {
    let text = crate::words::sentence(why);
    CommandReply {
        schema: SCHEMA,
        id,
        by,
        t,
        done: false,
        log: None,
        seq: None,
        until: None,
        code: Some(code.to_owned()),
        text,
    }
}

fn answer(say: &Say, reply: &CommandReply) {
    let bytes = serde_json::to_vec(reply).expect("invariant: text keys and whole numbers only");
    say("command/reply".into(), bytes);
}

#[cfg(test)]
mod tests;
