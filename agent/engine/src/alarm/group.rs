//! Decides which raised alarm is the first of an incident, which follow from it, and which of them a person is told.
//!
//! A group is a chain of steps, cause before consequence; alarms of an earlier step explain those of a later one that
//! come within the group's window. Alarms of one step that are marked `together` have one cause: the first stands for
//! the others. A consequence that comes up to `lag_ms` before its cause (a faster sensor) has been told already: the
//! cause joins its incident, becomes first-out and is told as well, since it is what must be mended.
//!
//! Rather told once more than missed: a consequence is told when its window is over though its cause still stands, when
//! it is more urgent than all that was told of the incident, and where a declared rule asks for it (once an incident).
//! Only what was shown to people explains anything: hidden alarms are not given to this room.
//!
//! Which of two came first cannot be known when their conditions became true within one scan of either: that is a tie,
//! broken by the order of the chain (first-out between two polls: convention of the trade, no source). First-out is an
//! alarm type of ISA-18.2 (from memory). Times are the caller's monotonic milliseconds; state is borrowed, nothing is
//! allocated. Never panics: numbers that are not in the tables belong to no group.

use lapwing_protocol::Priority;

use crate::spec::{Millis, Span};

#[cfg(test)]
mod tests;

/// One group.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct GroupSpec {
    /// How long after its cause a consequence counts as explained.
    pub window_ms: u32,
    /// How long before its cause a consequence may be seen.
    pub lag_ms: u32,
    /// Its steps: a stretch of the step states.
    pub steps: Span,
}

/// An alarm's place in one group.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Member {
    /// Index of the group.
    pub group: u32,
    /// Its step in the chain, 0 first.
    pub step: u32,
    /// The first of this step stands for the others.
    pub together: bool,
    /// Index of the rule by which it is told although it follows.
    pub again: Option<u32>,
}

/// The tables of all groups, borrowed.
#[derive(Clone, Copy, Debug, Default)]
pub struct GroupTables<'a> {
    /// Groups.
    pub groups: &'a [GroupSpec],
    /// Places, those of one alarm together.
    pub members: &'a [Member],
    /// By alarm: its stretch of `members`.
    pub of_alarm: &'a [Span],
    /// By alarm: within this time the order of two changes cannot be told (its point's scan), ms.
    pub scan_ms: &'a [u32],
}

/// What was last raised in a step.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct StepState {
    last: Option<Raised>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Raised {
    alarm: u32,
    /// When it was raised.
    at: Millis,
    incident: u64,
    /// The first of its incident.
    root: u32,
}

/// What was told of the incident that an alarm is the first of.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct RootState {
    incident: u64,
    /// When its condition became true.
    since: Millis,
    told: Option<Priority>,
}

/// What a raise belongs to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Place {
    /// Its incident.
    pub incident: u64,
    /// The first of its group.
    pub first_out: bool,
    /// The first-out alarm it follows from.
    pub follows: Option<u32>,
    /// Which came first could not be told.
    pub tie: bool,
    /// A person is told.
    pub announce: bool,
    /// The alarm that was taken for the first until now and follows from this one instead.
    pub explains: Option<u32>,
}

/// A raise as the groups see it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Raise {
    /// Index of the alarm.
    pub alarm: u32,
    /// When it was raised.
    pub at: Millis,
    /// When its condition became true.
    pub since: Millis,
    /// How urgent it is now.
    pub priority: Priority,
    /// Number of a new incident, if this begins one.
    pub incident: u64,
}

/// Groups over borrowed tables and state.
#[derive(Debug)]
pub struct Groups<'a> {
    tables: GroupTables<'a>,
    steps: &'a mut [StepState],
    roots: &'a mut [RootState],
    /// By rule: the incident it has last told something of.
    rules: &'a mut [u64],
}

