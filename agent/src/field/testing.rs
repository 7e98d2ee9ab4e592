//! What the field's tests share: small plans, and a collector of what the links deliver.
//!
//! Compiled for tests only. Waits are bounded and end as soon as what is waited for is there.

use std::sync::{Arc, Condvar, Mutex, PoisonError};
use std::time::{Duration, Instant};

use lapwing_engine::spec::{Raw, Span};
use lapwing_protocol::Status;

use tokio::sync::watch;

use super::{Batch, Deliver, FieldHandle, FieldMessage, FieldStats, start};
use crate::plan::{Ask, Device, Identity, Link, Plan, Slice, Table, Transaction, Transport};

pub(super) const PERIOD: Duration = Duration::from_millis(50);

/// A plan in the making: links, then their devices, then their transactions, in order.
#[derive(Default)]
pub(super) struct Sketch {
    pub plan: Plan,
}

impl Sketch {
    pub(super) fn link(mut self, transport: Transport, timeout_ms: u64) -> Self {
        self.plan.links.push(Link {
            name: format!("link-{}", self.plan.links.len()),
            transport,
            timeout: Duration::from_millis(timeout_ms),
            retries: 1,
            devices: Span { first: count(&self.plan.devices), count: 0 },
            state_point: 0,
            listen: false,
            listen_first: Duration::ZERO,
            masters_point: None,
            count_points: None,
        });
        self
    }

    pub(super) fn tcp(self, port: u16, timeout_ms: u64) -> Self {
        self.link(Transport::ModbusTcp { host: "127.0.0.1".into(), port }, timeout_ms)
    }

    pub(super) fn device(mut self, unit: u8) -> Self {
        let link = count(&self.plan.links) - 1;
        let on = self.plan.links.last_mut().expect("a link first");
        on.devices.count += 1;
        let timeout = on.timeout;
        self.plan.devices.push(Device {
            name: format!("device-{unit}"),
            link,
            unit,
            timeout,
            pause: Duration::ZERO,
            late_max: timeout * 3,
            turnaround: Duration::ZERO,
            faster: None,
            transactions: Span { first: count(&self.plan.transactions), count: 0 },
            above_least_ppm: 0,
            state_point: 0,
            identity: Identity::default(),
            map_point: None,
        });
        self
    }

    /// A read of which every register (or bit) is a point.
    pub(super) fn reads(self, table: Table, start: u16, quantity: u16) -> Self {
        self.reads_every(table, start, quantity, PERIOD)
    }

    pub(super) fn reads_every(self, table: Table, start: u16, quantity: u16, period: Duration) -> Self {
        let words = u8::from(matches!(table, Table::Holding | Table::Input));
        let slices = (0..quantity).map(|offset| Slice { offset, words, scale_factor: None }).collect();
        self.asks(Ask::Modbus { table, start, count: quantity, slices }, u32::from(quantity), period)
    }

    pub(super) fn asks(mut self, ask: Ask, points: u32, period: Duration) -> Self {
        let index = count(&self.plan.devices) - 1;
        self.plan.devices.last_mut().expect("a device first").transactions.count += 1;
        let first = self.plan.transactions.last().map_or(0, |t| t.points.first + t.points.count);
        self.plan.transactions.push(Transaction {
            device: index,
            period,
            phase: Duration::ZERO,
            ask,
            points: Span { first, count: points },
        });
        self
    }

    pub(super) fn plan(self) -> Arc<Plan> {
        Arc::new(self.plan)
    }
}

fn count<T>(list: &[T]) -> u32 {
    u32::try_from(list.len()).expect("small")
}

/// A runtime with a running field; stops when dropped.
pub(super) struct Rig {
    pub runtime: tokio::runtime::Runtime,
    pub inbox: Inbox,
    stop: watch::Sender<bool>,
    field: Option<FieldHandle>,
}

impl Rig {
    pub(super) fn new() -> Self {
        let runtime =
            tokio::runtime::Builder::new_multi_thread().worker_threads(1).enable_all().build().expect("a runtime");
        Self { runtime, inbox: Inbox::default(), stop: watch::Sender::new(false), field: None }
    }

    pub(super) fn start(&mut self, plan: Arc<Plan>) {
        self.field = Some(start(plan, self.runtime.handle(), self.inbox.deliver(), self.stop.subscribe()));
    }

    pub(super) fn stats(&self) -> Arc<FieldStats> {
        self.field.as_ref().expect("started").stats()
    }

