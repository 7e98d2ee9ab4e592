//! Whose command it is: each way to be nobody's, and what reaches the core's door.

use std::sync::Mutex;

use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use ring::signature::{Ed25519KeyPair, KeyPair as _};

use super::*;
use crate::core::Inlet as CoreInlet;
use crate::core::operator::{Action, Done};
use crate::store::tests::TestDir;

struct Rig {
    task: Task,
    core: CoreInlet,
    said: Arc<Mutex<Vec<CommandReply>>>,
    key: Ed25519KeyPair,
    _dir: TestDir,
}

impl Rig {
    fn new(name: &str, how: Commands) -> Self {
        let dir = TestDir::new(name);
        let key = Ed25519KeyPair::from_seed_unchecked(&[9; 32]).expect("a seed");
        let mut accounts = Accounts::load(dir.path()).expect("none yet");
        accounts.put("ada", Role::Operator, "4711").expect("added");
        accounts.put("bob", Role::Engineer, "4711").expect("added");
        let public: jws::Key = key.public_key().as_ref().try_into().expect("32 bytes");
        accounts.set_key("ada", Some(&public)).expect("known");
        accounts.save(dir.path()).expect("saved");
        let mut plan = Plan::default();
        plan.mqtt.commands = how;
        plan.module.site = "saltmarsh".into();
        plan.module.name = "m1".into();
        plan.store.dir = dir.path().to_path_buf();
        let (door, core) = Door::new();
        let said: Arc<Mutex<Vec<CommandReply>>> = Arc::default();
        let hears = Arc::clone(&said);
        let say: Say = Box::new(move |topic, payload| {
            assert_eq!(topic, "command/reply");
            hears.lock().expect("whole").push(serde_json::from_slice(&payload).expect("a reply"));
        });
        Self { task: Task::new(&plan, door, say), core, said, key, _dir: dir }
    }

    fn give(&mut self, topic: &str, payload: &[u8]) {
        self.task.take(&Received { topic: topic.into(), retain: false, payload: payload.to_vec() });
    }

    fn signed(&self, header: &str, payload: &str) -> Vec<u8> {
        let input = format!("{}.{}", URL_SAFE_NO_PAD.encode(header), URL_SAFE_NO_PAD.encode(payload));
        let signature = URL_SAFE_NO_PAD.encode(self.key.sign(input.as_bytes()));
        format!("{input}.{signature}").into_bytes()
    }

    fn code(&self) -> Option<String> {
        self.said.lock().expect("whole").last().and_then(|reply| reply.code.clone())
    }

    fn request(&self) -> Option<Request> {
        std::iter::from_fn(|| self.core.try_recv()).find_map(|message| match message {
            Message::Operator(request) => Some(*request),
            _ => None,
        })
    }
}

const ADA: &str = r#"{"alg":"EdDSA","kid":"ada"}"#;