impl<'a> Groups<'a> {
    /// Joins tables and state: a state a step, a root an alarm, a number a rule.
    #[must_use]
    pub const fn new(
        tables: GroupTables<'a>,
        steps: &'a mut [StepState],
        roots: &'a mut [RootState],
        rules: &'a mut [u64],
    ) -> Self {
        Self { tables, steps, roots, rules }
    }

    /// Places a raise that people may see. `stands` tells of an alarm whether its condition still holds.
    pub fn place(&mut self, raise: Raise, stands: impl Fn(u32) -> bool) -> Place {
        let members = self.members(raise.alarm);
        let mut place = Place {
            incident: raise.incident,
            first_out: !members.is_empty(),
            follows: None,
            tie: false,
            announce: true,
            explains: None,
        };
        let mut root = raise.alarm;
        if let Some((cause, in_time)) = self.cause(raise, members, &stands) {
            root = cause.root;
            let told = self.told(cause.root, cause.incident);
            place.incident = cause.incident;
            place.first_out = false;
            place.follows = Some(cause.root);
            place.tie = self.tie(raise, cause.root);
            place.announce =
                !in_time || told.is_none_or(|told| raise.priority > told) || self.rule(members, cause.incident);
        } else if let Some(early) = self.early(raise, members) {
            place.incident = early.incident;
            place.tie = self.tie(raise, early.root);
            place.explains = Some(early.root);
            self.take_over(early.root, raise.alarm, raise.since, early.incident);
        }
        self.record(raise, place, root, members);
        place
    }

    /// Puts back what stood before a restart: an alarm people see, with the incident and the first-out it had.
    pub fn restore(&mut self, raise: Raise, root: u32) {
        let place = Place {
            incident: raise.incident,
            first_out: root == raise.alarm,
            follows: (root != raise.alarm).then_some(root),
            tie: false,
            announce: true,
            explains: None,
        };
        let members = self.members(raise.alarm);
        self.record(raise, place, root, members);
    }

    /// Gives incidents other numbers; `None` keeps one.
    pub fn renumber(&mut self, number: impl Fn(u64) -> Option<u64>) {
        let steps = self.steps.iter_mut().filter_map(|step| step.last.as_mut()).map(|last| &mut last.incident);
        let roots = self.roots.iter_mut().map(|root| &mut root.incident);
        for incident in steps.chain(roots).chain(self.rules.iter_mut()) {
            *incident = number(*incident).unwrap_or(*incident);
        }
    }

