//! One connection to the broker, from CONNECT to its end.
//!
//! Decides what is handed to the library and which confirmation belongs to what. The library tells the packet id of
//! each publish in the order of handing over, so ids are learnt from `Outgoing::Publish`; a packet counts as received
//! only at its own PUBACK. Everything is handed over by the task that polls. It does not know what comes next: `inbox`
//! does. It never sends anything twice on one connection. Durations are monotonic. Never panics.
//!
//! ```text
//! CONNECT ─> subscribe event/last (first contact only) ─> presence ─> window kept full ─┬─ lost
//!                                                                                       ├─ renew: DISCONNECT
//!                                                             stop: drain, presence offline, DISCONNECT
//! ```

use std::collections::{HashMap, VecDeque};
use std::sync::Arc;
use std::time::{Duration, Instant};

use rumqttc::{
    AsyncClient, Event, EventLoop, MqttOptions, NetworkOptions, Outgoing, Packet as Mqtt, QoS, SubscribeReasonCode,
};

use super::access::{self, Held};
use super::inbox::Confirmed;
use super::packet::Sent;
use super::{Notice, Shared};
use crate::cause::Cause;

/// Packets handed over whose id is not yet known; keeps QoS 0 from piling up in the library.
const HANDED: usize = 64;
/// Capacity of the library's channel: packets, a subscription and a disconnect always fit.
const CHANNEL: usize = HANDED + 8;
/// TCP, TLS and CONNACK together, seconds.
const CONNECT_S: u64 = 5;
/// A broker that confirms nothing for so long is dropped.
const CONFIRM: Duration = Duration::from_secs(20);
/// A connection that held so long was good: the next pause is the shortest again.
const STEADY: Duration = Duration::from_secs(10);
/// Longest wait for what the broker remembers, and the grace after it has answered two later packets.
const CONTACT: (Duration, Duration) = (Duration::from_secs(2), Duration::from_millis(150));
/// Clean end: time to drain events, and time for the rest.
const END: (Duration, Duration) = (Duration::from_millis(1500), Duration::from_millis(500));
/// The same where only the session changes and nobody waits for an end: an agent that is short of processor time just then
/// must not leave so hastily that the broker takes it for dead and says its will.
const RENEW: Duration = Duration::from_secs(5);

/// How a connection ended.
#[derive(Debug)]
pub(super) enum Ended {
    /// As asked.
    Stopped,
    /// To begin again at once with a new session.
    Renew,
    /// Against our will.
    Lost { why: Cause, held: Held },
}

/// Keeps one connection until it ends.
pub(super) async fn run(shared: Arc<Shared>, options: MqttOptions) -> Ended {
    let base = shared.inbox().session.base.clone();
    let (host, port) = options.broker_address();
    let address = format!("{host}:{port}");
    let (client, mut events) = AsyncClient::new(options, CHANNEL);
    let mut network = NetworkOptions::new();
    network.set_tcp_nodelay(true);
    network.set_connection_timeout(CONNECT_S);
    events.set_network_options(network);
    let mut link = Link::new(Arc::clone(&shared), client, base);
    loop {
        let event = {
            // Dropping a poll half-way could leave a packet unflushed: it is kept until it answers.
            let poll = events.poll();
            tokio::pin!(poll);
            loop {
                if let Some(ended) = link.advance() {
                    return ended;
                }
                let due = link.due_at();
                tokio::select! {
                    event = &mut poll => break event,
                    () = shared.wake.notified() => {}
                    () = tokio::time::sleep_until(due.into()) => {}
                }
            }
        };
        let outcome = match event {
            Ok(event) => link.handle(event),
            Err(error) => Err(access::why(&error, &address)),
        };
        match outcome {
            Ok(None) => {}
            Ok(Some(ended)) => return ended,
            Err(why) => {
                link.drain(&mut events);
                return link.lost(why);
            }
        }
    }
}

/// Where the clean end of a connection stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Ending {
    No,
    /// Events may still go until then.
    Draining(Instant),
    /// Presence offline, or nothing more, is on its way; DISCONNECT follows at the latest then.
    LastWord(Instant),
    /// DISCONNECT is handed over; the library has until then to write it.
    Disconnecting(Instant),
}

