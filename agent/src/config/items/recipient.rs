//! One `[[recipient]]`: who is told directly, by mail or by a signed POST, of which priorities and when.
//!
//! Secrets stay in their files until a message is sent. Who passes on to whom is judged in `assemble`. Mail addresses by
//! RFC 5321 §4.1.2 without quoted local parts, webhooks by HTTPS only (RFC 9110 §4.2.2). Never panics.

use std::path::PathBuf;
use std::time::Duration;

use lapwing_protocol::{Priority, Vocabulary};

use crate::config::address::host_port;
use crate::config::keys::PRIORITIES;
use crate::config::mistake::Report;
use crate::config::names;
use crate::config::reader::{Item, nearest};
use crate::config::source::{Located, Place};
use crate::config::wrong::{OfRecipients, Wrong};
use crate::plan::recipients::{Hours, Way, Webhook};

use super::hours;

/// A recipient as written.
#[derive(Clone, Debug)]
pub(crate) struct RecipientItem {
    pub(crate) name: Located<String>,
    pub(crate) label: String,
    pub(crate) place: Place,
    /// `None` if a mistake in it was noted.
    pub(crate) way: Option<Way>,
    pub(crate) priorities: Vec<Priority>,
    pub(crate) hours: Hours,
    pub(crate) then: Option<Located<String>>,
    pub(crate) unacknowledged_for: Option<Duration>,
}

/// Reads one recipient.
pub(crate) fn read(mut item: Item<'_>, report: &mut Report) -> Option<RecipientItem> {
    if !cfg!(feature = "notify") {
        report.wrong(item.place, item.label.clone(), Wrong::NotBuiltIn { what: "notification", feature: "notify" });
    }
    let name = item.need::<String>("name", report);
    if let Some(name) = &name {
        names::segment(&name.value, "a recipient's name", name.place, &item.key("name"), report);
    }
    let way = way(&mut item, report);
    let priorities = priorities(&mut item, report);
    let hours = read_hours(&mut item, report);
    let wait = item.take::<Duration>("unacknowledged_for", report);
    let then = item.take::<String>("then", report);
    match (item.has("unacknowledged_for"), item.has("then")) {
        (true, false) => {
            let missing = Wrong::MissingKey { key: "then", example: "\"shift-lead\"" };
            report.wrong(item.place_of("unacknowledged_for"), item.key("then"), missing);
        }
        (false, true) => {
            let missing = Wrong::MissingKey { key: "unacknowledged_for", example: "\"10m\"" };
            report.wrong(item.place_of("then"), item.key("unacknowledged_for"), missing);
        }
        (true, true) | (false, false) => {}
    }
    let seconds = |time: Duration| (Duration::from_secs(10)..=Duration::from_secs(86_400)).contains(&time);
    if let Some(time) = wait.as_ref().filter(|time| !seconds(time.value)) {
        let value = crate::config::reader::written(time.value);
        let wrong = Wrong::OutOfRange { value, low: "10s".into(), high: "1d".into() };
        report.wrong(time.place, item.key("unacknowledged_for"), wrong);
    }
    let (label, place) = (item.label.clone(), item.place);
    item.close(report);
    Some(RecipientItem {
        name: name?,
        label,
        place,
        way,
        priorities,
        hours,
        then,
        unacknowledged_for: wait.map(|time| time.value),
    })
}

fn way(item: &mut Item<'_>, report: &mut Report) -> Option<Way> {
    let address = item.take::<String>("email", report);
    let url = item.take::<String>("webhook", report);
    let secret_file = item.take::<String>("secret_file", report);
    let ca = item.take::<String>("ca", report);
    if !item.has("webhook") {
        for key in ["secret_file", "ca"].into_iter().filter(|key| item.has(key)) {
            let wrong = Wrong::KeyHasNoMeaning {
                key,
                of: "a recipient without webhook".into(),
                mend: "remove it; the mail server's certificate authority is ca under [mail]".into(),
            };
            report.wrong(item.place_of(key), item.key(key), wrong);
        }
    }
    match (item.has("email"), item.has("webhook")) {
        (true, true) => {
            report.wrong(item.place_of("webhook"), item.key("webhook"), OfRecipients::TwoWays);
            None
        }
        (false, false) => {
            report.wrong(item.place, item.label.clone(), OfRecipients::NoWay);
            None
        }
        (true, false) => {
            let address = address?;
            match mail_address(&address.value) {
                Ok(()) => Some(Way::Email { address: address.value }),
                Err(why) => {
                    let wrong = OfRecipients::BadMailAddress { address: address.value, why };
                    report.wrong(address.place, item.key("email"), wrong);
                    None
                }
            }
        }
        (false, true) => {
            if !item.has("secret_file") {
                let missing = Wrong::MissingKey { key: "secret_file", example: "\"/etc/lapwing/webhook-secret\"" };
                report.wrong(item.place_of("webhook"), item.key("secret_file"), missing);
            }
            let url = url?;
            let secret_file = PathBuf::from(secret_file?.value);
            match webhook(&url.value) {
                Ok((host, port, path)) => {
                    let ca = ca.map(|file| file.value.into());
                    Some(Way::Webhook(Webhook { host, port, path, secret_file, ca }))
                }
                Err(why) => {
                    report.wrong(url.place, item.key("webhook"), OfRecipients::BadWebhook { url: url.value, why });
                    None
                }
            }
        }
    }
}

