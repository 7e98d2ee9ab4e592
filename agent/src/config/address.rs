//! Addresses as configuration writes them: host and port, register, register range, OID.
//!
//! Syntax only: nothing is resolved or opened, so a configuration may name what is not there yet. Register addresses are
//! the wire addresses of MODBUS Application Protocol V1.1b3 §4.4, 0 to 65535; a device with `base = 1` counts from 1.
//! Never panics.

use crate::plan::Table;

use super::wrong::Wrong;

/// Reads `host:port`, `1.2.3.4:502`, `[::1]:502`.
pub(crate) fn host_port(text: &str, example: &'static str) -> Result<(String, u16), Wrong> {
    let bad = |why: &str| Wrong::BadAddress { address: text.to_string(), why: why.to_string(), example };
    let (host, port) = text.rsplit_once(':').ok_or_else(|| bad("the port is missing"))?;
    let host = match host.strip_prefix('[') {
        Some(inner) => {
            let inner = inner.strip_suffix(']').ok_or_else(|| bad("the bracket is not closed"))?;
            inner.parse::<std::net::Ipv6Addr>().map_err(|_| bad("what is in the brackets is no IPv6 address"))?;
            inner
        }
        None if host.contains(':') => return Err(bad("an IPv6 address needs brackets")),
        None => host,
    };
    if host.is_empty() {
        return Err(bad("the host is missing"));
    }
    if !host.contains(':') {
        host_name(host).map_err(bad)?;
    }
    let digits = port.bytes().all(|byte| byte.is_ascii_digit());
    let port = port
        .parse::<u16>()
        .ok()
        .filter(|port| *port > 0 && digits)
        .ok_or_else(|| bad("the port is no number from 1 to 65535"))?;
    Ok((host.to_string(), port))
}

/// A host name (RFC 1123 §2.1) or an IPv4 address.
fn host_name(host: &str) -> Result<(), &'static str> {
    if host.bytes().all(|byte| byte.is_ascii_digit() || byte == b'.') {
        return host
            .parse::<std::net::Ipv4Addr>()
            .map(|_| ())
            .map_err(|_| "four numbers from 0 to 255 make an IPv4 address");
    }
    let label = |label: &str| {
        !label.is_empty()
            && label.len() <= 63
            && !label.starts_with('-')
            && !label.ends_with('-')
            && label.bytes().all(|byte| byte.is_ascii_alphanumeric() || byte == b'-' || byte == b'_')
    };
    if host.len() <= 253 && host.split('.').all(label) {
        Ok(())
    } else {
        Err("the host name has a character that none may have")
    }
}

/// A register: table and address as written, before the device's base is taken off.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Register {
    /// Table.
    pub(crate) table: Table,
    /// Address as written.
    pub(crate) address: u32,
}

impl std::fmt::Display for Register {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}:{}", table_word(self.table), self.address)
    }
}

/// The word for a table.
pub(crate) const fn table_word(table: Table) -> &'static str {
    match table {
        Table::Coil => "coil",
        Table::Discrete => "discrete",
        Table::Holding => "holding",
        Table::Input => "input",
    }
}

/// Whether a table holds single bits.
pub(crate) const fn of_bits(table: Table) -> bool {
    matches!(table, Table::Coil | Table::Discrete)
}

/// Reads `holding:0`. Addresses up to 65536 pass: what they mean depends on the device's base.
pub(crate) fn register(text: &str) -> Result<Register, Wrong> {
    let bad = |why: &str| Wrong::BadRegister { register: text.to_string(), why: why.to_string() };
    let (table, address) = text.split_once(':').ok_or_else(|| bad("table and address are not separated by a colon"))?;
    Ok(Register {
        table: table_of(table).ok_or_else(|| bad("unknown table"))?,
        address: number(address).ok_or_else(|| bad("no address"))?,
    })
}

/// Reads `holding:100-119` or `holding:100`: table, first and last address as written.
pub(crate) fn range(text: &str) -> Result<(Table, u32, u32), Wrong> {
    let bad = |why: &str| Wrong::BadRegister { register: text.to_string(), why: why.to_string() };
    let (table, span) = text.split_once(':').ok_or_else(|| bad("table and address are not separated by a colon"))?;
    let table = table_of(table).ok_or_else(|| bad("unknown table"))?;
    let (first, last) = span.split_once('-').unwrap_or((span, span));
    match (number(first), number(last)) {
        (Some(first), Some(last)) if first <= last => Ok((table, first, last)),
        (Some(_), Some(_)) => Err(bad("the range runs backwards")),
        _ => Err(bad("no address")),
    }
}

