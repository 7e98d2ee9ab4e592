//! An MQTT client on a thread that stamps every message the moment it arrives.
//!
//! Panics when the broker cannot be reached.

use std::sync::mpsc::{Receiver, channel};
use std::time::{Duration, Instant};

use rumqttc::{Client, Event, MqttOptions, NetworkOptions, Packet, QoS};

/// One message as it arrived.
#[derive(Debug)]
pub(crate) struct Arrival {
    /// Payload.
    pub(crate) payload: Vec<u8>,
    /// When.
    pub(crate) at: Instant,
}

/// A connected client.
pub(crate) struct Listener {
    client: Client,
    arrivals: Receiver<Arrival>,
}

impl Listener {
    /// Connects, subscribes with QoS 1 and waits until the subscription stands.
    pub(crate) fn subscribe(port: u16, name: &str, topics: &[&str]) -> Self {
        let mut options = MqttOptions::new(name, "127.0.0.1", port);
        options.set_max_packet_size(1 << 20, 1 << 20);
        let (client, mut connection) = Client::new(options, 1000);
        // Small packets must not wait for each other: the kernel's 40 ms would be measured as the broker's.
        let mut network = NetworkOptions::new();
        network.set_tcp_nodelay(true);
        connection.eventloop.set_network_options(network);
        for topic in topics {
            client.subscribe(*topic, QoS::AtLeastOnce).expect("invariant: the queue has room");
        }
        let (sender, arrivals) = channel();
        let (ready, is_ready) = channel();
        let wanted = topics.len();
        std::thread::spawn(move || {
            let mut confirmed = 0;
            for notice in connection.iter() {
                match notice {
                    Ok(Event::Incoming(Packet::Publish(publish))) => {
                        let at = Instant::now();
                        let arrival = Arrival { payload: publish.payload.to_vec(), at };
                        if sender.send(arrival).is_err() {
                            return;
                        }
                    }
                    Ok(Event::Incoming(Packet::SubAck(_))) => {
                        confirmed += 1;
                        if confirmed == wanted {
                            // Nobody waits any more after a time-out.
                            let _ = ready.send(());
                        }
                    }
                    Ok(Event::Incoming(_) | Event::Outgoing(_)) => {}
                    Err(_) => return,
                }
            }
        });
        if wanted == 0 {
            return Self { client, arrivals };
        }
        is_ready.recv_timeout(Duration::from_secs(10)).expect("the broker confirms the subscription");
        Self { client, arrivals }
    }

    /// Publishes with QoS 1.
    pub(crate) fn publish(&self, topic: &str, payload: &[u8]) {
        self.client.publish(topic, QoS::AtLeastOnce, false, payload).expect("invariant: the queue has room");
    }

    /// First message from now on for which `wanted` gives something.
    pub(crate) fn wait<T>(&self, within: Duration, mut wanted: impl FnMut(&Arrival) -> Option<T>) -> Option<T> {
        let deadline = Instant::now() + within;
        loop {
            let left = deadline.saturating_duration_since(Instant::now());
            let arrival = self.arrivals.recv_timeout(left).ok()?;
            if let Some(found) = wanted(&arrival) {
                return Some(found);
            }
        }
    }

    /// Forgets what has arrived.
    pub(crate) fn clear(&self) {
        while self.arrivals.try_recv().is_ok() {}
    }
}
