//! What hides an alarm: shelved by a person for a time, suppressed by design, removed from service.
//!
//! Three flags lie over the process state, ISA-18.2 states G, H and I; more than one may hold, shown is the strongest:
//! out of service, then suppressed, then shelved (a convention, no source). A shelf and a suppression always have an
//! end; out of service ends only by hand. Of a one-shot shelf the end is the return to normal, or its time (OPC UA
//! Part 9, OneShotShelved and MaxTimeShelved). What happens on release is `Process::released`. Times are moments of the
//! caller's clock. Never panics.

use lapwing_protocol::ShownState;

use super::life::{SavedShelf, SavedSuppression};
use super::process::{Process, Refusal};
use crate::spec::Millis;

/// How many design rules may suppress one alarm at once.
pub const RULES: usize = 4;

/// No rule in this place.
const FREE: u16 = u16::MAX;

/// Which of the three hold.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub struct Hidden {
    /// Shelved by a person.
    pub shelved: bool,
    /// Suppressed by design.
    pub suppressed: bool,
    /// Removed from service.
    pub out_of_service: bool,
}

impl Hidden {
    /// Whether any holds.
    #[must_use]
    pub const fn any(self) -> bool {
        self.shelved || self.suppressed || self.out_of_service
    }

    /// The state as shown: the strongest flag, else the process state.
    #[must_use]
    pub const fn shown(self, process: Process) -> ShownState {
        if self.out_of_service {
            ShownState::OutOfService
        } else if self.suppressed {
            ShownState::Suppressed
        } else if self.shelved {
            ShownState::Shelved
        } else {
            process.shown()
        }
    }
}

/// Flags with their ends.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Cover {
    shelf_until: Millis,
    suppressed_until: Millis,
    rules: [u16; RULES],
    shelved: bool,
    one_shot: bool,
    out_of_service: bool,
}

impl Default for Cover {
    fn default() -> Self {
        Self {
            shelf_until: Millis::NEVER,
            suppressed_until: Millis::NEVER,
            rules: [FREE; RULES],
            shelved: false,
            one_shot: false,
            out_of_service: false,
        }
    }
}

impl Cover {
    /// Which flags hold.
    #[must_use]
    pub const fn hidden(&self) -> Hidden {
        Hidden { shelved: self.shelved, suppressed: self.rules[0] != FREE, out_of_service: self.out_of_service }
    }

    /// When the shelf ends, if there is one.
    #[must_use]
    pub const fn shelf_until(&self) -> Option<Millis> {
        if self.shelved { Some(self.shelf_until) } else { None }
    }

    /// Whether the shelf ends with the return to normal.
    #[must_use]
    pub const fn one_shot(&self) -> bool {
        self.one_shot
    }

    /// When the suppression ends at the latest, if there is one.
    #[must_use]
    pub const fn suppressed_until(&self) -> Option<Millis> {
        if self.rules[0] == FREE { None } else { Some(self.suppressed_until) }
    }

