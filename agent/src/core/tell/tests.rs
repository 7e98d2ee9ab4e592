//! What people read: values, states, what happened and what it belongs to.

use lapwing_engine::spec::PointSpec;
use lapwing_protocol::{ConditionKind, Impact, Mode, Priority, Status};

use super::*;

fn plan(text: &str) -> Plan {
    let point = Point {
        path: "coil/water/supply/temperature".into(),
        quantity: "temperature".into(),
        unit: "Cel".into(),
        exponent: -1,
        tag: Some("TT-101".into()),
        location: Some("coil bay, left".into()),
        ..Point::default()
    };
    let alarm = Alarm {
        id: "supply-water-warm".into(),
        point: 0,
        condition: ConditionKind::High,
        limit: Some(Decimal::new(210, -1)),
        limit_unit: None,
        priority: Priority::High,
        impact: Impact::Degraded,
        text: text.into(),
        consequence: String::new(),
        response: "Check the chiller plant".into(),
        first_check: String::new(),
        safety: String::new(),
        respond_within: None,
        left_to: None,
        urgent: None,
        clock: None,
        protection: None,
        own: false,
        link: None,
        document: None,
        digest: 1,
    };
    let spec = AlarmSpec {
        point: 0,
        condition: Condition::High { limit: 210, deadband: 5 },
        on_delay_ms: 5000,
        off_delay_ms: 0,
        latching: false,
        priority: Priority::High,
        max_shelf_ms: 0,
        only_while: None,
    };
    let mut plan = Plan { points: vec![point], alarms: vec![alarm], ..Plan::default() };
    plan.engine.points.push(PointSpec::default());
    plan.engine.alarms.push(spec);
    plan.module.site = "saltmarsh".into();
    plan.module.name = "m1".into();
    plan
}

fn raised(value: i64, status: Status) -> Transition {
    Transition {
        alarm: 0,
        from: ShownState::Normal,
        to: ShownState::Unacknowledged,
        process_from: Process::Normal,
        process_to: Process::Unacknowledged,
        active: true,
        hidden: Hidden::default(),
        cause: Cause::Raised,
        annunciate: true,
        at: Millis(0),
        value,
        status,
        slope: None,
        true_since: None,
        raised_at: None,
        occurrence: 1,
    }
}

fn said(plan: &Plan, t: &Transition, rate: Option<Decimal>) -> String {
    text(Subject::of(plan, 0).expect("alarm 0"), t, rate, None, "Supply water 21.6 °C is above 21.0 °C", None)
}

#[test]
fn values_limits_and_rates_are_said_with_the_units_people_see() {
    let plan = plan("Supply water {value} is above {limit}");
    assert_eq!(said(&plan, &raised(216, Status::GOOD), None), "Supply water 21.6 °C is above 21.0 °C");
    let rising = self::plan("Supply water rises by {rate}");
    assert_eq!(
        said(&rising, &raised(216, Status::GOOD), Some(Decimal::new(642, -2))),
        "Supply water rises by 6.42 K/min"
    );
}

#[test]
fn a_bad_reading_is_said_by_its_reason_and_never_as_a_number() {
    let plan = plan("Supply water {value}");
    let text = said(&plan, &raised(216, Status::BAD_SENSOR_FAILURE), None);
    assert_eq!(text, "Supply water sensor failed");
    let subject = Subject::of(&plan, 0).expect("alarm 0");
    let wall = |_| 0;
    let with = Circumstance {
        wall: &wall,
        kept: &Kept::default(),
        announced: true,
        rate_per_min: None,
        seconds_left: None,
        by: None,
        reason: None,
        until: None,
    };
    assert_eq!(change(subject, &raised(216, Status::BAD_SENSOR_FAILURE), &with).value, None);
}

