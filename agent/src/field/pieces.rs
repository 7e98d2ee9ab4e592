//! Reads a block piece by piece after the device refused it as a whole, so that one register it does not have costs one
//! point and not its hundred neighbours.
//!
//! The first pass asks every point for itself and learns which are refused; after that, touching points that were not
//! are read together again and refused ones are not asked any more. All of a pass goes into one batch, though its
//! pieces are some exchanges apart: a map that fits is the cure. Knows no link and no time. Never panics.
//! MODBUS Application Protocol V1.1b3 §6.3 (exceptions 02 and 03 refuse the whole request).

use lapwing_engine::spec::Raw;
use lapwing_protocol::Status;

use super::request::Read;
use crate::plan::{Slice, Table};

/// The pieces of one refused transaction.
#[derive(Clone, Debug)]
pub(super) struct Pieces {
    pieces: Vec<Piece>,
    /// The piece being asked.
    at: usize,
    /// What the pass has brought so far.
    raws: Vec<Raw>,
}

#[derive(Clone, Debug)]
struct Piece {
    read: Read,
    /// Its points: position in the transaction, and place in the piece's own answer.
    points: Vec<(usize, Slice)>,
    refused: bool,
}

impl Pieces {
    /// A piece a point. `None` if that is no smaller than the block itself.
    pub(super) fn of(table: Table, start: u16, count: u16, slices: &[Slice]) -> Option<Self> {
        let mut pieces = Vec::new();
        for (position, slice) in slices.iter().enumerate() {
            let factor = slice.scale_factor.unwrap_or(slice.offset);
            let first = slice.offset.min(factor);
            let end = (slice.offset.checked_add(u16::from(slice.words.max(1)))?).max(factor.checked_add(1)?);
            let read = Read::new(table, start.checked_add(first)?, end - first).ok()?;
            let moved = Slice {
                offset: slice.offset - first,
                scale_factor: slice.scale_factor.map(|offset| offset - first),
                ..*slice
            };
            pieces.push(Piece { read, points: vec![(position, moved)], refused: false });
        }
        pieces.sort_by_key(|piece| (piece.read.start(), piece.read.count()));
        if pieces.iter().any(|piece| piece.read.count() >= count) {
            return None;
        }
        let raws = vec![Raw::Fault(Status::BAD_CONFIGURATION_ERROR); slices.len()];
        Some(Self { pieces, at: 0, raws }).filter(|pieces| !pieces.pieces.is_empty())
    }

    /// What to read now.
    pub(super) fn read(&self) -> Option<Read> {
        self.pieces.get(self.at).map(|piece| piece.read)
    }

    /// Where the points of the piece being asked lie in its answer.
    pub(super) fn slices(&self) -> Vec<Slice> {
        self.pieces.get(self.at).map(|piece| piece.points.iter().map(|(_, slice)| *slice).collect()).unwrap_or_default()
    }

    /// The piece was answered, in the order of `slices`.
    pub(super) fn answered(&mut self, raws: &[Raw]) {
        if let Some(piece) = self.pieces.get(self.at) {
            for ((position, _), raw) in piece.points.iter().zip(raws) {
                self.raws[*position] = *raw;
            }
        }
        self.go_on();
    }

    /// The piece was refused.
    pub(super) fn refused(&mut self, status: Status) {
        if let Some(piece) = self.pieces.get_mut(self.at) {
            piece.refused = true;
            for (position, _) in &piece.points {
                self.raws[*position] = Raw::Fault(status);
            }
        }
        self.go_on();
    }

    /// The whole pass, once no piece is left; the next `read` begins another. `None` of it if nothing was answered.
    pub(super) fn finished(&mut self) -> Option<Option<Vec<Raw>>> {
        if self.at < self.pieces.len() {
            return None;
        }
        let raws = self.raws.clone();
        self.join();
        let any = self.pieces.iter().any(|piece| !piece.refused);
        self.begin();
        Some(any.then_some(raws))
    }

    /// Forgets the pass under way.
    pub(super) fn begin(&mut self) {
        self.at = 0;
        self.skip_refused();
    }

    fn go_on(&mut self) {
        self.at += 1;
        self.skip_refused();
    }

    fn skip_refused(&mut self) {
        while self.pieces.get(self.at).is_some_and(|piece| piece.refused) {
            self.at += 1;
        }
    }

