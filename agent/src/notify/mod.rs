//! Tells people directly, by mail and signed POST: for sites without anything to receive MQTT.
//!
//! The core decides who is told of an event and when; the store keeps that with the event, in one transaction, until it is
//! done; this room sends. What was sent is removed at once: only a kill between sending and removing sends a message
//! again, with the same id. A server that does not answer delays nothing else: each recipient has its own pauses, and after
//! a time its own alarm. Alarms of one incident that come within a few seconds are one message. What is passed on for want
//! of acknowledgement is sent only if the alarm's record still says so. On a thread and runtime of its own. Never panics.
//!
//! Rooms: `queue` what is due; `compose` the words; `mail`, `webhook` the ways, `sign` the signature.

mod compose;
mod mail;
mod queue;
mod sign;
#[cfg(test)]
pub(crate) mod testing;
mod webhook;

use std::collections::HashMap;
use std::path::Path;
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use lapwing_protocol::{AlarmRecord, Event};
use tokio::sync::{Notify, oneshot, watch};
use tokio::task::{JoinError, JoinSet};
use tokio::time::{sleep_until, timeout};

use crate::cause::Cause;
use crate::core::board::Board;
use crate::core::{Door, Message as ToCore};
use crate::page::now_ms;
use crate::plan::Plan;
use crate::plan::recipients::{Recipient, Way};
use crate::store::{StoreError, StoredEvent, TellingKey, TellingRow, Writer};
use crate::words::Words;
use queue::{Due, Queue, Waiting};

/// Longest time for one message, from connecting to the server's last word.
const ANSWER: Duration = Duration::from_secs(30);
/// What is under way at the end may take so long.
const GOODBYE: Duration = Duration::from_secs(3);
/// By then the core has put every alarm's record up.
const RECORDS_UP: Duration = Duration::from_secs(30);
/// Records are looked for again after this while.
const LOOK_AGAIN: Duration = Duration::from_secs(1);
/// Events looked through for what belongs to an incident.
const LOOKED_THROUGH: u32 = 512;
/// Tellings that wait to be taken over: ten thousand alarms at one instant to some recipients.
const INCOMING: usize = 50_000;

/// The running room.
#[derive(Debug)]
pub struct Notifier {
    incoming: Arc<Incoming>,
    stop: watch::Sender<bool>,
    thread: JoinHandle<()>,
}

/// The way in; clones lead to the same room.
#[derive(Clone, Debug)]
pub struct Inlet(Arc<Incoming>);

#[derive(Debug, Default)]
struct Incoming {
    rows: Mutex<Vec<TellingRow>>,
    wake: Notify,
}

impl Inlet {
    /// A way in to a room that is started later.
    #[must_use]
    pub fn new() -> Self {
        Self(Arc::default())
    }

    /// Takes tellings; returns at once. More than fit stay in the store and are told after the next start.
    pub fn take(&self, rows: Vec<TellingRow>) {
        if rows.is_empty() {
            return;
        }
        let mut waiting = self.0.rows.lock().unwrap_or_else(PoisonError::into_inner);
        let room = INCOMING.saturating_sub(waiting.len());
        if rows.len() > room {
            tracing::error!(lost = rows.len() - room, "too many messages at once; they wait for the next start");
        }
        waiting.extend(rows.into_iter().take(room));
        drop(waiting);
        self.0.wake.notify_one();
    }
}

impl Default for Inlet {
    fn default() -> Self {
        Self::new()
    }
}

