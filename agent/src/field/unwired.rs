//! One link's polling without a wire: for tests that answer in the devices' place, in a time of their own.
//!
//! Plan, schedule, health, identity and what an outcome means are those of every link (`poll`); here only the exchange is
//! left to the caller, who says what came and how long it took. Connections behave as the drivers': Modbus TCP drops its
//! own after any failure but an exception. In no build a user makes (feature `fuzzing`). Never panics.

use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use lapwing_engine::spec::Raw;

use super::failure::Failure;
use super::poll::{Job, Poll, Step, Trust};
use super::request::{Answer, Read};
use super::why::Unreached;
use super::{FieldMessage, FieldStats};
use crate::plan::{Ask, Plan, Transport};

/// What a device shows.
#[derive(Clone, Debug)]
pub enum Shown {
    /// Registers in address order.
    Registers(Vec<u16>),
    /// Bits in address order.
    Bits(Vec<bool>),
    /// One value a variable.
    Variables(Vec<Raw>),
}

/// What is asked.
#[derive(Clone, Copy, Debug)]
pub struct Asked<'a> {
    /// Index of the device in the plan.
    pub device: u32,
    /// What of it.
    pub ask: &'a Ask,
    /// Registers in its place.
    pub instead: Option<Read>,
}

/// Room for the registers of an answer, used again and again.
pub type Room = Vec<u16>;

/// One link.
#[allow(missing_debug_implementations)] // holds a function
pub struct Unwired {
    poll: Poll,
    told: Arc<Mutex<Vec<FieldMessage>>>,
    /// An exchange under way: asked when, what will have come of it.
    under_way: Option<(Job, Instant, Result<Shown, Failure>)>,
    /// The connection can be seen to be cut, and is dropped after failures.
    has_connection: bool,
    room: Room,
}

impl Unwired {
    /// A link of the plan whose time begins at `epoch`.
    #[must_use]
    pub fn new(plan: &Arc<Plan>, link: u32, stats: &Arc<FieldStats>, epoch: Instant) -> Self {
        let told: Arc<Mutex<Vec<FieldMessage>>> = Arc::default();
        let (trust, has_connection) = match plan.links.get(link as usize).map(|link| &link.transport) {
            Some(Transport::Serial { .. }) => (Trust::Unnamed, false),
            Some(Transport::ModbusRtuTcp { .. }) => (Trust::Unnamed, true),
            Some(Transport::Snmp { .. }) => (Trust::Named, false),
            Some(Transport::ModbusTcp { .. } | Transport::ModbusTls { .. } | Transport::Redfish(_)) | None => {
                (Trust::Named, true)
            }
        };
        let to = Arc::clone(&told);
        let deliver = Arc::new(move |message| to.lock().unwrap_or_else(PoisonError::into_inner).push(message));
        let poll = Poll::new(Arc::clone(plan), link, Arc::clone(stats), deliver, trust).since(epoch);
        Self { poll, told, under_way: None, has_connection, room: Room::new() }
    }

    /// Goes on at a moment at which it wanted to be called; returns the next such moment. `wire` says what will come of
    /// a request and how long that takes, with room for registers; `up`: the cable is whole.
    pub fn turn(
        &mut self,
        now: Instant,
        up: bool,
        wire: &mut impl FnMut(Asked<'_>, Room) -> (Result<Shown, Failure>, Duration),
    ) -> Instant {
        if let Some((job, sent, outcome)) = self.under_way.take() {
            if let Err(failure) = &outcome
                && self.drops(failure)
            {
                self.poll.lost(now);
            }
            let answer = match &outcome {
                Ok(Shown::Registers(registers)) => Ok(Answer::Registers(registers)),
                Ok(Shown::Bits(bits)) => Ok(Answer::Bits(bits)),
                Ok(Shown::Variables(values)) => Ok(Answer::Variables(values.clone())),
                Err(failure) => Err(failure.clone()),
            };
            self.poll.done(job, sent, now, answer);
            if let Ok(Shown::Registers(room)) = outcome {
                self.room = room;
            }
        }
        match self.poll.step(now) {
            Step::Connect if up || !self.has_connection => self.poll.connected(now),
            Step::Connect => self.poll.connect_failed(now, Unreached::Silent { to: "there".into(), within_ms: 1000 }),
            Step::Wait(until) => {
                let soonest = now + Duration::from_millis(1);
                return until.unwrap_or(now + Duration::from_secs(1)).max(soonest);
            }
            Step::Ask(job) => {
                let index = self.poll.index(&job);
                let asked = Asked { device: index, ask: self.poll.ask(&job), instead: job.instead };
                let (outcome, takes) = wire(asked, std::mem::take(&mut self.room));
                self.under_way = Some((job, now, outcome));
                return now + takes;
            }
        }
        now
    }

    /// Requests of another master were heard on the line.
    pub fn foreign_requests(&mut self, requests: u32, unit: u8, now: Instant) {
        self.poll.foreign_requests(requests, unit, now);
    }

    /// What the link has said since the last call, into a list that is empty.
    pub fn take_told(&self, into: &mut Vec<FieldMessage>) {
        std::mem::swap(into, &mut *self.told.lock().unwrap_or_else(PoisonError::into_inner));
    }

    fn drops(&self, failure: &Failure) -> bool {
        match failure {
            Failure::Exception { .. } | Failure::Plan(_) => false,
            Failure::Closed(_) | Failure::NoConnection(_) => true,
            Failure::Silence { .. }
            | Failure::Unanswered { .. }
            | Failure::Garbled(_)
            | Failure::Refused(_)
            | Failure::Http { .. }
            | Failure::Access(_)
            | Failure::AgentFailure => {
                self.has_connection && matches!(self.poll.link().transport, Transport::ModbusTcp { .. })
            }
        }
    }
}
