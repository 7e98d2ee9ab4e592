//! Scans a device faster while one of its own points is in certain states.
//!
//! Part of `poll`; times as there. The state is what the raw value decodes to; one that cannot be read changes nothing.
//! Never panics.

use std::time::Instant;

use lapwing_engine::signal::decode::decode;
use lapwing_engine::spec::Raw;

use super::{Poll, ms};
use crate::plan::stretch;

impl Poll {
    /// Looks at what a transaction brought; sets the periods of its device if that puts it in another state.
    pub(super) fn pace(&mut self, slot: usize, raws: &[Raw], now: Instant) {
        let device = self.slots[slot].device;
        let Some(faster) = self.plan.devices[self.devices[device].index as usize].faster else { return };
        let points = self.plan.transactions[self.slots[slot].transaction as usize].points;
        let position = faster.point.checked_sub(points.first).filter(|position| *position < points.count);
        let Some(raw) = position.and_then(|position| raws.get(position as usize)) else { return };
        let Some(spec) = self.plan.engine.points.get(faster.point as usize) else { return };
        let absent = stretch(&self.plan.engine.absent, spec.decode.absent);
        let Ok(state) = decode(raw, &spec.decode, spec.exponent, absent) else { return };
        let fast = (0..64).contains(&state) && faster.states >> state & 1 == 1;
        if fast == self.devices[device].fast {
            return;
        }
        self.devices[device].fast = fast;
        let t = self.millis(now);
        for slot in self.devices[device].slots.clone() {
            let period = self.plan.transactions[self.slots[slot].transaction as usize].period;
            let period = if fast { period.min(faster.period) } else { period };
            self.schedule.set_period(slot, ms(period), t);
        }
    }
}