fn claims(change: &str) -> String {
    let now = now_ms() / 1000;
    let whole =
        format!(r#"{{"id":"1","action":"acknowledge","alarm":"a","occurrence":2,"iat":{now},"aud":"saltmarsh/m1"}}"#);
    match change {
        "" => whole,
        "old" => whole.replace(&now.to_string(), &(now - FRESH_S - 5).to_string()),
        "ahead" => whole.replace(&now.to_string(), &(now + FRESH_S + 5).to_string()),
        "expired" => whole.replace("\"iat\"", "\"exp\":1000,\"iat\""),
        "no iat" => whole.replace(&format!("\"iat\":{now},"), ""),
        "no aud" => whole.replace(",\"aud\":\"saltmarsh/m1\"", ""),
        "other" => whole.replace("saltmarsh/m1", "saltmarsh/m2"),
        other => panic!("{other}"),
    }
}

#[test]
fn a_signed_command_reaches_the_core_with_name_and_role() {
    let mut rig = Rig::new("command-signed", Commands::Signed);
    let payload = rig.signed(ADA, &claims(""));
    rig.give("command", &payload);
    let request = rig.request().expect("a request");
    assert_eq!((request.who.as_str(), request.role, request.occurrence), ("ada", Role::Operator, Some(2)));
    assert_eq!(request.action, Action::Acknowledge);
    assert_eq!(request.once.as_ref().map(|once| (once.id.as_str(), once.iat_s.is_some())), Some(("1", true)));
    request.reply.say(Ok(Done { log: "l".into(), seq: 7, until: None }));
    let said = rig.said.lock().expect("whole").pop().expect("an answer");
    assert!(said.done && said.seq == Some(7));
    assert_eq!((said.id.as_deref(), said.by.as_deref()), (Some("1"), Some("ada")));
}

#[test]
fn whatever_is_not_proved_never_reaches_the_core() {
    let mut rig = Rig::new("command-unproved", Commands::Signed);
    for (change, code) in [
        ("old", "not_fresh"),
        ("ahead", "not_fresh"),
        ("expired", "expired"),
        ("no iat", "missing_claim"),
        ("no aud", "missing_claim"),
        ("other", "other_module"),
    ] {
        let payload = rig.signed(ADA, &claims(change));
        rig.give("command", &payload);
        assert_eq!(rig.code().as_deref(), Some(code), "{change}");
    }
    let payload = rig.signed(r#"{"alg":"EdDSA","kid":"eve"}"#, &claims(""));
    rig.give("command", &payload);
    assert_eq!(rig.code().as_deref(), Some("unknown_person"));
    let payload = rig.signed(r#"{"alg":"EdDSA","kid":"bob"}"#, &claims(""));
    rig.give("command", &payload);
    assert_eq!(rig.code().as_deref(), Some("no_key"));
    rig.give("command", claims("").as_bytes());
    assert_eq!(rig.code().as_deref(), Some("not_signed"));
    let mut bent = rig.signed(ADA, &claims(""));
    bent[60] ^= 1;
    rig.give("command", &bent);
    assert!(["bad_signature", "not_signed"].contains(&rig.code().expect("an answer").as_str()));
    let payload = rig.signed(ADA, &claims(""));
    rig.give("command/box/ada", &payload);
    assert_eq!(rig.code().as_deref(), Some("other_topic"));
    rig.task.take(&Received { topic: "command".into(), retain: true, payload });
    assert_eq!(rig.code().as_deref(), Some("retained"));
    assert!(rig.said.lock().expect("whole").iter().all(|reply| reply.by.is_none()), "nobody is named");
    let told: Vec<Message> = std::iter::from_fn(|| rig.core.try_recv()).collect();
    assert!(matches!(told.as_slice(), [Message::Unproved(what)] if what == "1 × not_fresh"), "once a minute: {told:?}");
}

#[test]
fn a_topic_names_the_person_and_the_payload_cannot() {
    let mut rig = Rig::new("command-topic", Commands::Topic);
    rig.give("command/panel-1/ada", br#"{"id":"1","action":"note","reason":"filter changed"}"#);
    let request = rig.request().expect("a request");
    assert_eq!(
        (request.who.as_str(), request.role, request.reason.as_deref()),
        ("ada", Role::Operator, Some("filter changed"))
    );
    for (topic, payload, code) in [
        ("command/panel-1/eve", r#"{"id":"1","action":"note"}"#, "unknown_person"),
        ("command", r#"{"id":"1","action":"note"}"#, "other_topic"),
        ("command//ada", r#"{"id":"1","action":"note"}"#, "other_topic"),
        ("command/panel-1/ada/x", r#"{"id":"1","action":"note"}"#, "other_topic"),
        ("command/panel-1/ada", r#"{"id":"1","action":"note","by":"bob"}"#, "no_command"),
        ("command/panel-1/ada", r#"{"id":"1","action":"note","aud":"saltmarsh/m2"}"#, "other_module"),
        ("command/panel-1/ada", r#"{"id":"1","action":"shelve","alarm":"a"}"#, "missing_key"),
        ("command/panel-1/ada", "", "no_command"),
    ] {
        rig.give(topic, payload.as_bytes());
        assert_eq!(rig.code().as_deref(), Some(code), "{topic} {payload}");
        assert!(rig.request().is_none(), "{topic} {payload}");
    }
}

#[test]
fn every_cut_and_flipped_bit_of_a_signed_command_is_nobodys() {
    let mut rig = Rig::new("command-bent", Commands::Signed);
    let whole = rig.signed(ADA, &claims(""));
    for end in 0..whole.len() {
        rig.give("command", &whole[..end]);
    }
    let mut bent = whole;
    for bit in 0..bent.len() * 8 {
        bent[bit / 8] ^= 1 << (bit % 8);
        rig.give("command", &bent);
        bent[bit / 8] ^= 1 << (bit % 8);
    }
    assert!(rig.request().is_none());
}
