//! The field while the agent runs: the same links under one plan after another.
//!
//! A link that goes on (`moves`) is not touched; what it says is told in the numbers of the plan in force. The others end,
//! and those of the next plan begin. Between what was said under one plan and what is said under the next stands
//! whatever the caller hands over meanwhile: nothing comes out of order. Never panics.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, PoisonError, RwLock};

use tokio::sync::{mpsc, watch};

use super::moves::{Move, Shift};
use super::{Deliver, FieldStats, Shared, receive, snmp, start_link};
use crate::plan::Plan;

/// Every link of the plan in force.
pub struct Running {
    plan: Arc<Plan>,
    runtime: tokio::runtime::Handle,
    deliver: Deliver,
    shared: Shared,
    stats: Arc<FieldStats>,
    /// The same, for who has it since before the start.
    in_force: Arc<Mutex<Arc<FieldStats>>>,
    links: Vec<One>,
    notifications: Option<One>,
    /// Where each running link stands in the plan in force; read while it says something.
    places: Arc<RwLock<BTreeMap<u64, Move>>>,
    next: u64,
}

/// One link, or the receiver of notifications.
struct One {
    /// Its number among all that ever ran.
    number: u64,
    /// The plan it was started under, and its index there.
    plan: Arc<Plan>,
    link: u32,
    stop: watch::Sender<bool>,
    running: mpsc::Receiver<()>,
}

impl std::fmt::Debug for Running {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Running").field("links", &self.links.len()).finish_non_exhaustive()
    }
}

/// What of a plan goes on under the next.
#[derive(Debug)]
pub struct GoesOn {
    /// By running link: its place in the next plan.
    places: BTreeMap<u64, Move>,
    /// Links of the plan in force that go on, with their places in the next.
    pub moves: Vec<Move>,
    notifications: bool,
}

impl Running {
    /// Starts every link of a plan. `in_force` holds the counters of the plan in force from now on.
    #[must_use]
    pub fn start(
        plan: Arc<Plan>,
        runtime: &tokio::runtime::Handle,
        deliver: Deliver,
        in_force: Arc<Mutex<Arc<FieldStats>>>,
    ) -> Self {
        let stats = Arc::new(FieldStats::of(&plan));
        *in_force.lock().unwrap_or_else(PoisonError::into_inner) = Arc::clone(&stats);
        let mut running = Self {
            stats,
            in_force,
            plan,
            runtime: runtime.clone(),
            deliver,
            shared: Shared::new(),
            links: Vec::new(),
            notifications: None,
            places: Arc::default(),
            next: 0,
        };
        running.begin();
        running
    }

    /// Counters of every link and device of the plan in force.
    #[must_use]
    pub fn stats(&self) -> Arc<FieldStats> {
        Arc::clone(&self.stats)
    }

    /// Finds out what would go on under another plan; changes nothing.
    #[must_use]
    pub fn compare(&self, next: &Plan) -> GoesOn {
        let mut going = GoesOn { places: BTreeMap::new(), moves: Vec::new(), notifications: false };
        for one in &self.links {
            let Some(place) = Move::between(&one.plan, one.link, next) else { continue };
            going.places.insert(one.number, place);
            going.moves.extend(self.present(one).and_then(|link| Move::between(&self.plan, link, next)));
        }
        going.notifications = self.notifications.as_ref().is_some_and(|one| {
            one.plan.snmp.notifications == next.snmp.notifications
                && snmp::notify::known(&one.plan) == snmp::notify::known(next)
        });
        going
    }

    /// Goes on under another plan. `between` is called when every link that ends has ended, between what the links that go
    /// on said under the plan before and what they say under this one. Blocks for as long as an exchange lasts.
    pub fn follow(&mut self, next: Arc<Plan>, going: GoesOn, between: impl FnOnce()) {
        let (stay, mut end): (Vec<One>, Vec<One>) =
            std::mem::take(&mut self.links).into_iter().partition(|one| going.places.contains_key(&one.number));
        end.extend(self.notifications.take_if(|_| !going.notifications));
        for one in &end {
            // What has ended by itself listens no more.
            let _ended = one.stop.send(true);
        }
        for mut one in end {
            while one.running.blocking_recv().is_some() {}
        }
        self.stats = Arc::new(FieldStats::following(&next, &self.stats, &going.moves));
        let places = Arc::clone(&self.places);
        {
            let mut places = places.write().unwrap_or_else(PoisonError::into_inner);
            *places = going.places;
            // Before the core speaks in the new numbers.
            *self.in_force.lock().unwrap_or_else(PoisonError::into_inner) = Arc::clone(&self.stats);
            between();
        }
        (self.plan, self.links) = (next, stay);
        self.begin();
    }

    /// Ends every link and waits until they have.
    pub fn stop(self) {
        let all = self.links.into_iter().chain(self.notifications);
        let ending: Vec<One> = all
            .inspect(|one| {
                // What has ended by itself listens no more.
                let _ended = one.stop.send(true);
            })
            .collect();
        for mut one in ending {
            while one.running.blocking_recv().is_some() {}
        }
    }

    /// Starts the links of the plan in force that do not run.
    fn begin(&mut self) {
        let plan = Arc::clone(&self.plan);
        for (index, _) in (0u32..).zip(&plan.links) {
            if self.links.iter().any(|one| self.present(one) == Some(index)) {
                continue;
            }
            let (one, alive, stopped) = self.one(index);
            let (number, places, deliver) = (one.number, Arc::clone(&self.places), Arc::clone(&self.deliver));
            let here = Move::between(&plan, index, &plan).unwrap_or(Move {
                from: index,
                to: index,
                devices: Shift { from: 0, to: 0, count: 0 },
                transactions: Shift { from: 0, to: 0, count: 0 },
                points: Shift { from: 0, to: 0, count: 0 },
            });
            self.places.write().unwrap_or_else(PoisonError::into_inner).insert(number, here);
            let placed: Deliver = Arc::new(move |message| {
                // Held while it is told: a change of plan comes before or after it.
                let places = places.read().unwrap_or_else(PoisonError::into_inner);
                if let Some(place) = places.get(&number) {
                    deliver(place.renumbered(message));
                }
            });
            start_link(&plan, index, &self.runtime, &self.shared, &self.stats, placed, stopped, alive);
            self.links.push(one);
        }
        if let Some(listen) = plan.snmp.notifications.filter(|_| self.notifications.is_none()) {
            let (one, alive, stopped) = self.one(0);
            // It names no link or device.
            let deliver = Arc::clone(&self.deliver);
            receive(&plan, listen, &self.runtime, &self.shared, deliver, stopped, alive);
            self.notifications = Some(one);
        }
    }

    fn one(&mut self, link: u32) -> (One, mpsc::Sender<()>, watch::Receiver<bool>) {
        self.next += 1;
        let (alive, running) = mpsc::channel(1);
        let (stop, stopped) = watch::channel(false);
        (One { number: self.next, plan: Arc::clone(&self.plan), link, stop, running }, alive, stopped)
    }

    /// Index of a running link in the plan in force.
    fn present(&self, one: &One) -> Option<u32> {
        let places = self.places.read().unwrap_or_else(PoisonError::into_inner);
        places.get(&one.number).map(|place| place.to)
    }
}

#[cfg(test)]
mod tests;
