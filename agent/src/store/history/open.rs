//! The open slot's file: what entered since the last block was written, appended and synced.
//!
//! ```text
//! file    "LWslot" version 0x0a, slot (8 bytes)                                    numbers here lowest byte first
//! record  "LWrc" length (4) checksum (4) payload                    checksum: `pack`'s, under the slot's name
//! payload kind, then: 1 a stream begun anew; 2 its continuation; 3 what has been sent (`sent`);
//!         4 the agent has ended in order
//! ```
//!
//! A record that is damaged is left out, with the continuations that hang on it; the next one is found by its mark. A torn
//! tail is what a power cut leaves and is cut off. Readers may look while the writer appends: they stop at the last whole
//! record. Never panics.

use std::fs::{File, OpenOptions};
use std::io::{BufReader, ErrorKind, Read, Seek, SeekFrom, Write};
use std::os::unix::fs::MetadataExt as _;
use std::path::{Path, PathBuf};

use super::error::{HistoryError, Loss};
use super::file::{in_slot, is_slot};
use super::pack::{Bytes, Damage, checksum};
use super::stream::Decoder;
use super::{Entry, Step};

/// The slot that is being filled.
pub(super) const OPEN: &str = "open.slot";
/// The slot before it, until it has become blocks.
pub(super) const CLOSING: &str = "closing.slot";

const MAGIC: &[u8; 6] = b"LWslot";
const VERSION: u8 = 2;
const HEADER: usize = 16;
const MARK: &[u8; 4] = b"LWrc";
const RECORD: usize = 12;
/// Longest record: a minute of a hundred thousand points is a tenth of it.
const RECORD_MAX: usize = 1 << 28;

/// What a record holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Kind {
    /// A stream begun anew.
    Fresh = 1,
    /// More of it.
    More = 2,
    /// What has been sent.
    Sent = 3,
    /// The agent has ended in order.
    Ended = 4,
}

/// The file while it is appended to.
#[derive(Debug)]
pub(super) struct OpenSlot {
    file: File,
    path: PathBuf,
    pub(super) slot: i64,
    length: u64,
    /// Appended since the last sync.
    pub(super) unsynced: bool,
}

impl OpenSlot {
    /// Begins a slot; an old file of that name must have been moved away.
    pub(super) fn create(dir: &Path, slot: i64) -> Result<Self, HistoryError> {
        let path = dir.join(OPEN);
        let failed = |e| HistoryError::file(&path, e);
        let mut file = writable().truncate(true).open(&path).map_err(failed)?;
        let mut header = Vec::with_capacity(HEADER);
        header.extend_from_slice(MAGIC);
        header.extend_from_slice(&[VERSION, b'\n']);
        header.extend_from_slice(&slot.to_le_bytes());
        file.write_all(&header).map_err(failed)?;
        Ok(Self { file, path, slot, length: HEADER as u64, unsynced: true })
    }

    /// Goes on after the last whole record.
    pub(super) fn go_on(dir: &Path, slot: i64, length: u64) -> Result<Self, HistoryError> {
        let path = dir.join(OPEN);
        let failed = |e| HistoryError::file(&path, e);
        let mut file = OpenOptions::new().read(true).write(true).open(&path).map_err(failed)?;
        file.set_len(length).map_err(failed)?;
        // What is appended needs the present format.
        file.seek(SeekFrom::Start(MAGIC.len() as u64)).map_err(failed)?;
        file.write_all(&[VERSION]).map_err(failed)?;
        file.seek(SeekFrom::End(0)).map_err(failed)?;
        Ok(Self { file, path, slot, length, unsynced: true })
    }

    /// Appends a record; after an error the file ends where it ended before.
    pub(super) fn append(&mut self, kind: Kind, payload: &[u8]) -> Result<(), HistoryError> {
        let mut record = Vec::with_capacity(RECORD + 1 + payload.len());
        record.extend_from_slice(MARK);
        record.extend_from_slice(&u32::try_from(payload.len() + 1).unwrap_or(u32::MAX).to_le_bytes());
        record.extend_from_slice(&[0; 4]);
        record.push(kind as u8);
        record.extend_from_slice(payload);
        let sum = checksum(self.slot.cast_unsigned(), &record[RECORD..]);
        record[8..RECORD].copy_from_slice(&sum.to_le_bytes());
        if let Err(error) = self.file.write_all(&record) {
            // What was half written would look like damage to the next reader.
            let _best_effort = self.file.set_len(self.length).and_then(|()| self.file.seek(SeekFrom::End(0)));
            return Err(HistoryError::file(&self.path, error));
        }
        self.length += record.len() as u64;
        self.unsynced = true;
        Ok(())
    }

