//! People told directly: by mail through a real mail server, by signed POST; a server that is away; kills; who is told
//! further when nobody acknowledges.

use std::path::PathBuf;
use std::time::{Duration, Instant};

use lapwing_tests::agent::{Agent, output};
use lapwing_tests::broker::Broker;
use lapwing_tests::modbus::ModbusPeer;
use lapwing_tests::place::TempDir;
use lapwing_tests::receivers::Receivers;
use lapwing_tests::testbay::{calm_controller, one_controller};
use serde_json::Value;

const SOON: Duration = Duration::from_secs(30);

const RECIPIENTS: &str = r#"
[mail]
server = "{mail}"
ca = "{ca}"
user = "m1"
password_file = "{password}"
from = "m1@testbay.example"

[[recipient]]
name = "shift"
email = "shift@testbay.example"
priorities = ["critical", "high"]
unacknowledged_for = "10s"
then = "lead"

[[recipient]]
name = "lead"
email = "lead@testbay.example"

[[recipient]]
name = "desk"
webhook = "{hook}"
secret_file = "{secret}"
ca = "{ca}"
priorities = ["critical", "high", "medium"]
"#;

struct Bay {
    _home: TempDir,
    _broker: Broker,
    controller: ModbusPeer,
    receivers: Receivers,
    config: PathBuf,
}

impl Bay {
    fn new(name: &str, starttls: bool) -> Self {
        let home = TempDir::new(name);
        let broker = Broker::start();
        let mut controller = ModbusPeer::pymodbus_tcp(&[1]);
        calm_controller(&mut controller);
        let receivers = Receivers::start(starttls);
        let config = one_controller(&home, &controller.address(), &broker.address());
        let text = std::fs::read_to_string(&config).expect("written before");
        let mut recipients = receivers.fill(RECIPIENTS);
        if starttls {
            recipients = recipients.replace("[mail]\n", "[mail]\ntls = \"starttls\"\n");
        }
        std::fs::write(&config, text + &recipients).expect("written");
        Self { _home: home, _broker: broker, controller, receivers, config }
    }

    /// Waits until the agent reads the controller.
    fn run(&self) -> Agent {
        let agent = Agent::run(&self.config);
        agent.wait("started", 0, SOON, |said| (said["change"] == "started").then_some(()));
        agent
    }
}

fn mail_to(receivers: &Receivers, mark: usize, to: &str) -> Value {
    receivers.wait(&format!("mail to {to}"), mark, |said| {
        (said["by"] == "mail" && said["to"][0] == to).then(|| said.clone())
    })
}

#[test]
fn an_alarm_is_told_by_mail_and_post_and_further_when_nobody_acknowledges() {
    let mut bay = Bay::new("notify", false);
    let agent = bay.run();
    bay.controller.set(1, "holding", 0, &[215]);
    let (event, _) = agent.alarm("supply-water-warm", "unacknowledged", 0, SOON);
    let mail = mail_to(&bay.receivers, 0, "shift@testbay.example");
    assert_eq!(mail["subject"], "[TEST] testbay t1, high: Supply water 21.5 °C is above 21.0 °C");
    assert_eq!((&mail["tls"], &mail["user"], &mail["auto"]), (&true.into(), &"m1".into(), &"auto-generated".into()));
    assert_eq!(mail["from"], "m1@testbay.example");
    let text = mail["text"].as_str().expect("a text");
    for said in [
        "HIGH: Supply water 21.5 °C",
        "The coil cannot hold the cold aisle.",
        "Check the chiller plant.",
        "within 3 min",
    ] {
        assert!(text.contains(said), "{said} in:\n{text}");
    }
    assert!(!text.contains("Nobody has acknowledged"));
    let id = mail["id"].as_str().expect("a Message-ID");
    let (log, seq) = (event["log"].as_str().expect("a log"), event["seq"].as_u64().expect("a number"));
    assert_eq!(id, format!("<{log}-{seq}-shift@testbay.example>"));

    let post = bay.receivers.wait("POST", 0, |said| (said["by"] == "https").then(|| said.clone()));
    assert_eq!((&post["signed"], &post["why"]), (&true.into(), &Value::Null), "{post:#}");
    assert!(post["age_s"].as_f64().is_some_and(|age| (0.0..20.0).contains(&age)), "signed just now");
    let body = &post["body"];
    assert_eq!((body["recipient"].as_str(), body["priority"].as_str()), (Some("desk"), Some("high")));
    let told = body["alarms"].as_array().expect("alarms");
    assert_eq!(told.len(), 1);
    for key in ["log", "seq", "text", "value", "alarm", "occurrence", "response"] {
        assert_eq!(told[0][key], event[key], "{key} as published");
    }

    let further = mail_to(&bay.receivers, 0, "lead@testbay.example");
    let text = further["text"].as_str().expect("a text");
    assert!(text.starts_with("Nobody has acknowledged this for 10 s."), "{text}");
    assert_eq!(further["references"], mail["references"], "one thread an incident");
    assert_eq!(bay.receivers.accepted(0).len(), 3, "each was told once");
    assert!(agent.terminate().0.success());
}

