//! The agent's own store and publisher in this process, put together as the agent does, without field and judging.
//!
//! Panics when something cannot be set up.

use std::path::Path;
use std::sync::mpsc::{Receiver, channel};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use lapwing::plan;
use lapwing::publish::{Notice, Publisher, Session};
use lapwing::store::{Commit, EventRow, Opened, Store, SubmitError, Writer};

/// Size of an event's payload: that of an alarm's event in the demo.
pub(crate) const EVENT_BYTES: usize = 1400;

/// Store, writer and publisher.
pub(crate) struct Own {
    pub(crate) writer: Writer,
    pub(crate) publisher: Publisher,
    pub(crate) opened: Opened,
    next: u64,
    notices: Receiver<Notice>,
    runtime: Option<tokio::runtime::Runtime>,
}

impl Own {
    /// Opens the store in `dir` and connects to a broker on a port of this machine, as soon as there is one.
    pub(crate) fn start(dir: &Path, port: u16) -> Self {
        let (store, opened) = Store::open(dir, 512).expect("the store opens");
        let slot: Arc<Mutex<Option<Publisher>>> = Arc::default();
        let forward = Arc::clone(&slot);
        let writer = store
            .spawn_writer(move |durable| {
                if let Some(publisher) = &*forward.lock().unwrap_or_else(PoisonError::into_inner) {
                    publisher.durable(durable.rows);
                }
            })
            .expect("the writer starts");
        let runtime = tokio::runtime::Builder::new_multi_thread()
            .worker_threads(1)
            .enable_all()
            .build()
            .expect("the host gives a runtime");
        let (tell, notices) = channel();
        let settings =
            plan::Mqtt { broker: ("127.0.0.1".into(), port), client_id: "bench-own".into(), ..plan::Mqtt::default() };
        let publisher = Publisher::start(runtime.handle(), settings, session(), writer.clone(), move |notice| {
            // Nobody listens at the very end.
            let _over = tell.send(notice);
        })
        .expect("the session can be published");
        *slot.lock().unwrap_or_else(PoisonError::into_inner) = Some(publisher.clone());
        let next = opened.last_seq + 1;
        Self { writer, publisher, opened, next, notices, runtime: Some(runtime) }
    }

    /// Waits for first contact with the broker and lets events go.
    pub(crate) fn release(&self) {
        loop {
            let notice = self.notices.recv_timeout(Duration::from_secs(60)).expect("first contact with the broker");
            if matches!(notice, Notice::Remembered(_)) {
                break;
            }
        }
        self.publisher.release();
    }

    /// Submits one event and gives its number.
    pub(crate) fn event(&mut self) -> u64 {
        let seq = self.next;
        self.next += 1;
        let mut payload = format!("E{seq} ").into_bytes();
        payload.resize(EVENT_BYTES, b'e');
        let row =
            EventRow { seq, t_ms: 1_800_000_000_000, kind: "alarm", payload, announce: None, tellings: Vec::new() };
        let mut waiting = Some(Commit { events: vec![row], ..Commit::default() });
        while let Some(commit) = waiting.take() {
            match self.writer.submit(commit) {
                Ok(_) => {}
                Err(SubmitError::Full(commit)) => {
                    waiting = Some(commit);
                    std::thread::sleep(Duration::from_millis(1));
                }
                Err(error) => panic!("{error}"),
            }
        }
        seq
    }

    /// Waits until the broker has confirmed every event.
    pub(crate) fn all_confirmed(&self) {
        while self.writer.state().unsent > 0 || self.writer.state().waiting > 0 {
            std::thread::sleep(Duration::from_millis(2));
        }
    }

    /// Ends in order.
    pub(crate) fn stop(mut self) {
        self.publisher.stop();
        assert!(self.publisher.wait_stopped(Duration::from_secs(5)), "a clean end in time");
        assert_eq!(self.writer.stop(), 0, "everything is durable");
        if let Some(runtime) = self.runtime.take() {
            runtime.shutdown_timeout(Duration::from_secs(2));
        }
    }
}

/// Number of an event by its payload; `None` for what is no event.
pub(crate) fn number(payload: &[u8]) -> Option<u64> {
    let digits = payload.strip_prefix(b"E")?;
    let end = digits.iter().position(|byte| *byte == b' ')?;
    std::str::from_utf8(&digits[..end]).ok()?.parse().ok()
}

fn session() -> Session {
    Session {
        base: "lapwing/bench/own".into(),
        presence_topic: "presence".into(),
        online: b"online".to_vec(),
        offline: b"offline".to_vec(),
        catalogue: Vec::new(),
        event_topic: "event".into(),
        last_topic: "event/last".into(),
        last: |log, seq, t_ms| format!("last {log} {seq} {t_ms}").into_bytes(),
        lost: Arc::new(|log, seq, _| format!("lost {log} {seq}").into_bytes()),
    }
}