    /// Makes what was appended durable.
    pub(super) fn sync(&mut self) -> Result<(), HistoryError> {
        if self.unsynced {
            self.file.sync_data().map_err(|e| HistoryError::file(&self.path, e))?;
            self.unsynced = false;
        }
        Ok(())
    }

    /// Whether the file is where it was opened: one that was deleted or moved takes what is appended like any other. What
    /// cannot be looked at is not gone.
    pub(super) fn in_place(&self) -> bool {
        match (self.file.metadata(), std::fs::metadata(&self.path)) {
            (Ok(own), Ok(there)) => (own.dev(), own.ino()) == (there.dev(), there.ino()),
            (_, Err(error)) => !matches!(error.kind(), ErrorKind::NotFound | ErrorKind::NotADirectory),
            (Err(_), Ok(_)) => true,
        }
    }

    /// Writes what it holds to its path again; what lies there is kept under another name.
    pub(super) fn put_back(&mut self) -> Result<(), HistoryError> {
        let failed = |e| HistoryError::file(&self.path, e);
        let beside = |end: &str| self.path.with_file_name(format!("{OPEN}.{end}"));
        let part = beside("part");
        let mut anew = writable().truncate(true).open(&part).map_err(failed)?;
        self.file.seek(SeekFrom::Start(0)).map_err(failed)?;
        std::io::copy(&mut self.file, &mut anew).and_then(|_| anew.sync_all()).map_err(failed)?;
        if self.path.exists() {
            std::fs::rename(&self.path, beside("replaced")).map_err(failed)?;
        }
        std::fs::rename(&part, &self.path).map_err(failed)?;
        self.file = anew;
        Ok(())
    }

    /// Bytes of the file.
    pub(super) const fn bytes(&self) -> u64 {
        self.length
    }
}

/// Read too, so that it can be put back.
fn writable() -> OpenOptions {
    let mut options = OpenOptions::new();
    options.read(true).write(true).create(true);
    options
}

/// What reading a file has brought besides its steps.
#[derive(Debug, Default)]
pub(super) struct Account {
    pub(super) slot: i64,
    /// Where the last whole record ends.
    pub(super) whole: u64,
    /// The newest account of what was sent.
    pub(super) sent: Option<Vec<u8>>,
    pub(super) losses: Vec<Loss>,
    /// The last record says that the agent has ended in order.
    pub(super) ended: bool,
    /// Moment of the last step.
    pub(super) last_at: Option<i64>,
}