#[test]
fn a_cleared_alarm_says_what_it_was_and_how_it_is_now() {
    let plan = plan("Supply water {value} is above {limit}");
    let cleared = Transition { cause: Cause::Cleared, active: false, ..raised(204, Status::GOOD) };
    assert_eq!(
        said(&plan, &cleared, None),
        "Cleared: “Supply water 21.6 °C is above 21.0 °C”; coil/water/supply/temperature is now 20.4 °C."
    );
    // An own alarm on a state says no word of programs behind it.
    let mut plan = plan_of_a_link();
    let cleared = Transition { cause: Cause::Cleared, active: false, ..raised(0, Status::GOOD) };
    let stood = "Link plant does not answer";
    let of_link = |plan: &Plan| text(Subject::of(plan, 0).expect("alarm 0"), &cleared, None, None, stood, None);
    assert_eq!(of_link(&plan), "Cleared: “Link plant does not answer”.");
    plan.alarms[0].own = false;
    assert!(of_link(&plan).ends_with("; coil/water/supply/temperature is now working."));
}

fn plan_of_a_link() -> Plan {
    let mut plan = plan("Link plant does not answer");
    plan.points[0].states = vec![(0, "working".into()), (1, "failed".into())];
    plan.alarms[0].own = true;
    plan
}

#[test]
fn an_alarm_that_never_stood_is_named_with_a_gap_for_its_value() {
    let plan = plan("Supply water is {value}, above {limit}");
    assert_eq!(title(Subject::of(&plan, 0).expect("alarm 0")), "Supply water is …, above 21.0 °C");
}

#[test]
fn an_announcement_stands_alone_and_says_when_nothing_is_real() {
    let mut plan = plan("Supply water {value} is above {limit}");
    fn subject(plan: &Plan) -> Subject<'_> {
        Subject::of(plan, 0).expect("alarm 0")
    }
    let live = announcement(&plan, Mode::Live, Priority::High, subject(&plan), "Supply water 21.6 °C is above 21.0 °C");
    assert_eq!(
        live,
        "saltmarsh m1, high: Supply water 21.6 °C is above 21.0 °C. Where: coil bay, left (TT-101). Check the chiller plant."
    );
    plan.module.mode = Mode::Simulated;
    assert!(announcement(&plan, Mode::Simulated, Priority::High, subject(&plan), "x").starts_with("SIMULATED. "));
}

#[test]
fn a_raise_says_what_it_belongs_to() {
    let words = Words::of(crate::plan::Language::English);
    let said = |follows, explains, tie| with_place(words, "Water flow is low.", follows, explains, tie);
    assert_eq!(said(None, None, false), "Water flow is low.");
    assert_eq!(
        said(Some("Pump 1 has tripped"), None, false),
        "Water flow is low; it follows from “Pump 1 has tripped”."
    );
    assert!(said(Some("Pump 1 has tripped"), None, true).contains("within the same scan"));
    assert_eq!(said(None, Some("x."), false), "Water flow is low; it explains “x”.");
    assert!(said(None, Some("x."), true).contains("same scan"));
}

#[test]
fn the_same_in_the_language_of_the_site() {
    let mut plan = plan("Vorlauf ist {value}, über {limit}");
    plan.module.language = crate::plan::Language::German;
    let subject = Subject::of(&plan, 0).expect("alarm 0");
    let at = |t: &Transition, by| text(subject, t, None, by, "Vorlauf ist 21,6 °C, über 21,0 °C", None);
    assert_eq!(at(&raised(216, Status::BAD_SENSOR_FAILURE), None), "Vorlauf ist Fühler ausgefallen, über 21,0 °C");
    let cleared = Transition { cause: Cause::Cleared, active: false, ..raised(204, Status::GOOD) };
    let said = at(&cleared, None);
    assert_eq!(said, "Gegangen: „Vorlauf ist 21,6 °C, über 21,0 °C“; coil/water/supply/temperature ist jetzt 20,4 °C.");
    let acknowledged = Transition { cause: Cause::Acknowledged, ..raised(216, Status::GOOD) };
    assert_eq!(at(&acknowledged, Some("Ada")), "Quittiert von Ada: „Vorlauf ist 21,6 °C, über 21,0 °C“.");
    let placed = with_place(subject.words, "Durchfluss zu klein.", Some("Pumpe 1 ausgelöst"), None, false);
    assert_eq!(placed, "Durchfluss zu klein; folgt aus „Pumpe 1 ausgelöst“.");
    let announced = announcement(&plan, Mode::Simulated, Priority::High, subject, "Vorlauf warm");
    assert!(announced.starts_with("SIMULATION. saltmarsh m1, hoch: Vorlauf warm. Wo: coil bay"), "{announced}");
}