    /// Touching pieces that are answered become one; across a hole it may be the hole that is refused.
    fn join(&mut self) {
        let mut joined: Vec<Piece> = Vec::new();
        for piece in self.pieces.drain(..) {
            let grown = joined.last().filter(|last| !last.refused && !piece.refused).and_then(|last| {
                let end = |read: Read| u32::from(read.start()) + u32::from(read.count());
                let (start, whole) = (last.read.start(), end(last.read).max(end(piece.read)));
                let count = u16::try_from(whole - u32::from(start)).ok()?;
                (u32::from(piece.read.start()) <= end(last.read))
                    .then(|| Read::new(piece.read.table(), start, count).ok())?
            });
            match (joined.last_mut(), grown) {
                (Some(last), Some(read)) => {
                    let by = piece.read.start() - read.start();
                    last.read = read;
                    last.points.extend(piece.points.into_iter().map(|(position, slice)| {
                        let scale_factor = slice.scale_factor.map(|offset| offset + by);
                        (position, Slice { offset: slice.offset + by, scale_factor, ..slice })
                    }));
                }
                _ => joined.push(piece),
            }
        }
        self.pieces = joined;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn slice(offset: u16, words: u8, scale_factor: Option<u16>) -> Slice {
        Slice { offset, words, scale_factor }
    }

    /// Plays one pass against a device without these addresses; what was read, and what came of it.
    fn pass(pieces: &mut Pieces, missing: &[u16]) -> (Vec<(u16, u16)>, Option<Vec<Raw>>) {
        let mut asked = Vec::new();
        loop {
            if let Some(raws) = pieces.finished() {
                return (asked, raws);
            }
            let read = pieces.read().expect("not finished");
            asked.push((read.start(), read.count()));
            let reach = read.start()..read.start() + read.count();
            if missing.iter().any(|m| reach.contains(m)) {
                pieces.refused(Status::BAD_CONFIGURATION_ERROR);
            } else {
                let registers: Vec<u16> = reach.collect();
                let slices = pieces.slices();
                let raws = crate::field::request::raws(
                    crate::field::request::Answer::Registers(&registers),
                    registers.len(),
                    &slices,
                );
                pieces.answered(&raws.expect("right length"));
            }
        }
    }

    fn words(first: u16, len: u8, scale_factor: i16) -> Raw {
        let mut words = [0; 8];
        (0..len).for_each(|n| words[usize::from(n)] = first + u16::from(n));
        Raw::Words { words, len, scale_factor }
    }

    #[test]
    fn one_missing_register_costs_one_point() {
        let slices = [slice(0, 1, None), slice(1, 2, None), slice(3, 1, None), slice(4, 1, Some(6)), slice(5, 1, None)];
        let mut pieces = Pieces::of(Table::Holding, 100, 7, &slices).expect("smaller pieces");
        let missing = Raw::Fault(Status::BAD_CONFIGURATION_ERROR);
        let expected = vec![words(100, 1, 0), words(101, 2, 0), missing, words(104, 1, 106), words(105, 1, 0)];
        let (asked, raws) = pass(&mut pieces, &[103]);
        assert_eq!(asked, [(100, 1), (101, 2), (103, 1), (104, 3), (105, 1)]);
        assert_eq!(raws, Some(expected.clone()));
        let (asked, raws) = pass(&mut pieces, &[103]);
        assert_eq!(asked, [(100, 3), (104, 3)], "neighbours together again, the missing one never again");
        assert_eq!(raws, Some(expected));
    }

    #[test]
    fn holes_are_not_bridged_again() {
        let slices = [slice(0, 1, None), slice(4, 1, None)];
        let mut pieces = Pieces::of(Table::Input, 10, 5, &slices).expect("smaller pieces");
        pass(&mut pieces, &[12]);
        let (asked, raws) = pass(&mut pieces, &[12]);
        assert_eq!(asked, [(10, 1), (14, 1)]);
        assert_eq!(raws, Some(vec![words(10, 1, 0), words(14, 1, 0)]));
    }

    #[test]
    fn a_block_of_one_point_has_no_pieces_and_one_refused_throughout_says_so() {
        assert!(Pieces::of(Table::Holding, 0, 2, &[slice(0, 2, None)]).is_none());
        let mut pieces = Pieces::of(Table::Holding, 0, 2, &[slice(0, 1, None), slice(1, 1, None)]).expect("two");
        assert_eq!(pass(&mut pieces, &[0, 1]).1, None);
    }
}