fn table_of(word: &str) -> Option<Table> {
    [Table::Coil, Table::Discrete, Table::Holding, Table::Input].into_iter().find(|table| table_word(*table) == word)
}

fn number(text: &str) -> Option<u32> {
    let digits = !text.is_empty() && text.bytes().all(|byte| byte.is_ascii_digit());
    text.parse::<u32>().ok().filter(|n| digits && *n <= 65_536)
}

/// Reads a whole OID in digits; a leading dot is accepted. RFC 2578 §3.5: at most 128 parts, each below 2^32, the first
/// 0 to 2, the second below 40 under 0 and 1.
pub(crate) fn oid(text: &str) -> Result<Vec<u32>, Wrong> {
    let bad = |why: &'static str| Wrong::BadOid { oid: text.to_string(), why };
    let digits = text.strip_prefix('.').unwrap_or(text);
    let parts: Option<Vec<u32>> = digits
        .split('.')
        .map(|part| part.parse::<u32>().ok().filter(|_| part.bytes().all(|byte| byte.is_ascii_digit())))
        .collect();
    let parts = parts.ok_or_else(|| bad("its parts are numbers between dots"))?;
    match parts.as_slice() {
        [] | [_] => Err(bad("it has fewer than two parts")),
        [first, ..] if *first > 2 => Err(bad("its first part is 0, 1 or 2")),
        [0 | 1, second, ..] if *second > 39 => Err(bad("its second part is below 40")),
        parts if parts.len() > 128 => Err(bad("it has more than 128 parts")),
        _ => Ok(parts),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn addresses() {
        let read = |text: &str| host_port(text, "\"host:502\"");
        assert_eq!(read("127.0.0.1:502"), Ok(("127.0.0.1".into(), 502)));
        assert_eq!(read("plant-1.m1.example:502"), Ok(("plant-1.m1.example".into(), 502)));
        assert_eq!(read("[::1]:502"), Ok(("::1".into(), 502)));
        for text in [
            "127.0.0.1",
            "",
            ":502",
            "127.0.0.1:",
            "127.0.0.1:0",
            "127.0.0.1:65536",
            "127.0.0.1:x",
            "300.0.0.1:502",
            "127.0.0:502",
            "::1:502",
            "[::1:502",
            "[zz]:502",
            "a b:502",
            "-a:502",
            "host:+5",
            "tcp://host:502",
            "hö:1",
        ] {
            assert!(matches!(read(text), Err(Wrong::BadAddress { .. })), "{text}");
        }
    }

    #[test]
    fn registers() {
        assert_eq!(register("holding:0"), Ok(Register { table: Table::Holding, address: 0 }));
        assert_eq!(register("coil:65535"), Ok(Register { table: Table::Coil, address: 65_535 }));
        for text in [
            "",
            "holding",
            "holding:",
            "holding:-1",
            "holding:0x10",
            "holdings:1",
            "Holding:1",
            "holding:65537",
            "40001",
            "holding:1 ",
            "holding:+1",
        ] {
            assert!(matches!(register(text), Err(Wrong::BadRegister { .. })), "{text}");
        }
        assert_eq!(range("input:10-19"), Ok((Table::Input, 10, 19)));
        assert_eq!(range("input:10"), Ok((Table::Input, 10, 10)));
        assert!(range("input:19-10").is_err() && range("input:1-").is_err() && range("input:-").is_err());
    }

    #[test]
    fn oids() {
        assert_eq!(oid("1.3.6.1.2.1.33.1.2.1.0"), Ok(vec![1, 3, 6, 1, 2, 1, 33, 1, 2, 1, 0]));
        assert_eq!(oid(".1.3"), Ok(vec![1, 3]));
        for text in
            ["", "1", "1.", "1..3", "1.3.x", "upsBatteryStatus.0", "3.1", "1.40", "1.3.4294967296", "1.3.-1", "..1.3"]
        {
            assert!(oid(text).is_err(), "{text}");
        }
    }

    proptest::proptest! {
        #[test]
        fn any_text_is_answered(text in ".{0,24}") {
            let _ = (host_port(&text, ""), register(&text), range(&text), oid(&text));
        }
    }
}