struct Link {
    shared: Arc<Shared>,
    client: AsyncClient,
    base: String,
    connected: Option<Instant>,
    handed: VecDeque<Sent>,
    in_flight: HashMap<u16, Sent>,
    progress: Instant,
    online_confirmed: bool,
    events_confirmed: bool,
    contact: Contact,
    /// Subscriptions handed over whose packet id is not known, and those that wait for their answer.
    asked: VecDeque<Subscription>,
    subscribed: HashMap<u16, Subscription>,
    /// Commands were asked for on this connection.
    listens: bool,
    ending: Ending,
    renewing: bool,
}

/// What is subscribed to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Subscription {
    /// What the broker remembers of our events.
    Last,
    /// What people ask for.
    Commands,
}

/// First contact: what the broker remembers of our events.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Contact {
    Done,
    /// Asked; given up at that time.
    Asked(Instant),
    /// Asked and the subscription stands; given up at that time.
    Subscribed(Instant),
}

impl Link {
    fn new(shared: Arc<Shared>, client: AsyncClient, base: String) -> Self {
        let now = Instant::now();
        Self {
            shared,
            client,
            base,
            connected: None,
            handed: VecDeque::new(),
            in_flight: HashMap::new(),
            progress: now,
            online_confirmed: false,
            events_confirmed: false,
            contact: Contact::Done,
            asked: VecDeque::new(),
            subscribed: HashMap::new(),
            listens: false,
            ending: Ending::No,
            renewing: false,
        }
    }

    /// Everything that is due without the broker saying anything.
    fn advance(&mut self) -> Option<Ended> {
        let now = Instant::now();
        let (stop, renew) = {
            let control = self.shared.control();
            (control.stop, control.renew)
        };
        if self.connected.is_none() {
            return if stop { Some(Ended::Stopped) } else { None };
        }
        if !self.in_flight.is_empty() && self.progress + CONFIRM <= now {
            return Some(self.lost(Cause::known("broker_confirms_nothing", &[("seconds", &CONFIRM.as_secs())])));
        }
        match self.contact {
            Contact::Asked(until) | Contact::Subscribed(until) if until <= now => self.contact_made(None),
            Contact::Done | Contact::Asked(_) | Contact::Subscribed(_) => {}
        }
        if let Some(ended) = self.end(now, stop, renew) {
            return Some(ended);
        }
        self.listen();
        self.fill(now)
    }

    /// When `advance` has something to do at the latest.
    fn due_at(&self) -> Instant {
        let now = Instant::now();
        let Some(_) = self.connected else { return now + Duration::from_secs(CONNECT_S) };
        let contact = match self.contact {
            Contact::Asked(until) | Contact::Subscribed(until) => Some(until),
            Contact::Done => None,
        };
        let ending = match self.ending {
            Ending::Draining(at) | Ending::LastWord(at) | Ending::Disconnecting(at) => Some(at),
            Ending::No => None,
        };
        let due = [contact, ending, self.shared.inbox().due_at()];
        let look = now + Duration::from_secs(1);
        due.into_iter().flatten().fold(look, Instant::min).max(now + Duration::from_millis(1))
    }

    /// Hands over what the window has room for.
    fn fill(&mut self, now: Instant) -> Option<Ended> {
        self.shared.fetch();
        if matches!(self.ending, Ending::Disconnecting(_)) || (self.renewing && self.ending != Ending::No) {
            return None;
        }
        while self.handed.len() < HANDED {
            let packet = self.shared.inbox().next(now)?;
            let qos = if packet.confirmed { QoS::AtLeastOnce } else { QoS::AtMostOnce };
            let topic = format!("{}/{}", self.base, packet.topic);
            if self.client.try_publish(topic, qos, packet.retain, packet.payload).is_err() {
                // Cannot be: the channel has room for every packet handed over, and topics are checked at the door.
                return Some(self.lost("the MQTT library took no packet although there was room".into()));
            }
            if self.in_flight.is_empty() && self.handed.is_empty() {
                self.progress = now;
            }
            self.handed.push_back(packet.sent);
        }
        None
    }

