//! What the loop does once at the edges of its life: lets events go although the broker never said its last, and ends in order.
//!
//! Part of the loop in `run`. Ending waits at most five seconds for the store's queue. Never panics.

use super::*;

impl Core<'_> {
    /// The notice of first contact can only be missing when the queue was full just then: events must not wait for ever.
    pub(super) fn release_at_last(&mut self) {
        if self.lasting.released {
            return;
        }
        if let Connection::Up(since) = self.lasting.ways.publisher.state().connection
            && since.elapsed() > RELEASE
        {
            tracing::warn!(
                "the broker's last event could not be compared with the store; events are sent all the same"
            );
            self.lasting.released = true;
            self.lasting.ways.publisher.release();
        }
    }

    /// Ends in order: a last frame, a last event, everything handed to the store.
    pub(super) fn end(mut self) -> Summary {
        let now = self.lasting.clock.now();
        self.pass(now);
        self.moved();
        self.publish_frames();
        if let Some(keeping) = &mut self.lasting.keeping {
            keeping.submit();
        }
        self.lasting.figures.load(&self.lasting.load, now);
        self.save_memories();
        let detail = AgentChange { change: "stopping".into(), version: None, reason: None };
        let words = &self.words().agent;
        let text = if self.lasting.leaving { &words.stops_anew } else { &words.stops };
        self.event(text.clone(), Detail::Agent(detail), None);
        let until = Instant::now() + Duration::from_secs(5);
        while self.close() && Instant::now() < until {
            self.watch_store();
            std::thread::sleep(Duration::from_millis(10)); // the store's queue is full; it frees up commit by commit
        }
        let dropped = self.lasting.ways.door.dropped();
        if dropped > 0 {
            tracing::warn!(dropped, "messages from the field were dropped because the core did not keep up");
        }
        self.lasting.figures.summary(0, 0.0)
    }
}
