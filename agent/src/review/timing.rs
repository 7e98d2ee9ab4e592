//! What is told against the time it leaves: clocks of the thermal model, windows, urgency, and how long people take.
//!
//! A clock is a `ride_through_s` point; it is reckoned here at the design load from the design inlet temperature, with the
//! constants it is configured with. What leaves a person less than the human response time needs something that acts by
//! itself, and a point that proves that it is armed. How late an alarm may be is `field::budget`'s arithmetic. What is
//! told after `respond_within` is over is told where alarms are read (`config`). Times s. Never panics.

use std::time::Duration;

use lapwing_engine::physics::ride_through::{Lost, Store, conservative_ha, seconds_to_limit};
use lapwing_engine::spec::Condition;
use lapwing_protocol::{ConditionKind, Impact};

use super::ground::{Ground, Subject, seconds};
use super::{Finding, Kind, Severity, about, alarm};
use crate::field::budget::{Lateness, spoken};
use crate::plan::{Constant, Derived, Plan};

pub(super) fn review(ground: &Ground<'_>, found: &mut Vec<Finding>) {
    for subject in &ground.alarms {
        let clock = subject.alarm.clock.and_then(|point| clock_s(ground.plan, point));
        if let Some(late) = subject.late {
            too_late(ground, subject, late, clock, found);
        }
        protection(ground, subject, clock, found);
    }
    for derived in ground.plan.derived.iter().filter(|derived| derived.compute == "ride_through_s") {
        let guarded = ground.alarms.iter().any(|subject| subject.alarm.clock == Some(derived.point));
        if let Some(point) = ground.point(derived.point).filter(|_| !guarded) {
            let at = clock_s(ground.plan, derived.point)
                .map(|s| format!(" ({s:.0} s at the design load)"))
                .unwrap_or_default();
            let what = format!("no alarm names the clock `{}`{at}: nobody knows what tells that it runs", point.path);
            let mend = format!("add clock = \"{}\" to the alarm that tells of that loss first", point.path);
            found.push(about("clock_unguarded", Severity::Moderate, Kind::Point, &point.path, what, mend));
        }
    }
}

fn too_late(ground: &Ground<'_>, subject: &Subject<'_>, late: Lateness, clock: Option<f64>, found: &mut Vec<Finding>) {
    let (id, worst) = (&subject.alarm.id, seconds(late.total()));
    let told = || format!("it may be told {} after the change at its worst ({})", spoken(late.total()), late.spoken());
    if let Some(clock) = clock.filter(|clock| worst >= *clock) {
        let path = subject.alarm.clock.and_then(|point| ground.point(point)).map_or("", |point| point.path.as_str());
        let what = format!("{}, but `{path}` leaves {clock:.1} s at the design load", told());
        found.push(alarm("late_for_clock", Severity::Serious, id, what, late.mend()));
    }
    if let Condition::TimeToLimit { within_ms, .. } = subject.spec.condition {
        let within = Duration::from_millis(u64::from(within_ms));
        if late.total() >= within {
            let what = format!("{}: by then the {} it warns of are over", told(), spoken(within));
            found.push(alarm(
                "late_for_window",
                Severity::Serious,
                id,
                what,
                format!("lengthen `within`, or {}", late.mend()),
            ));
        }
    }
    if let Some((below, _)) = subject.alarm.urgent.filter(|(below, _)| late.total() >= *below) {
        let what = format!("{}: its `urgent_below` of {} has passed by then", told(), spoken(below));
        found.push(alarm("late_for_urgency", Severity::Moderate, id, what, format!("lengthen it, or {}", late.mend())));
    }
}

/// What is faster than a person needs automatic protection, and a proof that it is armed.
fn protection(ground: &Ground<'_>, subject: &Subject<'_>, clock: Option<f64>, found: &mut Vec<Finding>) {
    let alarm_of = subject.alarm;
    let given = alarm_of.respond_within.map(seconds).into_iter().chain(clock).reduce(f64::min);
    let human = ground.plan.review.human_response;
    let Some(given) = given else { return };
    let left = (given - subject.late.map_or(0.0, |late| seconds(late.total()))).max(0.0);
    if left >= seconds(human) {
        return;
    }
    let severity = if alarm_of.impact == Impact::LoadAtRisk { Severity::Serious } else { Severity::Moderate };
    let Some(armed) = alarm_of.protection else {
        let what = format!(
            "needs automatic protection: {} are left once it is told, a person needs {}",
            spoken(Duration::from_secs_f64(left)),
            spoken(human)
        );
        let mend = "name the point that shows that what acts by itself is armed, as `protection`, and watch it with an alarm \
                    (`armed = …`); or give respond_within the time a person really has";
        found.push(alarm("needs_protection", severity, &alarm_of.id, what, mend));
        return;
    };
    let watched = ground.alarms.iter().any(|other| {
        let proves = matches!(other.alarm.condition, ConditionKind::NotArmed | ConditionKind::State);
        proves && other.alarm.point == armed
    });
    if let Some(point) = ground.point(armed).filter(|_| !watched) {
        let what = format!("its protection shows in `{}`, which no alarm watches: it may be off for weeks", point.path);
        let mend = format!("add an [[alarm]] with point = \"{}\" and armed = \"…\"", point.path);
        found.push(alarm("protection_unwatched", Severity::Serious, &alarm_of.id, what, mend));
    }
}

/// Seconds of a clock at the design load; `None` if it is none that can be reckoned.
pub(super) fn clock_s(plan: &Plan, point: u32) -> Option<f64> {
    let clock = plan.derived.iter().find(|derived| derived.point == point && derived.compute == "ride_through_s")?;
    let lost = match word(clock, "lost")? {
        "air_movement" => Lost::AirMovement,
        "water_flow" => Lost::WaterFlow,
        "chiller" => Lost::Chiller,
        _ => return None,
    };
    let (c_mass, fitted) = (number(clock, "c_mass")?, number(clock, "ha_kw_k").unwrap_or(0.0));
    let store = Store {
        c_air: number(clock, "c_air")?,
        c_mass,
        ha_kw_k: if fitted == 0.0 { conservative_ha(c_mass).ok()? } else { fitted },
        c_coil: number(clock, "c_coil").unwrap_or(0.0),
        c_loop: number(clock, "c_loop").unwrap_or(0.0),
    };
    let load = plan.review.design_load_kw?;
    seconds_to_limit(lost, load, &store, plan.review.design_inlet_c, number(clock, "limit_c")?).ok()
}

fn number(derived: &Derived, name: &str) -> Option<f64> {
    derived.with.iter().find(|(known, _)| known == name).and_then(|(_, constant)| match constant {
        Constant::Number(number) => Some(*number),
        Constant::Word(_) | Constant::Numbers(_) | Constant::Pairs(_) => None,
    })
}

fn word<'d>(derived: &'d Derived, name: &str) -> Option<&'d str> {
    derived.with.iter().find(|(known, _)| known == name).and_then(|(_, constant)| match constant {
        Constant::Word(word) => Some(word.as_str()),
        Constant::Number(_) | Constant::Numbers(_) | Constant::Pairs(_) => None,
    })
}
