//! The operators' door of a running agent: what people do to alarms, rules and mode, what is refused, what survives.
//!
//! One link leads to a port where nobody listens, so that its alarm stands.

use std::path::Path;

use lapwing::config::{self, Overrides};
use lapwing::core::operator::{Action, Answer, Refused, Role};
use lapwing::replay::{self, Wanted};
use lapwing_engine::Refusal;
use lapwing_protocol::Mode;
use serde_json::Value;

use crate::rig::{Agent, Asked, Site};

const MODULE: &str = r#"
[module]
site = "saltmarsh"
name = "m1"
announce_in = ["live"]

[mqtt]
broker = "127.0.0.1:BROKER"

[http]
enabled = false

[[link]]
name = "plant"
modbus_tcp = "127.0.0.1:PLANT"
timeout_ms = 100

[[device]]
name = "coil"
link = "plant"
map = "coil.toml"

[[alarm]]
id = "coil-warm"
point = "coil/temperature"
high = 30.0
deadband = 1.0
priority = "low"
max_shelf = "1h"
text = "The coil is {value}"
consequence = "c"
response = "r"
respond_within = "8h"

[[suppress]]
name = "plant-work"
text = "People work on the plant"
alarms = ["fault/link/*"]
at_most = "1h"

[[suppress]]
name = "no-plant"
text = "Without the plant the coil means nothing"
alarms = ["coil-*"]
while = { point = "agent/link/plant/state", state = "failed" }
at_most = "1h"
"#;

const COIL: &str = r#"
[[point]]
path = "coil/temperature"
quantity = "temperature"
unit = "Cel"
register = "holding:0"
as = "i16"
scale = 0.1
"#;

const LINK: &str = "fault/link/plant";
const WHO: &str = "Operator on shift";

/// What operators ask, in short.
trait Asks {
    fn by(&self, role: Role, action: Action, alarm: Option<&str>, reason: Option<&str>) -> Answer;
    fn operator(&self, action: Action, alarm: &str, reason: Option<&str>) -> Answer;
}

impl Asks for Agent {
    fn by(&self, role: Role, action: Action, alarm: Option<&str>, reason: Option<&str>) -> Answer {
        self.asks(WHO, role, Asked { action, alarm, occurrence: None, reason })
    }

    fn operator(&self, action: Action, alarm: &str, reason: Option<&str>) -> Answer {
        self.by(Role::Operator, action, Some(alarm), reason)
    }
}

fn site(name: &str) -> Site {
    Site::new(&format!("operator-{name}"), MODULE, COIL)
}