    pub(super) fn end(mut self) -> Vec<FieldMessage> {
        self.stop.send_replace(true);
        self.field.take().expect("started").wait_ended();
        self.inbox.all()
    }
}

/// Keeps everything delivered.
#[derive(Clone, Default)]
pub(super) struct Inbox(Arc<(Mutex<Vec<FieldMessage>>, Condvar)>);

impl Inbox {
    pub(super) fn deliver(&self) -> Deliver {
        let inbox = self.clone();
        Arc::new(move |message| {
            inbox.0.0.lock().unwrap_or_else(PoisonError::into_inner).push(message);
            inbox.0.1.notify_all();
        })
    }

    pub(super) fn all(&self) -> Vec<FieldMessage> {
        self.0.0.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    pub(super) fn clear(&self) {
        self.0.0.lock().unwrap_or_else(PoisonError::into_inner).clear();
    }

    /// Blocks until nobody is left who could deliver anything, at most ten seconds.
    pub(super) fn wait_alone(&self) {
        crate::store::tests::wait_for("the last who could deliver", Duration::from_secs(10), || {
            Arc::strong_count(&self.0) == 1
        });
    }

    /// Blocks until something holds of all that was delivered, at most ten seconds.
    pub(super) fn wait(&self, what: &str, holds: impl Fn(&[FieldMessage]) -> bool) {
        let until = Instant::now() + Duration::from_secs(10);
        let mut messages = self.0.0.lock().unwrap_or_else(PoisonError::into_inner);
        while !holds(&messages) {
            let left = until.saturating_duration_since(Instant::now());
            assert!(!left.is_zero(), "waited in vain for {what}; {}", summary(&messages));
            messages = self.0.1.wait_timeout(messages, left).unwrap_or_else(PoisonError::into_inner).0;
        }
    }

    pub(super) fn wait_good(&self, transaction: u32, at_least: usize) {
        self.wait("good batches", |all| good(all, transaction).len() >= at_least);
    }
}

fn summary(messages: &[FieldMessage]) -> String {
    let told: Vec<_> = messages.iter().filter(|m| !matches!(m, FieldMessage::Batch(_))).rev().take(5).collect();
    format!("{} messages; the last that were no batch, newest first: {told:?}", messages.len())
}

pub(super) fn batches(messages: &[FieldMessage], transaction: u32) -> Vec<&Batch> {
    let mut of = Vec::new();
    for message in messages {
        if let FieldMessage::Batch(batch) = message
            && batch.transaction == transaction
        {
            of.push(batch);
        }
    }
    of
}

/// Batches of a transaction that carry values.
pub(super) fn good(messages: &[FieldMessage], transaction: u32) -> Vec<&Batch> {
    batches(messages, transaction).into_iter().filter(|b| b.raws.iter().all(|r| !matches!(r, Raw::Fault(_)))).collect()
}

/// Statuses of a transaction's faulted batches.
pub(super) fn faults(messages: &[FieldMessage], transaction: u32) -> Vec<Status> {
    let fault = |batch: &&Batch| match batch.raws[..] {
        [Raw::Fault(status), ..] => Some(status),
        _ => None,
    };
    batches(messages, transaction).iter().filter_map(fault).collect()
}

/// The registers of a good batch whose points are single registers.
pub(super) fn registers(batch: &Batch) -> Vec<u16> {
    let register = |raw: &Raw| match raw {
        Raw::Words { words, len: 1, .. } => words[0],
        other => panic!("a register expected, not {other:?}"),
    };
    batch.raws.iter().map(register).collect()
}

/// Ups and downs told, in order: link or device, index, up.
pub(super) fn states(messages: &[FieldMessage]) -> Vec<(&'static str, u32, bool)> {
    let state = |message: &FieldMessage| match message {
        FieldMessage::LinkState { link, up, .. } => Some(("link", *link, *up)),
        FieldMessage::DeviceState { device, up, .. } => Some(("device", *device, *up)),
        FieldMessage::Batch(_)
        | FieldMessage::Late { .. }
        | FieldMessage::Identity { .. }
        | FieldMessage::Shown { .. }
        | FieldMessage::Masters { .. }
        | FieldMessage::Counts { .. } => None,
        FieldMessage::Lacks { .. } | FieldMessage::Restarted { .. } | FieldMessage::Notice { .. } => None,
    };
    messages.iter().filter_map(state).collect()
}
