//! What the core says of its own health: it sets its points, the plan's alarms judge them like any other.
//!
//! Part of the loop in `run`. Shares and errors are over the time since the last look. Never panics.

use std::sync::Arc;

use super::super::health::{EVERY, Host};
use super::*;
use crate::field::moves::Move;

/// What was counted at the last look.
#[derive(Debug)]
pub(super) struct Watched {
    pub(super) host: Arc<Host>,
    pub(super) next: Instant,
    pub(super) due: u64,
    pub(super) good: u64,
    /// Per link: requests and answers.
    pub(super) links: Vec<(u64, u64)>,
    /// As last reported, per link.
    pub(super) counts: Vec<[u64; 4]>,
    pub(super) boot: u64,
}

impl Watched {
    pub(super) fn new(host: Arc<Host>, boot: u64) -> Self {
        Self { host, next: Instant::now(), due: 0, good: 0, links: Vec::new(), counts: Vec::new(), boot }
    }

    /// Under the next plan links have other numbers; those that begin count anew.
    pub(super) fn follow(&mut self, links: &[Move]) {
        let (before, counts) = (std::mem::take(&mut self.links), std::mem::take(&mut self.counts));
        for place in links {
            let (Ok(from), Ok(to)) = (usize::try_from(place.from), usize::try_from(place.to)) else { continue };
            if let Some(known) = counts.get(from) {
                self.counted(place.to, *known);
            }
            if let Some(known) = before.get(from) {
                if self.links.len() <= to {
                    self.links.resize(to + 1, (0, 0));
                }
                self.links[to] = *known;
            }
        }
    }

    /// Notes what a link has counted since it was started.
    pub(super) fn counted(&mut self, link: u32, counts: [u64; 4]) {
        let Ok(link) = usize::try_from(link) else { return };
        if self.counts.len() <= link {
            self.counts.resize(link + 1, [0; 4]);
        }
        self.counts[link] = counts;
    }
}

impl Core<'_> {
    /// Sets the points of health when it is time.
    pub(super) fn health(&mut self, instant: Instant) {
        if instant < self.lasting.watched.next {
            return;
        }
        self.lasting.watched.next = instant + EVERY;
        let Some(points) = self.plan.health.clone() else { return };
        let (due, good) = self.lasting.figures.readings();
        let watched = &mut self.lasting.watched;
        let (due_now, good_now) = (due.saturating_sub(watched.due), good.saturating_sub(watched.good));
        (watched.due, watched.good) = (due, good);
        let share = permille(good_now, due_now).unwrap_or(1000);
        let host = Arc::clone(&watched.host);
        let writer = self.lasting.ledger.writer().state();
        let publish = self.lasting.ways.publisher.state();
        let now_wall = self.lasting.clock.wall(self.lasting.clock.now());
        let oldest_s = publish.oldest_unsent_t_ms.map_or(0, |t| now_wall.saturating_sub(t).max(0) / 1000);
        let ms = |duration: Duration| u64::try_from(duration.as_millis()).unwrap_or(u64::MAX);
        let boot = self.lasting.watched.boot;
        let in_memory = u64::from(self.lasting.memory_only || writer.volatile.is_some());
        let values = [
            (points.good, share),
            (points.skipped, self.lasting.figures.skipped_scans()),
            (points.lateness, self.lasting.figures.take_lateness_ms()),
            (points.waiting, self.lasting.ways.door.waiting() as u64),
            (points.dropped, self.lasting.ways.door.dropped()),
            (points.unsent, writer.unsent),
            (points.oldest, oldest_s.unsigned_abs()),
            (points.store, in_memory),
            (points.commit, ms(writer.last_commit)),
            (points.disk_free, host.free_permille()),
            (points.disk_free_mib, host.free_mib()),
            (points.written, host.written_kib()),
            (points.clock, u64::from(!self.lasting.clock.synced())),
            (points.cpu, host.cpu_permille()),
            (points.memory, host.memory_kib() / 1024),
            (points.starts, boot),
        ];
        for (point, value) in values {
            self.say_own(point, value);
        }
        for certificate in &points.certificates {
            match self.lasting.watched.host.days_left(&certificate.path, now_wall) {
                Some(Ok(days)) => self.judge.own(self.lasting.clock.now(), certificate.point, days),
                Some(Err(())) => self.judge.own_fault(self.lasting.clock.now(), certificate.point, Status::BAD),
                None => continue,
            }
            self.said_own();
        }
        for (link, point) in points.errors.iter().enumerate() {
            let Some([requests, answers, ..]) = self.lasting.watched.counts.get(link).copied() else { continue };
            if self.lasting.watched.links.len() <= link {
                self.lasting.watched.links.resize(link + 1, (0, 0));
            }
            let (before, answered) = std::mem::replace(&mut self.lasting.watched.links[link], (requests, answers));
            let (asked, got) = (requests.saturating_sub(before), answers.saturating_sub(answered));
            // Requests on their way are no errors.
            let errors = permille(asked.saturating_sub(got).saturating_sub(1), asked).unwrap_or(0);
            self.say_own(*point, errors);
        }
    }

    /// The state of the store, as soon as it changes.
    pub(super) fn say_store(&mut self, in_memory: bool) {
        if let Some(points) = &self.plan.health {
            self.say_own(points.store, u64::from(in_memory));
        }
    }

    fn say_own(&mut self, point: u32, value: u64) {
        self.judge.own(self.lasting.clock.now(), point, i64::try_from(value).unwrap_or(i64::MAX));
        self.said_own();
    }

    fn said_own(&mut self) {
        self.publish_readings(self.judge.judged_at(), crate::store::history::OWN);
        self.moved();
    }
}

fn permille(part: u64, whole: u64) -> Option<u64> {
    part.saturating_mul(1000).checked_div(whole).map(|share| share.min(1000))
}
