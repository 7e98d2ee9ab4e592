//! Sends frames again that the broker has not confirmed, from history, below everything else.
//!
//! A thread of its own looks for what is missing while the broker is there, makes those frames again, oldest first, and
//! hands them over one by one, no faster than [`PAUSE`] allows: live messages go first at the publisher, and reading
//! history must not take the host from judging. A frame is settled when the broker has confirmed it, or when history does
//! not have it. Knows nothing of what frames mean. Pauses are monotonic. Never panics.

use std::collections::BTreeSet;
use std::ops::ControlFlow;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use lapwing_protocol::{Encoding, Frame};

use crate::memory::give_back;
use crate::publish::{FrameId, Publisher};
use crate::store::history::{Reader, Recorder, Start};

/// Between two late frames: 250 a second are 250 times real time at one frame a second.
const PAUSE: Duration = Duration::from_millis(4);
/// Between two looks for what is missing.
const LOOK: Duration = Duration::from_millis(500);
/// A late frame that met no fate by then is looked at anew.
const PATIENCE: Duration = Duration::from_secs(30);

/// The running thread.
#[derive(Debug)]
pub struct Late {
    stop: Arc<AtomicBool>,
    thread: JoinHandle<()>,
}

struct Task {
    reader: Reader,
    recorder: Recorder,
    publisher: Publisher,
    encoding: Encoding,
    /// Number of the agent's start.
    begun: u64,
    /// Late frames without a fate.
    out: Arc<Mutex<BTreeSet<FrameId>>>,
    stop: Arc<AtomicBool>,
}

impl Late {
    /// Starts the thread and lets the recorder hear what becomes of frames.
    ///
    /// # Errors
    /// When the host gives no thread.
    pub fn start(
        reader: Reader,
        recorder: Recorder,
        publisher: Publisher,
        encoding: Encoding,
        begun: u64,
    ) -> std::io::Result<Self> {
        let stop = Arc::new(AtomicBool::new(false));
        let out: Arc<Mutex<BTreeSet<FrameId>>> = Arc::default();
        let (hears, of_hearer) = (recorder.clone(), Arc::clone(&out));
        publisher.on_frames(move |id, confirmed| {
            if id.late {
                if confirmed {
                    hears.frame_settled(id.start, id.number);
                }
                of_hearer.lock().unwrap_or_else(PoisonError::into_inner).remove(&id);
            } else {
                hears.frame_fate(id.start, id.number, confirmed);
            }
        });
        let task = Task { reader, recorder, publisher, encoding, begun, out, stop: Arc::clone(&stop) };
        let thread = std::thread::Builder::new().name("late".into()).spawn(move || task.run())?;
        Ok(Self { stop, thread })
    }

    /// Ends the thread; what is missing stays missing and is sent after the next start.
    pub fn stop(self) {
        self.stop.store(true, Ordering::Relaxed);
        if self.thread.join().is_err() {
            tracing::error!("the thread of late frames ended by a panic; please report this");
        }
    }
}

impl Task {
    fn run(self) {
        while !self.stop.load(Ordering::Relaxed) {
            std::thread::sleep(LOOK);
            if !self.publisher.late_room() {
                continue;
            }
            if let Some((start, first, next)) = self.recorder.missing().oldest() {
                self.send(start, first, next);
            }
        }
    }

    /// Sends a missing range, as far as the connection lasts.
    fn send(&self, number: u64, first: u64, next: u64) {
        let starts = match self.reader.starts() {
            Ok(starts) => starts,
            Err(error) => return tracing::warn!("frames cannot be sent again now: {error}"),
        };
        let Some(start) = starts.iter().find(|start| start.number == number) else {
            if number >= self.begun {
                return; // of this run: its writer has not noted it yet
            }
            tracing::warn!(
                "history has nothing of start {number} any more: its frames {first} and later are not sent again"
            );
            return self.recorder.frames_gone(number, first, u64::MAX);
        };
        let until = starts.iter().find(|later| later.number > number).map(|later| later.at);
        let present = self.recorder.present();
        if number == present {
            self.recorder.flush();
        }
        // What was published of the plan in force is published already.
        if starts.iter().find(|start| start.number == present).is_none_or(|now| now.catalogue != start.catalogue) {
            self.catalogue(start);
        }
        let mut broken = false;
        let missing = self.recorder.missing();
        let read = self.reader.frames(start, until, first, |frame| {
            if frame.seq() >= next {
                return ControlFlow::Break(());
            }
            if !missing.is_missing(number, frame.seq()) {
                return ControlFlow::Continue(());
            }
            if self.hand_over(number, &frame) {
                ControlFlow::Continue(())
            } else {
                broken = true;
                ControlFlow::Break(())
            }
        });
        give_back();
        let settled = self.all_settled();
        match read {
            Ok(last) if !broken && settled => {
                // What is still missing of it is not in the history: dropped, damaged, or never written.
                let end = if next == u64::MAX { u64::MAX } else { next };
                let gone = self.recorder.missing().count_in(number, first, end.min(last.unwrap_or(first).max(first)));
                if gone > 0 {
                    tracing::warn!(gone, "frames could not be made again from history");
                }
                // The present start goes on: what was not read yet stays.
                let end = if number == present { end.min(last.unwrap_or(first)) } else { end };
                self.recorder.frames_gone(number, first, end);
            }
            Ok(_) => {}
            Err(error) => tracing::warn!("frames cannot be sent again now: {error}"),
        }
    }

    /// Subscribers need the catalogue that explains a frame.
    fn catalogue(&self, start: &Start) {
        let text = self.reader.text("catalogue", &start.catalogue).ok().flatten();
        let pages = text.and_then(|text| serde_json::from_slice::<Vec<(String, String)>>(&text).ok());
        for (topic, payload) in pages.into_iter().flatten() {
            if let Err(error) = self.publisher.retained(topic, payload.into_bytes()) {
                tracing::warn!(%error, "a page of an earlier catalogue was not taken by the publisher");
            }
        }
    }

    /// Hands a frame over when there is room; `false` if the connection is gone or the agent ends.
    fn hand_over(&self, start: u64, frame: &Frame) -> bool {
        let id = FrameId { start, number: frame.seq(), late: true };
        let Ok(payload) = self.encoding.to_vec(frame) else { return true };
        let until = Instant::now() + PATIENCE;
        while !self.publisher.late_room() {
            if self.stop.load(Ordering::Relaxed) || !self.publisher.is_up() || Instant::now() > until {
                return false;
            }
            std::thread::sleep(PAUSE);
        }
        self.out.lock().unwrap_or_else(PoisonError::into_inner).insert(id);
        let taken = self.publisher.late("frame".into(), payload, id);
        std::thread::sleep(PAUSE);
        match taken {
            Ok(true) => true,
            Ok(false) => {
                self.out.lock().unwrap_or_else(PoisonError::into_inner).remove(&id);
                false
            }
            // Larger than the broker takes: it has met its fate.
            Err(_) => true,
        }
    }

    /// Waits until every late frame has met its fate.
    fn all_settled(&self) -> bool {
        let until = Instant::now() + PATIENCE;
        while !self.out.lock().unwrap_or_else(PoisonError::into_inner).is_empty() {
            if self.stop.load(Ordering::Relaxed) || !self.publisher.is_up() || Instant::now() > until {
                self.out.lock().unwrap_or_else(PoisonError::into_inner).clear();
                return false;
            }
            std::thread::sleep(PAUSE);
        }
        self.publisher.is_up()
    }
}
