//! Takes small decisions from the front of fuzz input, so that the rest stays as plain as what a wire would bring.
//!
//! Missing bytes are zero. Also the CRC of Modbus RTU, bit by bit, apart from the agent's table. Never panics.

use lapwing::field::request::Read;
use lapwing::plan::Table;

/// Bytes not taken yet.
#[derive(Clone, Copy, Debug)]
pub(super) struct Input<'a>(pub(super) &'a [u8]);

impl<'a> Input<'a> {
    pub(super) fn byte(&mut self) -> u8 {
        let Some((first, rest)) = self.0.split_first() else { return 0 };
        self.0 = rest;
        *first
    }

    pub(super) fn word(&mut self) -> u16 {
        u16::from_be_bytes([self.byte(), self.byte()])
    }

    pub(super) fn take(&mut self, count: usize) -> &'a [u8] {
        let (taken, rest) = self.0.split_at(count.min(self.0.len()));
        self.0 = rest;
        taken
    }

    /// A read within the protocol's limits, from five bytes.
    pub(super) fn read(&mut self) -> Read {
        let table = match self.byte() % 4 {
            0 => Table::Coil,
            1 => Table::Discrete,
            2 => Table::Holding,
            _ => Table::Input,
        };
        let most = if matches!(table, Table::Coil | Table::Discrete) { 2000 } else { 125 };
        let (start, count) = (self.word(), self.word());
        Read::new(table, start.min(63_000), count % most + 1).expect("invariant: within the limits")
    }
}

/// The five bytes that make [`Input::read`] give a read.
pub(super) fn written(read: Read) -> Vec<u8> {
    let [s1, s0] = read.start().to_be_bytes();
    let [c1, c0] = (read.count() - 1).to_be_bytes();
    vec![read.function() - 1, s1, s0, c1, c0]
}

/// Modbus over Serial Line V1.02 §6.2.2, by its flow chart.
pub(super) fn crc(bytes: &[u8]) -> [u8; 2] {
    let mut sum = 0xFFFF_u16;
    for byte in bytes {
        sum ^= u16::from(*byte);
        for _ in 0..8 {
            sum = if sum & 1 == 1 { (sum >> 1) ^ 0xA001 } else { sum >> 1 };
        }
    }
    sum.to_le_bytes()
}

/// The bytes with their CRC behind them.
pub(super) fn sealed(bytes: &[u8]) -> Vec<u8> {
    [bytes, &crc(bytes)].concat()
}

/// Whether a frame ends with its CRC.
pub(super) fn is_sealed(frame: &[u8]) -> bool {
    frame.len() >= 4 && crc(&frame[..frame.len() - 2]) == frame[frame.len() - 2..]
}

/// What a right reply's value bytes say; bits as 0 and 1.
pub(super) fn values(bytes: &[u8], read: Read) -> Vec<u16> {
    if read.is_bits() {
        (0..read.count()).map(|n| u16::from(bytes[usize::from(n / 8)] >> (n % 8) & 1)).collect()
    } else {
        bytes.chunks(2).map(|pair| u16::from(pair[0]) << 8 | u16::from(pair[1])).collect()
    }
}