/// Reads a slot's file; `None` if there is none. `take` gets every whole step in order.
pub(super) fn read(path: &Path, mut take: impl FnMut(&Step, &[Entry])) -> Result<Option<Account>, HistoryError> {
    let failed = |e| HistoryError::file(path, e);
    let file = match File::open(path) {
        Ok(file) => file,
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(None),
        Err(error) => return Err(failed(error)),
    };
    let bytes = file.metadata().map_err(failed)?.len();
    let mut reader =
        Records { file: BufReader::with_capacity(1 << 16, file), at: HEADER as u64, bytes, buffer: Vec::new() };
    let mut header = [0_u8; HEADER];
    if reader.file.read_exact(&mut header).is_err() {
        let losses = vec![Loss::new(path, "the open slot", &Damage::Short)];
        return Ok(Some(Account { slot: i64::MIN, losses, ..Account::default() }));
    }
    let (magic, rest) = header.split_at(6);
    if magic != MAGIC || rest[1] != b'\n' {
        let losses =
            vec![Loss::new(path, "the open slot", &Damage::Invalid("its first bytes are not those of a slot"))];
        return Ok(Some(Account { slot: i64::MIN, losses, ..Account::default() }));
    }
    if rest[0] > VERSION {
        let (found, known) = (u32::from(rest[0]), u32::from(VERSION));
        return Err(HistoryError::Newer { path: path.to_path_buf(), found, known });
    }
    let mut number = [0; 8];
    number.copy_from_slice(&rest[2..]);
    let slot = i64::from_le_bytes(number);
    if !is_slot(slot) {
        let losses = vec![Loss::new(path, "the open slot", &Damage::Invalid("its number is that of no slot"))];
        return Ok(Some(Account { slot: i64::MIN, losses, ..Account::default() }));
    }
    let mut read = Account { slot, whole: HEADER as u64, ..Account::default() };
    let mut decoder = Decoder::default();
    let mut usable = false;
    while let Some(found) = reader.next(slot, &mut read.losses, path).map_err(failed)? {
        if found.skipped {
            usable = false;
        }
        read.whole = reader.at;
        read.ended = false;
        let (kind, payload) = reader.buffer.split_first().unwrap_or((&0, &[]));
        match kind {
            1 | 2 => {
                if *kind == 1 {
                    decoder.begin();
                    usable = true;
                }
                if !usable {
                    continue; // hangs on what was damaged
                }
                let mut rest = Bytes::new(payload);
                loop {
                    match decoder.step(&mut rest) {
                        Ok(Some(step)) => {
                            if !in_slot(step.at, slot) && matches!(step.what, super::Happening::Readings { .. }) {
                                read.losses.push(Loss::new(
                                    path,
                                    "a step",
                                    &Damage::Invalid("it lies in another slot"),
                                ));
                                continue;
                            }
                            read.last_at = Some(step.at);
                            take(&step, &decoder.readings);
                        }
                        Ok(None) => break,
                        Err(why) => {
                            usable = false;
                            read.losses.push(Loss::new(path, format!("the record before byte {}", reader.at), &why));
                            break;
                        }
                    }
                }
            }
            4 => read.ended = true,
            3 => read.sent = Some(payload.to_vec()),
            _ => read.losses.push(Loss::new(path, "a record", &Damage::Invalid("it is of an unknown kind"))),
        }
    }
    Ok(Some(read))
}

/// The slot a file says it is; `None` if it is not there or not whole.
pub(super) fn slot_of(path: &Path) -> Option<i64> {
    let mut header = [0_u8; HEADER];
    File::open(path).ok()?.read_exact(&mut header).ok()?;
    let mut number = [0; 8];
    number.copy_from_slice(&header[8..]);
    Some(i64::from_le_bytes(number)).filter(|slot| header[..6] == *MAGIC && is_slot(*slot))
}

struct Records {
    file: BufReader<File>,
    /// Where the next record begins.
    at: u64,
    bytes: u64,
    buffer: Vec<u8>,
}

struct Found {
    /// Something before it was damaged.
    skipped: bool,
}

impl Records {
    /// The next whole record's payload, in the buffer.
    fn next(&mut self, slot: i64, losses: &mut Vec<Loss>, path: &Path) -> std::io::Result<Option<Found>> {
        let begun = self.at;
        let mut why = None;
        while self.at + (RECORD as u64) < self.bytes {
            match self.whole(slot)? {
                Ok(()) => {
                    if let Some(why) = &why {
                        losses.push(Loss::new(path, format!("bytes {begun} to {}", self.at), why));
                    }
                    self.at += (RECORD + self.buffer.len()) as u64;
                    return Ok(Some(Found { skipped: why.is_some() }));
                }
                Err(damage) => {
                    why.get_or_insert(damage);
                    let Some(next) = self.find_mark(self.at + 1)? else { break };
                    self.at = next;
                }
            }
        }
        if begun < self.bytes {
            let why = why.unwrap_or(Damage::Short);
            losses.push(Loss::tail(path, self.bytes - begun, &why));
        }
        Ok(None)
    }

    fn whole(&mut self, slot: i64) -> std::io::Result<Result<(), Damage>> {
        self.file.seek(SeekFrom::Start(self.at))?;
        let mut head = [0_u8; RECORD];
        self.file.read_exact(&mut head)?;
        let word = |at: usize| u32::from_le_bytes([head[at], head[at + 1], head[at + 2], head[at + 3]]);
        let length = word(4) as usize;
        if head[..4] != *MARK {
            return Ok(Err(Damage::Invalid("no record begins where one should")));
        }
        if length == 0 || length > RECORD_MAX || self.at + (RECORD + length) as u64 > self.bytes {
            return Ok(Err(Damage::Short));
        }
        self.buffer.resize(length, 0);
        self.file.read_exact(&mut self.buffer)?;
        Ok(if checksum(slot.cast_unsigned(), &self.buffer) == word(8) { Ok(()) } else { Err(Damage::Checksum) })
    }