#[test]
fn people_act_through_one_door_and_all_of_it_is_told() {
    let site = site("door");
    let mut agent = Agent::start(&site);
    let raised = agent.moved(LINK, "unacknowledged");
    assert_eq!(raised["announced"], true, "live: people are told");
    assert_eq!(raised["first_out"], Value::Null, "no group, no first-out");
    agent.moved("coil-warm", "suppressed");

    // Who may, and what is missing.
    let observer = agent.by(Role::Observer, Action::Acknowledge, Some(LINK), None);
    assert_eq!(observer, Err(Refused::NotAllowed { role: Role::Observer, needs: Role::Operator }));
    let refused = agent.event("the refusal", |event| event["kind"] == "operator" && event["refused"].is_string());
    assert_eq!(refused["by"], "Operator on shift");
    assert_eq!(agent.operator(Action::ShelveOnce, LINK, None), Err(Refused::NoReason));
    let unknown = agent.operator(Action::Acknowledge, "fault/link/plnt", None);
    assert_eq!(unknown, Err(Refused::UnknownAlarm { id: "fault/link/plnt".into(), near: Some(LINK.into()) }));
    assert_eq!(agent.operator(Action::Reset, LINK, None), Err(Refused::State(Refusal::StillActive)));

    // A touch on an old page is meant for an older occurrence.
    let seen = raised["occurrence"].as_u64().and_then(|seen| u32::try_from(seen).ok()).expect("a number");
    let old = agent.asks(
        WHO,
        Role::Operator,
        Asked { action: Action::Acknowledge, alarm: Some(LINK), occurrence: Some(seen + 1), reason: None },
    );
    assert_eq!(old, Err(Refused::OtherOccurrence { seen: seen + 1, now: seen }));
    let refused = agent.event("what was meant", |event| event["kind"] == "operator" && event["occurrence"] == seen + 1);
    assert!(refused["refused"].as_str().is_some_and(|why| why.contains("look again")), "{refused}");

    // Acknowledged, with name; the person's event stands before the alarm's.
    let done = agent.operator(Action::Acknowledge, LINK, Some("seen")).expect("done");
    let event = agent.moved(LINK, "acknowledged");
    assert_eq!((event["by"].as_str(), event["reason"].as_str()), (Some("Operator on shift"), Some("seen")));
    assert_eq!(event["seq"].as_u64(), Some(done.seq + 1));
    assert_eq!(agent.operator(Action::Acknowledge, LINK, None), Err(Refused::State(Refusal::NothingToAcknowledge)));

    // Shelved for a time, judged on underneath, taken off: it asks for attention again.
    let shelf = agent.operator(Action::Shelve { for_ms: 60_000 }, LINK, Some("the gateway is being replaced"));
    assert!(shelf.expect("done").until.is_some());
    let event = agent.moved(LINK, "shelved");
    assert_eq!((event["active"].as_bool(), &event["hidden_by"]), (Some(true), &serde_json::json!(["shelved"])));
    assert!(event["until"].is_number());
    let long = agent.operator(Action::Shelve { for_ms: 3_600_001 }, "coil-warm", Some("x"));
    assert_eq!(long, Err(Refused::State(Refusal::AlreadyHidden)), "it is suppressed");
    assert_eq!(agent.operator(Action::Acknowledge, LINK, None), Err(Refused::State(Refusal::Hidden)));
    agent.operator(Action::Unshelve, LINK, None).expect("done");
    let again = agent.event("told again", |event| {
        event["alarm"] == LINK && event["from"] == "shelved" && event["to"] == "unacknowledged"
    });
    assert_eq!(again["announced"], true);

    // Out of service needs the engineer; it is not announced on return if it has been told in another mode.
    assert!(agent.operator(Action::RemoveFromService, LINK, Some("x")).is_err());
    let by = |action, reason| agent.by(Role::Engineer, action, Some(LINK), reason);
    by(Action::RemoveFromService, Some("under repair")).expect("done");
    by(Action::ReturnToService, None).expect("done");

    // Rules: one a person starts, one that holds by itself.
    let rule = |rule: &str| Action::Suppress { rule: rule.into(), for_ms: None };
    let by_itself = agent.by(Role::Operator, rule("no-plant"), None, Some("x"));
    assert_eq!(by_itself, Err(Refused::HoldsByItself { name: "no-plant".into() }));
    assert!(matches!(agent.by(Role::Operator, rule("plant"), None, Some("x")), Err(Refused::UnknownRule { .. })));
    agent.by(Role::Operator, rule("plant-work"), None, Some("work order 12")).expect("done");
    let hidden = agent.moved(LINK, "suppressed");
    assert_eq!(hidden["reason"], "work order 12");
    assert_eq!(
        agent.by(Role::Operator, rule("plant-work"), None, Some("x")),
        Err(Refused::InForce { name: "plant-work".into() })
    );
    agent.by(Role::Operator, Action::Release { rule: "plant-work".into() }, None, None).expect("done");
    agent.event("let go", |event| event["alarm"] == LINK && event["from"] == "suppressed");

    // Notes, and a mode in which nobody is told.
    agent.by(Role::Operator, Action::Note, None, Some("The gateway hums.")).expect("done");
    agent.event("the note", |event| event["action"] == "note" && event["reason"] == "The gateway hums.");
    agent.by(Role::Operator, Action::Note, Some(LINK), Some("It hums.")).expect("done");
    let about = agent.event("a note on an alarm", |event| event["reason"] == "It hums.");
    assert_eq!(
        (&about["alarm"], &about["text"]),
        (&LINK.into(), &format!("Operator on shift notes on {LINK}: It hums.").into())
    );
    let nothing = agent.by(Role::Operator, Action::Note, Some("fault/link/plantt"), Some("x"));
    assert!(matches!(nothing, Err(Refused::UnknownAlarm { near: Some(near), .. }) if near == LINK));
    let test = |for_ms| Action::SetMode { mode: Mode::Test, for_ms };
    assert_eq!(agent.by(Role::Engineer, test(None), None, Some("x")), Err(Refused::NoDuration));
    let day = agent.by(Role::Engineer, test(Some(86_400_000)), None, Some("x"));
    assert_eq!(day, Err(Refused::TooLong { max_ms: 8 * 3_600_000 }));
    agent.by(Role::Engineer, test(Some(1500)), None, Some("alarm test")).expect("done");
    agent.operator(Action::ShelveOnce, LINK, Some("test")).expect("done");
    agent.operator(Action::Unshelve, LINK, None).expect("done");
    let quiet =
        agent.event("in test", |event| event["alarm"] == LINK && event["from"] == "shelved" && event["mode"] == "test");
    assert_eq!((&quiet["to"], &quiet["announced"]), (&Value::from("unacknowledged"), &Value::Null));
    agent.event("live again", |event| event["change"] == "mode changed" && event["mode"] == "live");
    let _told = agent.stop();
    judged_again(site.dir());
}

