//! An MQTT subscriber that shares no code with the agent (paho, in Python) and checks every payload against its schema.
//!
//! Messages keep their order of arrival. Times are seconds since the Unix epoch as the subscriber's machine saw them.

use std::collections::BTreeSet;
use std::path::Path;
use std::process::Command;
use std::time::Duration;

use lapwing_protocol::schema;
use serde_json::Value;

use crate::network::{Network, command};
use crate::place::{TempDir, lapwing, python, sources};
use crate::process::Process;
use crate::readings::Catalogue;

/// One message as it arrived.
#[derive(Clone, Debug)]
pub struct Message {
    /// Whole topic.
    pub topic: String,
    /// Whether the broker had kept it.
    pub retain: bool,
    /// Decoded payload; null where a retained topic was cleared.
    pub payload: Value,
    /// When it arrived.
    pub at: f64,
    /// Size of the payload as sent.
    pub bytes: u64,
    /// What does not fit the schema.
    pub problem: Option<String>,
}

impl Message {
    /// The topic below `<base>/<site>/<module>/`.
    #[must_use]
    pub fn below(&self) -> &str {
        self.topic.splitn(4, '/').nth(3).unwrap_or("")
    }

    fn read(line: &str) -> Option<Self> {
        let said: Value = serde_json::from_str(line).ok()?;
        Some(Self {
            topic: said.get("topic")?.as_str()?.to_owned(),
            retain: said.get("retain")?.as_bool()?,
            payload: said.get("payload")?.clone(),
            at: said.get("at")?.as_f64()?,
            bytes: said.get("bytes")?.as_u64()?,
            problem: said.get("problem").and_then(Value::as_str).map(str::to_owned),
        })
    }
}

/// A running subscriber.
#[derive(Debug)]
pub struct Subscriber {
    _schemas: TempDir,
    process: Process,
}

impl Subscriber {
    /// Subscribes to everything on a broker and waits until the subscription is confirmed.
    ///
    /// # Panics
    /// When it does not get that far.
    #[must_use]
    pub fn start(port: u16) -> Self {
        Self::named(port, "independent-subscriber")
    }

    /// As `start`, with a session name of its own.
    ///
    /// # Panics
    /// When it does not get that far.
    #[must_use]
    pub fn named(port: u16, client: &str) -> Self {
        Self::inside(None, port, client)
    }

    /// As `start`, inside a network of its own.
    ///
    /// # Panics
    /// When it does not get that far.
    #[must_use]
    pub fn behind(network: &Network, port: u16) -> Self {
        Self::inside(Some(&network.name()), port, "independent-subscriber")
    }

    fn inside(network: Option<&str>, port: u16, client: &str) -> Self {
        let schemas = schemas();
        let process = Process::start(
            "subscriber",
            command(network, python())
                .arg(sources().join("peers/subscriber.py"))
                .args(["--port", &port.to_string(), "--client", client])
                .arg("--schemas")
                .arg(schemas.path()),
        );
        let ready = process.out.find(0, Duration::from_secs(20), |line| line.text.contains("\"ready\"").then_some(()));
        assert!(ready.is_some(), "the subscriber did not start:\n{}", process.err.tail());
        Self { _schemas: schemas, process }
    }

    /// How many lines it has said: a mark to search from later.
    #[must_use]
    pub fn mark(&self) -> usize {
        self.process.out.mark()
    }

    /// Every message so far.
    #[must_use]
    pub fn all(&self) -> Vec<Message> {
        self.since(0)
    }

    /// Messages since a mark.
    #[must_use]
    pub fn since(&self, mark: usize) -> Vec<Message> {
        self.process.out.since(mark).iter().filter_map(|line| Message::read(&line.text)).collect()
    }

    /// First message since a mark for which `wanted` gives something.
    ///
    /// # Panics
    /// When none comes in time.
    pub fn wait<T>(
        &self,
        what: &str,
        mark: usize,
        within: Duration,
        mut wanted: impl FnMut(&Message) -> Option<T>,
    ) -> T {
        self.process.out.wait(what, mark, within, |line| wanted(&Message::read(&line.text)?)).0
    }

    /// First message on a topic (below the module) since a mark that fulfils a condition.
    ///
    /// # Panics
    /// When none comes in time.
    pub fn topic(&self, below: &str, mark: usize, within: Duration, fits: impl Fn(&Value) -> bool) -> Message {
        self.wait(&format!("fitting {below}"), mark, within, |message| {
            (message.below() == below && fits(&message.payload)).then(|| message.clone())
        })
    }

    /// The catalogue of a hash, once all its pages have arrived.
    ///
    /// # Panics
    /// When they do not in time, or do not belong together.
    #[must_use]
    pub fn catalogue(&self, hash: &str) -> Catalogue {
        let wanted = format!("catalogue/{hash}/");
        let mut pages = BTreeSet::new();
        self.wait("last page of the catalogue", 0, Duration::from_secs(20), |message| {
            if message.below().starts_with(&wanted) {
                pages.insert(message.payload["page"].as_u64()?);
            }
            (Some(pages.len() as u64) == message.payload["pages"].as_u64()).then_some(())
        });
        Catalogue::gather(&self.all(), hash)
    }

    /// Waits for an alarm's event into a state.
    ///
    /// # Panics
    /// When none comes in time.
    pub fn alarm(&self, id: &str, to: &str, mark: usize, within: Duration) -> Message {
        self.topic("event", mark, within, |event| event["kind"] == "alarm" && event["alarm"] == id && event["to"] == to)
    }

    /// Waits until it says that it has lost the broker.
    ///
    /// # Panics
    /// When it does not in time.
    pub fn loses_the_broker(&self, mark: usize) {
        self.process.out.wait("lost connection", mark, Duration::from_secs(20), |line| {
            line.text.contains("{\"connected\": false}").then_some(())
        });
    }

    /// All events, in order of arrival, repeats included.
    #[must_use]
    pub fn events(&self) -> Vec<Value> {
        self.all().into_iter().filter(|message| message.below() == "event").map(|message| message.payload).collect()
    }

    /// Fails when anything that arrived does not fit its schema.
    ///
    /// # Panics
    /// Then.
    pub fn all_fit_their_schemas(&self) {
        let all = self.all();
        let wrong: Vec<_> = all.iter().filter(|message| message.problem.is_some()).take(5).collect();
        assert!(wrong.is_empty(), "messages that do not fit their schema: {wrong:#?}");
        assert!(!all.is_empty(), "nothing arrived at all");
    }
}

/// Every schema as the binary under test prints it, one file each.
fn schemas() -> TempDir {
    let folder = TempDir::new("schemas");
    for name in schema::names() {
        write_schema(name, folder.path());
    }
    folder
}

fn write_schema(name: &str, folder: &Path) {
    let shown = Command::new(lapwing()).args(["schema", name]).output().expect("the agent's binary runs");
    assert!(shown.status.success(), "lapwing schema {name}: {}", String::from_utf8_lossy(&shown.stderr));
    std::fs::write(folder.join(format!("{name}.json")), shown.stdout).expect("a file can be written");
}
