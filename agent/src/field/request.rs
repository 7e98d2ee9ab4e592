//! The only requests a link can send, and how an answer becomes the raw values of a transaction's points.
//!
//! A [`Read`] can express functions 01 to 04 and nothing else: no code path can write to a device. Knows neither
//! framing nor time. Never panics: lengths and offsets are compared before use. MODBUS Application Protocol V1.1b3
//! §4.3 (tables), §6.1–6.4 (quantities).

use lapwing_engine::spec::Raw;
use lapwing_protocol::Status;

use super::failure::{Failure, Garble};
use super::planner::{MOST_BITS, MOST_REGISTERS};
use crate::plan::{Slice, Table};

/// A read of adjacent registers or bits, within the protocol's limits.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Read {
    table: Table,
    start: u16,
    count: u16,
}

/// What a device answered.
#[derive(Clone, Debug)]
pub enum Answer<'a> {
    /// Registers in address order.
    Registers(&'a [u16]),
    /// Bits in address order, exactly as many as were asked.
    Bits(&'a [bool]),
    /// One value a variable.
    Variables(Vec<Raw>),
}

impl Read {
    /// A read, if the protocol allows it.
    ///
    /// # Errors
    /// Quantity 0, more than one request may ask, or past address 65535.
    pub const fn new(table: Table, start: u16, count: u16) -> Result<Self, Failure> {
        let most = match table {
            Table::Coil | Table::Discrete => MOST_BITS,
            Table::Holding | Table::Input => MOST_REGISTERS,
        };
        if count == 0 {
            return Err(Failure::Plan("a read of nothing: the plan asks for quantity 0"));
        }
        if count > most {
            return Err(Failure::Plan(
                "a read of more than one request may ask for: set `max_registers` to 125 or less",
            ));
        }
        if start as u32 + count as u32 > 0x1_0000 {
            return Err(Failure::Plan("a read past address 65535: correct the map's register"));
        }
        Ok(Self { table, start, count })
    }

    /// Table.
    #[must_use]
    pub const fn table(self) -> Table {
        self.table
    }

    /// First wire address.
    #[must_use]
    pub const fn start(self) -> u16 {
        self.start
    }

    /// Registers or bits.
    #[must_use]
    pub const fn count(self) -> u16 {
        self.count
    }

    /// Function code.
    #[must_use]
    pub const fn function(self) -> u8 {
        match self.table {
            Table::Coil => 1,
            Table::Discrete => 2,
            Table::Holding => 3,
            Table::Input => 4,
        }
    }

    /// Whether single bits are read.
    #[must_use]
    pub const fn is_bits(self) -> bool {
        match self.table {
            Table::Coil | Table::Discrete => true,
            Table::Holding | Table::Input => false,
        }
    }

    /// Bytes of values in a right answer.
    #[must_use]
    pub const fn byte_count(self) -> u8 {
        // At most 250: checked by `new`.
        (if self.is_bits() { self.count.div_ceil(8) } else { self.count * 2 }) as u8
    }
}

/// Raw values of a transaction's points from its registers or bits.
///
/// # Errors
/// An answer of another length than asked.
pub fn raws(answer: Answer<'_>, count: usize, slices: &[Slice]) -> Result<Vec<Raw>, Failure> {
    let length = |got: usize| {
        if got == count {
            Ok(())
        } else {
            Err(Failure::Garbled(Garble::Length { asked: short(count), got: short(got) }))
        }
    };
    match answer {
        Answer::Registers(registers) => {
            length(registers.len())?;
            Ok(slices.iter().map(|slice| words(registers, *slice)).collect())
        }
        Answer::Bits(bits) => {
            length(bits.len())?;
            Ok(slices.iter().map(|s| bits.get(usize::from(s.offset)).map_or(UNREADABLE, |&b| Raw::Bit(b))).collect())
        }
        Answer::Variables(values) => {
            length(values.len())?;
            Ok(values)
        }
    }
}

/// A slice outside its transaction: the plan was not checked. The point tells.
const UNREADABLE: Raw = Raw::Fault(Status::BAD_CONFIGURATION_ERROR);

fn words(registers: &[u16], slice: Slice) -> Raw {
    let first = usize::from(slice.offset);
    let Some(part) = registers.get(first..first + usize::from(slice.words)) else { return UNREADABLE };
    let words = match *part {
        [] => return UNREADABLE,
        // Nearly all: without a loop.
        [one] => [one, 0, 0, 0, 0, 0, 0, 0],
        [one, two] => [one, two, 0, 0, 0, 0, 0, 0],
        _ => {
            let mut words = [0; 8];
            let Some(room) = words.get_mut(..part.len()) else { return UNREADABLE };
            room.copy_from_slice(part);
            words
        }
    };
    let scale_factor = match slice.scale_factor {
        None => 0,
        Some(offset) => match registers.get(usize::from(offset)) {
            Some(&register) => register.cast_signed(),
            None => return UNREADABLE,
        },
    };
    Raw::Words { words, len: slice.words, scale_factor }
}

fn short(count: usize) -> u16 {
    u16::try_from(count).unwrap_or(u16::MAX)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quantities_are_bounded() {
        assert!(Read::new(Table::Holding, 0, 0).is_err());
        assert!(Read::new(Table::Holding, 0, 126).is_err());
        assert!(Read::new(Table::Coil, 0, 2001).is_err());
        assert!(Read::new(Table::Input, 65_535, 2).is_err());
        assert_eq!(Read::new(Table::Coil, 63_536, 2000).map(Read::byte_count), Ok(250));
        assert_eq!(Read::new(Table::Discrete, 0, 9).map(Read::byte_count), Ok(2));
        assert_eq!(Read::new(Table::Input, 65_411, 125).map(Read::byte_count), Ok(250));
    }

    #[test]
    fn slices_take_their_registers_and_scale_factor() {
        let slices = [
            Slice { offset: 1, words: 2, scale_factor: Some(3) },
            Slice { offset: 0, words: 1, scale_factor: None },
            Slice { offset: 3, words: 2, scale_factor: None },
        ];
        let raws = raws(Answer::Registers(&[10, 11, 12, 0xFFFF]), 4, &slices).expect("right length");
        assert_eq!(raws[0], Raw::Words { words: [11, 12, 0, 0, 0, 0, 0, 0], len: 2, scale_factor: -1 });
        assert_eq!(raws[1], Raw::Words { words: [10, 0, 0, 0, 0, 0, 0, 0], len: 1, scale_factor: 0 });
        assert_eq!(raws[2], Raw::Fault(Status::BAD_CONFIGURATION_ERROR), "a slice outside is told, not guessed");
    }

    #[test]
    fn a_wrong_length_gives_nothing() {
        let slices = [Slice { offset: 0, words: 1, scale_factor: None }];
        for got in [0, 1, 3, 125] {
            assert!(raws(Answer::Registers(&vec![0; got]), 2, &slices).is_err(), "{got}");
        }
        assert!(raws(Answer::Bits(&[true; 8]), 7, &slices).is_err());
    }
}
