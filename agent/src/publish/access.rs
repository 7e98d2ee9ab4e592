//! How the broker is reached: address, TLS, credentials, will, and the pause between attempts.
//!
//! Turns the plan's settings into the library's options. Files are read at every attempt, so that a renewed certificate
//! or password is used without a restart. TLS is rustls on ring, versions 1.2 and 1.3, with the configured authority as
//! the only root. It does not connect. Durations are monotonic; never panics.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use rumqttc::{
    ConnectReturnCode, ConnectionError, LastWill, MqttOptions, QoS, StateError, TlsConfiguration, Transport,
};

use super::Session;
use crate::cause::Cause;
use crate::plan;
use crate::tls::{TlsError, client_config};

/// The library's limit, above every bound of our own.
const PACKET_LIMIT_BYTES: usize = 256 * 1024;
/// Packet ids the library cycles through; our window stays far below.
const PACKET_IDS: u16 = 1023;
/// First and longest pause between attempts.
const PAUSE: (Duration, Duration) = (Duration::from_millis(200), Duration::from_secs(5));
/// Longest pause after a short connection on which events went through: a shaky line must not delay alarms by seconds,
/// and two agents that push each other out under one client id must not do so five times a second.
const PAUSE_SHAKY: Duration = Duration::from_millis(800);

/// Why no attempt can be made with these settings.
#[derive(Debug, thiserror::Error)]
pub(super) enum AccessError {
    #[error("{what} {path} cannot be read: {source}")]
    File { what: &'static str, path: PathBuf, source: std::io::Error },
    #[error(transparent)]
    Tls(#[from] TlsError),
}

impl AccessError {
    /// For people too.
    pub(super) fn cause(&self) -> Cause {
        match self {
            Self::File { path, source, .. } => {
                Cause::known("no_password", &[("path", &path.display())]).because("why", Cause::io(source)).told(self)
            }
            Self::Tls(error) => error.cause(),
        }
    }
}

/// Options of one connection.
pub(super) fn options(settings: &plan::Mqtt, session: &Session) -> Result<MqttOptions, AccessError> {
    let (host, port) = &settings.broker;
    // The library joins host and port with a colon: an IPv6 address needs its brackets.
    let host = if host.contains(':') && !host.starts_with('[') { format!("[{host}]") } else { host.clone() };
    let mut options = MqttOptions::new(settings.client_id.clone(), host, *port);
    // MQTT counts keep-alive in whole seconds in 16 bits (3.1.1 §3.1.2.10).
    let keep_alive = settings.keep_alive.as_secs().clamp(1, u64::from(u16::MAX));
    options
        .set_keep_alive(Duration::from_secs(keep_alive))
        .set_clean_session(true)
        .set_max_packet_size(PACKET_LIMIT_BYTES, PACKET_LIMIT_BYTES)
        .set_inflight(PACKET_IDS)
        .set_last_will(LastWill::new(
            format!("{}/{}", session.base, session.presence_topic),
            session.offline.clone(),
            QoS::AtLeastOnce,
            true,
        ));
    if let Some(user) = &settings.user {
        options.set_credentials(user.clone(), password(settings.password_file.as_deref())?);
    }
    if let Some(authority) = &settings.ca {
        let client = settings.client_certificate.as_ref().map(|(chain, key)| (chain.as_path(), key.as_path()));
        options.set_transport(Transport::Tls(TlsConfiguration::Rustls(Arc::new(client_config(authority, client)?))));
    }
    Ok(options)
}

/// Why there is no connection, said so that a person knows where to look.
pub(super) fn why(error: &ConnectionError, address: &str) -> Cause {
    use std::io::ErrorKind;
    let at = |code: &'static str| Cause::known(code, &[("at", &address)]);
    match error {
        ConnectionError::Io(error) if error.kind() == ErrorKind::ConnectionRefused => at("broker_nobody"),
        ConnectionError::Io(error) => at("broker_other").because("why", Cause::io(error)),
        ConnectionError::NetworkTimeout => at("broker_silent"),
        ConnectionError::ConnectionRefused(code) => {
            let reason = match code {
                ConnectReturnCode::BadUserNamePassword => "mqtt_credentials",
                ConnectReturnCode::NotAuthorized => "mqtt_not_authorized",
                ConnectReturnCode::BadClientId => "mqtt_client_id",
                ConnectReturnCode::ServiceUnavailable => "mqtt_unavailable",
                ConnectReturnCode::RefusedProtocolVersion => "mqtt_version",
                ConnectReturnCode::Success => "mqtt_without_reason",
            };
            at("broker_refused").because("why", Cause::known(reason, &[]))
        }
        ConnectionError::MqttState(StateError::ConnectionAborted) => at("broker_closed"),
        ConnectionError::MqttState(StateError::Io(error)) => at("broker_other").because("why", Cause::io(error)),
        ConnectionError::MqttState(StateError::AwaitPingResp) | ConnectionError::FlushTimeout => at("broker_no_longer"),
        ConnectionError::Tls(error) => {
            let why = match error {
                rumqttc::TlsError::Io(error) => Cause::io(error),
                rumqttc::TlsError::TLS(error) => Cause::tls(error),
                other => Cause::from(other.to_string()),
            };
            at("broker_tls").because("why", why)
        }
        other => at("broker_other").because("why", Cause::from(other.to_string())),
    }
}

/// The pause before the next attempt: doubles up to the longest, with jitter, so that agents that lost one broker do
/// not return to it all at once.
#[derive(Debug)]
pub(super) struct BackOff {
    next: Duration,
}

impl Default for BackOff {
    fn default() -> Self {
        Self { next: PAUSE.0 }
    }
}

/// How far a connection got before it was lost.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Held {
    /// Not at all, or nothing of use was confirmed.
    No,
    /// Short, but events were confirmed.
    Shaky,
    /// Long enough to call it good.
    Steady,
}

impl BackOff {
    /// Takes into account how the last connection did.
    pub(super) fn after(&mut self, held: Held) {
        match held {
            Held::No => {}
            Held::Shaky => self.next = self.next.min(PAUSE_SHAKY),
            Held::Steady => self.next = PAUSE.0,
        }
    }

    pub(super) fn next(&mut self) -> Duration {
        let pause = self.next;
        self.next = (self.next * 2).min(PAUSE.1);
        let mut random = [0_u8; 2];
        // Without random numbers there is no jitter, which is no reason not to connect.
        let share = getrandom::fill(&mut random).map_or(0.5, |()| f64::from(u16::from_le_bytes(random)) / 65536.0);
        pause.mul_f64(0.75 + share * 0.5)
    }
}

/// The password; a final line end is not part of it.
fn password(file: Option<&Path>) -> Result<String, AccessError> {
    let Some(path) = file else { return Ok(String::new()) };
    let text = std::fs::read_to_string(path).map_err(|source| AccessError::File {
        what: "the password file",
        path: path.to_path_buf(),
        source,
    })?;
    let text = text.strip_suffix('\n').unwrap_or(&text);
    Ok(text.strip_suffix('\r').unwrap_or(text).to_owned())
}
