//! Takes out of the inbox what the broker refuses, so that it no longer blocks the rest.
//!
//! Part of `inbox`; which packet is refused `suspicion` decides. No time; never panics.

use std::sync::Arc;

use super::super::packet::Sent;
use super::{Inbox, OutboxRow};

impl Inbox {
    /// Takes a refused packet out, so that it no longer blocks the rest; returns the outbox row if it was one.
    pub(in crate::publish) fn set_aside(&mut self, sent: &Sent) -> Option<OutboxRow> {
        match sent {
            Sent::Event(id) => {
                if let Some(at) = self.events.iter().position(|row| row.id == *id) {
                    return self.events.remove(at);
                }
                let at = self.volatile.iter().position(|row| row.id == *id)?;
                self.volatile.remove(at)
            }
            Sent::Latest { topic, version } => {
                if self.latest.get(topic).is_some_and(|state| state.version == *version) {
                    self.latest.remove(topic);
                }
                None
            }
            Sent::Page(index) => {
                if let Some(page) = self.session.catalogue.get_mut(*index) {
                    page.1 = Arc::default();
                }
                None
            }
            Sent::Frame(bytes, id) => {
                self.frames.refused(*bytes, *id);
                None
            }
            Sent::Last | Sent::Online | Sent::Offline | Sent::Point | Sent::Reply => None,
        }
    }
}
