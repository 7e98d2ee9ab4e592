//! What the agent tells of itself, its links and devices, store and configuration: every event in the site's language.
//!
//! The same things befall an agent in each language; each of its sentences must differ from the English one, and what
//! programs read must not. The links lead to ports where nobody listens; what happens is handed in at the core's door.

use std::collections::BTreeMap;
use std::time::Instant;

use lapwing::cause::Cause;
use lapwing::core::Message;
use lapwing::core::operator::{Action, Reply, Role};
use lapwing::field::failure::{Failure, Garble};
use lapwing::field::why::{Difference, Why};
use lapwing::field::{FieldMessage, Lacking};
use lapwing::plan::Mark;
use lapwing::publish::Notice;
use lapwing_protocol::Mode;
use serde_json::Value;

use crate::rig::{Agent, Asked, Site, request};

const MODULE: &str = r#"
[module]
site = "saltmarsh"
name = "m1"
language = "LANGUAGE"

[mqtt]
broker = "127.0.0.1:BROKER"

[http]
enabled = false

[[link]]
name = "plant"
modbus_tcp = "127.0.0.1:PLANT"

[[link]]
name = "bus"
serial = "/dev/lapwing-no-such-line"
baud = 19200
parity = "even"

[[device]]
name = "coil"
link = "plant"
unit = 1
map = "coil.toml"
expect = { "holding:200" = 3310 }

[[device]]
name = "fan"
link = "bus"
unit = 1
prefix = "bus"
map = "coil.toml"

[[alarm]]
id = "coil-warm"
point = "coil/temperature"
high = 30.0
deadband = 1.0
priority = "low"
text = "The coil is {value}"
consequence = "c"
response = "r"
respond_within = "8h"

[[suppress]]
name = "plant-work"
text = "People work on the plant"
alarms = ["coil-*"]
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

[[point]]
path = "coil/pressure"
quantity = "pressure"
unit = "Pa"
register = "holding:1"
as = "i16"
"#;

/// What came of it in one language, by what programs read of it.
type Said = BTreeMap<String, String>;

fn befalls() -> Vec<Message> {
    let at = Instant::now();
    let field = |message| Message::Field(message);
    let differs = || {
        let feature = "holding:200".to_owned();
        Why::Differs(vec![Difference::NotExpected { feature, shows: Mark::Number(1), expected: Mark::Number(3310) }])
    };
    let lacks = |points: &[u32]| {
        let lacking = points.iter().map(|&point| Lacking { point, place: Some(format!("holding:{point}")) }).collect();
        let why = (!points.is_empty()).then_some(Why::Failed(Failure::Exception { code: 2 }));
        field(FieldMessage::Lacks { device: 0, lacking, why, at })
    };
    let garbled = || Why::TwoAsOne { unit: 1, last: Failure::Garbled(Garble::Crc) };
    vec![
        field(FieldMessage::LinkState { link: 0, up: true, why: Why::Answers, at }),
        field(FieldMessage::LinkState { link: 0, up: false, why: Why::NoneAnswers { devices: 1 }, at }),
        field(FieldMessage::LinkState { link: 0, up: true, why: Why::Answers, at }),
        field(FieldMessage::DeviceState { device: 0, up: true, why: Why::Answers, at }),
        field(FieldMessage::DeviceState { device: 0, up: false, why: garbled(), at }),
        field(FieldMessage::DeviceState { device: 0, up: true, why: Why::Answers, at }),
        field(FieldMessage::Identity { device: 0, fits: true, why: Why::Fits, at }),
        field(FieldMessage::Identity { device: 0, fits: false, why: differs(), at }),
        field(FieldMessage::Identity { device: 0, fits: true, why: Why::Fits, at }),
        field(FieldMessage::Masters { link: 1, another: false, why: Why::OneMaster, at }),
        field(FieldMessage::Masters { link: 1, another: true, why: Why::Foreign { unit: 9 }, at }),
        field(FieldMessage::Masters { link: 1, another: false, why: Why::OneMaster, at }),
        lacks(&[1]),
        lacks(&[]),
        lacks(&[0, 1]),
        field(FieldMessage::Restarted { device: 0, up_s: 12, at }),
        field(FieldMessage::Notice {
            device: None,
            what: Why::NoNotifications { listen: "0.0.0.0:162".into(), why: "in use".into() },
            at,
        }),
        Message::Broker(Notice::Down(Cause::known("broker_nobody", &[("at", &"127.0.0.1:1883")]))),
        Message::Broker(Notice::Connected),
        Message::Broker(Notice::Unheard("command/#".into())),
        Message::Broker(Notice::SetAside {
            what: "event 7".into(),
            why: Cause::known("broker_drops", &[]).because("why", Cause::io(&std::io::Error::from_raw_os_error(104))),
        }),
        Message::Unproved("3 × bad_signature".into()),
        Message::Refused { hash: "00".into(), why: "module.toml:3: …".into() },
        asks(Action::Suppress { rule: "plant-work".into(), for_ms: None }),
        asks(Action::Release { rule: "plant-work".into() }),
        asks(Action::SetMode { mode: Mode::Maintenance, for_ms: Some(60_000) }),
        asks(Action::SetMode { mode: Mode::Live, for_ms: None }),
        asks(Action::Note),
    ]
}

