//! The demo module and the agent that watches it, played in virtual time: no sockets, no threads, no clock.
//!
//! The simulator's devices are asked by the agent's own polling (`field::unwired`), at the pace and price of each link;
//! what links say goes to the agent's own judging and telling (`core::judge`, `core::incidents`). Only the wire is left
//! out: an answer takes what the planner reckons for it, a silent device its time-out. Model and cards move on every
//! 100 ms, so a change is seen up to that much late. Garbled bytes are handed over as such, not made. Times are ms since
//! the agent's start. Panics when the plan does not fit the simulator.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use lapwing::core::incidents::{Incidents, urgency};
use lapwing::core::judge::{Judge, rate_per_min, seconds_left};
use lapwing::core::saved::Kept;
use lapwing::core::tell::{self, Subject};
use lapwing::field::failure::{Failure, Garble};
use lapwing::field::planner::Cost;
use lapwing::field::unwired::{Asked, Room, Shown, Unwired};
use lapwing::field::{FieldMessage, FieldStats};
use lapwing::plan::{Ask, Plan, Table};
use lapwing_engine::alarm::group::Place;
use lapwing_engine::spec::{Millis, Raw};
use lapwing_engine::{AlarmState, Cause, Engine, PointState, Transition, Window};
use lapwing_protocol::Status;
use lapwing_simulator::bank::{Bank, Manner, SharedBank, Variable};
use lapwing_simulator::plant::Plant;

/// Step of model and cards, ms.
pub(crate) const STEP_MS: u64 = 100;
/// How often another master speaks on a line, ms.
const FOREIGN_EVERY_MS: u64 = 1000;

/// An alarm raised.
#[derive(Clone, Debug)]
pub(crate) struct Raise {
    /// When it was told, or would have been.
    pub(crate) at_ms: u64,
    /// Index of the alarm.
    pub(crate) alarm: u32,
    /// A person was told.
    pub(crate) told: bool,
    /// The first-out alarm it follows from.
    pub(crate) follows: Option<u32>,
    /// The alarm that was taken for the first until now.
    pub(crate) explains: Option<u32>,
    /// What people read of it.
    pub(crate) said: String,
}

/// The agent without threads, store and broker.
#[allow(missing_debug_implementations)]
pub(crate) struct Agent<'p> {
    /// Its plan.
    pub(crate) plan: &'p Plan,
    /// Its judging.
    pub(crate) judge: Judge<'p>,
    incidents: Incidents<'p>,
    kept: Vec<Kept>,
    events: u64,
    raises: Vec<Raise>,
}

/// One link with its devices.
struct Line {
    link: Unwired,
    next: Instant,
    up: Arc<AtomicBool>,
    second_master: Arc<AtomicBool>,
    foreign_ms: u64,
}

/// A device of the plan.
struct Device {
    bank: SharedBank,
    /// By transaction: how long an exchange takes.
    cost: Cost,
    timeout: Duration,
    /// Exchanges since its address was doubled.
    doubled: u32,
}

