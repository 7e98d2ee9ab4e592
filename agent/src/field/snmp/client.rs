//! One SNMP agent as a link asks it: GETs and walks in version 1, 2c or 3, and what their errors mean.
//!
//! Only GET, GETNEXT and GETBULK can be sent: the [`Agent`] trait has nothing else. The library compares request number,
//! community or user, and source address. Version 1 refuses a whole GET for one missing variable: it is left out then,
//! and tried again every ten minutes. Never panics. RFC 3416 §4.2, RFC 1157 §4.1.2 (version 1), RFC 3414 (version 3).

use std::collections::BTreeMap;
use std::time::{Duration, Instant};

use async_snmp::{
    Auth, AuthProtocol, Client, ClientBuilder, Error, ErrorKind, ErrorStatus, MasterKeys, Oid, PrivProtocol, Retry,
    UdpHandle, UsmConfig, Value, WalkOptions,
};

use super::super::failure::{Failure, Garble};
use super::super::why::Unreached;
use super::value::in_order;
use crate::plan::snmp::{self, PrivacyProtocol, User};

/// Rows taken with one GETBULK: the alarm tables of power devices fit one answer.
const REPETITIONS: u32 = 32;
/// A table longer than this is not walked to its end.
const MOST_ROWS: usize = 4096;
/// What version 1 does not have is asked again after this.
const ABSENT_FOR: Duration = Duration::from_secs(600);

/// What a link needs of an agent.
pub(in crate::field) trait Agent {
    /// Values of variables, in the order asked.
    fn get(&mut self, oids: &[Oid]) -> impl Future<Output = Result<Vec<Value>, Failure>> + Send;
    /// A column's rows in order: the instance of each, and its value.
    fn walk(&mut self, column: &Oid) -> impl Future<Output = Result<Vec<(Vec<u32>, Value)>, Failure>> + Send;
}

/// Who asks, made ready for the library.
pub(super) enum Credentials {
    /// A community.
    Community { version_1: bool, community: String },
    /// A user with its keys.
    User { name: String, keys: MasterKeys },
}

/// An agent reached over the shared socket.
pub(super) struct Reached {
    client: Client<UdpHandle>,
    /// Host and port, for people.
    to: String,
    timeout: Duration,
    version_1: bool,
    version_3: bool,
    absent: BTreeMap<Oid, Instant>,
}

impl Reached {
    /// A client for one agent.
    pub(super) fn new(handle: UdpHandle, to: String, who: &Credentials, timeout: Duration) -> Result<Self, Box<Error>> {
        let (auth, version_1, version_3) = match who {
            Credentials::Community { version_1: true, community } => (Auth::v1(community.clone()), true, false),
            Credentials::Community { version_1: false, community } => (Auth::v2c(community.clone()), false, false),
            Credentials::User { name, keys } => {
                let unfit = |error| Box::new(Error::Config(format!("user {name}: {error}").into()));
                let user = UsmConfig::new(name.clone()).with_master_keys(keys.clone()).map_err(unfit)?;
                (Auth::from(user), false, true)
            }
        };
        let walk =
            WalkOptions { max_repetitions: REPETITIONS, result_limit: Some(MOST_ROWS), ..WalkOptions::default() };
        let client = ClientBuilder::new(auth)
            .request_timeout(timeout)
            .retry(Retry::none()) // `poll` repeats
            .max_oids_per_request(128)
            .walk_options(walk)
            .build_with_transport(handle.strict_source(true))?;
        Ok(Self { client, to, timeout, version_1, version_3, absent: BTreeMap::new() })
    }

    fn failure(&self, error: &Error) -> Failure {
        match error.kind() {
            ErrorKind::Timeout | ErrorKind::ConstructionTimeout => {
                let timeout_ms = u64::try_from(self.timeout.as_millis()).unwrap_or(u64::MAX);
                if self.version_3 { Failure::Unanswered { timeout_ms } } else { Failure::Silence { timeout_ms } }
            }
            ErrorKind::Snmp => refusal(error),
            ErrorKind::Auth | ErrorKind::Report => Failure::Access(error.to_string()),
            ErrorKind::Decode | ErrorKind::MalformedResponse | ErrorKind::ResponseShape => {
                Failure::Garbled(Garble::Header)
            }
            ErrorKind::WalkAborted => Failure::Garbled(Garble::Order),
            // The host's network, or a library state that a new client mends.
            _ => Failure::NoConnection(Unreached::Snmp { to: self.to.clone(), why: error.to_string().into() }),
        }
    }
}