    fn find_mark(&mut self, from: u64) -> std::io::Result<Option<u64>> {
        self.file.seek(SeekFrom::Start(from))?;
        let mut window = [0_u8; 4];
        let mut at = from;
        for byte in self.file.by_ref().bytes() {
            window.rotate_left(1);
            window[3] = byte?;
            at += 1;
            if window == *MARK && at >= from + 4 {
                return Ok(Some(at - 4));
            }
        }
        Ok(None)
    }
}

#[cfg(test)]
mod tests {
    use super::super::stream::{Encoder, steps};
    use super::super::testing::batch_of;
    use super::*;
    use crate::store::tests::TestDir;

    /// Three records of ten steps each, the second of them a continuation.
    fn written(dir: &Path) -> Vec<Entry> {
        let batch = batch_of(30, 3);
        let mut open = OpenSlot::create(dir, 1).expect("made");
        let mut encoder = Encoder::default();
        for (n, (step, entries)) in steps(&batch).enumerate() {
            encoder.step(step, entries);
            if n == 10 || n == 21 {
                let kind = if n == 10 { Kind::Fresh } else { Kind::More };
                open.append(kind, &encoder.bytes).expect("appended");
                encoder.bytes.clear();
                if n == 21 {
                    encoder.begin();
                }
            }
        }
        open.append(Kind::Sent, b"account").expect("appended");
        open.append(Kind::Fresh, &encoder.bytes).expect("appended");
        open.sync().expect("synced");
        batch.entries
    }

    fn entries(dir: &Path) -> (Vec<Entry>, Account) {
        let mut found = Vec::new();
        let read = read(&dir.join(OPEN), |_, entries| found.extend_from_slice(entries)).expect("readable");
        (found, read.expect("there"))
    }

    #[test]
    fn what_was_appended_comes_back_and_is_gone_on_with() {
        let dir = TestDir::new("open");
        let batch = written(dir.path());
        let (found, account) = entries(dir.path());
        assert_eq!(found, batch);
        assert_eq!((account.slot, account.sent.as_deref()), (1, Some(b"account".as_slice())));
        assert_eq!(account.losses, []);
        let mut open = OpenSlot::go_on(dir.path(), 1, account.whole).expect("opened");
        open.append(Kind::Sent, b"later").expect("appended");
        assert_eq!(entries(dir.path()).1.sent.as_deref(), Some(b"later".as_slice()));
    }

    #[test]
    fn every_truncation_keeps_whole_records_and_is_told() {
        let dir = TestDir::new("open-torn");
        let batch = written(dir.path());
        let path = dir.path().join(OPEN);
        let whole = std::fs::read(&path).expect("read");
        for length in 0..whole.len() {
            std::fs::write(&path, &whole[..length]).expect("written");
            let (found, account) = entries(dir.path());
            assert_eq!(found, batch[..found.len()], "{length} bytes: a beginning of what was written");
            assert!(account.whole <= length as u64);
            let torn = account.whole < length as u64 || length < HEADER;
            assert_eq!(account.losses.is_empty(), !torn, "{length} bytes: {:?}", account.losses);
        }
    }

    #[test]
    fn every_flipped_bit_costs_at_most_its_record_and_what_hangs_on_it() {
        let dir = TestDir::new("open-flip");
        let batch = written(dir.path());
        let path = dir.path().join(OPEN);
        let whole = std::fs::read(&path).expect("read");
        for bit in HEADER * 8..whole.len() * 8 {
            let mut bad = whole.clone();
            bad[bit / 8] ^= 1 << (bit % 8);
            std::fs::write(&path, &bad).expect("written");
            let (found, account) = entries(dir.path());
            assert!(!account.losses.is_empty(), "bit {bit}");
            // All that is found entered, in order, and the last record or the first two stand.
            let mut rest = batch.iter();
            assert!(found.iter().all(|entry| rest.any(|known| known == entry)), "bit {bit}");
            assert!(found.len() >= 24, "bit {bit}: {} readings", found.len());
        }
    }
}