    fn members(&self, alarm: u32) -> &'a [Member] {
        let Some(span) = usize::try_from(alarm).ok().and_then(|at| self.tables.of_alarm.get(at)) else { return &[] };
        let first = span.first as usize;
        self.tables.members.get(first..first.saturating_add(span.count as usize)).unwrap_or(&[])
    }

    fn group(&self, member: &Member) -> GroupSpec {
        usize::try_from(member.group).ok().and_then(|at| self.tables.groups.get(at)).copied().unwrap_or_default()
    }

    fn step(&self, group: &GroupSpec, step: u32) -> Option<Raised> {
        self.steps.get(group.steps.first.checked_add(step)? as usize)?.last
    }

    /// What explains a raise, and whether it came within its window. Of several the one still within its window, then
    /// the most direct, then the latest.
    fn cause(&self, raise: Raise, members: &[Member], stands: &impl Fn(u32) -> bool) -> Option<(Raised, bool)> {
        let mut best: Option<((bool, u32, Millis), Raised)> = None;
        for member in members {
            let group = self.group(member);
            let steps = if member.together { member.step.saturating_add(1) } else { member.step };
            for step in 0..steps.min(group.steps.count) {
                // What follows from this very alarm does not explain it: raised again, it is told again.
                let other = |cause: &Raised| cause.alarm != raise.alarm && cause.root != raise.alarm;
                let Some(cause) = self.step(&group, step).filter(other) else { continue };
                let in_time = raise.at.since(cause.at) <= u64::from(group.window_ms);
                let rank = (in_time, u32::MAX - (member.step - step), cause.at);
                if (in_time || stands(cause.alarm)) && best.is_none_or(|(known, _)| rank > known) {
                    best = Some((rank, cause));
                }
            }
        }
        best.map(|((in_time, ..), cause)| (cause, in_time))
    }

    /// A consequence that was seen before this, its cause: the first of its incident until now.
    fn early(&self, raise: Raise, members: &[Member]) -> Option<Raised> {
        let mut found: Option<Raised> = None;
        for member in members {
            let group = self.group(member);
            for step in member.step.saturating_add(1)..group.steps.count {
                let Some(early) = self.step(&group, step) else { continue };
                let root_follows =
                    self.members(early.root).iter().any(|root| root.group == member.group && root.step > member.step);
                let in_time = raise.at.since(early.at) <= u64::from(group.lag_ms);
                if root_follows && in_time && found.is_none_or(|known| early.at < known.at) {
                    found = Some(early);
                }
            }
        }
        found
    }

    /// Whether a raise and the first of its incident lie within one scan.
    fn tie(&self, raise: Raise, root: u32) -> bool {
        let at = |alarm: u32| usize::try_from(alarm).unwrap_or(usize::MAX);
        let scan = |alarm: u32| self.tables.scan_ms.get(at(alarm)).copied().unwrap_or_default();
        let Some(state) = self.roots.get(at(root)) else { return false };
        let apart = raise.since.since(state.since).max(state.since.since(raise.since));
        apart <= u64::from(scan(raise.alarm).max(scan(root)))
    }

    fn told(&self, root: u32, incident: u64) -> Option<Priority> {
        let root = self.roots.get(usize::try_from(root).ok()?)?;
        (root.incident == incident).then_some(root.told)?
    }

    /// Whether a declared rule asks to tell it, which it does once an incident.
    fn rule(&self, members: &[Member], incident: u64) -> bool {
        members.iter().filter_map(|member| member.again).any(|rule| {
            usize::try_from(rule).ok().and_then(|at| self.rules.get(at)).is_some_and(|told| *told != incident)
        })
    }

    /// Another alarm is the first of an incident now.
    fn take_over(&mut self, from: u32, to: u32, since: Millis, incident: u64) {
        let told = self.told(from, incident);
        if let Some(root) = usize::try_from(to).ok().and_then(|at| self.roots.get_mut(at)) {
            *root = RootState { incident, since, told };
        }
        for last in self.steps.iter_mut().filter_map(|step| step.last.as_mut()) {
            if last.incident == incident {
                last.root = to;
            }
        }
    }

    fn record(&mut self, raise: Raise, place: Place, root: u32, members: &[Member]) {
        if let Some(state) = usize::try_from(root).ok().and_then(|at| self.roots.get_mut(at)) {
            if state.incident != place.incident {
                *state = RootState { incident: place.incident, since: raise.since, told: None };
            }
            if place.announce {
                state.told = state.told.max(Some(raise.priority));
            }
        }
        if place.announce {
            for rule in members.iter().filter_map(|member| member.again) {
                if let Some(told) = usize::try_from(rule).ok().and_then(|at| self.rules.get_mut(at)) {
                    *told = place.incident;
                }
            }
        }
        let raised = Raised { alarm: raise.alarm, at: raise.at, incident: place.incident, root };
        for member in members {
            let group = self.group(member);
            let at = group.steps.first.saturating_add(member.step.min(group.steps.count.saturating_sub(1)));
            if let Some(step) = self.steps.get_mut(at as usize).filter(|_| group.steps.count > 0) {
                // Of those that stand together the first stays: the window counts from it.
                let stays = member.together
                    && step.last.is_some_and(|first| first.incident == raised.incident && first.at <= raised.at);
                if !stays {
                    step.last = Some(raised);
                }
            }
        }
    }
}
