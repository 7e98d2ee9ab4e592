//! The operators' door of a running agent: what people do to alarms, rules and mode, what is refused, what survives.
//!
//! One link leads to a port where nobody listens, so that its alarm stands; no broker is there either, events are read
//! as the agent tells them once they are on disk.

use std::net::TcpListener;
use std::path::{Path, PathBuf};
use std::sync::mpsc::{Receiver, sync_channel};
use std::time::{Duration, Instant};

use lapwing::config::{self, Overrides};
use lapwing::core::Message;
use lapwing::core::operator::{Action, Answer, Refused, Reply, Request, Role};
use lapwing::core::run::Told;
use lapwing::replay::{self, Wanted};
use lapwing::service::Service;
use lapwing_engine::Refusal;
use lapwing_protocol::Mode;
use serde_json::Value;

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

struct Agent {
    service: Service,
    told: Receiver<Told>,
    seen: Vec<Value>,
}

/// A directory that goes with its owner.
struct Dir(PathBuf);

impl Dir {
    fn new(name: &str) -> Self {
        let dir = std::env::temp_dir().join(format!("lapwing-operator-{name}-{}", std::process::id()));
        let _none = std::fs::remove_dir_all(&dir);
        std::fs::create_dir_all(&dir).expect("a directory");
        let closed = || TcpListener::bind("127.0.0.1:0").expect("a port").local_addr().expect("bound").port();
        let text = MODULE.replace("PLANT", &closed().to_string()).replace("BROKER", &closed().to_string());
        std::fs::write(dir.join("module.toml"), text).expect("written");
        std::fs::write(dir.join("coil.toml"), COIL).expect("written");
        Self(dir)
    }
}

impl Drop for Dir {
    fn drop(&mut self) {
        let _left = std::fs::remove_dir_all(&self.0);
    }
}

impl Agent {
    fn start(dir: &Path) -> Self {
        let overrides = Overrides { store_dir: Some(dir.join("store")), ..Overrides::default() };
        let loaded = config::load(&dir.join("module.toml"), std::iter::empty(), &overrides).expect("valid");
        let (tell, told) = sync_channel(4096);
        Self { service: Service::start(loaded.plan, tell).expect("starts"), told, seen: Vec::new() }
    }

    /// Waits for an event.
    fn event(&mut self, what: &str, wanted: impl Fn(&Value) -> bool) -> Value {
        if let Some(found) = self.seen.iter().find(|event| wanted(event)) {
            return found.clone();
        }
        let until = Instant::now() + Duration::from_secs(60);
        while let Ok(told) = self.told.recv_timeout(until.saturating_duration_since(Instant::now())) {
            let Told::Event(payload) = told else { continue };
            let event: Value = serde_json::from_slice(&payload).expect("an event");
            self.seen.push(event.clone());
            if wanted(&event) {
                return event;
            }
        }
        panic!("no event: {what}; seen: {:#?}", self.seen.iter().map(|event| &event["text"]).collect::<Vec<_>>());
    }

    fn moved(&mut self, alarm: &str, to: &str) -> Value {
        self.event(&format!("{alarm} {to}"), |event| event["alarm"] == alarm && event["to"] == to)
    }

    fn asks(&self, role: Role, action: Action, alarm: Option<&str>, reason: Option<&str>) -> Answer {
        self.asks_of(role, action, alarm, None, reason)
    }

    /// The same for the occurrence a person has seen.
    fn asks_of(
        &self,
        role: Role,
        action: Action,
        alarm: Option<&str>,
        occurrence: Option<u32>,
        reason: Option<&str>,
    ) -> Answer {
        let (reply, answer) = sync_channel(1);
        let request = Request {
            who: "Operator on shift".into(),
            role,
            action,
            alarm: alarm.map(str::to_owned),
            occurrence,
            reason: reason.map(str::to_owned),
            once: None,
            reply: Reply::to(move |answer| reply.send(answer).expect("somebody waits")),
        };
        self.service.door().hand_in_surely(Message::Operator(Box::new(request)));
        answer.recv_timeout(Duration::from_secs(60)).expect("an answer")
    }

    fn operator(&self, action: Action, alarm: &str, reason: Option<&str>) -> Answer {
        self.asks(Role::Operator, action, Some(alarm), reason)
    }
}

