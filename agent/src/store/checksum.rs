//! Checksums of rows: a bit that flipped on a disk makes no event, announcement or alarm state another one.
//!
//! SQLite checks its structure and its write-ahead log, not the content of the file. CRC-32 (IEEE 802.3, ISO 3309) over
//! the fields of a row, each with its length before it, finds every single flipped bit and every burst up to 32 bits.
//! Rows of schema 1 have none and are taken as they are. No I/O, no time, no panics.

use crc::{CRC_32_ISO_HDLC, Crc, Digest};

const CRC: Crc<u32> = Crc::<u32>::new(&CRC_32_ISO_HDLC);

/// Of an event.
pub(super) fn event(row: u64, t_ms: i64, kind: &str, payload: &[u8]) -> u32 {
    let mut digest = CRC.digest();
    digest.update(&row.to_le_bytes());
    digest.update(&t_ms.to_le_bytes());
    field(&mut digest, kind.as_bytes());
    field(&mut digest, payload);
    digest.finalize()
}

/// Of an announcement that waits.
pub(super) fn announcement(id: u64, topic: &str, payload: &[u8]) -> u32 {
    let mut digest = CRC.digest();
    digest.update(&id.to_le_bytes());
    field(&mut digest, topic.as_bytes());
    field(&mut digest, payload);
    digest.finalize()
}

/// Of a telling that waits.
pub(super) fn telling(row: u64, recipient: &str, due_ms: i64, after_ms: u64, further: bool) -> u32 {
    let mut digest = CRC.digest();
    digest.update(&row.to_le_bytes());
    field(&mut digest, recipient.as_bytes());
    digest.update(&due_ms.to_le_bytes());
    digest.update(&after_ms.to_le_bytes());
    digest.update(&[u8::from(further)]);
    digest.finalize()
}

/// Of an alarm's saved state.
pub(super) fn alarm(id: &str, alarm_digest: u64, state: &[u8]) -> u32 {
    let mut digest = CRC.digest();
    field(&mut digest, id.as_bytes());
    digest.update(&alarm_digest.to_le_bytes());
    field(&mut digest, state);
    digest.finalize()
}

/// Of a point's number.
pub(super) fn point(id: u32, path: &str, quantity: &str, unit: &str, exponent: i8) -> u32 {
    let mut digest = CRC.digest();
    digest.update(&id.to_le_bytes());
    for text in [path, quantity, unit] {
        field(&mut digest, text.as_bytes());
    }
    digest.update(&exponent.to_le_bytes());
    digest.finalize()
}

/// Of a log's place.
pub(super) fn log(id: &str, base: u64) -> u32 {
    let mut digest = CRC.digest();
    field(&mut digest, id.as_bytes());
    digest.update(&base.to_le_bytes());
    digest.finalize()
}

fn field(digest: &mut Digest<'_, u32>, bytes: &[u8]) {
    digest.update(&(bytes.len() as u64).to_le_bytes());
    digest.update(bytes);
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_flipped_bit_and_every_shifted_border_is_seen() {
        let whole = event(7, 1000, "alarm", b"{\"value\":21.6}");
        let mut payload = b"{\"value\":21.6}".to_vec();
        for at in 0..payload.len() * 8 {
            payload[at / 8] ^= 1 << (at % 8);
            assert_ne!(event(7, 1000, "alarm", &payload), whole, "bit {at}");
            payload[at / 8] ^= 1 << (at % 8);
        }
        assert_ne!(event(8, 1000, "alarm", &payload), whole);
        assert_ne!(announcement(1, "ab", b"c"), announcement(1, "a", b"bc"));
        assert_ne!(alarm("a", 1, b"x"), alarm("a", 2, b"x"));
        assert_ne!(point(1, "a", "b", "c", 0), point(1, "a", "b", "c", 1));
        assert_ne!(log("a", 1), log("a", 2));
    }
}