    /// The rules that suppress, in the order they came.
    pub fn rules(&self) -> impl Iterator<Item = u16> + '_ {
        self.rules.iter().copied().take_while(|rule| *rule != FREE)
    }

    /// The first moment at which something here ends by itself.
    pub(crate) const fn deadline(&self) -> Millis {
        if self.shelf_until.0 < self.suppressed_until.0 { self.shelf_until } else { self.suppressed_until }
    }

    /// Shelves; only what is not hidden may be (A–F → G).
    pub(crate) fn shelve(&mut self, now: Millis, for_ms: u32, max_ms: u32, one_shot: bool) -> Result<(), Refusal> {
        if self.hidden().any() {
            return Err(Refusal::AlreadyHidden);
        }
        if max_ms == 0 {
            return Err(Refusal::ShelvingNotAllowed);
        }
        if for_ms == 0 {
            return Err(Refusal::NoDuration);
        }
        if for_ms > max_ms {
            return Err(Refusal::TooLong { max_ms });
        }
        self.shelved = true;
        self.one_shot = one_shot;
        self.shelf_until = now.plus(u64::from(for_ms));
        Ok(())
    }

    /// Ends the shelf.
    pub(crate) fn unshelve(&mut self) -> Result<(), Refusal> {
        if !self.shelved {
            return Err(Refusal::NotHidden);
        }
        self.shelved = false;
        self.one_shot = false;
        self.shelf_until = Millis::NEVER;
        Ok(())
    }

    /// A design rule suppresses. It may come over a shelf. With several rules the earliest end counts for all: rather
    /// shown too early than hidden too long.
    pub(crate) fn suppress(&mut self, now: Millis, rule: u16, for_ms: u32) -> Result<(), Refusal> {
        if for_ms == 0 {
            return Err(Refusal::NoDuration);
        }
        if self.rules.contains(&rule) {
            return Err(Refusal::AlreadyHidden);
        }
        let place = self.rules.iter_mut().find(|place| **place == FREE).ok_or(Refusal::TooManyRules)?;
        *place = rule;
        self.suppressed_until = self.suppressed_until.min(now.plus(u64::from(for_ms)));
        Ok(())
    }

    /// A design rule lets go; `true` when it was the last.
    pub(crate) fn release(&mut self, rule: u16) -> Result<bool, Refusal> {
        let at = self.rules.iter().position(|held| *held == rule && rule != FREE).ok_or(Refusal::NotHidden)?;
        self.rules.copy_within(at + 1.., at);
        self.rules[RULES - 1] = FREE;
        let last = self.rules[0] == FREE;
        if last {
            self.suppressed_until = Millis::NEVER;
        }
        Ok(last)
    }

    /// Ends the suppression whatever rules hold it.
    pub(crate) fn end_suppression(&mut self) {
        self.rules = [FREE; RULES];
        self.suppressed_until = Millis::NEVER;
    }

    /// Removes from service; may come over shelf and suppression.
    pub(crate) fn remove(&mut self) -> Result<(), Refusal> {
        if self.out_of_service {
            return Err(Refusal::AlreadyHidden);
        }
        self.out_of_service = true;
        Ok(())
    }

    /// Returns to service.
    pub(crate) fn return_to_service(&mut self) -> Result<(), Refusal> {
        if !self.out_of_service {
            return Err(Refusal::NotHidden);
        }
        self.out_of_service = false;
        Ok(())
    }

    /// The rules have other numbers now; those that have none let go.
    pub(crate) fn renumber(&mut self, number: impl Fn(u16) -> Option<u16>) {
        let held = self.rules;
        self.rules = [FREE; RULES];
        let known = held.into_iter().filter(|rule| *rule != FREE).filter_map(number).filter(|rule| *rule != FREE);
        for (place, rule) in self.rules.iter_mut().zip(known) {
            *place = rule;
        }
        if self.rules[0] == FREE {
            self.suppressed_until = Millis::NEVER;
        }
    }

    /// The shelf as kept over a restart.
    pub(crate) fn saved_shelf(&self) -> Option<SavedShelf> {
        self.shelf_until().map(|until| SavedShelf { until, one_shot: self.one_shot })
    }

    /// The suppression as kept over a restart.
    pub(crate) fn saved_suppression(&self) -> Option<SavedSuppression> {
        self.suppressed_until().map(|until| SavedSuppression { until, rules: self.rules })
    }

    /// From what was kept; nothing kept can last for ever.
    pub(crate) fn restored(
        shelf: Option<SavedShelf>,
        suppression: Option<SavedSuppression>,
        out_of_service: bool,
        shelf_at_most: Millis,
        now: Millis,
    ) -> Self {
        let mut cover = Self { out_of_service, ..Self::default() };
        if let Some(shelf) = shelf {
            cover.shelved = true;
            cover.one_shot = shelf.one_shot;
            cover.shelf_until = shelf.until.min(shelf_at_most);
        }
        if let Some(held) = suppression {
            let mut places = cover.rules.iter_mut();
            for rule in held.rules.into_iter().filter(|rule| *rule != FREE) {
                if let Some(place) = places.next() {
                    *place = rule;
                }
            }
            if cover.rules[0] != FREE {
                cover.suppressed_until = held.until.min(now.plus(u64::from(u32::MAX)));
            }
        }
        cover
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const T: Millis = Millis(1000);

    #[test]
    fn the_strongest_flag_is_shown() {
        let all = Hidden { shelved: true, suppressed: true, out_of_service: true };
        assert_eq!(all.shown(Process::Unacknowledged), ShownState::OutOfService);
        assert_eq!(Hidden { out_of_service: false, ..all }.shown(Process::Unacknowledged), ShownState::Suppressed);
        assert_eq!(Hidden { shelved: true, ..Hidden::default() }.shown(Process::Normal), ShownState::Shelved);
        assert_eq!(Hidden::default().shown(Process::Acknowledged), ShownState::Acknowledged);
    }

    #[test]
    fn a_shelf_has_a_time_within_its_maximum() {
        let mut cover = Cover::default();
        assert_eq!(cover.shelve(T, 0, 60_000, false), Err(Refusal::NoDuration));
        assert_eq!(cover.shelve(T, 60_001, 60_000, false), Err(Refusal::TooLong { max_ms: 60_000 }));
        assert_eq!(cover.shelve(T, 5, 0, false), Err(Refusal::ShelvingNotAllowed));
        assert_eq!(cover.shelve(T, 60_000, 60_000, false), Ok(()));
        assert_eq!(cover.shelf_until(), Some(Millis(61_000)));
        assert_eq!(cover.shelve(T, 5, 60_000, false), Err(Refusal::AlreadyHidden));
        assert_eq!(cover.unshelve(), Ok(()));
        assert_eq!(cover.unshelve(), Err(Refusal::NotHidden));
        assert_eq!(cover, Cover::default());
    }

    #[test]
    fn rules_with_other_numbers_hold_and_those_without_let_go() {
        let mut cover = Cover::default();
        for rule in [3, 0, 7] {
            assert_eq!(cover.suppress(T, rule, 1000), Ok(()));
        }
        cover.renumber(|rule| (rule != 0).then(|| rule - 3));
        assert!(cover.rules().eq([0, 4]));
        assert_eq!(cover.suppressed_until(), Some(Millis(2000)));
        cover.renumber(|_| None);
        assert_eq!(cover, Cover::default());
    }

    #[test]
    fn rules_are_kept_apart_and_the_earliest_end_counts() {
        let mut cover = Cover::default();
        for rule in 0..4 {
            assert_eq!(cover.suppress(T, rule, 1000 + u32::from(rule)), Ok(()));
        }
        assert_eq!(cover.suppress(T, 1, 5), Err(Refusal::AlreadyHidden));
        assert_eq!(cover.suppress(T, 9, 5), Err(Refusal::TooManyRules));
        assert_eq!(cover.suppressed_until(), Some(Millis(2000)));
        assert_eq!(cover.release(9), Err(Refusal::NotHidden));
        assert_eq!(cover.release(FREE), Err(Refusal::NotHidden));
        assert_eq!([cover.release(2), cover.release(0), cover.release(3)], [Ok(false); 3]);
        assert!(cover.rules().eq([1]));
        assert_eq!(cover.release(1), Ok(true));
        assert_eq!(cover, Cover::default());
    }

    #[test]
    fn suppression_and_removal_may_come_over_a_shelf() {
        let mut cover = Cover::default();
        assert_eq!(cover.shelve(T, 5, 60_000, true), Ok(()));
        assert_eq!(cover.suppress(T, 3, 10), Ok(()));
        assert_eq!(cover.remove(), Ok(()));
        assert_eq!(cover.remove(), Err(Refusal::AlreadyHidden));
        assert_eq!(cover.hidden(), Hidden { shelved: true, suppressed: true, out_of_service: true });
        assert_eq!(cover.deadline(), Millis(1005));
    }
}
