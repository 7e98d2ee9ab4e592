//! Reads a block in pieces after the device refused it as a whole, so that one register it does not have costs one point
//! and not its hundred neighbours.
//!
//! The first pass halves what is refused until it is answered or holds one point: that point is the one refused. After
//! that, touching pieces that were answered are read together again, and refused ones are not asked any more. A device
//! that refuses such a union (it gives fewer registers at a time than it says) has it halved again, and then stays with
//! the halves. All of a pass goes into one batch, though its pieces are some exchanges apart: a map that fits is the cure.
//! Knows no link and no time. Never panics. MODBUS Application Protocol V1.1b3 §6.3 (exceptions 02 and 03 refuse the
//! whole request).

use lapwing_engine::spec::Raw;
use lapwing_protocol::Status;

use super::request::Read;
use crate::plan::{Slice, Table};

/// The pieces of one refused transaction.
#[derive(Clone, Debug)]
pub(super) struct Pieces {
    table: Table,
    start: u16,
    pieces: Vec<Piece>,
    /// The piece being asked.
    at: usize,
    /// What the pass has brought so far.
    raws: Vec<Raw>,
    /// A union of answered pieces was refused: they stay apart.
    apart: bool,
}

/// What cannot be halved: the points of one stretch of registers, scale factor included.
#[derive(Clone, Debug)]
struct Part {
    /// First address and the one behind the last, from the transaction's start.
    first: u16,
    end: u16,
    /// Position in the transaction, and place in its whole answer.
    points: Vec<(usize, Slice)>,
}

#[derive(Clone, Debug)]
struct Piece {
    parts: Vec<Part>,
    refused: bool,
}

impl Pieces {
    /// Two halves of a block. `None` if it has only one part.
    pub(super) fn of(table: Table, start: u16, slices: &[Slice]) -> Option<Self> {
        let mut parts: Vec<Part> = Vec::new();
        for (position, slice) in slices.iter().enumerate() {
            let factor = slice.scale_factor.unwrap_or(slice.offset);
            let first = slice.offset.min(factor);
            let end = (slice.offset.checked_add(u16::from(slice.words.max(1)))?).max(factor.checked_add(1)?);
            start.checked_add(end - 1)?;
            match parts.iter_mut().find(|part| (part.first, part.end) == (first, end)) {
                Some(part) => part.points.push((position, *slice)),
                None => parts.push(Part { first, end, points: vec![(position, *slice)] }),
            }
        }
        parts.sort_by_key(|part| (part.first, part.end));
        let whole = Piece { parts, refused: false };
        let pieces = whole.halves()?;
        let raws = vec![Raw::Fault(Status::BAD_NOT_FOUND); slices.len()];
        Some(Self { table, start, pieces: pieces.into(), at: 0, raws, apart: false })
    }

    /// What to read now.
    pub(super) fn read(&self) -> Option<Read> {
        let (first, end) = self.pieces.get(self.at)?.reach()?;
        Read::new(self.table, self.start.checked_add(first)?, end - first).ok()
    }

    /// Where the points of the piece being asked lie in its answer.
    pub(super) fn slices(&self) -> Vec<Slice> {
        let Some(piece) = self.pieces.get(self.at) else { return Vec::new() };
        let first = piece.reach().map_or(0, |(first, _)| first);
        let moved = |slice: &Slice| Slice {
            offset: slice.offset - first,
            scale_factor: slice.scale_factor.map(|offset| offset - first),
            ..*slice
        };
        piece.points().map(|(_, slice)| moved(slice)).collect()
    }

    /// The piece was answered, in the order of `slices`.
    pub(super) fn answered(&mut self, raws: &[Raw]) {
        if let Some(piece) = self.pieces.get(self.at) {
            for ((position, _), raw) in piece.points().zip(raws) {
                self.raws[*position] = *raw;
            }
        }
        self.go_on();
    }

    /// The piece was refused.
    pub(super) fn refused(&mut self, status: Status) {
        let Some(piece) = self.pieces.get_mut(self.at) else { return };
        if let Some([first, second]) = piece.halves() {
            // In the first pass it was never answered; later it was, piece by piece, and the union is too much.
            self.apart |= piece.parts.iter().any(|part| part.points.iter().any(|(at, _)| is_value(&self.raws[*at])));
            self.pieces.splice(self.at..=self.at, [first, second]);
            return;
        }
        piece.refused = true;
        for (position, _) in piece.points() {
            self.raws[*position] = Raw::Fault(status);
        }
        self.go_on();
    }

    /// The whole pass, once no piece is left; the next `read` begins another. `None` of it if nothing was answered.
    pub(super) fn finished(&mut self) -> Option<Option<Vec<Raw>>> {
        if self.at < self.pieces.len() {
            return None;
        }
        let raws = self.raws.clone();
        if !self.apart {
            self.join();
        }
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
            match joined.last_mut().filter(|last| last.touches(&piece)) {
                Some(last) => last.parts.extend(piece.parts),
                None => joined.push(piece),
            }
        }
        self.pieces = joined;
    }
}

impl Piece {
    fn points(&self) -> impl Iterator<Item = &(usize, Slice)> {
        self.parts.iter().flat_map(|part| &part.points)
    }