impl Notifier {
    /// Starts it.
    ///
    /// # Errors
    /// When the host gives no thread or event loop.
    pub fn start(
        plan: Arc<Plan>,
        inlet: &Inlet,
        writer: Writer,
        board: Arc<Board>,
        door: Door,
    ) -> std::io::Result<Self> {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().max_blocking_threads(4).build()?;
        let (stop, stopped) = watch::channel(false);
        let incoming = Arc::clone(&inlet.0);
        let task = Task {
            queue: Queue::new(plan.recipients.len()),
            plan,
            incoming: Arc::clone(&incoming),
            writer,
            board,
            door,
            under_way: JoinSet::new(),
            by_task: HashMap::new(),
        };
        let thread = std::thread::Builder::new().name("notify".into()).spawn(move || {
            runtime.block_on(task.run(stopped));
            runtime.shutdown_background();
        })?;
        Ok(Self { incoming, stop, thread })
    }

    /// Ends it; what waits is told after the next start.
    pub fn stop(self) {
        let _ended = self.stop.send(true);
        self.incoming.wake.notify_one();
        if self.thread.join().is_err() {
            tracing::error!("the thread of messages to recipients ended by a panic; please report this");
        }
    }
}

struct Task {
    plan: Arc<Plan>,
    incoming: Arc<Incoming>,
    writer: Writer,
    board: Arc<Board>,
    door: Door,
    queue: Queue,
    under_way: JoinSet<Sent>,
    /// Whom the tasks under way tell.
    by_task: HashMap<tokio::task::Id, usize>,
}

/// What became of a message.
struct Sent {
    recipient: usize,
    keys: Vec<TellingKey>,
    given_up: u64,
    outcome: Result<(), Cause>,
}

/// What the board says of a telling.
enum Standing {
    Tell,
    /// Somebody has acknowledged it, or the alarm is no more.
    Settled,
    /// The core has not begun yet.
    Unknown,
}

impl Task {
    async fn run(mut self, mut stopped: watch::Receiver<bool>) {
        for recipient in 0..self.plan.recipients.len() {
            // Reached until the first message says otherwise.
            self.door.hand_in(ToCore::Recipient { recipient, reached: true, why: None });
        }
        let incoming = Arc::clone(&self.incoming);
        while !*stopped.borrow() {
            self.take_over();
            self.start_due();
            let due = self.queue.due_at();
            let idle = Instant::now() + Duration::from_secs(3600);
            tokio::select! {
                () = incoming.wake.notified() => {}
                // An error means that whoever would stop it is gone.
                _ = stopped.changed() => break,
                Some(sent) = self.under_way.join_next_with_id() => self.ended(sent),
                () = sleep_until(due.unwrap_or(idle).max(Instant::now() + Duration::from_millis(10)).into()) => {}
            }
        }
        let until = tokio::time::Instant::now() + GOODBYE;
        while let Ok(Some(sent)) = tokio::time::timeout_at(until, self.under_way.join_next_with_id()).await {
            self.ended(sent);
        }
    }

    /// Takes over what has come; a recipient that is no longer configured is told nothing.
    fn take_over(&mut self) {
        let rows = std::mem::take(&mut *self.incoming.rows.lock().unwrap_or_else(PoisonError::into_inner));
        let (now, wall) = (Instant::now(), now_ms());
        let mut gone = Vec::new();
        for row in rows {
            match self.plan.recipients.iter().position(|recipient| recipient.name == row.telling.recipient) {
                Some(recipient) => {
                    let name = row.telling.recipient.clone();
                    if let Some(given_up) = self.queue.push(recipient, row, now, wall) {
                        tracing::warn!("an old message to {name} is given up: too many wait");
                        gone.push(given_up);
                    }
                }
                None => gone.push(row.key()),
            }
        }
        if !gone.is_empty() {
            self.writer.told(gone);
        }
    }

    fn start_due(&mut self) {
        while let Some(Due { recipient, tellings, given_up }) = self.queue.next(Instant::now()) {
            let (mut tell, mut settled, mut unknown) = (Vec::new(), Vec::new(), false);
            for waiting in tellings {
                match self.standing(&waiting) {
                    Standing::Tell => tell.push(waiting),
                    Standing::Settled => settled.push(waiting.row.key()),
                    Standing::Unknown => unknown = true,
                }
            }
            if !settled.is_empty() {
                self.queue.remove(&settled);
                self.writer.told(settled);
            }
            if unknown {
                self.queue.postpone(recipient, Instant::now() + LOOK_AGAIN);
            } else if tell.is_empty() {
                self.queue.free(recipient);
            } else {
                self.send(recipient, tell, given_up);
            }
        }
    }