    fn handle(&mut self, event: Event) -> Result<Option<Ended>, Cause> {
        match event {
            Event::Incoming(Mqtt::ConnAck(_)) => self.on_connected()?,
            Event::Incoming(Mqtt::PubAck(ack)) => {
                self.progress = Instant::now();
                if let Some(sent) = self.in_flight.remove(&ack.pkid) {
                    self.on_confirmed(&sent);
                }
            }
            Event::Incoming(Mqtt::SubAck(ack)) => {
                let refused = ack.return_codes.iter().all(|code| *code == SubscribeReasonCode::Failure);
                match self.subscribed.remove(&ack.pkid) {
                    Some(Subscription::Last) => self.last_subscribed(refused),
                    Some(Subscription::Commands) if refused => {
                        if let Some((filter, _)) = self.shared.listening() {
                            self.shared.tell(Notice::Unheard(format!("{}/{filter}", self.base)));
                        }
                    }
                    Some(Subscription::Commands) | None => {}
                }
            }
            Event::Incoming(Mqtt::Publish(publish)) => {
                let below = publish.topic.strip_prefix(&self.base).and_then(|rest| rest.strip_prefix('/'));
                let is_last = below.is_some_and(|below| below == self.shared.inbox().session.last_topic);
                if is_last && self.contact != Contact::Done && publish.retain {
                    self.contact_made(Some(publish.payload.to_vec()));
                } else if !is_last && let (Some(below), Some((_, hears))) = (below, self.shared.listening()) {
                    hears(below.to_owned(), publish.retain, publish.payload.to_vec());
                }
            }
            Event::Incoming(Mqtt::Disconnect) => return Err(Cause::known("broker_goodbye", &[])),
            Event::Incoming(_) => {}
            Event::Outgoing(Outgoing::Publish(id)) => {
                let Some(sent) = self.handed.pop_front() else {
                    return Err(format!("the MQTT library sent packet {id}, which it was not given").into());
                };
                if id != 0 {
                    self.in_flight.insert(id, sent);
                }
            }
            Event::Outgoing(Outgoing::Subscribe(id)) => {
                if let Some(subscription) = self.asked.pop_front() {
                    self.subscribed.insert(id, subscription);
                }
            }
            Event::Outgoing(Outgoing::AwaitAck(id)) => {
                let why = format!("the broker left packet {id} unconfirmed while it confirmed a thousand later ones");
                return Err(why.into());
            }
            Event::Outgoing(Outgoing::Disconnect) => {
                return Ok(Some(if self.renewing { Ended::Renew } else { Ended::Stopped }));
            }
            Event::Outgoing(_) => {}
        }
        Ok(None)
    }

    fn on_connected(&mut self) -> Result<(), Cause> {
        let now = Instant::now();
        self.connected = Some(now);
        self.progress = now;
        self.shared.inbox().connected();
        if !self.shared.control().contact {
            let topic = format!("{}/{}", self.base, self.shared.inbox().session.last_topic);
            self.client.try_subscribe(topic, QoS::AtLeastOnce).map_err(|e| e.to_string())?;
            self.asked.push_back(Subscription::Last);
            self.contact = Contact::Asked(now + CONTACT.0);
        }
        self.shared.up();
        Ok(())
    }

    fn on_confirmed(&mut self, sent: &Sent) {
        let outcome = self.shared.inbox().confirmed(sent);
        match outcome {
            Confirmed::Row(id) => {
                self.events_confirmed = true;
                self.shared.writer.acknowledged(&[id]);
            }
            Confirmed::Cleared(topic) => self.shared.writer.cleared(topic),
            Confirmed::Nothing => {}
        }
        if *sent == Sent::Online {
            self.online_confirmed = true;
            self.contact_fence();
        }
    }