#[test]
fn related_alarms_are_one_message_and_a_dead_server_delays_nothing_and_loses_nothing() {
    let mut bay = Bay::new("notify-away", true);
    bay.receivers.answer("mail refuse");
    bay.receivers.answer("https refuse");
    let agent = bay.run();
    let mark = agent.mark();
    let begun = Instant::now();
    bay.controller.set(1, "holding", 0, &[215, 150]);
    agent.alarm("supply-water-warm", "unacknowledged", mark, SOON);
    agent.alarm("low-flow", "unacknowledged", mark, SOON);
    assert!(begun.elapsed() < Duration::from_secs(10), "events wait for nobody");
    let is_away = |said: &Value, name: &str| {
        said["change"] == "recipient not reached" && said["text"].as_str().is_some_and(|text| text.contains(name))
    };
    for name in ["shift", "desk"] {
        let (why, _) = agent.wait(&format!("{name} is away"), mark, SOON, |said| {
            is_away(said, name).then(|| said["reason"].as_str().map(str::to_owned)).flatten()
        });
        let expected = if name == "shift" { "451" } else { "503" };
        assert!(why.contains(expected), "{why}");
    }
    // The desk is back: what waited comes in one message.
    bay.receivers.answer("https accept");
    agent.wait("desk is reached", mark, SOON, |said| (said["change"] == "recipient reached").then_some(()));
    let post = bay.receivers.wait("POST", 0, |said| said.get("body").map(|_| said.clone()));
    assert_eq!(post["signed"], true, "{post:#}");
    assert_eq!(post["body"]["alarms"].as_array().map(Vec::len), Some(2), "{post:#}");
    // Killed while mails wait: they are in the store with their events.
    agent.kill();
    let agent = bay.run();
    let mark = bay.receivers.mark();
    bay.receivers.answer("mail accept");
    mail_to(&bay.receivers, mark, "shift@testbay.example");
    mail_to(&bay.receivers, mark, "lead@testbay.example");
    // Both alarms to both, and further: nothing twice.
    let mut told: Vec<(String, String)> = Vec::new();
    let until = Instant::now() + SOON;
    while Instant::now() < until && told.len() < 6 {
        told = all_told(&bay.receivers.accepted(0));
    }
    agent.terminate();
    let again = bay.receivers.mark();
    let agent = bay.run();
    agent.wait("scans", 0, SOON, |said| (said["change"] == "started").then_some(()));
    assert!(agent.terminate().0.success());
    assert_eq!(all_told(&bay.receivers.accepted(again)), [], "told before");
    told.sort();
    let expected = ["desk", "lead", "shift"].map(|who| [(who, "Supply water"), (who, "Water flow")]).concat();
    assert_eq!(told.iter().map(|(who, what)| (who.as_str(), what.as_str())).collect::<Vec<_>>(), expected);
}

/// Who was told of which alarm, in order.
fn all_told(accepted: &[Value]) -> Vec<(String, String)> {
    let mut told = Vec::new();
    for said in accepted {
        let (who, text) = if said["by"] == "mail" {
            let to = said["to"][0].as_str().unwrap_or_default();
            (to.split('@').next().unwrap_or_default().to_owned(), said["text"].as_str().unwrap_or_default().to_owned())
        } else {
            ("desk".to_owned(), said["body"]["alarms"].to_string())
        };
        for what in ["Supply water", "Water flow"] {
            if text.contains(what) {
                told.push((who.clone(), what.to_owned()));
            }
        }
    }
    told
}

#[test]
fn a_test_message_says_whether_it_gets_through() {
    let bay = Bay::new("tell", true);
    let config = bay.config.display().to_string();
    let (code, out, err) = output(&["tell", "--config", &config], &[]);
    assert_eq!((code, err.as_str()), (0, ""), "{out}");
    assert_eq!(out.matches("the message got through").count(), 3, "{out}");
    let mail = mail_to(&bay.receivers, 0, "lead@testbay.example");
    assert_eq!(mail["subject"], "testbay t1: test message");
    let post = bay.receivers.wait("POST", 0, |said| (said["by"] == "https").then(|| said.clone()));
    assert_eq!((&post["signed"], &post["body"]["test"]), (&true.into(), &true.into()));

    let (code, _, err) = output(&["tell", "--config", &config, "shfit"], &[]);
    assert_eq!(code, 2);
    assert!(err.contains("did you mean `shift`?"), "{err}");

    // Another secret signs what the receiver does not believe; another authority lets nothing leave.
    let text = std::fs::read_to_string(&bay.config).expect("written before");
    std::fs::write(&bay.config, text.replace("webhook-secret", "wrong-secret")).expect("written");
    let mark = bay.receivers.mark();
    let (code, out, _) = output(&["tell", "--config", &config, "desk"], &[]);
    assert_eq!(code, 0, "this receiver takes all and judges afterwards: {out}");
    let post = bay.receivers.wait("POST", mark, |said| (said["by"] == "https").then(|| said.clone()));
    assert_eq!(post["signed"], false);
    std::fs::write(&bay.config, text.replace(&bay.receivers.fill("ca = \"{ca}\"\n"), "")).expect("written");
    let mark = bay.receivers.mark();
    let (code, out, _) = output(&["tell", "--config", &config], &[]);
    assert_eq!((code, out.matches("did not get through").count()), (1, 3), "{out}");
    assert_eq!(bay.receivers.accepted(mark), Vec::<Value>::new());
}
