//! Bytes of the history: variable-length numbers, columns of integers, checksums.
//!
//! Knows neither points nor times. A number is LEB128 (seven bits a byte, lowest first); a signed one is zigzag first. A
//! column is `0` and one number when all are equal, else `1`, a length and a stand-alone pco file, which the published
//! pco library reads. A sealed piece ends with CRC-32/ISCSI of its name and its bytes, lowest byte first: a piece that lies
//! under another's name is damaged too. Every decoder checks before it believes; never panics.

use crc::{CRC_32_ISCSI, Crc};
use pco::{ChunkConfig, DeltaSpec, ModeSpec};

const CRC: Crc<u32> = Crc::<u32>::new(&CRC_32_ISCSI);

/// Most numbers a column may announce: a day of readings ten times a second.
const COLUMN_MAX: usize = 1 << 20;

/// Why a piece of history cannot be used.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Damage {
    /// It ends too early.
    #[error("it ends too early")]
    Short,
    /// The checksum does not fit.
    #[error("its checksum does not fit")]
    Checksum,
    /// Something in it contradicts the rest.
    #[error("it contradicts itself: {0}")]
    Invalid(&'static str),
    /// A column cannot be unpacked.
    #[error("a column cannot be unpacked")]
    Column,
}

/// Appends a number.
pub(super) fn put(out: &mut Vec<u8>, mut number: u64) {
    while number >= 0x80 {
        out.push((number & 0x7f) as u8 | 0x80);
        number >>= 7;
    }
    out.push((number & 0x7f) as u8);
}

/// Appends a signed number.
pub(super) fn put_signed(out: &mut Vec<u8>, number: i64) {
    put(out, zigzag(number));
}

const fn zigzag(number: i64) -> u64 {
    ((number << 1) ^ (number >> 63)).cast_unsigned()
}

/// Reads what was appended.
#[derive(Clone, Copy, Debug)]
pub(super) struct Bytes<'a> {
    rest: &'a [u8],
}

impl<'a> Bytes<'a> {
    pub(super) const fn new(rest: &'a [u8]) -> Self {
        Self { rest }
    }

    pub(super) const fn is_empty(&self) -> bool {
        self.rest.is_empty()
    }

    #[inline]
    pub(super) fn byte(&mut self) -> Result<u8, Damage> {
        let (first, rest) = self.rest.split_first().ok_or(Damage::Short)?;
        self.rest = rest;
        Ok(*first)
    }

    #[inline]
    pub(super) fn number(&mut self) -> Result<u64, Damage> {
        let first = self.byte()?;
        if first < 0x80 {
            return Ok(u64::from(first));
        }
        let mut number = u64::from(first & 0x7f);
        for shift in (7..70).step_by(7) {
            let byte = self.byte()?;
            if shift == 63 && byte > 1 {
                return Err(Damage::Invalid("a number of more than 64 bits"));
            }
            number |= u64::from(byte & 0x7f) << shift;
            if byte < 0x80 {
                return Ok(number);
            }
        }
        Err(Damage::Invalid("a number without end"))
    }

    #[inline]
    pub(super) fn signed(&mut self) -> Result<i64, Damage> {
        let number = self.number()?;
        Ok((number >> 1).cast_signed() ^ -((number & 1).cast_signed()))
    }

    /// A number that fits 32 bits.
    pub(super) fn small(&mut self) -> Result<u32, Damage> {
        u32::try_from(self.number()?).map_err(|_| Damage::Invalid("a number of more than 32 bits"))
    }

    /// How many things follow that take at least a byte each.
    pub(super) fn count(&mut self) -> Result<usize, Damage> {
        let count = usize::try_from(self.number()?).map_err(|_| Damage::Short)?;
        if count > self.rest.len() { Err(Damage::Short) } else { Ok(count) }
    }

    pub(super) fn take(&mut self, count: usize) -> Result<&'a [u8], Damage> {
        let (taken, rest) = self.rest.split_at_checked(count).ok_or(Damage::Short)?;
        self.rest = rest;
        Ok(taken)
    }

    /// A column of exactly `count` numbers.
    pub(super) fn column(&mut self, count: usize) -> Result<Vec<i64>, Damage> {
        if count > COLUMN_MAX {
            return Err(Damage::Invalid("a column of too many numbers"));
        }
        match self.byte()? {
            0 => Ok(vec![self.signed()?; count]),
            1 => {
                let bytes = self.count()?;
                unpack(self.take(bytes)?, count)
            }
            _ => Err(Damage::Invalid("a column of an unknown kind")),
        }
    }
}

/// Appends a column; its reader must know how many numbers it has.
pub(super) fn put_column(out: &mut Vec<u8>, numbers: &[i64]) {
    let first = numbers.first().copied().unwrap_or(0);
    if numbers.iter().all(|number| *number == first) {
        out.push(0);
        put_signed(out, first);
        return;
    }
    out.push(1);
    let packed = pack(numbers);
    put(out, packed.len() as u64);
    out.extend_from_slice(&packed);
}

