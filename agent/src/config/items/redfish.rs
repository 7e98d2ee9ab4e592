//! Redfish of a link (`user`, `password_file`) and of a point (resource and JSON pointer).
//!
//! The password stays in its file until the link connects. Paths by DMTF DSP0266 (services live below `/redfish/v1`),
//! pointers by RFC 6901 in the fragment form of §6 without percent signs. Never panics.

use std::path::PathBuf;

use crate::config::address::host_port;
use crate::config::mistake::Report;
use crate::config::reader::Item;
use crate::config::wrong::Wrong;
use crate::plan::{Redfish, Tls, Transport};

use super::link::meaningless;

/// In whose name a service is asked.
pub(super) struct Name {
    user: String,
    password_file: PathBuf,
}

/// The user of a Redfish link; `None` if it is none, or a mistake was noted.
pub(super) fn read(item: &mut Item<'_>, kind: Option<&str>, report: &mut Report) -> Option<Name> {
    meaningless(item, "password_file", kind, &["redfish"], report);
    if kind != Some("redfish") {
        let _told = item.take::<String>("password_file", report);
        return None;
    }
    if !cfg!(feature = "redfish") {
        let wrong = Wrong::NotBuiltIn { what: "Redfish", feature: "redfish" };
        report.wrong(item.place_of("redfish"), item.key("redfish"), wrong);
    }
    let user = item.need::<String>("user", report);
    let password_file = item.need::<String>("password_file", report);
    let user = user?;
    // RFC 7617 §2: the first colon ends the user.
    if user.value.is_empty() || user.value.contains(':') || user.value.chars().any(char::is_control) {
        let why = "it is not empty and has neither colon nor control characters".to_string();
        report.wrong(
            user.place,
            item.key("user"),
            Wrong::BadName { name: user.value.clone(), what: "a Redfish user", why },
        );
    }
    Some(Name { user: user.value, password_file: password_file?.value.into() })
}

/// A Redfish service.
pub(super) fn transport(address: &str, tls: Tls, name: Name) -> Result<Transport, Wrong> {
    let (host, port) = host_port(address, "\"192.0.2.30:443\"")?;
    let Name { user, password_file } = name;
    Ok(Transport::Redfish(Redfish { host, port, tls, user, password_file }))
}

/// Resource and pointer of a point.
pub(super) fn place(text: &str) -> Result<(String, String), Wrong> {
    let bad = |why| Wrong::BadResource { resource: text.to_string(), why };
    let (resource, pointer) = text.split_once('#').ok_or_else(|| bad("the pointer after # is missing"))?;
    if resource != "/redfish/v1" && !resource.starts_with("/redfish/v1/") {
        return Err(bad("resources live below /redfish/v1"));
    }
    // What may stand in a path as it is (RFC 3986 §3.3): nothing to encode, nothing to be misread.
    let plain = |byte: u8| byte.is_ascii_alphanumeric() || b"/-._~!$&'()*+,;=:@%".contains(&byte);
    if !resource.bytes().all(plain) || resource.contains("..") {
        return Err(bad("the path has characters that no path may have"));
    }
    if !pointer.starts_with('/') {
        return Err(bad("the pointer begins with /"));
    }
    // RFC 6901 §3: a tilde is written ~0, a slash in a name ~1.
    let broken = pointer.split('~').skip(1).any(|rest| !rest.starts_with(['0', '1']));
    if broken || pointer.chars().any(char::is_control) {
        return Err(bad("in a pointer ~ is written ~0, and / in a name ~1"));
    }
    Ok((resource.to_owned(), pointer.to_owned()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn resource_and_pointer_are_told_apart() {
        let right = place("/redfish/v1/Chassis/1/Thermal#/Temperatures/0/ReadingCelsius").expect("right");
        assert_eq!(right, ("/redfish/v1/Chassis/1/Thermal".into(), "/Temperatures/0/ReadingCelsius".into()));
        for wrong in [
            "",
            "/redfish/v1/Chassis/1/Thermal",
            "/redfish/v2/Chassis#/a",
            "https://10.0.0.1/redfish/v1/Chassis#/a",
            "/redfish/v1/Chassis 1#/a",
            "/redfish/v1/../secret#/a",
            "/redfish/v1/Chassis\r\nHost: x#/a",
            "/redfish/v1/Chassis#a",
            "/redfish/v1/Chassis#/a~2",
            "/redfish/v1/Chassis#/a~",
        ] {
            assert!(place(wrong).is_err(), "{wrong}");
        }
    }
}