    fn last_subscribed(&mut self, refused: bool) {
        match self.contact {
            Contact::Asked(_) if refused => self.contact_made(None),
            Contact::Asked(until) => self.contact = Contact::Subscribed(until),
            Contact::Done | Contact::Subscribed(_) => {}
        }
        self.contact_fence();
    }

    /// Asks for what people say, once what the broker remembers is known.
    fn listen(&mut self) {
        if self.listens || self.contact != Contact::Done || self.ending != Ending::No {
            return;
        }
        let Some((filter, _)) = self.shared.listening() else { return };
        self.listens = true;
        if self.client.try_subscribe(format!("{}/{filter}", self.base), QoS::AtLeastOnce).is_ok() {
            self.asked.push_back(Subscription::Commands);
        }
    }

    /// The broker answered the subscription and a later packet: what it remembers is on its way or is not.
    fn contact_fence(&mut self) {
        if let Contact::Subscribed(until) = self.contact
            && self.online_confirmed
        {
            self.contact = Contact::Subscribed(until.min(Instant::now() + CONTACT.1));
        }
    }

    fn contact_made(&mut self, remembered: Option<Vec<u8>>) {
        self.contact = Contact::Done;
        self.shared.control().contact = true;
        let topic = format!("{}/{}", self.base, self.shared.inbox().session.last_topic);
        if self.client.try_unsubscribe(topic).is_err() {
            tracing::debug!("the subscription to our own last event stays until the connection ends");
        }
        self.shared.tell(Notice::Remembered(remembered));
    }

    /// The steps of a clean end.
    fn end(&mut self, now: Instant, stop: bool, renew: bool) -> Option<Ended> {
        match self.ending {
            Ending::No if stop => self.ending = Ending::Draining(now + END.0),
            Ending::No if renew => {
                self.renewing = true;
                self.ending = Ending::LastWord(now + RENEW);
            }
            Ending::Draining(until) => {
                if until <= now || !self.shared.inbox().events_wait() || !self.shared.inbox().released() {
                    self.shared.inbox().say_offline();
                    self.ending = Ending::LastWord(now + END.1);
                }
            }
            Ending::LastWord(until) => {
                if until <= now || (self.handed.is_empty() && self.in_flight.is_empty()) {
                    if self.client.try_disconnect().is_err() {
                        return Some(if self.renewing { Ended::Renew } else { Ended::Stopped });
                    }
                    self.ending = Ending::Disconnecting(now + if self.renewing { RENEW } else { END.1 });
                }
            }
            Ending::Disconnecting(until) if until <= now => {
                return Some(if self.renewing { Ended::Renew } else { Ended::Stopped });
            }
            Ending::No | Ending::Disconnecting(_) => {}
        }
        None
    }

    /// Confirmations that arrived before the connection broke still count.
    fn drain(&mut self, events: &mut EventLoop) {
        while let Some(event) = events.state.events.pop_front() {
            if self.handle(event).is_err() {
                return;
            }
        }
    }

    /// Judges whether the broker dropped us for something we sent.
    fn lost(&mut self, why: Cause) -> Ended {
        let steady = self.connected.is_some_and(|at| at.elapsed() >= STEADY);
        let out: Vec<Sent> = self
            .in_flight
            .drain()
            .map(|(_, sent)| sent)
            .chain(self.handed.drain(..).filter(|sent| *sent != Sent::Point))
            .collect();
        let mut inbox = self.shared.inbox();
        inbox.disconnected();
        if steady {
            inbox.suspicion.clear();
        } else if self.online_confirmed
            && !out.is_empty()
            && let Some(refused) = inbox.suspicion.dropped(&out)
        {
            let row = inbox.set_aside(&refused);
            drop(inbox);
            let reason = Cause::known("broker_drops", &[]).because("why", why.clone());
            match row {
                Some(row) => self.shared.row_aside(&row, reason),
                None => self.shared.tell(Notice::SetAside { what: refused.to_string(), why: reason }),
            }
        }
        let held = match (steady, self.events_confirmed) {
            (true, _) => Held::Steady,
            (false, true) => Held::Shaky,
            (false, false) => Held::No,
        };
        Ended::Lost { why, held }
    }
}