/// Plays the plant until `look` says that it is enough. It is called before each step and may change both.
pub(crate) fn play(
    plan: &Arc<Plan>,
    plant: &mut Plant,
    look: &mut dyn FnMut(u64, &mut Plant, &mut Agent<'_>) -> bool,
) -> Vec<Raise> {
    let mut points = vec![PointState::default(); plan.engine.points.len()];
    let mut alarms = vec![AlarmState::default(); plan.engine.alarms.len()];
    let mut windows = vec![Window::default(); plan.engine.windows.len()];
    let engine = Engine::new(plan.engine.tables(), &mut points, &mut alarms, &mut windows).expect("the plan fits");
    let mut agent = Agent {
        plan,
        judge: Judge::new(plan, engine),
        incidents: Incidents::new(plan),
        kept: vec![Kept::default(); plan.alarms.len()],
        events: 0,
        raises: Vec::new(),
    };
    let base = Instant::now();
    let stats = Arc::new(FieldStats::of(plan));
    let mut lines = lines(plan, plant, &stats, base);
    let mut devices = devices(plan, plant);
    let mut told = Vec::new();
    let mut at_ms = 0;
    while look(at_ms, plant, &mut agent) {
        let end = base + Duration::from_millis(at_ms + STEP_MS);
        while let Some((first, next)) = lines.iter().map(|line| line.next).enumerate().min_by_key(|(_, next)| *next) {
            if next >= end {
                break;
            }
            let now = since(base, next);
            agent.due(now);
            lines[first].turn(now, &mut devices);
            lines[first].link.take_told(&mut told);
            if !told.is_empty() {
                told.drain(..).for_each(|message| agent.hear(base, now, message));
                agent.moved(now);
            }
        }
        at_ms += STEP_MS;
        agent.due(Millis(at_ms));
        #[allow(clippy::cast_precision_loss)] // a tenth of a second
        plant.step(STEP_MS as f64 / 1000.0, &mut |_| {});
    }
    agent.raises
}

impl Line {
    fn turn(&mut self, at: Millis, devices: &mut [Device]) {
        let now = self.next;
        let up = self.up.load(Ordering::Relaxed);
        if at.0 >= self.foreign_ms {
            self.foreign_ms = at.0 + FOREIGN_EVERY_MS;
            let requests = u32::from(self.second_master.load(Ordering::Relaxed));
            self.link.foreign_requests(requests, 1, now);
        }
        self.next = self.link.turn(now, up, &mut |asked, room| devices[asked.device as usize].answer(up, asked, room));
    }
}

impl Device {
    /// What comes of a request, and when.
    fn answer(&mut self, up: bool, asked: Asked<'_>, room: Room) -> (Result<Shown, Failure>, Duration) {
        let takes = self.cost.ask(asked.ask);
        let timeout_ms = u64::try_from(self.timeout.as_millis()).unwrap_or(u64::MAX);
        let silence = (Err(Failure::Silence { timeout_ms }), self.timeout);
        let bank = self.bank.lock();
        if !up {
            return silence;
        }
        match bank.manner {
            Manner::Well => (shown(asked, room, &bank), takes),
            Manner::Silent => silence,
            Manner::Slow { delay_ms } => {
                let takes = takes + Duration::from_millis(u64::from(delay_ms));
                if takes > self.timeout { silence } else { (shown(asked, room, &bank), takes) }
            }
            Manner::Garbage => (Err(Failure::Garbled(Garble::Crc)), takes),
            Manner::Doubled => {
                // Two answers over each other; now and then one of them is so late that the first comes through.
                self.doubled += 1;
                let whole = self.doubled.is_multiple_of(5);
                (if whole { shown(asked, room, &bank) } else { Err(Failure::Garbled(Garble::Crc)) }, takes)
            }
        }
    }
}

impl Agent<'_> {
    fn hear(&mut self, base: Instant, now: Millis, message: FieldMessage) {
        let plan = self.plan;
        match message {
            FieldMessage::Batch(batch) => {
                let at = since(base, batch.at).min(now);
                self.judge.batch(now, at, batch.transaction, &batch.raws);
            }
            FieldMessage::LinkState { link, up, .. } => self.state(now, plan.links[link as usize].state_point, up),
            FieldMessage::DeviceState { device, up, .. } => {
                self.state(now, plan.devices[device as usize].state_point, up);
            }
            FieldMessage::Identity { device, fits, .. } => {
                if let Some(point) = plan.devices[device as usize].identity.point {
                    self.judge.doubt(device, !fits);
                    self.state(now, point, fits);
                }
            }
            FieldMessage::Masters { link, another, .. } => {
                if let Some(point) = plan.links[link as usize].masters_point {
                    self.state(now, point, !another);
                }
            }
            FieldMessage::Lacks { device, lacking, .. } => {
                if let Some(point) = plan.devices[device as usize].map_point {
                    self.state(now, point, lacking.is_empty());
                }
            }
            FieldMessage::Counts { .. }
            | FieldMessage::Shown { .. }
            | FieldMessage::Restarted { .. }
            | FieldMessage::Notice { .. }
            | FieldMessage::Late { .. } => {}
        }
    }

    fn state(&mut self, now: Millis, point: u32, well: bool) {
        if self.judge.is_news(now, point, well) {
            self.judge.own(now, point, i64::from(!well));
        }
    }

    /// Makes happen what is due until then.
    fn due(&mut self, until: Millis) {
        while let Some(at) = self.judge.poll_at().filter(|at| *at <= until) {
            self.judge.poll(at);
            self.moved(at);
            if self.judge.poll_at().is_some_and(|next| next <= at) {
                break; // it waits for a reading
            }
        }
    }

    /// Decides what is told of what has moved.
    pub(crate) fn moved(&mut self, now: Millis) {
        for t in self.judge.take_transitions() {
            self.events += 1;
            let kept = &mut self.kept[t.alarm as usize];
            let left = (!t.status.is_bad()).then(|| seconds_left(self.plan, t.alarm, t.value, t.slope)).flatten();
            let urgency = urgency(&self.plan.alarms[t.alarm as usize], left);
            let decided = self.incidents.decide(&t, kept, urgency, self.events, true, self.judge.engine());
            if t.cause == Cause::Raised || decided.told {
                let said = self.said(&t, decided.place);
                self.raises.push(Raise {
                    at_ms: now.0,
                    alarm: t.alarm,
                    told: decided.told,
                    follows: decided.place.and_then(|place| place.follows),
                    explains: decided.place.and_then(|place| place.explains),
                    said,
                });
            }
        }
    }

    /// The sentence of a raise, with what it follows from or explains.
    fn said(&mut self, t: &Transition, place: Option<Place>) -> String {
        let subject = Subject::of(self.plan, t.alarm).expect("invariant: the plan's own alarm");
        let stood = tell::text(subject, t, rate_per_min(self.plan, t), None, "", None);
        let of = |alarm: u32| self.kept[alarm as usize].text.clone();
        let text = place.map_or_else(
            || stood.clone(),
            |place| {
                let (follows, explains) = (place.follows.map(of), place.explains.map(of));
                tell::with_place(subject.words, &stood, follows.as_deref(), explains.as_deref(), place.tie)
            },
        );
        self.kept[t.alarm as usize].text = stood;
        text
    }
}

