//! What the core does about the store: goes on in a volatile log when the disk fails, and tells what it found at the start.
//!
//! Part of the loop in `run`; nothing here waits for the disk, except the change to a new log at first contact with the
//! broker. Never panics.

use super::*;
use crate::core::operator::Done;
use crate::store::PutBack;

impl Core<'_> {
    /// Hands this step over to the store, and sends at once what the store cannot take. Returns whether anything waits.
    pub(super) fn close(&mut self) -> bool {
        loop {
            let waits = self.lasting.ledger.close();
            let tellings = self.lasting.ledger.take_volatile_tellings();
            if !tellings.is_empty() {
                (self.lasting.ways.tell_directly)(tellings);
            }
            let rows = self.lasting.ledger.take_volatile();
            if rows.is_empty() {
                return waits;
            }
            for row in rows.iter().filter(|row| row.announce.is_none()) {
                self.tell(Told::Event(row.payload.clone()));
                self.lasting.board.happened(Happened::Event(row.payload.as_slice().into()));
            }
            self.lasting.ways.publisher.volatile(rows);
        }
    }

    /// Looks whether the disk keeps up: if not, events wait for it no longer; when it is back, that is told.
    pub(super) fn watch_store(&mut self) {
        if self.lasting.ledger.is_volatile() && !self.lasting.memory_only {
            let state = self.lasting.ledger.writer().state();
            if state.another {
                self.move_to_another_disk();
            }
            if state.volatile.is_some() {
                return;
            }
            self.lasting.ledger.end_volatile();
            self.store_is_back(state.lost_volatile, state.came_back.as_ref());
            self.close();
        }
        let Some(why) = self.lasting.ledger.writer().trouble() else { return };
        self.close();
        let when = When { t: self.lasting.clock.wall(self.lasting.clock.now()), synced: self.lasting.clock.synced() };
        let text = filled(&self.words().store.takes_none, &[("why", &why.said(self.words()))]);
        match self.lasting.ledger.begin_volatile(when, text, why) {
            Ok(renumbered) => {
                self.numbered_anew(renumbered);
                self.say_store(true);
            }
            Err(error) => tracing::error!(%error, "a volatile event log could not begin; events wait for the disk"),
        }
        self.close();
    }

    /// Looks for the disk that was not there at the start: the agent starts anew on it, for numbers of points and the history
    /// are the disk's.
    pub(super) fn look_for_the_store(&mut self) {
        if !self.lasting.memory_only || self.lasting.leaving || !self.lasting.watched.host.store_answers() {
            return;
        }
        self.lasting.leaving = true;
        self.store_event(self.words().store.disk_is_there.clone(), "disk is back", None, None);
        (self.lasting.ways.anew)();
    }

    /// The disk of the event store has failed and was exchanged: the agent starts anew on the other, with what stands here.
    fn move_to_another_disk(&mut self) {
        if self.lasting.leaving {
            return;
        }
        self.lasting.leaving = true;
        // What was saved before the disk failed went with it.
        for index in 0..self.kept.len() {
            if self.kept[index].seq.is_some() {
                self.save(index);
            }
        }
        self.store_event(self.words().store.another_disk.clone(), "another disk", None, None);
        self.close();
        (self.lasting.ways.anew)();
    }

    fn store_is_back(&mut self, lost: u64, how: Option<&PutBack>) {
        let words = &self.words().store;
        let sentence = if lost > 0 { &words.takes_again_lost } else { &words.takes_again };
        let mut text = filled(sentence, &[("count", &lost.to_string())]);
        if let Some(PutBack { kept, .. }) = how {
            let sentence = if kept.is_some() { &words.put_back_kept } else { &words.put_back };
            text.push(' ');
            text.push_str(&filled(sentence, &[("name", kept.as_deref().unwrap_or_default())]));
        }
        let reason = how.map(PutBack::to_string);
        let detail = StoreChange { change: "working again".into(), log_before: None, seq_before: None, reason };
        self.event(text, Detail::Store(detail), None);
        self.say_store(false);
    }

    /// Alarms whose last event waited for the disk speak of it by its new number.
    fn numbered_anew(&mut self, renumbered: super::super::ledger::Renumbered) {
        let dropped = self.lasting.ways.held.drop_after(renumbered.after);
        for index in 0..self.kept.len() {
            let kept = &mut self.kept[index];
            let seq = kept.seq.and_then(|seq| renumbered.number(seq));
            if let Some(incident) = kept.incident.and_then(|incident| renumbered.number(incident)) {
                kept.incident = Some(incident);
            }
            if seq.is_none() {
                continue;
            }
            kept.seq = seq;
            self.save(index);
            if let Some((topic, payload)) = self.alarm_record(index) {
                self.put_up(index, topic, payload);
            }
        }
        self.incidents.renumber(|incident| renumbered.number(incident));
        self.say_anew(dropped.topics);
        self.name_log(false);
        for (reply, done) in dropped.answers {
            let seq = renumbered.number(done.seq).unwrap_or(done.seq);
            reply.say(Ok(Done { log: self.lasting.ledger.head().log.clone(), seq, ..done }));
        }
    }

    /// Names the log that new events go to, where it is named.
    fn name_log(&self, anew: bool) {
        let log = &self.lasting.ledger.head().log;
        self.lasting.board.set_head(|head| head.log.clone_from(log));
        (self.lasting.renew)(log, self.lasting.mode, anew);
    }

    /// Tells what was found when the store was opened.
    pub(super) fn tell_opened(&mut self) {
        let words = &self.words().store;
        let found = std::mem::take(&mut self.lasting.opened_with.damage);
        if let Some((aside, what)) = self.lasting.opened_with.aside.take() {
            let name =
                aside.file_name().map_or_else(|| aside.display().to_string(), |name| name.to_string_lossy().into());
            let text = filled(&words.set_aside, &[("what", &what), ("name", &name)]);
            self.store_event(text, "new log", None, Some(format!("damaged store set aside as {name}: {what}")));
        }
        if let Some(why) = self.lasting.opened_with.memory_only.take() {
            let text = filled(&words.memory_only, &[("why", &why.said(self.words()))]);
            self.store_event(text, "in memory only", None, Some(why.to_string()));
        }
        if let Some(why) = self.lasting.opened_with.no_history.take() {
            let text = filled(&words.no_history, &[("why", &why.said(self.words()))]);
            self.store_event(text, "no history", None, Some(why.to_string()));
        }
        if !found.is_empty() {
            let said: Vec<String> = found.iter().map(|what| what.said(self.words())).collect();
            let reason: Vec<String> = found.iter().map(ToString::to_string).collect();
            let text = filled(&words.damaged, &[("what", &said.join(", "))]);
            self.store_event(text, "damaged", None, Some(reason.join(", ")));
        }
    }

    /// Judges what the broker remembers: a higher number for this log, or a log this store never had, means that numbers
    /// this store would give may have been given before.
    pub(super) fn compare_with_broker(&mut self, last: Option<&EventLast>) {
        let Some(last) = last else { return };
        if self.lasting.ledger.is_volatile() && !self.lasting.memory_only {
            // Numbered in a log of its own, which nobody can know.
            return;
        }
        let head = self.lasting.ledger.head();
        let (ours, known) = (last.log == head.log, self.lasting.opened_with.logs.contains(&last.log));
        let reason = match (ours, known) {
            (true, _) if last.seq > self.lasting.restored_from => "older copy restored",
            (true, _) | (false, true) => return,
            (false, false) if self.lasting.restored_from == 0 => {
                // This log has no past: only say that another came before.
                let text = self.words().store.new.clone();
                self.store_event(text, "new log", Some((last.log.clone(), last.seq)), Some("store is new".into()));
                return;
            }
            (false, false) => "another store was used since",
        };
        let before = (last.log.clone(), last.seq);
        match self.lasting.ledger.move_to_new_log(self.lasting.restored_from) {
            Ok(()) => {
                self.lasting.frames.move_to(&self.lasting.ledger.head().log);
                if let Some(keeping) = &mut self.lasting.keeping {
                    keeping.log_moved(
                        &self.lasting.clock,
                        &self.lasting.ledger.head().log,
                        self.lasting.frames.next_seq(),
                    );
                }
                let dropped = self.lasting.ways.held.clear();
                self.name_log(true);
                let text = self.words().store.older_copy.clone();
                self.store_event(text, "new log", Some(before), Some(reason.into()));
                self.say_anew(dropped.topics);
                self.publish_all_alarms();
                // What was done has another number by now, which nobody was told of.
                dropped.answers.into_iter().for_each(|(reply, done)| reply.say(Ok(done)));
            }
            Err(error) => {
                tracing::error!(%error, "a new event log could not be made; the broker's subscribers may take events for old ones")
            }
        }
    }

    fn store_event(&mut self, text: String, change: &str, before: Option<(String, u64)>, reason: Option<String>) {
        let (log_before, seq_before) = before.unzip();
        let detail = StoreChange { change: change.into(), log_before, seq_before, reason };
        self.event(text, Detail::Store(detail), None);
    }
}
