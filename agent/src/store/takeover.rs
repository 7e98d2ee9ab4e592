//! What a store that was only in memory held goes into the one on disk, once there is a disk again.
//!
//! The logs of the memory enter behind those of the disk, under identities nobody else has; the newest stays the one that
//! is gone on with. Events the broker has confirmed stay out of the outbox. Saved states of alarms and marks of devices
//! replace those on disk, which are older; the disk's numbers of points stay, for they hold for ever. All of it in one
//! transaction. It does not watch for the disk: `Store::answers` asks once. Never panics.

use std::path::Path;

use rusqlite::{OptionalExtension as _, params};

use super::{Standing, Store, StoreError, checksum};

impl Store {
    /// Whether the store in `dir` can be opened and written now. Waits for the disk as long as that takes.
    ///
    /// # Errors
    /// As [`Store::open`].
    pub fn answers(dir: &Path, max_mib: u32) -> Result<(), StoreError> {
        // Opening counts the boot, which is a write and its sync.
        Self::open_or_begin_anew(dir, max_mib).map(drop)
    }

    /// Copies everything this store holds, which is in memory only, into the one in `dir`; returns how many events.
    ///
    /// # Errors
    /// When that store cannot be opened or written; nothing is copied then.
    pub fn copy_into(&self, dir: &Path, max_mib: u32) -> Result<usize, StoreError> {
        let (mut disk, _) = Self::open_or_begin_anew(dir, max_mib)?;
        let path = disk.path.clone();
        self.copy_sql(&mut disk).map_err(|e| StoreError::from_sql(&path, e))
    }

    /// What a start goes on with.
    pub(super) fn standing(&self) -> Result<Standing, StoreError> {
        self.standing_sql().map_err(|e| self.sql(e))
    }

    fn standing_sql(&self) -> rusqlite::Result<Standing> {
        // A damaged state is left out: that alarm is judged anew.
        let alarms = self.alarms_sql(&mut Vec::new())?;
        Ok(Standing { alarms, marks: self.marks_sql()?, seen: self.seen_sql()? })
    }

    /// Takes what stood in another store.
    pub(super) fn stand(&mut self, standing: &Standing) -> rusqlite::Result<()> {
        let transaction = self.connection.transaction()?;
        put(&transaction, standing)?;
        transaction.commit()
    }

    fn copy_sql(&self, disk: &mut Self) -> rusqlite::Result<usize> {
        let mut base = disk.last_row()?;
        let logs = self.logs()?;
        let transaction = disk.connection.transaction()?;
        let mut copied = 0;
        let mut damaged = Vec::new();
        let tellings = self.tellings_sql(&mut damaged)?;
        for (at, (id, from)) in logs.iter().enumerate() {
            let to = logs.get(at + 1).map_or(i64::MAX.cast_unsigned(), |(_, base)| *base);
            transaction.execute(
                "INSERT INTO log (id, base, crc) VALUES (?1, ?2, ?3)",
                params![&**id, base, checksum::log(id, base)],
            )?;
            let mut last = base;
            for stored in self.rows_sql(*from, *from, to, u32::MAX)? {
                let row = base + stored.seq;
                let crc = checksum::event(row, stored.t_ms, &stored.kind, &stored.payload);
                transaction
                    .prepare_cached("INSERT INTO event (row, t, kind, payload, crc) VALUES (?1, ?2, ?3, ?4, ?5)")?
                    .execute(params![row, stored.t_ms, stored.kind, stored.payload, crc])?;
                self.copy_unsent(&transaction, 2 * (from + stored.seq), 2 * row)?;
                for telling in tellings.iter().filter(|telling| telling.row == from + stored.seq) {
                    super::transaction::to_tell(&transaction, row, &telling.telling)?;
                }
                (last, copied) = (row, copied + 1);
            }
            base = last;
        }
        let standing = self.standing_sql()?;
        put(&transaction, &standing)?;
        transaction.commit()?;
        Ok(copied)
    }

    /// The packets of an event that the broker has not confirmed.
    fn copy_unsent(&self, disk: &rusqlite::Transaction<'_>, from: u64, to: u64) -> rusqlite::Result<()> {
        for part in 0..2 {
            let waits: Option<(Option<String>, Option<Vec<u8>>)> = self
                .connection
                .prepare_cached("SELECT topic, payload FROM outbox WHERE id = ?1")?
                .query_row([from + part], |row| Ok((row.get(0)?, row.get(1)?)))
                .optional()?;
            let Some((topic, payload)) = waits else { continue };
            let crc = topic
                .as_ref()
                .zip(payload.as_ref())
                .map(|(topic, said)| checksum::announcement(to + part, topic, said));
            disk.prepare_cached("INSERT INTO outbox (id, topic, payload, crc) VALUES (?1, ?2, ?3, ?4)")?
                .execute(params![to + part, topic, payload, crc])?;
        }
        Ok(())
    }
}

