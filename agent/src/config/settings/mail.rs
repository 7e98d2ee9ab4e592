//! `[mail]` and the site's time zone: what telling people directly needs beside the recipients themselves.
//!
//! Zones come from the host's own files; without them a POSIX rule does (POSIX.1 §8.3, `TZ`). Opens no connection. Never
//! panics.

use std::path::PathBuf;

use jiff::tz::TimeZone;

use crate::config::address::host_port;
use crate::config::items::recipient::mail_address;
use crate::config::mistake::Report;
use crate::config::plain::Plain;
use crate::config::source::Place;
use crate::config::wrong::{OfRecipients, Wrong};
use crate::plan::recipients::{Mail, MailTls};

/// The mail server; the flag says that something about it was told already.
pub(super) fn mail(plain: &Plain, place: &impl Fn(&str, &str) -> Place, report: &mut Report) -> (Mail, bool) {
    let file = |key: &str| plain.text(&format!("mail.{key}")).map(PathBuf::from);
    let mut told = false;
    let server = plain.text("mail.server").and_then(|text| match host_port(&text, "\"mail.saltmarsh.example:465\"") {
        Ok(server) => Some(server),
        Err(wrong) => {
            told = true;
            report.wrong(place("mail", "server"), "mail.server", wrong);
            None
        }
    });
    told |= plain.has("mail.server") && server.is_none();
    let from = plain.text("mail.from").unwrap_or_default();
    if server.is_some() && !plain.has("mail.from") {
        let missing = Wrong::MissingKey { key: "from", example: "\"m1@saltmarsh.example\"" };
        report.wrong(place("mail", "from"), "mail.from", missing);
    } else if plain.has("mail.from")
        && let Err(why) = mail_address(&from)
    {
        let wrong = OfRecipients::BadMailAddress { address: from.clone(), why };
        report.wrong(place("mail", "from"), "mail.from", wrong);
    }
    let (user, password_file) = (plain.text("mail.user"), file("password_file"));
    for (given, missing, key, example) in [
        ("user", password_file.is_none() && user.is_some(), "password_file", "\"/etc/lapwing/mail-password\""),
        ("password_file", user.is_none() && password_file.is_some(), "user", "\"m1\""),
    ] {
        if missing {
            report.wrong(place("mail", given), format!("mail.{key}"), Wrong::MissingKey { key, example });
        }
    }
    let tls = if plain.text("mail.tls").as_deref() == Some("starttls") { MailTls::StartTls } else { MailTls::Implicit };
    (Mail { server, tls, ca: file("ca"), user, password_file, from }, told)
}

/// The site's time zone.
pub(super) fn time_zone(plain: &Plain, place: Place, report: &mut Report) -> TimeZone {
    let Some(text) = plain.text("module.time_zone") else { return TimeZone::UTC };
    match TimeZone::get(&text).or_else(|_| TimeZone::posix(&text)) {
        Ok(zone) => zone,
        Err(_) => {
            report.wrong(place, "module.time_zone", OfRecipients::BadZone { zone: text });
            TimeZone::UTC
        }
    }
}
