//! People act over MQTT: signed with a key of their own, or on a topic that a broker protects by client certificate and ACL;
//! each command once, over a restart too; answers and events tell who did what.

use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::Duration;

use lapwing_tests::agent::{Agent, output};
use lapwing_tests::broker::Broker;
use lapwing_tests::modbus::ModbusPeer;
use lapwing_tests::place::{TempDir, free_tcp_port, lapwing, program, python, sources};
use lapwing_tests::process::Process;
use lapwing_tests::testbay::{calm_controller, one_controller};
use serde_json::{Value, json};

const SOON: Duration = Duration::from_secs(30);
const SEED: &str = "9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60";
/// The public key of that seed (RFC 8037 appendix A).
const JWK: &str = r#"{"kty":"OKP","crv":"Ed25519","x":"11qYAYKxCrfVS_7TyWQHOg7hcvPapiMlrwIaaPcHURo"}"#;

struct Person {
    process: Process,
}

impl Person {
    fn new(port: u16, more: &[&str]) -> Self {
        let mut command = Command::new(python());
        command.arg(sources().join("peers/commander.py"));
        command.args(["--port", &port.to_string(), "--base", "lapwing/testbay/t1"]).args(more);
        let process = Process::start("commander", &mut command);
        let ready = process.out.find(0, Duration::from_secs(20), |line| line.text.contains("ready").then_some(()));
        assert!(ready.is_some(), "the commander did not start:\n{}", process.err.tail());
        Self { process }
    }

    /// Sends a line and waits for the answer.
    fn ask(&mut self, line: &Value) -> Value {
        let mark = self.process.out.mark();
        self.process.tell(&line.to_string());
        self.reply(mark)
    }

    fn reply(&self, mark: usize) -> Value {
        let read = |text: &str| serde_json::from_str::<Value>(text).ok()?.get("reply").cloned();
        self.process.out.wait("answer", mark, SOON, |line| read(&line.text)).0
    }

    fn signed(&mut self, kid: &str, id: &str, more: &Value) -> Value {
        let mut command = json!({ "id": id, "iat": "now", "aud": "testbay/t1" });
        let given = more.as_object().expect("an object").clone();
        command.as_object_mut().expect("an object").extend(given);
        self.ask(&json!({ "topic": "command", "command": command, "sign": { "kid": kid, "seed": SEED } }))
    }
}

fn account(data: &Path, name: &str, role: &str) {
    let mut child = Command::new(lapwing())
        .args(["account", "add", name, "--role", role, "--data"])
        .arg(data)
        .stdin(Stdio::piped())
        .stdout(Stdio::null())
        .spawn()
        .expect("the agent's binary runs");
    child.stdin.take().expect("piped").write_all(b"4711\n").expect("it reads");
    assert!(child.wait().expect("it ends").success());
}

fn configured(home: &TempDir, controller: &ModbusPeer, broker: &str, how: &str) -> PathBuf {
    let config = one_controller(home, &controller.address(), broker);
    let text = std::fs::read_to_string(&config).expect("written before");
    let with = format!("keep_alive = \"5s\"\ncommands = \"{how}\"");
    std::fs::write(&config, text.replace("keep_alive = \"5s\"", &with)).expect("written");
    config
}