/// A mail address as SMTP carries it.
pub(crate) fn mail_address(text: &str) -> Result<(), &'static str> {
    let (local, domain) = text.rsplit_once('@').ok_or("the @ is missing")?;
    let atom = |c: char| c.is_ascii_alphanumeric() || "!#$%&'*+/=?^_`{|}~-".contains(c);
    if local.is_empty() || local.len() > 64 || !local.split('.').all(|part| !part.is_empty() && part.chars().all(atom))
    {
        return Err("what stands before the @ has a character that may not be there");
    }
    let label = |label: &str| {
        !label.is_empty()
            && label.len() <= 63
            && !label.starts_with('-')
            && !label.ends_with('-')
            && label.bytes().all(|byte| byte.is_ascii_alphanumeric() || byte == b'-')
    };
    if domain.len() > 253 || !domain.split('.').all(label) {
        return Err("what stands after the @ is no domain");
    }
    Ok(())
}

/// Host, port and path of an address that begins with `https://`.
fn webhook(url: &str) -> Result<(String, u16, String), String> {
    let rest = url.strip_prefix("https://").ok_or("it begins with https://")?;
    let (authority, path) = match rest.find('/') {
        Some(at) => rest.split_at(at),
        None => (rest, "/"),
    };
    if authority.contains('@') {
        return Err("name and password do not belong into it; the secret signs the message".into());
    }
    let has_port = authority.rsplit_once(':').is_some_and(|(_, port)| !port.contains(']'));
    let whole = if has_port { authority.to_owned() } else { format!("{authority}:443") };
    let (host, port) = host_port(&whole, "").map_err(|_| "host or port is none".to_owned())?;
    // What may stand in a path and a query as it is (RFC 3986 §3.3, §3.4).
    let plain = |byte: u8| byte.is_ascii_alphanumeric() || b"/-._~!$&'()*+,;=:@%?".contains(&byte);
    if !path.bytes().all(plain) {
        return Err("the path has characters that no path may have".into());
    }
    Ok((host, port, path.to_owned()))
}

fn priorities(item: &mut Item<'_>, report: &mut Report) -> Vec<Priority> {
    let listed = item.take::<Vec<Located<String>>>("priorities", report).map(|list| list.value).unwrap_or_default();
    let mut all = Vec::new();
    for word in listed {
        match <Priority as Vocabulary>::from_word(&word.value) {
            Some(priority) if all.contains(&priority) => {}
            Some(priority) => all.push(priority),
            None => {
                let near = nearest(&word.value, PRIORITIES.iter().copied());
                let wrong = Wrong::NotOneOf { value: word.value, near, known: PRIORITIES.to_vec() };
                report.wrong(word.place, item.key("priorities"), wrong);
            }
        }
    }
    all
}

fn read_hours(item: &mut Item<'_>, report: &mut Report) -> Hours {
    let Some(list) = item.take::<Vec<Located<String>>>("hours", report) else { return Hours::always() };
    let mut all = Vec::new();
    if list.value.is_empty() {
        report.wrong(list.place, item.key("hours"), OfRecipients::NoHours);
    }
    for text in list.value {
        match hours::stretches(&text.value) {
            Ok(stretches) => all.extend(stretches),
            Err(why) => report.wrong(text.place, item.key("hours"), OfRecipients::BadHours { text: text.value, why }),
        }
    }
    Hours(all)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn addresses_of_mail() {
        for right in ["shift@saltmarsh.example", "a.b+c@x", "o'neill@m1.saltmarsh.example"] {
            assert_eq!(mail_address(right), Ok(()), "{right}");
        }
        for wrong in
            ["", "shift", "@x", "a@", "a b@x", "a@x y", "a..b@x", "a@-x", "a@x\r\nBcc: b@y", "\"a\"@x", "ä@x", "a@x@"]
        {
            assert!(mail_address(wrong).is_err(), "{wrong:?}");
        }
    }

    #[test]
    fn webhooks_are_https_without_secrets() {
        let right = |url: &str| webhook(url).expect("right");
        assert_eq!(
            right("https://hooks.saltmarsh.example/m1?a=b"),
            ("hooks.saltmarsh.example".into(), 443, "/m1?a=b".into())
        );
        assert_eq!(right("https://[::1]:8443"), ("::1".into(), 8443, "/".into()));
        assert_eq!(right("https://[::1]/a"), ("::1".into(), 443, "/a".into()));
        for wrong in [
            "",
            "http://a/",
            "https://",
            "https:///a",
            "https://u:p@a/",
            "https://a:0/",
            "https://a:99999/",
            "https://a/ b",
            "https://a/\r\nX: y",
            "https://a b/",
            "https://a/#x",
            "HTTPS://a/",
        ] {
            assert!(webhook(wrong).is_err(), "{wrong:?}");
        }
    }
}
