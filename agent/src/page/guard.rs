//! What every request passes: the host it names, and the headers every answer carries.
//!
//! A page on loopback is reachable by any web site a browser on the same machine shows, under a name of that site: so the
//! `Host` must be one the agent listens at (an address, `localhost`, or a configured name). The content policy allows the
//! page's own files and nothing else. Never panics.

use std::sync::Arc;

use axum::extract::{Request, State};
use axum::http::{HeaderMap, HeaderName, HeaderValue, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};

use super::trouble::Trouble;
use super::{Shared, person};

/// No script, style, frame, font or connection but the page's own.
const POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; \
                      form-action 'none'; base-uri 'none'; frame-ancestors 'none'";

/// Passes a request on if it is addressed to this agent and may be answered to whoever asks, and adds the headers.
pub(super) async fn guard(State(shared): State<Arc<Shared>>, request: Request, next: Next) -> Response {
    let allowed = named_well(request.headers(), &shared.plan.http.names).and_then(|()| may_read(&shared, &request));
    let mut response = match allowed {
        Ok(()) => next.run(request).await,
        Err(trouble) => trouble.into_response(),
    };
    let headers = response.headers_mut();
    for (name, value) in [
        (header::CONTENT_SECURITY_POLICY, POLICY),
        (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
        (header::REFERRER_POLICY, "no-referrer"),
        (HeaderName::from_static("cross-origin-opener-policy"), "same-origin"),
        (HeaderName::from_static("cross-origin-resource-policy"), "same-origin"),
        (HeaderName::from_static("permissions-policy"), "camera=(), microphone=(), geolocation=()"),
    ] {
        headers.insert(name, HeaderValue::from_static(value));
    }
    headers.entry(header::CACHE_CONTROL).or_insert(HeaderValue::from_static("no-store"));
    response
}

/// Reading is open on loopback; elsewhere all but the page's files, its health and signing in needs a session.
fn may_read(shared: &Shared, request: &Request) -> Result<(), Trouble> {
    let path = request.uri().path();
    let open = !(path.starts_with("/api/") || path == "/metrics") || matches!(path, "/api/sign-in" | "/api/health");
    if shared.open_reading || open || person::signed_in(shared, request.headers()).is_some() {
        return Ok(());
    }
    Err(Trouble::NotSignedIn)
}

fn named_well(headers: &HeaderMap, names: &[String]) -> Result<(), Trouble> {
    let host = headers.get(header::HOST).and_then(|host| host.to_str().ok()).unwrap_or_default();
    if is_ours(host, names) {
        return Ok(());
    }
    Err(Trouble::Forbidden(format!(
        "This agent is not '{}': open the page by its address, or add the name to `names` under [http].",
        host.escape_default()
    )))
}

/// An address, `localhost` or a configured name, with or without a port: a foreign web site can have none for a name.
fn is_ours(host: &str, names: &[String]) -> bool {
    let name = match host.strip_prefix('[') {
        Some(rest) => rest.split_once(']').map_or("", |(name, _)| name),
        None => host.split_once(':').map_or(host, |(name, _)| name),
    };
    let known = names.iter().any(|known| known.eq_ignore_ascii_case(name));
    known || name.eq_ignore_ascii_case("localhost") || name.parse::<std::net::IpAddr>().is_ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_addresses_localhost_and_configured_names_are_ours() {
        let names = ["m1.saltmarsh.example".to_owned()];
        for ours in
            ["127.0.0.1:8467", "127.0.0.1", "localhost:1", "[::1]:8467", "10.1.2.3:80", "M1.saltmarsh.example:8467"]
        {
            assert!(is_ours(ours, &names), "{ours}");
        }
        for strange in [
            "",
            "evil.example",
            "evil.example:8467",
            "127.0.0.1.evil.example",
            "[::1",
            "::1",
            "m1.saltmarsh.example.evil.example",
        ] {
            assert!(!is_ours(strange, &names), "{strange}");
        }
        assert!(!is_ours("m1.saltmarsh.example", &[]));
    }
}