fn asks(action: Action) -> Message {
    let asked = Asked { action, alarm: None, occurrence: None, reason: Some("X 17") };
    request("Ada", Role::Engineer, asked, Reply::nobody())
}

fn told_in(language: &str) -> Said {
    let site = Site::new(&format!("language-{language}"), &MODULE.replace("LANGUAGE", language), COIL);
    let mut agent = Agent::start(&site);
    for message in befalls() {
        agent.service.door().hand_in_surely(message);
    }
    agent.event("the last of it", |event| event["action"] == "note");
    let told = agent.stop();
    assert!(told.iter().any(|event| event["change"] == "stopping"), "{told:#?}");
    told.iter().filter_map(said).rev().collect()
}

/// A sentence, by what programs read: the same in every language, but for what has the language of the site by design.
fn said(event: &Value) -> Option<(String, String)> {
    let kind = event["kind"].as_str().expect("a kind");
    let text = event["text"].as_str().expect("a sentence").to_owned();
    let of = |key: &str| event[key].to_string();
    let reason = if event["change"] == "mode changed" { String::new() } else { of("reason") };
    let key = [kind, &of("change"), &of("link"), &of("device"), &of("up"), &of("accepted"), &of("action"), &reason];
    (kind != "alarm").then(|| (key.join(" "), text))
}

#[test]
fn every_event_is_told_in_the_sites_language() {
    let (english, german) = (told_in("en"), told_in("de"));
    // The real links' own word comes when it comes, in both languages; its reason has ports of its own.
    let steady = |said: &Said| {
        said.keys()
            .filter(|key| !key.contains("127.0.0.1:") && !key.contains("no-such-line"))
            .cloned()
            .collect::<Vec<_>>()
    };
    assert_eq!(steady(&english), steady(&german));
    assert!(english.len() > 25, "{english:#?}");
    for (key, sentence) in &german {
        assert!(english.get(key) != Some(sentence), "{key}: {sentence}");
        assert!(!sentence.contains(['{', '}']), "{key}: {sentence}");
        let words: Vec<&str> = sentence.split([' ', '.', ',', ':', ';', '(']).collect();
        for word in ["the", "The", "of", "is", "are", "and", "device", "link", "has", "its"] {
            assert!(!words.contains(&word), "{sentence}");
        }
    }
    for kind in ["operator ", "link ", "device ", "agent ", "config "] {
        assert!(german.keys().any(|key| key.starts_with(kind)), "nothing of kind {kind}");
    }
    let gone = |said: &Said, part: &str| said.values().find(|said| said.contains(part)).cloned();
    assert_eq!(
        gone(&german, "1 seiner 2 Punkte").as_deref(),
        Some(
            "Das Gerät coil an der Verbindung plant antwortet ohne 1 seiner 2 Punkte: coil/pressure (holding:1) – abgelehnt \
             mit Ausnahme 02 (das Gerät hat diese Registeradresse nicht: die Register der Zuordnung prüfen). Der Rest wird \
             weiter gelesen, und nach diesen wird ab und zu wieder gefragt."
        )
    );
}