#[test]
fn signed_commands_are_done_once_and_answered() {
    let home = TempDir::new("signed");
    let broker = Broker::start();
    let mut controller = ModbusPeer::pymodbus_tcp(&[1]);
    calm_controller(&mut controller);
    let config = configured(&home, &controller, &broker.address(), "signed");
    let data = home.join("data");
    for (name, role) in [("ada", "operator"), ("olaf", "observer")] {
        account(&data, name, role);
        let (code, out, _) = output(
            &[
                "account",
                "key",
                name,
                "--file",
                &home.write("key.json", JWK).display().to_string(),
                "--data",
                &data.display().to_string(),
            ],
            &[],
        );
        assert_eq!(code, 0, "{out}");
    }
    let agent = Agent::run(&config);
    let mut person = Person::new(broker.port(), &[]);
    controller.set(1, "holding", 0, &[215]);
    let (raised, _) = agent.alarm("supply-water-warm", "unacknowledged", 0, SOON);
    let occurrence = raised["occurrence"].as_u64().expect("a number");
    let acknowledge = |seen: u64| json!({ "action": "acknowledge", "alarm": "supply-water-warm", "occurrence": seen });

    let reply = person.signed("ada", "1", &acknowledge(occurrence + 1));
    assert_eq!((&reply["done"], &reply["code"]), (&false.into(), &"other_occurrence".into()), "{reply}");
    let reply = person.signed("olaf", "1", &acknowledge(occurrence));
    assert_eq!((&reply["done"], &reply["code"]), (&false.into(), &"not_allowed".into()), "{reply}");
    let mark = agent.mark();
    let reply = person.signed("ada", "2", &acknowledge(occurrence));
    assert_eq!((&reply["done"], &reply["id"], &reply["by"]), (&true.into(), &"2".into(), &"ada".into()), "{reply}");
    let (event, _) = agent.alarm("supply-water-warm", "acknowledged", mark, SOON);
    assert_eq!(event["by"], "ada");
    // What was refused before is an event too, and may be printed only now.
    let hers = |said: &Value| {
        (said["kind"] == "operator" && said["by"] == "ada" && said["refused"].is_null()).then(|| said.clone())
    };
    let (event, _) = agent.wait("operator's event", mark, SOON, hers);
    assert_eq!((&event["seq"], &event["log"], &event["action"]), (&reply["seq"], &reply["log"], &"acknowledge".into()));

    // A copy does nothing, now and after a restart, and neither does what is bent or another's.
    let reply = person.ask(&json!({ "again": true }));
    assert_eq!((&reply["done"], &reply["code"]), (&false.into(), &"repeated".into()), "{reply}");
    agent.kill();
    let agent = Agent::run(&config);
    agent.wait("started", 0, SOON, |said| (said["change"] == "started").then_some(()));
    // It is heard once the agent has subscribed anew: asked until then.
    let mark = person.process.out.mark();
    let reply = (0..60)
        .find_map(|_| {
            person.process.tell(&json!({ "again": true }).to_string());
            let read = |text: &str| serde_json::from_str::<Value>(text).ok()?.get("reply").cloned();
            person.process.out.find(mark, Duration::from_millis(500), |line| read(&line.text))
        })
        .expect("an answer");
    assert_eq!((&reply["done"], &reply["code"]), (&false.into(), &"repeated".into()), "{reply}");

    let mark = agent.mark();
    let reply = person.signed("eve", "3", &json!({ "action": "note", "reason": "x" }));
    assert_eq!((&reply["code"], reply.get("by")), (&"unknown_person".into(), None), "{reply}");
    agent.wait("nobody's commands", mark, SOON, |said| (said["change"] == "commands refused").then_some(()));
    let reply = person.ask(&json!({ "topic": "command", "command": { "id": "4", "action": "note", "reason": "x" } }));
    assert_eq!(reply["code"], "not_signed", "{reply}");
    let reply = person.signed("ada", "5", &json!({ "action": "note", "reason": "Filter changed" }));
    assert_eq!(reply["done"], true, "{reply}");
    // An answer is what its schema says; so is a command.
    for (name, thing) in [("command-reply", &reply), ("command", &json!({ "id": "5", "action": "note" }))] {
        let (code, schema, _) = output(&["schema", name], &[]);
        assert_eq!(code, 0);
        let check = "import json, sys, jsonschema\ns, t = json.loads(sys.argv[1]), json.loads(sys.argv[2])\njsonschema.validate(t, s)";
        let checked =
            Command::new(python()).args(["-c", check, &schema, &thing.to_string()]).output().expect("python runs");
        assert!(checked.status.success(), "{name}: {}", String::from_utf8_lossy(&checked.stderr));
    }
    assert!(agent.terminate().0.success());
}

/// mosquitto with a plain listener for the agent, and one for people: TLS, client certificates, ACL.
struct Guarded {
    home: TempDir,
    agents: u16,
    people: u16,
    _process: Process,
}

