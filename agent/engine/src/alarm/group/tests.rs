//! Tables of raises in order of time and what each must be placed as, and any sequence against a plain model.

extern crate alloc;

use alloc::vec;
use alloc::vec::Vec;

use proptest::prelude::*;

use super::*;

/// Pump trip 0 and 1, flow low 2, coil air hot 3, inlets hot 4 to 6; chiller trip 7, water warm 8; a loner 9.
const PUMP_A: u32 = 0;
const PUMP_B: u32 = 1;
const FLOW: u32 = 2;
const COIL: u32 = 3;
const INLETS: [u32; 3] = [4, 5, 6];
const CHILLER: u32 = 7;
const WATER: u32 = 8;
const LONER: u32 = 9;

const WINDOW: u32 = 60_000;
const LAG: u32 = 5_000;

struct Rig {
    groups: Vec<GroupSpec>,
    members: Vec<Member>,
    of_alarm: Vec<Span>,
    scan_ms: Vec<u32>,
    steps: Vec<StepState>,
    roots: Vec<RootState>,
    rules: Vec<u64>,
    gone: Vec<u32>,
    next: u64,
}

/// Chains of alarms with `together` and rule, by group.
type Chains = Vec<Vec<Vec<(u32, bool, Option<u32>)>>>;

impl Rig {
    fn new(chains: &Chains, alarms: u32) -> Self {
        let mut of_step = 0;
        let mut groups = Vec::new();
        let mut by_alarm: Vec<Vec<Member>> = vec![Vec::new(); alarms as usize];
        for (group, chain) in (0..).zip(chains) {
            let count = u32::try_from(chain.len()).expect("few");
            groups.push(GroupSpec { window_ms: WINDOW, lag_ms: LAG, steps: Span { first: of_step, count } });
            of_step += count;
            for (step, row) in (0..).zip(chain) {
                for (alarm, together, again) in row {
                    by_alarm[*alarm as usize].push(Member { group, step, together: *together, again: *again });
                }
            }
        }
        let mut members = Vec::new();
        let mut of_alarm = Vec::new();
        for own in by_alarm {
            let first = u32::try_from(members.len()).expect("few");
            of_alarm.push(Span { first, count: u32::try_from(own.len()).expect("few") });
            members.extend(own);
        }
        Self {
            groups,
            members,
            of_alarm,
            scan_ms: vec![500; alarms as usize],
            steps: vec![StepState::default(); of_step as usize],
            roots: vec![RootState::default(); alarms as usize],
            rules: vec![0; 4],
            gone: Vec::new(),
            next: 1,
        }
    }

    fn module() -> Self {
        let one = |alarm| vec![(alarm, false, None)];
        let pumps = vec![(PUMP_A, false, None), (PUMP_B, false, None)];
        let inlets: Vec<_> = INLETS.iter().map(|inlet| (*inlet, true, Some(0))).collect();
        let flow = vec![pumps, one(FLOW), one(COIL), inlets.clone()];
        let chiller = vec![one(CHILLER), one(WATER), one(COIL), inlets];
        Self::new(&vec![flow, chiller], 10)
    }

    fn raise(&mut self, alarm: u32, at: u64, priority: Priority) -> Place {
        let gone = self.gone.clone();
        let tables = GroupTables {
            groups: &self.groups,
            members: &self.members,
            of_alarm: &self.of_alarm,
            scan_ms: &self.scan_ms,
        };
        let mut groups = Groups::new(tables, &mut self.steps, &mut self.roots, &mut self.rules);
        let incident = self.next;
        self.next += 1;
        let raise = Raise { alarm, at: Millis(at), since: Millis(at), priority, incident };
        groups.place(raise, |alarm| !gone.contains(&alarm))
    }
}

fn first(incident: u64) -> Place {
    Place { incident, first_out: true, follows: None, tie: false, announce: true, explains: None }
}

fn follows(incident: u64, cause: u32) -> Place {
    Place { incident, first_out: false, follows: Some(cause), tie: false, announce: false, explains: None }
}

