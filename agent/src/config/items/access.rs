//! In whose name an SNMP agent is asked: a link's `version`, community, or user with passwords.
//!
//! Secrets stand in files of their own; their bytes end at the first line's end. What is weak is allowed, because old
//! cards know nothing better, and is a finding. Passwords have at least 8 octets (RFC 3414 §11.2). Never panics.

use crate::config::mistake::Report;
use crate::config::reader::Item;
use crate::config::source::Located;
use crate::config::wrong::Wrong;
use crate::plan::snmp::{Access, AuthProtocol, PrivacyProtocol, Secret, User};

use super::link::{meaningless, word};

/// Versions of SNMP.
pub(crate) const VERSIONS: &[&str] = &["1", "2c", "3"];
/// Authentication protocols, weakest first.
pub(crate) const AUTH: &[&str] = &["md5", "sha1", "sha224", "sha256", "sha384", "sha512"];
/// Privacy protocols, weakest first.
pub(crate) const PRIVACY: &[&str] = &["none", "des", "aes128", "aes192", "aes192-reeder", "aes256", "aes256-reeder"];

const COMMUNITY_KEYS: [&str; 2] = ["community", "community_file"];
const USER_KEYS: [&str; 5] = ["user", "auth", "auth_password_file", "priv", "priv_password_file"];

/// Reads the keys of a link of some kind; what another kind has no use for is noted.
pub(super) fn read(item: &mut Item<'_>, kind: Option<&str>, report: &mut Report) -> Access {
    for key in ["version"].into_iter().chain(COMMUNITY_KEYS).chain(USER_KEYS) {
        meaningless(item, key, kind, if key == "user" { &["snmp", "redfish"] } else { &["snmp"] }, report);
    }
    let version = word(item, "version", VERSIONS, report).unwrap_or("2c");
    if kind == Some("snmp") {
        let (others, of, mend) = if version == "3" {
            (&COMMUNITY_KEYS[..], "version 3", "remove it; version 3 has a user")
        } else {
            (&USER_KEYS[..], "versions 1 and 2c", "write version = \"3\", or remove it")
        };
        for key in others.iter().copied().filter(|key| item.has(key)) {
            let wrong = Wrong::KeyHasNoMeaning { key, of: of.into(), mend: mend.into() };
            report.wrong(item.place_of(key), item.key(key), wrong);
        }
    }
    if version == "3" && kind == Some("snmp") {
        let _told = (item.take::<String>("community", report), item.take::<String>("community_file", report));
        return Access::User(user(item, report));
    }
    let community = community(item, report);
    for key in USER_KEYS {
        let _told = item.take::<String>(key, report);
    }
    if version == "1" && kind == Some("snmp") {
        let what =
            "SNMP version 1 knows neither user nor 64-bit counters, and one missing variable fails a whole request";
        report.finding(
            item.place_of("version"),
            item.key("version"),
            Wrong::WeakAccess {
                what: what.into(),
                mend: "use version = \"3\", or at least \"2c\", as soon as the card can",
            },
        );
    }
    Access::Community { version_1: version == "1", community }
}

fn user(item: &mut Item<'_>, report: &mut Report) -> User {
    let name = item.need::<String>("user", report);
    // RFC 3414 §5: usmUserName has 1 to 32 octets.
    if let Some(bad) = name.as_ref().filter(|name| !(1..=32).contains(&name.value.len())) {
        let why = "it has 1 to 32 octets".to_string();
        report.wrong(
            bad.place,
            item.key("user"),
            Wrong::BadName { name: bad.value.clone(), what: "an SNMP user", why },
        );
    }
    let auth = word(item, "auth", AUTH, report).unwrap_or("sha256");
    let auth = AuthProtocol::WORDS.into_iter().find(|(word, _)| *word == auth).map_or(AuthProtocol::Sha256, |(_, p)| p);
    if auth.is_weak() {
        let what = format!("{} is no longer thought safe for authentication", item.text("auth"));
        let mend = "use auth = \"sha256\" or better as soon as the card can";
        report.finding(item.place_of("auth"), item.key("auth"), Wrong::WeakAccess { what, mend });
    }
    let auth_password = password(item, "auth_password_file", true, report);
    let privacy = word(item, "priv", PRIVACY, report).unwrap_or("aes128");
    let protocol = PrivacyProtocol::WORDS.into_iter().find(|(word, _)| *word == privacy).map(|(_, protocol)| protocol);
    let weak = match protocol {
        None => Some("readings cross the network unencrypted"),
        Some(PrivacyProtocol::Des) => Some("DES is no longer thought safe for encryption"),
        Some(
            PrivacyProtocol::Aes128
            | PrivacyProtocol::Aes192
            | PrivacyProtocol::Aes192Reeder
            | PrivacyProtocol::Aes256
            | PrivacyProtocol::Aes256Reeder,
        ) => None,
    };
    if let Some(what) = weak {
        let mend = "use priv = \"aes128\" or better as soon as the card can";
        report.finding(item.place_of("priv"), item.key("priv"), Wrong::WeakAccess { what: what.into(), mend });
    }
    if protocol.is_none() && item.has("priv_password_file") {
        let wrong = Wrong::KeyHasNoMeaning {
            key: "priv_password_file",
            of: "a user without encryption".into(),
            mend: "remove it, or choose a priv".into(),
        };
        report.wrong(item.place_of("priv_password_file"), item.key("priv_password_file"), wrong);
    }
    let privacy_password = password(item, "priv_password_file", protocol.is_some(), report);
    User {
        name: name.map(|name| name.value).unwrap_or_default(),
        auth: (auth, auth_password),
        privacy: protocol.map(|protocol| (protocol, privacy_password)),
    }
}

fn password(item: &mut Item<'_>, key: &'static str, needed: bool, report: &mut Report) -> Secret {
    let file =
        if needed { item.need::<String>(key, report) } else { item.take::<String>(key, report).filter(|_| false) };
    let Some(file) = file else { return Secret::default() };
    let Some(secret) = secret(&file, item, key, report) else { return Secret::default() };
    if secret.len() < 8 {
        let why = "a password has at least 8 octets (RFC 3414 §11.2)".to_string();
        report.wrong(file.place, item.key(key), Wrong::Unreadable { what: file.value, why });
    }
    secret.into()
}

fn community(item: &mut Item<'_>, report: &mut Report) -> Secret {
    let plain = item.take::<String>("community", report);
    let file = item.take::<String>("community_file", report);
    match (plain, file) {
        (Some(_), Some(file)) => {
            let mend = "keep one of community and community_file".to_string();
            report.wrong(
                file.place,
                item.key("community_file"),
                Wrong::KeyHasNoMeaning { key: "community_file", of: "a link with a community".into(), mend },
            );
            Secret::default()
        }
        (Some(plain), None) => plain.value.into(),
        (None, Some(file)) => secret(&file, item, "community_file", report).unwrap_or_default().into(),
        (None, None) => "public".into(),
    }
}

fn secret(file: &Located<String>, item: &Item<'_>, key: &str, report: &mut Report) -> Option<String> {
    match std::fs::read_to_string(&file.value) {
        Ok(text) => Some(text.lines().next().unwrap_or_default().to_string()),
        Err(why) => {
            let wrong = Wrong::Unreadable { what: file.value.clone(), why: why.to_string() };
            report.wrong(file.place, item.key(key), wrong);
            None
        }
    }
}