impl Guarded {
    fn start() -> Self {
        let home = TempDir::new("guarded");
        let script = "set -e; ec='-newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes'
            openssl req -x509 $ec -keyout ca.key -out ca.pem -days 400 -subj /CN=authority
            for who in server panel-1 panel-2; do
                openssl req $ec -keyout $who.key -out $who.csr -subj /CN=$who
                printf 'subjectAltName=IP:127.0.0.1\\nbasicConstraints=CA:FALSE\\n' > ext
                openssl x509 -req -in $who.csr -CA ca.pem -CAkey ca.key -CAcreateserial -out $who.pem -days 400 -extfile ext
            done";
        let made = Command::new("sh").arg("-c").arg(script).current_dir(home.path()).stderr(Stdio::null()).status();
        assert!(made.expect("sh is there").success(), "openssl is installed (apt install openssl)");
        home.write(
            "people.acl",
            "pattern write lapwing/testbay/t1/command/%u/+\npattern read lapwing/testbay/t1/command/reply\n",
        );
        let (agents, people) = (free_tcp_port(), free_tcp_port());
        let at = home.path().display();
        let text = format!(
            "per_listener_settings true\nuser root\nlog_dest stderr\nlog_type all\n\
             listener {agents} 127.0.0.1\nallow_anonymous true\n\
             listener {people} 127.0.0.1\nallow_anonymous false\ncafile {at}/ca.pem\ncertfile {at}/server.pem\n\
             keyfile {at}/server.key\nrequire_certificate true\nuse_identity_as_username true\nacl_file {at}/people.acl\n"
        );
        let file = home.write("mosquitto.conf", &text);
        let process = Process::start("mosquitto", Command::new(program("mosquitto")).arg("-c").arg(file));
        process.err.wait("running broker", 0, SOON, |line| line.text.contains("running").then_some(()));
        Self { home, agents, people, _process: process }
    }

    fn person(&self, client: &str) -> Person {
        let file = |end: &str| self.home.join(end).display().to_string();
        let (ca, certificate, key) = (file("ca.pem"), file(&format!("{client}.pem")), file(&format!("{client}.key")));
        Person::new(self.people, &["--ca", &ca, "--certificate", &certificate, "--key", &key])
    }
}

#[test]
fn a_topic_that_the_broker_protects_names_client_and_person() {
    let home = TempDir::new("topic");
    let broker = Guarded::start();
    let mut controller = ModbusPeer::pymodbus_tcp(&[1]);
    calm_controller(&mut controller);
    let config = configured(&home, &controller, &format!("127.0.0.1:{}", broker.agents), "topic");
    account(&home.join("data"), "ada", "operator");
    let agent = Agent::run(&config);
    agent.wait("started", 0, SOON, |said| (said["change"] == "started").then_some(()));
    let (mut panel, mut other) = (broker.person("panel-1"), broker.person("panel-2"));
    let note = |id: &str| json!({ "id": id, "action": "note", "reason": "Filter changed" });

    // It is heard once the agent has subscribed: asked until then, the same command all the time.
    let mark = panel.process.out.mark();
    let reply = (0..60)
        .find_map(|_| {
            panel.process.tell(&json!({ "topic": "command/panel-1/ada", "command": note("1") }).to_string());
            let read = |text: &str| serde_json::from_str::<Value>(text).ok()?.get("reply").cloned();
            panel.process.out.find(mark, Duration::from_millis(500), |line| read(&line.text))
        })
        .expect("an answer");
    assert_eq!((&reply["done"], &reply["by"]), (&true.into(), &"ada".into()), "{reply}");
    let (event, _) = agent.wait("note", 0, SOON, |said| (said["action"] == "note").then(|| said.clone()));
    assert_eq!((&event["by"], &event["reason"]), (&"ada".into(), &"Filter changed".into()));
    let reply = panel.ask(&json!({ "topic": "command/panel-1/ada", "command": note("1") }));
    assert_eq!(reply["code"], "repeated", "{reply}");
    let reply = panel.ask(&json!({ "topic": "command/panel-1/eve", "command": note("2") }));
    assert_eq!(reply["code"], "unknown_person", "{reply}");

    // Another's topic: the broker takes it and lets it go nowhere. What comes after it is answered, it is not.
    let mark = other.process.out.mark();
    other.process.tell(&json!({ "topic": "command/panel-1/ada", "command": note("stolen") }).to_string());
    other.process.tell(&json!({ "topic": "command/panel-2/ada", "command": note("own") }).to_string());
    let read = |text: &str| serde_json::from_str::<Value>(text).ok()?.get("reply").cloned();
    let own =
        other.process.out.wait("answer to its own", mark, SOON, |line| read(&line.text).filter(|r| r["id"] == "own"));
    assert_eq!(own.0["done"], true);
    assert!(!agent.lines().iter().any(|line| line.text.contains("stolen")));
    let stolen = other.process.out.since(mark).iter().filter_map(|line| read(&line.text)).any(|r| r["id"] == "stolen");
    assert!(!stolen, "no answer either");
    assert!(agent.terminate().0.success());
}
