//! The life-cycle twice: a literal table state × event compared cell by cell, and a section for each state.

use super::Event as E;
use super::Process as P;
use super::{Process, Refusal as R};

const EVENTS: [E; 5] = [E::ConditionTrue, E::ConditionFalse, E::Acknowledge, E::Reset, E::ReAlarm];

type Row = (P, [Result<P, R>; 5]);

/// standards: ISA-18.2 / IEC 62682 transitions, alarm that does not latch. Columns as `EVENTS`.
#[rustfmt::skip]
const PLAIN: [Row; 6] = [
    (P::Normal,                 [Ok(P::Unacknowledged), Ok(P::Normal),                 Err(R::NothingToAcknowledge), Err(R::NotLatched),      Err(R::NothingToRealarm)]),
    (P::Unacknowledged,         [Ok(P::Unacknowledged), Ok(P::ReturnedUnacknowledged), Ok(P::Acknowledged),          Err(R::StillActive),     Err(R::NothingToRealarm)]),
    (P::Acknowledged,           [Ok(P::Acknowledged),   Ok(P::Normal),                 Err(R::NothingToAcknowledge), Err(R::StillActive),     Ok(P::Unacknowledged)]),
    (P::ReturnedUnacknowledged, [Ok(P::Unacknowledged), Ok(P::ReturnedUnacknowledged), Ok(P::Normal),                Err(R::NotLatched),      Err(R::NothingToRealarm)]),
    (P::LatchedUnacknowledged,  [Ok(P::Unacknowledged), Ok(P::LatchedUnacknowledged),  Ok(P::LatchedAcknowledged),   Err(R::NotAcknowledged), Err(R::NothingToRealarm)]),
    (P::LatchedAcknowledged,    [Ok(P::Unacknowledged), Ok(P::LatchedAcknowledged),    Err(R::NothingToAcknowledge), Ok(P::Normal),           Err(R::NothingToRealarm)]),
];

/// The same for a latching alarm: only the clear of B and C differs.
#[rustfmt::skip]
const LATCHING: [Row; 6] = [
    (P::Normal,                 [Ok(P::Unacknowledged), Ok(P::Normal),                 Err(R::NothingToAcknowledge), Err(R::NotLatched),      Err(R::NothingToRealarm)]),
    (P::Unacknowledged,         [Ok(P::Unacknowledged), Ok(P::LatchedUnacknowledged),  Ok(P::Acknowledged),          Err(R::StillActive),     Err(R::NothingToRealarm)]),
    (P::Acknowledged,           [Ok(P::Acknowledged),   Ok(P::LatchedAcknowledged),    Err(R::NothingToAcknowledge), Err(R::StillActive),     Ok(P::Unacknowledged)]),
    (P::ReturnedUnacknowledged, [Ok(P::Unacknowledged), Ok(P::ReturnedUnacknowledged), Ok(P::Normal),                Err(R::NotLatched),      Err(R::NothingToRealarm)]),
    (P::LatchedUnacknowledged,  [Ok(P::Unacknowledged), Ok(P::LatchedUnacknowledged),  Ok(P::LatchedAcknowledged),   Err(R::NotAcknowledged), Err(R::NothingToRealarm)]),
    (P::LatchedAcknowledged,    [Ok(P::Unacknowledged), Ok(P::LatchedAcknowledged),    Err(R::NothingToAcknowledge), Ok(P::Normal),           Err(R::NothingToRealarm)]),
];

#[test]
fn every_cell_of_the_table() {
    for (table, latching) in [(PLAIN, false), (LATCHING, true)] {
        for (state, row) in table {
            for (event, expected) in EVENTS.into_iter().zip(row) {
                assert_eq!(state.after(event, latching), expected, "{state:?} {event:?} latching={latching}");
            }
        }
    }
}

fn walk(start: P, latching: bool, events: &[E]) -> P {
    events.iter().fold(start, |state, event| state.after(*event, latching).expect("the walk holds allowed events only"))
}

// ---- A: normal

#[test]
fn a_raises_to_b_and_nothing_else_moves_it() {
    assert_eq!(walk(P::Normal, false, &[E::ConditionTrue]), P::Unacknowledged);
    assert_eq!(walk(P::Normal, true, &[E::ConditionFalse, E::ConditionFalse]), P::Normal);
    assert!(!P::Normal.is_active() && P::Normal.is_acknowledged());
}

// ---- B: active, not acknowledged

#[test]
fn b_clears_without_acknowledgement_and_stays_in_the_list() {
    assert_eq!(walk(P::Unacknowledged, false, &[E::ConditionFalse]), P::ReturnedUnacknowledged);
    assert_eq!(walk(P::Unacknowledged, true, &[E::ConditionFalse]), P::LatchedUnacknowledged);
    assert!(P::Unacknowledged.is_active() && !P::Unacknowledged.is_acknowledged());
}

// ---- C: active, acknowledged

#[test]
fn c_clears_to_normal_unless_latching_and_may_ask_again() {
    assert_eq!(walk(P::Acknowledged, false, &[E::ConditionFalse]), P::Normal);
    assert_eq!(walk(P::Acknowledged, true, &[E::ConditionFalse, E::Reset]), P::Normal);
    assert_eq!(walk(P::Acknowledged, false, &[E::ReAlarm, E::Acknowledge]), P::Acknowledged);
}

// ---- D: cleared, not acknowledged

#[test]
fn d_goes_back_to_b_and_leaves_by_acknowledgement() {
    assert_eq!(walk(P::ReturnedUnacknowledged, false, &[E::ConditionTrue]), P::Unacknowledged);
    assert_eq!(walk(P::ReturnedUnacknowledged, false, &[E::Acknowledge]), P::Normal);
    assert!(!P::ReturnedUnacknowledged.is_active() && !P::ReturnedUnacknowledged.is_acknowledged());
}

// ---- E: held, not acknowledged

#[test]
fn e_needs_acknowledgement_before_reset() {
    assert_eq!(P::LatchedUnacknowledged.after(E::Reset, true), Err(R::NotAcknowledged));
    assert_eq!(walk(P::LatchedUnacknowledged, true, &[E::Acknowledge, E::Reset]), P::Normal);
    assert_eq!(walk(P::LatchedUnacknowledged, true, &[E::ConditionTrue]), P::Unacknowledged);
}

// ---- F: held until reset

#[test]
fn f_is_raised_again_or_reset() {
    assert_eq!(walk(P::LatchedAcknowledged, true, &[E::ConditionTrue]), P::Unacknowledged);
    assert_eq!(walk(P::LatchedAcknowledged, true, &[E::Reset]), P::Normal);
}

// ---- G, H, I end

#[test]
fn release_judges_as_if_new() {
    for state in [P::Unacknowledged, P::Acknowledged] {
        assert_eq!(state.released(), P::Unacknowledged);
    }
    for state in [P::Normal, P::ReturnedUnacknowledged, P::LatchedUnacknowledged, P::LatchedAcknowledged] {
        assert_eq!(state.released(), P::Normal);
    }
}

#[test]
fn a_condition_event_is_never_refused() {
    for state in PLAIN.map(|(state, _)| state) {
        for latching in [false, true] {
            assert!(state.after(E::ConditionTrue, latching).map(Process::is_active) == Ok(true));
            assert!(state.after(E::ConditionFalse, latching).map(Process::is_active) == Ok(false));
        }
    }
}
