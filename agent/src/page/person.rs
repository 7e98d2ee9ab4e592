//! Signing in and out, and who a request comes from.
//!
//! A request that changes something must carry the session's cookie, its token in a header that no other site can set, and
//! an `Origin` that names this host. Reading needs a session only where the page is reachable from beyond loopback. Never
//! panics.

use std::sync::{Arc, PoisonError};
use std::time::Instant;

use axum::Json;
use axum::extract::rejection::JsonRejection;
use axum::extract::{ConnectInfo, State};
use axum::http::{HeaderMap, HeaderValue, header};
use axum::response::{IntoResponse, Response};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::accounts::Accounts;
use super::answer::Done;
use super::routes::BODY_MOST;
use super::sessions::{SHIFT, Session};
use super::trouble::Trouble;
use super::{Shared, now_ms, serve};

/// Name of the cookie.
const COOKIE: &str = "lapwing";
/// Header of the token.
pub(super) const TOKEN: &str = "x-lapwing-token";

/// Body of `POST /api/sign-in`.
#[derive(Clone, Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct SignIn {
    /// Name of the account.
    #[schemars(length(min = 1, max = 64))]
    pub name: String,
    /// PIN or password.
    #[schemars(length(min = 1, max = 256))]
    pub secret: String,
}

/// Answer of `POST /api/sign-in`.
#[derive(Clone, Debug, Serialize, JsonSchema)]
pub(super) struct SignedIn {
    /// Name.
    pub name: String,
    /// Role.
    pub role: String,
    /// What a changing request must carry in `X-Lapwing-Token`.
    pub csrf: String,
    /// When the session ends.
    pub until: i64,
}

/// `POST /api/sign-in`.
pub(super) async fn sign_in(
    State(shared): State<Arc<Shared>>,
    ConnectInfo(serve::From(from)): ConnectInfo<serve::From>,
    headers: HeaderMap,
    body: Result<Json<SignIn>, JsonRejection>,
) -> Result<Response, Trouble> {
    same_origin(&headers)?;
    let Json(SignIn { name, secret }) = body.map_err(malformed)?;
    let now = Instant::now();
    lock(&shared).may_try(&name, from.ip(), now).map_err(|wait| Trouble::TooMany {
        text: format!("Too many wrong tries; try again in {} s.", wait.as_secs() + 1),
        retry_after_s: wait.as_secs() + 1,
    })?;
    let dir = shared.plan.store.dir.clone();
    let (accounts, found) = serve::blocking({
        let name = name.clone();
        move || {
            let accounts = Accounts::load(&dir)?;
            let found = accounts.verify(&name, &secret).cloned();
            Ok::<_, super::accounts::AccountError>((accounts, found))
        }
    })
    .await?
    .map_err(|error| Trouble::Unavailable(format!("{error}.")))?;
    let mut sessions = lock(&shared);
    let Some(account) = found else {
        let left = sessions.wrong(&name, from.ip(), now);
        let text = if accounts.list().is_empty() {
            "There is no account yet: add one on the agent's machine with `lapwing account add`.".to_owned()
        } else {
            match left {
                0 => "Name and secret do not fit; wait five minutes before the next try.".to_owned(),
                1 => "Name and secret do not fit; 1 try is left.".to_owned(),
                left => format!("Name and secret do not fit; {left} tries are left."),
            }
        };
        return Err(Trouble::Forbidden(text));
    };
    let (cookie, session) = sessions
        .open(&account.name, account.role, now)
        .map_err(|error| Trouble::Unavailable(format!("The system has no random numbers: {error}.")))?;
    drop(sessions);
    let body = SignedIn {
        name: session.name,
        role: session.role.word().into(),
        csrf: session.token,
        until: now_ms().saturating_add(i64::try_from(SHIFT.as_millis()).unwrap_or(i64::MAX)),
    };
    Ok((set_cookie(&shared, &cookie, SHIFT.as_secs()), Json(body)).into_response())
}

/// `POST /api/sign-out`.
pub(super) async fn sign_out(State(shared): State<Arc<Shared>>, headers: HeaderMap) -> Result<Response, Trouble> {
    signed_in_to_act(&shared, &headers)?;
    if let Some(cookie) = cookie(&headers) {
        lock(&shared).close(cookie);
    }
    let done = Done { done: true, text: "Signed out.".into() };
    Ok((set_cookie(&shared, "", 0), Json(done)).into_response())
}