    /// First address and the one behind the last.
    fn reach(&self) -> Option<(u16, u16)> {
        let first = self.parts.iter().map(|part| part.first).min()?;
        Some((first, self.parts.iter().map(|part| part.end).max()?))
    }

    fn touches(&self, next: &Self) -> bool {
        match (self.reach(), next.reach()) {
            (Some((_, end)), Some((first, _))) => !self.refused && !next.refused && first <= end,
            _ => false,
        }
    }

    fn halves(&self) -> Option<[Self; 2]> {
        let (first, second) = self.parts.split_at(self.parts.len() / 2);
        let half = |parts: &[Part]| Self { parts: parts.to_vec(), refused: false };
        (!first.is_empty() && !second.is_empty()).then(|| [half(first), half(second)])
    }
}

const fn is_value(raw: &Raw) -> bool {
    !matches!(raw, Raw::Fault(_))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn lacking(pieces: &Pieces) -> Vec<usize> {
        let refused = pieces.pieces.iter().filter(|piece| piece.refused);
        let mut missing: Vec<usize> = refused.flat_map(|piece| piece.points().map(|(at, _)| *at)).collect();
        missing.sort_unstable();
        missing
    }

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
                pieces.refused(Status::BAD_NOT_FOUND);
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
        let mut pieces = Pieces::of(Table::Holding, 100, &slices).expect("halves");
        let missing = Raw::Fault(Status::BAD_NOT_FOUND);
        let expected = vec![words(100, 1, 0), words(101, 2, 0), missing, words(104, 1, 106), words(105, 1, 0)];
        let (asked, raws) = pass(&mut pieces, &[103]);
        assert_eq!(asked, [(100, 3), (103, 4), (103, 1), (104, 3)], "halves, and halves of the refused one");
        assert_eq!(lacking(&pieces), [2]);
        assert_eq!(raws, Some(expected.clone()));
        let (asked, raws) = pass(&mut pieces, &[103]);
        assert_eq!(asked, [(100, 3), (104, 3)], "neighbours together again, the missing one never again");
        assert_eq!(raws, Some(expected));
    }

    #[test]
    fn holes_are_not_bridged_again() {
        let slices = [slice(0, 1, None), slice(4, 1, None)];
        let mut pieces = Pieces::of(Table::Input, 10, &slices).expect("halves");
        pass(&mut pieces, &[12]);
        let (asked, raws) = pass(&mut pieces, &[12]);
        assert_eq!(asked, [(10, 1), (14, 1)]);
        assert_eq!(raws, Some(vec![words(10, 1, 0), words(14, 1, 0)]));
    }

    #[test]
    fn a_block_of_one_point_has_no_pieces_and_one_refused_throughout_says_so() {
        assert!(Pieces::of(Table::Holding, 0, &[slice(0, 2, None)]).is_none());
        assert!(
            Pieces::of(Table::Holding, 0, &[slice(0, 1, None), slice(0, 1, None)]).is_none(),
            "bits of one register"
        );
        let mut pieces = Pieces::of(Table::Holding, 0, &[slice(0, 1, None), slice(1, 1, None)]).expect("two");
        assert_eq!(pass(&mut pieces, &[0, 1]).1, None);
    }

    #[test]
    fn one_missing_of_a_hundred_is_found_in_few_reads() {
        let slices: Vec<Slice> = (0..100).map(|offset| slice(offset, 1, None)).collect();
        for missing in 0..100 {
            let mut pieces = Pieces::of(Table::Holding, 0, &slices).expect("halves");
            let (asked, raws) = pass(&mut pieces, &[missing]);
            assert!(asked.len() <= 14, "{missing}: {asked:?}");
            assert_eq!(lacking(&pieces), [usize::from(missing)]);
            let values = raws.expect("neighbours are answered");
            assert_eq!(values.iter().filter(|raw| matches!(raw, Raw::Fault(_))).count(), 1);
            assert!(pass(&mut pieces, &[missing]).0.len() <= 2, "then at most what lies on its two sides");
        }
    }

    /// A device that gives fewer registers at a time than it says refuses no register, only the union.
    #[test]
    fn a_quantity_too_large_is_halved_once_and_for_all() {
        let slices: Vec<Slice> = (0..8).map(|offset| slice(offset, 1, None)).collect();
        let mut pieces = Pieces::of(Table::Holding, 0, &slices).expect("halves");
        let mut passes = Vec::new();
        for _ in 0..3 {
            let mut asked = Vec::new();
            let raws = loop {
                if let Some(raws) = pieces.finished() {
                    break raws;
                }
                let read = pieces.read().expect("not finished");
                asked.push((read.start(), read.count()));
                if read.count() > 4 {
                    pieces.refused(Status::BAD_NOT_FOUND);
                } else {
                    let values: Vec<Raw> =
                        (read.start()..read.start() + read.count()).map(|n| words(n, 1, 0)).collect();
                    pieces.answered(&values);
                }
            };
            assert_eq!(raws, Some((0..8).map(|n| words(n, 1, 0)).collect::<Vec<_>>()), "nothing is lost");
            passes.push(asked);
        }
        assert_eq!(passes, [vec![(0, 4), (4, 4)], vec![(0, 8), (0, 4), (4, 4)], vec![(0, 4), (4, 4)]]);
        assert!(lacking(&pieces).is_empty());
    }
}
