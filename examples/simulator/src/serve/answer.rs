//! Decides what a Modbus device answers to one request, from its bank alone, whatever carries the request.
//!
//! Knows the read functions 01–04 and Read Device Identification 43/14; every function that writes is named as such
//! so that servers can refuse and count it. Knows nothing of frames, units, time or manners. No panics: limits and
//! addresses outside the bank are exceptions 03 and 02.
//! MODBUS Application Protocol V1.1b3 §6.1–§6.4, §6.21, §7.

use crate::bank::Bank;

/// The four primary tables (§4.3).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Table {
    Coils,
    Discrete,
    Holding,
    Input,
}

/// What a request asks.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Query {
    /// Functions 01–04.
    Read { table: Table, start: u16, count: u16 },
    /// Function 43, MEI type 14.
    Identify { code: u8, object: u8 },
    /// A function that would change the device.
    Write,
    /// Any other function.
    Unsupported,
}

/// What the device says to it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum Answer {
    Bits(Vec<bool>),
    Registers(Vec<u16>),
    /// The read code asked, and the objects that fit it: number and text.
    Identification {
        code: u8,
        objects: Vec<(u8, String)>,
    },
}

/// Exceptions a simulated device gives (§7).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[expect(clippy::enum_variant_names, reason = "the names of the specification")]
pub(crate) enum Exception {
    IllegalFunction = 0x01,
    IllegalDataAddress = 0x02,
    IllegalDataValue = 0x03,
}

/// Basic identification, stream and individual access (§6.21).
pub(crate) const CONFORMITY_BASIC: u8 = 0x81;

const BITS_MAX: u16 = 2000; // §6.1, §6.2
const REGISTERS_MAX: u16 = 125; // §6.3, §6.4

impl Query {
    /// Reads a request's function code and data. `None` where no device would answer at all: an empty request, or a
    /// function code above 127, which is kept for exceptions (§4.1).
    pub(crate) fn from_pdu(pdu: &[u8]) -> Option<Self> {
        let (&function, data) = pdu.split_first()?;
        let read = |table| match *data {
            [start_high, start_low, count_high, count_low] => Self::Read {
                table,
                start: u16::from_be_bytes([start_high, start_low]),
                count: u16::from_be_bytes([count_high, count_low]),
            },
            _ => Self::Unsupported,
        };
        match function {
            0x01 => Some(read(Table::Coils)),
            0x02 => Some(read(Table::Discrete)),
            0x03 => Some(read(Table::Holding)),
            0x04 => Some(read(Table::Input)),
            0x05 | 0x06 | 0x0F | 0x10 | 0x15 | 0x16 | 0x17 => Some(Self::Write),
            0x2B => match *data {
                [0x0E, code, object] => Some(Self::Identify { code, object }),
                _ => Some(Self::Unsupported),
            },
            0x80.. => None,
            _ => Some(Self::Unsupported),
        }
    }
}

/// The answer of the device called `name` that shows `bank`.
pub(crate) fn answer(bank: &Bank, name: &str, query: Query) -> Result<Answer, Exception> {
    match query {
        Query::Read { table, start, count } => match table {
            Table::Coils => slice(&bank.coils, start, count, BITS_MAX).map(Answer::Bits),
            Table::Discrete => slice(&bank.discrete, start, count, BITS_MAX).map(Answer::Bits),
            Table::Holding => slice(&bank.holding, start, count, REGISTERS_MAX).map(Answer::Registers),
            Table::Input => slice(&bank.input, start, count, REGISTERS_MAX).map(Answer::Registers),
        },
        Query::Identify { code, object } => identify(name, code, object),
        Query::Write | Query::Unsupported => Err(Exception::IllegalFunction),
    }
}

/// What a second device of the same kind would say in the same place: the same shape, other numbers.
pub(crate) fn twin(mut answer: Answer) -> Answer {
    match &mut answer {
        Answer::Bits(bits) => {
            if let Some(first) = bits.first_mut() {
                *first = !*first;
            }
        }
        Answer::Registers(registers) => {
            for (step, register) in (3u16..).step_by(7).zip(registers) {
                *register = register.wrapping_add(step);
            }
        }
        Answer::Identification { objects, .. } => {
            for (_, text) in objects {
                text.push('b');
            }
        }
    }
    answer
}