#[test]
fn what_follows_is_attached_to_the_first_and_not_told() {
    let mut rig = Rig::module();
    assert_eq!(rig.raise(PUMP_A, 10_000, Priority::High), first(1));
    assert_eq!(rig.raise(FLOW, 12_000, Priority::High), follows(1, PUMP_A));
    assert_eq!(rig.raise(COIL, 20_000, Priority::High), follows(1, PUMP_A));
    assert_eq!(rig.raise(LONER, 21_000, Priority::Low), Place { first_out: false, ..first(4) });
}

#[test]
fn two_causes_of_one_step_are_two_incidents_and_the_later_explains_what_comes_then() {
    let mut rig = Rig::module();
    assert_eq!(rig.raise(PUMP_A, 10_000, Priority::High), first(1));
    assert_eq!(rig.raise(PUMP_B, 15_000, Priority::High), first(2));
    assert_eq!(rig.raise(FLOW, 16_000, Priority::High), follows(2, PUMP_B));
}

#[test]
fn the_first_of_those_that_stand_together_stands_for_the_others() {
    let mut rig = Rig::module();
    assert_eq!(rig.raise(5, 10_000, Priority::High), first(1));
    assert_eq!(rig.raise(4, 12_000, Priority::High), follows(1, 5));
    assert_eq!(rig.raise(6, 70_000, Priority::High), follows(1, 5), "within a minute of the first");
    rig.gone = INLETS.to_vec();
    assert_eq!(rig.raise(4, 72_000, Priority::High), first(4), "of what is over nothing follows");
}

#[test]
fn beyond_the_window_a_standing_cause_still_explains_but_the_consequence_is_told() {
    let mut rig = Rig::module();
    rig.raise(PUMP_A, 10_000, Priority::High);
    assert_eq!(rig.raise(FLOW, 70_000, Priority::High), follows(1, PUMP_A), "the last moment of the window");
    let mut rig = Rig::module();
    rig.raise(PUMP_A, 10_000, Priority::High);
    assert_eq!(rig.raise(FLOW, 70_001, Priority::High), Place { announce: true, ..follows(1, PUMP_A) });
    let mut rig = Rig::module();
    rig.raise(PUMP_A, 10_000, Priority::High);
    rig.gone = vec![PUMP_A];
    assert_eq!(rig.raise(FLOW, 70_001, Priority::High), first(2));
}

#[test]
fn a_cause_that_came_and_went_within_the_window_explains() {
    let mut rig = Rig::module();
    rig.raise(PUMP_A, 10_000, Priority::High);
    rig.gone = vec![PUMP_A];
    assert_eq!(rig.raise(FLOW, 13_000, Priority::High), follows(1, PUMP_A));
}

#[test]
fn what_is_worse_than_all_that_was_told_is_told_too() {
    let mut rig = Rig::module();
    rig.raise(PUMP_A, 10_000, Priority::High);
    assert_eq!(rig.raise(FLOW, 12_000, Priority::Critical), Place { announce: true, ..follows(1, PUMP_A) });
    assert_eq!(rig.raise(COIL, 14_000, Priority::Critical), follows(1, PUMP_A), "no worse than the flow");
}

#[test]
fn a_declared_rule_tells_once_an_incident() {
    let mut rig = Rig::module();
    rig.raise(PUMP_A, 10_000, Priority::Critical);
    let told: Vec<bool> = INLETS.iter().map(|inlet| rig.raise(*inlet, 30_000, Priority::High).announce).collect();
    assert_eq!(told, [true, false, false]);
    rig.raise(CHILLER, 200_000, Priority::Critical);
    rig.gone = vec![PUMP_A];
    assert!(rig.raise(4, 205_000, Priority::High).announce, "another incident");
}

#[test]
fn a_cause_that_comes_after_its_consequence_takes_its_place() {
    let mut rig = Rig::module();
    assert_eq!(rig.raise(FLOW, 10_000, Priority::Critical), first(1));
    assert_eq!(rig.raise(COIL, 12_000, Priority::High), follows(1, FLOW));
    let late = Place { explains: Some(FLOW), ..first(1) };
    assert_eq!(rig.raise(PUMP_A, 13_000, Priority::High), late);
    assert_eq!(rig.raise(5, 14_000, Priority::Critical).follows, Some(PUMP_A), "the cause is the first from now on");
    let mut rig = Rig::module();
    rig.raise(FLOW, 10_000, Priority::Critical);
    assert_eq!(rig.raise(PUMP_A, 15_001, Priority::High), first(2), "too late to be its cause");
}