fn put(transaction: &rusqlite::Transaction<'_>, standing: &Standing) -> rusqlite::Result<()> {
    for alarm in &standing.alarms {
        super::transaction::saved(transaction, alarm)?;
    }
    for mark in &standing.marks {
        super::transaction::marked(transaction, mark)?;
    }
    for command in &standing.seen {
        super::transaction::taken(transaction, command)?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::super::tests::{TestDir, commit};
    use super::super::transaction::Transactor;
    use super::super::{SavedAlarm, SavedMark, Standing};
    use super::*;

    fn alarm(state: &[u8]) -> SavedAlarm {
        SavedAlarm { id: "low-flow".into(), digest: 7, state: state.to_vec() }
    }

    #[test]
    fn everything_of_the_memory_is_on_disk_afterwards_and_its_log_goes_on() {
        let dir = TestDir::new("takeover");
        let (before, opened) = Store::open(dir.path(), 16).expect("it opens");
        let mut before = Transactor::new(before);
        let mut first = commit(1..=3);
        first.alarms.push(alarm(b"old"));
        first.alarms.push(SavedAlarm { id: "other".into(), ..alarm(b"kept") });
        before.write(&[first]).expect("written");
        drop(before);

        let (memory, in_memory) = Store::in_memory("no disk".into(), &Standing::default()).expect("memory");
        let mut memory = Transactor::new(memory);
        let mut second = commit(1..=5);
        second.events[4].announce = Some(("announce/high".into(), b"warm".to_vec()));
        second.alarms.push(alarm(b"new"));
        second.marks.push(SavedMark {
            device: "meter".into(),
            feature: "serial".into(),
            confirmed: "c".into(),
            shown: "s".into(),
        });
        memory.write(&[second]).expect("written");
        // The broker has the first two, and the last's event but not its announcement.
        memory.remove(vec![2, 4, 10], Vec::new(), Vec::new());
        memory.write(&[]).expect("removed");
        Store::answers(dir.path(), 16).expect("the disk is there");
        assert_eq!(memory.store().copy_into(dir.path(), 16).expect("copied"), 5);

        let (store, again) = Store::open(dir.path(), 16).expect("it opens");
        assert_eq!((again.log.as_str(), again.last_seq), (in_memory.log.as_str(), 5));
        assert_eq!(again.logs, [opened.log.clone(), in_memory.log.clone()]);
        assert_eq!(again.boot, opened.boot + 3);
        let states: Vec<&[u8]> = again.alarms.iter().map(|alarm| alarm.state.as_slice()).collect();
        assert_eq!(states, [b"new".as_slice(), b"kept"]);
        assert_eq!(again.marks.len(), 1);
        assert!(again.damage.is_empty());
        let unsent = store.unsent(0, 100).expect("readable");
        let waits: Vec<(&str, u64, bool)> =
            unsent.iter().map(|row| (&*row.log, row.seq, row.announce.is_some())).collect();
        let (old, new) = (opened.log.as_str(), in_memory.log.as_str());
        assert_eq!(
            waits,
            [(old, 1, false), (old, 2, false), (old, 3, false), (new, 3, false), (new, 4, false), (new, 5, true)]
        );
        assert_eq!(unsent[5].payload, b"warm");
        let events = store.events_of(new).expect("readable");
        assert!(events.iter().zip(commit(1..=5).events).all(|(kept, event)| kept.payload == event.payload));
        assert_eq!(events.len(), 5);
    }

    #[test]
    fn a_disk_that_does_not_take_it_gets_nothing_of_it() {
        let dir = TestDir::new("takeover-full");
        let (store, opened) = Store::open(dir.path(), 4).expect("it opens");
        drop(store);
        let (memory, _) = Store::in_memory("no disk".into(), &Standing::default()).expect("memory");
        let mut memory = Transactor::new(memory);
        let mut large = commit(1..=3000);
        large.events.iter_mut().for_each(|event| event.payload = vec![b'x'; 3000]);
        memory.write(&[large]).expect("memory has room");
        assert!(matches!(memory.store().copy_into(dir.path(), 4), Err(StoreError::Full { .. })));
        let (store, again) = Store::open(dir.path(), 4).expect("it opens");
        assert_eq!((again.log, again.last_seq), (opened.log, 0));
        assert!(store.unsent(0, 10).expect("readable").is_empty());
    }
}