    /// Whether a telling still has a reason.
    fn standing(&self, waiting: &Waiting) -> Standing {
        if !waiting.row.telling.further {
            return Standing::Tell;
        }
        match self.record(&waiting.alarm) {
            Some(record) if record.occurrence == waiting.occurrence && !record.acknowledged => Standing::Tell,
            Some(_) => Standing::Settled,
            // Soon after the start every alarm that was told has its record; one without is no longer configured.
            None if self.board.age() > RECORDS_UP => Standing::Settled,
            None if !self.plan.alarms.iter().any(|alarm| alarm.id == waiting.alarm) => Standing::Settled,
            None => Standing::Unknown,
        }
    }

    fn record(&self, alarm: &str) -> Option<AlarmRecord> {
        serde_json::from_slice(&self.board.record(alarm)?).ok()
    }

    fn send(&mut self, recipient: usize, tellings: Vec<Waiting>, given_up: u64) {
        let (plan, writer) = (Arc::clone(&self.plan), self.writer.clone());
        let records: Vec<Option<AlarmRecord>> = tellings.iter().map(|waiting| self.record(&waiting.alarm)).collect();
        let task = self.under_way.spawn(async move {
            let keys: Vec<TellingKey> = tellings.iter().map(|waiting| waiting.row.key()).collect();
            let made = make(&plan, &writer, recipient, tellings, records, given_up).await;
            let outcome = match (made, plan.recipients.get(recipient)) {
                (Ok(Some(message)), Some(to)) => deliver(&plan, to, &message).await,
                // Its events are no longer to be had: nothing can be told.
                (Ok(_), _) => Ok(()),
                (Err(why), _) => Err(why),
            };
            Sent { recipient, keys, given_up, outcome }
        });
        self.by_task.insert(task.id(), recipient);
    }

    fn ended(&mut self, ended: Result<(tokio::task::Id, Sent), JoinError>) {
        match ended {
            Ok((task, sent)) => {
                self.by_task.remove(&task);
                self.done(sent);
            }
            // A panic in a library on what a server sends must not keep a recipient from being told.
            Err(error) => {
                if let Some(recipient) = self.by_task.remove(&error.id()) {
                    let outcome = Err(Cause::from(format!("the library failed: {error}")));
                    self.done(Sent { recipient, keys: Vec::new(), given_up: 0, outcome });
                }
            }
        }
    }

    fn done(&mut self, sent: Sent) {
        let Sent { recipient, keys, given_up, outcome } = sent;
        match outcome {
            Ok(()) => {
                self.queue.remove(&keys);
                self.writer.told(keys);
                self.queue.got_through(recipient, given_up);
                self.door.hand_in(ToCore::Recipient { recipient, reached: true, why: None });
            }
            Err(why) => {
                let name = self.plan.recipients.get(recipient).map_or("", |recipient| recipient.name.as_str());
                tracing::warn!("a message to {name} did not get through: {why}");
                let mut random = [0_u8; 2];
                // Without random numbers the pauses are not spread, which is no reason not to try.
                let share =
                    getrandom::fill(&mut random).map_or(0.5, |()| f64::from(u16::from_le_bytes(random)) / 65536.0);
                self.queue.failed(recipient, Instant::now(), share);
                self.door.hand_in(ToCore::Recipient { recipient, reached: false, why: Some(why) });
            }
        }
    }
}