impl Agent for Reached {
    async fn get(&mut self, oids: &[Oid]) -> Result<Vec<Value>, Failure> {
        self.absent.retain(|_, since| since.elapsed() < ABSENT_FOR);
        // Each round leaves out one more that is missing.
        for _ in 0..=oids.len() {
            let asked: Vec<Oid> = oids.iter().filter(|oid| !self.absent.contains_key(*oid)).cloned().collect();
            if asked.is_empty() {
                return Ok(vec![Value::NoSuchObject; oids.len()]);
            }
            match self.client.get_many(&asked).await {
                Ok(response) => {
                    let mut values = in_order(&asked, response.varbinds)?.into_iter();
                    let value = |oid| {
                        if self.absent.contains_key(oid) { None } else { values.next() }
                    };
                    return Ok(oids.iter().map(value).map(|value| value.unwrap_or(Value::NoSuchObject)).collect());
                }
                Err(error) => match missing(&error, &asked).filter(|_| self.version_1) {
                    Some(oid) => drop(self.absent.insert(oid, Instant::now())),
                    None => return Err(self.failure(&error)),
                },
            }
        }
        Err(Failure::Garbled(Garble::Header))
    }

    async fn walk(&mut self, column: &Oid) -> Result<Vec<(Vec<u32>, Value)>, Failure> {
        let rows = self.client.walk(column.clone()).map_err(|error| self.failure(&error))?;
        let rows = rows.collect().await.map_err(|error| self.failure(&error))?;
        let prefix = column.arcs().len();
        Ok(rows.into_iter().map(|row| (row.oid.arcs().get(prefix..).unwrap_or(&[]).to_vec(), row.value)).collect())
    }
}

/// The variable that version 1 says it does not have.
fn missing(error: &Error, asked: &[Oid]) -> Option<Oid> {
    match error.exchange_source() {
        Error::Snmp { status: ErrorStatus::NoSuchName, index, .. } => {
            let at = usize::try_from(*index).ok()?.checked_sub(1)?;
            asked.get(at).cloned()
        }
        _ => None,
    }
}

fn refusal(error: &Error) -> Failure {
    match error.exchange_source() {
        Error::Snmp { status: ErrorStatus::GenErr | ErrorStatus::ResourceUnavailable, .. } => Failure::AgentFailure,
        Error::Snmp { status, .. } => Failure::Refused(status.to_string()),
        other => Failure::Refused(other.to_string()),
    }
}

/// Keys from a user's passwords: some milliseconds of work each (RFC 3414 §A.2).
pub(super) fn keys(user: &User) -> Result<MasterKeys, String> {
    let unfit = |error| format!("the keys of user {} cannot be made: {error}", user.name);
    let (protocol, password) = &user.auth;
    let keys = MasterKeys::new(auth(*protocol), password.reveal().as_bytes()).map_err(unfit)?;
    match &user.privacy {
        Some((protocol, password)) => {
            keys.with_privacy(privacy(*protocol), password.reveal().as_bytes()).map_err(unfit)
        }
        None => Ok(keys),
    }
}

const fn auth(protocol: snmp::AuthProtocol) -> AuthProtocol {
    match protocol {
        snmp::AuthProtocol::Md5 => AuthProtocol::Md5,
        snmp::AuthProtocol::Sha1 => AuthProtocol::Sha1,
        snmp::AuthProtocol::Sha224 => AuthProtocol::Sha224,
        snmp::AuthProtocol::Sha256 => AuthProtocol::Sha256,
        snmp::AuthProtocol::Sha384 => AuthProtocol::Sha384,
        snmp::AuthProtocol::Sha512 => AuthProtocol::Sha512,
    }
}

const fn privacy(protocol: PrivacyProtocol) -> PrivProtocol {
    match protocol {
        PrivacyProtocol::Des => PrivProtocol::Des,
        PrivacyProtocol::Aes128 => PrivProtocol::Aes128,
        PrivacyProtocol::Aes192 => PrivProtocol::Aes192Blumenthal,
        PrivacyProtocol::Aes192Reeder => PrivProtocol::Aes192Reeder,
        PrivacyProtocol::Aes256 => PrivProtocol::Aes256Blumenthal,
        PrivacyProtocol::Aes256Reeder => PrivProtocol::Aes256Reeder,
    }
}
