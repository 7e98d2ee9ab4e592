//! Finds the packet a broker ends the connection for, so that it does not block the rest.
//!
//! MQTT 3.1.1 has no negative acknowledgement: a broker that refuses a packet closes the connection, and whatever is
//! sent again at each connect fails for ever. After a few short connections in a row packets go one by one; a packet
//! that was alone in flight several times when the connection was dropped is the one. A broker that merely restarts is
//! not suspected: presence must have been confirmed on each of those connections. No clock; never panics.

use std::collections::HashMap;

use super::packet::Sent;
use super::said::FrameId;

/// Short connections in a row before packets go one by one.
const SHORT_ENDS: u8 = 3;
/// How often a packet may be the only one in flight before it is set aside.
const STRIKES: u8 = 3;
/// Confirmations one by one after which the suspicion was unfounded.
const CLEARED_AFTER: u32 = 100;

#[derive(Debug, Default)]
pub(super) struct Suspicion {
    short_ends: u8,
    /// Packets go one by one; so many were confirmed since.
    one_by_one: Option<u32>,
    strikes: HashMap<Sent, u8>,
}

impl Suspicion {
    /// Whether packets go one by one.
    pub(super) fn one_by_one(&self) -> bool {
        self.one_by_one.is_some()
    }

    /// This packet was confirmed.
    pub(super) fn confirmed(&mut self, sent: &Sent) {
        self.strikes.remove(&key(sent));
        self.one_by_one = self.one_by_one.map(|count| count + 1).filter(|count| *count < CLEARED_AFTER);
    }

    /// The broker dropped a connection on which it had confirmed presence, soon after it was made, with these packets
    /// in flight. Returns the one it is found to refuse.
    pub(super) fn dropped(&mut self, in_flight: &[Sent]) -> Option<Sent> {
        self.short_ends = self.short_ends.saturating_add(1);
        if self.one_by_one.is_none() {
            if self.short_ends >= SHORT_ENDS {
                self.one_by_one = Some(0);
            }
            return None;
        }
        let [alone] = in_flight else { return None };
        let strikes = self.strikes.entry(key(alone)).or_insert(0);
        *strikes = strikes.saturating_add(1);
        if *strikes < STRIKES {
            return None;
        }
        let alone = alone.clone();
        // Where one packet is too large others may be: the next is found without a new beginning.
        *self = Self { one_by_one: Some(0), ..Self::default() };
        Some(alone)
    }

    /// The connection held: no packet is suspected.
    pub(super) fn clear(&mut self) {
        *self = Self::default();
    }
}

/// One frame stands for all.
fn key(sent: &Sent) -> Sent {
    match sent {
        Sent::Frame(..) => Sent::Frame(0, FrameId::default()),
        Sent::Event(_)
        | Sent::Last
        | Sent::Online
        | Sent::Offline
        | Sent::Page(_)
        | Sent::Latest { .. }
        | Sent::Reply
        | Sent::Point => sent.clone(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_a_packet_that_is_alone_again_and_again_is_found() {
        let mut suspicion = Suspicion::default();
        let both = [Sent::Event(4), Sent::Event(6)];
        assert!((0..3).all(|_| suspicion.dropped(&both).is_none()));
        assert!(suspicion.one_by_one());
        assert_eq!(suspicion.dropped(&both), None, "two in flight accuse nobody");
        assert_eq!(suspicion.dropped(&[Sent::Event(4)]), None);
        suspicion.confirmed(&Sent::Event(4));
        assert_eq!(suspicion.dropped(&[Sent::Event(6)]), None);
        assert_eq!(suspicion.dropped(&[Sent::Event(6)]), None);
        assert_eq!(suspicion.dropped(&[Sent::Event(6)]), Some(Sent::Event(6)));
        assert!(suspicion.one_by_one(), "more of its kind may follow");
        let next = [Sent::Event(8)];
        assert_eq!((0..3).map(|_| suspicion.dropped(&next)).collect::<Vec<_>>(), [None, None, Some(Sent::Event(8))]);
        (0..CLEARED_AFTER).for_each(|row| suspicion.confirmed(&Sent::Event(u64::from(row))));
        assert!(!suspicion.one_by_one());
    }

    #[test]
    fn frames_of_any_size_count_as_one() {
        let mut suspicion = Suspicion::default();
        let outcomes: Vec<_> =
            (0..6).map(|n| suspicion.dropped(&[Sent::Frame(5000 + n, FrameId::default())])).collect();
        assert_eq!(outcomes[..5], [None, None, None, None, None]);
        assert_eq!(outcomes[5], Some(Sent::Frame(5005, FrameId::default())));
    }

    #[test]
    fn a_connection_that_held_or_many_confirmations_clear() {
        let mut suspicion = Suspicion::default();
        for _ in 0..3 {
            suspicion.dropped(&[Sent::Event(1)]);
        }
        for row in 0..CLEARED_AFTER {
            suspicion.confirmed(&Sent::Event(u64::from(row)));
        }
        assert!(!suspicion.one_by_one());
        suspicion.clear();
        suspicion.dropped(&[Sent::Event(1)]);
        assert!(!suspicion.one_by_one(), "counting begins anew");
    }
}