/// Who is answered and looks at once sees what was done: the answer does not come before it is shown.
#[test]
fn what_was_done_is_shown_before_it_is_answered() {
    let site = site("shown");
    let mut agent = Agent::start(&site);
    agent.moved(LINK, "unacknowledged");
    let shown = |agent: &Agent| -> (String, Value) {
        let record = agent.service.board().alarm_record(LINK).expect("it is shown");
        let record: Value = serde_json::from_slice(&record).expect("a record");
        (record["state"].as_str().expect("a state").to_owned(), record["seq"].clone())
    };
    let rule = |for_ms| Action::Suppress { rule: "plant-work".into(), for_ms };
    let release = || Action::Release { rule: "plant-work".into() };
    for round in 0..5 {
        let steps = [
            (Some(LINK), Action::Acknowledge, "acknowledged"),
            (Some(LINK), Action::Shelve { for_ms: 60_000 }, "shelved"),
            (Some(LINK), Action::Unshelve, "unacknowledged"),
            (Some(LINK), Action::ShelveOnce, "shelved"),
            (Some(LINK), Action::Unshelve, "unacknowledged"),
            (None, rule(Some(60_000)), "suppressed"),
            (None, release(), "unacknowledged"),
            (Some(LINK), Action::RemoveFromService, "out_of_service"),
            (Some(LINK), Action::ReturnToService, "unacknowledged"),
        ];
        for (alarm, action, state) in steps {
            let what = format!("round {round}: {action:?}");
            let done = agent.by(Role::Engineer, action, alarm, Some("x")).expect(&what);
            let (now, seq) = shown(&agent);
            assert_eq!(now, state, "{what}");
            assert!(seq.as_u64() > Some(done.seq), "{what}: the record names the alarm's own event, {seq}");
        }
    }
    let _told = agent.stop();
}

#[test]
fn shelf_rules_and_mode_survive_a_restart() {
    let site = site("restart");
    let mut agent = Agent::start(&site);
    agent.moved(LINK, "unacknowledged");
    agent.moved("coil-warm", "suppressed");
    let mode = Action::SetMode { mode: Mode::Maintenance, for_ms: Some(600_000) };
    agent.by(Role::Engineer, mode, None, Some("service")).expect("done");
    agent.operator(Action::Shelve { for_ms: 600_000 }, LINK, Some("service")).expect("done");
    agent.moved(LINK, "shelved");
    let _told = agent.stop();

    let mut agent = Agent::start(&site);
    let started = agent.event("the start", |event| event["change"] == "started");
    assert_eq!(started["mode"], "maintenance");
    assert!(started["text"].as_str().is_some_and(|text| text.contains("Not normal since before")), "{started}");
    assert_eq!(
        agent.operator(Action::Shelve { for_ms: 1 }, LINK, Some("x")),
        Err(Refused::State(Refusal::AlreadyHidden))
    );
    assert_eq!(
        agent.operator(Action::ShelveOnce, "coil-warm", Some("x")),
        Err(Refused::State(Refusal::AlreadyHidden)),
        "the rule still hides it"
    );
    agent.operator(Action::Unshelve, LINK, None).expect("done");
    let back = agent.event("told", |event| event["alarm"] == LINK && event["from"] == "shelved");
    assert_eq!((&back["to"], &back["announced"]), (&Value::from("unacknowledged"), &Value::Null), "maintenance");
    let live = Action::SetMode { mode: Mode::Live, for_ms: None };
    agent.by(Role::Engineer, live, None, Some("service done")).expect("done");
    let _told = agent.stop();
    judged_again(site.dir());
}

/// Judged again with the same settings, what people did included, every alarm event comes again to the millisecond.
fn judged_again(dir: &Path) {
    let config = dir.join("module.toml");
    let loaded = config::load(&config, std::iter::empty(), &Overrides::default()).expect("valid");
    let wanted = Wanted {
        data: dir.join("store"),
        plan: &loaded.plan,
        config: config.clone(),
        from: None,
        to: None,
        lead: None,
    };
    let replayed = replay::replay(&wanted, &mut |_, _| ()).expect("replayed");
    let (then, now, same) = replayed.events;
    assert!(then > 3 && then == now && now == same, "{}", replay::in_words(&replayed, &config));
    assert_eq!(replayed.refused, 0);
}
