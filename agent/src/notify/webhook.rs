//! One signed POST over HTTPS; any answer of the 200s means that the receiver has it.
//!
//! A redirection is not followed: the message goes nowhere but to the configured host. Secret and certificates are read at
//! each message. One connection a message: messages are rare. The caller bounds the time. Never panics. RFC 9110, RFC 9421.

use std::sync::Arc;

use http_body_util::{BodyExt as _, Full, Limited};
use hyper::Request;
use hyper::body::Bytes;
use hyper::client::conn::http1::handshake;
use hyper::header::{CONTENT_TYPE, HOST};
use hyper_util::rt::TokioIo;
use rustls::pki_types::ServerName;
use tokio::net::TcpStream;
use tokio_rustls::TlsConnector;

use super::compose::Message;
use super::{secret, sign};
use crate::cause::Cause;
use crate::plan::recipients::Webhook;
use crate::tls::public_or;

/// What of an answer's body is read; it only matters for a refusal's reason.
const MOST_BYTES: usize = 4096;

/// Posts a message.
pub(super) async fn post(hook: &Webhook, recipient: &str, message: &Message, now_s: i64) -> Result<(), Cause> {
    let Webhook { host, port, path, secret_file, ca } = hook;
    let secret = secret(secret_file, "the secret file")?;
    let authority = match (host.contains(':'), *port) {
        (true, 443) => format!("[{host}]"),
        (true, port) => format!("[{host}]:{port}"),
        (false, 443) => host.clone(),
        (false, port) => format!("{host}:{port}"),
    };
    let signed = sign::sign(secret.as_bytes(), &format!("https://{authority}{path}"), &message.body, recipient, now_s);
    let config = public_or(ca.as_deref()).map_err(|error| error.cause())?;
    let at = |code: &'static str, why: Cause| Cause::known(code, &[("host", host), ("port", port)]).because("why", why);
    let stream =
        TcpStream::connect((host.as_str(), *port)).await.map_err(|error| at("hook_unreached", Cause::io(&error)))?;
    let name = ServerName::try_from(host.clone()).map_err(|error| format!("`{host}` fits no certificate: {error}"))?;
    let stream = TlsConnector::from(Arc::new(config))
        .connect(name, stream)
        .await
        .map_err(|error| at("hook_tls", Cause::io(&error)))?;
    let broken = |error: hyper::Error| at("hook_http", Cause::from(error.to_string()));
    let (mut sender, connection) = handshake(TokioIo::new(stream)).await.map_err(broken)?;
    let driver = tokio::spawn(async move {
        // How it ended is told to whoever asks over it.
        let _ended = connection.await;
    });
    let request = Request::post(path)
        .header(HOST, &authority)
        .header(CONTENT_TYPE, sign::CONTENT_TYPE)
        .header("Content-Digest", &signed.content_digest)
        .header("Signature-Input", &signed.signature_input)
        .header("Signature", &signed.signature)
        .body(Full::new(Bytes::from(message.body.clone())))
        .map_err(|error| format!("the address makes no request: {error}"))?;
    let response = sender.send_request(request).await.map_err(broken);
    let outcome = match response {
        Ok(response) if response.status().is_success() => Ok(()),
        Ok(response) => {
            let status = response.status();
            let said = Limited::new(response.into_body(), MOST_BYTES).collect().await;
            let said = said.map(|body| String::from_utf8_lossy(&body.to_bytes()).into_owned()).unwrap_or_default();
            let status = format!("{status}{}", reason(&said));
            Err(Cause::known("hook_answered", &[("host", host), ("status", &status)]))
        }
        Err(why) => Err(why),
    };
    driver.abort();
    outcome
}

/// The first line of what a refusal says, if it says anything plain.
fn reason(said: &str) -> String {
    let first = said.lines().next().unwrap_or_default().trim();
    let plain: String = first.chars().filter(|c| !c.is_control()).take(120).collect();
    if plain.is_empty() { String::new() } else { format!(": {plain}") }
}