fn since(base: Instant, at: Instant) -> Millis {
    Millis(u64::try_from(at.saturating_duration_since(base).as_millis()).unwrap_or(u64::MAX))
}

fn lines(plan: &Arc<Plan>, plant: &Plant, stats: &Arc<FieldStats>, base: Instant) -> Vec<Line> {
    let simulated = plant.links();
    let line = |(number, link): (u32, &lapwing::plan::Link)| {
        let there = simulated.iter().find(|there| there.name == link.name);
        let there = there.unwrap_or_else(|| panic!("the simulator has no link {}", link.name));
        Line {
            link: Unwired::new(plan, number, stats, base),
            next: base,
            up: Arc::clone(&there.up),
            second_master: Arc::clone(&there.second_master),
            foreign_ms: 0,
        }
    };
    (0..).zip(&plan.links).map(line).collect()
}

fn devices(plan: &Plan, plant: &Plant) -> Vec<Device> {
    let simulated = plant.links();
    let device = |device: &lapwing::plan::Device| {
        let there = simulated.iter().flat_map(|link| &link.devices).find(|there| there.name == device.name);
        let there = there.unwrap_or_else(|| panic!("the simulator has no device {}", device.name));
        Device {
            bank: there.bank.clone(),
            cost: Cost::of(&plan.links[device.link as usize].transport, device),
            timeout: device.timeout,
            doubled: 0,
        }
    };
    plan.devices.iter().map(device).collect()
}

/// What a device answers.
fn shown(asked: Asked<'_>, mut room: Room, bank: &Bank) -> Result<Shown, Failure> {
    let none = Failure::Exception { code: 2 }; // illegal data address
    let mut modbus = |table: Table, start: u16, count: u16| {
        let range = usize::from(start)..usize::from(start) + usize::from(count);
        let mut registers = |all: &[u16]| {
            all.get(range.clone()).map(|part| {
                room.clear();
                room.extend_from_slice(part);
                Shown::Registers(std::mem::take(&mut room))
            })
        };
        let bits = |all: &[bool]| all.get(range.clone()).map(|part| Shown::Bits(part.to_vec()));
        match table {
            Table::Holding => registers(&bank.holding),
            Table::Input => registers(&bank.input),
            Table::Coil => bits(&bank.coils),
            Table::Discrete => bits(&bank.discrete),
        }
        .ok_or(none.clone())
    };
    if let Some(read) = asked.instead {
        return modbus(read.table(), read.start(), read.count());
    }
    match asked.ask {
        Ask::Modbus { table, start, count, .. } => modbus(*table, *start, *count),
        Ask::Snmp { oids } => Ok(Shown::Variables(oids.iter().map(|oid| variable(bank.variables.get(oid))).collect())),
        Ask::SnmpColumn { column, listed } => Ok(Shown::Variables(rows(bank, column, listed))),
        Ask::SnmpCells { .. } | Ask::Redfish { .. } => Err(Failure::Plan("the demo has none of these")),
    }
}

/// Which of the listed identifiers stand in a column; the place without a name counts the others.
fn rows(bank: &Bank, column: &[u32], listed: &[Option<Vec<u32>>]) -> Vec<Raw> {
    let there: Vec<&Vec<u32>> = (bank.variables.iter())
        .filter(|(oid, _)| oid.starts_with(column))
        .filter_map(|(_, value)| if let Variable::Oid(oid) = value { Some(oid) } else { None })
        .collect();
    let others = there.iter().filter(|oid| !listed.iter().flatten().any(|known| known == **oid)).count();
    let count = |found: usize| Raw::Whole(i64::try_from(found).unwrap_or(i64::MAX));
    let one = |wanted: &Option<Vec<u32>>| match wanted {
        Some(wanted) => count(usize::from(there.contains(&wanted))),
        None => count(others),
    };
    listed.iter().map(one).collect()
}

fn variable(value: Option<&Variable>) -> Raw {
    match value {
        Some(Variable::Integer(value)) => Raw::Whole(i64::from(*value)),
        Some(Variable::Gauge(value) | Variable::Counter(value) | Variable::TimeTicks(value)) => {
            Raw::Whole(i64::from(*value))
        }
        Some(Variable::Text(_) | Variable::Oid(_)) | None => Raw::Fault(Status::BAD_NO_COMMUNICATION),
    }
}