/// Reads the events and makes the message.
async fn make(
    plan: &Plan,
    writer: &Writer,
    recipient: usize,
    tellings: Vec<Waiting>,
    records: Vec<Option<AlarmRecord>>,
    given_up: u64,
) -> Result<Option<compose::Message>, Cause> {
    let Some(to) = plan.recipients.get(recipient) else { return Ok(None) };
    let first = tellings.iter().map(|waiting| waiting.row.row).min().unwrap_or(0);
    let last = tellings.iter().map(|waiting| waiting.row.row).max().unwrap_or(0);
    let span = u32::try_from(last.saturating_sub(first)).unwrap_or(u32::MAX);
    let limit = span.min(100_000).saturating_add(LOOKED_THROUGH);
    let (answer, wait) = oneshot::channel();
    writer.ask(move |store| {
        // Nobody waits any more when the agent ends.
        let _gone = answer.send(store.events_from_row(first, limit));
    });
    let stored: Vec<(u64, StoredEvent)> = match timeout(ANSWER, wait).await {
        Ok(Ok(Ok(stored))) => stored,
        Ok(Ok(Err(error))) => return Err(error.cause()),
        Ok(Err(_)) | Err(_) => return Err(StoreError::Stopped.cause()),
    };
    let read = |payload: &[u8]| serde_json::from_slice::<Event>(payload).ok();
    let incidents: Vec<(u64, u64)> =
        tellings.iter().filter_map(|waiting| Some((waiting.row.row, waiting.incident?))).collect();
    let unacknowledged_ms =
        tellings.iter().filter(|waiting| waiting.row.telling.further).map(|waiting| waiting.row.telling.after_ms).max();
    let alarms = tellings
        .iter()
        .zip(records)
        .filter_map(|(waiting, record)| {
            let payload = if waiting.row.volatile {
                &waiting.row.payload
            } else {
                stored.iter().find(|(row, _)| *row == waiting.row.row).map(|(_, event)| &event.payload)?
            };
            Some((read(payload)?, record))
        })
        .collect();
    let related = stored
        .iter()
        .filter(|(_, event)| event.kind == "alarm")
        .filter_map(|(row, event)| Some((row, read(&event.payload)?)))
        .filter(|(row, event)| {
            let incident = event.alarm().and_then(|change| change.incident);
            incident.is_some_and(|incident| incidents.iter().any(|(of, known)| known == &incident && of <= row))
        })
        .map(|(_, event)| event)
        .collect();
    let (zone, words) = (&plan.module.time_zone, Words::of(plan.module.language));
    let material = compose::Material { recipient: &to.name, zone, words, alarms, related, unacknowledged_ms, given_up };
    Ok(compose::message(material))
}

/// Sends a message its recipient's way.
async fn deliver(plan: &Plan, to: &Recipient, message: &compose::Message) -> Result<(), Cause> {
    let sent = async {
        match &to.way {
            Way::Email { address } => mail::send(&plan.mail, address, message).await,
            Way::Webhook(hook) => webhook::post(hook, &to.name, message, now_ms() / 1000).await,
        }
    };
    match timeout(ANSWER, sent).await {
        Ok(outcome) => outcome,
        Err(_) => Err(Cause::known("no_answer_within", &[("seconds", &ANSWER.as_secs())])),
    }
}

/// Sends a test message to one recipient and waits for what becomes of it.
///
/// # Errors
/// Why it did not get through.
pub fn send_test(plan: &Plan, to: &Recipient) -> Result<(), Cause> {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().map_err(|e| e.to_string())?;
    let message = compose::test_message(&to.name, &plan.module, now_ms());
    runtime.block_on(deliver(plan, to, &message))
}

/// A secret of a file; a final line end is not part of it.
fn secret(file: &Path, what: &str) -> Result<String, String> {
    let text =
        std::fs::read_to_string(file).map_err(|error| format!("{what} {} cannot be read: {error}", file.display()))?;
    let text = text.trim_end_matches(['\n', '\r']);
    if text.is_empty() { Err(format!("{what} {} is empty", file.display())) } else { Ok(text.to_owned()) }
}
