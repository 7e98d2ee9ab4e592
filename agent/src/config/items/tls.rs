//! TLS of one `[[link]]`: `ca`, `client_certificate`, `client_key`, `server_name`, and the address they belong to.
//!
//! Paths only: the files are read when the link connects, so that a renewed certificate needs no restart. Never panics.

use crate::config::address::host_port;
use crate::config::mistake::Report;
use crate::config::reader::Item;
use crate::config::wrong::Wrong;
use crate::plan::{Tls, Transport};

use super::link::meaningless;

/// Kinds of link that speak TLS.
const KINDS: [&str; 2] = ["modbus_tls", "redfish"];

/// The files of a link that speaks TLS; `None` if it does not, or a mistake was noted.
pub(super) fn read(item: &mut Item<'_>, kind: Option<&str>, report: &mut Report) -> Option<Tls> {
    for key in ["ca", "client_certificate", "client_key", "server_name"] {
        meaningless(item, key, kind, &KINDS, report);
    }
    let authority = item.take::<String>("ca", report);
    let chain = item.take::<String>("client_certificate", report);
    let key = item.take::<String>("client_key", report);
    let name = item.take::<String>("server_name", report);
    if let Some(name) = &name
        && rustls::pki_types::ServerName::try_from(name.value.as_str()).is_err()
    {
        let why = "it is neither a DNS name nor an IP address".into();
        let wrong = Wrong::BadAddress { address: name.value.clone(), why, example: "\"gateway-1.plant.example\"" };
        report.wrong(name.place, item.key("server_name"), wrong);
        return None;
    }
    let of_tls = kind.is_some_and(|kind| KINDS.contains(&kind));
    if !of_tls {
        return None;
    }
    let client = match (chain, key) {
        (Some(chain), Some(key)) => Some((chain.value.into(), key.value.into())),
        (None, None) => None,
        (chain, key) => {
            let (missing, example) = if chain.is_some() {
                ("client_key", "\"/etc/lapwing/field.key\"")
            } else {
                ("client_certificate", "\"/etc/lapwing/field.pem\"")
            };
            let place = chain.or(key).map_or(item.place, |there| there.place);
            report.wrong(place, item.key(missing), Wrong::MissingKey { key: missing, example });
            return None;
        }
    };
    match authority {
        Some(authority) => Some(Tls { ca: authority.value.into(), server_name: name.map(|name| name.value), client }),
        // A value of the wrong type has been told already.
        None if item.has("ca") => None,
        None => {
            let example = "\"/etc/lapwing/field-ca.pem\"";
            report.wrong(item.place, item.key("ca"), Wrong::MissingKey { key: "ca", example });
            None
        }
    }
}

/// Modbus inside TLS.
pub(super) fn modbus(address: &str, tls: Tls) -> Result<Transport, Wrong> {
    let (host, port) = host_port(address, "\"192.0.2.10:802\"")?;
    Ok(Transport::ModbusTls { host, port, tls })
}