#[test]
fn a_cause_of_what_has_another_cause_begins_its_own_incident() {
    let mut rig = Rig::module();
    rig.raise(CHILLER, 10_000, Priority::Critical);
    assert_eq!(rig.raise(COIL, 11_000, Priority::High), follows(1, CHILLER));
    assert_eq!(rig.raise(PUMP_A, 12_000, Priority::High), first(3));
}

#[test]
fn within_one_scan_it_is_a_tie_broken_by_the_chain() {
    let mut rig = Rig::module();
    rig.raise(PUMP_A, 10_000, Priority::High);
    assert_eq!(rig.raise(FLOW, 10_500, Priority::High), Place { tie: true, ..follows(1, PUMP_A) });
    let mut rig = Rig::module();
    rig.raise(FLOW, 10_000, Priority::High);
    let late = Place { tie: true, explains: Some(FLOW), ..first(1) };
    assert_eq!(rig.raise(PUMP_A, 10_400, Priority::High), late);
}

#[test]
fn what_stood_before_a_restart_explains_after_it() {
    let mut rig = Rig::module();
    let raise =
        |alarm, incident| Raise { alarm, at: Millis(10_000), since: Millis(9_000), priority: Priority::High, incident };
    {
        let tables =
            GroupTables { groups: &rig.groups, members: &rig.members, of_alarm: &rig.of_alarm, scan_ms: &rig.scan_ms };
        let mut groups = Groups::new(tables, &mut rig.steps, &mut rig.roots, &mut rig.rules);
        groups.restore(raise(PUMP_A, 77), PUMP_A);
        groups.restore(raise(FLOW, 77), PUMP_A);
    }
    assert_eq!(rig.raise(COIL, 20_000, Priority::High), follows(77, PUMP_A));
}

#[test]
fn numbers_beyond_the_tables_belong_to_no_group() {
    let mut rig = Rig::module();
    assert!(rig.raise(u32::MAX, 1, Priority::Low).announce);
    rig.members[0] = Member { group: 99, step: 7, together: true, again: Some(99) };
    assert!(rig.raise(PUMP_A, 2, Priority::Low).announce);
}

/// The same rules said plainly over the list of everything raised so far, for groups without `together` and rules.
fn plainly(rig: &Rig, told: &[(u32, u64, Place)], alarm: u32, at: u64) -> Option<u32> {
    let steps = |alarm: u32| {
        let span = rig.of_alarm[alarm as usize];
        rig.members[span.first as usize..(span.first + span.count) as usize].to_vec()
    };
    let mut best: Option<((u32, u64), u32)> = None;
    for own in steps(alarm) {
        for (other, other_at, place) in told {
            // Only the latest of a step counts.
            let latest = |step: u32| {
                told.iter()
                    .rev()
                    .find(|(a, ..)| steps(*a).iter().any(|m| m.group == own.group && m.step == step))
                    .map(|(a, t, _)| (*a, *t))
            };
            for cause in steps(*other) {
                if cause.group == own.group
                    && cause.step < own.step
                    && latest(cause.step) == Some((*other, *other_at))
                    && at - other_at <= u64::from(WINDOW)
                    && *other != alarm
                {
                    let rank = (u32::MAX - (own.step - cause.step), *other_at);
                    if best.is_none_or(|(known, _)| rank > known) {
                        best = Some((rank, place.follows.unwrap_or(*other)));
                    }
                }
            }
        }
    }
    best.map(|(_, root)| root)
}