/// The smaller of two fixed ways: the numbers as they are, and their differences. Trying both costs microseconds and beats
/// the library's own guess, which looks at a sample.
fn pack(numbers: &[i64]) -> Vec<u8> {
    let config = ChunkConfig::default().with_mode_spec(ModeSpec::Classic);
    let with = |delta| {
        pco::standalone::simple_compress(numbers, &config.clone().with_delta_spec(delta))
            .expect("invariant: a fixed classic specification is valid for any integers")
    };
    let (plain, differences) = (with(DeltaSpec::NoOp), with(DeltaSpec::TryConsecutive(1)));
    if differences.len() < plain.len() { differences } else { plain }
}

fn unpack(bytes: &[u8], count: usize) -> Result<Vec<i64>, Damage> {
    let mut numbers = vec![0_i64; count];
    let progress = pco::standalone::simple_decompress_into(bytes, &mut numbers).map_err(|_| Damage::Column)?;
    if progress.n_processed == count && progress.finished { Ok(numbers) } else { Err(Damage::Column) }
}

/// Checksum of bytes under a name.
pub(super) fn checksum(name: u64, bytes: &[u8]) -> u32 {
    let mut digest = CRC.digest();
    digest.update(&name.to_le_bytes());
    digest.update(bytes);
    digest.finalize()
}

/// Closes a piece with its checksum.
pub(super) fn seal(name: u64, mut bytes: Vec<u8>) -> Vec<u8> {
    let sum = checksum(name, &bytes);
    bytes.extend_from_slice(&sum.to_le_bytes());
    bytes
}

/// What a sealed piece holds, if it is whole and lies under its own name.
pub(super) fn unseal(name: u64, sealed: &[u8]) -> Result<Bytes<'_>, Damage> {
    let (bytes, sum) = sealed.split_last_chunk::<4>().ok_or(Damage::Short)?;
    if checksum(name, bytes) == u32::from_le_bytes(*sum) { Ok(Bytes::new(bytes)) } else { Err(Damage::Checksum) }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        #[test]
        fn numbers_come_back(number: u64, signed: i64) {
            let mut out = Vec::new();
            put(&mut out, number);
            put_signed(&mut out, signed);
            let mut bytes = Bytes::new(&out);
            prop_assert_eq!(bytes.number(), Ok(number));
            prop_assert_eq!(bytes.signed(), Ok(signed));
            prop_assert!(bytes.is_empty());
        }

        #[test]
        fn columns_come_back(numbers in proptest::collection::vec(any::<i64>(), 0..400), small in proptest::collection::vec(-5_i64..5, 0..3000)) {
            for column in [numbers, small] {
                let mut out = Vec::new();
                put_column(&mut out, &column);
                let mut bytes = Bytes::new(&out);
                prop_assert_eq!(bytes.column(column.len()), Ok(column));
                prop_assert!(bytes.is_empty());
            }
        }

        #[test]
        fn whatever_bytes_come_nothing_panics(noise in proptest::collection::vec(any::<u8>(), 0..60), count in 0_usize..2000) {
            let mut bytes = Bytes::new(&noise);
            let _any = bytes.column(count);
            let _any = bytes.signed();
        }
    }

    #[test]
    fn every_flipped_bit_and_every_missing_byte_is_seen() {
        let mut piece = Vec::new();
        put_column(&mut piece, &(0..300).map(|n| n * n % 17).collect::<Vec<i64>>());
        let sealed = seal(7, piece);
        assert!(unseal(7, &sealed).is_ok());
        assert_eq!(unseal(8, &sealed).err(), Some(Damage::Checksum), "under another's name");
        for bit in 0..sealed.len() * 8 {
            let mut bad = sealed.clone();
            bad[bit / 8] ^= 1 << (bit % 8);
            assert!(unseal(7, &bad).is_err(), "bit {bit}");
        }
        for length in 0..sealed.len() {
            assert!(unseal(7, &sealed[..length]).is_err(), "{length} bytes");
        }
    }

    #[test]
    fn a_damaged_column_without_its_seal_is_an_error_or_other_numbers_never_a_panic() {
        let column: Vec<i64> = (0..500).map(|n| 200 + n % 7).collect();
        let mut out = Vec::new();
        put_column(&mut out, &column);
        for bit in 0..out.len() * 8 {
            let mut bad = out.clone();
            bad[bit / 8] ^= 1 << (bit % 8);
            let _any = Bytes::new(&bad).column(column.len());
        }
        for length in 0..out.len() {
            assert!(Bytes::new(&out[..length]).column(column.len()).is_err(), "{length} bytes");
        }
    }

    #[test]
    fn the_checksum_is_the_published_one() {
        // CRC-32/ISCSI check value of "123456789", Catalogue of parametrised CRC algorithms.
        assert_eq!(CRC.checksum(b"123456789"), 0xe306_9283);
    }
}
