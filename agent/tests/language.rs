//! What the agent tells of itself, its links and devices, store and configuration: every event in the site's language.
//!
//! The same things befall an agent in each language; each of its sentences must differ from the English one, and what
//! programs read must not. The links lead to ports where nobody listens; what happens is handed in at the core's door.

use std::collections::BTreeMap;
use std::net::TcpListener;
use std::path::PathBuf;
use std::sync::mpsc::{Receiver, sync_channel};
use std::time::{Duration, Instant};

use lapwing::cause::Cause;
use lapwing::config::{self, Overrides};
use lapwing::core::Message;
use lapwing::core::operator::{Action, Reply, Request, Role};
use lapwing::core::run::Told;
use lapwing::field::failure::{Failure, Garble};
use lapwing::field::why::{Difference, Why};
use lapwing::field::{FieldMessage, Lacking};
use lapwing::plan::Mark;
use lapwing::publish::Notice;
use lapwing::service::Service;
use lapwing_protocol::Mode;
use serde_json::Value;

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

/// A directory that goes with its owner.
struct Dir(PathBuf);

impl Drop for Dir {
    fn drop(&mut self) {
        let _left = std::fs::remove_dir_all(&self.0);
    }
}

fn directory(language: &str) -> Dir {
    let dir = std::env::temp_dir().join(format!("lapwing-language-{language}-{}", std::process::id()));
    let _none = std::fs::remove_dir_all(&dir);
    std::fs::create_dir_all(&dir).expect("a directory");
    let closed = || TcpListener::bind("127.0.0.1:0").expect("a port").local_addr().expect("bound").port();
    let text = MODULE.replace("PLANT", &closed().to_string()).replace("BROKER", &closed().to_string());
    std::fs::write(dir.join("module.toml"), text.replace("LANGUAGE", language)).expect("written");
    std::fs::write(dir.join("coil.toml"), COIL).expect("written");
    Dir(dir)
}

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
    Message::Operator(Box::new(Request {
        who: "Ada".into(),
        role: Role::Engineer,
        action,
        alarm: None,
        occurrence: None,
        reason: Some("X 17".into()),
        once: None,
        reply: Reply::nobody(),
    }))
}

fn told_in(language: &str) -> Said {
    let dir = directory(language);
    let overrides = Overrides { store_dir: Some(dir.0.join("store")), ..Overrides::default() };
    let loaded = config::load(&dir.0.join("module.toml"), std::iter::empty(), &overrides).expect("valid");
    let (tell, told) = sync_channel(4096);
    let service = Service::start(loaded.plan, tell).expect("starts");
    for message in befalls() {
        service.door().hand_in_surely(message);
    }
    let mut said = Said::new();
    gather(&told, &mut said, |event| event["action"] == "note");
    let _summary = service.stop();
    gather(&told, &mut said, |event| event["change"] == "stopping");
    said
}

/// Reads until a certain event.
fn gather(told: &Receiver<Told>, said: &mut Said, last: impl Fn(&Value) -> bool) {
    let until = Instant::now() + Duration::from_secs(60);
    while let Ok(told) = told.recv_timeout(until.saturating_duration_since(Instant::now())) {
        let Told::Event(payload) = told else { continue };
        let event: Value = serde_json::from_slice(&payload).expect("an event");
        let kind = event["kind"].as_str().expect("a kind");
        let text = event["text"].as_str().expect("a sentence").to_owned();
        let of = |key: &str| event[key].to_string();
        if kind != "alarm" {
            // What programs read: the same in every language, but for what has the language of the site by design.
            let reason = if event["change"] == "mode changed" { String::new() } else { of("reason") };
            let key =
                [kind, &of("change"), &of("link"), &of("device"), &of("up"), &of("accepted"), &of("action"), &reason];
            let _first = said.entry(key.join(" ")).or_insert(text);
        }
        if last(&event) {
            return;
        }
    }
    panic!("not told in time; so far: {said:#?}");
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