proptest! {
    #[test]
    fn any_sequence_agrees_with_the_plain_rules(raises in prop::collection::vec((0_u32..8, 6_000_u64..90_000), 1..30)) {
        // Farther apart than the lag, so that no cause comes late; everything is gone at once.
        let chains = vec![
            vec![vec![(0, false, None), (1, false, None)], vec![(2, false, None)], vec![(3, false, None), (4, false, None)]],
            vec![vec![(5, false, None)], vec![(6, false, None)], vec![(3, false, None)]],
        ];
        let mut rig = Rig::new(&chains, 8);
        rig.gone = (0..8).collect();
        let (mut now, mut told) = (0, Vec::new());
        for (alarm, apart) in raises {
            now += apart;
            let expected = plainly(&rig, &told, alarm, now);
            let place = rig.raise(alarm, now, Priority::Medium);
            prop_assert_eq!(place.follows, expected);
            // Nothing is lost: told, or attached to what was told.
            prop_assert!(place.announce || told.iter().any(|(_, _, p): &(u32, u64, Place)| p.announce && p.incident == place.incident));
            // Where the first has begun another incident since, it is rather told once more.
            let latest = |root| told.iter().rev().find(|(a, _, p)| p.follows.unwrap_or(*a) == root).map(|(.., p)| p.incident);
            let another = |root| latest(root) != Some(place.incident);
            prop_assert_eq!(place.announce, expected.is_none_or(another));
            told.push((alarm, now, place));
        }
    }

    /// The promises with everything at once: chains that share alarms, those that stand together, rules, causes that
    /// come late, raises of one moment, any priority, and what still stands by chance.
    #[test]
    fn every_raise_is_told_or_attached_to_what_was_told(
        raises in prop::collection::vec((0_u32..9, 0_u64..40_000, 0_usize..4, any::<u16>()), 1..60),
    ) {
        const PRIORITIES: [Priority; 4] = [Priority::Low, Priority::Medium, Priority::High, Priority::Critical];
        let chains = vec![
            vec![
                vec![(0, false, None), (1, true, None)],
                vec![(2, false, Some(1))],
                vec![(3, true, Some(0)), (4, true, Some(0))],
            ],
            vec![vec![(5, false, None)], vec![(2, false, None), (6, false, None)], vec![(4, true, Some(2)), (0, false, None)]],
            vec![vec![(6, true, None), (7, true, None)]],
        ];
        let mut rig = Rig::new(&chains, 9);
        let (mut now, mut told): (u64, Vec<(u32, Priority, Place)>) = (100_000, Vec::new());
        for (alarm, apart, priority, gone) in raises {
            now += if apart > 30_000 { apart * 3 } else if apart > 20_000 { 0 } else { apart };
            let priority = PRIORITIES[priority];
            let fresh = rig.next;
            rig.gone = (0..9).filter(|alarm| gone >> alarm & 1 == 1).collect();
            let place = rig.raise(alarm, now, priority);
            let same: Vec<_> = told.iter().filter(|(_, _, before)| before.incident == place.incident).collect();
            prop_assert!(
                place.announce || same.iter().any(|(_, _, before)| before.announce),
                "neither told nor attached to anything told: {:?}", place
            );
            prop_assert!(place.incident == fresh || !same.is_empty(), "an incident of nobody: {:?}", place);
            prop_assert!(!(place.first_out && place.follows.is_some()), "first and yet a consequence: {:?}", place);
            if let Some(root) = place.follows {
                prop_assert!(root != alarm, "it follows from itself: {:?}", place);
                prop_assert!(same.iter().any(|(first, ..)| *first == root), "it follows from what was not raised: {:?}", place);
            }
            if let Some(effect) = place.explains {
                prop_assert!(place.announce && place.first_out, "a cause that comes late is told: {:?}", place);
                prop_assert!(same.iter().any(|(first, ..)| *first == effect), "{:?}", place);
            }
            let most = same.iter().filter(|(_, _, before)| before.announce).map(|(_, priority, _)| *priority).max();
            prop_assert!(place.announce || most.is_some_and(|most| most >= priority), "worse than all told: {:?}", place);
            if alarm == 8 {
                prop_assert_eq!(place, Place { first_out: false, ..first(fresh) });
            }
            told.push((alarm, priority, place));
        }
    }
}