/// Who a request comes from, if anybody is signed in.
pub(super) fn signed_in(shared: &Shared, headers: &HeaderMap) -> Option<Session> {
    lock(shared).find(cookie(headers)?, Instant::now()).cloned()
}

/// Who wants to change something.
///
/// # Errors
/// When nobody is signed in, or the request may come from another site.
pub(super) fn signed_in_to_act(shared: &Shared, headers: &HeaderMap) -> Result<Session, Trouble> {
    same_origin(headers)?;
    // An account that is gone or has another role ends its sessions; the file is small and seldom read.
    let accounts = Accounts::load(&shared.plan.store.dir).map_err(|error| Trouble::Unavailable(format!("{error}.")))?;
    let still = |name: &str, role| accounts.list().iter().any(|known| known.name == name && known.role == role);
    lock(shared).keep_only(still);
    let session = signed_in(shared, headers).ok_or(Trouble::NotSignedIn)?;
    let token = headers.get(TOKEN).and_then(|value| value.to_str().ok()).unwrap_or_default();
    if token != session.token {
        return Err(Trouble::Forbidden(
            "The header X-Lapwing-Token does not carry this session's token: take it from the answer to signing in."
                .into(),
        ));
    }
    Ok(session)
}

/// A body that is no such JSON.
pub(super) fn malformed(error: JsonRejection) -> Trouble {
    // A body without a length is only found too long while it is read.
    if error.status() == axum::http::StatusCode::PAYLOAD_TOO_LARGE {
        return Trouble::TooLarge { most: BODY_MOST };
    }
    Trouble::Malformed(format!("{}.", error.body_text()))
}

/// A browser names the site a request comes from; another one than this is refused. Without the header it is no browser's.
fn same_origin(headers: &HeaderMap) -> Result<(), Trouble> {
    let Some(origin) = headers.get(header::ORIGIN) else { return Ok(()) };
    let origin = origin.to_str().unwrap_or_default();
    let host = headers.get(header::HOST).and_then(|host| host.to_str().ok()).unwrap_or_default();
    if origin.split_once("://").is_some_and(|(_, authority)| authority.eq_ignore_ascii_case(host)) {
        return Ok(());
    }
    Err(Trouble::Forbidden(format!("A request from '{}' is not this page's.", origin.escape_default())))
}

fn cookie(headers: &HeaderMap) -> Option<&str> {
    let all = headers.get_all(header::COOKIE).iter().filter_map(|value| value.to_str().ok());
    all.flat_map(|line| line.split(';'))
        .filter_map(|pair| pair.trim().split_once('='))
        .find_map(|(name, value)| (name == COOKIE && !value.is_empty()).then_some(value))
}

fn set_cookie(shared: &Shared, value: &str, seconds: u64) -> HeaderMap {
    let secure = if shared.plan.http.tls.is_some() { "; Secure" } else { "" };
    let line = format!("{COOKIE}={value}; Path=/; Max-Age={seconds}; HttpOnly; SameSite=Strict{secure}");
    let mut headers = HeaderMap::new();
    if let Ok(line) = HeaderValue::from_str(&line) {
        headers.insert(header::SET_COOKIE, line);
    }
    headers
}

fn lock(shared: &Shared) -> std::sync::MutexGuard<'_, super::sessions::Sessions> {
    shared.sessions.lock().unwrap_or_else(PoisonError::into_inner)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn headers(pairs: &[(&'static str, &str)]) -> HeaderMap {
        pairs
            .iter()
            .map(|(name, value)| {
                (axum::http::HeaderName::from_static(name), HeaderValue::from_str(value).expect("a header's value"))
            })
            .collect()
    }

    #[test]
    fn another_sites_request_is_refused_and_a_program_without_origin_is_not() {
        assert!(same_origin(&headers(&[("host", "127.0.0.1:8467")])).is_ok());
        assert!(same_origin(&headers(&[("host", "127.0.0.1:8467"), ("origin", "http://127.0.0.1:8467")])).is_ok());
        for origin in ["http://evil.example", "null", "http://127.0.0.1:8468", ""] {
            assert!(same_origin(&headers(&[("host", "127.0.0.1:8467"), ("origin", origin)])).is_err(), "{origin}");
        }
    }

    #[test]
    fn the_cookie_is_found_among_others() {
        assert_eq!(cookie(&headers(&[("cookie", "a=1; lapwing=abc; b=2")])), Some("abc"));
        assert_eq!(cookie(&headers(&[("cookie", "lapwing=")])), None);
        assert_eq!(cookie(&headers(&[])), None);
    }
}