#[test]
fn people_act_through_one_door_and_all_of_it_is_told() {
    let dir = Dir::new("door");
    let mut agent = Agent::start(&dir.0);
    let raised = agent.moved(LINK, "unacknowledged");
    assert_eq!(raised["announced"], true, "live: people are told");
    assert_eq!(raised["first_out"], Value::Null, "no group, no first-out");
    agent.moved("coil-warm", "suppressed");

    // Who may, and what is missing.
    let observer = agent.asks(Role::Observer, Action::Acknowledge, Some(LINK), None);
    assert_eq!(observer, Err(Refused::NotAllowed { role: Role::Observer, needs: Role::Operator }));
    let refused = agent.event("the refusal", |event| event["kind"] == "operator" && event["refused"].is_string());
    assert_eq!(refused["by"], "Operator on shift");
    assert_eq!(agent.operator(Action::ShelveOnce, LINK, None), Err(Refused::NoReason));
    let unknown = agent.operator(Action::Acknowledge, "fault/link/plnt", None);
    assert_eq!(unknown, Err(Refused::UnknownAlarm { id: "fault/link/plnt".into(), near: Some(LINK.into()) }));
    assert_eq!(agent.operator(Action::Reset, LINK, None), Err(Refused::State(Refusal::StillActive)));

    // A touch on an old page is meant for an older occurrence.
    let seen = raised["occurrence"].as_u64().and_then(|seen| u32::try_from(seen).ok()).expect("a number");
    let old = agent.asks_of(Role::Operator, Action::Acknowledge, Some(LINK), Some(seen + 1), None);
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
    let by = |action, reason| agent.asks(Role::Engineer, action, Some(LINK), reason);
    by(Action::RemoveFromService, Some("under repair")).expect("done");
    by(Action::ReturnToService, None).expect("done");

    // Rules: one a person starts, one that holds by itself.
    let rule = |rule: &str| Action::Suppress { rule: rule.into(), for_ms: None };
    let by_itself = agent.asks(Role::Operator, rule("no-plant"), None, Some("x"));
    assert_eq!(by_itself, Err(Refused::HoldsByItself { name: "no-plant".into() }));
    assert!(matches!(agent.asks(Role::Operator, rule("plant"), None, Some("x")), Err(Refused::UnknownRule { .. })));
    agent.asks(Role::Operator, rule("plant-work"), None, Some("work order 12")).expect("done");
    let hidden = agent.moved(LINK, "suppressed");
    assert_eq!(hidden["reason"], "work order 12");
    assert_eq!(
        agent.asks(Role::Operator, rule("plant-work"), None, Some("x")),
        Err(Refused::InForce { name: "plant-work".into() })
    );
    agent.asks(Role::Operator, Action::Release { rule: "plant-work".into() }, None, None).expect("done");
    agent.event("let go", |event| event["alarm"] == LINK && event["from"] == "suppressed");

    // Notes, and a mode in which nobody is told.
    agent.asks(Role::Operator, Action::Note, None, Some("The gateway hums.")).expect("done");
    agent.event("the note", |event| event["action"] == "note" && event["reason"] == "The gateway hums.");
    agent.asks(Role::Operator, Action::Note, Some(LINK), Some("It hums.")).expect("done");
    let about = agent.event("a note on an alarm", |event| event["reason"] == "It hums.");
    assert_eq!(
        (&about["alarm"], &about["text"]),
        (&LINK.into(), &format!("Operator on shift notes on {LINK}: It hums.").into())
    );
    let nothing = agent.asks(Role::Operator, Action::Note, Some("fault/link/plantt"), Some("x"));
    assert!(matches!(nothing, Err(Refused::UnknownAlarm { near: Some(near), .. }) if near == LINK));
    let test = |for_ms| Action::SetMode { mode: Mode::Test, for_ms };
    assert_eq!(agent.asks(Role::Engineer, test(None), None, Some("x")), Err(Refused::NoDuration));
    let day = agent.asks(Role::Engineer, test(Some(86_400_000)), None, Some("x"));
    assert_eq!(day, Err(Refused::TooLong { max_ms: 8 * 3_600_000 }));
    agent.asks(Role::Engineer, test(Some(1500)), None, Some("alarm test")).expect("done");
    agent.operator(Action::ShelveOnce, LINK, Some("test")).expect("done");
    agent.operator(Action::Unshelve, LINK, None).expect("done");
    let quiet =
        agent.event("in test", |event| event["alarm"] == LINK && event["from"] == "shelved" && event["mode"] == "test");
    assert_eq!((&quiet["to"], &quiet["announced"]), (&Value::from("unacknowledged"), &Value::Null));
    agent.event("live again", |event| event["change"] == "mode changed" && event["mode"] == "live");
    let _summary = agent.service.stop();
    judged_again(&dir.0);
}

/// Who is answered and looks at once sees what was done: the answer does not come before it is shown.
#[test]
fn what_was_done_is_shown_before_it_is_answered() {
    let dir = Dir::new("shown");
    let mut agent = Agent::start(&dir.0);
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
            let done = agent.asks(Role::Engineer, action, alarm, Some("x")).expect(&what);
            let (now, seq) = shown(&agent);
            assert_eq!(now, state, "{what}");
            assert!(seq.as_u64() > Some(done.seq), "{what}: the record names the alarm's own event, {seq}");
        }
    }
    let _summary = agent.service.stop();
}

#[test]
fn shelf_rules_and_mode_survive_a_restart() {
    let dir = Dir::new("restart");
    let mut agent = Agent::start(&dir.0);
    agent.moved(LINK, "unacknowledged");
    agent.moved("coil-warm", "suppressed");
    let mode = Action::SetMode { mode: Mode::Maintenance, for_ms: Some(600_000) };
    agent.asks(Role::Engineer, mode, None, Some("service")).expect("done");
    agent.operator(Action::Shelve { for_ms: 600_000 }, LINK, Some("service")).expect("done");
    agent.moved(LINK, "shelved");
    let _summary = agent.service.stop();

    let mut agent = Agent::start(&dir.0);
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
    agent.asks(Role::Engineer, live, None, Some("service done")).expect("done");
    let _summary = agent.service.stop();
    judged_again(&dir.0);
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
