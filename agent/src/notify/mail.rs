//! One mail over SMTP, always inside TLS; accepted by the server means sent.
//!
//! `Message-ID` is made of the event, so that one that is sent again can be known as the same; mails of one incident refer
//! to a common id. Password and certificates are read at each mail, one connection a mail: they are rare. The caller
//! bounds the time. Never panics. RFC 5321, RFC 5322, RFC 3834 (it is no answer and wants none), RFC 8314.

use lettre::message::header::{ContentType, HeaderName, HeaderValue};
use lettre::message::{Mailbox, MessageBuilder};
use lettre::transport::smtp::authentication::Credentials;
use lettre::transport::smtp::client::{Certificate, Tls, TlsParameters};
use lettre::transport::smtp::extension::ClientId;
use lettre::{Address, AsyncSmtpTransport, AsyncTransport as _, Message as Mail, Tokio1Executor};

use super::compose::Message;
use super::{ANSWER, secret};
use crate::cause::Cause;
use crate::plan::recipients::{Mail as Settings, MailTls};

/// Hands a mail to the server.
pub(super) async fn send(settings: &Settings, address: &str, message: &Message) -> Result<(), Cause> {
    let Some((host, port)) = &settings.server else { return Err(Cause::known("mail_no_server", &[])) };
    let mail = mail(settings, address, message)?;
    let mut tls = TlsParameters::builder(host.clone());
    if let Some(file) = &settings.ca {
        let pem = std::fs::read(file).map_err(|error| unread(file, &error))?;
        let unusable = |error: lettre::transport::smtp::Error| {
            Cause::known("tls_pem", &[("path", &file.display()), ("why", &error)])
        };
        tls = tls.certificate_store(lettre::transport::smtp::client::CertificateStore::None);
        for authority in authorities(&pem) {
            tls = tls.add_root_certificate(Certificate::from_pem(&authority).map_err(unusable)?);
        }
    }
    let tls = tls.build().map_err(|error| Cause::known("tls_unusable", &[("why", &error)]))?;
    let tls = match settings.tls {
        MailTls::Implicit => Tls::Wrapper(tls),
        MailTls::StartTls => Tls::Required(tls),
    };
    let mut transport = AsyncSmtpTransport::<Tokio1Executor>::builder_dangerous(host)
        .port(*port)
        .tls(tls)
        .hello_name(hello(settings))
        .timeout(Some(ANSWER));
    if let (Some(user), Some(file)) = (&settings.user, &settings.password_file) {
        let password = secret(file, "the password file")?;
        transport = transport.credentials(Credentials::new(user.clone(), password));
    }
    transport.build().send(mail).await.map(drop).map_err(|error| why(&error, host, *port))
}

/// What the server is told of us: the domain mail comes from.
fn hello(settings: &Settings) -> ClientId {
    ClientId::Domain(domain(settings).to_owned())
}

fn domain(settings: &Settings) -> &str {
    settings.from.rsplit_once('@').map_or("localhost", |(_, domain)| domain)
}

fn mail(settings: &Settings, address: &str, message: &Message) -> Result<Mail, String> {
    let parsed = |text: &str| {
        let address = text.parse::<Address>().map_err(|error| format!("`{text}` is no mail address: {error}"))?;
        Ok::<_, String>(Mailbox::new(None, address))
    };
    let domain = domain(settings);
    let mut builder: MessageBuilder = Mail::builder()
        .from(parsed(&settings.from)?)
        .to(parsed(address)?)
        .subject(message.subject.clone())
        .message_id(Some(format!("<{}@{domain}>", message.id)))
        .header(ContentType::TEXT_PLAIN)
        .date_now()
        .raw_header(HeaderValue::new(HeaderName::new_from_ascii_str("Auto-Submitted"), "auto-generated".into()));
    if let Some(thread) = &message.thread {
        builder = builder.references(format!("<{thread}@{domain}>"));
    }
    builder.body(message.text.clone()).map_err(|error| format!("no mail can be made of it: {error}"))
}

/// Certificates of a PEM file, each by itself: the library takes one at a time.
fn authorities(pem: &[u8]) -> Vec<Vec<u8>> {
    const END: &str = "-----END CERTIFICATE-----";
    let text = String::from_utf8_lossy(pem);
    let each = text.split_inclusive(END).filter(|part| part.contains("-----BEGIN CERTIFICATE-----"));
    let all: Vec<Vec<u8>> = each.map(|part| part.as_bytes().to_vec()).collect();
    // None is a mistake the library tells.
    if all.is_empty() { vec![pem.to_vec()] } else { all }
}

/// Why it was not taken, said so that a person knows where to look.
fn why(error: &lettre::transport::smtp::Error, host: &str, port: u16) -> Cause {
    use std::error::Error as _;
    let mut cause = error.to_string();
    let mut known = error.is_timeout().then(|| Cause::known("io_time_out", &[]));
    let mut source = error.source();
    while let Some(inner) = source {
        let inner_text = inner.to_string();
        if !cause.contains(&inner_text) {
            cause = format!("{cause}: {inner_text}");
        }
        let of_inner = (inner.downcast_ref::<std::io::Error>().map(Cause::io))
            .or_else(|| inner.downcast_ref::<rustls::Error>().map(Cause::tls));
        known = of_inner.filter(|cause| matches!(cause, Cause::Known { .. })).or(known);
        source = inner.source();
    }
    let plain: String = cause.chars().map(|c| if c.is_control() { ' ' } else { c }).take(300).collect();
    let known = match known {
        Some(known) => known.told(&plain),
        None => Cause::from(plain),
    };
    Cause::known("mail_refused", &[("host", &host), ("port", &port)]).because("why", known)
}

fn unread(file: &std::path::Path, error: &std::io::Error) -> Cause {
    Cause::known("tls_file", &[("path", &file.display())]).because("why", Cause::io(error))
}