fn slice<T: Copy>(table: &[T], start: u16, count: u16, max: u16) -> Result<Vec<T>, Exception> {
    if count == 0 || count > max {
        return Err(Exception::IllegalDataValue);
    }
    let (start, count) = (usize::from(start), usize::from(count));
    match table.get(start..start + count) {
        Some(part) => Ok(part.to_vec()),
        None => Err(Exception::IllegalDataAddress),
    }
}

/// §6.21: codes 01–03 stream from the object asked for (from the first if there is none such), 04 gives one object.
fn identify(name: &str, code: u8, object: u8) -> Result<Answer, Exception> {
    let all = [
        (0u8, "Saltmarsh (invented)".to_owned()), // VendorName
        (1, name.to_owned()),                     // ProductCode
        (2, "1.0".to_owned()),                    // MajorMinorRevision
    ];
    let objects: Vec<_> = match code {
        0x01..=0x03 => {
            let from = if all.iter().any(|(id, _)| *id == object) { object } else { 0 };
            all.into_iter().filter(|(id, _)| *id >= from).collect()
        }
        0x04 => {
            let one: Vec<_> = all.into_iter().filter(|(id, _)| *id == object).collect();
            if one.is_empty() {
                return Err(Exception::IllegalDataAddress);
            }
            one
        }
        _ => return Err(Exception::IllegalDataValue),
    };
    Ok(Answer::Identification { code, objects })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn bank() -> Bank {
        Bank { coils: vec![true; 3], holding: (0..200).collect(), ..Bank::default() }
    }

    fn read(table: Table, start: u16, count: u16) -> Result<Answer, Exception> {
        answer(&bank(), "unit", Query::Read { table, start, count })
    }

    #[test]
    fn limits_of_a_read() {
        assert_eq!(read(Table::Holding, 198, 2), Ok(Answer::Registers(vec![198, 199])));
        assert_eq!(read(Table::Holding, 199, 2), Err(Exception::IllegalDataAddress));
        assert_eq!(read(Table::Holding, 65535, 125), Err(Exception::IllegalDataAddress));
        assert_eq!(read(Table::Holding, 0, 0), Err(Exception::IllegalDataValue));
        assert_eq!(read(Table::Holding, 0, 126), Err(Exception::IllegalDataValue));
        assert_eq!(read(Table::Coils, 0, 2001), Err(Exception::IllegalDataValue));
        assert_eq!(read(Table::Coils, 0, 3), Ok(Answer::Bits(vec![true; 3])));
        assert_eq!(read(Table::Input, 0, 1), Err(Exception::IllegalDataAddress));
    }

    #[test]
    fn identification_streams_or_gives_one_object() {
        let all = |code, object| match answer(&bank(), "fan-01", Query::Identify { code, object }) {
            Ok(Answer::Identification { objects, .. }) => objects.len(),
            other => panic!("expected identification, got {other:?}"),
        };
        assert_eq!(all(1, 0), 3);
        assert_eq!(all(3, 2), 1);
        assert_eq!(all(2, 77), 3);
        assert_eq!(all(4, 1), 1);
        let refused = |code, object| answer(&bank(), "fan-01", Query::Identify { code, object });
        assert_eq!(refused(4, 9), Err(Exception::IllegalDataAddress));
        assert_eq!(refused(5, 0), Err(Exception::IllegalDataValue));
    }

    #[test]
    fn every_request_is_a_query_or_nothing() {
        for function in 0..=255u8 {
            let full = [function, 0, 0, 0, 1];
            for length in 0..=full.len() {
                let query = Query::from_pdu(&full[..length]);
                assert_eq!(query.is_none(), length == 0 || function >= 0x80);
            }
        }
        for function in [5, 6, 15, 16, 21, 22, 23] {
            assert_eq!(Query::from_pdu(&[function, 0, 0, 0, 1]), Some(Query::Write));
        }
    }

    #[test]
    fn a_twin_differs() {
        let mine = Answer::Registers(vec![1, 65535]);
        assert_eq!(twin(mine), Answer::Registers(vec![4, 9]));
    }
}
