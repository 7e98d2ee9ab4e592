//! Turns SNMP variables into raw values, and answers into the values of the variables asked.
//!
//! Each variable is found by its OID; anything missing, doubled or foreign spoils the answer. A variable the agent does
//! not have spoils only its own point. Knows no time and no agent. Never panics. RFC 2578 §7.1 (types), RFC 3416 §3
//! (noSuchObject, noSuchInstance).

use async_snmp::{Oid, Value, VarBind};
use lapwing_engine::spec::Raw;
use lapwing_protocol::Status;

use super::super::failure::{Failure, Garble};

/// The values of the variables asked, each found by its OID; anything missing, doubled or foreign spoils all.
pub(in crate::field) fn in_order(oids: &[Oid], mut got: Vec<VarBind>) -> Result<Vec<Value>, Failure> {
    let short = |n| u16::try_from(n).unwrap_or(u16::MAX);
    if got.len() != oids.len() {
        return Err(Failure::Garbled(Garble::Length { asked: short(oids.len()), got: short(got.len()) }));
    }
    let take = |oid: &Oid| {
        let at = got.iter().position(|bound| bound.oid == *oid).ok_or(Failure::Garbled(Garble::Header))?;
        // Agents answer in the order asked: it is the first one, and the rest keep theirs.
        Ok(got.remove(at).value)
    };
    oids.iter().map(take).collect()
}

/// The raw value of a variable.
pub(in crate::field) fn raw(value: &Value) -> Raw {
    let misfit = Raw::Fault(Status::BAD_CONFIGURATION_ERROR);
    match value {
        Value::Integer(number) => Raw::Whole(i64::from(*number)),
        Value::Counter32(number) | Value::Gauge32(number) | Value::UInteger32(number) | Value::TimeTicks(number) => {
            Raw::Whole(i64::from(*number))
        }
        Value::Counter64(number) => i64::try_from(*number).map_or(Raw::Fault(Status::BAD_OUT_OF_RANGE), Raw::Whole),
        Value::OctetString(bytes) => text(bytes).unwrap_or(misfit),
        Value::Opaque(bytes) => floating(bytes).unwrap_or(misfit),
        Value::NoSuchObject | Value::NoSuchInstance | Value::EndOfMibView => Raw::Fault(Status::BAD_NOT_FOUND),
        // Everything that is no number and no text.
        _ => misfit,
    }
}

/// Text of 1 to 16 bytes, two a register, the last filled up with a zero byte.
pub(super) fn text(bytes: &[u8]) -> Option<Raw> {
    let mut words = [0; 8];
    let pairs = bytes.chunks(2);
    let len = u8::try_from(pairs.len()).ok().filter(|len| (1..=8).contains(len))?;
    for (word, pair) in words.iter_mut().zip(pairs) {
        *word = u16::from_be_bytes([pair[0], pair.get(1).copied().unwrap_or(0)]);
    }
    Some(Raw::Words { words, len, scale_factor: 0 })
}

/// A floating number wrapped in Opaque, as agents commonly do: 9F 78 04 and four bytes, or 9F 79 08 and eight
/// (common practice; an Internet-Draft never made a standard, from memory).
pub(super) fn floating(bytes: &[u8]) -> Option<Raw> {
    let number = match bytes.split_first_chunk::<3>()? {
        ([0x9F, 0x78, 4], rest) => f64::from(f32::from_be_bytes(rest.try_into().ok()?)),
        ([0x9F, 0x79, 8], rest) => f64::from_be_bytes(rest.try_into().ok()?),
        _ => return None,
    };
    Some(Raw::Real(number))
}
